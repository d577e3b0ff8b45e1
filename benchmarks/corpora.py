"""Analysed scores: where they lie, how an analysis is laid on its score, and how well it fits.

In: the `harmony` folder of the open data (``shared/data`` beside the checkout, or the folder named by
the environment variable UNDERSTAVE_DATA) and the music21 package's corpus, which holds the chorales.
Out: `Piece` (paths) and `Aligned` (score, analyses, fit). Run ``python -m benchmarks.corpora`` for the
fit of every set.

An analysis fits when the tones of its chords cover what sounds. Where it does not fit by printed bar
numbers, its bars are laid on the score's bars anew by dynamic programming, which mends pickups counted
otherwise, repeats written out in one of the two, split bars, and numbers that start again. What then
still fits less than `DROP` is left out.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import pickle
import statistics
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from pathlib import Path

import numpy as np

import understave
from benchmarks import data
from understave.errors import UnderstaveError
from understave.harmony.reading import Span
from understave.harmony.romantext import (
    Analysis,
    Bar,
    Document,
    Meter,
    bars_of,
    parse,
    parse_numeral,
    place_bars,
    read_analysis,
)
from understave.score.model import Score
from understave.score.reader import read_score
from understave.theory.key import Key
from understave.theory.pitch import PitchClass
from understave.theory.roman import RomanNumeral

DROP = 0.70
REALIGN_BELOW = 0.88
# Sets whose statistics and weights may ship with the tool (see the data's own SOURCES.md).
SHIPPABLE = ("chorales", "grounds", "lieder", "preludes", "textbook", "variations")
_SLOTS_PER_QUARTER = 4


@dataclass(frozen=True, slots=True)
class Piece:
    """Where a piece lies: `analyses` has the main analyst's file first."""

    split: str
    set: str
    name: str
    score: Path
    analyses: tuple[Path, ...]


@dataclass(frozen=True, slots=True)
class Aligned:
    """A piece with its analyses laid on it.

    `coverage` is the share of sounding time covered by the first analysis's chord tones, 0..1;
    `placed` the share of the score's time that has a label; `how` is "numbers", "realigned" or "transposed".
    """

    piece: Piece
    score: Score
    analyses: tuple[Analysis, ...]
    coverage: float
    placed: float
    how: str


class NoDataError(UnderstaveError):
    """The open data is not on this machine."""


def data_folder() -> Path:
    """Return the folder of open data; raise NoDataError with one sentence if it has no analyses."""
    folder = data.data_folder()
    if not (folder / "harmony").is_dir():
        raise NoDataError(
            f"There is no harmony folder in {folder}; set UNDERSTAVE_DATA to where the data lies."
        )
    return folder


@lru_cache(maxsize=1)
def _riemenschneider() -> dict[int, dict[str, object]]:
    from music21.corpus import chorales

    table: dict[int, dict[str, object]] = chorales.ChoraleListRKBWV().byRiemenschneider
    return table


def chorale_score(number: int) -> Path:
    """Return the music21 corpus file of a chorale by Riemenschneider number; KeyError if it has none."""
    from music21 import corpus

    work = corpus.getWork(f"bach/bwv{_riemenschneider()[number]['bwv']}")
    files = [Path(str(w)) for w in (work if isinstance(work, list) else [work])]
    return next((f for f in files if f.suffix == ".mxl"), files[0])


def pieces(split: str, sets: Sequence[str] = ()) -> Iterator[Piece]:
    """Yield the pieces of ``train`` or ``dev``, in order; `sets` empty means all.

    A piece of ``dev`` that also stands in ``train`` is left out: Riemenschneider's collection prints four
    chorales twice, under two numbers each (088, 199, 308 and 349 are 023, 302, 156 and 120).
    """
    learnt = frozenset(_works("train")) if split == "dev" else frozenset()
    for folder in sorted((data_folder() / "harmony" / split).iterdir()):
        if not folder.is_dir() or (sets and folder.name not in sets):
            continue
        for home in sorted(folder.iterdir()):
            analyses = tuple(sorted(home.glob("analysis*.txt"), key=lambda p: (p.stem != "analysis", p.stem)))
            if not analyses:
                continue
            if folder.name == "chorales":
                score = chorale_score(int(home.name.rsplit("-", 1)[1]))
            else:
                found = sorted(home.glob("score.*"))
                score = found[0] if found else home / "score.mxl"
            if _work(folder.name, home.name) not in learnt:
                yield Piece(split, folder.name, home.name, score, analyses)


