"""One table of every reader, and breakdowns of the tool's own: ``python -m benchmarks.accuracy --compare``.

In: analysed pieces. Out: for each set, and over all, the figures of `accuracy` for

engine              the first engine, of hand-made features, alone
network             the networks alone: the likeliest key and the likeliest numeral of every frame
network + decoder   the networks under the decoder, without the engine's opinion
understave          the tool's own reading: networks, decoder and the engine's opinion
music21             a general-purpose library's key finder and chord naming, beat by beat
second analyst      another analyst of the same piece, where there is one

with the seconds of processor time, of all threads, that each takes for 200 bars, once loaded (the file is
read already); and what the tool's
own reading gets right by period, by texture and by kind of chord.

period      by the year of the composer's birth (from memory), as the pieces are not dated: up to 1700, to
            1780, to 1815, and later. Textbook examples, whose authors are no composers of their time, and
            composers missing from the table are "not dated".
texture     of each bar, from `understave.findings.texture`: "broken chords" where a hand breaks the
            chords, "bass and chords", "whole chords", and "lines" for everything else.
chord       as the analyst wrote it.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import groupby

import numpy as np
from rich.console import Console
from rich.progress import track
from rich.table import Table

from benchmarks import accuracy, corpora
from benchmarks.accuracy import MEASURES, SECOND, Stretch, Tally, agreement, overlaps, stretches
from benchmarks.corpora import Aligned, Piece
from understave.errors import UnderstaveError
from understave.findings.texture import texture_of
from understave.harmony.model.decoding import TRUST, Settled, decode
from understave.harmony.model.encoding import Encoding, encode
from understave.harmony.model.label_indices import KEYS, key_of
from understave.harmony.model.network import Floats, Numerals, judge, load
from understave.harmony.reading import Reading, Span
from understave.harmony.romantext import bars_of
from understave.harmony.trained import numeral_of, read_trained
from understave.score.model import Score

NETWORK, DECODED, OWN, LIBRARY, ENGINE = "network", "network + decoder", "understave", "music21", "engine"
READERS = (ENGINE, NETWORK, DECODED, OWN, LIBRARY, SECOND)
SHOWN = ("key", "degree", "quality", "inversion", "root", "chord", "full", "fix/100", "bounds")
PERIODS = ((1700, "born before 1700"), (1780, "1700-1779"), (1815, "1780-1814"), (9999, "1815 and later"))
OF_SETS = {
    "chorales": "born before 1700",
    "preludes": "born before 1700",
    "quartets": "1700-1779",
    "variations": "1700-1779",
    "textbook": "not dated",
}
# Years of birth, from memory, by the first name that a piece is filed under.
BORN = {
    "purcell": 1659,
    "bonis": 1858,
    "brahms": 1833,
    "burleigh": 1866,
    "chaminade": 1857,
    "chopin": 1810,
    "coleridge": 1875,
    "franz": 1815,
    "hensel": 1805,
    "holmes": 1847,
    "jaell": 1846,
    "kinkel": 1810,
    "kralik": 1857,
    "lang": 1815,
    "mahler": 1860,
    "mayer": 1812,
    "paradis": 1759,
    "reichardt": 1779,
    "schubert": 1797,
    "schumann": 1810,
    "viardot": 1821,
    "white": 1855,
    "wolf": 1860,
    "zumsteeg": 1796,
}
FAMILIES = {
    "broken chords": "broken chords",
    "rocking": "broken chords",
    "arpeggios": "broken chords",
    "Alberti-like": "broken chords",
    "broken octaves": "broken chords",
    "tremolo": "broken chords",
    "bass and chords": "bass and chords",
    "waltz bass": "bass and chords",
    "block chords": "whole chords",
    "repeated chords": "whole chords",
}
"""Patterns of accompaniment by family, the first family found in a bar counting for it."""
LINES = "lines"


@dataclass(slots=True)
class Share:
    """Time in quarter notes, and how much of it is right by measure."""

    time: float = 0.0
    right: tuple[float, ...] = (0.0,) * len(MEASURES)

    def add(self, other: Share) -> None:
        """Add another share to this one."""
        self.time += other.time
        self.right = tuple(a + b for a, b in zip(self.right, other.right, strict=True))


Shares = dict[tuple[str, str], Share]
"""Shares by (what is told apart, which)."""


def _judged(score: Score) -> tuple[Encoding, dict[str, Floats], Numerals]:
    network = load()
    encoding = encode(score)
    frames, count = len(encoding.times) - 1, len(network.numerals.reduced)
    free = np.full(frames, KEYS, dtype=np.int64), np.full(frames, count, dtype=np.int64)
    return encoding, judge(network, encoding, *free), network.numerals


def _reading(encoding: Encoding, keys: np.ndarray, numbers: np.ndarray, numerals: Numerals) -> Reading:
    """Join frames that say the same into spans."""
    labels = [(int(k), int(n)) for k, n in zip(keys, numbers, strict=True)]
    spans, begin = [], 0
    for (key, number), group in groupby(labels):
        end = begin + len(list(group))
        numeral = numeral_of(numerals, key, number)
        spans.append(Span(encoding.times[begin], encoding.times[end], key_of(key), numeral, 0.0))
        begin = end
    return Reading(tuple(spans))


def network_alone(score: Score) -> Reading:
    """The networks without a decoder: in every frame the likeliest key, and the likeliest numeral there."""
    encoding, judged, numerals = _judged(score)
    keys = judged["key"].argmax(1)
    stands = np.array([[text is not None for text in row] for row in numerals.texts])
    numbers = np.where(stands[keys % 2], judged["numeral"], -np.inf).argmax(1)
    return _reading(encoding, keys, numbers, numerals)


def network_decoded(score: Score) -> Reading:
    """The networks under the decoder, without a second opinion."""
    encoding, judged, numerals = _judged(score)
    frames = len(encoding.times) - 1
    free = Settled(
        np.ones((frames, KEYS), dtype=bool),
        np.ones((frames, len(numerals.reduced)), dtype=bool),
        np.zeros(frames, dtype=bool),
    )
    path = decode(judged, numerals, encoding.frames[:, 0], free, TRUST)
    return _reading(encoding, path.key, path.numeral, numerals)


def read(name: str, found: Aligned) -> Sequence[Span] | None:
    """Return a reader's spans for a piece; None where a second analyst is asked for and there is none."""
    if name == NETWORK:
        return network_alone(found.score).spans
    if name == DECODED:
        return network_decoded(found.score).spans
    if name == OWN:
        return read_trained(found.score).spans
    return accuracy.predict(name, found)


