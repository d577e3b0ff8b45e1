"""Shared by every reader: bars laid out in time, and tied notes joined.

In: measures with their contents' lengths, and written notes with their tie marks. Out: measures with
starts, offsets in the meter and printed numbers, and the sorted notes of a `Score`.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import groupby

from understave.errors import ScoreError
from understave.score.model import Measure, Note
from understave.score.remarks import Remark

LONGEST = 2000
"""Quarter notes that a bar may hold; far above any real one, and low enough to be written out."""
MOST_BEATS, SMALLEST_BEAT = 1000, 512
"""A meter has fewer beats, none smaller than this part of a whole note; any other is damaged."""
ROUNDING = Fraction(1, 16)
"""Largest gap, in quarter notes, across which a tie is still joined in files with rounded times."""


@dataclass(frozen=True, slots=True)
class Written:
    """One written note and its tie marks; `note.ids` holds its one id."""

    note: Note
    tie_start: bool = False
    tie_stop: bool = False


def sort_key(note: Note) -> tuple[float, bool, int, int, int]:
    """Order of `Score.notes`: onset, grace notes first, then pitch, then place on the page."""
    return (note.at, not note.grace, 0 if note.grace else note.midi, note.part, note.staff)


def in_order(articulations: Sequence[str]) -> tuple[str, ...]:
    """Articulations with slurs last, those that end before those that begin."""
    places = {"slur-stop": 1, "slur-start": 2}
    return tuple(sorted(articulations, key=lambda a: places.get(a, 0)))


def _joined(first: Note, then: Note) -> Note:
    return replace(
        first,
        duration=then.end - first.onset,
        ids=first.ids + then.ids,
        ornaments=first.ornaments + tuple(o for o in then.ornaments if o not in first.ornaments),
        articulations=in_order(
            first.articulations + tuple(a for a in then.articulations if a not in first.articulations)
        ),
        fingering=first.fingering + then.fingering,
        fermata=first.fermata or then.fermata,
        arpeggiated=first.arpeggiated,
        lyrics=first.lyrics + then.lyrics,
    )


def join_ties(written: Iterable[Written]) -> tuple[Note, ...]:
    """Join tied notes and sort.

    A tie ends on the note of the same part and sounding pitch that begins where the tied note ends:
    of several the one spelled alike, then in the same voice and staff, the same voice, the same staff,
    any. A tie into a second ending has no note right before it; it stays a note of its own.
    """
    done: list[Note] = []
    waiting: dict[tuple[int, int], list[int]] = {}
    for _, group in groupby(
        sorted(written, key=lambda written: written.note.at), key=lambda written: written.note.at
    ):
        heads = list(group)
        partners = _tie_partners(heads, done, waiting)
        for k, w in enumerate(heads):
            slot = partners.get(k)
            if slot is None:
                slot = len(done)
                done.append(w.note)
            else:
                done[slot] = _joined(done[slot], w.note)
            if w.tie_start and not w.note.grace:
                waiting.setdefault((w.note.part, w.note.midi), []).append(slot)
    return tuple(sorted(done, key=sort_key))


def _tie_partners(
    heads: list[Written], done: list[Note], waiting: dict[tuple[int, int], list[int]]
) -> dict[int, int]:
    """Match notes of one moment with the notes waiting for the end of their tie, best pairs first.

    Returns, for indexes of `heads`, indexes of `done`; takes those that are matched out of `waiting`.
    """
    pairs = []
    for k, written in enumerate(heads):
        if not written.tie_stop or written.note.grace:
            continue
        for slot in waiting.get((written.note.part, written.note.midi), ()):
            before, note = done[slot], written.note
            gap = abs(before.end - note.onset)
            if before.onset < note.onset and gap <= ROUNDING:
                differs = (before.written.letter != note.written.letter, before.voice != note.voice)
                pairs.append((gap, *differs, before.staff != note.staff, k, slot))
    partners: dict[int, int] = {}
    for *_, k, slot in sorted(pairs):
        if k not in partners and slot not in partners.values():
            partners[k] = slot
            waiting[heads[k].note.part, heads[k].note.midi].remove(slot)
    return partners


def meter_filled_by(length: Fraction) -> tuple[int, int]:
    """Return beats and beat unit of a meter that a bar without one fills, in quarters or shorter units."""
    unit = 4
    while (length * unit / 4).denominator > 1 and unit < 64:
        unit *= 2
    return max(1, int(length * unit / 4)), unit


def lay_out(
    bars: Sequence[Measure],
    implicit: Collection[int] = (),
    fresh: Collection[int] = (),
) -> tuple[tuple[Measure, ...], tuple[str, ...]]:
    """Give bars their index, start, offset in the meter and number; return them and warnings.

    `bars` come in order with `length`, meter and `number` as in the file. `implicit` holds indexes
    whose number is not printed, `fresh` indexes that begin a new section (after a final or double bar,
    or with a new tempo or meter), where a short bar is a pickup. Rules (common practice, no source):
    a short first bar is a pickup and ends on the barline, and so does a later short bar of the same
    length after a full one; a short bar after a short bar goes on where that one stopped if both fit in
    one meter; a second ending goes on from where the first one began. Raises UnderstaveError for a bar
    of absurd length.
    """
    out: list[Measure] = []
    wrong: list[Measure] = []
    start = Fraction(0)
    at = Fraction(0)  # place in the meter where the bar before stopped; 0 after a full bar
    before_ending = Fraction(0)
    number = ""
    for i, bar in enumerate(bars):
        if max(bar.length, bar.full_length) > LONGEST:
            length = max(bar.length, bar.full_length)
            held = plain(min(length, Fraction(1_000_000)))
            raise ScoreError(
                Remark(
                    "bar_long",
                    "Bar {bar} would hold {held} quarter notes or more, which no music does; correct its "
                    "note values or its meter.",
                    bar=bar.number,
                    held=held,
                )
            )
        if i and bar.full_length != bars[i - 1].full_length:
            at = Fraction(0)
        if i and bar.ending and bar.ending != bars[i - 1].ending:
            if bars[i - 1].ending:
                at = before_ending
            else:
                before_ending = at
        offset = _offset(bars, i, at, implicit, fresh)
        shown = _shown_number(bars, i, number, bool(offset and offset == at), i in implicit)
        if number_of(shown) or not number:
            number = shown
        out.append(replace(bar, index=i, number=shown, start=start, offset=offset))
        if _is_wrong(bars, i, offset, implicit, fresh):
            wrong.append(out[-1])
        start += bar.length
        at = offset + bar.length
        if at >= bar.full_length:
            at = Fraction(0)
    return tuple(out), _about_wrong(wrong)


_TOLD = 4
"""Wrong bars told one by one; of more only the first is, and the numbers of some: nobody reads forty."""


def _about_wrong(wrong: Sequence[Measure]) -> tuple[str, ...]:
    told = [
        (bar.number, plain(bar.length), f"{bar.beats}/{bar.beat_type}", plain(bar.full_length))
        for bar in wrong
    ]
    if len(told) <= _TOLD:
        return tuple(
            Remark(
                "bar_wrong",
                "Bar {bar} holds {held} quarter notes where its meter {meter} asks for {due}; it is "
                "kept as it is.",
                bar=number,
                held=held,
                meter=meter,
                due=due,
            )
            for number, held, meter, due in told
        )
    (number, held, meter, due), *others = told
    many = Remark(
        "bar_wrong_many",
        "Bar {bar} holds {held} quarter notes where its meter {meter} asks for {due}, and {more} more bars "
        "do not fit their meter ({bars}); they are kept as they are.",
        bar=number,
        held=held,
        meter=meter,
        due=due,
        more=len(others),
        bars=", ".join(other for other, *_ in others[:8]) + (" …" if len(others) > 8 else ""),
    )
    return (many,)


def _offset(
    bars: Sequence[Measure], i: int, at: Fraction, implicit: Collection[int], fresh: Collection[int]
) -> Fraction:
    """Place in the meter where bar `i` begins, when the bar before stopped at `at` (0 if it was full)."""
    bar, after = bars[i], bars[i + 1] if i + 1 < len(bars) else None
    rest = bar.full_length - bar.length
    if rest <= 0:
        return Fraction(0)
    if at and at <= rest:
        return at
    halves = after is not None and after.full_length == bar.full_length and after.length == rest
    if i == 0:
        numbered = 0 not in implicit and number_of(bar.number) != "0"
        return Fraction(0) if halves and 1 in implicit and numbered else rest
    if halves or after is None or bar.repeat_end:
        return Fraction(0)
    after_full = bars[i - 1].length >= bars[i - 1].full_length
    like_first = after_full and bar.length == bars[0].length < bars[0].full_length
    return rest if i in implicit or i in fresh or like_first else Fraction(0)


def _shown_number(bars: Sequence[Measure], i: int, number: str, going_on: bool, implicit: bool) -> str:
    """Number printed for bar `i`, when the bar before has `number`.

    The second part of a split bar has the number of the first, an unnumbered pickup at the beginning
    is bar 0, any other bar without a number that of the bar before and an ``a``.
    """
    own = bars[i].number.strip()
    if going_on and number and (implicit or own == number or not number_of(own)):
        return number
    if i == 0 and implicit and not (len(bars) > 1 and bars[1].number.strip() == "2"):
        return "0"
    if not number_of(own):
        return f"{number}a" if number else str(i + 1)
    return own


def _is_wrong(
    bars: Sequence[Measure], i: int, offset: Fraction, implicit: Collection[int], fresh: Collection[int]
) -> bool:
    """Say whether bar `i` is longer than its meter, or shorter without being part of a bar."""
    bar, after = bars[i], bars[i + 1] if i + 1 < len(bars) else None
    if bar.length > bar.full_length:
        return True
    if not bar.length or offset + bar.length == bar.full_length or i == 0 or after is None:
        return False
    goes_on = after.length < after.full_length and bar.length + after.length <= bar.full_length
    return not (goes_on or bar.repeat_end or bar.ending or i + 1 in fresh or i in implicit)


def number_of(text: str) -> str:
    """Return the digits a bar number begins with, ``""`` if it does not begin with one (``"X1"``)."""
    m = re.match(r"\s*(\d+)", text)
    return m[1] if m else ""


_ROUND_FROM = 10**6


def plain(value: Fraction) -> str:
    """Return a number of quarter notes as people write it: ``"3.5"``, ``"2 2/3"``; long ones rounded."""
    if value >= _ROUND_FROM:
        return f"over {_ROUND_FROM}"
    if value.denominator > _ROUND_FROM:
        return f"about {float(value):g}"
    whole, rest = divmod(value, 1)
    if not rest:
        return str(whole)
    if 1000 % rest.denominator == 0:
        return f"{float(value):g}"
    return f"{whole} {rest}" if whole else str(rest)
