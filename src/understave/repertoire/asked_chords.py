"""Chords and keys of a question as a teacher writes them -> as `patterns` reads them, in the standard form.

In: a progression or a plan of keys, the keys it is asked in. Out: the same in RomanText numerals. Read is
what the conventions in force write, and what `harmony.typed` reads besides: functions, capitals only, the
moves of ``V64-53``, raised figures as an answer shows them, and with one key the letters of chords. What
means one chord in major and another in minor asks for both, where no mode is given.
"""

from __future__ import annotations

import re
from contextlib import suppress

from understave.errors import RepertoireError, UnderstaveError
from understave.harmony.typed import Typed, typed_chords, usual_entry
from understave.theory.convention_choices import current
from understave.theory.key import Key
from understave.theory.numeral_places import MODES

_WILD = ("?", "*")
_BETWEEN = re.compile(r"[\s,>]+|(?<!\d)-|-(?![#b♯♭]?\d)")
"""What stands between chords; a hyphen between figures is a move."""
_FIGURES = str.maketrans("⁰¹²³⁴⁵⁶⁷⁸⁹₀₁₂₃₄₅₆₇₈₉–°", "01234567890123456789-o")


def standard_chords(text: str, key: str = "", mode: str = "") -> str:
    """Return a progression in the standard form; `key` (its symbol) and `mode` are those it is asked in.

    Raises UnderstaveError with one sentence where a chord cannot be read.
    """
    return " ".join(_chord(word, _keys(key, mode), bool(key)) for word in _words(text))


def standard_keys(text: str) -> str:
    """Return a plan of keys in the standard form: functions and capitals as numerals of tonic chords."""
    return " ".join(_key_of_plan(word) for word in _words(text))


def _words(text: str) -> list[str]:
    return [word for word in _BETWEEN.split(text.translate(_FIGURES)) if word]


def _keys(key: str, mode: str) -> tuple[Key, ...]:
    """Return the key asked for; without one, a key of each mode that is asked for."""
    if key:
        return (Key.parse(key),)
    return tuple(Key.parse("C" if m == "major" else "c") for m in MODES if mode in ("", m))


def _chord(word: str, keys: tuple[Key, ...], by_name: bool) -> str:
    """Return one word of a progression: a wildcard, or the chords that one of its names stands for."""
    if word in _WILD:
        return word
    found: dict[str, None] = {}
    for name in word.split("|"):
        meant = _meant(name, keys, by_name)
        if "|" in word and any(" " in one for one in meant):
            raise RepertoireError(f"{name!r} is more than one chord; ask for it without | beside it.")
        found |= dict.fromkeys(meant)
    several = [one for one in found if " " in one]
    return several[0] if several else "|".join(found)


def _meant(name: str, keys: tuple[Key, ...], by_name: bool) -> list[str]:
    """Return what a name stands for in each of the keys, chords that follow each other with a space."""
    meant = []
    refused: UnderstaveError | None = None
    for key in keys:
        try:
            chords = _typed(name, key, by_name).numerals
        except UnderstaveError as error:
            refused = refused or error
            continue
        meant.append(" ".join(numeral.text for numeral in chords))
        if current().six_four == "I64" and chords[0].text in ("I64", "i64"):
            meant.append("Cad64")
    if not meant and refused is not None:
        raise RepertoireError(f"{refused} In a progression ? stands for any chord, * for any number.")
    return meant


def _typed(name: str, key: Key, by_name: bool) -> Typed:
    """Read a chord; without a key a letter names none, so what is no numeral can only be a function."""
    with suppress(UnderstaveError):
        typed = typed_chords(name, key, usual_entry())
        if by_name or typed.kind != "chord symbol":
            return typed
    try:
        return typed_chords(name, key, "functions")
    except UnderstaveError as error:
        if by_name or usual_entry() == "functions":
            raise
        raise RepertoireError(
            f"{name!r} is no numeral and no function; name chords by letter with a key only."
        ) from error


def _key_of_plan(word: str) -> str:
    if word in _WILD:
        return word
    found: dict[str, None] = {}
    for name in word.split("|"):
        meant: list[str] = []
        for key in _keys("", ""):
            with suppress(UnderstaveError):
                typed = _typed(name, key, by_name=False)
                meant += [n.text for n in typed.numerals if re.fullmatch("[b#]{0,2}([IV]+|[iv]+)", n.text)]
        # What is no key is refused in the sentence of plans.
        found |= dict.fromkeys(meant or [name])
    return "|".join(found)
