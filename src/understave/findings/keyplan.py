"""Score and spans -> the plan of keys: where each begins and ends, how near home it is, how it is reached.

Tonicization is set apart from modulation (Hutchinson, Music Theory for the 21st-Century Classroom,
chapter 22; Open Music Theory, part IV): a key that lasts and closes with a cadence is a modulation; one
that is only touched, a stretch of a few chords or several chords applied to one degree, is a
tonicization. A single applied dominant with its answer is told by `applied` alone.

Event: kind ``"key"``, one for every stretch of one key, so that the stretches cover the piece;
tonicizations made of applied chords lie inside the key they are heard from. `notes` are those struck with
the first chord. Labels:

- home: the home key, or its return. modulation. tonicization. parallel: the home tonic in the other mode.

Detail of every label, where it applies:

- ``key`` Key, ``home`` Key. ``relation`` str (see `nearness.RELATIONS`), ``fifths`` int, ``common_scale``
  int, ``common_chord`` tuple of PitchClass, ``interval`` Interval, ``respelled`` int: how near the key is to
  home, see `nearness.Nearness`. ``degree`` RomanNumeral: its tonic chord seen from home.
- ``bars`` Fraction: its length. ``chords`` int: how many different chords in a row.
- ``came_from`` Key and ``from_relation`` str, ``from_fifths`` int: the key before it and how near that is.
- ``goes_to`` Key: the key after it; ``returns`` int 1 where that is the one before it.
- ``cadence`` Fraction: the arrival of its first authentic close with tonic and dominant in root position.
- ``by`` str: how it is reached: ``"common chord"``, ``"common tone"`` (one note alone leads over),
  ``"enharmonic"`` (a chord is reheard), ``"same tonic"``, ``"direct"``.
- ``known`` int 1: a key in which the piece began, or is only touched after it stayed there or at once before
  it does, or by no more than a six-four, one left for a moment and gone on with, or home that no foreign note
  had left; it is not told.
- ``within`` int 1: a tonicization that lies within a key (applied chords). ``target`` RomanNumeral.

Sentences, one per label:

- home: "F minor is home: the piece begins in it." / "Home again in bar 59."
- modulation: "The music moves to A flat major, the relative, and closes there in bar 12."
- tonicization: "G major is touched for three chords and left again."
- parallel: "E flat minor: the same tonic, the other mode; three flats more."

Event: kind ``"pivot chord"``, label ``"common chord"``; it lasts as long as the chord, `notes` are its own
notes. Detail: ``key`` Key and ``numeral`` RomanNumeral in the old key, ``new_key`` Key and ``new_numeral``
RomanNumeral in the new one, ``chord_root`` PitchClass.

- common chord: "The A minor chord is the sixth degree of C and the second of G: the door between the two."
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from itertools import islice

from understave.findings.closes import AUTHENTIC, Close, find_closes, is_dominant
from understave.findings.kinds import Kind, Lane, Stop
from understave.findings.modes import Region, keeps_its_third, regions_of
from understave.findings.nearness import nearness
from understave.findings.progression import Progression, Step, progression_of
from understave.findings.reheard import ENHARMONIC_PIVOT, find_reheard
from understave.findings.sounding_notes import soundings
from understave.harmony.reading import Details, Event, Span
from understave.score.model import Score
from understave.theory.chord import Chord, Quality
from understave.theory.key import Key, Mode
from understave.theory.names import names_key
from understave.theory.pitch import Interval, PitchClass
from understave.theory.roman import RomanNumeral


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyDetails(Details):
    """A key, how near it is to home, and how it is reached and left."""

    key: Key
    home: Key
    relation: str
    fifths: int
    common_scale: int
    common_chord: tuple[PitchClass, ...]
    interval: Interval
    respelled: int
    degree: RomanNumeral
    bars: Fraction
    chords: int
    came_from: Key | None = None
    from_relation: str | None = None
    from_fifths: int | None = None
    goes_to: Key | None = None
    returns: int | None = None
    within: int | None = None
    known: int | None = None
    target: RomanNumeral | None = None
    by: str | None = None
    cadence: Fraction | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PivotChordDetails(Details):
    """One chord in two keys."""

    key: Key
    numeral: RomanNumeral
    new_key: Key
    new_numeral: RomanNumeral
    chord_root: PitchClass


_BRIEF = 2
"""Bars below which the first key may be no more than a way into home."""
_LONG = 4
"""Bars after which a key counts as reached even without a cadence."""
_STAYED = 8
"""Bars from which the key of the beginning is home in what breaks off. Set by ear."""
_SHORT = Fraction(3, 2)
"""Bars below which a cadence does not make a modulation."""
_OWN: dict[Mode, str] = {
    "major": "I ii iii IV V vi viio I7 ii7 iii7 IV7 V7 vi7 viiø7",
    "minor": "i iio III iv v V VI VII viio i7 iiø7 III7 iv7 V7 VI7 VII7 viio7",
}


def find_keys(score: Score, spans: tuple[Span, ...]) -> tuple[Event, ...]:
    """Return the plan of keys and the pivot chords between them, by start."""
    if not spans:
        return ()
    piece = progression_of(score, spans)
    regions = regions_of(spans)
    home = home_key(regions, score, ends=ending_key(score, spans) is not None)
    closes = find_closes(spans)
    reheard = {found.new_key: event for event, found in ENHARMONIC_PIVOT.all(find_reheard(score, spans))}
    found: list[Event] = []
    for i, region in enumerate(regions):
        before = regions[i - 1] if i else None
        pivot = pivot_chord(piece, before, region) if before else None
        by = ""
        if before is not None:
            turned = reheard.get(region.key)
            if before.key.parallel == region.key:
                by = "same tonic"
            elif turned is not None and turned.start <= region.start <= turned.end:
                by = "enharmonic"
            elif _is_common_tone(piece, before, region):
                by = "common tone"
            elif pivot is not None:
                by = "common chord"
            elif not _share_chord(piece, before, region):
                by = "direct"
        found.append(_key_event(piece, regions, i, home, closes, by))
        if pivot is not None and by == "common chord":
            found.append(pivot)
    found += _tonicizations(piece, home)
    return tuple(sorted(found, key=lambda event: (event.start, -event.end)))


def home_key(regions: tuple[Region, ...], score: Score | None = None, ends: bool = True) -> Key:
    """Return the key that first or last sounds: the one that the title or the signature names, where these
    tell them apart, else whichever holds more of the piece; the last where equal.

    A piece may open in another key for a bar or so, before the one in which it goes on; a last chord in the
    other mode of its tonic does not change the mode of home. What breaks off (`ends` False: the beginning of
    a movement) is not at home where it happens to stop, if it has stayed where it began.
    """
    total: dict[Key, Fraction] = defaultdict(Fraction)
    for region in regions:
        total[region.key] += region.length
    first, last = _opening_key(regions, score), regions[-1].key
    if total[last] < total[last.parallel]:
        last = last.parallel
    if score is not None and score.measures and first != last:
        printed = score.measures[0].signature
        signed = [key for key in (first, last) if key.signature == printed]
        titled = [key for key in signed or (first, last) if names_key(score.title, key)]
        for known in (titled, signed):
            if len(known) == 1:
                return known[0]
    stayed = not ends and score is not None and total[first] >= _STAYED * score.measures[0].full_length
    return first if stayed or total[first] > total[last] else last


def ending_key(score: Score, spans: tuple[Span, ...]) -> Key | None:
    """Return the key in which a piece comes to its end, as it is played, None where its last bars break off.

    The last chord is the tonic, and from half a bar before the end on nothing else sounds: some bars taken
    out of a piece end neither it nor in a key (common practice, no source).
    """
    end = score.played_end
    last = next((span for span in reversed(spans) if span.start < end), None)
    if last is None:
        return None
    chord = last.numeral.chord(last.key)
    if chord.root != last.key.tonic or chord.bass != chord.root:
        return None
    since = float(end - score.measure_at(last.start).full_length / 2)
    late = (note for note in score.struck if note.until > since and note.at < end)
    still = all(note.midi % 12 in chord.semitones for note in late)
    return last.key if still else None


def _opening_key(regions: tuple[Region, ...], score: Score | None) -> Key:
    """Return the first key, or the one after it where the first is left at once for one of its signature."""
    first = regions[0]
    if score is None or len(regions) < 2 or not score.measures:
        return first.key
    after = regions[1]
    brief = first.length < _BRIEF * score.measures[0].full_length and after.length >= 4 * first.length
    # A piece that ends as it began is at home there, unless its title says otherwise.
    framed = regions[-1].key == first.key and not names_key(score.title, after.key)
    related = after.key.signature == first.key.signature
    return after.key if brief and related and not framed else first.key


def pivot_chord(piece: Progression, before: Region, region: Region) -> Event | None:
    """Return the chord that belongs to both of two neighbouring keys and leads from one to the other.

    The first chord of the new key or the last of the old one, whichever is no dominant of the new key and
    opens the door (see `_opens`); the first of the new where both serve. A six-four stands for the chord that
    it leads to, and a note or two name no chord: neither is a pivot.
    """
    if before.key.tonic == region.key.tonic:
        return None
    steps = piece.steps
    b = bisect_left(steps, region.first, key=lambda step: step.first)
    for k in (b, b - 1) if b and steps[b - 1].end == region.start else (b,):
        step = steps[k]
        old, new = own_numeral(step.exit, before.key), own_numeral(step.exit, region.key)
        if old is None or new is None or is_dominant(step.exit, region.key) or step.exit.inversion == 2:
            continue
        start = _over_its_bass(piece, step)
        if not _opens(piece, before, region, k, start):
            continue
        own = [n for n in piece.sounding(start, step.end) if n.midi % 12 in step.chord.semitones]
        notes = tuple(note.id for note in own)
        detail = PivotChordDetails(
            key=before.key, numeral=old, new_key=region.key, new_numeral=new, chord_root=step.chord.root
        )
        return PIVOT_CHORD.event("common chord", start, step.end, notes, round(step.confidence, 3), detail)
    return None


def _opens(piece: Progression, before: Region, region: Region, k: int, start: Fraction) -> bool:
    """Whether a chord is a door to a key: it sounds whole over its own bass, no note that only the new key
    has was struck in the bar before, and the dominant of the new key follows while that key lasts
    (Hutchinson, chapter 22: a pivot is one of the old key's chords and leads to what only the new one has).
    """
    step, chord = piece.steps[k], piece.steps[k].exit
    here = piece.sounding(start, step.end)
    low = min(here, key=lambda note: note.midi, default=None)
    if low is None or low.midi % 12 != chord.bass.semitone:
        return False
    if not chord.semitones <= {note.midi % 12 for note in here}:
        return False
    since = max(Fraction(0), start - piece.score.measure_at(start).full_length)
    struck = [n.pitch.pitch_class for n in piece.sounding(since, start) if n.onset >= since]
    if any(tone in region.key and tone not in before.key for tone in struck):
        return False
    first = bisect_left(piece.steps, region.first, key=lambda step: step.first)
    last = bisect_right(piece.steps, region.last, key=lambda step: step.first)
    after = piece.steps[max(k + 1, first) : last]
    return any(is_dominant(s.exit, region.key) or is_dominant(s.chord, region.key) for s in after)


def _share_chord(piece: Progression, before: Region, region: Region) -> bool:
    """Whether the last chord of one key belongs to the next, or the first of the next to it: a door of some
    kind, though it is no pivot that could be told.
    """
    b = bisect_left(piece.steps, region.first, key=lambda step: step.first)
    return any(
        own_numeral(chord, before.key) is not None and own_numeral(chord, region.key) is not None
        for step in piece.steps[max(0, b - 1) : b + 1]
        for chord in (step.chord, step.exit)
    )


def _over_its_bass(piece: Progression, step: Step) -> Fraction:
    """Return from when on a chord whose bass moves stands over the one by which it is named, its last."""
    sound = soundings(piece.score)
    first, last = bisect_left(sound.moments, float(step.start)), bisect_left(sound.moments, float(step.end))
    for chord in sound.chords[first:last]:
        if chord and chord[0].midi % 12 == step.exit.bass.semitone:
            return max(step.start, *(note.onset for note in chord))
    return step.start


def own_numeral(chord: Chord, key: Key) -> RomanNumeral | None:
    """Return a chord's numeral among the chords of a key's own scale, None where it is none of them."""
    numeral = _own(key).get((chord.root.fifths, chord.quality))
    return numeral.with_inversion(chord.inversion) if numeral is not None else None


@lru_cache(maxsize=64)
def _own(key: Key) -> dict[tuple[int, Quality], RomanNumeral]:
    found: dict[tuple[int, Quality], RomanNumeral] = {}
    for text in _OWN[key.mode].split():
        numeral = RomanNumeral.parse(text)
        chord = numeral.chord(key)
        found[chord.root.fifths, chord.quality] = numeral
    return found


def _is_common_tone(piece: Progression, before: Region, region: Region) -> bool:
    """Whether one pitch class of both tonics sounds alone for a beat before a key begins, and on in it."""
    beat = piece.score.measure_at(before.end).beat_length
    notes = piece.sounding(region.start - beat, region.start)
    heard = {note.pitch.pitch_class.semitone for note in notes}
    shared = nearness(before.key, region.key).common_chord
    if len(heard) != 1 or not heard <= {tone.semitone for tone in shared}:
        return False
    goes_on = piece.sounding(region.start, region.start + beat)
    return any(note.pitch.pitch_class.semitone in heard and note.onset <= region.start for note in goes_on)


def _key_event(
    piece: Progression,
    regions: tuple[Region, ...],
    i: int,
    home: Key,
    closes: tuple[Close, ...],
    by: str,
) -> Event:
    region = regions[i]
    spans = piece.spans
    before = regions[i - 1] if i else None
    after = regions[i + 1] if i + 1 < len(regions) else None
    bars = piece.score.bars_between(region.start, region.end)
    own = [
        close
        for close in closes
        if region.first < close.goal <= region.last
        and close.label == AUTHENTIC
        and close.rooted
        and close.key == region.key
    ]
    prepared = [close for close in own if close.prepared]
    begun = bisect_left(piece.steps, region.first, key=lambda step: step.first)
    chords = bisect_right(piece.steps, region.last, key=lambda step: step.first) - begun
    # A key that lasts without a cadence is heard as new by a note that the one before has not.
    heard = before is None or first_new_note(piece.score, region.start, region.end, [before.key], region.key)
    lasts = bars >= _LONG and (bool(own) or bool(heard))
    # Where its tonic never sounds no key has been entered, only pointed to.
    entered = any(_is_tonic(span) for span in spans[region.first : region.last + 1])
    # A bar of home without its tonic, between two other keys, is no way back (common practice, no source).
    only_touched = bars < _BRIEF and not (entered or _leads_to_tonic(piece, region))
    reached = lasts or (bool(own) and bars >= 2) or (bool(prepared) and bars >= _SHORT)
    if region.key == home:
        label = "home"
    elif region.key == home.parallel:
        label = "parallel"
    else:
        label = "modulation" if reached and entered else "tonicization"
    detail = _near(home, region.key, bars, chords)
    if before is not None:
        step = nearness(before.key, region.key)
        detail = replace(detail, came_from=before.key, from_relation=step.relation, from_fifths=step.fifths)
    if after is not None:
        there_and_back = before is not None and before.key == after.key
        detail = replace(detail, goes_to=after.key, returns=1 if there_and_back else None)
    # The key in which a piece began is not turned to like a new one.
    opened = label == "modulation" and i > 0 and regions[0].key == region.key
    known = (
        opened
        or (label == "modulation" and _went_on(piece, regions[:i], region))
        or (label == "tonicization" and _was_settled(piece, regions[:i], region.key))
        or (label == "tonicization" and _goes_on(piece, region, regions[i + 1 :]))
        or (label == "tonicization" and not (entered or _leads_to_tonic(piece, region)))
        or (label == "parallel" and before is not None and keeps_its_third(piece, home, region))
        or (label == "home" and before is not None and not _was_left(piece, regions[:i], home))
        or (label == "home" and before is not None and after is not None and only_touched)
    )
    detail = replace(
        detail, cadence=own[0].arrival if own else None, by=by or None, known=1 if known else None
    )
    start = _heard_from(piece, region) if label == "home" and before is not None else region.start
    weights = [
        (float(span.end - span.start), span.confidence) for span in spans[region.first : region.last + 1]
    ]
    sure = sum(w * c for w, c in weights) / max(sum(w for w, _ in weights), 1e-9)
    until = next((span.end for span in spans[region.first :] if span.end > start), region.end)
    struck = [note.id for note in piece.sounding(start, until) if note.onset == start]
    return KEY.event(label, start, region.end, tuple(struck), round(sure, 3), detail)


def _went_on(piece: Progression, earlier: tuple[Region, ...], region: Region) -> bool:
    """Whether a key was there up to two bars before, and as long: then it is not reached anew."""
    since = region.start - _BRIEF * piece.score.measure_at(region.start).full_length
    return any(r.key == region.key and r.end >= since and r.length >= region.length for r in earlier)


def _leads_to_tonic(piece: Progression, region: Region) -> bool:
    """Whether the chord after a key's last is its tonic all the same, in the key that follows."""
    after = piece.spans[region.last + 1 : region.last + 2]
    chords = [span.numeral.chord(span.key) for span in after]
    return any(chord.root == region.key.tonic and chord.inversion != 2 for chord in chords)


def _is_tonic(span: Span) -> bool:
    """Whether a chord is the tonic of its key, and no six-four, which leans on the dominant."""
    chord = span.numeral.chord(span.key)
    return not span.numeral.applied and chord.root == span.key.tonic and chord.inversion != 2


def _notes_of(key: Key) -> set[PitchClass]:
    """Return the notes of a key's scale, in minor with the leading tone as well."""
    return set(key.scale) | ({key.leading_tone} if key.mode == "minor" else set())


def first_new_note(
    score: Score, start: Fraction, end: Fraction, known: Iterable[Key], key: Key
) -> tuple[PitchClass, Fraction] | None:
    """Return the first note struck that a key has and those known have not, and when; None for none.

    What one of those has under another name, as D sharp for E flat, sounds like nothing new.
    """
    heard = {tone.semitone for other in known for tone in _notes_of(other)}
    new = {tone for tone in _notes_of(key) if tone.semitone not in heard}
    for note in islice(score.notes, bisect_left(score.notes, start, key=lambda note: note.onset), None):
        if note.onset >= end:
            break
        if note.pitch.pitch_class in new:
            return note.pitch.pitch_class, note.onset
    return None


def _was_left(piece: Progression, earlier: tuple[Region, ...], home: Key) -> bool:
    """Whether a note foreign to home told, since home was last heard, that the music had left it."""
    for region in reversed(earlier):
        if region.key == home:
            return False
        if region.key == home.parallel:
            if not keeps_its_third(piece, home, region):
                return True
        elif first_new_note(piece.score, region.start, region.end, [home], region.key):
            return True
    return True


def _was_settled(piece: Progression, earlier: tuple[Region, ...], key: Key) -> bool:
    """Whether the piece began in a key or stayed in it before: it is no stranger that is only touched."""
    if not earlier:
        return False
    length = sum((region.length for region in earlier if region.key == key), Fraction(0))
    return earlier[0].key == key or length >= _LONG * piece.score.measure_at(earlier[0].start).full_length


def _goes_on(piece: Progression, region: Region, later: tuple[Region, ...]) -> bool:
    """Whether a key is there again within two bars, and longer: then it is not only touched here."""
    soon = region.end + _BRIEF * piece.score.measure_at(region.end).full_length
    return any(r.key == region.key and r.start <= soon and r.length > region.length for r in later)


def _heard_from(piece: Progression, region: Region) -> Fraction:
    """Return where a key that returns is heard as such: with the first chord of its own.

    A lone note still belongs to what it closes, and a chord applied to another degree points elsewhere.
    """
    spans = piece.spans[region.first : region.last + 1]

    def lone(span: Span) -> bool:
        return len({note.midi % 12 for note in piece.sounding(span.start, span.end)}) < 2

    return next((span.start for span in spans if not lone(span) and not span.numeral.applied), region.start)


def _near(home: Key, key: Key, bars: Fraction, chords: int) -> KeyDetails:
    near = nearness(home, key)
    quality = Quality.MAJOR if key.mode == "major" else Quality.MINOR
    named = RomanNumeral.of(Chord(home.tonic + near.interval, quality), home)
    degree = next(numeral for numeral in named if not numeral.applied and not numeral.special)
    return KeyDetails(
        key=key,
        home=home,
        relation=near.relation,
        fifths=near.fifths,
        common_scale=near.common_scale,
        common_chord=near.common_chord,
        interval=near.interval,
        respelled=int(near.respelled),
        degree=degree,
        bars=bars,
        chords=chords,
    )


def _tonicizations(piece: Progression, home: Key) -> list[Event]:
    """Return stretches of two or more chords applied to one degree, with the chord they lead to."""
    found: list[Event] = []
    steps = piece.steps
    i = 0
    while i < len(steps):
        if not steps[i].numeral.applied:
            i += 1
            continue
        j = i
        while piece.follow(j) is not None and _same_target(steps[i], steps[j + 1]):
            j += 1
        answer = piece.follow(j)
        answers = answer is not None and answer.chord.root == steps[i].local.tonic
        if j > i and any(step.is_dominant for step in steps[i : j + 1]):
            end = answer.end if answers and answer is not None else steps[j].end
            found.append(_tonicization(piece, steps[i : j + 1], end, answers, home))
        i = j + 1
    return found


def _same_target(a: Step, b: Step) -> bool:
    return bool(b.numeral.applied) and a.key == b.key and a.local == b.local


def _tonicization(
    piece: Progression, steps: tuple[Step, ...], end: Fraction, answers: bool, home: Key
) -> Event:
    first = steps[0]
    bars = piece.score.bars_between(first.start, end)
    detail = replace(
        _near(home, first.local, bars, len(steps) + int(answers)),
        came_from=first.key,
        from_relation=nearness(first.key, first.local).relation,
        from_fifths=nearness(first.key, first.local).fifths,
        goes_to=first.key,
        returns=1,
        within=1,
        target=first.numeral.applied[0],
    )
    sure = min(step.confidence for step in steps)
    struck = [note.id for note in piece.sounding(first.start, first.end) if note.onset == first.start]
    return KEY.event("tonicization", first.start, end, tuple(struck), round(sure, 3), detail)


def _weigh(base: float, event: Event, details: KeyDetails) -> float:
    """A key that was settled in before is not touched like a stranger."""
    return 0.0 if details.known else base


KEY: Kind[KeyDetails] = Kind(
    "key",
    KeyDetails,
    find=find_keys,
    weight=5.0,
    labels={
        "tonicization": 2.5,
        "home": 3.5,
    },
    weigh=_weigh,
    lasting=True,
    told_near=True,
    stop=Stop("change of key", lasts=True),
    searched={
        "modulation": ("modulation",),
        "tonicization": ("tonicization",),
    },
)


PIVOT_CHORD: Kind[PivotChordDetails] = Kind(
    "pivot chord",
    PivotChordDetails,
    weight=4.0,
    lane=Lane(),
    stop=Stop("change of key"),
    searched={
        "common chord": (),
    },
)
