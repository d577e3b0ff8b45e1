"""Analysed scores -> the engine's statistics and weights.

In: the training split of the analysed scores (`benchmarks.corpora`), only sets whose weights may ship.
Out: ``statistics.json`` and ``weights.json`` of `understave.harmony`.

    python -m training.engine_weights --epochs 8 --out src/understave/harmony

Three steps. The successions of numerals are counted. The chance that a note belongs to its chord is fitted
by logistic regression. All other weights are fitted by an averaged structured perceptron (Collins 2002)
with a cost for every beat read wrong (Taskar et al. 2004): each piece is read twice, once drawn towards
the analysis and once away from it, and the weights move by the difference of the two readings' features,
each at its own rate (Duchi et al. 2011). The first reading need not match the analysis, so that gaps,
chords outside the vocabulary and changes between units do no harm (Chiang 2012, "hope" and "fear").
"""

from __future__ import annotations

import argparse
import json
import random
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from benchmarks import corpora
from rich.console import Console

from understave import harmony
from understave.errors import UnderstaveError
from understave.harmony import grammar as g
from understave.harmony.decode import TOKEN_OF_TONIC, Step, decode
from understave.harmony.emission import (
    BASS_SEMITONE,
    MIDDLE_CLASS,
    PLACES,
    SIGNATURES,
    lattice,
    likely_keys,
)
from understave.harmony.engine import places
from understave.harmony.engine_weights import Weights, read_weights, save_weights
from understave.harmony.features import BASS_VIEWS, TONE_VIEWS, Features, features, length_class, views
from understave.harmony.line_of_fifths import (
    CHORDS,
    INVERSIONS,
    KEY_MODE,
    KEY_PLACE,
    KEYS,
    KINDS,
    LABELS,
    ROLES,
    ROOTS,
    TEMPLATE_CLASS,
    label_parts,
    nearest_kind,
    nearest_label,
)
from understave.harmony.membership import signs
from understave.harmony.reading import Span
from understave.harmony.units import HALF, SPAN, Floats, Ints, Timeline, timeline
from understave.theory.chord import Quality

CREDIT = (
    "Fitted on, and counted from, the analyses of the sets lieder, preludes, grounds, textbook, variations"
    " and chorales: When in Rome (Gotham et al., TISMIR 2023), TAVERN (Devaney et al., ISMIR 2015), Napoles"
    " Lopez et al. (DLfM 2020), Tymoczko and colleagues; all CC BY-SA 4.0."
)
BATCH = 3
COST, KEY_COST, DRAW = 1.2, 0.4, 6.0
"""What a beat under a wrong label or key gives the fearful reading, and one read right the hopeful."""
RATES = {
    "tones": 0.05,
    "inversion": 0.05,
    "inversions": 0.05,
    "profile": 0.12,
    "signature": 0.03,
    "opening": 0.05,
    "start": 0.06,
    "figure": 0.08,
    "same_root": 0.08,
    "length": 0.06,
    "token": 0.04,
    "enter": 0.04,
    "leave": 0.04,
    "change": 0.08,
    "bass_motion": 0.04,
    "scale": 0.02,
}
# A suspended chord is read as right where the analysis has its resolution, a ninth where it has the seventh.
_ALIKE = {
    Quality.SUS4: Quality.MAJOR,
    Quality.DOMINANT7_SUS4: Quality.DOMINANT7,
    Quality.DOMINANT9: Quality.DOMINANT7,
    Quality.DOMINANT_MINOR9: Quality.DOMINANT7,
}
_SIMPLE_KIND = np.array([KINDS.index(_ALIKE.get(q, q)) for q in KINDS])


def _simple_labels() -> Ints:
    chord, inversion = np.divmod(np.arange(LABELS), INVERSIONS)
    place, quality = np.divmod(chord, len(KINDS))
    return np.asarray((place * len(KINDS) + _SIMPLE_KIND[quality]) * INVERSIONS + inversion)


SIMPLE = _simple_labels()


