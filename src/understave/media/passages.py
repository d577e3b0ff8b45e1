"""Passages that come back, set beside what they bring back, with what is different marked.

In: a Score and its Reading. Out: `Parallel`s, one for each return, row by row (some bars of the earlier
passage and their partners), the ids of notes without an equal on the other side, and the words for them.
A note has an equal where the same pitch, moved as the whole passage is, begins at the same place in the bar
and lasts as long.
"""

from __future__ import annotations

import tempfile
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from importlib.resources import files
from json import dumps
from pathlib import Path

from understave.engraving import Options, excerpt
from understave.engraving.options import Paper
from understave.engraving.standards import date_of
from understave.findings.catalogue import weight
from understave.findings.returns import DIFFERENCE, RETURN, ReturnDetails
from understave.harmony.reading import Event, Reading
from understave.media.setting import accessible_pdf
from understave.score.model import Note, Score
from understave.theory.pitch import Interval
from understave.theory.vocabulary import Language
from understave.wording import Level, in_a_line, phrasebook, say

ROW = 2
"""Bars in one row of a page."""
_COLUMN_MM = 86.0


@dataclass(frozen=True, slots=True)
class Row:
    """Bars that belong together: indexes of first and last measure of each side, None for a missing one."""

    earlier: tuple[int, int] | None
    later: tuple[int, int] | None


@dataclass(frozen=True, slots=True)
class Parallel:
    """A passage and its return: `earlier` and `later` are indexes of first and last measure, both included.

    `moved` is how far the return lies from the earlier passage, octaves included. `earlier_notes` and
    `later_notes` are the ids of the notes that differ.
    """

    event: Event
    earlier: tuple[int, int]
    later: tuple[int, int]
    rows: tuple[Row, ...]
    moved: Interval
    earlier_notes: tuple[str, ...]
    later_notes: tuple[str, ...]

    def words(self, score: Score, reading: Reading, level: Level, language: Language) -> str:
        """Say what comes back and what is different."""
        own = [
            event
            for event, details in DIFFERENCE.all(reading.events)
            if details.return_start == self.event.start
        ]
        texts = [say(event, score, level, language) for event in (self.event, *own)]
        return " ".join(dict.fromkeys(texts))


def parallels(score: Score, reading: Reading, at_most: int = 6) -> tuple[Parallel, ...]:
    """Return the returns of a piece that matter most, in order; none of them literal and none unsure."""
    returns = [(event, found) for event, found in RETURN.all(reading.events) if event.confidence >= 0.4]
    found = [
        parallel for event, details in returns if (parallel := _parallel(score, event, details)) is not None
    ]
    different = [
        parallel
        for parallel in found
        if parallel.earlier_notes or parallel.later_notes or parallel.moved != Interval(0, 0)
    ]
    different.sort(key=lambda parallel: -weight(parallel.event) * parallel.event.confidence)
    return tuple(sorted(different[:at_most], key=lambda parallel: parallel.later))


def _parallel(score: Score, event: Event, details: ReturnDetails) -> Parallel | None:
    pairs = _pairs(score, details)
    if not any(a is not None and b is not None for a, b in pairs):
        return None
    moved = _moved(score, details, pairs)
    earlier_notes: list[str] = []
    later_notes: list[str] = []
    for a, b in pairs:
        one, other = _differing(score, a, b, moved)
        earlier_notes += one
        later_notes += other
    olds = [a for a, _ in pairs if a is not None]
    news = [b for _, b in pairs if b is not None]
    return Parallel(
        event,
        (min(olds), max(olds)),
        (min(news), max(news)),
        _rows(pairs),
        moved,
        tuple(earlier_notes),
        tuple(later_notes),
    )


def _pairs(score: Score, details: ReturnDetails) -> list[tuple[int | None, int | None]]:
    """Bars of both passages side by side, as indexes; None where a bar has no partner."""
    found: list[tuple[int | None, int | None]] = []
    for old, new, how in details.pairs:
        a, b = score.measure_at(old).index, score.measure_at(new).index
        found.append((None if how == "put in" else a, None if how == "left out" else b))
    return found


def _rows(pairs: Sequence[tuple[int | None, int | None]]) -> tuple[Row, ...]:
    rows: list[Row] = []
    for start in range(0, len(pairs), ROW):
        part = pairs[start : start + ROW]
        sides = []
        for side in (0, 1):
            bars = [p[side] for p in part]
            there = [b for b in bars if b is not None]
            sides.append((min(there), max(there)) if there else None)
        rows.append(Row(sides[0], sides[1]))
    return tuple(rows)


def _struck(score: Score, bar: int) -> list[Note]:
    return [note for note in score.notes if note.measure == bar]


