"""How far readings agree with analysts, by duration: ``python -m benchmarks.accuracy``.

In: the analysed scores of `benchmarks.corpora` (pieces whose analysis covers less than
`corpora.DROP` of the sounding time are left out, and counted) and one or more readers. Out: a table
for each reader.

Measures. Every moment that the reference labels is compared with the label predicted there, and
weighted by its length in quarter notes, as in the published comparisons (Napoles Lopez, Arthur and
Fujinaga, ISMIR 2021; Micchi, Kosta, Medeot and Chanquion, ISMIR 2021), there by frames, here exactly.

key         tonic as spelled, and mode, of the key the analyst wrote (a tonicisation written as an
            applied chord does not change it).
degree      scale degree of the root in the key of the moment or of the applied part, and that
            part's own degree: V/V is neither V nor II.
quality     chord quality. inversion: which chord member is in the bass.
root        the root as spelled; `sound` the root on the keyboard.
full        key, degree, quality and inversion all right: the published "full" or "RN" agreement.
chord       root as spelled, quality and inversion right, whatever the key.
fix/100     expected corrections per 100 reference chords. A reference chord (equal neighbours joined)
            needs one when the label predicted for most of it is not fully right; otherwise one for
            every stretch of a sixteenth or longer inside it that says something else. A whole passage
            in a wrong key so counts once for each chord, which overstates the teacher's work.
bounds      F1 of the moments where the chord (root, quality, inversion) changes, matched one to one
            within a sixteenth.
s/piece     seconds per piece spent in the reader; s/200 bars the same for 200 bars.

micro is over all time of all sets, macro the mean of the sets. A second table has 95 % intervals of key,
chord and full: how far other pieces of the same sets may lie from them (`intervals`).

Equivalences. Cad64 is the tonic six-four. All common figures of an augmented sixth over the flat
sixth degree (Ger, Ger6, Ger65, Ger7; Fr, Fr6, Fr43, Fr7; It, It6) are one label per nation. Bracketed
additions, omissions and alterations do not count; a ninth is its seventh chord, an added sixth its
triad, a suspension (sus4, sus2) its resolution. The quality of the target of an applied chord does
not count (V7/vi is V7/VI where the roots agree). Where an analyst wrote a pivot chord both ways,
either is right.
"""

from __future__ import annotations

import argparse
import itertools
import json
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn
from rich.table import Table

from benchmarks import corpora
from benchmarks.corpora import Aligned, Piece
from understave.errors import UnderstaveError
from understave.harmony.reading import Reading, Span
from understave.harmony.romantext import bars_of, write_beat
from understave.score.model import Score
from understave.theory.chord import Quality
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral

MEASURES = ("key", "degree", "quality", "inversion", "root", "sound", "full", "chord")
_SIXTEENTH = Fraction(1, 4)
_USUAL_FIGURES = {"It": ("6",), "Fr": ("43", "7"), "Ger": ("65", "7")}
_SAME_QUALITY = {
    "dominant9": "dominant7",
    "dominant-minor9": "dominant7",
    "dominant7sus4": "dominant7",
    "major9": "major7",
    "minor9": "minor7",
    "minor-flat9": "minor7",
    "half-diminished9": "half-diminished7",
    "half-diminished-flat9": "half-diminished7",
    "minor-major9": "minor-major7",
    "augmented9": "augmented7",
    "augmented-major9": "augmented-major7",
    "diminished9": "diminished7",
    "diminished-flat9": "diminished7",
    "dominant11": "dominant7",
    "major11": "major7",
    "minor11": "minor7",
    "dominant13": "dominant7",
    "major13": "major7",
    "minor13": "minor7",
    "dominant7-flat5": "dominant7",
    "major6": "major",
    "minor6": "minor",
}


@dataclass(frozen=True, slots=True)
class Label:
    """A label reduced to what is compared; see the module's equivalences."""

    key: Key
    degree: tuple[int, int]
    quality: str
    inversion: int
    root: int

    @property
    def chord(self) -> tuple[int, str, int]:
        """Root on the line of fifths, quality, inversion."""
        return (self.root, self.quality, self.inversion)