@dataclass(frozen=True)
class Example:
    """A piece ready to learn from: its arrays, and label and key numbers per unit, -1 where unknown."""

    name: str
    line: Timeline
    found: Features
    spans: tuple[Span, ...]
    labels: Ints
    keys: Ints


def pieces(
    sets: Sequence[str], at_most: int, fit: float = 0.75
) -> Iterator[tuple[str, Timeline, tuple[Span, ...]]]:
    """Yield name, timeline and analysis of the training pieces whose analysis fits the score."""
    for name in sets:
        members = list(corpora.pieces("train", [name]))
        random.Random(3).shuffle(members)
        for piece in members[: at_most or None]:
            try:
                found = corpora.align(piece)
                line = timeline(found.score)
            except (UnderstaveError, ValueError):
                continue
            if found.coverage >= fit:
                yield f"{piece.set}/{piece.name}", line, found.analyses[0].spans


def example(name: str, line: Timeline, spans: tuple[Span, ...], weights: Weights) -> Example:
    """Lay the analysis on the units; a unit takes the label at its middle."""
    units = len(line.times) - 1
    labels, keys = np.full(units, -1), np.full(units, -1)
    numbers = {k: i for i, k in enumerate(KEYS)}
    for span in spans:
        label = int(SIMPLE[nearest_label(span.numeral.chord(span.key), line.centre)])
        key = numbers.get((span.key.tonic.fifths - line.centre, int(span.key.mode == "minor")), -1)
        for u in range(line.unit_at(span.start), units):
            middle = (line.times[u] + line.times[u + 1]) / 2
            if middle >= span.end:
                break
            if middle >= span.start:
                labels[u], keys[u] = label, key
    return Example(name, line, features(line, weights.membership), spans, labels, keys)


# --- counting -------------------------------------------------------------------------------------------


def count(analyses: Iterable[Sequence[Span]]) -> dict[str, Any]:
    """Count tokens, successions and inversions; see `grammar.statistics_from`."""
    tables: dict[str, Any] = {m: {"tokens": {}, "successions": {}, "inversions": {}} for m in g.MODES}
    for spans in analyses:
        before: Span | None = None
        for span in spans:
            if before and (before.key, before.numeral) == (span.key, span.numeral):
                before = span
                continue
            table = tables[span.key.mode]
            name = _token(span, span)
            table["tokens"][name] = table["tokens"].get(name, 0) + 1
            inversion = min(span.numeral.chord(span.key).inversion, INVERSIONS - 1)
            table["inversions"].setdefault(name, [0] * INVERSIONS)[inversion] += 1
            if before and before.end == span.start:
                row = table["successions"].setdefault(_token(before, span), {})
                row[name] = row.get(name, 0) + 1
            before = span
    return tables


def _token(span: Span, seen_from: Span) -> str:
    """Name the token of one span's chord in another span's key."""
    chord = span.numeral.chord(span.key)
    above = int(np.clip(chord.root.fifths - seen_from.key.tonic.fifths, g.LOW, g.HIGH)) - g.LOW
    kind = nearest_kind(chord.quality)
    if kind < 2 and chord.inversion == 2:
        kind += len(KINDS)
    return g.token_name(above * g.TOKEN_KINDS + kind)


def write_statistics(tables: dict[str, Any], path: Path) -> None:
    """Write the counts that occur at least twice."""
    out: dict[str, Any] = {"credit": CREDIT}
    for mode in g.MODES:
        table = tables[mode]
        keep = {k: n for k, n in table["tokens"].items() if n >= 2}
        rows = {
            k: {a: n for a, n in sorted(row.items(), key=lambda x: -x[1]) if n >= 2 and a in keep}
            for k, row in sorted(table["successions"].items())
            if k in keep
        }
        out[mode] = {
            "tokens": dict(sorted(keep.items(), key=lambda x: -x[1])),
            "successions": {k: row for k, row in rows.items() if row},
            "inversions": {k: v for k, v in sorted(table["inversions"].items()) if k in keep},
        }
    text = json.dumps(out, indent=1, ensure_ascii=False)
    text = re.sub(r"\[\s+(\d+),\s+(\d+),\s+(\d+),\s+(\d+)\s+\]", r"[\1, \2, \3, \4]", text)
    path.write_text(text + "\n", encoding="utf-8")


