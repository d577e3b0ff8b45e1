"""Whether the harmony finds misread accidentals: ``python -m benchmarks.misread``.

In: the scores that served while the reader of pages was made (`benchmarks.pages`, ``--split build``), the
first 48 bars of each. Out: of notes whose accidental is wrong, how many `harmony.odd_notes` names, and how
many right ones it names with them; notes of one letter in one bar count once.

By default accidentals are planted, three times with fixed seeds: a printed one is lost, taken for another or
set beside a note that has none, one bar in eight. With ``--pictures clean`` or ``worn`` the first two pages
of each piece are read as pictures, and what is wrong is what was misread; notes that were not found at all do
not count.
``--fit`` fits the weights on what is planted and prints the figures with each piece left out of the fit.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import NamedTuple

import numpy as np
from rich.console import Console
from rich.table import Table

from benchmarks import engraved, pages
from benchmarks.logistic import chances, fitted, left_out
from understave.errors import ScoreError
from understave.harmony.odd_notes import ODD, WEIGHTS, evidence_of
from understave.harmony.trained import judge_score, read_judged
from understave.score.accidentals import key_alteration
from understave.score.model import Note, Score
from understave.score.passage import passage
from understave.score.reader import read_score
from understave.score.readers.page.page_reader import read_pictures
from understave.theory.pitch import Pitch

BARS = 48
PLANTED = 3
LEVELS = (0.1, 0.2, 0.3, 0.5, 0.6, 0.7, 0.8)


class Case(NamedTuple):
    """A note: its piece, what speaks against it, whether it is wrong, and what it counts together with."""

    piece: str
    evidence: tuple[float, ...]
    wrong: bool
    group: tuple[str, int, int]


def planted(score: Score, seed: int) -> tuple[Score, frozenset[str]]:
    """Return a score with wrong accidentals, and the ids of the notes that have them."""
    chance = np.random.default_rng(seed)
    wrong: dict[str, Pitch] = {}
    for measure in score.measures:
        here = [n for n in score.struck if n.measure == measure.index]
        if not here or chance.random() > 1 / 8:
            continue
        signed = [n for n in here if n.pitch != _usual(n, measure.signature)]
        lost = bool(signed) and chance.random() < 0.6
        note = (signed if lost else here)[int(chance.integers(len(signed if lost else here)))]
        other = note.pitch.alter + int(chance.choice([-1, 1]))
        alter = _usual(note, measure.signature).alter if lost and chance.random() < 0.8 else other
        if abs(alter) > 1 or alter == note.pitch.alter:
            continue
        for same in here:
            if same.onset >= note.onset and same.pitch == note.pitch:
                wrong[same.id] = Pitch(note.pitch.letter, alter, note.pitch.octave)
    notes = tuple(
        replace(n, pitch=wrong[n.id], written=wrong[n.id]) if n.id in wrong else n for n in score.notes
    )
    return replace(score, notes=notes), frozenset(wrong)


def _usual(note: Note, signature: int) -> Pitch:
    return Pitch(note.pitch.letter, key_alteration(signature, note.pitch.letter), note.pitch.octave)


def misread(read: Score, there: Score) -> tuple[frozenset[str], frozenset[str]]:
    """Return the ids of notes whose alteration is misread, and of those that are right."""
    wrong: set[str] = set()
    right: set[str] = set()
    for i, k in pages.aligned(pages.bars_of(read, False), pages.bars_of(there, False)):
        if i is None or k is None:
            continue
        true = {_place(n, there): n.pitch.alter for n in there.struck if n.measure == k}
        for note in read.struck:
            if note.measure == i and (place := _place(note, read)) in true:
                (right if true[place] == note.pitch.alter else wrong).add(note.id)
    return frozenset(wrong), frozenset(right)


def _place(note: Note, score: Score) -> tuple[Fraction, int]:
    return note.onset - score.measures[note.measure].start, note.pitch.diatonic


def cases(piece: str, score: Score, wrong: frozenset[str], right: frozenset[str]) -> Iterator[Case]:
    """Read the harmony of a score and yield what speaks against each note."""
    spans = read_judged(score, judge_score(score)).spans
    for note, _, evidence in evidence_of(score, spans):
        if note.id in wrong or note.id in right:
            group = piece, note.measure, note.pitch.diatonic
            yield Case(piece, tuple(evidence), note.id in wrong, group)


def counted(found: Sequence[Case], likely: Sequence[float], level: float) -> tuple[int, int, int]:
    """Return how many wrong accidentals are named, how many there are, and how many right ones are named."""
    named = {c.group for c, chance in zip(found, likely, strict=True) if chance >= level}
    wrong = {c.group for c in found if c.wrong}
    return len(named & wrong), len(wrong), len(named - wrong)


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--pictures", choices=("clean", "worn"), default="")
    parser.add_argument("--fit", action="store_true")
    parser.add_argument("--pieces", nargs="+", default=[])
    given = parser.parse_args(arguments)
    console = Console(width=110)
    found: list[Case] = []
    for number, path in enumerate(pages.chosen(pages.BUILD, given.pieces, console)):
        try:
            found += _of_piece(path, number, given.pictures)
        except ScoreError as error:
            print(path.parent.name, error, file=sys.stderr)
        print(path.parent.name, len(found), flush=True)
    report(console, found, given.fit)
    return 0


def _of_piece(path: Path, number: int, how: str) -> list[Case]:
    there = read_score(path)
    if not how:
        score = passage(there, 0, min(BARS, len(there.measures)) - 1)
        out: list[Case] = []
        for seed in range(PLANTED):
            wrongly, wrong = planted(score, 100 * number + seed)
            right = frozenset(n.id for n in wrongly.notes) - wrong
            of = cases(path.parent.name, wrongly, wrong, right)
            out += [case._replace(group=(f"{case.piece} {seed}", *case.group[1:])) for case in of]
        return out
    made = engraved.verovio_pdf(there.source, engraved.FONTS[number % 4])
    shown = engraved.pictures(made, min(2, pages.page_count(made)))
    if how == "worn":
        shown = [engraved.worn(page, 10 * number + k) for k, page in enumerate(shown)]
    read, _ = read_pictures(shown, path.parent.name)
    return list(cases(path.parent.name, read, *misread(read, there)))


def report(console: Console, found: Sequence[Case], fit: bool) -> None:
    """Print what is named at each level, by the weights that are shipped or by those fitted."""
    wrong = np.array([float(c.wrong) for c in found])
    signs = np.array([(1.0, *c.evidence) for c in found])
    if fit:
        print("weights", np.round(fitted(signs, wrong), 2).tolist())
        likely = left_out([c.piece for c in found], signs, wrong)
    else:
        likely = chances(signs, np.array(WEIGHTS))
    table = Table("chance from", "wrong ones named", "of", "right ones named", "found a false alarm")
    for level in LEVELS:
        hit, of, alarms = counted(found, likely.tolist(), level)
        mark = " (named)" if level == ODD else ""
        table.add_row(f"{level}{mark}", str(hit), str(of), str(alarms), f"{hit / max(1, alarms):.2f}")
    console.print(table)


if __name__ == "__main__":
    raise SystemExit(main())
