"""Reading Roman numerals from text.

In: one RomanText numeral (Tymoczko, Gotham, Cuthbert and Ariza, ISMIR 2019) in any of the spellings that
published analyses use. Out: a `RomanNumeral`, or ValueError with one sentence that says what is wrong.

Figures count from the bass. Figures that no chord has (``V654``) are read as the nearest chord with added
notes; a signed figure (``V6b5``) alters the note it stands for, except that 9 always counts from the root.
A flat seventh on a chord that has a major one in either mode (``IVb7``) makes it a dominant seventh.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace
from functools import lru_cache

from understave.errors import SymbolError
from understave.theory.chord import Quality, quality_of_shape, usual_inversion
from understave.theory.numeral_places import NUMERALS, TRIAD, Style, bare_qualities
from understave.theory.roman import SUSPENDED, RomanNumeral

_HEAD = re.compile(
    r"(?P<accidental>#*|b*)"
    r"(?:(?P<numeral>[IV]+|[iv]+)|(?P<special>Cad|Ger|It|Fr|N))"
    r"(?P<sign>[oø+]?)"
    r"(?P<seventh>maj|M(?!9)|)"
    r"(?P<figures>(?:(?:#+|b+|M|)(?:1[13]|[2-9]))*|d)"
    r"(?P<late>\+?)"
    r"(?P<brackets>(?:\[[^\[\]]+\])*)"
)
# A hyphen after a figure is no flat: V6-5 is two chords, which `harmony.figure_moves` tells apart.
_MOVED = re.compile(r"\d[-–][#b]?\d")
_FIGURE = re.compile(r"(#+|b+|M|)(1[13]|[2-9])")
_BRACKET = re.compile(r"(no|add|sus|)([#b]*)(1[13]|[1-9])")

# Complete figures above the bass -> (size of the stack, inversion).
_COMPLETE: dict[frozenset[int], tuple[str, int]] = {
    frozenset({3, 5}): ("3", 0),
    frozenset({3, 6}): ("3", 1),
    frozenset({4, 6}): ("3", 2),
    frozenset({3, 5, 7}): ("7", 0),
    frozenset({3, 5, 6}): ("7", 1),
    frozenset({3, 4, 6}): ("7", 2),
    frozenset({2, 4, 6}): ("7", 3),
    frozenset({3, 5, 7, 9}): ("9", 0),
    frozenset({3, 5, 6, 7}): ("9", 1),
    frozenset({3, 4, 5, 6}): ("9", 2),
    frozenset({2, 3, 4, 6}): ("9", 3),
    frozenset({2, 4, 6, 7}): ("9", 4),
    frozenset({4, 5}): ("sus", 0),
    frozenset({4, 5, 7}): ("7sus", 0),
}
# Customary abbreviations -> the complete figures they stand for.
_SHORT: dict[frozenset[int], frozenset[int]] = {
    frozenset(short): frozenset(full)
    for short, full in (
        ((), (5, 3)),
        ((5,), (5, 3)),
        ((3,), (5, 3)),
        ((6,), (6, 3)),
        ((7,), (7, 5, 3)),
        ((7, 5), (7, 5, 3)),
        ((7, 3), (7, 5, 3)),
        ((6, 5), (6, 5, 3)),
        ((4, 3), (6, 4, 3)),
        ((4, 2), (6, 4, 2)),
        ((2,), (6, 4, 2)),
        ((6, 2), (6, 4, 2)),
        ((9,), (9, 7, 5, 3)),
        ((9, 7), (9, 7, 5, 3)),
        ((9, 7, 3), (9, 7, 5, 3)),
        ((9, 7, 5), (9, 7, 5, 3)),
        ((7, 6, 5), (7, 6, 5, 3)),
        ((4,), (5, 4)),
        ((7, 4), (7, 5, 4)),
    )
}
_SPECIAL = {"It": Quality.ITALIAN, "Fr": Quality.FRENCH, "Ger": Quality.GERMAN}
_SPECIAL_DEGREE = {"It": (4, 1), "Fr": (2, 0), "Ger": (4, 1)}


def _complaint(text: str, why: str) -> ValueError:
    return ValueError(f"{text!r} is not a Roman numeral: {why}")


def _clean(text: str) -> str:
    """Bring the spellings in use to one: plain accidentals, o and ø, joined figures."""
    for old, new in (("♭", "b"), ("-", "b"), ("♯", "#"), ("°", "o"), ("º", "o"), ("Ø", "ø")):
        text = text.replace(old, new)
    text = re.sub(r"(?<=[iv])/o(?![a-z])", "ø", text)
    return re.sub(r"(?<=\d)/(?=[#b]?\d)", "", text)


@lru_cache(maxsize=16384)
def read_numeral(text: str) -> RomanNumeral:
    """Read one numeral; raise ValueError with one sentence where it is none."""
    if _MOVED.search(text):
        raise _complaint(
            text, "figures that move over a bass are chords of their own; give each its numeral."
        )
    plain = _clean(text.strip())
    if not plain:
        raise SymbolError("There is no Roman numeral here; write for example V65/V.")
    head, *targets = plain.split("/")
    numeral = _read_head(head, text)
    return replace(numeral, applied=tuple(_read_target(t, text) for t in targets)) if targets else numeral


def _read_target(target: str, text: str) -> RomanNumeral:
    why = "after the slash stands the numeral of a key without figures, such as /V or /ii."
    if not target:
        raise _complaint(text, why)
    numeral = _read_head(target, text)
    plain = numeral.quality.is_triad and numeral.special in ("", "N")
    if not plain or numeral.inversion or numeral.added or numeral.omitted or numeral.altered:
        raise _complaint(text, why)
    return numeral


def _read_head(head: str, text: str) -> RomanNumeral:
    m = _HEAD.fullmatch(head)
    if not m:
        raise _complaint(text, "write a numeral from I to VII, its sign and its figures, such as viio65.")
    # A bare d after a numeral is an older sign for the last (third) inversion of its seventh chord.
    figures = [("", 4), ("", 2)] if m["figures"] == "d" else _figures(m["figures"])
    added, omitted, altered, suspension = _read_brackets(m["brackets"], text)
    size, inversion, extra, changed = _read_figures(figures)
    added += extra
    altered += changed
    if m["special"]:
        return _read_special(m, figures, size, inversion, (added, omitted, altered), text)
    numeral = m["numeral"]
    if numeral.upper() not in NUMERALS:
        raise _complaint(text, f"{numeral!r} is no degree; use I to VII.")
    sign = m["sign"] or m["late"]
    small = sign in ("o", "ø") or (numeral.islower() and sign != "+")
    if suspension:
        size = {"34": "sus", "32": "sus2", "74": "7sus"}.get(size + suspension, "")
        if not size:
            raise _complaint(text, f"[sus{suspension}] stands on a triad, [sus4] also on a seventh chord.")
    if m["seventh"] and size == "3" and inversion == 0:
        size = "7"
    degree = NUMERALS.index(numeral.upper()) + 1
    alter = m["accidental"].count("#") - m["accidental"].count("b")
    if small and not sign:
        # On a minor triad b3 and b7 only confirm what stands there.
        altered = [a for a in altered if a not in ("b3", "b7")]
    by_key = False
    suspended = {figures: quality for quality, figures in SUSPENDED.items()}
    if size in suspended:
        quality = suspended[size]
    elif size == "3":
        quality = quality_of_shape((0, *TRIAD[small, sign]))[0]
    else:
        ninth = _take_ninth(added, altered) if size in ("7", "9") else None
        reach = 9 if size == "9" or ninth is not None else 7
        exact = 5 if m["seventh"] else None
        quality, by_key = _stack(degree, alter, (small, sign), reach, exact, ninth or "", altered)
    return RomanNumeral(
        degree=degree,
        quality=quality,
        inversion=inversion,
        alter=alter,
        added=_ordered(added),
        omitted=omitted,
        altered=_ordered(altered),
        by_key=by_key,
        small=small and size in suspended,
    )


def _figures(text: str) -> list[tuple[str, int]]:
    return [(sign, int(number)) for sign, number in _FIGURE.findall(text)]


def _read_brackets(brackets: str, text: str) -> tuple[list[str], tuple[int, ...], list[str], str]:
    """Return added notes, omitted factors, altered factors, and what the third is suspended by."""
    added: list[str] = []
    altered: list[str] = []
    omitted: set[int] = set()
    suspension = ""
    for content in re.findall(r"\[([^\]]+)\]", brackets):
        items = _BRACKET.findall(content)
        if not items or "".join(a + b + c for a, b, c in items) != content:
            raise _complaint(text, f"[{content}] is not understood; use [no3], [add9], [b5] or [sus4].")
        for word, accidental, number in items:
            if word == "no":
                omitted.add((int(number) - 1) % 7 + 1)
            elif word == "add":
                added.append(accidental + number)
            elif word == "sus" and accidental == "" and number in ("2", "4"):
                suspension = number
            elif word == "" and accidental:
                altered.append(accidental + number)
            else:
                raise _complaint(text, f"[{content}] is not understood; use [no3], [add9], [b5] or [sus4].")
    return added, tuple(sorted(omitted)), altered, suspension


def _read_figures(figures: list[tuple[str, int]]) -> tuple[str, int, list[str], list[str]]:
    """Return size, inversion, notes added above the root, and altered factors."""
    plain = frozenset(d for sign, d in figures if d < 9 or (d == 9 and not sign))
    complete = _SHORT.get(plain, plain)
    if complete not in _COMPLETE:
        complete = max(
            _COMPLETE,
            key=lambda c: (len(plain & c) - len(plain - c), -abs(len(c) - len(plain)), -len(c)),
        )
    size, inversion = _COMPLETE[complete]
    left_over = plain - complete if plain not in _SHORT else ()
    added = [str((d - 1 + 2 * inversion) % 7 + 1) for d in sorted(left_over)]
    added = ["9" if a == "2" else a for a in added if a not in ("1", "3", "5")]
    added += [str(d) for _, d in figures if d > 9]
    altered: list[str] = []
    for sign, d in figures:
        if sign and d == 9:
            altered.append(sign + "9")
            size = "9" if size in ("3", "7") else size
        elif sign and d < 9:
            number = (d - 1 + 2 * inversion) % 7 + 1
            altered.append(sign.replace("M", "#") + str(number))
    return size, inversion, added, altered


def _take_ninth(added: list[str], altered: list[str]) -> str | None:
    """Take the ninth out of the lists; return its sign (M for a major one), or None without a ninth."""
    for names in (added, altered):
        for name in names:
            if name.lstrip("#bM") == "9":
                names.remove(name)
                return name[:-1].replace("#", "M")
    return None


def _stack(  # noqa: PLR0913
    degree: int,
    alter: int,
    style: Style,
    reach: int,
    seventh: int | None,
    ninth: str,
    altered: list[str],
) -> tuple[Quality, bool]:
    """Return the quality of a seventh or ninth chord and whether the key decides it.

    A bracketed seventh that makes a chord with a name of its own is taken out of `altered`.
    """
    triad = TRIAD[style]
    sevenths = {quality.fifths[3] for quality in bare_qualities(degree, alter, style, 7)}
    if seventh is None and triad[0] == 4 and "b7" in altered and 5 in sevenths:
        altered.remove("b7")
        seventh = -2
    if seventh is None and style == (True, "") and "#7" in altered:
        altered.remove("#7")
        seventh = 5
    if seventh is None and not ninth:
        major, minor = bare_qualities(degree, alter, style, reach)
        return major, major is not minor
    if seventh is None:
        seventh = -9 if style[1] == "o" else -2
    stack: tuple[int, ...] = (0, *triad, seventh)
    if reach == 9:
        lowered = quality_of_shape((*stack, -5)) if ninth == "b" else ()
        return (lowered or quality_of_shape((*stack, 2)) or quality_of_shape(stack))[0], False
    return quality_of_shape(stack)[0], False


def _ordered(names: Iterable[str]) -> tuple[str, ...]:
    return tuple(sorted(set(names), key=lambda a: (int(a.lstrip("#bM")), a)))


def _read_special(
    m: re.Match[str],
    figures: list[tuple[str, int]],
    size: str,
    inversion: int,
    brackets: tuple[list[str], tuple[int, ...], list[str]],
    text: str,
) -> RomanNumeral:
    name = m["special"]
    why = "augmented sixths and the like take plain figures, such as It6, Fr43, Ger65, N6 or Cad64."
    numbers = frozenset(d for _, d in figures)
    signed = m["accidental"] or m["sign"] or m["late"] or any(sign for sign, _ in figures)
    if signed or size not in ("3", "7") or (m["seventh"] and name != "N"):
        raise _complaint(text, why)
    added, omitted, altered = brackets
    by_key = False
    if name == "Cad":
        if numbers not in (frozenset({6, 4}), frozenset()):
            raise _complaint(text, why)
        degree, alter, quality, inversion, by_key = 1, 0, Quality.MAJOR, 2, True
    elif name == "N":
        degree, alter = 2, -1
        quality = Quality.MAJOR7 if size == "7" or m["seventh"] else Quality.MAJOR
    else:
        degree, alter = _SPECIAL_DEGREE[name]
        quality = _SPECIAL[name]
        if numbers in (frozenset(), frozenset({6})):
            inversion = usual_inversion(quality)
    if inversion >= len(quality.fifths):
        raise _complaint(text, why)
    return RomanNumeral(
        degree=degree,
        quality=quality,
        inversion=inversion,
        alter=alter,
        special=name,
        added=_ordered(added),
        omitted=omitted,
        altered=_ordered(altered),
        by_key=by_key,
    )
