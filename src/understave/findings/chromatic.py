"""Score and spans -> chromatic chords: which notes are foreign to the key, and what they do.

The kinds follow Hutchinson, Music Theory for the 21st-Century Classroom, chapters 19 (mode mixture), 20
(Neapolitan) and 21 (augmented sixths), and Open Music Theory, part V (common-tone diminished sevenths,
altered dominants). A label alone is not believed: the notes that make a chord what it is must sound, and
a Neapolitan or an augmented sixth must be spelled as one or move as one.

Event: kind ``"chromatic chord"``; it lasts as long as the chord, whatever its inversions. `notes` are the
chromatic ones. Detail of every label: ``key`` Key, ``chord`` RomanNumeral, ``root`` PitchClass, ``bass``
PitchClass, ``changes`` tuple of (PitchClass, PitchClass): each chromatic note of the chord with the note
the key has in its place. ``to`` RomanNumeral, ``to_key`` Key and ``resolution_time`` Fraction: the next
chord, where there is one. Besides, by label:

- neapolitan: ``replaces`` RomanNumeral: the diatonic chord (ii or iio). ``position`` str:
  ``"root position"``, ``"first inversion"``, ``"second inversion"``. ``leads`` str: ``"dominant"``,
  ``"six-four"``, ``"applied"`` (to a dominant of the dominant), ``"tonic"``, ``"elsewhere"``.
  ``second`` str and ``second_pitch`` Pitch: the lowered second degree, highest sounding; ``goes_to`` Pitch:
  the next note of its line. ``doubled`` PitchClass: the note that sounds most often. ``heard_in`` Key and
  ``heard_as`` RomanNumeral: where it is also the last chord of another key, what it is there.
- italian sixth, french sixth, german sixth: ``lower`` str, ``lower_pitch`` Pitch, ``upper`` str,
  ``upper_pitch`` Pitch: the two notes of the sixth; ``interval`` Interval (A6, or d3 when inverted);
  ``lower_goes``, ``upper_goes`` Pitch; ``outward`` int 1 where both reach ``target`` PitchClass, the
  octave outside; ``leads`` str as for the Neapolitan; ``spelling`` str:
  ``"augmented sixth"`` or ``"minor seventh"`` (written as a dominant seventh).
- common-tone diminished seventh: ``common`` PitchClass: the tone held; ``held`` tuple of str: its notes
  before and after; ``around`` int 1 where the chord it adorns also came before. About a minor tonic its third
  is held too: ``third`` PitchClass.
- borrowed chord: ``source`` Key: the parallel key it is borrowed from; ``replaces`` RomanNumeral: the same
  degree in the key; ``brief`` int 1 where what it changes is as the key has it again
  within two bars from where it began.
- altered dominant: ``fifth`` PitchClass, ``plain`` PitchClass: the fifth as it is and as the key has it;
  ``way`` str: ``"raised"`` or ``"lowered"``; ``goes_to`` Pitch: where the altered fifth leads.

Sentences, one per label:

- neapolitan: "A Neapolitan: D flat major, where C minor would have its second-degree chord; D flat in
  place of D."
- italian sixth: "An Italian sixth: A flat below and F sharp above push outward to the octave on G."
- french sixth: "A French sixth: A flat and F sharp push outward to G, with D, the second degree, between
  them."
- german sixth: "A German sixth: it sounds like a seventh chord on A flat, but F sharp rises, and both
  reach G."
- common-tone diminished seventh: "A diminished seventh that only colours C major: C stays, the others
  slide off by a step and come back."
- borrowed chord: "F minor in C major, borrowed from C minor: A flat in place of A."
- altered dominant: "The dominant with a raised fifth: D sharp in place of D, pulling up to E."
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TypeAlias

from understave.findings.closes import is_dominant
from understave.findings.kinds import Kind, Lane, Stop
from understave.findings.progression import Progression, Step, progression_of
from understave.harmony.augmented_sixths import raised_note
from understave.harmony.reading import Details, Event, Span
from understave.score.model import Note, Score
from understave.theory.chord import Chord, Quality, inversion_words
from understave.theory.key import Key
from understave.theory.pitch import Interval, Pitch, PitchClass
from understave.theory.roman import RomanNumeral


@dataclass(frozen=True, slots=True, kw_only=True)
class ChromaticChordDetails(Details):
    """The chord, what in it is foreign to the key, and what its label asks for."""

    key: Key
    chord: RomanNumeral
    root: PitchClass
    bass: PitchClass
    changes: tuple[tuple[PitchClass, PitchClass], ...]
    to: RomanNumeral | None = None
    to_key: Key | None = None
    resolution_time: Fraction | None = None
    lower: str | None = None
    lower_pitch: Pitch | None = None
    upper: str | None = None
    upper_pitch: Pitch | None = None
    interval: Interval | None = None
    target: PitchClass | None = None
    outward: int | None = None
    source: Key | None = None
    replaces: RomanNumeral | None = None
    brief: int | None = None
    position: str | None = None
    leads: str | None = None
    spelling: str | None = None
    lower_goes: Pitch | None = None
    upper_goes: Pitch | None = None
    second: str | None = None
    second_pitch: Pitch | None = None
    common: PitchClass | None = None
    held: tuple[str, ...] | None = None
    around: int | None = None
    fifth: PitchClass | None = None
    plain: PitchClass | None = None
    way: str | None = None
    goes_to: Pitch | None = None
    doubled: PitchClass | None = None
    heard_in: Key | None = None
    heard_as: RomanNumeral | None = None
    third: PitchClass | None = None


_Changes: TypeAlias = tuple[tuple[PitchClass, PitchClass], ...]
NEAPOLITAN = "neapolitan"
COMMON_TONE = "common-tone diminished seventh"
BORROWED = "borrowed chord"
ALTERED = "altered dominant"
SIXTHS = {
    Quality.ITALIAN: "italian sixth",
    Quality.FRENCH: "french sixth",
    Quality.GERMAN: "german sixth",
}
_AHEAD = 4
"""Chords within which a Neapolitan or an augmented sixth reaches its dominant."""


def find_chromatic(score: Score, spans: tuple[Span, ...]) -> tuple[Event, ...]:
    """Return the chromatic chords of a reading in order; a chord has one label at most."""
    piece = progression_of(score, spans)
    finders = (neapolitan, augmented_sixth, common_tone, altered_dominant, borrowed)
    found = []
    for i, step in enumerate(piece.steps):
        if piece.sounds(step):
            found += next((e for find in finders if (e := find(piece, i))), [])
    return tuple(found)


def neapolitan(piece: Progression, i: int) -> list[Event]:
    """Return the Neapolitan at a step: the major triad on the lowered second degree, on its way to V.

    It must be spelled as one, and lead to the dominant or back to the tonic of the same key; on the way
    elsewhere it counts only where its own dominant seventh came before. In root position after the
    dominant of the fourth degree it is only that dominant's deceptive answer. In first inversion it may,
    if it lasts for a beat, be labelled in another key and turn out to be a Neapolitan by what follows.
    """
    step = piece.steps[i]
    if step.chord.quality not in (Quality.MAJOR, Quality.MAJOR7):
        return []
    key = step.local
    second = key.tonic.shift(-5)
    pivots = step.chord.root != second
    if pivots:
        later = _key_by_what_follows(piece, i)
        if later is None:
            return []
        key, second = later, step.chord.root
    notes = piece.spelled(step, second)
    others = [note for tone in step.chord.members[1:3] for note in piece.notes(step, tone)]
    if not notes or not others:
        return []
    leads = _leads(piece, i, key)
    sure = step.confidence * (0.7 if pivots else 1.0)
    if pivots and leads in ("tonic", "elsewhere"):
        return []
    before = piece.steps[i - 1] if i else None
    if before is not None and step.entry.inversion == 0:
        fourth = Key(key.tonic.shift(-1), "minor")
        if is_dominant(before.chord, fourth) and before.local != key:
            return []
    if leads == "elsewhere":
        if before is None or not _tonicises(before, second):
            return []
        sure *= 0.6
    top = max(notes, key=lambda note: note.midi)
    heard = Counter(note.pitch.pitch_class for note in piece.sounding(step.start, step.end))
    doubled = max(step.chord.members, key=lambda tone: heard[tone])
    going = piece.goes_to(top, step.end, _reach(piece, i))
    detail = replace(
        _details(piece, i, key),
        replaces=RomanNumeral.parse("iio" if key.mode == "minor" else "ii"),
        position=inversion_words(step.entry.inversion),
        leads=leads,
        second=top.id,
        second_pitch=top.pitch,
        goes_to=going.pitch if going else None,
        doubled=doubled if heard[doubled] > 1 else None,
    )
    if pivots:
        numeral = RomanNumeral.parse("N").with_inversion(step.entry.inversion)
        detail = replace(detail, chord=numeral, heard_in=step.key, heard_as=step.numeral)
    return [_event(piece, i, NEAPOLITAN, sure, detail)]


def _key_by_what_follows(piece: Progression, i: int) -> Key | None:
    """Return the next chord's key where a step labelled in another turns out to be its Neapolitan sixth."""
    step, after = piece.steps[i], piece.follow(i)
    if after is None or step.entry.inversion != 1 or step.chord.root != after.key.tonic.shift(-5):
        return None
    if step.end - step.start < piece.score.measure_at(step.start).beat_length:
        return None
    return after.key


