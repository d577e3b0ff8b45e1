"""How unlikely something is in its place, in bits.

In: a Score's Reading and an event of it. Out: `surprise`, a number of bits: how unlikely the chord is after
the one before it (shares counted over published analyses, in degree form: `harmony.grammar`), how rare the
finding is in songs at large (`commonness.json`, made by ``training/commonness.py`` from the OpenScore Lieder
Corpus, CC0), and how rare it is in this very piece. A chord of which the reader is unsure surprises less.
"""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property, lru_cache
from importlib.resources import files
from math import log, log2
from typing import Any

from understave.findings.applied import APPLIED_CHORD
from understave.findings.cadences import CADENCE, PICARDY
from understave.findings.chromatic import CHROMATIC_CHORD
from understave.findings.form import SECTION
from understave.findings.keyplan import KEY, PIVOT_CHORD
from understave.findings.melody import MELODY
from understave.findings.modes import MODE_SWITCH
from understave.findings.reheard import ENHARMONIC_PIVOT
from understave.findings.remembered import remembered
from understave.findings.sixfours import BASS_SEVENTH
from understave.harmony.grammar import HIGH, LOW, TOKENS, shipped_statistics, token_name
from understave.harmony.reading import Event, Reading, Span
from understave.theory.chord import Quality

CHORDS = frozenset(
    kind.name
    for kind in (
        CHROMATIC_CHORD,
        APPLIED_CHORD,
        ENHARMONIC_PIVOT,
        MODE_SWITCH,
        PICARDY,
        CADENCE,
        BASS_SEVENTH,
        PIVOT_CHORD,
    )
)
"""Kinds of events that stand and fall with a chord, whose own surprise then counts."""
MOST_BITS = 12.0
"""Bits at most: beyond, a table of some ten thousand bars knows nothing (set by its size)."""
_HALF = 0.5
"""Added to each count, so that what was never met is rare, not impossible (the usual pseudo-count)."""


def rarity_name(event: Event) -> str:
    """Return the name under which a finding is counted: its kind and label, a key by its relation to home."""
    if event in MELODY and event.label == "enters":
        # Counted over songs is the introduction that it ends.
        return f"{SECTION.name}.introduction"
    key = KEY.of(event)
    return f"{event.kind}.{event.label}" if key is None else f"{event.kind}.{event.label}.{key.relation}"


@lru_cache(maxsize=1)
def _common() -> dict[str, Any]:
    text = files("understave.teaching").joinpath("commonness.json").read_text(encoding="utf-8")
    table: dict[str, Any] = json.loads(text)
    return table


@lru_cache
def rarity(name: str) -> float:
    """Return how rare a finding is, in bits for each bar: 0 where every bar has one; at most `MOST_BITS`."""
    table = _common()
    times = table["found"].get(name, (0, 0))[1]
    return min(MOST_BITS, max(0.0, log2((table["bars"] + 1) / (times + _HALF))))


@lru_cache(maxsize=1)
def _tokens() -> dict[str, int]:
    return {token_name(t): t for t in range(TOKENS)}


def _token(span: Span) -> int | None:
    """The number of a chord in degree form, None for a quality that was not counted."""
    chord = span.numeral.chord(span.key)
    above = min(HIGH, max(LOW, chord.root.fifths - span.key.tonic.fifths))
    turned = chord.inversion == 2 and chord.quality in (Quality.MAJOR, Quality.MINOR)
    return _tokens().get(f"{above:+d} {chord.quality.value}{'64' if turned else ''}")


def chord_bits(before: Span, span: Span) -> float:
    """Return how unlikely a chord is after the one before it, both heard in the later one's key, in bits.

    What the reader doubts is discounted by its probability.
    """
    heard = _token(_in_key(before, span)), _token(span)
    if heard[0] is None or heard[1] is None:
        return MOST_BITS / 2
    mode = 0 if span.key.mode == "major" else 1
    share = float(shipped_statistics().succession[mode, heard[0], heard[1]])
    return min(MOST_BITS, -share / log(2)) * span.confidence


def _in_key(before: Span, span: Span) -> Span:
    """The chord before, as it reads in the key of the one after it."""
    if before.key == span.key:
        return before
    chord = before.numeral.chord(before.key)
    names = type(before.numeral).of(chord, span.key)
    numeral = next(iter(names), before.numeral)
    return Span(before.start, before.end, span.key, numeral, before.confidence)


@dataclass(frozen=True)
class Expectations:
    """What a reading makes expected: the bits of every chord, and how often each finding comes in it."""

    reading: Reading

    @cached_property
    def chords(self) -> dict[int, float]:
        """Bits of each span, by its place in the reading."""
        spans = self.reading.spans
        return {k: chord_bits(spans[k - 1], span) if k else 0.0 for k, span in enumerate(spans)}

    @cached_property
    def often(self) -> Counter[str]:
        """How often each finding comes in the piece."""
        return Counter(rarity_name(event) for event in self.reading.events)

    @cached_property
    def bars(self) -> float:
        """The length of the piece in spans, as a measure of how much could happen."""
        return float(max(8, len(self.reading.spans)))

    def of(self, event: Event) -> float:
        """Return the surprise of an event in bits, 0 to `MOST_BITS`."""
        name = rarity_name(event)
        at_large = rarity(name)
        here = min(MOST_BITS, max(0.0, log2(self.bars / self.often[name]))) if self.often[name] else at_large
        general = 0.7 * at_large + 0.3 * here
        if event.kind not in CHORDS:
            return general
        found = [
            self.chords[k]
            for k, span in enumerate(self.reading.spans)
            if span.start < event.end + _AFTER and span.end > event.start
        ]
        return 0.5 * general + 0.5 * max(found[:3], default=general)


_AFTER = Fraction(1, 2)
"""Quarter notes after an event in which the chord that it leads to still counts as its own."""


@remembered
def expectations(reading: Reading) -> Expectations:
    """Return what a reading makes expected, worked out once."""
    return Expectations(reading)