def period(piece: Piece) -> str:
    """Return the period of a piece; see the module's definitions."""
    if piece.set in OF_SETS:
        return OF_SETS[piece.set]
    year = BORN.get(piece.name.split("-")[0])
    return "not dated" if year is None else next(name for limit, name in PERIODS if year < limit)


def textures(score: Score, spans: Sequence[Span]) -> list[tuple[Fraction, Fraction, str]]:
    """Return the bars' textures: (start, end, family)."""
    patterns = texture_of(score, tuple(spans)).patterns
    result = []
    for m in score.measures:
        here = {FAMILIES.get(row[m.index].name, LINES) for row in patterns.values()}
        family = next((f for f in (*dict.fromkeys(FAMILIES.values()), LINES) if f in here), LINES)
        result.append((m.start, m.end, family))
    return result


def kind(span: Span) -> str:
    """Return the kind of a chord as an analyst wrote it."""
    numeral = span.numeral
    quality = str(numeral.chord(span.key).quality.value)
    if numeral.special in ("It", "Fr", "Ger") or quality in ("italian", "french", "german"):
        return "augmented sixth"
    if numeral.applied:
        return "applied"
    if quality in ("major", "minor"):
        return f"{quality} triad"
    if quality in ("diminished", "augmented"):
        return "diminished or augmented triad"
    if quality.startswith("dominant"):
        return "dominant seventh or ninth"
    if quality in ("diminished7", "half-diminished7"):
        return "diminished seventh, half or whole"
    return "other seventh" if quality.endswith(("7", "9")) else "other"


def _cut(
    reference: Sequence[Stretch], bars: Sequence[tuple[Fraction, Fraction, str]]
) -> Iterator[tuple[Stretch, str]]:
    """Cut the reference at the bars' limits; yield each part with its bar's texture."""
    first = 0
    for ref in reference:
        while first < len(bars) and bars[first][1] <= ref[0]:
            first += 1
        for start, end, family in bars[first:]:
            if start >= ref[1]:
                break
            yield (max(start, ref[0]), min(end, ref[1]), ref[2], ref[3]), family


def breakdown(piece: Piece, score: Score, reference: Sequence[Span], predicted: Sequence[Span]) -> Shares:
    """Return what is right by period, texture and kind of chord."""
    cut = list(_cut(stretches(reference), textures(score, predicted)))
    families = {id(part): family for part, family in cut}
    bare = [Span(s.start, s.end, s.key, s.numeral, s.confidence) for s in predicted]
    result: Shares = {}
    for length, ref, pred in overlaps([part for part, _ in cut], stretches(bare)):
        right: tuple[bool, ...] = (False,) * len(MEASURES)
        if pred is not None:
            right = max((agreement(label, pred[2][0]) for label in ref[2]), key=lambda a: (a[6], sum(a)))
        share = Share(float(length), tuple(float(length) * r for r in right))
        for place in (
            ("period", period(piece)),
            ("texture", families[id(ref)]),
            ("chord", kind(ref[3])),
        ):
            result.setdefault(place, Share()).add(share)
    return result


@dataclass(frozen=True)
class Outcome:
    """What was measured of one piece: tallies by reader, the breakdown, and a message if it was left out."""

    tallies: Mapping[str, Tally]
    shares: Shares
    message: str = ""


