"""How far phrase ends and cadences agree with analysts' marks: ``python -m benchmarks.cadences``.

An analyst marks the end of a phrase with ``||`` (and of a repeated part with ``:||``). Two figures are
given for each set, with the end of the piece left out:

* ends: the moment at which a phrase ends, found within one beat of the mark. The mark counts at the end of
  the chord it stands after, or, where the next phrase's melody begins before that chord is over, anywhere
  in the chord (column "same chord").
* cadences: events of kind "cadence" that end a phrase, by the moment the phrase ends or the moment
  its last harmony is reached, within one beat of the marked chord's end or start.

Spans come from the tool's own reading ("engine") and from the analyst ("analyst", the ceiling). With
``--no-fermatas`` the printed fermatas are taken out of the score first.

Songs are marked sparingly, mostly at the ends of stanzas, so that precision there says little. In the
variations the marks stand at the barline before the bar of the last chord (their phrases were cut there
when the set was made); each is moved to the end of the bar that it opens.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from rich.console import Console
from rich.progress import track
from rich.table import Table

from benchmarks import corpora
from understave.errors import UnderstaveError
from understave.harmony.engine import read_harmony
from understave.harmony.events.cadences import cadences_of
from understave.harmony.events.closes import find_closes
from understave.harmony.events.phrases import find_endings
from understave.harmony.reading import Span
from understave.score.model import Score

MOVED = ("variations",)


@dataclass(frozen=True, slots=True)
class Mark:
    """A marked phrase end: the chord it stands after, as start and end."""

    start: Fraction
    end: Fraction


@dataclass(slots=True)
class Counts:
    """Found and marked things and how many of each agree."""

    found: int = 0
    marked: int = 0
    agree: int = 0

    def add(self, found: int, marked: int, agree: int) -> None:
        """Count one piece."""
        self.found += found
        self.marked += marked
        self.agree += agree

    def cells(self) -> list[str]:
        """Return precision, recall and F1 as text."""
        precision = self.agree / self.found if self.found else 0.0
        recall = self.agree / self.marked if self.marked else 0.0
        both = precision + recall
        return [f"{x:.2f}" for x in (precision, recall, 2 * precision * recall / both if both else 0.0)]


def marks_of(piece: corpora.Piece, score: Score) -> tuple[tuple[Span, ...], tuple[Mark, ...], float]:
    """Return the analyst's spans, the marked phrase ends and the fit of the analysis."""
    text = piece.analyses[0].read_text(encoding="utf-8", errors="replace")
    # The end of a repeated part is marked by its repeat sign alone.
    text = text.replace(":||:", " || ").replace(":||", " || ")
    analysis, fit, _ = corpora.lay(text, score)
    marks = []
    for end in analysis.phrase_ends:
        start = max((s.start for s in analysis.spans if s.start < end), default=end)
        if piece.set in MOVED:
            measure = score.measure_at(end)
            start, end = measure.start, measure.end
        if end < score.end:
            marks.append(Mark(start, end))
    return analysis.spans, tuple(marks), fit


def agreeing(
    marks: Sequence[Mark], found: Sequence[tuple[Fraction, Fraction]], score: Score, way: str
) -> int:
    """Count marks that a found ending agrees with, each ending used once.

    `found` are pairs of the moment the last harmony is reached and the moment the phrase ends; `way` is
    ``"end"``, ``"chord"`` or ``"cadence"``.
    """
    free = list(found)
    count = 0
    for mark in marks:
        beat = score.measure_at(mark.start).beat_length

        def fits(pair: tuple[Fraction, Fraction], mark: Mark = mark, beat: Fraction = beat) -> bool:
            arrival, end = pair
            if abs(end - mark.end) <= beat:
                return True
            if way == "chord":
                return mark.start < end <= mark.end + beat
            return way == "cadence" and abs(arrival - mark.start) <= beat

        near = [pair for pair in free if fits(pair)]
        if near:
            free.remove(min(near, key=lambda pair: abs(pair[1] - mark.end)))
            count += 1
    return count


def without_fermatas(score: Score) -> Score:
    """Return the score with no fermata in it."""
    notes = tuple(replace(n, fermata=False) for n in score.notes)
    return replace(score, notes=notes, directions=tuple(d for d in score.directions if d.kind != "fermata"))


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure and print the table."""
    parser = argparse.ArgumentParser(
        prog="python -m benchmarks.cadences", description="Phrase ends and cadences against analysts' marks."
    )
    parser.add_argument("--split", choices=["dev", "train"], default="dev")
    parser.add_argument("--sets", nargs="*", default=["chorales", "lieder", "quartets", "variations"])
    parser.add_argument("--every", type=int, default=1, help="take every n-th piece of a set")
    parser.add_argument("--spans", nargs="*", default=["engine", "analyst"], choices=["engine", "analyst"])
    parser.add_argument("--no-fermatas", action="store_true", help="take fermatas out of the scores")
    options = parser.parse_args(arguments)
    console = Console(width=None if sys.stdout.isatty() else 130)
    table = Table("set", "pieces", "spans", "marks", title="phrase ends and phrase-ending cadences")
    for group in ("ends", "same chord", "cadences"):
        for column in ("P", "R", "F1"):
            table.add_column(f"{group} {column}", justify="right")
    try:
        chosen = {s: list(corpora.pieces(options.split, [s]))[:: options.every] for s in options.sets}
    except corpora.NoDataError as error:
        console.print(str(error), markup=False)
        return 2
    for name, members in chosen.items():
        counts = {(s, way): Counts() for s in options.spans for way in ("end", "chord", "cadence")}
        pieces = 0
        for piece in track(members, description=name, console=console, transient=True):
            try:
                score = corpora.cached_score(piece.score)
                theirs, marks, fit = marks_of(piece, score)
            except (UnderstaveError, OSError, ImportError) as error:
                console.print(f"{piece.set}/{piece.name}: {error}", markup=False)
                continue
            if fit < corpora.DROP or not marks:
                continue
            pieces += 1
            if options.no_fermatas:
                score = without_fermatas(score)
            for source in options.spans:
                spans = theirs if source == "analyst" else read_harmony(score).spans
                closes = find_closes(spans)
                endings = find_endings(score, closes)
                inner = [e for e in endings if e.time < score.end]
                pairs = [(e.close.arrival if e.close else e.time, e.time) for e in inner]
                events = cadences_of(score, spans, closes, endings)
                told = {e.end for e in events if e.kind == "cadence" and e.get("ends_phrase")}
                cadences = [pair for pair in pairs if pair[1] in told]
                for way in ("end", "chord", "cadence"):
                    found = cadences if way == "cadence" else pairs
                    agree = agreeing(marks, found, score, way)
                    counts[source, way].add(len(found), len(marks), agree)
        for source in options.spans:
            row = [c for way in ("end", "chord", "cadence") for c in counts[source, way].cells()]
            marked = counts[source, "end"].marked
            table.add_row(name, str(pieces), source, str(marked), *(row if marked else ["-"] * 9))
    console.print(table)
    return 0


if __name__ == "__main__":
    sys.exit(main())
