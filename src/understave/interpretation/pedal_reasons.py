"""Why the pedal moves: grounds and holds in, the reason of each move out.

Event of kind ``"pedalling"``; `notes` are the notes that clash or that are caught; it lasts until the next
move. Detail:

- ``chord`` RomanNumeral, ``key`` Key: what the pedal takes in, where it begins with a chord only if its bass
  is struck there; ``before`` RomanNumeral: the chord it leaves.
- ``bass`` Pitch: the lowest note struck (where the pedal goes half down: the lowest that rings on, let go by
  the fingers). ``struck_again`` int 1 (new bass): it was struck before in this chord.
- ``old`` Pitch, ``new`` Pitch: what would ring on, and what it would clash with.
- ``chords`` tuple of RomanNumeral: those that the printed pedal holds together.
- ``joined`` int 1 (quarter, dry): fingers can join the notes, none struck again or out of a hand's reach.
- ``blur`` float, ``piano`` str (the name of an instrument): how murky a clash is, and where.

Labels:

- begin: "Pedal down just after the chord."
- new harmony: "Change with V: the C of before would clash with the B."
- new bass: "The bass C is struck again: change with it and the sound is fresh."
- clear: "Change within the chord: the D would stay in it."
- renew: "The sound has faded: change and take the chord anew."
- sostenuto: "Catch C with the middle pedal before the hand leaves it." (`sostenuto`)
- half: "Half a pedal: the bass C sounds on, the rest clears."
- staccato: "Up: these notes want to be short."
- rest: "Up: the rest is meant to be heard."
- passage: "Up: quick steps would run together."
- quarter: "A quarter of pedal: the line stays clear, the strings open a little."
- flutter: "Let the foot tremble: the run stays clear and is not dry."
- printed release: "Up, as printed."
- dry: "Up: fingers are enough here."
- as printed: "The pedal is printed here."
- held by print: "The print holds I and V together: the C and the B clash."
- against the print: "The print holds on here; on this piano the C and the B would clash."
- clash: "Held through bar 3, the C and the B clash."
"""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

import numpy as np

from understave.findings.kinds import Kind
from understave.harmony.reading import Details, Event, Span
from understave.interpretation.pedal_costs import QUICK, REACH, Grounds, clash, heard_in
from understave.interpretation.pedal_habit import HAND, STEP
from understave.interpretation.pedal_search import DOWN, HALF, UP, Hold
from understave.interpretation.plan import Origin
from understave.score.model import Note
from understave.theory.key import Key
from understave.theory.pitch import Pitch
from understave.theory.roman import RomanNumeral


@dataclass(frozen=True, slots=True, kw_only=True)
class PedallingDetails(Details):
    """What the pedal takes in, what it leaves, and what would clash."""

    chord: RomanNumeral | None = None
    key: Key | None = None
    before: RomanNumeral | None = None
    struck_again: int | None = None
    joined: int | None = None
    bass: Pitch | None = None
    old: Pitch | None = None
    new: Pitch | None = None
    chords: tuple[RomanNumeral, ...] | None = None
    blur: float | None = None
    piano: str | None = None


_RUN = 6
"""Notes by step that make a run, at least; our own choice."""
_AUDIBLE = 0.05
"""Blur, in units of a second, from which on it is told as a reason; our own choice."""
_FEWEST = 2
"""Notes of a chord that sound at least where it is named; our own choice."""
_LIFTS = {"staccato": "staccato", "rest": "rest", "passage": "passage", "print": "printed release", "": "dry"}


def reason(grounds: Grounds, before: Hold | None, hold: Hold) -> tuple[Origin, Event]:
    """Return where a move comes from and why it is made; `before` is the hold it ends."""
    first = hold.first
    pair = None
    if before is not None and before.depth != UP:
        pair = clash(grounds, before.first, first)
    if hold.depth == UP:
        label = _lift(grounds, hold)
        if label in ("dry", "passage") and grounds.by_habit and _runs_over(grounds, hold):
            label = "flutter"
        elif label == "dry" and grounds.by_habit:
            label = "quarter"
        return ("printed" if label == "printed release" else "proposed"), _event(grounds, hold, label, None)
    if grounds.printed[first] > 0 and hold.depth == DOWN:
        return "printed", _event(grounds, hold, "as printed", pair)
    if before is None or before.depth == UP:
        return "proposed", _event(grounds, hold, "half" if hold.depth == HALF else "begin", None)
    if hold.depth == HALF:
        return "proposed", _event(grounds, hold, "half", pair)
    if grounds.printed[first] < 0 and (pair is not None or grounds.arrives[first]):
        return "proposed", _event(grounds, hold, "against the print", pair)
    if grounds.arrives[first]:
        label = "new harmony" if _stands(grounds, hold) else "renew"
        return "proposed", _event(grounds, hold, label, pair if label == "new harmony" else None)
    if pair is not None and _saved(grounds, before, hold) >= _AUDIBLE:
        return "proposed", _event(grounds, hold, "clear", pair)
    return "proposed", _event(grounds, hold, "new bass" if grounds.new_bass[first] else "renew", None)