def measure(piece: Piece, readers: Sequence[str]) -> Outcome:
    """Run the readers on one piece."""
    try:
        found = corpora.align(piece)
    except (UnderstaveError, OSError, ImportError) as error:
        return Outcome({}, {}, str(error))
    if found.coverage < corpora.DROP:
        return Outcome({}, {}, f"chord tones cover {found.coverage:.2f}")
    # Nobody's time is to hold the loading of the networks and of the engine's weights.
    _warm(found.score)
    reference = found.analyses[0].spans
    bars = len(bars_of(found.score))
    tallies: dict[str, Tally] = {}
    shares: Shares = {}
    for name in readers:
        began = time.process_time()
        spans = read(name, found)
        if spans is None:
            continue
        seconds = time.process_time() - began
        tallies[name] = replace(accuracy.compare(reference, spans), seconds=seconds, bars=bars)
        if name == OWN:
            shares = breakdown(piece, found.score, reference, spans)
    return Outcome(tallies, shares)


_warmed: list[bool] = []


def _warm(score: Score) -> None:
    if not _warmed:
        read_trained(score)
        _warmed.append(True)


def run(chosen: Sequence[Piece], readers: Sequence[str], jobs: int, console: Console) -> dict[str, object]:
    """Measure pieces, print the tables, and return the figures for ``--json``."""
    pool = ProcessPoolExecutor(jobs) if jobs > 1 else None
    outcomes = (
        pool.map(measure, chosen, [readers] * len(chosen)) if pool else (measure(p, readers) for p in chosen)
    )
    by_set: dict[str, dict[str, Tally]] = {}
    shares: Shares = {}
    following = track(outcomes, "pieces", total=len(chosen), console=console, transient=True)
    for piece, outcome in zip(chosen, following, strict=True):
        if outcome.message:
            console.print(f"{piece.set}/{piece.name} left out: {outcome.message}", markup=False)
        for name, tally in outcome.tallies.items():
            by_set.setdefault(piece.set, {}).setdefault(name, Tally()).add(tally)
        for place, share in outcome.shares.items():
            shares.setdefault(place, Share()).add(share)
    if pool:
        pool.shutdown()
    rows = {**by_set, **_together(by_set)}
    print_comparison(rows, console)
    print_shares(shares, console)
    return {
        "readers": {s: {n: t.figures() for n, t in tallies.items()} for s, tallies in rows.items()},
        "shares": {f"{a}: {b}": percent(share) for (a, b), share in sorted(shares.items())},
    }


def _together(by_set: Mapping[str, Mapping[str, Tally]]) -> dict[str, dict[str, Tally]]:
    """Add the sets up: those of the kinds trained on, and all, where that says more than a set alone."""
    groups = {"sets of kinds trained on": corpora.SHIPPABLE, "all": tuple(by_set)}
    if set(by_set) <= set(corpora.SHIPPABLE):
        del groups["sets of kinds trained on"]
    result: dict[str, dict[str, Tally]] = {}
    for name, members in groups.items():
        present = [s for s in by_set if s in members]
        if len(present) < 2:
            continue
        total: dict[str, Tally] = {}
        for s in present:
            for reader, tally in by_set[s].items():
                if reader != SECOND:
                    total.setdefault(reader, Tally()).add(tally)
        result[name] = total
    return result


def percent(share: Share) -> dict[str, float]:
    """Return a share's time and percentages."""
    return {
        "quarters": share.time,
        **{m: 100 * r / max(share.time, 1e-9) for m, r in zip(MEASURES, share.right, strict=True)},
    }


def print_comparison(rows: Mapping[str, Mapping[str, Tally]], console: Console) -> None:
    """Print every set's readers, one a line."""
    table = Table(title="readers compared", title_justify="left")
    table.add_column("set")
    table.add_column("reader")
    for head in ("pieces", *SHOWN, "s/200 bars"):
        table.add_column(head, justify="right")
    for name, tallies in rows.items():
        table.add_section()
        for reader in (r for r in READERS if r in tallies):
            figures = tallies[reader].figures()
            speed = "" if reader == SECOND else f"{figures['s/200 bars']:.2f}"
            cells = [f"{figures[h]:.1f}" for h in SHOWN]
            first = name if reader == next(r for r in READERS if r in tallies) else ""
            table.add_row(first, reader, str(tallies[reader].pieces), *cells, speed)
    console.print(table)


def print_shares(shares: Shares, console: Console) -> None:
    """Print the breakdowns."""
    if not shares:
        return
    table = Table(title=f"{OWN}, by what the music is", title_justify="left")
    table.add_column("")
    for head in ("% of time", "key", "root", "quality", "inversion", "chord", "full"):
        table.add_column(head, justify="right")
    for what in ("period", "texture", "chord"):
        table.add_section()
        here = {which: share for (w, which), share in shares.items() if w == what}
        total = sum(s.time for s in here.values())
        order = (
            [name for _, name in PERIODS] if what == "period" else sorted(here, key=lambda n: -here[n].time)
        )
        for which in [*order, *(n for n in here if n not in order)]:
            if which not in here:
                continue
            figures = percent(here[which])
            cells = [f"{figures[m]:.1f}" for m in ("key", "root", "quality", "inversion", "chord", "full")]
            table.add_row(f"{what}: {which}", f"{100 * here[which].time / max(total, 1e-9):.1f}", *cells)
    console.print(table)
