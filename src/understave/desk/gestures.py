"""What the teacher does at the desk -> corrections.

In: the score, its spans, and a gesture with the exact moments it means. Out: the `Correction`s of one step.
Every function raises UnderstaveError in words for the page where the gesture makes no sense.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

from understave.errors import DeskError
from understave.harmony import key_plan
from understave.harmony.carrying import Offer, offers
from understave.harmony.change_points import change_points
from understave.harmony.naming import numeral_for
from understave.harmony.reading import Correction, Span
from understave.harmony.typed import Entry, Kind, typed_chords, typed_key, with_key
from understave.score.model import Score, beat_text
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral


@dataclass(frozen=True, slots=True)
class Spelled:
    """What a typed text means, before it is kept: as what it was read, and each chord from when to when."""

    kind: Kind
    chords: tuple[tuple[Fraction, Fraction, Key, RomanNumeral], ...]


def spelled(
    score: Score, spans: Sequence[Span], start: Fraction, text: str, entry: Entry = "english"
) -> Spelled:
    """Read a text for the span that begins at `start` as `label` takes it."""
    span = _span_at(spans, start)
    named, rest = with_key(text, entry)
    key = named or span.key
    typed = typed_chords(rest, key, entry)
    chords = [numeral.chord(key) for numeral in typed.numerals]
    moments = (span.start, *change_points(score, span.start, span.end, chords), span.end)
    parts = zip(pairwise(moments), typed.numerals, strict=True)
    return Spelled(typed.kind, tuple((a, b, key, numeral) for (a, b), numeral in parts))


def label(
    score: Score, spans: Sequence[Span], start: Fraction, text: str, entry: Entry = "english"
) -> tuple[Correction, ...]:
    """Set the chord of the span that begins at `start`, as `harmony.typed` reads it.

    A key with it (``Ab: V7``, ``in Ab, V7``) sets the key too. Figures that move make a chord of each,
    parted where the notes change.
    """
    return tuple(_set(score, *part) for part in spelled(score, spans, start, text, entry).chords)


def take(score: Score, spans: Sequence[Span], start: Fraction, index: int) -> tuple[Correction, ...]:
    """Set a span to one of its alternatives; -1 confirms the label it has."""
    span = _span_at(spans, start)
    if index == -1:
        return (_set(score, span.start, span.end, span.key, span.numeral),)
    if not 0 <= index < len(span.alternatives):
        raise DeskError("This chord has no such alternative any more; look at it again and choose.")
    other = span.alternatives[index]
    return (_set(score, span.start, span.end, other.key, other.numeral),)


def confirm_keys(
    score: Score, spans: Sequence[Span], start: Fraction, starts: Sequence[Fraction]
) -> tuple[Correction, ...]:
    """Say that the stretches of the plan of keys that begin at `starts` are in the keys they have."""
    del start  # that of the whole plan
    plan = key_plan.key_plan(spans)
    numbers = [number for number, stretch in enumerate(plan, 1) if stretch.start in set(starts)]
    if not starts or len(numbers) != len(set(starts)):
        raise DeskError("These keys are not as they were; look at them again.")
    return key_plan.confirm(score, plan, numbers)


def rename_key(
    score: Score, spans: Sequence[Span], start: Fraction, text: str, entry: Entry = "english"
) -> tuple[Correction, ...]:
    """Give the stretch of the plan of keys that begins at a moment another key."""
    plan = key_plan.key_plan(spans)
    return key_plan.rename(score, spans, plan, _stretch_at(plan, start), typed_key(text, entry))


def join_key(score: Score, spans: Sequence[Span], start: Fraction) -> tuple[Correction, ...]:
    """Let the key of a stretch last through the one after it."""
    plan = key_plan.key_plan(spans)
    return key_plan.join(score, spans, plan, _stretch_at(plan, start))


def _stretch_at(plan: Sequence[key_plan.Stretch], start: Fraction) -> int:
    found = next((number for number, stretch in enumerate(plan, 1) if stretch.start == start), None)
    if found is None:
        raise DeskError("No key begins there any more; look at the keys again.")
    return found


def name(score: Score, spans: Sequence[Span], start: Fraction, text: str) -> tuple[Correction, ...]:
    """Set the chord of the span that begins at `start` to a numeral in the standard's form, in its key."""
    span = _span_at(spans, start)
    try:
        numeral = RomanNumeral.parse(text)
        numeral.chord(span.key)
    except ValueError as error:
        raise DeskError(f"“{text}” is no numeral here; play the chord again.") from error
    return (_set(score, span.start, span.end, span.key, numeral),)