def label_of(key: Key, numeral: RomanNumeral) -> Label:
    """Reduce a key and numeral to the label that is compared."""
    chord = numeral.chord(key)
    local = numeral.local_key(key)
    root = numeral.root(key)
    quality = str(chord.quality.value)
    inversion = chord.inversion
    if numeral.special in _USUAL_FIGURES:
        quality = {"It": "italian", "Fr": "french", "Ger": "german"}[numeral.special]
        usual = _USUAL_FIGURES[numeral.special]
        inversion = 0 if "".join(f for f in numeral.figures if f.isdigit()) in usual else 1 + inversion
        degree = (6, local.tonic.fifths - key.tonic.fifths)
        return Label(key, degree, quality, inversion, root.fifths)
    if quality in ("sus4", "sus2"):
        quality = "minor" if _resolves_minor(numeral, local) else "major"
    degree = (root.fifths - local.tonic.fifths, local.tonic.fifths - key.tonic.fifths)
    return Label(key, degree, _SAME_QUALITY.get(quality, quality), inversion, root.fifths)


def _resolves_minor(numeral: RomanNumeral, key: Key) -> bool:
    return str(numeral).lstrip("#b")[:1].islower()


def labels_of(span: Span) -> tuple[Label, ...]:
    """The label of a span and, for a pivot chord, its second reading."""
    return tuple(
        label_of(key, numeral)
        for key, numeral in [(span.key, span.numeral), *((a.key, a.numeral) for a in span.alternatives)]
    )


def agreement(reference: Label, predicted: Label) -> tuple[bool, ...]:
    """Which of `MEASURES` are right."""
    key = reference.key == predicted.key
    degree = reference.degree == predicted.degree
    quality = reference.quality == predicted.quality
    inversion = reference.inversion == predicted.inversion
    root = reference.root == predicted.root
    sound = (reference.root - predicted.root) % 12 == 0
    return (
        key,
        degree,
        quality,
        inversion,
        root,
        sound,
        key and degree and quality and inversion,
        root and quality and inversion,
    )


@dataclass(slots=True)
class Tally:
    """Running sums over pieces; times in quarter notes. `parts` holds time and right time of each piece."""

    pieces: int = 0
    time: float = 0.0
    right: list[float] = field(default_factory=lambda: [0.0] * len(MEASURES))
    chords: int = 0
    fixes: int = 0
    matched: int = 0
    reference_bounds: int = 0
    predicted_bounds: int = 0
    seconds: float = 0.0
    bars: int = 0
    confusions: Counter[tuple[str, str]] = field(default_factory=Counter)
    parts: list[tuple[float, tuple[float, ...]]] = field(default_factory=list)

    def add(self, other: Tally) -> None:
        """Add another tally to this one."""
        self.pieces += other.pieces
        self.time += other.time
        self.right = [a + b for a, b in zip(self.right, other.right, strict=True)]
        self.chords += other.chords
        self.fixes += other.fixes
        self.matched += other.matched
        self.reference_bounds += other.reference_bounds
        self.predicted_bounds += other.predicted_bounds
        self.seconds += other.seconds
        self.bars += other.bars
        self.confusions.update(other.confusions)
        self.parts += other.parts or [(other.time, tuple(other.right))]

    def figures(self) -> dict[str, float]:
        """Percentages and rates by measure name."""
        out = {
            name: 100 * r / self.time if self.time else 0.0
            for name, r in zip(MEASURES, self.right, strict=True)
        }
        out["fix/100"] = 100 * self.fixes / self.chords if self.chords else 0.0
        total = self.reference_bounds + self.predicted_bounds
        out["bounds"] = 200 * self.matched / total if total else 0.0
        out["s/piece"] = self.seconds / self.pieces if self.pieces else 0.0
        out["s/200 bars"] = 200 * self.seconds / self.bars if self.bars else 0.0
        return out


Stretch = tuple[Fraction, Fraction, tuple[Label, ...], Span]


def stretches(spans: Iterable[Span]) -> list[Stretch]:
    """Spans with their labels, equal neighbours joined."""
    out: list[Stretch] = []
    for span in spans:
        labels = labels_of(span)
        if out and out[-1][2] == labels and out[-1][1] == span.start:
            out[-1] = (out[-1][0], span.end, labels, out[-1][3])
        else:
            out.append((span.start, span.end, labels, span))
    return out


def overlaps(
    reference: Sequence[Stretch], predicted: Sequence[Stretch]
) -> Iterator[tuple[Fraction, Stretch, Stretch | None]]:
    """Yield (length, reference, prediction or None) for every stretch of the reference's time."""
    first = 0
    for ref in reference:
        start, end = ref[0], ref[1]
        while first < len(predicted) and predicted[first][1] <= start:
            first += 1
        covered = start
        for pred in predicted[first:]:
            if pred[0] >= end:
                break
            if pred[0] > covered:
                yield pred[0] - covered, ref, None
            yield min(end, pred[1]) - max(start, pred[0]), ref, pred
            covered = min(end, pred[1])
        if covered < end:
            yield end - covered, ref, None


