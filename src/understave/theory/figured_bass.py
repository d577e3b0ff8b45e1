"""Figured bass: figures over a bass note, what they stand for, and the notes they ask for.

In: figures such as ``"6/5"``, ``"65"``, ``"7 #3"``, ``"4-3"``, a bass and a key. Out: complete figures,
the pitches above the bass, and back from sounding pitches to the figures a player would be given.

Conventions (Hutchinson, Music Theory for the 21st-Century Classroom, chapter 16; C. P. E. Bach, "Versuch
über die wahre Art das Clavier zu spielen", part 2, 1762, for the abbreviations): figures count staff steps
above the bass, in the key signature, so in minor the raised leading tone always needs its sign; signs mean
what they mean on the staff, and one without a number belongs to the third; a stroke through a figure or a
plus raises it by a semitone.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from understave.errors import SymbolError
from understave.theory.chord import Chord
from understave.theory.key import Key
from understave.theory.pitch import LETTERS, Pitch, PitchClass, accidental_text

_SIGNS = {"♯": "#", "♭": "b", "♮": "n", "x": "##", "𝄪": "##", "𝄫": "bb"}
_FIGURE = re.compile(
    r"(?P<before>#+|b+|n|\+|)(?P<number>1[0-5]|[1-9]|(?<=[#bn]))"
    r"(?P<after>(?:#+|b+|n|\+|\\|/|)(?!\d)|)"
)

# Figures as they are abbreviated -> complete figures, both from top to bottom.
_COMPLETE: dict[tuple[int, ...], tuple[int, ...]] = {
    (): (5, 3),
    (3,): (5, 3),
    (5,): (5, 3),
    (8,): (8, 5, 3),
    (8, 5): (8, 5, 3),
    (8, 3): (8, 5, 3),
    (6,): (6, 3),
    (8, 6): (8, 6, 3),
    (7,): (7, 5, 3),
    (7, 3): (7, 5, 3),
    (7, 5): (7, 5, 3),
    (8, 7): (8, 7, 5, 3),
    (6, 5): (6, 5, 3),
    (4, 3): (6, 4, 3),
    (4, 2): (6, 4, 2),
    (2,): (6, 4, 2),
    (6, 2): (6, 4, 2),
    (4,): (5, 4),
    (8, 4): (8, 5, 4),
    (7, 4): (7, 5, 4),
    (9,): (9, 5, 3),
    (9, 3): (9, 5, 3),
    (9, 5): (9, 5, 3),
    (9, 7): (9, 7, 5, 3),
    (9, 7, 5): (9, 7, 5, 3),
    (9, 7, 3): (9, 7, 5, 3),
    (9, 4): (9, 5, 4),
    (9, 6): (9, 6, 3),
    (7, 6): (7, 6, 3),
    (5, 2): (5, 2),
    (7, 2): (7, 4, 2),
}
# Complete figures -> the shortest customary form.
_SHORT: dict[tuple[int, ...], tuple[int, ...]] = {
    (5, 3): (),
    (6, 3): (6,),
    (7, 5, 3): (7,),
    (6, 5, 3): (6, 5),
    (6, 4, 3): (4, 3),
    (6, 4, 2): (4, 2),
    (9, 5, 3): (9,),
    (9, 7, 5, 3): (9, 7),
    (7, 5, 4): (7, 4),
}


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure: the generic interval above the bass and its sign.

    `sign` is empty, sharps or flats (``"#"``, ``"bb"``), ``"n"`` for a natural, or ``"+"`` for a stroke
    or plus that raises the note of the key by a semitone.
    """

    number: int
    sign: str = ""

    def __str__(self) -> str:
        return f"{self.sign}{self.number}"

    @property
    def display(self) -> str:
        """What is printed, with real accidentals; a third is only its sign where it has one."""
        sign = self.sign.replace("##", "𝄪").replace("bb", "𝄫")
        sign = sign.replace("#", "♯").replace("b", "♭").replace("n", "♮")
        if self.sign == "+":
            return f"{self.number}+"
        return sign if self.number == 3 and sign else f"{sign}{self.number}"


Figures = tuple[Figure, ...]


def parse_figures(text: str) -> Figures:
    """Read figures from top to bottom: ``"65"``, ``"6/5"``, ``"6 5"``, ``"7 #"``, ``"#6"``, ``"6+"``.

    Raise ValueError with one sentence on anything else. Figures come back sorted, highest first.
    """
    plain = text.strip()
    for glyph, sign in _SIGNS.items():
        plain = plain.replace(glyph, sign)
    figures: list[Figure] = []
    for word in re.split(r"[\s,]+|/(?=[#bn+\d])", plain):
        position = 0
        while position < len(word):
            m = _FIGURE.match(word, position)
            if not m or m.end() == position:
                raise SymbolError(f"{text!r} are not bass figures; write for example 6/5, 7 or #6.")
            number = int(m["number"] or 3)
            sign = m["before"] or ("+" if m["after"] in ("\\", "/") else m["after"])
            if m["before"] and m["after"]:
                raise SymbolError(f"{text!r} are not bass figures: the {number} has two signs.")
            figures.append(Figure(number, sign))
            position = m.end()
    numbers = [figure.number for figure in figures]
    if len(set(numbers)) != len(numbers) or 1 in numbers:
        raise SymbolError(f"{text!r} are not bass figures: each of them stands once, and none is 1.")
    return tuple(sorted(figures, key=lambda figure: -figure.number))


