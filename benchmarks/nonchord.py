"""How well non-chord tones are found and named: ``python -m benchmarks.nonchord``.

In: the analysed scores of `benchmarks.corpora` (pieces whose analysis covers less than `corpora.DROP` of
the sounding time are left out, and counted). The analyses name chords, not non-chord tones; so the
reference for a note is whether it is foreign to the analyst's chord while it sounds, compared by sound, at
any moment of it that the analyst labels.

Two tables. The first, with the analyst's spans, tells what share of the foreign notes gets each kind, and
how many stay without a name ("free tone"). The second, with the spans of our own reading, counts notes:
precision, recall and F1 of "this is a non-chord tone" for all that was found and for what was found with
a confidence of at least one half; then by kind, where the reference kind is what the same rules say under
the analyst's chords. Notes where the analyst labels nothing are left out.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

from rich.console import Console
from rich.progress import track
from rich.table import Table

from benchmarks import corpora
from understave.findings.nonchord import find_nonchord
from understave.harmony.reading import Event, Span
from understave.harmony.trained import read_trained
from understave.score.model import Score

UNNAMED = "free tone"
_HALF = 0.5


@dataclass(slots=True)
class Counts:
    """True positives, false positives and false negatives."""

    right: int = 0
    wrong: int = 0
    missed: int = 0

    def add(self, reference: set[str], found: set[str]) -> None:
        """Count one piece's ids."""
        self.right += len(reference & found)
        self.wrong += len(found - reference)
        self.missed += len(reference - found)

    @property
    def precision(self) -> float:
        """Share of what was found that is right."""
        return self.right / max(1, self.right + self.wrong)

    @property
    def recall(self) -> float:
        """Share of the reference that was found."""
        return self.right / max(1, self.right + self.missed)

    @property
    def f1(self) -> float:
        """Harmonic mean of precision and recall."""
        return 2 * self.right / max(1, 2 * self.right + self.wrong + self.missed)


@dataclass(slots=True)
class Result:
    """Counts over the pieces of one set."""

    pieces: int = 0
    left_out: int = 0
    notes: int = 0
    kinds: Counter[str] = field(default_factory=Counter)
    all: Counts = field(default_factory=Counts)
    sure: Counts = field(default_factory=Counts)
    by_kind: dict[str, Counts] = field(default_factory=dict)


def labelled_notes(score: Score, spans: Iterable[Span]) -> set[str]:
    """Return the ids of the notes that sound where something is labelled."""
    stretches = [(s.start, s.end) for s in spans]
    return {
        n.id
        for n in score.notes
        if n.duration > 0
        and not n.grace
        and not n.cue
        and any(start < n.end and end > n.onset for start, end in stretches)
    }


def notes_of(events: Iterable[Event], within: set[str]) -> set[str]:
    """Return the ids of the notes that events rest on, of those that count."""
    return {i for e in events for i in e.notes} & within


def measure(set_name: str, split: str, limit: int, console: Console) -> Result:
    """Compare every piece of a set."""
    result = Result()
    chosen = list(corpora.pieces(split, (set_name,)))[: limit or None]
    for piece in track(chosen, description=set_name, console=console, transient=True):
        aligned = corpora.fitting(piece)
        if aligned is None:
            result.left_out += 1
            continue
        score, reference = aligned.score, aligned.analyses[0].spans
        result.pieces += 1
        counted = labelled_notes(score, reference)
        result.notes += len(counted)
        expected = find_nonchord(score, reference)
        found = find_nonchord(score, read_trained(score).spans)
        for event in expected:
            result.kinds[event.label] += len(event.notes)
        truth = notes_of(expected, counted)
        result.all.add(truth, notes_of(found, counted))
        result.sure.add(truth, notes_of((e for e in found if e.confidence >= _HALF), counted))
        for kind in {e.label for e in (*expected, *found)}:
            counts = result.by_kind.setdefault(kind, Counts())
            counts.add(
                notes_of((e for e in expected if e.label == kind), counted),
                notes_of((e for e in found if e.label == kind), counted),
            )
    return result


def show(name: str, result: Result, console: Console) -> None:
    """Print the tables of a set."""
    total = sum(result.kinds.values())
    console.print(
        f"[bold]{name}[/bold]: {result.pieces} pieces ({result.left_out} left out), {result.notes} notes, "
        f"{total} foreign to the analyst's chords; "
        f"{result.kinds[UNNAMED] / max(1, total):.1%} of them unnamed",
        soft_wrap=True,
    )
    table = Table("with our own chords", "in reference", "share", "P", "R", "F1")
    for label, counts in (("non-chord tone", result.all), ("… confidence ≥ 0.5", result.sure)):
        table.add_row(label, str(counts.right + counts.missed), "", *_figures(counts), style="bold")
    table.add_section()
    for kind, counts in sorted(result.by_kind.items(), key=lambda x: -result.kinds[x[0]]):
        share = f"{result.kinds[kind] / max(1, total):.1%}"
        table.add_row(kind, str(counts.right + counts.missed), share, *_figures(counts))
    console.print(table)


def _figures(counts: Counts) -> tuple[str, str, str]:
    return f"{counts.precision:.3f}", f"{counts.recall:.3f}", f"{counts.f1:.3f}"


def main() -> None:
    """Print the figures of the sets asked for."""
    parser = argparse.ArgumentParser(
        prog="python -m benchmarks.nonchord", description="How well non-chord tones are found and named."
    )
    parser.add_argument("--split", default="dev", choices=["dev", "train"])
    parser.add_argument("--sets", nargs="*", default=["chorales"])
    parser.add_argument("--limit", type=int, default=0, help="pieces per set at most")
    options = parser.parse_args()
    console = Console()
    try:
        for name in options.sets:
            show(name, measure(name, options.split, options.limit, console), console)
    except corpora.NoDataError as error:
        raise SystemExit(str(error)) from None


if __name__ == "__main__":
    main()
