"""The lesson folder: the score as imported, `lesson.toml`, `corrections.jsonl`, `exports/`.

In: a score file and a folder. Out: a `LessonFolder`, its score and settings written.
"""

from __future__ import annotations

import hashlib
import os
import tomllib
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import tomlkit

from understave.disk import locked, write_atomically
from understave.errors import LessonError
from understave.harmony.habit_learning import habits_from
from understave.harmony.key_length import KEY_LENGTHS, USUAL, KeyLength
from understave.harmony.model.leaning import NO_HABITS, Habits
from understave.score.model import Score

SETTINGS = "lesson.toml"
CORRECTIONS = "corrections.jsonl"
EXPORTS = "exports"


@dataclass(frozen=True, slots=True)
class LessonFolder:
    """An opened lesson folder: `score` is the imported file inside it, `imported_from` its name before,
    `keys_last` how long a key must last to count as one, `habits` the teacher's that it is read with;
    `habits_set` tells that the settings name habits, be it none.
    """

    path: Path
    score: Path
    imported_from: str
    keys_last: KeyLength = USUAL
    habits: Habits = NO_HABITS
    habits_set: bool = False

    @property
    def corrections(self) -> Path:
        """The teacher's corrections, one JSON object a line, only ever added to."""
        return self.path / CORRECTIONS

    @property
    def exports(self) -> Path:
        """Everything that can be made again from the score and the corrections."""
        return self.path / EXPORTS


def open_folder(path: Path) -> LessonFolder:
    """Open an existing lesson folder; raise UnderstaveError if it is not one."""
    settings = path / SETTINGS
    try:
        values = tomllib.loads(settings.read_text(encoding="utf-8"))
        score = path / str(values["score"]["file"])
        imported_from = str(values["score"].get("imported_from", score.name))
        keys_last = values.get("reading", {}).get("keys_last", USUAL)
        reading = values.get("reading", {})
        named = dict(reading.get("habits", {}))
    except FileNotFoundError as error:
        raise LessonError(
            f"{path} is not a lesson folder (it has no {SETTINGS}); make one with "
            "'understave lesson SCORE --out FOLDER'."
        ) from error
    except (tomllib.TOMLDecodeError, KeyError, TypeError, AttributeError, UnicodeDecodeError) as error:
        raise LessonError(
            f"{settings} cannot be read ({error}); mend that line, or move the file away and make the "
            "lesson again: corrections are kept in their own file."
        ) from error
    if keys_last not in KEY_LENGTHS:
        raise LessonError(
            f"{settings} says keys_last = {keys_last!r}; write one of: {', '.join(KEY_LENGTHS)}."
        )
    try:
        habits = habits_from(named)
    except ValueError as error:
        raise LessonError(
            f"{settings} names habits that are none ({error}); mend them, or take them out with "
            f"'understave habits {path} --off'."
        ) from error
    if score.resolve().parent != path.resolve():
        raise LessonError(
            f"{settings} names a score outside the lesson folder; "
            f"copy the score into {path} and name it there."
        )
    if not score.is_file():
        raise LessonError(f"{score} is missing; put the score file back into the lesson folder.")
    return LessonFolder(path, score, imported_from, keys_last, habits, "habits" in reading)


def keys_last(path: Path) -> KeyLength:
    """Return how long a key must last in a folder's lesson; the usual length where there is none yet."""
    return open_folder(path).keys_last if is_lesson_folder(path) else USUAL


def set_keys_last(path: Path, length: KeyLength) -> None:
    """Write into a lesson's settings how long a key must last; all else in them stays as it is."""
    settings = path / SETTINGS
    with locked(path):
        open_folder(path)
        document = tomlkit.parse(settings.read_text(encoding="utf-8"))
        document.setdefault("reading", tomlkit.table())["keys_last"] = length
        write_atomically(settings, tomlkit.dumps(document))


def habits_of(path: Path) -> Habits:
    """Return the habits that a folder's lesson is read with; none where there is no lesson yet."""
    return open_folder(path).habits if is_lesson_folder(path) else NO_HABITS


