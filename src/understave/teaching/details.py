"""What exercises and contrasts are told from: a dataclass of details for each, as kinds of events have.

Whoever reads a value asks for its field, so that the type checker finds one that is renamed; the gaps of
their words (tables ``exercises`` and ``contrasts`` of the phrasebook) have the names of the fields. A field
that is None does not apply, and no gap can tell it.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import ClassVar, Literal, TypeAlias

from understave.harmony.reading import Details
from understave.theory.chord import Quality
from understave.theory.key import Key, Mode
from understave.theory.pitch import Pitch, PitchClass
from understave.theory.roman import RomanNumeral

# --- exercises -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked(Details):
    """What an exercise asks about: a moment of the piece and the key there.

    `exercise` names its kind; `variant` is which of several questions of that kind it is.
    """

    exercise: ClassVar[str]
    variant: ClassVar[str] = ""

    at: Fraction
    key: Key


@dataclass(frozen=True, slots=True, kw_only=True)
class ChordToName(Asked):
    """A chord of the piece."""

    exercise: ClassVar[str] = "name the chord"

    chord: RomanNumeral
    root: PitchClass
    bass: PitchClass
    quality: Quality
    members: tuple[PitchClass, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChordToSpell(Asked):
    """A numeral of the piece in a key, which need not be the piece's own (`home`)."""

    exercise: ClassVar[str] = "spell the chord"

    home: Key
    chord: RomanNumeral
    root: PitchClass
    quality: Quality
    members: tuple[PitchClass, ...]
    bass: PitchClass


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteToFind(Asked):
    """The one foreign note in a chord: its id, pitch and kind, and the `moment` at which it is foreign."""

    exercise: ClassVar[str] = "find the foreign note"

    moment: Fraction
    chord: RomanNumeral
    members: tuple[PitchClass, ...]
    root: PitchClass
    quality: Quality
    pitch: Pitch
    note: str
    kind: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteToResolve(Asked):
    """A dissonance and the note it goes to, by pitch and id."""

    exercise: ClassVar[str] = "resolve the dissonance"

    chord: RomanNumeral
    pitch: Pitch
    note: str
    goal: Pitch
    goal_note: str
    way: Literal["up", "down"]
    kind: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SequenceToContinue(Asked):
    """The roots that are given and those that follow, `count` of them; `times` of both together."""

    exercise: ClassVar[str] = "continue the sequence"

    given: tuple[PitchClass, ...]
    going_on: tuple[PitchClass, ...]
    times: tuple[Fraction, ...]
    count: int
    pattern: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ChordToResolve(Asked):
    """A chord of tension, what it goes to and the notes of that; the leading tone where the chord has one."""

    exercise: ClassVar[str] = "resolve the chord"

    chord: RomanNumeral
    to: RomanNumeral
    to_key: Key
    members: tuple[PitchClass, ...]
    leading_tone: PitchClass | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BarsToMove(Asked):
    """Chords of some bars (`where` from and to) with their roots, the keys to play them in, and the roots in
    the first of these.
    """

    exercise: ClassVar[str] = "play in other keys"

    where: tuple[Fraction, Fraction]
    targets: tuple[Key, ...]
    chords: tuple[RomanNumeral, ...]
    roots: tuple[PitchClass, ...]
    target: Key
    target_roots: tuple[PitchClass, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ModeToHear(Asked):
    """A triad, which is major or minor."""

    exercise: ClassVar[str] = "hear and choose"
    variant: ClassVar[str] = "mode"

    root: PitchClass
    right: Mode


@dataclass(frozen=True, slots=True, kw_only=True)
class CadenceToHear(Asked):
    """A cadence of one of the families that an ear is asked to tell."""

    exercise: ClassVar[str] = "hear and choose"
    variant: ClassVar[str] = "cadence"

    right: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ChordToHear(Asked):
    """A chromatic chord, which is itself the right answer."""

    exercise: ClassVar[str] = "hear and choose"
    variant: ClassVar[str] = "chord"

    chord: RomanNumeral
    right: RomanNumeral


ToHear: TypeAlias = ModeToHear | CadenceToHear | ChordToHear
"""What there are choices for, one of them right."""
Question: TypeAlias = (
    ChordToName
    | ChordToSpell
    | NoteToFind
    | NoteToResolve
    | SequenceToContinue
    | ChordToResolve
    | BarsToMove
    | ToHear
)
"""What an exercise is of."""

# --- contrasts -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared(Details):
    """What a contrast is about: a moment of the piece, and the key there if one is read."""

    at: Fraction
    key: Key | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ChordPutBack(Compared):
    """A chord, and the plain one in its place; `changes` are pairs of the note written and the note of the
    key, where altered notes alone make the difference.
    """

    chord: RomanNumeral
    plain: RomanNumeral
    changes: tuple[tuple[PitchClass, PitchClass], ...] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ModeKept(Compared):
    """The key that was left."""

    before: Key


@dataclass(frozen=True, slots=True, kw_only=True)
class DissonanceLeftOut(Compared):
    """A foreign note of a kind, the chord it is foreign to, and the note it resolves to."""

    chord: RomanNumeral
    pitch: PitchClass
    resolution: PitchClass
    kind: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WayTakenBefore(Compared):
    """The earlier moment at which the passage took its first way."""

    earlier: Fraction


@dataclass(frozen=True, slots=True, kw_only=True)
class PedalHeld(Compared):
    """The notes that clash where the pedal is not changed."""

    old: Pitch
    new: Pitch


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherPiano(Compared):
    """The lowest note."""

    bass: Pitch


Comparison: TypeAlias = (
    Compared | ChordPutBack | ModeKept | DissonanceLeftOut | WayTakenBefore | PedalHeld | OtherPiano
)
"""What a contrast is told from: for block chords, bass and melody no more than where."""