def _moved(score: Score, details: ReturnDetails, pairs: Iterable[tuple[int | None, int | None]]) -> Interval:
    """How far the return is moved: the interval that most notes at the same places are apart.

    Only intervals of as many steps and semitones as the event says, up to octaves, are asked; a change of
    mode keeps the letters, so there the commonest interval of no step is taken.
    """
    steps, semitones = details.steps, details.semitones
    apart: Counter[tuple[int, int]] = Counter()
    for a, b in pairs:
        if a is None or b is None:
            continue
        before: dict[tuple[Fraction, int], list[Note]] = {}
        for note in _struck(score, a):
            before.setdefault((note.onset - score.measures[a].start, note.staff), []).append(note)
        for note in _struck(score, b):
            for o in before.get((note.onset - score.measures[b].start, note.staff), ()):
                between = Interval.between(o.pitch, note.pitch)
                if between.steps % 7 == steps and between.semitones % 12 == semitones:
                    apart[between.steps, between.semitones] += 1
    if apart:
        return Interval(*max(apart, key=lambda k: (apart[k], -abs(k[1]))))
    return Interval(steps, semitones)


def _differing(score: Score, a: int | None, b: int | None, moved: Interval) -> tuple[list[str], list[str]]:
    """The ids of the notes of two bars that have no equal in the other."""
    old = _struck(score, a) if a is not None else []
    new = _struck(score, b) if b is not None else []
    if a is None or b is None:
        return [note.id for note in old], [note.id for note in new]
    at, there = score.measures[a].start, score.measures[b].start
    before = Counter((note.onset - at, note.pitch + moved, note.duration, note.grace) for note in old)
    after = Counter((note.onset - there, note.pitch, note.duration, note.grace) for note in new)
    left, right = before - after, after - before
    one, other = [], []
    for note in old:
        key = (note.onset - at, note.pitch + moved, note.duration, note.grace)
        if left[key] > 0:
            left[key] -= 1
            one.append(note.id)
    for note in new:
        key = (note.onset - there, note.pitch, note.duration, note.grace)
        if right[key] > 0:
            right[key] -= 1
            other.append(note.id)
    return one, other


def engraved(
    score: Score, reading: Reading, parallel: Parallel, language: Language = "en"
) -> tuple[tuple[str, str], ...]:
    """Return the rows as pairs of SVG pictures, what differs marked; "" where a side is missing."""
    options = Options(language=language, legend=False)
    marked = (parallel.earlier_notes, parallel.later_notes)
    pictures = []
    for row in parallel.rows:
        sides = []
        for bars, notes in zip((row.earlier, row.later), marked, strict=True):
            if bars is None:
                sides.append("")
            else:
                drawn = excerpt(score, reading, *bars, highlight=notes, options=options, width_mm=_COLUMN_MM)
                sides.append(drawn)
        pictures.append((sides[0], sides[1]))
    return tuple(pictures)


def parallels_pdf(
    score: Score,
    reading: Reading,
    found: Sequence[Parallel],
    paper: Paper = "a4",
    level: Level = "intermediate",
    language: Language = "en",
) -> bytes:
    """Return a PDF with each passage and its return side by side."""
    book = phrasebook(language)
    with tempfile.TemporaryDirectory(prefix="understave-") as folder:
        root = Path(folder)
        entries = []
        for number, parallel in enumerate(found, start=1):
            rows = []
            for k, sides in enumerate(engraved(score, reading, parallel, language), start=1):
                names = []
                for side, svg in zip("ab", sides, strict=True):
                    name = f"{number}-{k}{side}.svg" if svg else ""
                    if svg:
                        (root / name).write_text(svg, encoding="utf-8")
                    names.append(name)
                rows.append(names)
            bars = [
                book.bars(*(score.measures[i].number for i in side))
                for side in (parallel.earlier, parallel.later)
            ]
            bars = [b[0].upper() + b[1:] for b in bars]
            entries.append(
                {
                    "first": book.phrases["parallel_first"].format(bars=bars[0]),
                    "again": book.phrases["parallel_again"].format(bars=bars[1]),
                    "words": in_a_line(parallel.words(score, reading, level, language)),
                    "rows": rows,
                }
            )
        data = {
            "title": score.title,
            "heading": book.phrases["parallel_title"],
            "note": book.phrases["parallel_note"],
            "paper": paper,
            "language": language,
            "entries": entries,
        }
        (root / "passages.json").write_text(dumps(data, ensure_ascii=False), encoding="utf-8")
        template = files("understave.media").joinpath("passages.typ").read_bytes()
        (root / "passages.typ").write_bytes(template)
        return accessible_pdf(root, "passages.typ", date_of(score))
