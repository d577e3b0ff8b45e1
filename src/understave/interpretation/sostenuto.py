"""Score and the foot's moves -> basses that only the middle pedal can hold, on a piano that has one.

The sostenuto pedal keeps up the dampers of the keys that are down as it comes (in concert grands since the
1870s; common practice, no source). It is proposed where a bass is written to last a bar or more, its hand
must leave it for notes out of reach while the other hand plays, and the right pedal has to change meanwhile
since old notes would clash with new ones. It must catch the bass alone: as it comes nothing else is down that
is not to last as long, and the right pedal is up, or just lets go, since it would have all dampers caught.
That is rare. Hands are a pianist's: the staves of an ensemble are none.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from fractions import Fraction

from understave.interpretation.pedal_habit import HAND
from understave.interpretation.pedal_reasons import PEDALLING, PedallingDetails
from understave.interpretation.plan import PedalMove, Sustained
from understave.score.model import Note, Score

LOW = 48
"""C3: what the pedal is proposed for lies below it (set by ear)."""


def sostenuto(score: Score, moves: Sequence[PedalMove]) -> tuple[Sustained, ...]:
    """Return where the middle pedal is proposed, in order of time, one after the other."""
    found: list[Sustained] = []
    played = _hands(score)
    for bass in _basses(score, played):
        one = _proposed(score, played, bass, moves)
        if one is not None and (not found or found[-1].end <= one.start):
            found.append(one)
    return tuple(found)


def _hands(score: Score) -> tuple[Note, ...]:
    """Return what the pianist strikes: the last keyboard, or the only two parts if each is called the same
    (a hand each); nothing in music for others.
    """
    alike = len(score.parts) == 2 and len({part.name for part in score.parts}) == 1
    own = set(score.keyboards[-1] if score.keyboards else (0, 1) if alike else ())
    return tuple(note for note in score.struck if note.part in own)


def _basses(score: Score, played: Sequence[Note]) -> Iterator[tuple[Note, ...]]:
    """Yield the low notes of the lowest staff that are struck together and written to last a bar or more."""
    lowest = max((note.staff for note in played), default=0)
    at: dict[Fraction, list[Note]] = defaultdict(list)
    for note in played:
        long = note.duration >= score.measure_at(note.onset).full_length
        if note.staff == lowest and note.midi < LOW and long:
            at[note.onset].append(note)
    yield from (tuple(at[onset]) for onset in sorted(at))


def _proposed(
    score: Score, played: Sequence[Note], bass: Sequence[Note], moves: Sequence[PedalMove]
) -> Sustained | None:
    start, end, staff = bass[0].onset, min(note.end for note in bass), bass[0].staff
    low, high = min(note.midi for note in bass), max(note.midi for note in bass)
    later = [note for note in played if start < note.onset < end]
    left = next(
        (n.onset for n in later if n.staff == staff and (n.midi - low > HAND or high - n.midi > HAND)), None
    )
    if left is None or not any(n.staff != staff and n.onset <= left < n.end for n in played):
        return None
    catch = next(
        (t for t in _moments(played, start, left) if _alone(played, bass, t) and _let_go(moves, t)), None
    )
    changes = [move.moment for move in moves if left < move.moment < end]
    clash = next((pair for m in changes if (pair := _clash(score, played, start, m)) is not None), None)
    if catch is None or clash is None:
        return None
    lowest = min(bass, key=lambda note: note.midi)
    about = PedallingDetails(bass=lowest.pitch, old=clash[0].pitch, new=clash[1].pitch)
    ids = tuple(note.id for note in bass)
    return Sustained(catch, end, ids, PEDALLING.event("sostenuto", start, end, ids, 1.0, about))


def _moments(played: Sequence[Note], start: Fraction, before: Fraction) -> Iterator[Fraction]:
    """Yield when something begins or ends from a moment on, up to before another."""
    ends = {note.end for note in played if start <= note.onset < before}
    yield from sorted(t for t in {*ends, *(n.onset for n in played)} if start <= t < before)


def _alone(played: Sequence[Note], bass: Sequence[Note], moment: Fraction) -> bool:
    """Whether nothing but the bass, or what lasts as long, is held down at a moment."""
    end = min(note.end for note in bass)
    return all(note.end >= end or note in bass for note in _held(played, moment))


def _let_go(moves: Sequence[PedalMove], moment: Fraction) -> bool:
    """Whether the right pedal is up at a moment, or goes down or changes only then."""
    last = next((move for move in reversed(moves) if move.moment <= moment), None)
    return last is None or last.moment == moment or last.depth <= 0


def _held(played: Sequence[Note], moment: Fraction) -> list[Note]:
    """Return the notes whose keys are down at a moment."""
    return [note for note in played if note.onset <= moment < note.end]


def _clash(
    score: Score, played: Sequence[Note], start: Fraction, moment: Fraction
) -> tuple[Note, Note] | None:
    """Return a note of the bar before that a pedal kept through a moment would run into one that sounds then,
    a semitone or a tone apart, octaves aside; the nearest pair, None if there is none.
    """
    since = max(start, moment - score.measure_at(start).full_length)
    here = _held(played, moment)
    sounding = {note.midi % 12 for note in here}
    old = [n for n in played if since <= n.onset and n.end <= moment and n.midi % 12 not in sounding]
    pairs = [
        (gap, one, two)
        for one in old
        for two in here
        if (gap := min((one.midi - two.midi) % 12, (two.midi - one.midi) % 12)) in (1, 2)
    ]
    return min(pairs, key=lambda pair: pair[0])[1:] if pairs else None
