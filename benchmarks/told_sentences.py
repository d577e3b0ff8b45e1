"""What a lesson tells, sentence by sentence, with the notes it is about in plain text, to be judged by hand.

In: a piece with its reading and plan. Out: `Said`, every sentence of its story (whole and in a minute), of
its stops (titles, texts, questions with answers, advice), its plan, exercises, contrasts and cards. `drawn`
yields pieces on which nothing about claims was tuned: of songs, keyboard music and quartets as many each, a
fresh hand for every `hand`, none of them among the sixty of `benchmarks.claims`.
"""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import groupby
from pathlib import Path
from typing import TypeVar

from benchmarks.data import data_folder
from understave.harmony.reading import Reading
from understave.interpretation.plan import Plan
from understave.score.model import Measure, Note, Score, beat_text
from understave.teaching.contrasts import contrasts
from understave.teaching.exercises import exercises
from understave.teaching.narrative import LENGTHS, narrate
from understave.teaching.stops import Stop, propose_stops
from understave.theory.names import key_name
from understave.wording import plain
from understave.wording.playing import tell_plan
from understave.wording.telling import key_stretches

EACH = 4
"""Pieces of each kind in a hand."""
LARGEST = {".mxl": 130_000, ".krn": 300_000, ".musicxml": 1_300_000}
COMPOSERS = tuple(
    "bizet brahms chaminade cornelius faure franz grandval haydn hensel jaell kinkel lang mendelssohn "  # noqa: SIM905
    "reichardt schubert schumann stanford viardot wolf arriaga boccherini grieg hoffmeister maier mayer "
    "saint-georges beach".split()
)
"""Whose songs and quartets are drawn."""
LATER = (
    *(
        "borodin",
        "cherubini",
        "dvorak",
        "glazunov",
        "glinka",
        "gounod",
        "gouvy",
        "haydn",
        "kalliwoda",
        "moeran",
    ),
    *("nielsen", "smetana", "smyth"),
)
"""Whose songs and quartets, of any length, are drawn when all pieces of these have been."""
LAST = ("busoni", "carreno", "krzyzanowska", "strauss")
"""Whose quartets are drawn when all pieces of those have been, too."""
FOURS = (
    (
        "brahms-string-quartet-no-3",
        "mendelssohn-string-quartet-no-6",
        "schubert-string-quartet-in-d-minor",
        "schumann-string-quartet-no-3",
    ),
    (
        "brahms-string-quartet-no-2",
        "mendelssohn-string-quartet-no-1",
        "mendelssohn-string-quartet-no-4",
        "stanford-string",
    ),
    (
        "mayer-string-quartet-in-a-major",
        "mayer-string-quartet-in-e-minor",
        "elgar-string",
        "muller-hermann-string",
    ),
    ("indy-string-quartet", "ravel-string-quartet", "reger-string-quartet", "wolf-string-quartet"),
)
"""Quartets that are drawn after those: what is left was read when sentences were mended."""
T = TypeVar("T")
SHARES = {"contrast": 1, "exercise": 1, "story": 3, "plan": 3, "stop": 3}
"""How many sentences of each kind of text are drawn: of the plan's many alike lines fewer than there are."""
_SENTENCE = re.compile(r"(?<=[.!?]) (?=[A-Z“])")
_SHOWN = 5
"""Bars printed for one sentence at most."""


@dataclass(frozen=True, slots=True)
class Said:
    """A sentence that a lesson tells: in which of its texts, at which moments, on which notes."""

    where: str
    text: str
    start: Fraction
    end: Fraction
    whole: bool = False


def drawn(hand: int, tuned: Collection[Path]) -> Iterator[tuple[str, Path]]:
    """Yield the kind and the file of the pieces of a hand, 1 for the first."""
    data = data_folder()
    pools = {
        "songs": [sorted((data / "songs").glob("*.mxl"))],
        "keyboard": [
            sorted(f for d in ("performance", "performance-earlier") for f in (data / d).rglob("*.musicxml")),
            sorted((data / "harmony/dev/mazurkas").rglob("*.krn")),
        ],
        "quartets": [sorted((data / "quartets-unlabelled").glob("*.mxl"))],
    }
    for kind, folders in pools.items():
        shuffled = []
        for folder in folders:
            small = [f for f in folder if f not in tuned and f.stat().st_size <= LARGEST[f.suffix]]
            fit = [f for f in small if f.suffix != ".mxl" or f.name.startswith(COMPOSERS)]
            random.Random(kind).shuffle(fit)
            for composers in (LATER, LAST, *FOURS):
                fit += [f for f in folder if f not in (*tuned, *fit) and f.name.startswith(composers)]
            shuffled.append(fit)
        each = EACH // len(shuffled)
        for fit in shuffled:
            yield from ((kind, f) for f in fit[(hand - 1) * each : hand * each])


def said(score: Score, reading: Reading, plan: Plan) -> tuple[Said, ...]:
    """Return every sentence of a lesson of fifteen minutes, each text once."""
    found = dict.fromkeys(_all(score, reading, plan))
    known: set[tuple[str, str]] = set()
    once = []
    for s in found:
        name = s.where.partition(",")[0], s.text
        if s.text and name not in known:
            known.add(name)
            once.append(s)
    return tuple(once)


