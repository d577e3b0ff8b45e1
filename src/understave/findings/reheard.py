"""Score and spans -> enharmonic pivots: a chord heard as one thing and left as another.

Two sounds can be reheard (Hutchinson, Music Theory for the 21st-Century Classroom, chapter 23; Open Music
Theory, part V): a dominant seventh sounds like a German sixth of the key a semitone below its own tonic; a
diminished seventh has four roots, and so belongs to four keys. A pivot is told where the key changes
and the chord needs one spelling to be understood from what came before and another from what follows.

Event: kind ``"enharmonic pivot"``; it lasts as long as the sound. `notes` are those that are respelled.
Detail:

- ``key`` Key and ``chord`` RomanNumeral: how it is heard as it comes. ``new_key`` Key and ``new_chord``
  RomanNumeral: how it is left. ``respelled`` tuple of (PitchClass, PitchClass): each note with its
  name before and after. ``held`` tuple of PitchClass: the notes that keep their name.
- ``to`` RomanNumeral, ``resolution_time`` Fraction: the chord that decides it, in ``new_key``.
- ``written`` str: ``"before"``, ``"after"`` or ``"both"``: which spelling the score shows.
- ``keys`` tuple of Key (diminished seventh): the four keys whose leading-tone chord it is.

Sentences, one per label:

- dominant seventh as german sixth: "It comes as the dominant seventh of D flat, and leaves as the German
  sixth of C: G flat has become F sharp."
- german sixth as dominant seventh: "It comes as the German sixth of C, and leaves as the dominant seventh
  of D flat: F sharp has become G flat."
- diminished seventh: "It comes as the leading-tone seventh of C and leaves as that of A: A flat has become G
  sharp. The same four keys would also lead to E flat and G flat."
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction

from understave.findings.chromatic import SIXTHS
from understave.findings.closes import is_dominant
from understave.findings.kinds import Kind, Lane, Stop
from understave.findings.progression import Progression, Step, progression_of
from understave.harmony.reading import Details, Event, Span
from understave.score.model import Score
from understave.theory.chord import Chord, Quality
from understave.theory.key import Key
from understave.theory.pitch import PitchClass
from understave.theory.roman import RomanNumeral


@dataclass(frozen=True, slots=True, kw_only=True)
class EnharmonicPivotDetails(Details):
    """How a sound is heard as it comes and as it is left."""

    key: Key
    chord: RomanNumeral
    new_key: Key
    new_chord: RomanNumeral
    respelled: tuple[tuple[PitchClass, PitchClass], ...]
    held: tuple[PitchClass, ...]
    written: str
    to: RomanNumeral
    resolution_time: Fraction
    keys: tuple[Key, ...] | None = None


TO_GERMAN = "dominant seventh as german sixth"
FROM_GERMAN = "german sixth as dominant seventh"
DIMINISHED = "diminished seventh"
_DIATONIC = {
    "major": ("I", "V", "ii", "vi", "IV", "iii"),
    "minor": ("i", "V", "iv", "VI", "III", "VII"),
}


def find_reheard(score: Score, spans: tuple[Span, ...]) -> tuple[Event, ...]:
    """Return the enharmonic pivots of a reading, in order."""
    piece = progression_of(score, spans)
    found: list[Event] = []
    for a, b in _sounds(piece.steps):
        quality = piece.steps[a].chord.quality
        if quality in (Quality.DOMINANT7, Quality.GERMAN):
            found += _seventh(piece, a, b)
        elif quality is Quality.DIMINISHED7:
            found += _diminished(piece, a, b)
    return tuple(found)


def _sounds(steps: tuple[Step, ...]) -> Iterator[tuple[int, int]]:
    """Yield first and last index of neighbouring steps that sound the same, however labelled."""
    a = 0
    for b in range(len(steps)):
        last = b + 1 == len(steps)
        if last or steps[b + 1].chord.semitones != steps[a].chord.semitones:
            yield a, b
            a = b + 1


def _around(piece: Progression, a: int, b: int) -> tuple[Key, Key, Step] | None:
    """Return the keys a sound comes from and leaves for, and the chord after it; None where they are one."""
    after = piece.follow(b)
    if after is None or a == 0:
        return None
    came, left = piece.steps[a - 1].key, after.key
    return None if came.tonic.is_enharmonic(left.tonic) else (came, left, after)


def _seventh(piece: Progression, a: int, b: int) -> list[Event]:
    around = _around(piece, a, b)
    if around is None:
        return []
    came, left, after = around
    plain = next(
        (step.chord for step in piece.steps[a : b + 1] if step.chord.quality is Quality.DOMINANT7), None
    )
    sixth = next(
        (step.chord for step in piece.steps[a : b + 1] if step.chord.quality is Quality.GERMAN), None
    )
    # The root of the seventh chord is the flattened sixth degree of the German sixth's key.
    if sixth is None and plain is not None:
        sixth = Chord(plain.root.shift(10), Quality.GERMAN, 1)
    elif plain is None and sixth is not None:
        plain = Chord(sixth.root.shift(-10), Quality.DOMINANT7)
    if plain is None or sixth is None:
        return []
    goal = sixth.root.shift(-5).semitone
    if _on_dominant(after, goal) and left.tonic.semitone == (goal + 5) % 12:
        first = _numeral(plain, came)
        if first is None:
            return []
        second = RomanNumeral.parse("Ger65")
        spelled = second.chord(left)
        return [_event(piece, (a, b), TO_GERMAN, (came, first, plain), (left, second, spelled), after)]
    tonic = (plain.root.semitone + 5) % 12
    if after.chord.root.semitone == tonic and sixth.root.semitone == (came.tonic.semitone + 6) % 12:
        second_named = _numeral(_respelled(plain, left), left)
        first = RomanNumeral.parse("Ger65")
        # A seventh chord that is at home in the first key is no German sixth there.
        if second_named is None or (_numeral(plain, came) is not None and sixth not in _chords(piece, a, b)):
            return []
        second = second_named
        spelled = _respelled(plain, left)
        heard = first.chord(came)
        return [_event(piece, (a, b), FROM_GERMAN, (came, first, heard), (left, second, spelled), after)]
    return []


def _diminished(piece: Progression, a: int, b: int) -> list[Event]:
    around = _around(piece, a, b)
    if around is None:
        return []
    came, left, after = around
    sound = piece.steps[a].chord.semitones
    goal = after.chord.bass if after.is_six_four_on(left.tonic.shift(1)) else after.chord.root
    leading = goal.shift(5)
    if leading.semitone not in sound or after.chord.quality is Quality.DIMINISHED7:
        return []
    new = Chord(leading, Quality.DIMINISHED7)
    second = _numeral(new, left)
    if second is None:
        return []
    old = _first_hearing(piece, a, b, came, sound)
    if old is None or old[0].root.semitone == leading.semitone:
        return []
    chord, first = old
    return [_event(piece, (a, b), DIMINISHED, (came, first, chord), (left, second, new), after)]


def _first_hearing(
    piece: Progression, a: int, b: int, came: Key, sound: frozenset[int]
) -> tuple[Chord, RomanNumeral] | None:
    """Return the diminished seventh as the old key hears it: as it is written, or as its own chord.

    A key has each diminished seventh as some leading-tone chord, so that only the spelling of the score, or
    the label in the old key, shows that it was first heard so.
    """
    labelled = piece.steps[a]
    if labelled.key == came:
        numeral = _numeral(labelled.chord, came)
        if numeral is not None:
            return labelled.chord, numeral
    notes = piece.sounding(piece.steps[a].start, piece.steps[b].end)
    names: list[PitchClass] = []
    for note in notes:
        tone = note.pitch.pitch_class
        if tone.semitone in sound and all(tone.semitone != other.semitone for other in names):
            names.append(tone)
    for chord in Chord.from_pitch_classes(names) if len(names) == 4 else ():
        if chord.quality is Quality.DIMINISHED7:
            numeral = _numeral(chord, came)
            if numeral is not None:
                return chord, numeral
    return None


def _numeral(chord: Chord, key: Key) -> RomanNumeral | None:
    """Return a seventh chord as the dominant or leading-tone chord of a key or of one of its degrees.

    The Neapolitan counts as a degree. None where it is none of them.
    """
    for target in (*_DIATONIC[key.mode], "bII"):
        head = "V7" if chord.quality is Quality.DOMINANT7 else "viio7"
        text = head if target in ("I", "i") else f"{head}/{target}"
        numeral = RomanNumeral.parse(text)
        found = numeral.chord(key)
        if found.root == chord.root and found.quality is chord.quality:
            return numeral.with_inversion(chord.inversion)
    return None


def _respelled(chord: Chord, key: Key) -> Chord:
    """Return a chord with its root spelled as near to a key as can be."""
    return Chord(chord.root.respell(key.tonic.fifths + 2), chord.quality, chord.inversion)


def _chords(piece: Progression, a: int, b: int) -> list[Chord]:
    return [
        Chord(step.chord.root, step.chord.quality, 1)
        for step in piece.steps[a : b + 1]
        if step.chord.quality in SIXTHS
    ]


def _on_dominant(step: Step, goal: int) -> bool:
    """Whether a chord is the dominant on a sounding pitch class, or the six-four over it."""
    if step.entry.inversion == 2 and step.entry.quality.is_triad and step.entry.bass.semitone == goal:
        return True
    key = Key(PitchClass.from_fifths(step.chord.root.fifths - 1), "major")
    return step.chord.root.semitone == goal and is_dominant(step.chord, key)


def _event(
    piece: Progression,
    steps: tuple[int, int],
    label: str,
    old: tuple[Key, RomanNumeral, Chord],
    new: tuple[Key, RomanNumeral, Chord],
    after: Step,
) -> Event:
    a, b = steps
    start, end = piece.steps[a].start, piece.steps[b].end
    later = {tone.semitone: tone for tone in new[2].members}
    pairs = tuple((tone, later[tone.semitone]) for tone in old[2].members if tone.semitone in later)
    respelled = tuple((tone, q) for tone, q in pairs if tone != q)
    tones = {tone.semitone for tone, _ in respelled}
    notes = [note for note in piece.sounding(start, end) if note.midi % 12 in tones]
    names = {note.pitch.pitch_class for note in notes}
    shown_before = names & {tone for tone, _ in respelled}
    shown_after = names & {tone for _, tone in respelled}
    written = "both" if shown_before and shown_after else "after" if shown_after else "before"
    detail = EnharmonicPivotDetails(
        key=old[0],
        chord=old[1],
        new_key=new[0],
        new_chord=new[1],
        respelled=respelled,
        held=tuple(tone for tone, q in pairs if tone == q),
        written=written,
        to=after.numeral,
        resolution_time=after.start,
    )
    if label == DIMINISHED:
        mode = new[0].mode
        detail = replace(detail, keys=tuple(Key(tone.shift(-5), mode).simplest for tone in new[2].members))
    sure = min(piece.steps[i].confidence for i in (a, b)) * (1.0 if written == "both" else 0.8)
    return ENHARMONIC_PIVOT.event(label, start, end, tuple(note.id for note in notes), round(sure, 3), detail)


ENHARMONIC_PIVOT: Kind[EnharmonicPivotDetails] = Kind(
    "enharmonic pivot",
    EnharmonicPivotDetails,
    find=find_reheard,
    weight=9.0,
    lane=Lane(),
    stop=Stop("rare chord", chord=True),
    searched={
        "enharmonic modulation": (),
    },
)