# --- which notes belong ---------------------------------------------------------------------------------


def fit_membership(parts: Iterable[tuple[Timeline, Sequence[Span]]], rounds: int = 40) -> Floats:
    """Fit the chance that a note belongs to its chord, by Newton's method with a small penalty.

    Notes weigh by their time, pieces by about the 0.7th power of their size.
    """
    rows, answers, sizes = [], [], []
    for line, spans in parts:
        start = np.array([float(t) for t in line.frame_times[:-1]])
        tones = np.full((len(start), 12), -1)
        for span in spans:
            inside = (start >= float(span.start) - 1e-6) & (start < float(span.end) - 1e-6)
            tones[inside] = [int(s in span.numeral.chord(span.key).semitones) for s in range(12)]
        answer = tones[line.pair_frame, line.midi[line.pair_note] % 12]
        known = (answer >= 0) & (line.pair_fill > 0.3)
        size = (line.pair_share * line.beats[line.pair_frame])[known]
        if not len(size):
            continue
        rows.append(signs(line)[known])
        answers.append(answer[known])
        sizes.append(size / size.sum() * min(len(size), 600) ** 0.7)
    x, y, size = np.concatenate(rows), np.concatenate(answers), np.concatenate(sizes)
    size = size / size.mean()
    weights = np.zeros(x.shape[1])
    for _ in range(rounds):
        chance = 1 / (1 + np.exp(-np.clip(x @ weights, -30, 30)))
        slope = x.T @ (size * (chance - y)) + 2 * weights
        bend = (x * (size * chance * (1 - chance))[:, None]).T @ x + 2 * np.eye(len(weights))
        move = np.linalg.solve(bend, slope)
        weights = weights - move
        if np.abs(move).max() < 1e-6:
            break
    return weights


# --- everything else ------------------------------------------------------------------------------------