def compare(reference_spans: Sequence[Span], predicted_spans: Sequence[Span]) -> Tally:
    """Compare a prediction with a reference; see the module's measures.

    A prediction's alternatives are not looked at.
    """
    reference = stretches(reference_spans)
    bare = [Span(s.start, s.end, s.key, s.numeral, s.confidence) for s in predicted_spans]
    predicted = stretches(bare)
    tally = Tally(pieces=1, chords=len(reference))
    held: dict[int, list[tuple[Fraction, bool, Label | None]]] = {}
    for length, ref, pred in overlaps(reference, predicted):
        tally.time += float(length)
        pieces = held.setdefault(id(ref), [])
        if pred is None:
            pieces.append((length, False, None))
            continue
        judged = max((agreement(label, pred[2][0]) for label in ref[2]), key=lambda a: (a[6], sum(a)))
        for k, right in enumerate(judged):
            tally.right[k] += float(length) * right
        pieces.append((length, judged[6], pred[2][0]))
        if not judged[6]:
            tally.confusions[(_words(ref[3]), _words(pred[3]))] += float(length)  # type: ignore[assignment]
    for pieces in held.values():
        times: Counter[tuple[bool, Label | None]] = Counter()
        for length, right, label in pieces:
            times[(right, label)] += length  # type: ignore[assignment]
        (right, _), _ = times.most_common(1)[0]
        if not right:
            tally.fixes += 1
        else:
            tally.fixes += sum(1 for length, good, _ in pieces if not good and length >= _SIXTEENTH)
    ours, theirs = _changes(predicted), _changes(reference)
    begin, end = (reference[0][0], reference[-1][1]) if reference else (Fraction(0), Fraction(0))
    ours = [t for t in ours if begin < t < end]
    tally.reference_bounds, tally.predicted_bounds = len(theirs), len(ours)
    tally.matched = _matches(theirs, ours)
    return tally


def _changes(parts: Sequence[Stretch]) -> list[Fraction]:
    return [b[0] for a, b in itertools.pairwise(parts) if a[2][0].chord != b[2][0].chord]


def _matches(reference: Sequence[Fraction], predicted: Sequence[Fraction]) -> int:
    count = k = 0
    for moment in reference:
        while k < len(predicted) and predicted[k] < moment - _SIXTEENTH:
            k += 1
        if k < len(predicted) and predicted[k] <= moment + _SIXTEENTH:
            count += 1
            k += 1
    return count


def _words(span: Span) -> str:
    return f"{span.key.mode[:3]} {span.numeral}"


# Readers -------------------------------------------------------------------------------------------

Reader = Callable[[Score], Reading]


def engine(score: Score) -> Reading:
    """The engine of hand-made features alone."""
    from understave.harmony.engine import read_harmony

    return read_harmony(score)


def trained(score: Score) -> Reading:
    """The tool's own reading: trained networks and the engine's opinion under one decoder."""
    from understave.harmony.trained import read_trained

    return read_trained(score)


def tonic(score: Score) -> Reading:
    """The floor: the major key of each key signature and its tonic chord throughout."""
    spans: list[Span] = []
    numeral = RomanNumeral.parse("I")
    for measure in score.measures:
        key = Key.from_signature(measure.signature)
        if spans and spans[-1].key == key:
            spans[-1] = Span(spans[-1].start, measure.end, key, numeral, 0.0)
        else:
            spans.append(Span(measure.start, measure.end, key, numeral, 0.0))
    return Reading(tuple(spans))


