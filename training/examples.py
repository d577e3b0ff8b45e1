"""Make training examples: ``python -m training.examples --out FOLDER``.

In: the analysed scores of the open data's training split (only sets whose weights may ship). Out:
``labelled.npz`` and ``tables.json`` for `training.train`, and a report of the pieces left out because
analysis and score do not fit.
"""

from __future__ import annotations

import argparse
import json
import re
from bisect import bisect_right
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from benchmarks import corpora

from training.arrays import arrays_of
from understave.errors import UnderstaveError
from understave.harmony.model.encoding import Encoding, encode, fifths_index
from understave.harmony.model.label_indices import KEYS, QUALITIES, Reduced, key_index, quality_name, reduce
from understave.harmony.reading import Span

RARE = 4
LABELS = ("key", "tonicised", "root", "bass", "quality", "inversion")


@dataclass(frozen=True)
class Example:
    """One analysis of one piece: the encoding and per frame what the analyst wrote."""

    set: str
    name: str
    encoding: Encoding
    labels: dict[str, np.ndarray]
    numerals: list[tuple[Reduced, str, str] | None]
    weight: float
    note: str


def frame_labels(
    encoding: Encoding, spans: tuple[Span, ...], phrase_ends: tuple[Fraction, ...]
) -> tuple[dict[str, np.ndarray], list[tuple[Reduced, str, str] | None]]:
    """Give each frame the label that holds in most of it; -1 where there is none."""
    times = encoding.times
    count = len(times) - 1
    labels = {name: np.full(count, -1, np.int16) for name in LABELS}
    starts = np.zeros((count, 3), np.float32)
    numerals: list[tuple[Reduced, str, str] | None] = [None] * count
    begins = [s.start for s in spans]
    before: tuple[Any, ...] | None = None
    for t in range(count):
        middle = (times[t] + times[t + 1]) / 2
        index = bisect_right(begins, middle) - 1
        if index < 0 or spans[index].end <= middle:
            continue
        span = spans[index]
        key = key_index(span.key)
        local = key_index(span.numeral.local_key(span.key))
        if key is None or local is None:
            continue
        chord = span.numeral.chord(span.key)
        labels["key"][t], labels["tonicised"][t] = key, local
        labels["root"][t], labels["bass"][t] = (
            fifths_index(chord.root.fifths),
            fifths_index(chord.bass.fifths),
        )
        labels["quality"][t] = QUALITIES.index(quality_name(str(chord.quality.value)))
        labels["inversion"][t] = min(chord.inversion, 3)
        reduced = reduce(span.key, span.numeral)
        text = re.sub(r"\[[^\]]*\]", "", str(span.numeral))
        numerals[t] = (reduced, span.key.mode, text)
        now = (span.key, reduced)
        starts[t, 0] = now != before
        starts[t, 1] = before is not None and before[0] != span.key
        before = now
    for moment in phrase_ends:
        t = bisect_right(times, moment) - 1
        if 0 <= t < count:
            starts[t, 2] = 1
    labels["starts"] = starts
    return labels, numerals


def examples_of(piece: corpora.Piece) -> tuple[list[Example], str]:
    """Return the examples a piece gives (one an analyst) or the reason why it gives none."""
    try:
        found = corpora.align(piece)
    except UnderstaveError as error:
        return [], f"{piece.set}/{piece.name}: {error}"
    if found.coverage < corpora.DROP:
        return [], f"{piece.set}/{piece.name}: chord tones cover {found.coverage:.2f} of the notes"
    encoding = encode(found.score)
    usable = [a for a in found.analyses if a.spans and corpora.coverage(found.score, a.spans) >= corpora.DROP]
    result = []
    for analysis in usable:
        labels, numerals = frame_labels(encoding, analysis.spans, analysis.phrase_ends)
        result.append(
            Example(piece.set, piece.name, encoding, labels, numerals, 1.0 if not result else 0.4, found.how)
        )
    return result, ""


def tables(examples: list[Example]) -> tuple[dict[Reduced, int], dict[str, Any]]:
    """Make the table of numerals from what the analysts wrote; rare ones are left out."""
    counts: Counter[Reduced] = Counter()
    texts: dict[tuple[Reduced, str], Counter[str]] = {}
    for example in examples:
        before = None
        for item in example.numerals:
            if item is not None and item != before:
                counts[item[0]] += 1
                texts.setdefault((item[0], item[1]), Counter())[item[2]] += 1
            before = item
    kept = [r for r, n in counts.most_common() if n >= RARE and r.quality != "other"]
    table = {
        "keys": KEYS,
        "qualities": list(QUALITIES),
        "numerals": [list(r) for r in kept],
        "texts": {
            mode: [texts[r, mode].most_common(1)[0][0] if (r, mode) in texts else None for r in kept]
            for mode in ("major", "minor")
        },
        "counts": {
            mode: [sum(texts.get((r, mode), Counter()).values()) for r in kept] for mode in ("major", "minor")
        },
    }
    share = sum(counts[r] for r in kept) / max(1, sum(counts.values()))
    print(f"{len(kept)} numerals of {len(counts)} cover {100 * share:.2f} % of the chords")
    return {r: i for i, r in enumerate(kept)}, table


def main() -> None:
    """Make the examples and print what was left out."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--jobs", type=int, default=2)
    arguments = parser.parse_args()
    arguments.out.mkdir(parents=True, exist_ok=True)
    todo = list(corpora.pieces("train", corpora.SHIPPABLE))
    examples: list[Example] = []
    dropped: list[str] = []
    with ProcessPoolExecutor(arguments.jobs) as pool:
        for number, (found, why) in enumerate(pool.map(examples_of, todo, chunksize=4), start=1):
            examples += found
            if why:
                dropped.append(why)
            if number % 50 == 0:
                print(f"{number} of {len(todo)} pieces", flush=True)
        index, table = tables(examples)
        data = arrays_of([e.encoding for e in examples])
        for name in (*LABELS, "starts"):
            data[name] = np.concatenate([e.labels[name] for e in examples])
        data["numeral"] = np.concatenate(
            [np.array([index.get(i[0], -1) if i else -1 for i in e.numerals], np.int16) for e in examples]
        )
        names = {n: i for i, n in enumerate(dict.fromkeys((e.set, e.name) for e in examples))}
        data["groups"] = np.array([names[e.set, e.name] for e in examples])
        data["sets"] = np.array([e.set for e in examples])
        data["names"] = np.array([e.name for e in examples])
        data["weights"] = np.array([e.weight for e in examples], np.float32)
        np.savez_compressed(arguments.out / "labelled.npz", **data)
        (arguments.out / "tables.json").write_text(json.dumps(table, ensure_ascii=False, indent=1))
        print(f"{len(names)} pieces, {len(examples)} analyses, {data['offsets'][-1]} frames")
        print(f"{len(dropped)} pieces left out:", *dropped, sep="\n  ")


if __name__ == "__main__":
    main()
