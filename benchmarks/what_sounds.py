"""What naming chords by their notes gains: ``python -m benchmarks.what_sounds [--set SET ...] [--limit N]``.

In: the analysed scores of the training split, read without the rules of `harmony.what_sounds`, then with
each of them. The bounds of the rules were chosen on them, with each set left out in turn. Out: by rule and
set the spans that change, and what changes of the time (in quarters) that agrees with the analyst: *chord*
and *full* as in `benchmarks.accuracy`; *ninths* is full where a ninth chord and its seventh chord are two
things. Then what rules that were not built would change (`tried`), and what analysts write. The reader was
trained on these pieces, so that its own labels look better here than they are: what a rule gains elsewhere
may be more.
"""

from __future__ import annotations

import argparse
from bisect import bisect_left, bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise
from unittest.mock import patch

from rich.console import Console
from rich.table import Table

from benchmarks import accuracy, corpora, kept
from benchmarks.accuracy import Label, agreement, label_of, overlaps, stretches
from understave.harmony.reading import Span
from understave.harmony.trained import read_trained
from understave.harmony.what_sounds import RULES, Heard, heard_in, named_by_notes, numeral_like
from understave.harmony.what_sounds import stretches as sounding
from understave.theory.chord import Chord, Quality
from understave.theory.pitch import PitchClass

NINTHS = (Quality.DOMINANT9, Quality.DOMINANT_MINOR9)
FOURTHS = (Quality.SUS4, Quality.DOMINANT7_SUS4)
FULL, CHORD = accuracy.MEASURES.index("full"), accuracy.MEASURES.index("chord")


@dataclass(frozen=True, slots=True)
class Found:
    """Of one piece: its set, what each rule changes (by rule and measure), what its analyst writes."""

    set: str
    changes: dict[str, Counter[str]]
    written: Counter[str]
    tried: dict[str, Counter[str]]


def measure(piece: corpora.Piece) -> Found | None:
    """Read a piece without and with each rule; None where its analysis does not fit."""
    laid = corpora.fitting(piece)
    if laid is None:
        return None
    with patch("understave.harmony.trained.named_by_notes", lambda spans, heard: tuple(spans)):
        plain = read_trained(laid.score).spans
    heard = heard_in(laid.score, plain)
    reference = laid.analyses[0].spans
    changes = {}
    for rule in (*RULES, "all"):
        rules = RULES if rule == "all" else (rule,)
        now = named_by_notes(plain, heard, rules)
        before = {(s.start, s.end, s.key, s.numeral) for s in plain}
        changed = sum((s.start, s.end, s.key, s.numeral) not in before for s in now)
        changes[rule] = Counter({"changed": changed})
        if changed:
            gains = zip(agreed(reference, now), agreed(reference, plain), strict=True)
            changes[rule].update(
                dict(zip(("chord", "full", "ninths"), (a - b for a, b in gains), strict=True))
            )
    return Found(piece.set, changes, written(reference), tried(reference, plain, heard))


def agreed(reference: Sequence[Span], predicted: Sequence[Span]) -> tuple[float, float, float]:
    """Return for how long chord, full label, and full label with ninths told apart, agree."""
    chord = full = told = 0.0
    bare = [replace(span, alternatives=()) for span in predicted]
    for length, ref, own in overlaps(stretches(reference), stretches(bare)):
        if own is None:
            continue
        judged = [(label, agreement(label, own[2][0])) for label in ref[2]]
        chord += float(length) * any(a[CHORD] for _, a in judged)
        full += float(length) * any(a[FULL] for _, a in judged)
        told += float(length) * any(_told(ref[3], label, own[3]) for label, a in judged if a[FULL])
    return chord, full, told


def _told(reference: Span, label: Label, own: Span) -> bool:
    names = [(reference.key, reference.numeral), *((a.key, a.numeral) for a in reference.alternatives)]
    key, numeral = next(name for name in names if label_of(*name) == label)
    return (numeral.chord(key).quality in NINTHS) == (own.numeral.chord(own.key).quality in NINTHS)