def augmented_sixth(piece: Progression, i: int) -> list[Event]:
    """Return the augmented sixth at a step, if its two notes are spelled so or move outward."""
    step = piece.steps[i]
    label = SIXTHS.get(step.chord.quality)
    if label is None or (step.chord.quality is Quality.FRENCH and step.numeral.special != "Fr"):
        return []
    sharp = raised_note(step.chord)
    flat, target = sharp.shift(-10), sharp.shift(-5)
    spelled = piece.spelled(step, sharp)
    uppers, lowers = spelled or piece.notes(step, sharp), piece.notes(step, flat)
    if not uppers or not lowers:
        return []
    upper, lower = (
        max(uppers, key=lambda note: (note.end, note.midi)),
        min(lowers, key=lambda note: (-note.end, note.midi)),
    )
    reach = _reach(piece, i)
    goes = [piece.goes_to(note, step.end, reach) for note in (lower, upper)]
    reached = [note is not None and note.midi % 12 == target.semitone for note in goes]
    outward = all(reached)
    leads = _leads(piece, i, Key(target.shift(-1), step.local.mode))
    led = leads != "elsewhere" or any(reached)
    if step.numeral.applied:
        # The augmented sixth of another degree needs that degree's own dominant after it.
        led = leads in ("dominant", "six-four")
    if not outward and not (spelled and led):
        return []
    down, up = (note.pitch if note is not None else None for note in goes)
    detail = replace(
        _details(piece, i, step.local),
        lower=lower.id,
        lower_pitch=lower.pitch,
        upper=upper.id,
        upper_pitch=upper.pitch,
        interval=_interval(lower, upper),
        target=target,
        outward=1 if outward else None,
        leads=leads,
        spelling="augmented sixth" if spelled else "minor seventh",
        lower_goes=down,
        upper_goes=up,
    )
    sure = step.confidence * (1.0 if outward and spelled else 0.8)
    return [_event(piece, i, label, sure, detail)]


