"""How far phrase ends and cadences agree with analysts' marks: ``python -m benchmarks.cadences``.

An analyst marks the end of a phrase with ``||`` (and of a repeated part with ``:||``). What is
counted, with the end of the piece left out:

* ends: the moment at which a phrase ends, found within one beat of the mark, which counts at the end of the
  chord it stands after.
* cadences: events of kind "cadence" that end a phrase, by the moment the phrase ends or the moment
  its last harmony is reached, within one beat of the marked chord's end or start. (The harmony is reached
  at the marked chord's end where the analyst cuts before an elided cadence's goal, because the next
  section begins with it.)
* closes: those of them after which a section begins as we find it (`findings.form`), within a bar. Analysts
  of songs mark the ends of stanzas rather than of phrases, and this is what to compare with such a mark.
* kinds: with our spans, the share of phrase-ending cadences that have the same kind with the analyst's.
* sections: the share of sections (``Form:`` lines, the first left out) that begin where a phrase ends, from
  half a bar before their barline, for an upbeat, to one beat after it.

Spans come from the tool's own reading ("own") and from the analyst ("analyst", the ceiling). With
``--no-fermatas`` the printed fermatas are taken out of the score first.

Songs are marked sparingly, mostly at the ends of stanzas, so that precision there says little. And where a
mark in a song parts the two names of one chord ("IV || C: I"), it stands for the change of key: two thirds
of these stand within a word or a line of the poem, where no singer breathes. They are left out of songs
(``--all-marks`` counts them too); in chorales they stand under fermatas, and stay. In the variations the
marks stand at the barline before the bar of the last chord (their phrases were cut there when the set was
made); each is moved to the end of the bar that it opens.
"""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from rich.console import Console
from rich.progress import track
from rich.table import Table

from benchmarks import corpora
from understave.errors import UnderstaveError
from understave.findings.cadences import CADENCE, cadences_of, find_cadences
from understave.findings.closes import find_closes
from understave.findings.ended_sections import endings_with_sections
from understave.findings.form import sections_of
from understave.findings.sung_sections import begins_with
from understave.harmony.reading import Span
from understave.harmony.trained import read_trained
from understave.score.model import Score

MOVED = ("variations",)
PIVOTED = ("lieder",)
PIVOT = re.compile(r"\|\|(?= +[A-Ga-g][#b-]*:)")
"""A mark between the two names that a chord has in two keys: no beat stands between mark and key."""
WAYS = ("end", "cadence", "close")


@dataclass(frozen=True, slots=True)
class Mark:
    """A marked phrase end: the chord it stands after, as start and end."""

    start: Fraction
    end: Fraction


@dataclass(frozen=True, slots=True)
class Marked:
    """The analyst's spans, marked phrase ends, starts of sections and the fit of the analysis, 0..1."""

    spans: tuple[Span, ...]
    marks: tuple[Mark, ...]
    sections: tuple[Fraction, ...]
    fit: float


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

    @property
    def precision(self) -> float:
        """Share of what was found that is marked."""
        return self.agree / self.found if self.found else 0.0

    @property
    def recall(self) -> float:
        """Share of what is marked that was found."""
        return self.agree / self.marked if self.marked else 0.0

    @property
    def f1(self) -> float:
        """Harmonic mean of precision and recall."""
        return 2 * self.agree / (self.found + self.marked) if self.agree else 0.0

    def text(self) -> str:
        """Return precision, recall and F1 as text."""
        if not self.marked:
            return "-"
        return f"{self.precision:.2f} / {self.recall:.2f} / {self.f1:.2f}"


def marks_of(text: str, score: Score, moved: bool = False) -> Marked:
    """Return what an analysis says of a piece; `moved` marks are taken to the end of the bar they open."""
    # The end of a repeated part is marked by its repeat sign alone.
    analysis, fit, _ = corpora.lay(text.replace(":||:", " || ").replace(":||", " || "), score)
    marks = []
    for end in analysis.phrase_ends:
        start = max((s.start for s in analysis.spans if s.start < end), default=end)
        if moved:
            measure = score.measure_at(end)
            start, end = measure.start, measure.end
        if end < score.end:
            marks.append(Mark(start, end))
    sections = {t for t, _ in analysis.sections if score.notes and t > score.notes[0].onset}
    if moved:
        sections = {score.measure_at(t).end for t in sections}
    return Marked(analysis.spans, tuple(marks), tuple(sorted(sections)), fit)


def analysed(piece: corpora.Piece, all_marks: bool = False) -> str:
    """Return the text of an analysis, in songs without the marks that only part a pivot chord's two names."""
    text = piece.analyses[0].read_text(encoding="utf-8", errors="replace")
    return text if all_marks or piece.set not in PIVOTED else PIVOT.sub("", text)


def agreeing(
    marks: Sequence[Mark], found: Sequence[tuple[Fraction, Fraction]], score: Score, way: str
) -> int:
    """Count marks that a found ending agrees with, each ending used once.

    `found` are pairs of the moment the last harmony is reached and the moment the phrase ends; `way` is
    one of `WAYS`.
    """
    free = list(found)
    count = 0
    for mark in marks:
        beat = score.measure_at(mark.start).beat_length

        def fits(pair: tuple[Fraction, Fraction], mark: Mark = mark, beat: Fraction = beat) -> bool:
            arrival, end = pair
            if abs(end - mark.end) <= beat:
                return True
            near = min(abs(arrival - mark.start), abs(arrival - mark.end))
            return way != "end" and near <= beat

        near = [pair for pair in free if fits(pair)]
        if near:
            free.remove(min(near, key=lambda pair: abs(pair[1] - mark.end)))
            count += 1
    return count