def written(spans: Sequence[Span]) -> Counter[str]:
    """Count what an analyst writes of what the rules are about, and of what there is no rule for."""
    count = Counter({"chords": len(spans)})
    for span in spans:
        numeral, quality = span.numeral, span.numeral.chord(span.key).quality
        count["dominant ninths"] += quality in NINTHS
        count["suspended fourths"] += quality in (Quality.SUS4, Quality.DOMINANT7_SUS4)
        over = numeral.degree == 2 and numeral.alter == -1 and not numeral.applied
        count["Neapolitans with their seventh, the tonic, in the bass"] += over and numeral.inversion == 3
    for a, b in pairwise(spans):
        thirds = {label_of(s.key, s.numeral).quality.removesuffix("7") for s in (a, b)}
        same = a.numeral.root(a.key) == b.numeral.root(b.key)
        count["thirds that change over one root"] += same and thirds in (
            {"major", "minor"},
            {"dominant", "minor"},
        )
    return count


SHARES = (0.1, 0.3, 0.6)
"""Bounds of the shares of a chord that its seventh sounds."""
SEVENTHS = {
    Quality.MAJOR: ((Quality.DOMINANT7, -2), (Quality.MAJOR7, 5)),
    Quality.MINOR: ((Quality.MINOR7, -2),),
    Quality.DIMINISHED: ((Quality.HALF_DIMINISHED7, -2), (Quality.DIMINISHED7, -9)),
}
"""By quality of a triad the seventh chords on it, each with its seventh in fifths above the root."""


def tried(
    reference: Sequence[Span], spans: Sequence[Span], heard: Sequence[Heard]
) -> dict[str, Counter[str]]:
    """Return for each rule that was not built what it would change of the reader's spans: how many, and what
    the full label gains of the time, in quarters; of suspended fourths and inverted ninths how often analysts
    write one.
    """
    found: dict[str, Counter[str]] = defaultdict(Counter)
    ends = [ref.end for ref in reference]
    for span, here in zip(spans, heard, strict=True):
        near = reference[bisect_right(ends, span.start) :]
        near = near[: bisect_left([ref.start for ref in near[:64]], span.end)]
        if not here.notes or not near:
            continue
        for name, parts in _renamed(span, here):
            gain = agreed(near, parts)[1] - agreed(near, [span])[1]
            found[name].update({"changed": 1, "full": gain})
        qualities = {ref.numeral.chord(ref.key).quality for ref in near}
        for name, meant in _remarkable(span, here):
            found[name].update({"changed": 1, "analysts": bool(qualities & set(meant))})
    return found


def _renamed(span: Span, here: Heard) -> Iterator[tuple[str, list[Span]]]:
    """Yield the rules that would rename a span, and into what."""
    chord = span.numeral.chord(span.key)
    length = span.end - span.start

    def share(fifths: int) -> float:
        tone = PitchClass.from_fifths(chord.root.fifths + fifths)
        return float(sum(b - a for a, b in sounding(here.notes, tone, span)) / length)

    def named(quality: Quality, part: Span = span) -> Span:
        new = Chord(chord.root, quality, chord.inversion if chord.inversion < 3 else 0)
        return replace(part, numeral=numeral_like(span.numeral, new, span.key), alternatives=())

    for quality, seventh in SEVENTHS.get(chord.quality, ()):
        if (part := share(seventh)) > 0:
            bound = next((f"under {b:g}" for b in SHARES if part < b), f"{SHARES[-1]:g} and more")
            yield f"{quality.value} where the seventh sounds {bound} of a triad", [named(quality)]
    if chord.quality is Quality.DOMINANT7 and 0 < share(-2) < SHARES[0] and chord.inversion < 3:
        yield "no dominant seventh that sounds under 0.1", [named(Quality.MAJOR)]
    if chord.quality is Quality.MINOR and not chord.inversion:
        minor, major = (
            sounding(here.notes, PitchClass.from_fifths(chord.root.fifths + f), span) for f in (-3, 4)
        )
        if minor and major and minor[-1][1] <= (change := major[0][0]) and span.start < change < span.end:
            parts = [replace(span, end=change), named(Quality.MAJOR, replace(span, start=change))]
            yield "a third that turns major parts the chord", parts