def common_tone(piece: Progression, i: int) -> list[Event]:
    """Return the common-tone diminished seventh at a step.

    The chord after it has one of its notes as root, which is held, and is no six-four: a diminished seventh
    before a cadential six-four belongs to the dominant that follows. A minor triad shares its third with it
    too; there it is believed about the tonic alone, between two of it, for about another degree it is the
    key's own leading-tone chord or one applied (Open Music Theory, part V; Aldwell and Schachter, Harmony and
    Voice Leading, on common-tone diminished sevenths; both from memory).
    """
    step, after = piece.steps[i], piece.follow(i)
    if step.chord.quality is not Quality.DIMINISHED7 or after is None:
        return []
    chord = after.chord
    shape = chord.quality.fifths
    minor = chord.quality is Quality.MINOR
    if (4 not in shape and not minor) or 8 in shape or after.entry.inversion == 2 or chord.quality in SIXTHS:
        return []
    if chord.root.semitone not in step.chord.semitones:
        return []
    before = piece.steps[i - 1] if i and piece.follow(i - 1) is step else None
    around = before is not None and before.chord.root.semitone == chord.root.semitone
    # Without the adorned chord on both sides only the tonic and the dominant triad are believed.
    plain = chord.quality is Quality.MAJOR and after.local.mode == "major" and chord.root == after.local.tonic
    if not around and not plain:
        return []
    if minor and (chord.root != after.local.tonic or before is None or before.chord.quality != chord.quality):
        return []
    third = chord.members[1] if minor else None
    if third is not None and not _held(piece, step, after, third):
        return []
    held = _held(piece, step, after, chord.root)
    if not held or _stay_foreign(piece, step, after) or not _is_whole(piece, step):
        return []
    detail = replace(
        _details(piece, i, after.local),
        common=chord.root,
        third=third,
        held=tuple(dict.fromkeys(note.id for note in held)),
        around=1 if around else None,
    )
    return [_event(piece, i, COMMON_TONE, step.confidence * (0.95 if around else 0.7), detail)]