def reason_of_print(grounds: Grounds, start: Fraction, end: Fraction | None) -> Event:
    """Return what there is to say of a printed pedal from `start` to `end`; None tells of a release."""
    first = min(len(grounds.moments) - 1, bisect_left(grounds.moments, start))
    if end is None:
        return PEDALLING.event("printed release", start, start, (), 1.0, PedallingDetails())
    last = max(first + 1, bisect_left(grounds.moments, end))
    hold = Hold(first, last, DOWN)
    through = [i for i in range(first + 1, last) if grounds.arrives[i]]
    found = ((i, clash(grounds, first, i)) for i in through)
    worst = next((pair for _, pair in found if pair is not None), None)
    if worst is None:
        return _event(grounds, hold, "as printed", None)
    spans = [grounds.spans[grounds.span[i]] for i in (first, *through)]
    return _event(grounds, hold, "held by print", worst, tuple(s.numeral for s in spans))


def tell_clash(
    old: Note, new: Note, span: Span, where: tuple[Fraction, Fraction], blur: float, piano: str
) -> Event:
    """Return what there is to say of a murky moment: `old` rings on into `new`, in the bars of `where`."""
    detail = PedallingDetails(
        chord=span.numeral,
        key=span.key,
        old=old.pitch,
        new=new.pitch,
        blur=round(blur, 1),
        piano=piano,
    )
    return PEDALLING.event("clash", *where, (old.id, new.id), span.confidence, detail)


def _lift(grounds: Grounds, hold: Hold) -> str:
    """Return the label of what asks for a raised pedal through most of a hold."""
    told: dict[str, float] = defaultdict(float)
    for i in range(hold.first, hold.last):
        told[grounds.why_clear[i]] += float(grounds.clear[i] * (grounds.seconds[i + 1] - grounds.seconds[i]))
    why, much = max(told.items(), key=lambda item: item[1])
    return _LIFTS[why if much > 0 else ""]


def _saved(grounds: Grounds, before: Hold, hold: Hold) -> float:
    """Return the blur that a change spares: what the earlier hold would bring if it went on."""
    whole = min(hold.last - before.first, REACH)
    here = min(hold.last - hold.first, REACH)
    kept = min(hold.first - before.first, REACH)
    return float(
        grounds.blur[before.first, whole] - grounds.blur[before.first, kept] - grounds.blur[hold.first, here]
    )


def _event(
    grounds: Grounds,
    hold: Hold,
    label: str,
    pair: tuple[Note, Note] | None,
    chords: tuple[RomanNumeral, ...] | None = None,
) -> Event:
    span = grounds.spans[grounds.span[hold.first]]
    detail = PedallingDetails(chord=span.numeral, key=span.key, chords=chords)
    arrives = label == "begin" or (label == "renew" and grounds.arrives[hold.first])
    if (arrives and not _stands(grounds, hold)) or (label == "renew" and not _is_heard(grounds, hold)):
        detail = replace(detail, chord=None)
    if label in ("quarter", "dry") and _can_join(grounds, hold):
        detail = replace(detail, joined=1)
    notes: list[str] = []
    index = int(grounds.span[hold.first])
    if label in ("new harmony", "against the print") and index and grounds.spans[index - 1].key == span.key:
        detail = replace(detail, before=grounds.spans[index - 1].numeral)
    low = grounds.lowest[hold.first]
    if label == "half":
        low = _kept(grounds, hold)
    if label == "new bass" and low is not None and _was_struck(grounds, hold, low):
        detail = replace(detail, struck_again=1)
    if low is not None:
        detail = replace(detail, bass=low.pitch)
        notes.append(low.id)
    if pair is not None:
        old, new = pair
        detail = replace(detail, old=old.pitch, new=new.pitch)
        notes = [old.id, new.id]
    end = (
        grounds.moments[hold.last]
        if hold.last < len(grounds.moments)
        else max(note.end for note in grounds.notes)
    )
    return PEDALLING.event(label, grounds.moments[hold.first], end, tuple(notes), span.confidence, detail)