def _works(split: str) -> Iterator[str]:
    for folder in (data_folder() / "harmony" / split).iterdir():
        if folder.is_dir():
            yield from (_work(folder.name, home.name) for home in folder.iterdir())


def _work(set_name: str, piece: str) -> str:
    """Name the work that a piece is, the same for both numbers of a chorale that is printed twice."""
    if set_name == "chorales":
        return str(chorale_score(int(piece.rsplit("-", 1)[1])))
    return f"{set_name}/{piece}"


def cached_score(path: Path) -> Score:
    """Read a score, keeping the parsed value in the user's cache folder under the code's own hash."""
    package = Path(understave.__file__).parent
    code = hashlib.sha256()
    for source in sorted([*(package / "score").rglob("*.py"), *(package / "theory").rglob("*.py")]):
        code.update(source.read_bytes())
    code.update(path.read_bytes())
    cache = Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / "understave" / "scores"
    file = cache / f"{code.hexdigest()[:32]}.pickle"
    if file.exists():
        with file.open("rb") as stream:
            score: Score = pickle.load(stream)
            return score
    score = read_score(path)
    cache.mkdir(parents=True, exist_ok=True)
    part = file.with_suffix(f".{os.getpid()}")
    part.write_bytes(pickle.dumps(score))
    part.rename(file)
    return score


def align(piece: Piece) -> Aligned:
    """Read a piece and lay its analyses on it; raise UnderstaveError when a file cannot be read."""
    score = cached_score(piece.score)
    results = [lay(path.read_text(encoding="utf-8", errors="replace"), score) for path in piece.analyses]
    analysis, share, how = results[0]
    labelled = sum((s.end - s.start for s in analysis.spans), Fraction(0))
    return Aligned(
        piece,
        score,
        tuple(r[0] for r in results),
        share,
        float(labelled / score.end) if score.end else 0.0,
        how,
    )


def lay(text: str, score: Score) -> tuple[Analysis, float, str]:
    """Lay one analysis on a score: by numbers if that fits, else by the best fit of bars."""
    document = parse(text)
    by_number = read_analysis(document, score)
    share = coverage(score, by_number.spans)
    found = place_bars(document, score)
    missing = sum(1 for i, b in enumerate(document.bars) if not b.implied and i not in found)
    if share >= REALIGN_BELOW and missing <= 0.02 * len(document.bars):
        return by_number, share, "numbers"
    placed = fit_bars(document, score)
    again = read_analysis(document, score, placed)
    other = coverage(score, again.spans)
    # Laying anew must pay for the time it leaves without a label.
    lost = _labelled(by_number.spans) - _labelled(again.spans)
    if other > share + 0.02 + 0.5 * max(0.0, float(lost / max(score.end, Fraction(1)))):
        by_number, share, how = again, other, "realigned"
    else:
        how = "numbers"
    if share < DROP:
        # A chorale stands in another key in the cantata that the score is taken from.
        for fifths in sorted(range(-6, 7), key=abs):
            spans = tuple(_transposed(s, fifths) for s in read_analysis(document, score).spans)
            if fifths and coverage(score, spans) >= 0.85:
                return replace(by_number, spans=spans), coverage(score, spans), "transposed"
    return by_number, share, how