def _is_whole(piece: Progression, step: Step) -> bool:
    """Whether all four notes of a diminished seventh sound: of three of them some pass by, and nothing
    colours (Open Music Theory, part V: a fully diminished seventh chord).
    """
    return all(piece.notes(step, member) for member in step.chord.members)


def _stay_foreign(piece: Progression, step: Step, after: Step) -> bool:
    """Whether a note that only the chord to come has lies there already: then two notes stay."""
    going = after.chord.semitones - step.chord.semitones
    now, then = piece.sounding(step.start, step.end), piece.sounding(after.start, after.end)
    return not going.isdisjoint({n.midi % 12 for n in now if n.midi in {m.midi for m in then}})


def altered_dominant(piece: Progression, i: int) -> list[Event]:
    """Return the dominant with a raised or lowered fifth at a step; it must sound."""
    step, after = piece.steps[i], piece.follow(i)
    key, root = step.local, step.chord.root
    if root != key.tonic.shift(1) or 4 not in step.chord.quality.fifths or step.numeral.special:
        return []
    plain = root.shift(1)
    for tone, way in ((root.shift(8), "raised"), (root.shift(-6), "lowered")):
        notes = piece.notes(step, tone) if tone in step.chord.members else []
        if not notes or tone in key.scale:
            continue
        note = notes[-1]
        going = piece.goes_to(note, step.end, after.end if after else step.end)
        detail = replace(
            _details(piece, i, key, ((tone, plain),)),
            fifth=tone,
            plain=plain,
            way=way,
            goes_to=going.pitch if going else None,
        )
        return [_event(piece, i, ALTERED, step.confidence, detail)]
    return []


def borrowed(piece: Progression, i: int) -> list[Event]:
    """Return the chord at a step that is borrowed from the parallel key.

    In major: a chord of the parallel minor with its lowered third, sixth or seventh degree sounding, while
    the key's own third is heard about it: where only the lowered one is, the minor is the key. In
    minor: a major tonic that does not serve the subdominant and was not reached by a cadence (which makes it
    a Picardy third or a change of mode).
    """
    step = piece.steps[i]
    if step.numeral.applied or step.numeral.special or step.chord.quality in SIXTHS:
        return []
    key = step.key
    changes = _changes(step.chord, key)
    if not changes or not _all_heard(piece, step, changes) or _is_outweighed(piece, step):
        return []
    if key.mode == "major":
        allowed = {*key.parallel.scale, key.leading_tone}
        # The lowered seventh over the tonic makes it the dominant of the fourth degree.
        if not set(step.chord.members) <= allowed or step.chord.root.semitone in _foreign_roots(key):
            return []
        if _is_minor_about(piece, i):
            return []
    elif not _borrowed_in_minor(piece, i, changes):
        return []
    plain = next(iter(_diatonic(step, key)), None)
    detail = replace(_details(piece, i, key, changes), source=key.parallel, replaces=plain)
    detail = replace(detail, brief=1 if _is_brief(piece, step, changes) else None)
    return [_event(piece, i, BORROWED, step.confidence, detail)]


