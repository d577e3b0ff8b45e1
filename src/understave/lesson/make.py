"""From a score file to a lesson folder, step by step.

In: a score file (or a lesson folder made before) and where to put the lesson. Out: the folder with
the engraved score, the data, the annotated score, the playing plan and the handout. Everything is
computed before the first file is written, so that bad input leaves nothing behind.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from understave.acoustics.midi import midi_bytes
from understave.disk import write_atomically
from understave.engraving import Options, engrave, to_pdf
from understave.export.annotated import annotated_musicxml
from understave.export.playing import with_plan
from understave.export.tables import reading_csv, reading_json
from understave.harmony import corrections, read
from understave.harmony.reading import Reading
from understave.harmony.romantext import write_romantext
from understave.interpretation.make import make_plan
from understave.interpretation.perform import perform
from understave.lesson.folder import (
    CORRECTIONS,
    LessonFolder,
    check_place,
    create_folder,
    is_lesson_folder,
    open_folder,
    titled,
)
from understave.lesson.handout import Paper, handout_pdf
from understave.score.model import Score
from understave.score.reader import read_score
from understave.theory.vocabulary import Language
from understave.wording import Level


@dataclass(frozen=True, slots=True)
class Lesson:
    """A lesson as made: where it lies, what it was made from, and the files written (in exports/)."""

    folder: LessonFolder
    score: Score
    reading: Reading
    files: tuple[Path, ...]


@dataclass(frozen=True, slots=True)
class LessonOptions:
    """What the teacher chose.

    `chord_symbols` sets them above the staves; `replace_score` puts a newer version of the score into
    a lesson made before; `level` is that of the handout's words, `language` that of all words.
    """

    paper: Paper = "a4"
    chord_symbols: bool = False
    replace_score: bool = False
    level: Level = "intermediate"
    language: Language = "en"


def make_lesson(
    source: Path,
    out: Path,
    options: LessonOptions = LessonOptions(),
    on_step: Callable[[str], None] = lambda _: None,
) -> Lesson:
    """Make or renew the lesson on `source` in `out`; raise UnderstaveError on bad input.

    `source` may be a lesson folder itself: then it is made again with its corrections. `on_step`
    hears in a few words what is being done.
    """
    name = source.name
    if is_lesson_folder(source):
        existing = open_folder(source)
        source, out, name = existing.score, existing.path, existing.imported_from
    on_step("reading the score")
    score = titled(read_score(source), name)
    check_place(out, source, options.replace_score)
    on_step("finding chords and keys")
    reading = read(score, corrections.load(out / CORRECTIONS))
    on_step("engraving")
    look = Options(paper=options.paper, chord_symbols=options.chord_symbols, language=options.language)
    pages = engrave(score, reading, look)
    on_step("making the PDF of the score")
    contents: dict[str, bytes | str] = {
        f"score-{number:02d}.svg": page for number, page in enumerate(pages, start=1)
    }
    contents["score.pdf"] = to_pdf(pages)
    on_step("planning how to play it")
    plan = make_plan(score, reading)
    annotated = annotated_musicxml(score, reading)
    contents["plan.pdf"] = to_pdf(engrave(score, reading, look, plan))
    contents["plan.musicxml"] = with_plan(annotated, score, plan)
    contents["plan.mid"] = midi_bytes(perform(score, plan), score.title)
    on_step("writing the reading")
    contents["reading.json"] = reading_json(score, reading)
    contents["reading.csv"] = reading_csv(score, reading)
    contents["reading.romantext.txt"] = write_romantext(reading, score)
    contents["annotated.musicxml"] = annotated
    contents["handout.pdf"] = handout_pdf(
        score, reading, name, options.paper, on_step, options.level, options.language
    )
    on_step("saving")
    folder = create_folder(out, source, score.title, score.composer, options.replace_score)
    return Lesson(folder, score, reading, _save(folder, contents))


def _save(folder: LessonFolder, contents: dict[str, bytes | str]) -> tuple[Path, ...]:
    written = []
    for name, content in contents.items():
        path = folder.exports / name
        write_atomically(path, content)
        written.append(path)
    for page in folder.exports.glob("score-*.svg"):
        # A shorter score than last time must not leave old pages behind.
        if page not in written:
            page.unlink()
    return tuple(written)