def _transposed(span: Span, fifths: int) -> Span:
    """Return a span with its keys moved along the line of fifths."""

    def moved(key: Key) -> Key:
        return Key(PitchClass.from_fifths(key.tonic.fifths + fifths), key.mode)

    others = tuple(replace(a, key=moved(a.key)) for a in span.alternatives)
    return replace(span, key=moved(span.key), alternatives=others)


def _labelled(spans: Iterable[Span]) -> Fraction:
    return sum((s.end - s.start for s in spans), Fraction(0))


def coverage(score: Score, spans: Sequence[Span]) -> float:
    """Return the share of sounding note time, under labels, that the labels' chord tones cover.

    Tones are compared by sounding pitch class; grace notes have no time and do not count. 0 when
    nothing is labelled.
    """
    notes = [n for n in score.notes if n.duration > 0 and not n.cue]
    inside = total = 0.0
    first = 0
    longest = max((n.duration for n in notes), default=Fraction(0))
    for span in spans:
        tones = span.numeral.chord(span.key).semitones
        while first < len(notes) and notes[first].onset < span.start - longest:
            first += 1
        for n in notes[first:]:
            if n.onset >= span.end:
                break
            overlap = float(min(n.end, span.end) - max(n.onset, span.start))
            if overlap > 0:
                total += overlap
                if n.midi % 12 in tones:
                    inside += overlap
    return inside / total if total else 0.0


def fitting(piece: Piece) -> Aligned | None:
    """Return a piece aligned, or None where its score cannot be read or its analysis does not fit it."""
    try:
        aligned = align(piece)
    except (UnderstaveError, ImportError):
        return None
    return aligned if aligned.coverage >= DROP else None


def fit_bars(document: Document, score: Score) -> dict[int, tuple[Fraction, Fraction]]:
    """Lay the text's bars on the score's bars so that chord tones cover most of what sounds.

    Going on to the next bar is free; passing over score bars costs by their number, a step back costs
    more, and a text bar may be left out at a cost. Found by dynamic programming over (text bar, last
    score bar used).
    """
    bars = bars_of(score)
    sounding = _sounding(score, bars)
    tones = _tones(document, score, sounding.shape[1])
    n, m = len(document.bars), len(bars)
    if not n or not m:
        return {}
    weight = sounding.reshape(m, -1).sum(axis=1)
    cover = tones.reshape(n, -1) @ sounding.reshape(m, -1).T / np.maximum(weight, 1e-9)
    gain = cover - 0.6
    gain[:, weight == 0] = 0.0
    steps = np.arange(m)[None, :] - np.arange(m)[:, None]  # [from, to]
    cost = np.where(steps > 1, np.minimum(0.3 + 0.25 * (steps - 1), 2.5), 0.0)
    cost = np.where(steps < 1, 2.0 + 0.01 * np.abs(steps), cost)
    leave_out = 0.3
    best = gain[0] - 0.1 * np.arange(m)
    used = np.ones((n, m), dtype=bool)
    came = np.tile(np.arange(m), (n, 1))
    for i in range(1, n):
        reached = best[:, None] - cost
        origin = np.argmax(reached, axis=0)
        placed_here = reached[origin, np.arange(m)] + gain[i]
        left = best - leave_out
        used[i] = placed_here >= left
        came[i] = np.where(used[i], origin, np.arange(m))
        best = np.where(used[i], placed_here, left)
    place = int(np.argmax(best))
    placed: dict[int, tuple[Fraction, Fraction]] = {}
    for i in range(n - 1, -1, -1):
        if used[i, place]:
            placed[i] = (bars[place].origin, bars[place].end)
        place = int(came[i, place])
    return dict(sorted(placed.items()))