def _is_brief(piece: Progression, step: Step, changes: _Changes) -> bool:
    """Whether the notes that a chord changes come after it as the key has them, and come last so, within two
    bars from where it began.
    """
    until = step.start + 2 * piece.score.measure_at(step.start).full_length
    last = {note.midi % 12: note.onset for note in piece.sounding(step.start, until)}
    back = {sound for sound, onset in last.items() if onset >= step.end}
    return all(
        own.semitone in back and last[own.semitone] > last.get(tone.semitone, step.start)
        for tone, own in changes
    )


def _is_minor_about(piece: Progression, i: int) -> bool:
    """Whether the lowered third of a major key sounds from two bars before a chord to a bar after it, while
    the key lasts, and its own third does not.
    """
    step = piece.steps[i]
    key, bar = step.key, piece.score.measure_at(step.start).full_length
    since, until = step.start - 2 * bar, step.end + bar
    first = bisect_right(piece.steps, since, key=lambda s: s.end)
    last = bisect_left(piece.steps, until, key=lambda s: s.start)
    others = [s for s in piece.steps[first:last] if s.key != key]
    since = max([since, *(s.end for s in others if s.end <= step.start)])
    until = min([until, *(s.start for s in others if s.start >= step.end)])
    heard = {n.midi % 12 for n in piece.sounding(since, until)}
    return key.scale[2].semitone not in heard and key.parallel.scale[2].semitone in heard


def _borrowed_in_minor(piece: Progression, i: int, changes: _Changes) -> bool:
    step, after = piece.steps[i], piece.follow(i)
    key = step.key
    third = (key.tonic.shift(4), key.tonic.shift(-3))
    if step.chord.root != key.tonic or not step.chord.quality.is_triad or changes != (third,):
        return False
    fourth = key.tonic.shift(-1)
    if after is None or after.chord.root == fourth or after.local.tonic == fourth:
        return False
    before = piece.steps[i - 1] if i else None
    return before is not None and not is_dominant(before.chord, key) and before.chord.root != fourth


def _foreign_roots(key: Key) -> set[int]:
    """Sounding roots on which a major key's chord is not told as borrowed: none of the scale of its minor."""
    allowed = {tone.semitone for tone in (*key.parallel.scale, key.leading_tone)}
    return set(range(12)) - allowed


def _diatonic(step: Step, key: Key) -> Iterable[RomanNumeral]:
    """Return the key's own chord on the degree of a borrowed chord."""
    heads = {
        "major": ("I", "ii", "iii", "IV", "V", "vi", "viio"),
        "minor": ("i", "iio", "III", "iv", "V", "VI", "viio"),
    }
    return (RomanNumeral.parse(heads[key.mode][key.degree(step.chord.root)[0] - 1]),)


def _changes(chord: Chord, key: Key) -> _Changes:
    """Return each note of a chord that the key does not have, with the key's note on that letter."""
    found = []
    for member in chord.members:
        if member not in key:
            own = next(tone for tone in key.scale if tone.letter == member.letter)
            found.append((member, own))
    return tuple(found)


def _all_heard(piece: Progression, step: Step, changes: _Changes) -> bool:
    return all(piece.spelled(step, tone) for tone, _ in changes)


def _is_outweighed(piece: Progression, step: Step) -> bool:
    """Whether a chord lacks a member while other notes than its own are heard for longer above its bass."""
    notes = piece.sounding(step.start, step.end)
    if not notes or step.chord.semitones <= {note.midi % 12 for note in notes}:
        return False
    lowest = min(notes, key=lambda note: note.midi).midi % 12
    length = {True: Fraction(0), False: Fraction(0)}
    for note in notes:
        if note.midi % 12 != lowest:
            heard = min(note.end, step.end) - max(note.onset, step.start)
            length[note.midi % 12 in step.chord.semitones] += heard
    return length[False] > length[True]


def _tonicises(step: Step, tonic: PitchClass) -> bool:
    """Whether a chord points to a tonic unmistakably: its dominant with a seventh, or labelled as applied."""
    own = bool(step.numeral.applied) and step.local.tonic == tonic
    return is_dominant(step.chord, Key(tonic, "major")) and (own or len(step.chord.members) > 3)


