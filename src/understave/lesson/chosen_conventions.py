"""The teacher's conventions as they are kept: ``[conventions]`` in ``lesson.toml``, or in a file for all.

In: a lesson folder or none. Out: `Conventions`: what the lesson says, else what the file for all lessons
says, else the standard form. The file for all is ``conventions.toml`` in this user's own folder
(`faults.own_folder`).
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import tomlkit

from understave.disk import locked, write_atomically
from understave.errors import LessonError
from understave.faults import own_folder
from understave.theory.convention_choices import STANDARD, Conventions, conventions_from

TABLE = "conventions"
_FILE = "conventions.toml"
_LESSON = "lesson.toml"


def file_for_all() -> Path:
    """Return the file of the conventions for all lessons; it need not exist."""
    return own_folder() / _FILE


def file_of(lesson: Path | None) -> Path:
    """Return the file that keeps the conventions of a lesson folder, or those for all lessons."""
    return file_for_all() if lesson is None else lesson / _LESSON


def conventions_of(lesson: Path | None = None) -> Conventions:
    """Return the conventions of a lesson folder, or those for all lessons where there is no such folder.

    Raises LessonError with one sentence where a file that keeps them cannot be used.
    """
    under = conventions_from(_kept(file_for_all()), STANDARD)
    return conventions_from(_kept(file_of(lesson)), under) if lesson is not None else under


def chosen_in(lesson: Path | None) -> Mapping[str, str]:
    """Return what the file of a lesson, or that for all lessons, chooses itself.

    Raises LessonError with one sentence where it cannot be used.
    """
    return _kept(file_of(lesson))


def choose(values: Mapping[str, str], lesson: Path | None, afresh: bool = False) -> None:
    """Keep choices in a lesson's settings, or for all lessons where `lesson` is None; all else stays.

    `afresh` forgets first what that file has chosen. Raises LessonError where the file cannot be used.
    """
    settings = file_of(lesson)
    if lesson is None:
        settings.parent.mkdir(parents=True, exist_ok=True)
    with locked(settings.parent):
        kept = {} if afresh else _kept(settings)
        conventions_from({**kept, **values})
        text = settings.read_text(encoding="utf-8") if settings.is_file() else ""
        document = tomlkit.parse("" if afresh and lesson is None else text)
        document.pop(TABLE, None)
        if kept or values:
            table = tomlkit.table()
            table.update({**kept, **values})
            document[TABLE] = table
        write_atomically(settings, tomlkit.dumps(document))


PAPER = "paper"


def paper_for_all() -> str | None:
    """Return the paper chosen for all lessons that choose none, as its file says it; None without one."""
    path = file_for_all()
    try:
        value = tomllib.loads(path.read_text(encoding="utf-8")).get(PAPER)
    except (FileNotFoundError, NotADirectoryError):
        return None
    except (OSError, tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise LessonError(f"{path} cannot be read ({error}); mend it or move it away.") from error
    return value if value is None else str(value)


def choose_paper_for_all(paper: str) -> None:
    """Keep a paper for all lessons; all else in their file stays."""
    settings = file_for_all()
    settings.parent.mkdir(parents=True, exist_ok=True)
    with locked(settings.parent):
        _kept(settings)
        text = settings.read_text(encoding="utf-8") if settings.is_file() else ""
        document = tomlkit.parse(text)
        document.pop(PAPER, None)
        # Before the tables: a key after them would be one of theirs.
        document = tomlkit.parse(f"{tomlkit.dumps({PAPER: paper})}{tomlkit.dumps(document)}")
        write_atomically(settings, tomlkit.dumps(document))


def _kept(path: Path) -> dict[str, Any]:
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8")).get(TABLE, {})
        conventions_from(table)
    except (FileNotFoundError, NotADirectoryError):
        return {}
    except (OSError, tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise LessonError(f"{path} cannot be read ({error}); mend it or move it away.") from error
    except (ValueError, TypeError, AttributeError) as error:
        raise LessonError(
            f"[{TABLE}] in {path} is wrong: {str(error).rstrip('.')}. 'understave conventions' with "
            "--standard takes it out."
        ) from error
    return dict(table)
