"""What a teacher may choose about engraved pages."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from understave.harmony.reading import UNSURE
from understave.theory.names import Language

Paper = Literal["a4", "us-letter"]

# Width and height in millimetres: ISO 216, and ANSI/ASME Y14.1 size A.
PAPER_MM: dict[Paper, tuple[float, float]] = {"a4": (210.0, 297.0), "us-letter": (215.9, 279.4)}


@dataclass(frozen=True, slots=True)
class Options:
    """Choices for pages and excerpts.

    `staff_mm` is the height of a staff; None chooses one by how many staves a system has. `numerals`,
    `keys` and `chord_symbols` switch the lanes, `legend` the line that explains them. `colours`
    prints numerals in the colour of their function. A label whose confidence is below `doubt_below`
    carries a question mark, unless the teacher set it. `language` is that of key names, of the names
    of lanes and of the legend. `tension`, `dynamics` and `pedal` switch the lanes that a plan adds where
    one is given.
    """

    paper: Paper = "a4"
    landscape: bool = False
    staff_mm: float | None = None
    margin_mm: float = 15.0
    numerals: bool = True
    keys: bool = True
    chord_symbols: bool = False
    colours: bool = True
    legend: bool = True
    doubt_below: float = UNSURE
    language: Language = "en"
    tension: bool = True
    dynamics: bool = True
    pedal: bool = True

    def staff_height(self, staves: int) -> float:
        """Height of a staff in millimetres in a score of so many staves; common practice, no source."""
        if self.staff_mm is not None:
            return self.staff_mm
        return next((size for most, size in ((3, 6.6), (4, 6.0), (6, 5.4)) if staves <= most), 4.8)

    @property
    def page_mm(self) -> tuple[float, float]:
        """Width and height of the page in millimetres."""
        width, height = PAPER_MM[self.paper]
        return (height, width) if self.landscape else (width, height)


DEFAULTS = Options()
