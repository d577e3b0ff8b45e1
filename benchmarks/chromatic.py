"""Chromatic chords against analysts' labels: ``python -m benchmarks.chromatic``.

For each set: how many Neapolitans, augmented sixths (all, and with the right nationality), applied
dominants and applied leading-tone chords the tool tells, how many the analyst labels, and precision,
recall and F1. A told chord agrees with a labelled one of its kind where the two overlap in time; each
counts once. Spans come from the tool's own reading ("own") or from the analyst ("analyst": what the
checks on the notes take away from the labels, or correct in them). Analysts write a short stay in another
key now as applied chords and now as a change of key, so that agreement on applied chords has a low
ceiling: a second analyst of the same pieces is measured with ``--spans second``, where there is one.

The row "same dominant" does not mind which: an applied chord agrees where the other side has a dominant or
leading-tone chord of the same tonic, applied or in its own key.

``--list`` prints every Neapolitan and augmented sixth told (for training pieces, or for scores given as
files) with the notes that sound from the chord before it to the chord after it, to be judged by hand.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter, defaultdict
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path

from rich.console import Console
from rich.table import Table

from benchmarks import corpora
from understave.errors import UnderstaveError
from understave.findings import read
from understave.findings.applied import find_applied
from understave.findings.chromatic import SIXTHS, find_chromatic
from understave.findings.progression import steps_of
from understave.harmony.reading import Event, Span
from understave.score.model import Score
from understave.theory.chord import Quality

SAME = "same dominant"
KINDS = (
    "neapolitan",
    "augmented sixth",
    "kind of sixth",
    "applied dominant",
    "applied leading-tone",
    "applied",
    SAME,
)
_Stretch = tuple[Fraction, Fraction, str]


def labelled(spans: tuple[Span, ...]) -> dict[str, list[_Stretch]]:
    """Return what an analyst's labels name, by kind: start, end and which."""
    found: dict[str, list[_Stretch]] = defaultdict(list)
    for step in steps_of(spans):
        local = step.local
        if step.numeral.special in ("It", "Fr", "Ger"):
            name = SIXTHS.get(step.chord.quality, step.numeral.special)
            found["augmented sixth"].append((step.start, step.end, name))
        elif step.chord.root == local.tonic.shift(-5) and step.chord.quality in (
            Quality.MAJOR,
            Quality.MAJOR7,
        ):
            found["neapolitan"].append((step.start, step.end, ""))
        elif step.numeral.applied and step.is_dominant:
            leading = step.chord.root == local.leading_tone
            kind = "applied leading-tone" if leading else "applied dominant"
            found[kind].append((step.start, step.end, ""))
            found["applied"].append((step.start, step.end, ""))
    found["kind of sixth"] = found["augmented sixth"]
    return found


def told(score: Score, spans: tuple[Span, ...]) -> dict[str, list[_Stretch]]:
    """Return what the tool tells, by kind."""
    found: dict[str, list[_Stretch]] = defaultdict(list)
    for e in find_chromatic(score, spans):
        if e.label == "neapolitan":
            found["neapolitan"].append((e.start, e.end, ""))
        elif e.label in SIXTHS.values():
            found["augmented sixth"].append((e.start, e.end, e.label))
    for e in find_applied(score, spans):
        found[e.label.removesuffix(" chord")].append((e.start, e.end, ""))
        found["applied"].append((e.start, e.end, ""))
    found["kind of sixth"] = found["augmented sixth"]
    return found


def agreeing(found: Sequence[_Stretch], wanted: Sequence[_Stretch], which: bool) -> int:
    """Count told stretches that overlap a labelled one; with `which` they must name the same."""
    free = list(wanted)
    count = 0
    for a, b, name in found:
        hit = next((w for w in free if a < w[1] and w[0] < b and (not which or w[2] == name)), None)
        if hit is not None:
            free.remove(hit)
            count += 1
    return count


def dominants(spans: tuple[Span, ...]) -> list[_Stretch]:
    """Return every dominant and leading-tone chord, applied or not, with the name of its tonic's sound."""
    steps = [s for s in steps_of(spans) if s.is_dominant]
    return [(s.start, s.end, str(s.local.tonic.semitone)) for s in steps]


def applied_only(spans: tuple[Span, ...]) -> list[_Stretch]:
    """Return those of the dominants that are applied."""
    steps = [s for s in steps_of(spans) if s.is_dominant and s.numeral.applied]
    return [(s.start, s.end, str(s.local.tonic.semitone)) for s in steps]


def borne_out(some: Sequence[_Stretch], others: Sequence[_Stretch]) -> int:
    """Count the stretches that overlap one of the same name among others."""
    return sum(any(a < d and c < b and name == n for c, d, n in others) for a, b, name in some)


def show(
    console: Console, name: str, score: Score, spans: tuple[Span, ...], analyst: tuple[Span, ...]
) -> int:
    """Print every Neapolitan and augmented sixth with its notes; return how many."""
    hits = [e for e in find_chromatic(score, spans) if e.label == "neapolitan" or e.label in SIXTHS.values()]
    for e in hits:
        console.print(
            f"[bold]{name}[/] {_place(score, e.start)}: {e.label} ({e.confidence})", highlight=False
        )
        _notes(console, score, spans, analyst, e)
    return len(hits)


def _place(score: Score, moment: Fraction) -> str:
    return f"m{score.measure_at(moment).number} b{float(score.beat_at(moment)):g}"


