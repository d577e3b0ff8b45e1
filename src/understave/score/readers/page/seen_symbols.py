"""What the network that sees pages tells apart: symbols by their SMuFL names, and layers of lines.

Some symbols look alike, and where they stand tells what they are: they are one class. A clef of a change is
a smaller clef.
"""

from __future__ import annotations

SPACE = 12
"""Pixels from one staff line to the next in what it sees."""
LAYERS = ("staff", "stemUp", "stemDown", "bar", "beam", "ledger", "curve", "thin")
"""Kinds of lines; ``thin`` are hairpins, brackets and whatever else is level."""
_ALIKE = {
    "noteheadDoubleWholeSquare": "noteheadDoubleWhole",
    "restWholeLegerLine": "restWhole",
    "restHalfLegerLine": "restHalf",
    "repeatDot": "augmentationDot",
    "articStaccatoAbove": "augmentationDot",
    "articStaccatoBelow": "augmentationDot",
    "articTenutoBelow": "articTenutoAbove",
    "articAccentBelow": "articAccentAbove",
}
CLASSES = (
    "noteheadBlack",
    "noteheadHalf",
    "noteheadWhole",
    "noteheadDoubleWhole",
    "gClef",
    "gClef8vb",
    "fClef",
    "cClef",
    "accidentalFlat",
    "accidentalNatural",
    "accidentalSharp",
    "accidentalDoubleSharp",
    "accidentalDoubleFlat",
    "restWhole",
    "restHalf",
    "restQuarter",
    "rest8th",
    "rest16th",
    "rest32nd",
    "rest64th",
    "augmentationDot",
    *(f"flag{name}{way}" for name in ("8th", "16th", "32nd", "64th") for way in ("Up", "Down")),
    *(f"timeSig{i}" for i in range(10)),
    "timeSigCommon",
    "timeSigCutCommon",
    *(f"tuplet{i}" for i in range(10)),
    *(f"fingering{i}" for i in range(1, 6)),
    "articAccentAbove",
    "articTenutoAbove",
    "articStaccatissimoAbove",
    "articStaccatissimoBelow",
    "articMarcatoAbove",
    "articMarcatoBelow",
    "fermataAbove",
    "fermataBelow",
    "ornamentTrill",
    "ornamentTurn",
    "ornamentShortTrill",
    "ornamentMordent",
    "keyboardPedalPed",
    "keyboardPedalUp",
    "dynamicPiano",
    "dynamicMezzo",
    "dynamicForte",
    "dynamicPP",
    "dynamicPPP",
    "dynamicMP",
    "dynamicMF",
    "dynamicFF",
    "dynamicFFF",
    "dynamicFortePiano",
    "dynamicForzando",
    "dynamicSforzando1",
    "accidentalParensLeft",
    "accidentalParensRight",
)


def class_of(name: str) -> str | None:
    """Return the class of a symbol, None where it is not learnt."""
    name = name.removesuffix("Change") if "Clef" in name else name
    name = _ALIKE.get(name, name)
    return name if name in CLASSES else None
