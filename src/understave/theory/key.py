"""Keys: tonic and mode, signature, scale and close relatives.

In: names such as ``"f"``, ``"Ab"``, ``"F minor"``. Out: frozen values. The lower-case letter for a
minor key is the RomanText habit (Tymoczko et al., ISMIR 2019).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from understave.theory.pitch import PitchClass

Mode = Literal["major", "minor"]
_MAJOR_SCALE = (0, 2, 4, -1, 1, 3, 5)
_MINOR_SCALE = (0, 2, -3, -1, 1, -4, -2)


@dataclass(frozen=True, slots=True, order=True)
class Key:
    """A major or minor key on a spelled tonic."""

    tonic: PitchClass
    mode: Mode = "major"

    @classmethod
    def parse(cls, text: str) -> Key:
        """Read ``"Ab"``, ``"f#"`` (minor by its lower-case letter), ``"F minor"``; raise ValueError."""
        words = text.strip().replace("-", " ").split() if " " in text.strip() else [text.strip()]
        if len(words) == 2 and words[1].lower() in ("major", "minor"):
            return cls(PitchClass.parse(words[0]), "major" if words[1].lower() == "major" else "minor")
        name = words[0] if len(words) == 1 else ""
        if not name:
            raise ValueError(f"{text!r} is not a key; write for example Ab, f# or F minor.")
        return cls(PitchClass.parse(name), "major" if name[0].isupper() else "minor")

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
        steps = _MAJOR_SCALE if self.mode == "major" else _MINOR_SCALE
        return tuple(PitchClass.from_fifths(self.tonic.fifths + s) for s in steps)

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