def parse_progression(text: str) -> tuple[Figures, ...]:
    """Read figures that move over one bass: ``"4-3"``, ``"9-8/7-6"``, ``"6/4-5/3"`` is written ``"6-5/4-3"``.

    Voices are separated by a slash or a space, the steps of a voice by hyphens; a voice with fewer steps
    keeps its last figure. Returns the figures of each step. Raises ValueError as `parse_figures`.
    """
    voices = [v for v in re.split(r"[\s,]+|/", text.strip()) if v]
    moving = [[parse_figures(step) for step in voice.split("-")] for voice in voices]
    if any(len(step) != 1 for voice in moving for step in voice if len(voice) > 1):
        raise SymbolError(f"{text!r} are not moving bass figures; write each voice alone, such as 6-5/4-3.")
    length = max((len(v) for v in moving), default=1)
    steps = []
    for i in range(length):
        row = [figure for voice in moving for figure in voice[min(i, len(voice) - 1)]]
        steps.append(tuple(sorted(row, key=lambda figure: -figure.number)))
    return tuple(steps)


def complete(figures: Figures) -> Figures:
    """Return figures with everything an abbreviation leaves out: 6/5 becomes 6/5/3, nothing 5/3.

    Figures that abbreviate nothing known are returned as they are.
    """
    signs = {figure.number: figure for figure in figures}
    full = _COMPLETE.get(tuple(figure.number for figure in figures))
    return figures if full is None else tuple(signs.get(n, Figure(n)) for n in full)


def abbreviate(figures: Figures) -> Figures:
    """Return the shortest customary form; a figure with a sign is never left out."""
    short = _SHORT.get(tuple(figure.number for figure in figures))
    if short is None:
        return figures
    return tuple(figure for figure in figures if figure.number in short or figure.sign)


def text(figures: Figures) -> str:
    """Return figures from top to bottom as text: ``"6/5"``, ``"7/#3"``."""
    return "/".join(str(figure) for figure in figures)


def _signature_alter(letter: str, key: Key) -> int:
    return next(tone.alter for tone in Key.from_signature(key.signature).scale if tone.letter == letter)


def _letter_above(bass: PitchClass, number: int) -> str:
    return LETTERS[(LETTERS.index(bass.letter) + number - 1) % 7]


def _sounding(letter: str, sign: str, key: Key) -> PitchClass:
    """Return the note a sign makes of a letter; signs mean what they mean on the staff."""
    own = _signature_alter(letter, key)
    if sign == "":
        return PitchClass(letter, own)
    if sign == "+":
        return PitchClass(letter, own + 1)
    return PitchClass(letter, sign.count("#") - sign.count("b"))


def pitch_classes_above(bass: PitchClass, figures: Figures, key: Key) -> tuple[PitchClass, ...]:
    """Return the notes that figures ask for above a bass, in the order of the complete figures."""
    return tuple(
        _sounding(_letter_above(bass, figure.number), figure.sign, key) for figure in complete(figures)
    )


def pitches_above(bass: Pitch, figures: Figures, key: Key) -> tuple[Pitch, ...]:
    """Return the upper pitches in close position above a bass, lowest first.

    A ninth lies above the octave, as it must; every other note within the octave.
    """
    found = []
    for figure in complete(figures):
        note = _sounding(_letter_above(bass.pitch_class, figure.number), figure.sign, key)
        octave = (bass.diatonic + figure.number - 1) // 7
        found.append(Pitch(note.letter, note.alter, octave))
    return tuple(sorted(found, key=lambda pitch: (pitch.diatonic, pitch.midi)))


def figures_of(bass: Pitch, upper: Iterable[Pitch], key: Key, short: bool = True) -> Figures:
    """Return the figures for pitches sounding above a bass in a key, signs included.

    Octaves of the bass are left out. A second above another octave of the bass is a 9 only where it lies
    more than an octave above the bass and a third sounds, else a 2. With `short` they are abbreviated.
    """
    numbers: dict[int, Figure] = {}
    pitches = sorted(upper, key=lambda pitch: pitch.diatonic)
    thirds = any((pitch.diatonic - bass.diatonic) % 7 == 2 for pitch in pitches)
    for pitch in pitches:
        steps = pitch.diatonic - bass.diatonic
        number = steps % 7 + 1
        if pitch.pitch_class == bass.pitch_class:
            continue
        if number == 1:
            number = 8
        elif number == 2 and steps > 7 and thirds:
            number = 9
        numbers.setdefault(number, Figure(number, _sign_for(pitch.pitch_class, key)))
    figures = tuple(sorted(numbers.values(), key=lambda figure: -figure.number))
    return abbreviate(figures) if short else figures


def _sign_for(note: PitchClass, key: Key) -> str:
    if note.alter == _signature_alter(note.letter, key):
        return ""
    return accidental_text(note.alter) or "n"


def figures_of_chord(chord: Chord, key: Key, short: bool = True) -> Figures:
    """Return the figures of a spelled chord over its bass in a key: V7 of C minor is 7/n3 over G."""
    bass = chord.bass
    numbers: dict[int, Figure] = {}
    tall = len(chord.quality.fifths) >= 5 and chord.inversion == 0
    for tone in chord.members:
        number = (LETTERS.index(tone.letter) - LETTERS.index(bass.letter)) % 7 + 1
        if tone == bass:
            continue
        if number == 1:
            number = 8
        elif number == 2 and tall:
            number = 9
        numbers.setdefault(number, Figure(number, _sign_for(tone, key)))
    figures = tuple(sorted(numbers.values(), key=lambda figure: -figure.number))
    return abbreviate(figures) if short else figures


def chords_of(bass: PitchClass, figures: Figures, key: Key) -> tuple[Chord, ...]:
    """Return the chords that figures over a bass spell, the plainest first; empty where it is none."""
    return Chord.from_pitch_classes((bass, *pitch_classes_above(bass, figures, key)), bass)
