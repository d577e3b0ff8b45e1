"""A row of chords written out for the piano: block chords, broken chords, Alberti-like figures, a chorale.

In: harmonies with what is to happen in them (a held bass, suspensions, wishes for the soprano). Out: a
Score that is all our own. Each texture has its own layout of voices, so the leading is found anew for it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Literal

from understave.score.model import Direction, Measure, Note, Part, Score
from understave.score.write import with_source
from understave.theory.pitch import Pitch, PitchClass
from understave.theory.voice_leading import (
    CHORALE,
    CLOSE,
    KEYBOARD,
    Fault,
    Harmony,
    Layout,
    Voicing,
    faults,
    lead,
)

Texture = Literal["block", "broken", "Alberti", "chorale"]
TEXTURES: tuple[Texture, ...] = ("block", "broken", "Alberti", "chorale")
_EIGHTH = Fraction(1, 2)
_VOICES = "btas"


@dataclass(frozen=True)
class Progression:
    """What is written out.

    `tops` are wishes for the soprano, one for each chord. `held` is a bass note that stays under everything.
    `suspended` asks that voices that fall by step onto a chord from a dissonance with its bass come half
    a chord late.
    """

    harmonies: tuple[Harmony, ...]
    tops: tuple[PitchClass | None, ...] = ()
    held: PitchClass | None = None
    suspended: bool = False


@dataclass(frozen=True, slots=True)
class _Sound:
    """A note to write: voice 0 to 3 from the bass, the chord it belongs to, when, how long."""

    voice: int
    chord: int
    onset: Fraction
    duration: Fraction
    pitch: Pitch


@dataclass(frozen=True)
class _Manner:
    """How a texture is written: layout, meter, quarters to a chord, staff of each voice, figuration."""

    layout: Layout
    beats: int
    beat_type: int
    length: Fraction
    staves: tuple[int, int, int, int]
    figure: Callable[[int, Voicing, Fraction, Fraction], list[_Sound]]
    tempo: float


def write_out(progression: Progression, texture: Texture, title: str = "") -> Score:
    """Return a progression in a texture; one chord to a half bar or (chorale) a beat, the last fills its
    bar.
    """
    manner = _MANNERS[texture]
    harmonies = progression.harmonies
    voicings = list(lead(harmonies, manner.layout, progression.tops))
    if progression.held is not None:
        voicings = [_over(progression.held, v, manner.layout) for v in voicings]
    bar = Fraction(4 * manner.beats, manner.beat_type)
    starts = [k * manner.length for k in range(len(harmonies))]
    end = -(-(starts[-1] + manner.length) // bar) * bar
    times = list(zip(starts, [*starts[1:], end], strict=True))
    sounds = [
        sound
        for k, (voicing, (start, until)) in enumerate(zip(voicings, times, strict=True))
        for sound in manner.figure(k, voicing, start, until)
    ]
    if progression.suspended:
        sounds = _suspend(sounds, voicings, manner.length / 2)
    if progression.held is not None and texture in ("block", "chorale"):
        sounds = _tied(sounds, bar)
    signature = harmonies[0].key.signature
    measures = tuple(
        Measure(f"m{k + 1}", k, str(k + 1), k * bar, bar, manner.beats, manner.beat_type, signature)
        for k in range(int(end / bar))
    )
    notes = sorted((_note(sound, manner, bar) for sound in sounds), key=lambda note: (note.onset, note.midi))
    tempo = Direction("tempo", "tempo", Fraction(0), None, 1, "", manner.tempo)
    made = Score(title, "", (Part("P1", "Piano", 1, 2),), measures, tuple(notes), (tempo,))
    return with_source(made)


def faults_in(progression: Progression, texture: Texture) -> tuple[Fault, ...]:
    """Return the rules of voice leading that a progression breaks in a texture, its held bass left aside."""
    voicings = lead(progression.harmonies, _MANNERS[texture].layout, progression.tops)
    return faults(progression.harmonies, voicings)


def times_of(progression: Progression, texture: Texture) -> tuple[tuple[Fraction, Fraction], ...]:
    """Return when each chord of a progression begins and ends in a texture."""
    manner = _MANNERS[texture]
    bar = Fraction(4 * manner.beats, manner.beat_type)
    starts = [k * manner.length for k in range(len(progression.harmonies))]
    end = -(-(starts[-1] + manner.length) // bar) * bar
    return tuple(zip(starts, [*starts[1:], end], strict=True))


# --- figures ---------------------------------------------------------------------------------------------


def _together(k: int, voicing: Voicing, start: Fraction, end: Fraction) -> list[_Sound]:
    return [_Sound(v, k, start, end - start, pitch) for v, pitch in enumerate(voicing)]


def _wave(order: Sequence[int]) -> Callable[[int, Voicing, Fraction, Fraction], list[_Sound]]:
    """Break the three lower voices in eighth notes in an order; the soprano sings above."""

    def figure(k: int, voicing: Voicing, start: Fraction, end: Fraction) -> list[_Sound]:
        sounds = [_Sound(3, k, start, end - start, voicing[3])]
        for i in range(int((end - start) / _EIGHTH)):
            voice = order[i % len(order)]
            sounds.append(_Sound(voice, k, start + i * _EIGHTH, _EIGHTH, voicing[voice]))
        return sounds

    return figure


_TENTHS = Layout(((40, 57), (45, 64), (48, 69), (60, 84)), ((0, 2, 16), (2, 3, 19)), distinct=True)
_MANNERS: Mapping[Texture, _Manner] = {
    "block": _Manner(KEYBOARD, 4, 4, Fraction(2), (2, 1, 1, 1), _together, 76.0),
    "broken": _Manner(_TENTHS, 3, 4, Fraction(3), (2, 2, 2, 1), _wave((0, 1, 2, 1, 2, 1)), 100.0),
    "Alberti": _Manner(CLOSE, 4, 4, Fraction(2), (2, 2, 2, 1), _wave((0, 2, 1, 2)), 92.0),
    "chorale": _Manner(CHORALE, 4, 4, Fraction(1), (2, 2, 1, 1), _together, 66.0),
}


# --- what happens in them ----------------------------------------------------------------------------------


def _over(held: PitchClass, voicing: Voicing, layout: Layout) -> Voicing:
    """Put the held note in the bass of a chord, below the tenor."""
    low, high = layout.ranges[0]
    top = min(high, 53)
    choices = [
        pitch
        for octave in range(1, 5)
        if low - 5 <= (pitch := Pitch(held.letter, held.alter, octave)).midi <= top
    ]
    return (choices[-1], *voicing[1:])


def _tied(sounds: list[_Sound], bar: Fraction) -> list[_Sound]:
    """Draw the strikings of the held bass within a bar together."""
    result = [sound for sound in sounds if sound.voice != 0]
    by_bar: dict[int, list[_Sound]] = {}
    for sound in sounds:
        if sound.voice == 0:
            by_bar.setdefault(int(sound.onset // bar), []).append(sound)
    for group in by_bar.values():
        length = group[-1].onset + group[-1].duration - group[0].onset
        result.append(replace(group[0], duration=length))
    return result


_DISSONANT = (1, 2, 5, 6, 10, 11)


def _suspend(sounds: list[_Sound], voicings: Sequence[Voicing], late: Fraction) -> list[_Sound]:
    """Hold a voice over where it falls by step from a dissonance: at one chord, the highest such voice."""
    result = list(sounds)
    for k in range(1, len(voicings)):
        before, now = voicings[k - 1], voicings[k]
        for voice in (3, 2, 1):
            fall = before[voice].midi - now[voice].midi
            step = before[voice].diatonic - now[voice].diatonic == 1 and 1 <= fall <= 2
            if not step or (before[voice].midi - now[0].midi) % 12 not in _DISSONANT:
                continue
            own = [i for i, sound in enumerate(result) if sound.voice == voice and sound.chord in (k - 1, k)]
            if len(own) != 2:
                continue
            first, second = (result[i] for i in own)
            result[own[0]] = replace(first, duration=first.duration + late)
            result[own[1]] = replace(second, onset=second.onset + late, duration=second.duration - late)
            break
    return result


def _note(sound: _Sound, manner: _Manner, bar: Fraction) -> Note:
    upper = [v for v in range(4) if manner.staves[v] == manner.staves[sound.voice]]
    broken = manner.figure is not _together
    # Voices that move together share a stem; a broken chord is one line.
    voice = (
        "5" if manner.staves[sound.voice] == 2 and broken else str(1 + 4 * (manner.staves[sound.voice] - 1))
    )
    if manner.layout is CHORALE:
        voice = str(8 - sound.voice if sound.voice < 2 else 4 - sound.voice)
    elif not broken and len(upper) == 3 and sound.voice == 3:
        voice = "1"
    name = (
        f"e{sound.chord + 1}{_VOICES[sound.voice]}{'' if sound.duration > _EIGHTH else sound.onset / _EIGHTH}"
    )
    return Note(
        id=name,
        onset=sound.onset,
        duration=sound.duration,
        pitch=sound.pitch,
        written=sound.pitch,
        staff=manner.staves[sound.voice],
        voice=voice,
        part=0,
        measure=int(sound.onset // bar),
        ids=(name,),
    )