def _remarkable(span: Span, here: Heard) -> Iterator[tuple[str, tuple[Quality, ...]]]:
    """Yield what a span could be named for beside its label, and the qualities that would say so.

    A fourth that stands for the third, in a chord of two quarters or more: for four fifths of it where the
    third never sounds, for half of it where the third follows. A ninth over an inverted dominant seventh, for
    more than half.
    """
    chord = span.numeral.chord(span.key)
    length = span.end - span.start
    third = chord.member(3)
    fourths = sounding(here.notes, PitchClass.from_fifths(chord.root.fifths - 1), span)
    if length >= 2 and third is not None and fourths:
        thirds = sounding(here.notes, third, span)
        held = sum(b - a for a, b in fourths) / length
        if not thirds and held >= Fraction(4, 5):
            yield "suspended fourths that never resolve", FOURTHS
        elif thirds and fourths[-1][1] <= thirds[0][0] and held >= Fraction(1, 2):
            yield "suspended fourths before their third", FOURTHS
    if chord.quality is Quality.DOMINANT7 and chord.inversion in (1, 3):
        ninths = (
            sounding(here.notes, PitchClass.from_fifths(chord.root.fifths + fifths), span)
            for fifths in (2, -5)
        )
        if any(sum(b - a for a, b in ninth) > length / 2 for ninth in ninths):
            yield "ninths over a dominant in first or third inversion", NINTHS


def print_tried(found: Sequence[Found], console: Console) -> None:
    """Print what each rule that was not built would change."""
    table = Table("rule not built", "would change", "full", "analysts write it", title="quarters gained")
    whole: dict[str, Counter[str]] = defaultdict(Counter)
    for f in found:
        for name, row in f.tried.items():
            whole[name].update(row)
    for name in sorted(whole):
        row = whole[name]
        cells = (f"{row['full']:+.1f}", "") if "full" in row else ("", str(row["analysts"]))
        table.add_row(name, str(row["changed"]), *cells)
    console.print(table)


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--set", nargs="+", default=list(corpora.SHIPPABLE), help="sets; all by default")
    parser.add_argument("--limit", type=int, help="pieces of each set, evenly spread; all by default")
    kept.add_options(parser)
    arguments = parser.parse_args()
    chosen = []
    for name in arguments.set:
        there = list(corpora.pieces("train", [name]))
        count = min(arguments.limit or len(there), len(there))
        chosen += [there[k * len(there) // count] for k in range(count)]
    found = [f for _, f in kept.measured(chosen, measure, arguments) if f]
    console = Console(width=110)
    table = Table("rule", "set", "pieces", "changed", "chord", "full", "ninths", title="quarters gained")
    for rule in (*RULES, "all"):
        rows: dict[str, Counter[str]] = defaultdict(Counter)
        for f in found:
            for name in (f.set, "all sets"):
                rows[name].update(f.changes[rule])
                rows[name]["pieces"] += 1
        for name in (*sorted(set(rows) - {"all sets"}), "all sets"):
            row = rows[name]
            cells = (f"{row[k]:+.1f}" for k in ("chord", "full", "ninths"))
            table.add_row(rule, name, str(row["pieces"]), str(int(row["changed"])), *cells)
        table.add_section()
    console.print(table)
    print_tried(found, console)
    whole: Counter[str] = sum((f.written for f in found), Counter())
    for what in dict.fromkeys(what for f in found for what in f.written):
        console.print(f"{what}: {whole[what]}", highlight=False)


if __name__ == "__main__":
    main()
