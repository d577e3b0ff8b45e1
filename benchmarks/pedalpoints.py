"""How well pedal points are found: ``python -m benchmarks.pedalpoints``.

In: the analysed scores of `benchmarks.corpora` whose analysis marks pedal points (``Pedal:`` lines); pieces
without such lines are left out, because their analysts may not have marked any. Even where some are marked
others may not be, so precision is a lower bound.

A pedal point is found when an event of the same sounding tone overlaps at least half of the shorter of
both. Two tables: with the analyst's spans, and with those of our own reading; each also by duration (the
share of the time under marks that events of the tone cover, and the share of the events' time under marks).

With ``--above``, of pieces that mark a pedal point of three quarters or more, instead: how far the chords
that are named over held basses (`understave.findings.over_held`) agree with the analyst by root and quality,
and how far the reading's own labels there do, in all and where the analyst's chord does not hold the note.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction

from rich.console import Console
from rich.progress import track
from rich.table import Table

from benchmarks import corpora
from benchmarks.corpora import Aligned
from understave.findings import read
from understave.findings.over_held import layer
from understave.findings.pedalpoints import PEDAL_POINT, find_pedalpoints
from understave.harmony.reading import Event
from understave.harmony.romantext import Pedal
from understave.harmony.trained import read_trained

LEAST = 3
"""Quarters that a marked pedal point lasts at least for its piece to be measured with ``--above``."""


@dataclass(slots=True)
class Counts:
    """Marks and events, those matched, and time in quarters: common, marked, told."""

    marks: int = 0
    found: int = 0
    events: int = 0
    right: int = 0
    common: float = 0.0
    marked: float = 0.0
    told: float = 0.0

    def add(self, marks: Sequence[Pedal], events: Sequence[Event]) -> None:
        """Count one piece."""
        self.marks += len(marks)
        self.events += len(events)
        self.found += sum(any(_matches(m, e) for e in events) for m in marks)
        self.right += sum(any(_matches(m, e) for m in marks) for e in events)
        for m in marks:
            self.marked += float(m.end - m.start)
            same = [e for e in events if m.pitch.semitone in tones(e)]
            self.common += _covered(m, same)
        self.told += sum(float(e.end - e.start) for e in events)

    def row(self, title: str) -> tuple[str, ...]:
        """Return counts and precision, recall, F1 by number, then by duration."""
        p, r = self.right / max(1, self.events), self.found / max(1, self.marks)
        tp, tr = self.common / max(1.0, self.told), self.common / max(1.0, self.marked)
        figures = (p, r, _f1(p, r), tp, tr, _f1(tp, tr))
        return (title, str(self.marks), str(self.events), *(f"{x:.3f}" for x in figures))


def _f1(p: float, r: float) -> float:
    return 2 * p * r / (p + r) if p + r else 0.0


def tones(event: Event) -> set[int]:
    """Return the sounding pitch classes that a pedal point holds."""
    found = PEDAL_POINT.of(event)
    held = () if found is None else (found.pitch, found.second)
    return {p.midi % 12 for p in held if p is not None}


def _overlap(mark: Pedal, event: Event) -> Fraction:
    return max(Fraction(0), min(mark.end, event.end) - max(mark.start, event.start))


def _matches(mark: Pedal, event: Event) -> bool:
    shorter = min(mark.end - mark.start, event.end - event.start)
    return mark.pitch.semitone in tones(event) and 2 * _overlap(mark, event) >= shorter > 0


def _covered(mark: Pedal, events: Iterable[Event]) -> float:
    """Return the time under a mark that events cover, counted once."""
    until = mark.start
    total = Fraction(0)
    for e in sorted(events, key=lambda e: e.start):
        total += max(Fraction(0), min(mark.end, e.end) - max(until, e.start))
        until = max(until, e.end)
    return float(total)


def above(piece: Aligned, sums: dict[tuple[str, str], float]) -> None:
    """Add the time (quarters) under named chords over held basses, and that on which the analyst agrees."""
    reading = read(piece.score)
    for named in layer(reading.events):
        for ref in piece.analyses[0].spans:
            chord = ref.numeral.chord(ref.key)
            row = "held note foreign" if named.over.midi % 12 not in chord.semitones else "held note belongs"
            for own in reading.spans:
                time = float(min(named.end, ref.end, own.end) - max(named.start, ref.start, own.start))
                if time <= 0:
                    continue
                for label in (row, "all"):
                    sums[label, "time"] = sums.get((label, "time"), 0.0) + time
                    for who, span in (("layer", named), ("label", own)):
                        said = span.numeral.chord(span.key)
                        same = (said.root.semitone, said.quality) == (chord.root.semitone, chord.quality)
                        sums[label, who] = sums.get((label, who), 0.0) + time * same


def print_above(sums: dict[tuple[str, str], float], console: Console) -> None:
    """Print what `above` has added up."""
    table = Table("analyst's chord", "quarters", "named above, right", "label, right")
    for row in dict.fromkeys(label for label, _ in sums):
        time = sums[row, "time"]
        shares = (f"{100 * sums[row, who] / time:.1f}" for who in ("layer", "label"))
        table.add_row(row, f"{time:.1f}", *shares)
    console.print(table)


def main() -> None:
    """Print the figures of a split."""
    parser = argparse.ArgumentParser(
        prog="python -m benchmarks.pedalpoints", description="How well pedal points are found."
    )
    parser.add_argument("--split", default="dev", choices=["dev", "train"])
    parser.add_argument("--sets", nargs="*", default=[])
    parser.add_argument("--own", action="store_true", help="also with the spans of our own reading")
    parser.add_argument("--confidence", type=float, default=0.0, help="leave out events below it")
    parser.add_argument("--above", action="store_true", help="measure what is named over held basses")
    parser.add_argument("--list", action="store_true", help="list marks and events (training pieces only)")
    options = parser.parse_args()
    console = Console()
    rows: dict[str, Counts] = {}
    sums: dict[tuple[str, str], float] = {}
    left_out = 0
    try:
        chosen = [
            p
            for p in corpora.pieces(options.split, options.sets)
            if "pedal" in p.analyses[0].read_text(encoding="utf-8", errors="replace").lower()
        ]
    except corpora.NoDataError as error:
        raise SystemExit(str(error)) from None
    for piece in track(chosen, description="pieces", console=console, transient=True):
        aligned = corpora.fitting(piece)
        marks = aligned.analyses[0].pedals if aligned else ()
        # Marks name notes, so they do not fit a score in another key than the analysis.
        if aligned is None or aligned.how == "transposed" or not marks:
            left_out += 1
            continue
        if options.above:
            if any(m.end - m.start >= LEAST for m in marks):
                above(aligned, sums)
            continue
        readings = [("analyst's chords", aligned.analyses[0].spans)]
        if options.own:
            readings.append(("own chords", read_trained(aligned.score).spans))
        for title, spans in readings:
            events = [
                e
                for e in find_pedalpoints(aligned.score, spans)
                if e in PEDAL_POINT and e.confidence >= options.confidence
            ]
            for name in (title, f"{title}, {piece.set}"):
                rows.setdefault(name, Counts()).add(marks, events)
            if options.list and options.split == "train" and title == readings[0][0]:
                _list(console, aligned, events)
    if options.above:
        print_above(sums, console)
        return
    table = Table("with", "marks", "events", "P", "R", "F1", "P time", "R time", "F1 time")
    for title, counts in sorted(rows.items(), key=lambda x: x[0]):
        table.add_row(*counts.row(title))
    console.print(table)
    console.print(f"{len(chosen) - left_out} pieces, {left_out} left out")


def _list(console: Console, aligned: corpora.Aligned, events: Sequence[Event]) -> None:
    score = aligned.score

    def at(time: Fraction) -> str:
        return f"m{score.measure_at(time).number} b{float(score.beat_at(time)):.3g}"

    console.print(f"[bold]{aligned.piece.set}/{aligned.piece.name}[/bold]", soft_wrap=True)
    for m in aligned.analyses[0].pedals:
        hit = any(_matches(m, e) for e in events)
        console.print(f"  {'found ' if hit else 'missed'} {m.pitch} {at(m.start)} - {at(m.end)}")
    for e, found in PEDAL_POINT.all(events):
        if not any(_matches(m, e) for m in aligned.analyses[0].pedals):
            console.print(
                f"  extra  {e.label} {found.pitch} {found.manner} {at(e.start)} - {at(e.end)} "
                f"{e.confidence} {' '.join(map(str, found.chords))}",
                markup=False,
                soft_wrap=True,
            )


if __name__ == "__main__":
    main()
