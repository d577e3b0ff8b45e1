"""Keys: tonic and mode, signature, scales, degrees and close relatives.

In: names such as ``"f"``, ``"Ab"``, ``"F minor"``. Out: frozen values. The lower-case letter for a
minor key is the RomanText habit (Tymoczko, Gotham, Cuthbert and Ariza, ISMIR 2019).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from understave.errors import SymbolError
from understave.theory.pitch import PitchClass

Mode = Literal["major", "minor"]
_MAJOR_SCALE = (0, 2, 4, -1, 1, 3, 5)
_MINOR_SCALE = (0, 2, -3, -1, 1, -4, -2)
_HARMONIC_MINOR = (0, 2, -3, -1, 1, -4, 5)
_MELODIC_MINOR = (0, 2, -3, -1, 1, 3, 5)


@dataclass(frozen=True, slots=True, order=True)
class Key:
    """A major or minor key on a spelled tonic."""

    tonic: PitchClass
    mode: Mode = "major"

    @classmethod
    def parse(cls, text: str) -> Key:
        """Read ``"Ab"``, ``"f#"`` (minor by its lower-case letter), ``"F minor"``; raise ValueError."""
        name, _, mode = text.strip().partition(" ")
        mode = mode.strip().lower()
        if not name or mode not in ("", "major", "minor"):
            raise SymbolError(f"{text!r} is not a key; write for example Ab, f# or F minor.")
        try:
            tonic = PitchClass.parse(name)
        except ValueError:
            raise SymbolError(f"{text!r} is not a key; write for example Ab, f# or F minor.") from None
        if mode:
            return cls(tonic, "major" if mode == "major" else "minor")
        return cls(tonic, "major" if name[0].isupper() else "minor")

    @classmethod
    def from_signature(cls, sharps: int, mode: Mode = "major") -> Key:
        """Return the key of a signature with so many sharps (flats negative)."""
        return cls(PitchClass.from_fifths(sharps + (3 if mode == "minor" else 0)), mode)

    @property
    def signature(self) -> int:
        """Sharps in the signature, flats negative; may lie beyond seven for remote keys."""
        return self.tonic.fifths - (3 if self.mode == "minor" else 0)

    @property
    def scale(self) -> tuple[PitchClass, ...]:
        """The seven degrees from the tonic up; natural minor in minor."""
        return self._spell(_MAJOR_SCALE if self.mode == "major" else _MINOR_SCALE)

    @property
    def harmonic_minor(self) -> tuple[PitchClass, ...]:
        """The harmonic minor scale on the tonic: natural sixth, raised seventh."""
        return self._spell(_HARMONIC_MINOR)

    @property
    def melodic_minor(self) -> tuple[PitchClass, ...]:
        """The rising melodic minor scale on the tonic: raised sixth and seventh."""
        return self._spell(_MELODIC_MINOR)

    def _spell(self, steps: tuple[int, ...]) -> tuple[PitchClass, ...]:
        return _spelled(self.tonic.fifths, steps)

    @property
    def leading_tone(self) -> PitchClass:
        """The note a semitone below the tonic (raised in minor)."""
        return PitchClass.from_fifths(self.tonic.fifths + 5)

    def degree(self, pitch_class: PitchClass) -> tuple[int, int]:
        """Return scale degree 1 to 7 and its alteration in semitones against the key's own scale.

        In minor the natural scale counts, so the leading tone is (7, 1).
        """
        for number, note in enumerate(self.scale, start=1):
            if note.letter == pitch_class.letter:
                return number, pitch_class.alter - note.alter
        raise AssertionError("every letter is in every scale")

    def __contains__(self, pitch_class: PitchClass) -> bool:
        """Whether a pitch class belongs to the scale; in minor also the raised sixth and seventh."""
        return pitch_class in self.scale or (self.mode == "minor" and pitch_class in self.melodic_minor)

    def fifths_to(self, other: Key) -> int:
        """Return how many sharps the other key's signature has more than this one (negative: flats)."""
        return other.signature - self.signature

    @property
    def closely_related(self) -> tuple[Key, ...]:
        """The five keys whose signatures differ by at most one accidental: relative, then dominant side.

        For C major: A minor, G major, E minor, F major, D minor (Hutchinson, Music Theory for the
        21st-Century Classroom, chapter 22).
        """
        sharp = Key.from_signature(self.signature + 1, self.mode)
        flat = Key.from_signature(self.signature - 1, self.mode)
        return (self.relative, sharp, sharp.relative, flat, flat.relative)

    @property
    def enharmonic(self) -> Key:
        """The key of the same sound with its signature on the other side: Db major for C# major."""
        return Key(PitchClass.from_fifths(self.tonic.fifths + (-12 if self.signature > 0 else 12)), self.mode)

    @property
    def simplest(self) -> Key:
        """The enharmonic key with the fewest accidentals, itself where none is simpler."""
        steps = round(self.signature / 12)
        return Key(PitchClass.from_fifths(self.tonic.fifths - 12 * steps), self.mode)

    @property
    def relative(self) -> Key:
        """The key of the other mode with the same signature."""
        if self.mode == "major":
            return Key(PitchClass.from_fifths(self.tonic.fifths + 3), "minor")
        return Key(PitchClass.from_fifths(self.tonic.fifths - 3), "major")

    @property
    def parallel(self) -> Key:
        """The key of the other mode on the same tonic."""
        return Key(self.tonic, "minor" if self.mode == "major" else "major")

    @property
    def symbol(self) -> str:
        """RomanText name: ``"Ab"`` for A flat major, ``"f"`` for F minor."""
        name = self.tonic.name
        return name if self.mode == "major" else name[0].lower() + name[1:]

    @property
    def name(self) -> str:
        """Plain ASCII name: ``"Ab major"``."""
        return f"{self.tonic.name} {self.mode}"

    def __str__(self) -> str:
        return self.symbol


def circle_of_fifths(mode: Mode = "major", flats: int = 7, sharps: int = 7) -> tuple[Key, ...]:
    """Return the keys of a mode from the flattest signature to the sharpest, 15 by default."""
    return tuple(Key.from_signature(s, mode) for s in range(-flats, sharps + 1))


def all_keys() -> tuple[Key, ...]:
    """Return the thirty keys with at most seven sharps or flats, majors first."""
    return circle_of_fifths("major") + circle_of_fifths("minor")


@lru_cache(maxsize=1024)
def _spelled(tonic: int, steps: tuple[int, ...]) -> tuple[PitchClass, ...]:
    return tuple(PitchClass.from_fifths(tonic + s) for s in steps)