def _leads(piece: Progression, i: int, key: Key) -> str:
    """Return what a chord of dominant preparation leads to in a key: see the module's ``leads``.

    On the way to the dominant the tonic, other chords of preparation, the sixth degree and the dominant of
    the fourth may come between, as long as the key stays.
    """
    fifth, fourth = key.tonic.shift(1), Key(key.tonic.shift(-1), "minor")
    between = {key.tonic.shift(f) for f in (0, -1, 2, -4)} | {piece.steps[i].chord.root}
    first = "elsewhere"
    for j in range(i + 1, min(len(piece.steps), i + 1 + _AHEAD)):
        step = piece.steps[j]
        six_four = step.is_six_four_on(fifth) and step.chord.root == key.tonic
        if six_four or (step.numeral.special == "Cad" and step.chord.bass == fifth):
            return "six-four"
        if is_dominant(step.chord, key):
            return "dominant"
        if is_dominant(step.chord, Key(fifth, "major")):
            if j == i + 1:
                return "applied"
            continue
        if j == i + 1 and step.chord.root == key.tonic and step.chord.quality.is_triad:
            first = "tonic"
        stays = step.key.tonic == key.tonic or j == i + 1
        prepares = step.chord.quality in SIXTHS or step.chord.root in between
        if not stays or not (prepares or is_dominant(step.chord, fourth)):
            break
    return first


def _reach(piece: Progression, i: int) -> Fraction:
    """Return the moment until which a note of a step is followed: the end of the second chord after it."""
    last = min(len(piece.steps) - 1, i + 2)
    return piece.steps[last].end


def _held(piece: Progression, step: Step, after: Step, tone: PitchClass) -> list[Note]:
    """Return the notes of a tone that lie or are struck again from one step to the next."""
    now, then = piece.notes(step, tone), piece.notes(after, tone)
    keys = {note.midi for note in now} & {note.midi for note in then}
    return [note for note in (*now, *then) if note.midi in keys]


def _interval(lower: Note, upper: Note) -> Interval:
    """Return the sixth within the octave, or the third where the sharpened note lies below."""
    if lower.midi <= upper.midi:
        return Interval.between(lower.pitch, upper.pitch).simple
    return Interval.between(upper.pitch, lower.pitch).simple


def _named_in(key: Key, step: Step) -> RomanNumeral:
    """Return a step's numeral in the key in which it is told: Ger65/V of F is Ger65 of C."""
    if key == step.key:
        return step.numeral
    if key == step.local:
        return replace(step.numeral, applied=())
    return next(iter(RomanNumeral.of(step.chord, key)), step.numeral)


def _details(piece: Progression, i: int, key: Key, changes: _Changes | None = None) -> ChromaticChordDetails:
    """Return what is said of every chromatic chord: itself, and the chord that it goes to."""
    step, after = piece.steps[i], piece.follow(i)
    return ChromaticChordDetails(
        key=key,
        chord=_named_in(key, step),
        root=step.chord.root,
        bass=step.entry.bass,
        changes=_changes(step.chord, key) if changes is None else changes,
        to=after.numeral if after is not None else None,
        to_key=after.key if after is not None else None,
        resolution_time=after.start if after is not None else None,
    )


def _event(piece: Progression, i: int, label: str, sure: float, details: ChromaticChordDetails) -> Event:
    step = piece.steps[i]
    tones = {tone.semitone for tone, _ in details.changes} or step.chord.semitones
    notes = tuple(note.id for note in piece.sounding(step.start, step.end) if note.midi % 12 in tones)
    return CHROMATIC_CHORD.event(label, step.start, step.end, notes, round(sure, 3), details)


CHROMATIC_CHORD: Kind[ChromaticChordDetails] = Kind(
    "chromatic chord",
    ChromaticChordDetails,
    find=find_chromatic,
    weight=6.0,
    labels={
        "neapolitan": 8.5,
        "italian sixth": 8.5,
        "french sixth": 8.5,
        "german sixth": 8.5,
    },
    lane=Lane(),
    stop=Stop("rare chord", chord=True),
    contrasts={"": "altered"},
    searched={
        "neapolitan": ("neapolitan",),
        "neapolitan sixth": ("neapolitan",),
        "augmented sixth": ("italian sixth", "french sixth", "german sixth"),
        "borrowed chord": ("borrowed chord",),
        "modal mixture": ("borrowed chord",),
    },
)