def _notes(
    console: Console, score: Score, spans: tuple[Span, ...], analyst: tuple[Span, ...], event: Event
) -> None:
    near = [s for s in spans if s.end > event.start - 2 and s.start < event.end + 2]
    theirs = [s for s in analyst if s.end > event.start - 2 and s.start < event.end + 2]
    for text, group in (("reading", near), ("analyst", theirs)):
        labels = " ".join(f"{_place(score, s.start)} {s.key}:{s.numeral}" for s in group)
        console.print(f"  {text}: {labels}", highlight=False, markup=False)
    moments = sorted({n.onset for n in score.notes if event.start - 2 <= n.onset < event.end + 2})
    for t in moments:
        sounding = sorted((n for n in score.notes if n.onset <= t < n.end), key=lambda n: n.midi)
        names = " ".join(n.pitch.name + ("_" if n.onset < t else "") for n in sounding)
        mark = "*" if event.start <= t < event.end else " "
        console.print(f"  {mark} {_place(score, t)}: {names}", highlight=False, markup=False)


def main(arguments: Sequence[str] | None = None) -> int:  # noqa: C901
    """Measure and print the table, or list the hits."""
    parser = argparse.ArgumentParser(
        prog="python -m benchmarks.chromatic", description="Chromatic chords against analysts' labels."
    )
    parser.add_argument("--split", choices=["dev", "train"], default="dev")
    parser.add_argument("--sets", nargs="*", default=[])
    parser.add_argument("--every", type=int, default=1, help="take every n-th piece of a set")
    parser.add_argument("--limit", type=int, default=0, help="pieces per set at most")
    parser.add_argument("--spans", nargs="*", default=["own"], choices=["own", "analyst", "second"])
    parser.add_argument("--list", action="store_true", help="print the notes of every hit (train)")
    parser.add_argument("--scores", nargs="*", type=Path, default=[], help="score files to list instead")
    options = parser.parse_args(arguments)
    console = Console(width=None if sys.stdout.isatty() else 130)
    if options.scores:
        hits = 0
        for path in options.scores:
            score = corpora.cached_score(path)
            hits += show(console, path.stem, score, read(score).spans, ())
        console.print(f"{len(options.scores)} scores, {hits} Neapolitans and augmented sixths", markup=False)
        return 0
    if options.list and options.split == "dev":
        console.print("Pieces of the dev split are measured, not looked at; list the train split.")
        return 2
    try:
        chosen: dict[str, list[corpora.Piece]] = defaultdict(list)
        for piece in corpora.pieces(options.split, options.sets):
            chosen[piece.set].append(piece)
    except corpora.NoDataError as error:
        console.print(str(error), markup=False)
        return 2
    table = Table("set", "pieces", "spans", "kind", title="chromatic chords against analysts' labels")
    for column in ("told", "labelled", "P", "R", "F1"):
        table.add_column(column, justify="right")
    for name, members in chosen.items():
        counts: dict[tuple[str, str], Counter[str]] = defaultdict(Counter)
        pieces: Counter[str] = Counter()
        for piece in members[:: options.every][: options.limit or None]:
            try:
                aligned = corpora.align(piece)
            except (UnderstaveError, OSError, ImportError) as error:
                console.print(f"{piece.set}/{piece.name}: {error}", markup=False)
                continue
            if aligned.coverage < corpora.DROP:
                continue
            _count(console, aligned, options, counts, pieces)
        for source in options.spans:
            for kind in KINDS:
                c = counts[source, kind]
                if not c["told"] and not c["labelled"]:
                    continue
                precision = c["agree"] / c["told"] if c["told"] else 0.0
                recalled = c["recalled"] if kind == SAME else c["agree"]
                recall = recalled / c["labelled"] if c["labelled"] else 0.0
                both = precision + recall
                rates = (precision, recall, 2 * precision * recall / both if both else 0.0)
                cells = (str(c["told"]), str(c["labelled"]), *(f"{r:.2f}" for r in rates))
                table.add_row(name, str(pieces[source]), source, kind, *cells)
    console.print(table)
    return 0


def _count(
    console: Console,
    aligned: corpora.Aligned,
    options: argparse.Namespace,
    counts: dict[tuple[str, str], Counter[str]],
    pieces: Counter[str],
) -> None:
    """Count one piece for every source of spans."""
    score, theirs = aligned.score, aligned.analyses[0].spans
    wanted = labelled(theirs)
    for source in options.spans:
        if source == "second" and len(aligned.analyses) < 2:
            continue
        spans = theirs
        if source == "own":
            spans = read(score).spans
        elif source == "second":
            spans = aligned.analyses[1].spans
        pieces[source] += 1
        if options.list:
            show(console, f"{aligned.piece.set}/{aligned.piece.name}", score, spans, theirs)
        found = told(score, spans)
        c = counts[source, SAME]
        ours, wants = applied_only(spans), applied_only(theirs)
        c["told"] += len(ours)
        c["labelled"] += len(wants)
        c["agree"] += borne_out(ours, dominants(theirs))
        c["recalled"] += borne_out(wants, dominants(spans))
        for kind in KINDS[:-1]:
            c = counts[source, kind]
            c["told"] += len(found[kind])
            c["labelled"] += len(wanted[kind])
            c["agree"] += agreeing(found[kind], wanted[kind], kind == "kind of sixth")


if __name__ == "__main__":
    sys.exit(main())