def _kept(grounds: Grounds, hold: Hold) -> Note | None:
    """Return the bass that a half pedal carries on: the lowest note let go by the fingers and ringing still.

    None where the bass is struck anew or a finger holds it: no pedal is needed to keep that.
    """
    scene, first = grounds.scene, hold.first
    sounding = np.flatnonzero((scene.struck <= first) & (scene.stopped > first))
    under = sounding[(scene.struck[sounding] == first) | (scene.caught[sounding] >= first)]
    rings = np.setdiff1d(sounding, under)
    rings = rings[(scene.struck[rings] >= max(0, first - REACH)) & scene.member[first, scene.key[rings] % 12]]
    since = int(np.flatnonzero(grounds.arrives[: first + 1])[-1])
    rings = rings[scene.struck[rings] >= since]
    if not rings.size or (under.size and scene.key[under].min() <= scene.key[rings].min()):
        return None
    return grounds.notes[int(rings[np.argmin(scene.key[rings])])]


def _stands(grounds: Grounds, hold: Hold) -> bool:
    """Whether a chord stands on its bass where a hold begins: it is struck there, nothing sounds lower, and
    the chord is heard with it.
    """
    if not _is_heard(grounds, hold):
        return False
    scene, first = grounds.scene, hold.first
    span = grounds.spans[grounds.span[first]]
    low = grounds.lowest[first]
    under = scene.key[(scene.struck < first) & (scene.caught >= first) & (scene.stopped > first)]
    return (
        low is not None
        and low.midi % 12 == span.numeral.chord(span.key).bass.semitone
        and not bool((under < low.midi).any())
    )


def _is_heard(grounds: Grounds, hold: Hold) -> bool:
    """Whether two notes of a chord sound where a hold begins, while it lasts and before the next bar is
    struck; one note alone is no chord, whatever joins it later.
    """
    first = hold.first
    span = grounds.spans[grounds.span[first]]
    last = next((i for i in range(first + 1, hold.last) if grounds.downbeat[i]), hold.last)
    end = min(span.end, grounds.moments[last]) if last < len(grounds.moments) else span.end
    heard = {note.midi % 12 for note in heard_in(grounds.notes, grounds.moments[first], end)}
    return len(heard & span.numeral.chord(span.key).semitones) >= _FEWEST


def _can_join(grounds: Grounds, hold: Hold) -> bool:
    """Whether fingers can join the notes of a hold: in each hand other keys follow, within reach."""
    start = grounds.moments[hold.first]
    end = grounds.moments[hold.last] if hold.last < len(grounds.moments) else None
    hands: dict[int, dict[Fraction, list[int]]] = defaultdict(lambda: defaultdict(list))
    for note in grounds.notes:
        if start <= note.onset and (end is None or note.onset <= end):
            hands[note.staff][note.onset].append(note.midi)
    for struck in hands.values():
        chords = [struck[t] for t in sorted(struck)]
        for one, two in pairwise(chords):
            both = {*one, *two}
            if max(both) - min(both) > HAND or not set(one).isdisjoint(two):
                return False
    return True


def _runs_over(grounds: Grounds, hold: Hold) -> bool:
    """Whether a hold is a quick run by step, over something that sounds from its beginning to its end."""
    inside = [note for note in grounds.notes if _within(grounds, hold, note)]
    for staff in {note.staff for note in inside}:
        run = [note for note in inside if note.staff == staff]
        if len(run) < _RUN or any(
            not 1 <= abs(b.midi - a.midi) <= STEP or not _quick(grounds, a, b) for a, b in pairwise(run)
        ):
            continue
        if any(n.onset <= run[0].onset and n.end >= run[-1].end and n not in run for n in grounds.notes):
            return True
    return False


def _within(grounds: Grounds, hold: Hold, note: Note) -> bool:
    """Whether a note is struck while a hold lasts."""
    after = grounds.moments[hold.last] if hold.last < len(grounds.moments) else note.end
    return grounds.moments[hold.first] <= note.onset < after


def _quick(grounds: Grounds, one: Note, other: Note) -> bool:
    """Whether a note follows another as fast as in passage work."""
    a, b = (bisect_left(grounds.moments, note.onset) for note in (one, other))
    return bool(0 < grounds.seconds[b] - grounds.seconds[a] <= QUICK)


def _was_struck(grounds: Grounds, hold: Hold, note: Note) -> bool:
    """Whether a note was struck before while the chord has lasted."""
    since = int(np.flatnonzero(grounds.arrives[: hold.first + 1])[-1])
    scene = grounds.scene
    before = (scene.struck >= since) & (scene.struck < hold.first) & (scene.key == note.midi)
    return bool(before.any())


PEDALLING: Kind[PedallingDetails] = Kind(
    "pedalling",
    PedallingDetails,
)