def offered(score: Score, spans: Sequence[Span], start: Fraction) -> tuple[Offer, ...]:
    """Return where the chord that begins at `start`, which the teacher has set, might hold too."""
    span = _span_at(spans, start)
    return (
        offers(score, spans, (_set(score, span.start, span.end, span.key, span.numeral),))
        if span.fixed
        else ()
    )


def carry(
    score: Score, spans: Sequence[Span], start: Fraction, to: Sequence[Fraction]
) -> tuple[Correction, ...]:
    """Set the chord that begins at `start` also at the moments chosen among those `offered`, as one step."""
    found = {offer.start: offer.correction for offer in offered(score, spans, start)}
    if not to:
        raise DeskError("Choose a place first, or leave the others as they are.")
    if not set(to) <= set(found):
        raise DeskError("These bars do not offer that chord any more; look at the places again.")
    return tuple(found[moment] for moment in sorted(set(to)))


def split(score: Score, spans: Sequence[Span], start: Fraction, at: Fraction) -> tuple[Correction, ...]:
    """Part a span in two at a moment inside it; both keep its label until one is given another."""
    span = _span_at(spans, start)
    if not span.start < at < span.end:
        raise DeskError("A chord can be parted only at a moment inside it.")
    return tuple(_set(score, a, b, span.key, span.numeral) for a, b in ((span.start, at), (at, span.end)))


def join(score: Score, spans: Sequence[Span], start: Fraction) -> tuple[Correction, ...]:
    """Let the span that begins at `start` last through the one after it."""
    span = _span_at(spans, start)
    following = next((s for s in spans if s.start == span.end), None)
    if following is None:
        raise DeskError("No chord comes after the last one, so there is nothing to join it to.")
    return (_set(score, span.start, following.end, span.key, span.numeral),)


def move(score: Score, spans: Sequence[Span], start: Fraction, to: Fraction) -> tuple[Correction, ...]:
    """Move the boundary at which the span beginning at `start` begins; both neighbours keep their labels."""
    span = _span_at(spans, start)
    before = next((s for s in spans if s.end == span.start), None)
    if before is None:
        raise DeskError("The first chord begins where the music begins; its start cannot be moved.")
    if not before.start < to < span.end:
        raise DeskError("A boundary can be moved only between its two chords; join them instead.")
    return (
        _set(score, before.start, to, before.key, before.numeral),
        _set(score, to, span.end, span.key, span.numeral),
    )


def set_key(
    score: Score,
    spans: Sequence[Span],
    start: Fraction,
    end: Fraction | None,
    text: str,
    entry: Entry = "english",
) -> tuple[Correction, ...]:
    """Set the key from a moment to another, or as far as the key there lasts.

    Chords that the teacher has set inside keep sounding the same and are named in the new key.
    """
    key = typed_key(text, entry)
    inside = next((i for i, span in enumerate(spans) if span.start <= start < span.end), None)
    if inside is None:
        raise DeskError("Nothing sounds there, so it has no key.")
    if end is None:
        last = inside
        while last + 1 < len(spans) and spans[last + 1].key == spans[inside].key:
            last += 1
        end = spans[last].end
    if end <= start:
        raise DeskError("A key must last for a while: its end lies before its beginning.")
    found = [_set(score, start, end, key, None)]
    for i, span in enumerate(spans):
        if span.fixed and span.start < end and span.end > start:
            following = spans[i + 1].numeral.chord(spans[i + 1].key) if i + 1 < len(spans) else None
            named = numeral_for(span.numeral.chord(span.key), key, following)
            found.append(_set(score, max(span.start, start), min(span.end, end), key, named))
    return tuple(found)


def move_key(score: Score, spans: Sequence[Span], start: Fraction, to: Fraction) -> tuple[Correction, ...]:
    """Let the key that begins at `start` begin at `to` instead."""
    index = next((i for i, span in enumerate(spans) if span.start == start), None)
    if index is None or index == 0 or spans[index - 1].key == spans[index].key:
        raise DeskError("No key begins there; set one instead.")
    if to == start:
        raise DeskError("The key begins there already.")
    if to < start:
        return set_key(score, spans, to, start, spans[index].key.symbol)
    return set_key(score, spans, start, to, spans[index - 1].key.symbol)


def place(score: Score, moment: Fraction) -> str:
    """Say where a moment is, ``bar 12, beat 2.5``."""
    name, beat = score.anchor(moment)
    return f"bar {name}, beat {beat_text(beat)}"


def _set(
    score: Score, start: Fraction, end: Fraction, key: Key | None, numeral: RomanNumeral | None
) -> Correction:
    return Correction(*score.anchor(start), *score.anchor(end), key, numeral)


def _span_at(spans: Sequence[Span], start: Fraction) -> Span:
    found = next((span for span in spans if span.start == start), None)
    if found is None:
        raise DeskError("No chord begins there any more; look at the place again and choose.")
    return found