def library(score: Score) -> Reading:
    """A general-purpose reference: music21's key finder on windows of four bars, and its chord naming
    of everything that sounds within each beat.
    """
    from music21 import chord as m21chord
    from music21 import note as m21note
    from music21 import stream as m21stream

    from understave.theory.chord import Chord
    from understave.theory.pitch import PitchClass

    kinds = {
        "major": "major",
        "minor": "minor",
        "diminished": "diminished",
        "augmented": "augmented",
        "dominant-seventh": "dominant7",
        "major-seventh": "major7",
        "minor-seventh": "minor7",
        "half-diminished": "half-diminished7",
        "half-diminished-seventh": "half-diminished7",
        "diminished-seventh": "diminished7",
    }
    notes = [n for n in score.notes if n.duration > 0]
    bars = bars_of(score)
    spans: list[Span] = []
    last: RomanNumeral | None = None
    for index, bar in enumerate(bars):
        window = bars[max(0, index - 1) : index + 3]
        passage: Any = m21stream.Stream()
        for n in notes:
            if window[0].start <= n.onset < window[-1].end:
                played = m21note.Note(n.pitch.midi, quarterLength=float(n.duration))
                played.pitch.name = n.pitch.pitch_class.name.replace("b", "-")
                passage.insert(float(n.onset), played)
        key = spans[-1].key if spans else Key.from_signature(score.measures[0].signature)
        if len(passage.notes) > 3:
            found = passage.analyze("key")
            key = Key(PitchClass.parse(found.tonic.name.replace("-", "b")), found.mode)
        beat = score.measures[bar.measures[0]].beat_length
        moment = bar.start
        while moment < bar.end:
            until = min(bar.end, moment + beat)
            here = [n for n in notes if n.onset < until and n.end > moment]
            names = {(n.pitch.midi, n.pitch.pitch_class.name) for n in here}
            numeral = last
            if names:
                sounding = m21chord.Chord(
                    [f"{p.replace('b', '-')}{midi // 12 - 1}" for midi, p in sorted(names)]
                )
                kind = kinds.get(str(sounding.quality))
                if sounding.isSeventh():
                    kind = kinds.get(sounding.commonName.replace(" chord", "").replace(" ", "-"), kind)
                root = PitchClass.parse(sounding.root().name.replace("-", "b"))
                if kind is not None:
                    inversion = min(sounding.inversion(), 3 if kind.endswith("7") else 2)
                    numeral = RomanNumeral.of(Chord(root, Quality(kind), max(0, inversion)), key)[0]
            numeral = numeral or RomanNumeral.parse("I" if key.mode == "major" else "i")
            last = numeral
            spans.append(Span(moment, until, key, numeral, 0.0))
            moment = until
    return Reading(tuple(spans))


READERS: Mapping[str, Reader] = {"trained": trained, "engine": engine, "tonic": tonic, "music21": library}
SECOND = "second analyst"


def measure(piece: Piece, readers: Sequence[str]) -> tuple[str, dict[str, Tally], str]:
    """Run the readers on one piece: (state, tally by reader, message).

    The state is "ok", "dropped" (the analysis does not fit its score) or "unread".
    """
    try:
        found = corpora.align(piece)
    except (UnderstaveError, OSError, ImportError) as error:
        return "unread", {}, str(error)
    if found.coverage < corpora.DROP:
        return "dropped", {}, f"covers {found.coverage:.2f}"
    results: dict[str, Tally] = {}
    for name in readers:
        began = time.perf_counter()
        spans = predict(name, found)
        if spans is None:
            continue
        seconds = time.perf_counter() - began
        results[name] = compare(found.analyses[0].spans, spans)
        results[name].seconds = seconds
        results[name].bars = len(bars_of(found.score))
    return "ok", results, ""


def predict(name: str, found: Aligned) -> Sequence[Span] | None:
    """Return a reader's spans for a piece; None where a second analyst is asked for and there is none."""
    if name == SECOND:
        for path, analysis in zip(found.piece.analyses[1:], found.analyses[1:], strict=True):
            if path.stem == "analysis_B":
                return analysis.spans
        return None
    return READERS[name](found.score).spans


def run(
    chosen: Sequence[Piece], readers: Sequence[str], jobs: int, console: Console
) -> tuple[dict[str, dict[str, Tally]], Counter[tuple[str, str]]]:
    """Measure pieces: tallies by reader and set, and counts of (set, state)."""
    tallies: dict[str, dict[str, Tally]] = {name: {} for name in readers}
    states: Counter[tuple[str, str]] = Counter()
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True) as progress:
        task = progress.add_task("pieces", total=len(chosen))
        pool = ProcessPoolExecutor(jobs) if jobs > 1 else None
        outcomes = (
            pool.map(measure, chosen, [readers] * len(chosen))
            if pool
            else (measure(p, readers) for p in chosen)
        )
        for piece, (state, results, message) in zip(chosen, outcomes, strict=True):
            progress.update(task, advance=1, description=f"{piece.set}/{piece.name}"[:50].ljust(50))
            states[(piece.set, state)] += 1
            if message and state == "unread":
                progress.console.print(f"{piece.set}/{piece.name}: {message}", markup=False)
            for name, tally in results.items():
                tallies[name].setdefault(piece.set, Tally()).add(tally)
        if pool:
            pool.shutdown()
    return tallies, states


