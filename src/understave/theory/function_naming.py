"""Numerals -> function symbols (``T``, ``Sp``, ``D7/3``, ``DD7``, ``tG``), for people who teach by functions.

As taught in German-speaking schools (Maler, "Beitrag zur durmolltonalen Harmonielehre", 1931; de la Motte,
"Harmonielehre", 1976; both from memory): capitals are major chords, small letters minor ones; p and P are
the parallels, g and G the counter-parallels. Of the two names of a mediant the usual one is written: iii is
Dp, VI of minor is tG, III of minor tP. The dominant of the dominant is DD; other secondary dominants stand in
round brackets with what they lead to in square ones, ``(D7)[Sp]``. A dominant without its root, printed there
as a D crossed out, is ``Đ``. The six-four before the dominant is a D with 6 and 4; the first inversion of ii
is a subdominant with a sixth, S6, with the fifth besides S65. The Neapolitan sixth is sN. Which note of
the chord lies in the bass, printed there below the letter, stands after a stroke, as it is typed.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

from understave.theory.chord import Chord, Quality
from understave.theory.key import Key, Mode
from understave.theory.pitch import LETTERS, PitchClass
from understave.theory.roman import SUSPENDED, RomanNumeral

Set = tuple[str, tuple[str, ...], str]
"""Head, figures from top to bottom, what stands after them."""

# The root in fifths above the tonic, whether the third is minor -> the symbol.
_TRIADS = {
    (0, False): "T",
    (0, True): "t",
    (1, False): "D",
    (1, True): "d",
    (-1, False): "S",
    (-1, True): "s",
    (2, False): "DD",
    (2, True): "Sp",
    (3, True): "Tp",
    (3, False): "TP",
    (4, True): "Dp",
    (4, False): "DP",
    (5, True): "Dg",
    (-2, False): "dP",
    (-2, True): "dp",
    (-3, False): "tP",
    (-3, True): "tp",
    (-4, False): "tG",
    (-4, True): "tg",
    (-5, False): "sG",
}
_MINOR_ALONE = ("i", "iv", "v", "ii°", "iiø", "III", "VI", "VII")
"""Heads that stand in minor only where no key is given: in major they would be borrowed or altered."""
_SIXTHS = {"It": ("Đ", ("7", "♭5")), "Fr": ("D", ("7", "♭5")), "Ger": ("Đ", ("♭9", "7", "♭5"))}


def function_label(numeral: RomanNumeral, mode: Mode | None, moving: bool = False) -> Set | None:
    """Return the function symbol of a numeral in a key of a mode (None: the one it is usual in).

    `moving` writes the six-four before the dominant with its moves, 6-5 and 4-3. None for a chord that has no
    symbol here, such as an augmented triad.
    """
    where = mode or (
        "minor" if (numeral.applied[-1] if numeral.applied else numeral).head in _MINOR_ALONE else "major"
    )
    key = Key(PitchClass("C"), where)
    if not numeral.applied:
        return _in_key(numeral, key, moving)
    local = numeral.local_key(key)
    inner = _in_key(replace(numeral, applied=()), Key(PitchClass("C"), local.mode), moving)
    target = function_label(replace(numeral.applied[0], applied=numeral.applied[1:]), where)
    if inner is None or target is None:
        return None
    head, figures, after = inner
    if head in ("D", "Đ") and target == ("D", (), ""):
        return f"D{head}", figures, after
    return f"({head}", figures, f"{after})[{target[0]}{''.join(target[1])}{target[2]}]"


def _in_key(numeral: RomanNumeral, key: Key, moving: bool) -> Set | None:
    if numeral.special == "Cad":
        return "D", (("6–5", "4–3") if moving else ("6", "4")), ""
    chord = numeral.chord(key)
    if numeral.special in _SIXTHS:
        head, figures = _SIXTHS[numeral.special]
        return "D" + head, figures, _bass(chord, key.tonic.shift(2))
    if numeral.special == "N":
        return (
            ("sN", (), "") if numeral.inversion == 1 else ("sG", _sevenths(numeral), _bass(chord, chord.root))
        )
    above = chord.root.fifths - key.tonic.fifths
    third, fifth = chord.quality.fifths[1:3]
    if numeral.quality in SUSPENDED:
        name = _TRIADS.get((above, key.mode == "minor" and above != 1))
        return (name, _sevenths(numeral), _bass(chord, chord.root)) if name else None
    if fifth == -6:
        return _diminished(chord, key, above)
    if fifth != 1:
        return None
    if above == 2 and third == -3 and numeral.inversion == 1:
        return "S", (("6",) if chord.quality.is_triad else ("6", "5")), ""
    name = _TRIADS.get((above, third == -3))
    return (name, _sevenths(numeral), _bass(chord, chord.root)) if name else None


def _diminished(chord: Chord, key: Key, above: int) -> Set | None:
    """The chord of the leading tone is a dominant without its root, that of ii a subdominant with a sixth."""
    if above == 5:
        root = key.tonic.shift(1)
        if chord.quality.is_triad:
            return "Đ", ("7",), _bass(chord, root)
        lowered = chord.quality is Quality.DIMINISHED7
        sign = "" if lowered == (key.mode == "minor") else "♭" if lowered else "♮"
        return "Đ", (f"{sign}9", "7"), _bass(chord, root)
    if above == 2 and chord.quality is not Quality.DIMINISHED7:
        return "s", (("6",) if chord.quality.is_triad else ("6", "5")), _bass(chord, key.tonic.shift(-1))
    return None


def _sevenths(numeral: RomanNumeral) -> tuple[str, ...]:
    return numeral.with_inversion(0).figures


def _bass(chord: Chord, root: PitchClass) -> str:
    number = (LETTERS.index(chord.bass.letter) - LETTERS.index(root.letter)) % 7 + 1
    if number == 2:
        number = 9
    return "" if number == 1 else f"/{number}"


def numeral_of_function(text: str, mode: Mode) -> RomanNumeral | None:
    """Return the numeral whose function symbol in a key of a mode is `text`, None for what is none here.

    What `function_label` writes is read, figures in a line: ``Đ97/3``, ``(D7)[Sp]``, ``S65``.
    """
    return _by_function(mode).get(text.replace("♭", "b").replace("♯", "#"))


@cache
def _by_function(mode: Mode) -> dict[str, RomanNumeral]:
    found: dict[str, RomanNumeral] = {}
    own = _OWN[mode]
    targets = [name for name in own if name[-1] not in "oø"]
    for numeral in (*own, *(f"{head}/{target}" for target in targets for head in _LEADING)):
        head, stroke, target = numeral.partition("/")
        for figures in ("", "6", "64", *_SEVENTHS, *(("54",) if head == "V" else ())):
            heads = {head, head.replace("o", "ø")} if figures in _SEVENTHS else {head}
            for one in sorted(heads):
                _add(found, f"{one}{figures}{stroke}{target}", mode)
    for numeral in ("N6", "N", "N64", "It6", "Fr43", "Ger65", "Cad64"):
        _add(found, numeral, mode)
    return found


_OWN: dict[Mode, tuple[str, ...]] = {
    "major": ("I", "ii", "iii", "IV", "V", "vi", "viio", "i", "iv", "v", "bIII", "bVI", "bVII", "iio"),
    "minor": ("i", "iio", "III", "iv", "V", "VI", "VII", "viio", "v", "I", "IV", "ii"),
}
_SEVENTHS = ("7", "65", "43", "42")
_LEADING = ("V", "viio", "IV", "iv", "ii")


def _add(found: dict[str, RomanNumeral], text: str, mode: Mode) -> None:
    numeral = RomanNumeral.parse(text)
    named = function_label(numeral, mode)
    if named is not None:
        found.setdefault(_plain(named), numeral)


def _plain(named: Set) -> str:
    head, figures, after = named
    return (head + "".join(figures) + after).replace("♭", "b").replace("♯", "#")