def _sounding(score: Score, bars: Sequence[Bar]) -> np.ndarray:
    """Sounding time by score bar, sixteenth from beat 1, and pitch class: shape (bars, slots, 12)."""
    longest = max((b.end - b.origin for b in bars), default=Fraction(4))
    slots = min(64, int(longest * _SLOTS_PER_QUARTER) + 1)
    table = np.zeros((len(bars), slots, 12), dtype=np.float32)
    index = 0
    for note in score.notes:
        if note.duration == 0:
            continue
        while index + 1 < len(bars) and bars[index].end <= note.onset:
            index += 1
        k = index
        while k < len(bars) and bars[k].start < note.end:
            begin = float(max(note.onset, bars[k].start) - bars[k].origin) * _SLOTS_PER_QUARTER
            end = float(min(note.end, bars[k].end) - bars[k].origin) * _SLOTS_PER_QUARTER
            for slot in range(int(begin), min(slots, int(np.ceil(end)))):
                table[k, slot, note.midi % 12] += max(0.0, min(end, slot + 1) - max(begin, slot))
            k += 1
    return table


def _tones(document: Document, score: Score, slots: int) -> np.ndarray:
    """Chord tones by text bar, sixteenth from beat 1, and pitch class: shape (text bars, slots, 12)."""
    table = np.zeros((len(document.bars), slots, 12), dtype=np.float32)
    key: Key | None = None
    mask = np.zeros(12, dtype=np.float32)
    fallback = score.measures[0]
    for i, bar in enumerate(document.bars):
        meter = bar.meter or Meter.parse(f"{fallback.beats}/{fallback.beat_type}")
        beat = meter.beat_length if meter else Fraction(1)
        table[i, :] = mask
        for item in bar.items:
            if item.kind == "key":
                key = Key.parse(item.text.replace("-", "b"))
            elif item.kind == "numeral" and key is not None:
                try:
                    numeral: RomanNumeral = parse_numeral(item.text)
                except ValueError:
                    continue
                mask = np.zeros(12, dtype=np.float32)
                mask[list(numeral.chord(key).semitones)] = 1
                begin = int((item.beat - 1) * beat * _SLOTS_PER_QUARTER)
                if begin < slots:
                    table[i, begin:] = mask
    return table


def main() -> None:
    """Print the fit of every set."""
    from rich.console import Console
    from rich.progress import track
    from rich.table import Table

    parser = argparse.ArgumentParser(
        prog="python -m benchmarks.corpora", description="How well analyses fit scores."
    )
    parser.add_argument("--split", default="dev", choices=["dev", "train"])
    parser.add_argument("--sets", nargs="*", default=[])
    parser.add_argument("--limit", type=int, default=0, help="pieces per set at most")
    parser.add_argument("--list", action="store_true", help="name the pieces that were realigned or dropped")
    options = parser.parse_args()
    console = Console()
    by_set: dict[str, list[Piece]] = {}
    for piece in pieces(options.split, options.sets):
        by_set.setdefault(piece.set, []).append(piece)
    table = Table("set", "pieces", "median", f"under {DROP}", "realigned", "unread", "labels not read")
    for name, members in by_set.items():
        shares, dropped, realigned, unread, problems = [], 0, 0, 0, 0
        for piece in track(
            members[: options.limit or None], description=name, console=console, transient=True
        ):
            try:
                found = align(piece)
            except (UnderstaveError, ImportError) as error:
                unread += 1
                console.print(f"{piece.set}/{piece.name}: {error}")
                continue
            shares.append(found.coverage)
            dropped += found.coverage < DROP
            realigned += found.how != "numbers"
            problems += len(found.analyses[0].problems)
            if options.list and (
                found.coverage < DROP or found.how != "numbers" or found.analyses[0].problems
            ):
                console.print(
                    f"{piece.set}/{piece.name}: {found.how}, {found.coverage:.2f}, "
                    f"labelled {found.placed:.2f}"
                )
                for problem in found.analyses[0].problems[:4]:
                    console.print(f"    {problem}", markup=False)
        middle = f"{statistics.median(shares):.3f}" if shares else "-"
        table.add_row(
            name, str(len(shares)), middle, str(dropped), str(realigned), str(unread), str(problems)
        )
    console.print(table)


if __name__ == "__main__":
    main()