def _all(score: Score, reading: Reading, plan: Plan) -> Iterator[Said]:
    for length in (n for n in LENGTHS if n != "five"):
        lines = (x for chapter in narrate(score, reading, length) for x in chapter.lines)
        # What is heard, why and what follows for the hands stand or fall together.
        for (start, events), group in groupby(lines, key=lambda x: (x.start, x.events)):
            row = list(group)
            end = max([start, *(e.end for e in events[:1])])
            yield Said(f"story, {length}", plain(" ".join(x.text for x in row)), start, end, not row[0].place)
    heard = contrasts(score, reading)
    stops = propose_stops(score, reading, plan, heard=heard)
    for s in stops:
        yield from _of_stop(score, s)
    for a in tell_plan(score, plan):
        if a.why:
            yield Said(f"plan, {a.aspect}", plain(f"{a.what}. {a.why}"), a.moment, a.moment)
    for e in exercises(score, reading):
        yield Said(f"exercise, {e.kind}", plain(f"{e.prompt(score)} {e.answer(score)}"), e.start, e.end)
    for c in heard:
        bars = score.measures[c.first].start, score.measures[c.last].end
        yield Said("contrast", plain(c.words(score)), *bars)


def _of_stop(score: Score, stop: Stop) -> Iterator[Said]:
    """The title, every sentence, the question and the advice; its card has title, question and answer."""
    bars = score.measures[stop.first].start, score.measures[stop.last].end
    for text in _SENTENCE.split(plain(stop.say["intermediate"])):
        yield Said("stop, text", f"({plain(stop.title)}) {text}", *bars)
    if stop.question:
        yield Said("stop, question", plain(f"({stop.title}) {stop.question} {stop.answer}"), *bars)
    if stop.play:
        yield Said("stop, advice", f"({plain(stop.title)}) {plain(stop.play)}", *bars)


def spread(told: Sequence[T], said_of: Callable[[T], Said], count: int, seed: int) -> list[T]:
    """Draw so many sentences at random, of each kind of text as many as its share in `SHARES`."""
    chosen: list[T] = []
    left = count
    for k, (text, share) in enumerate(SHARES.items()):
        here = [t for t in told if said_of(t).where.partition(",")[0] == text]
        wanted = left if k == len(SHARES) - 1 else round(count * share / sum(SHARES.values()))
        drawn_here = random.Random(f"{seed} {text}").sample(here, min(wanted, len(here)))
        chosen += drawn_here
        left -= len(drawn_here)
    return chosen


def notes_in_bars(score: Score, reading: Reading, start: Fraction, end: Fraction) -> str:
    """Return the bars about a stretch in plain text: per staff and voice what is struck, beat, pitch, length
    in quarters; with the chords read; from the bar before to the bar after it, five at most.
    """
    first, last = score.measures_over(start, max(end, start + Fraction(1, 64)))
    low = max(0, first.index - 1)
    bars = score.measures[low : min(last.index + 2, low + _SHOWN)]
    lines = []
    for bar in bars:
        lines.append(f"    bar {bar.number}: {_chords(reading, score, bar)}{_signs(score, bar)}")
        voices: dict[tuple[int, str], list[Note]] = {}
        for n in score.notes:
            if bar.start <= n.onset < bar.end:
                voices.setdefault((n.staff, n.voice), []).append(n)
        lines += [f"      staff {s} voice {v}: {_row(score, row)}" for (s, v), row in sorted(voices.items())]
    return "\n".join(lines)


def _row(score: Score, notes: list[Note]) -> str:
    moments: dict[tuple[Fraction, bool], list[Note]] = {}
    for n in notes:
        moments.setdefault((n.onset, n.grace), []).append(n)
    parts = []
    for (at, grace), here in moments.items():
        tones = " ".join(f"{n.pitch}({n.duration}{'*' if n.fermata else ''})" for n in here)
        sung = "♪" if any(n.lyrics for n in here) else ""
        parts.append(f"{beat_text(score.beat_at(at))}{'g' if grace else ''}{sung} {tones}")
    return "; ".join(parts)


def _chords(reading: Reading, score: Score, bar: Measure) -> str:
    here = [s for s in reading.spans if s.start < bar.end and s.end > bar.start]
    return ", ".join(f"{beat_text(score.beat_at(max(s.start, bar.start)))} {s.key} {s.numeral}" for s in here)


def _signs(score: Score, bar: Measure) -> str:
    found = [
        f"{beat_text(score.beat_at(d.onset))} {d.text or d.kind}"
        for d in score.directions
        if bar.start <= d.onset < bar.end
    ]
    return f" [printed: {'; '.join(found)}]" if found else ""


def keys_of(score: Score, reading: Reading) -> str:
    """Return the keys read, with the bars in which they begin, for a sentence on the whole piece."""
    runs = (f"{key_name(k, 'en')} from {score.anchor(a)[0]}" for k, a, _ in key_stretches(reading))
    return "    keys: " + "; ".join(runs) + f"; {len(score.measures)} bars in all"