def set_habits(path: Path, habits: Habits, by_hand: bool = True) -> None:
    """Write into a lesson's settings the habits to read it with; all else stays.

    None `by_hand` are written as none, so that the lesson gets no others by itself; else the entry goes.
    """
    settings = path / SETTINGS
    with locked(path):
        if not is_lesson_folder(path):
            open_folder(path)
        try:
            document = tomlkit.parse(settings.read_text(encoding="utf-8"))
        except (tomlkit.exceptions.TOMLKitError, UnicodeDecodeError):
            # Says what is wrong, and where.
            open_folder(path)
            raise
        reading = document.setdefault("reading", tomlkit.table())
        reading.pop("habits", None)
        if habits != NO_HABITS or by_hand:
            table = tomlkit.inline_table()
            table.update({name: value for name, value in asdict(habits).items() if value})
            reading["habits"] = table
        write_atomically(settings, tomlkit.dumps(document))


def is_lesson_folder(path: Path) -> bool:
    """Tell whether a folder holds a lesson."""
    return (path / SETTINGS).is_file()


def titled(score: Score, file_name: str) -> Score:
    """Return the score with a title to print: its own, or the file's name where it has none."""
    if score.title.strip().casefold() not in ("", "title", "untitled"):
        return score
    return replace(score, title=" ".join(Path(file_name).stem.replace("_", " ").split()))


def check_place(path: Path, source: Path, replace_score: bool = False) -> None:
    """Raise UnderstaveError if a lesson on `source` may not go to `path`; touches nothing.

    A folder that holds a lesson on another score is refused, so that no teacher's work is overwritten,
    unless `replace_score` says that the score is a newer version of the same piece.
    """
    if is_lesson_folder(path):
        folder = open_folder(path)
        if not replace_score and folder.score.read_bytes() != source.read_bytes():
            raise LessonError(
                f"{path} already holds a lesson made from another score or an earlier version of this one; "
                "choose another folder with --out, or add --replace-score to put this score in its place "
                "and keep the corrections."
            )
    # Asked before the work is done, not after: nobody waits for a lesson that has no place to go.
    there = next((p for p in (path, *path.absolute().parents) if p.exists()), path)
    if not there.is_dir():
        raise LessonError(f"{there} is a file, not a folder; choose another place with --out.")
    if not os.access(there, os.W_OK | os.X_OK):
        raise LessonError(f"{there} may not be written to; choose another place with --out.")


def create_folder(
    path: Path, source: Path, title: str, composer: str, replace_score: bool = False
) -> LessonFolder:
    """Make the folder for a score, or open it again if it holds one already; see `check_place`.

    Corrections stay as they are, and so does what the teacher wrote into the settings.
    """
    check_place(path, source, replace_score)
    data = source.read_bytes()
    if is_lesson_folder(path) and open_folder(path).score.read_bytes() == data:
        return open_folder(path)
    suffix = source.suffix.lower() or ".musicxml"
    score = path / f"score{suffix}"
    write_atomically(score, data)
    with locked(path):
        settings = _settings(path / SETTINGS, title, composer, score.name, source.name, data)
        write_atomically(path / SETTINGS, settings)
    return LessonFolder(path, score, source.name)


def _settings(path: Path, title: str, composer: str, file: str, imported_from: str, data: bytes) -> str:
    """The text of lesson.toml for a score; what the teacher wrote into an older one stays."""
    document = tomlkit.document()
    if path.is_file():
        document = tomlkit.parse(path.read_text(encoding="utf-8"))
    else:
        document.add(tomlkit.comment("What this lesson is made from, and what you changed in it."))
        document.add(tomlkit.comment("Corrections stand in corrections.jsonl."))
    document["title"], document["composer"] = title, composer
    table = document.setdefault("score", tomlkit.table())
    table["file"], table["imported_from"] = file, imported_from
    table["sha256"] = hashlib.sha256(data).hexdigest()
    return tomlkit.dumps(document)
