"""The worksheets of a class as files: a paper for each student; the answers stand in a folder of their own.

In: `Sheet`s and what the teacher chose. Out: PDF bytes by path: ``anna.pdf``, ``answers/anna.pdf``; with
sounds to listen to, a folder for each student: ``anna/anna.pdf``, ``anna/sounds/exercise-3.mp3``.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Mapping

from understave.media.student_papers import Look, Paper, Questions, answers_pdf, drawn, student_pdf
from understave.teaching.class_sheets import Sheet
from understave.theory.names import key_name
from understave.theory.vocabulary import Language
from understave.wording import phrasebook


def sheet_files(
    sheets: Iterable[Sheet],
    paper: Paper,
    language: Language,
    heard: Callable[[Sheet], Mapping[str, bytes]] | None = None,
) -> Iterator[dict[str, bytes]]:
    """Give out the files of each student in turn; `heard` makes the sounds of a sheet, by their paths."""
    taken: set[str] = set()
    for sheet in sheets:
        look = Look(paper, sheet.student.level, language)
        asked = Questions((), sheet.exercises, (), {})
        pictures = drawn(sheet.score, sheet.reading, asked, look)
        who, name = sheet.student.name, _file_name(sheet.student.name, taken)
        note = phrasebook(language).phrases["paper_moved"].format(key=key_name(sheet.key, language))
        sounds = {} if heard is None else heard(sheet)
        place = f"{name}/" if heard is not None else ""
        yield {
            f"{place}{name}.pdf": student_pdf(
                sheet.score, asked, pictures, look, who, note if sheet.moved else ""
            ),
            f"answers/{name}.pdf": answers_pdf(sheet.score, asked, pictures, look, who),
            **{f"{place}{path}": data for path, data in sounds.items()},
        }


def _file_name(name: str, taken: set[str]) -> str:
    """Return a name that every disk can hold, each once."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode()
    short = re.sub(r"[^a-z0-9]+", "-", plain.casefold()).strip("-")[:60] or "student"
    number = next(n for n in range(1, len(taken) + 2) if (short if n == 1 else f"{short}-{n}") not in taken)
    found = short if number == 1 else f"{short}-{number}"
    taken.add(found)
    return found