def summary(by_set: Mapping[str, Tally]) -> dict[str, dict[str, float]]:
    """Figures by set, and the rows micro and macro."""
    rows = {name: tally.figures() for name, tally in by_set.items()}
    whole = Tally()
    for tally in by_set.values():
        whole.add(tally)
    if rows:
        names = next(iter(rows.values())).keys()
        rows_macro = {n: sum(r[n] for r in rows.values()) / len(rows) for n in names}
        rows["micro"] = whole.figures()
        rows["macro"] = rows_macro
    return rows


DRAWS = 2000
INTERVAL = (2.5, 97.5)


def intervals(sets: Iterable[Tally]) -> dict[str, tuple[float, float]]:
    """Return by measure between which percentages the agreement lies that other pieces of these sets would
    have: 95 % of it over draws of as many pieces from each set with replacement (percentile bootstrap, Efron
    and Tibshirani 1993, from memory). Pieces of one set are taken for independent of each other.
    """
    low, high = bounds_of_ratio([tally.parts for tally in sets])
    return {name: (float(a), float(b)) for name, a, b in zip(MEASURES, low, high, strict=True)}


def bounds_of_ratio(
    sets: Iterable[Sequence[tuple[float, Sequence[float]]]],
) -> tuple[np.ndarray, np.ndarray]:
    """Return between which percentages (M,) the ratios of sums lie when the pieces of each set are drawn
    again; of every piece its size and its parts (M,) of it.
    """
    draw = np.random.default_rng(0)
    whole = np.zeros(DRAWS)
    parts: np.ndarray = np.zeros((DRAWS, 1))
    for pieces in sets:
        sizes, shares = (np.array(column, dtype=np.float64) for column in zip(*pieces, strict=True))
        taken = draw.integers(0, len(sizes), (DRAWS, len(sizes)))
        whole += sizes[taken].sum(1)
        parts = parts + shares[taken].sum(1)
    low, high = np.percentile(100 * parts / whole[:, None], INTERVAL, axis=0)
    return low, high


def print_intervals(by_set: Mapping[str, Tally], console: Console) -> None:
    """Print how far other pieces of the same sets may lie from the figures; see `intervals`."""
    trained_on = [tally for name, tally in by_set.items() if name in corpora.SHIPPABLE]
    rows = {name: [tally] for name, tally in by_set.items()}
    if 1 < len(trained_on) < len(by_set):
        rows["sets of kinds trained on"] = trained_on
    rows["all"] = list(by_set.values())
    table = Table("set", "pieces", *(f"{name}, 95 %" for name in ("key", "chord", "full")))
    for row, sets in rows.items():
        whole = Tally()
        for tally in sets:
            whole.add(tally)
        figures, bounds = whole.figures(), intervals(sets)
        cells = (
            f"{figures[name]:.1f} ({bounds[name][0]:.1f} to {bounds[name][1]:.1f})"
            for name in ("key", "chord", "full")
        )
        table.add_row(row, str(whole.pieces), *cells)
    console.print(table)


def print_tables(
    tallies: Mapping[str, Mapping[str, Tally]], states: Mapping[tuple[str, str], int], console: Console
) -> None:
    """Print one table for each reader."""
    for name, by_set in tallies.items():
        if not by_set:
            continue
        table = Table(title=name, title_justify="left")
        table.add_column("set")
        for head in ("pieces", "left out", *MEASURES, "fix/100", "bounds", "s/piece", "s/200 bars"):
            table.add_column(head, justify="right")
        for row, figures in summary(by_set).items():
            if row == "micro":
                table.add_section()
            ok = by_set[row].pieces if row in by_set else sum(t.pieces for t in by_set.values())
            out = sum(v for (s, state), v in states.items() if state != "ok" and row in (s, "micro", "macro"))
            cells = [f"{v:.2f}" if k.startswith("s/") else f"{v:.1f}" for k, v in figures.items()]
            table.add_row(row, str(ok), str(out), *cells)
        console.print(table)


def print_confusions(tally: Tally, console: Console, count: int = 40) -> None:
    """Print the costliest confusions, in quarter notes and as a share of all time."""
    table = Table("analyst", "reader", "quarters", "%", title="costliest confusions", title_justify="left")
    for (reference, predicted), length in tally.confusions.most_common(count):
        table.add_row(reference, predicted, f"{length:.0f}", f"{100 * length / tally.time:.2f}")
    console.print(table)