def agreement(e: Example, lat: Any) -> tuple[Floats, Floats]:
    """Return how many beats each segment's labels, and each key, are right; labels count in three steps."""
    beats = np.diff(e.found.place)

    def right(answer: Ints, size: int, asked: Ints) -> Floats:
        names = np.unique(answer[answer >= 0])
        row = np.full(size, len(names))
        row[names] = np.arange(len(names))
        total = np.zeros((len(names) + 1, len(beats) + 1))
        for i, name in enumerate(names):
            total[i, 1:] = np.cumsum(beats * (answer == name))
        number = row[asked]
        return np.asarray(total[number, lat.end[:, None]] - total[number, lat.begin[:, None]])

    def coarse(labels: Ints, by: int) -> Ints:
        return np.where(labels >= 0, labels // by, -1)

    asked = SIMPLE[lat.labels]
    per_root = INVERSIONS * len(KINDS)
    labels = 0.5 * right(e.labels, LABELS, asked)
    labels += 0.2 * right(coarse(e.labels, INVERSIONS), CHORDS, asked // INVERSIONS)
    labels += 0.3 * right(coarse(e.labels, per_root), ROOTS, asked // per_root)
    keys = np.zeros((len(beats) + 1, len(KEYS)))
    keys[1:] = np.cumsum(beats[:, None] * (e.keys[:, None] == np.arange(len(KEYS))), 0)
    return labels, keys[lat.end] - keys[lat.begin]


def hope_and_fear(
    e: Example, weights: Weights, statistics: g.Statistics
) -> tuple[tuple[Step, ...], tuple[Step, ...]]:
    """Read a piece drawn towards its analysis, and away from it."""
    lat = lattice(e.found, weights, kept=14)
    labels, keys = agreement(e, lat)
    rules = g.grammar(statistics, weights, int(e.found.signature[0]))
    known = np.unique(np.concatenate((likely_keys(e.found, weights), e.keys[e.keys >= 0])))
    paths = []
    for push, key_push in ((DRAW, DRAW), (-COST, -KEY_COST)):
        pushed = replace(lat, scores=lat.scores + push * labels, keys=lat.keys + key_push * keys)
        same_root = weights.same_root[e.found.figure]
        read = decode(pushed, rules, places(e.line), same_root, keys=known, beliefs=False)
        paths.append(read.path)
    return paths[0], paths[1]


def add_features(
    total: dict[str, Floats], sign: float, e: Example, path: Sequence[Step], statistics: g.Statistics
) -> None:
    """Add what each weight is multiplied by on a path, mirroring `emission`, `grammar` and `decode`."""
    f = e.found
    begin, end = np.array([s.begin for s in path]), np.array([s.end for s in path])
    label, key = np.array([s.label for s in path]), np.array([s.key for s in path])
    tones, bass = views(f, begin, end)
    root, quality, inversion = label_parts(label)
    chord = label // INVERSIONS
    for v in range(TONE_VIEWS):
        np.add.at(
            total["tones"], (np.full(1, v), quality[:, None], TEMPLATE_CLASS[:, chord].T), sign * tones[:, v]
        )
    by_sound = np.where(
        (MIDDLE_CLASS >= ROLES) & (MIDDLE_CLASS < 2 * ROLES), MIDDLE_CLASS - ROLES, MIDDLE_CLASS
    )
    for i, v in enumerate(BASS_VIEWS):
        np.add.at(total["tones"], (np.full(1, v), quality[:, None], by_sound[:, chord].T), sign * bass[:, i])
        total["inversion"][i] += sign * bass[np.arange(len(path)), i, BASS_SEMITONE[label]].sum()
    np.add.at(total["inversions"], (quality, inversion), sign)

    mode = KEY_MODE[key]
    columns, half = np.arange(SPAN) - HALF, PLACES // 2
    away = np.clip(columns[None, :] - KEY_PLACE[key][:, None], -half, half) + half
    np.add.at(total["profile"], (mode[:, None], away), sign * (f.keys[end] - f.keys[begin]))
    own, half = KEY_PLACE - 3 * KEY_MODE, SIGNATURES // 2
    for s in path:
        distance = np.clip(own[s.key] - f.signature[s.begin : s.end], -half, half) + half
        np.add.at(total["signature"], (KEY_MODE[s.key], distance), sign * np.diff(f.place)[s.begin : s.end])
    total["opening"][mode[0], np.clip(own[key[0]] - f.signature[0], -half, half) + half] += sign

    np.add.at(total["start"], f.start[begin], sign)
    np.add.at(total["figure"], f.figure[begin], sign)
    np.add.at(total["length"], length_class(f, begin, end), sign)
    _add_successions(total, sign, e, begin, label, key, root, inversion, statistics)


def _add_successions(  # noqa: PLR0913
    total: dict[str, Floats],
    sign: float,
    e: Example,
    begin: Ints,
    label: Ints,
    key: Ints,
    root: Ints,
    inversion: Ints,
    statistics: g.Statistics,
) -> None:
    mode, token, where = KEY_MODE[key], g.TOKEN[label, key], places(e.line)
    scale, half = total["scale"], g.CHANGES // 2
    for i in range(len(label)):
        if i and (label[i], key[i]) == (label[i - 1], key[i - 1]):
            scale[2] += sign
            continue
        scale[1] += sign * statistics.inversion[mode[i], token[i], inversion[i]]
        total["token"][mode[i], token[i]] += sign
        if not i:
            scale[0] += sign * 0.5 * statistics.succession[mode[0], TOKEN_OF_TONIC[mode[0]], token[0]]
            continue
        if key[i] != key[i - 1]:
            apart = np.clip(KEY_PLACE[key[i]] - KEY_PLACE[key[i - 1]], -half, half) + half
            total["change"][mode[i - 1], apart, mode[i]] += sign
            scale[3 + where[begin[i]]] += sign
            total["enter"][mode[i], token[i]] += sign
            total["leave"][mode[i - 1], token[i - 1]] += sign
        if root[i] == root[i - 1]:
            total["same_root"][e.found.figure[begin[i]]] += sign
        scale[0] += sign * statistics.succession[mode[i], g.TOKEN[label[i - 1], key[i]], token[i]]
        motion = g.bass_step(label[i - 1 : i], label[i : i + 1])[0]
        total["bass_motion"][inversion[i - 1], inversion[i], motion] += sign


@dataclass
class Perceptron:
    """Weights on the move, with their running mean and the squares that set each one's rate."""

    weights: Weights
    mean: dict[str, Floats]
    squares: dict[str, Floats]
    steps: int = 0

    @classmethod
    def from_weights(cls, weights: Weights) -> Perceptron:
        """Start from given weights."""
        return cls(weights, {n: np.zeros_like(getattr(weights, n)) for n in RATES}, {})

    def step(self, slope: dict[str, Floats], rate: float) -> None:
        """Move every weight; pitch weights move partly together over qualities, bass motions likewise."""
        moved = {}
        for name, rise in slope.items():
            move = self._scaled(name, name, rise)
            if name == "tones":
                move = 0.6 * move + self._scaled("all qualities", name, rise.sum(1, keepdims=True))
            if name == "bass_motion":
                move = 0.5 * move + self._scaled("all inversions", name, rise.sum((0, 1), keepdims=True))
            moved[name] = getattr(self.weights, name) + rate * move
        self.weights = replace(self.weights, **moved)
        self.steps += 1
        for name in RATES:
            self.mean[name] += (getattr(self.weights, name) - self.mean[name]) / self.steps

    def _scaled(self, memory: str, name: str, rise: Floats) -> Floats:
        squares = self.squares.setdefault(memory, np.full(rise.shape, 0.02))
        squares += rise * rise
        return np.asarray(RATES[name] * rise / np.sqrt(squares))

    def averaged(self) -> Weights:
        """Return the mean of the weights over all steps."""
        return replace(self.weights, **{n: m.copy() for n, m in self.mean.items()})


def main() -> None:
    """Count, fit, write."""
    parser = argparse.ArgumentParser(
        prog="python -m training.engine_weights", description=__doc__.splitlines()[0]
    )
    parser.add_argument("--out", type=Path, required=True, help="folder for statistics.json and weights.json")
    parser.add_argument(
        "--start",
        type=Path,
        default=Path(harmony.__file__).parent / "weights.json",
        help="weights to go on from (default: those of the package)",
    )
    parser.add_argument("--epochs", type=int, default=6)
    parser.add_argument(
        "--short", type=int, default=40, help="chorales and textbook examples learned from (all are counted)"
    )
    parser.add_argument("--membership", action="store_true", help="fit the membership of notes anew as well")
    options = parser.parse_args()
    console = Console()
    weights = read_weights(options.start.read_text(encoding="utf-8"))
    ready = list(pieces(corpora.SHIPPABLE, 0))
    tables = count(spans for _, _, spans in ready)
    write_statistics(tables, options.out / "statistics.json")
    statistics = g.statistics_from(tables)
    if options.membership:
        weights = replace(weights, membership=fit_membership((line, spans) for _, line, spans in ready))
    taken: dict[str, int] = {}
    examples = []
    for name, line, spans in ready:
        kind = name.split("/")[0]
        taken[kind] = taken.get(kind, 0) + 1
        # Short pieces are many and modulate by design; more of them would teach restlessness.
        if kind not in ("chorales", "textbook") or taken[kind] <= options.short:
            examples.append(example(name, line, spans, weights))
    learner = Perceptron.from_weights(weights)
    for epoch in range(options.epochs):
        random.Random(epoch).shuffle(examples)
        for low in range(0, len(examples), BATCH):
            slope = {n: np.zeros_like(getattr(weights, n)) for n in RATES}
            for e in examples[low : low + BATCH]:
                hope, fear = hope_and_fear(e, learner.weights, statistics)
                size = max(20, len(e.labels)) ** -0.5
                add_features(slope, size, e, hope, statistics)
                add_features(slope, -size, e, fear, statistics)
            learner.step(slope, 1.0 / (1 + 0.3 * epoch))
        save_weights(learner.averaged(), options.out / "weights.json", CREDIT)
        console.print(f"epoch {epoch + 1} of {options.epochs} written")


if __name__ == "__main__":
    main()