def sections_found(sections: Sequence[Fraction], ends: Sequence[Fraction], score: Score) -> int:
    """Count sections that begin where a phrase ends."""
    count = 0
    for start in sections:
        measure = score.measure_at(start)
        early, late = start - measure.full_length / 2, start + measure.beat_length
        count += any(early <= end <= late for end in ends)
    return count


def without_fermatas(score: Score) -> Score:
    """Return the score with no fermata in it."""
    notes = tuple(replace(n, fermata=False) for n in score.notes)
    return replace(score, notes=notes, directions=tuple(d for d in score.directions if d.kind != "fermata"))


def judge(score: Score, spans: tuple[Span, ...], marked: Marked) -> dict[str, tuple[int, int, int]]:
    """Return, by way of counting, how many were found, how many are marked, and how many agree."""
    closes = find_closes(spans)
    endings = endings_with_sections(score, spans)
    inner = [e for e in endings if e.time < score.end]
    pairs = [(e.close.arrival if e.close else e.time, e.time) for e in inner]
    events = cadences_of(score, spans, closes, endings)
    told = {e.end for e, found in CADENCE.all(events) if found.ends_phrase}
    first_bars = {section.first for section in sections_of(score, spans)} if marked.marks else set()
    chosen = {"end": pairs, "cadence": [pair for pair in pairs if pair[1] in told]}
    chosen["close"] = [
        pair
        for pair in chosen["cadence"]
        if any(abs(begins_with(score, pair[1]) - first) <= 1 for first in first_bars)
    ]
    result = {}
    for way in WAYS:
        found = chosen[way] if marked.marks else []
        result[way] = (len(found), len(marked.marks), agreeing(marked.marks, found, score, way))
    ends = [end for _, end in pairs]
    found_sections = sections_found(marked.sections, ends, score)
    result["section"] = (len(ends), len(marked.sections), found_sections)
    return result


def kinds_of(score: Score, spans: tuple[Span, ...]) -> dict[Fraction, str]:
    """Return the kind of every phrase-ending cadence by the moment it ends."""
    return {e.end: e.label for e, found in CADENCE.all(find_cadences(score, spans)) if found.ends_phrase}


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure and print the table."""
    parser = argparse.ArgumentParser(
        prog="python -m benchmarks.cadences", description="Phrase ends and cadences against analysts' marks."
    )
    parser.add_argument("--split", choices=["dev", "train"], default="dev")
    parser.add_argument("--sets", nargs="*", default=["chorales", "lieder", "quartets", "variations"])
    parser.add_argument("--every", type=int, default=1, help="take every n-th piece of a set")
    parser.add_argument("--spans", nargs="*", default=["own", "analyst"], choices=["own", "analyst"])
    parser.add_argument("--no-fermatas", action="store_true", help="take fermatas out of the scores")
    parser.add_argument("--all-marks", action="store_true", help="count marks at changes of key in songs too")
    options = parser.parse_args(arguments)
    console = Console(width=None if sys.stdout.isatty() else 130)
    table = Table("set", "pieces", "spans", title="phrase ends, phrase-ending cadences, sections: P / R / F1")
    for column in ("marks", "ends", "cadences", "closes", "kinds", "sections", "found"):
        table.add_column(column, justify="right")
    try:
        chosen = {s: list(corpora.pieces(options.split, [s]))[:: options.every] for s in options.sets}
    except corpora.NoDataError as error:
        console.print(str(error), markup=False)
        return 2
    for name, members in chosen.items():
        counts = {(s, way): Counts() for s in options.spans for way in (*WAYS, "section")}
        alike = Counts()
        pieces = 0
        for piece in track(members, description=name, console=console, transient=True):
            try:
                score = corpora.cached_score(piece.score)
                text = analysed(piece, options.all_marks)
                marked = marks_of(text, score, name in MOVED)
            except (UnderstaveError, OSError, ImportError) as error:
                console.print(f"{piece.set}/{piece.name}: {error}", markup=False)
                continue
            if marked.fit < corpora.DROP or not (marked.marks or marked.sections):
                continue
            pieces += 1
            if options.no_fermatas:
                score = without_fermatas(score)
            kinds: dict[str, dict[Fraction, str]] = {}
            for source in options.spans:
                spans = marked.spans if source == "analyst" else read_trained(score).spans
                kinds[source] = kinds_of(score, spans)
                for way, (found, total, agree) in judge(score, spans, marked).items():
                    counts[source, way].add(found, total, agree)
            if len(kinds) == 2:
                ours, theirs = kinds["own"], kinds["analyst"]
                both = [end for end in ours if end in theirs]
                alike.add(len(both), len(both), sum(ours[end] == theirs[end] for end in both))
        for source in options.spans:
            cells = [counts[source, way].text() for way in WAYS]
            sections = counts[source, "section"]
            share = f"{sections.agree / sections.marked:.2f}" if sections.marked else "-"
            same = f"{alike.recall:.2f}" if source == "own" and alike.marked else "-"
            marks = str(counts[source, "end"].marked)
            table.add_row(name, str(pieces), source, marks, *cells, same, str(sections.marked), share)
    console.print(table)
    return 0


if __name__ == "__main__":
    sys.exit(main())