def print_piece(home: Path, reader: str, console: Console) -> None:
    """Print the analyst's and the reader's labels side by side, one line for every change."""
    found = next(
        (
            p
            for s in ("train", "dev")
            for p in corpora.pieces(s)
            if p.score.parent == home or _home(p) == home
        ),
        None,
    )
    if found is None:
        raise UnderstaveError(
            f"{home} is not the folder of an analysed piece; name one inside the harmony data."
        )
    aligned = corpora.align(found)
    spans = predict(reader, aligned) or ()
    reference, predicted = stretches(aligned.analyses[0].spans), stretches(spans)
    table = Table("bar", "beat", "analyst", "reader", "wrong", title=f"{found.set}/{found.name}")
    moments = sorted({p[0] for p in reference} | {p[0] for p in predicted})
    bar_by_measure = {m: bar for bar in bars_of(aligned.score) for m in bar.measures}
    for moment in moments:
        ref = next((p for p in reference if p[0] <= moment < p[1]), None)
        pred = next((p for p in predicted if p[0] <= moment < p[1]), None)
        bar = bar_by_measure[aligned.score.measure_at(moment).index]
        wrong = ""
        if ref and pred:
            judged = max((agreement(label, pred[2][0]) for label in ref[2]), key=sum)
            wrong = " ".join(n for n, ok in zip(MEASURES[:5], judged, strict=False) if not ok)
        table.add_row(
            bar.name,
            write_beat(aligned.score.beat_at(moment)),
            f"{ref[3].key}: {ref[3].numeral}" if ref else "-",
            f"{pred[3].key}: {pred[3].numeral}" if pred else "-",
            wrong,
        )
    console.print(table)
    print_tables({reader: {found.set: compare(aligned.analyses[0].spans, spans)}}, {}, console)


def _home(piece: Piece) -> Path:
    return piece.analyses[0].parent


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the benchmark from the command line."""
    parser = argparse.ArgumentParser(
        prog="python -m benchmarks.accuracy", description="How far readings agree with analysts, by duration."
    )
    parser.add_argument("--sets", nargs="*", default=[], help="sets to measure; all when left out")
    parser.add_argument("--split", choices=["dev", "train"], default="dev")
    parser.add_argument("--limit", type=int, default=0, help="pieces per set at most")
    parser.add_argument("--every", type=int, default=1, help="take every n-th piece of a set")
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    parser.add_argument(
        "--readers",
        nargs="*",
        default=["trained"],
        choices=[*READERS, "second"],
        help="trained when left out",
    )
    parser.add_argument(
        "--confusions", action="store_true", help="print the costliest confusions (train only)"
    )
    parser.add_argument(
        "--compare",
        nargs="*",
        metavar="READER",
        help="one table of all readers (or those named), and the tool's own by period, texture and chord",
    )
    parser.add_argument("--json", type=Path, help="write the figures to this file as well")
    parser.add_argument(
        "--piece", type=Path, help="print one piece bar by bar; the folder of a training piece"
    )
    options = parser.parse_args(arguments)
    console = Console(width=None if sys.stdout.isatty() else 160)
    readers = [SECOND if r == "second" else r for r in options.readers]
    try:
        if options.piece:
            print_piece(options.piece.resolve(), readers[0], console)
            return 0
        by_set: dict[str, list[Piece]] = {}
        for piece in corpora.pieces(options.split, options.sets):
            by_set.setdefault(piece.set, []).append(piece)
    except (corpora.NoDataError, UnderstaveError) as error:
        console.print(str(error), markup=False)
        return 2
    chosen = [p for members in by_set.values() for p in members[:: options.every][: options.limit or None]]
    if options.compare is not None:
        from benchmarks import comparison

        unknown = [r for r in options.compare if r not in comparison.READERS]
        if unknown:
            console.print(f"There is no reader {unknown[0]!r}; there are: {', '.join(comparison.READERS)}.")
            return 2
        found = comparison.run(chosen, options.compare or comparison.READERS, options.jobs, console)
        if options.json:
            options.json.write_text(json.dumps(found, indent=1), encoding="utf-8")
        return 0
    tallies, states = run(chosen, readers, options.jobs, console)
    print_tables(tallies, states, console)
    for sets in tallies.values():
        print_intervals(sets, console)
    if options.confusions and options.split == "train":
        for sets in tallies.values():
            whole = Tally()
            for tally in sets.values():
                whole.add(tally)
            print_confusions(whole, console)
    if options.json:
        figures = {name: summary(sets) for name, sets in tallies.items()}
        options.json.write_text(json.dumps(figures, indent=1), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
