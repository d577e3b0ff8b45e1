"""Plural rules in the syntax of CLDR, so that a language states its own and none is built in.

In: rules as the CLDR has them in ``plurals.xml`` (Unicode Technical Standard #35, Part 3, *Language Plural
Rules*), such as ``{"one": "i = 1 and v = 0"}``, and a number as it is written. Out: the category whose words
the number takes: ``zero``, ``one``, ``two``, ``few``, ``many`` or ``other``. Compact exponents (operands
``c`` and ``e``) are always 0: we write no "1.2 M".
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from fractions import Fraction
from typing import Literal, TypeAlias, cast, get_args

from understave.errors import UnderstaveError

Category: TypeAlias = Literal["zero", "one", "two", "few", "many", "other"]
CATEGORIES: tuple[Category, ...] = get_args(Category)
Rule: TypeAlias = Callable[[str], bool]
_RELATION = re.compile(r"([nivwftce])(?:\s*%\s*(\d+))?\s*(!=|=)\s*([\d.,\s]+)")


def plural_rules(rules: Mapping[str, str]) -> Mapping[Category, Rule]:
    """Return rules that can be asked; raise UnderstaveError where one is no rule of CLDR's."""
    known = {name: text for name, text in rules.items() if name in CATEGORIES and name != "other"}
    for name in rules:
        if name not in CATEGORIES:
            raise UnderstaveError(f"{name!r} is no plural category; CLDR has {', '.join(CATEGORIES)}.")
    return {name: _rule(known[name]) for name in CATEGORIES if name in known}


def category(rules: Mapping[Category, Rule], written: str) -> Category:
    """Return the category of a number as it is written with a full stop for the decimal sign: ``"2.50"``."""
    return next((name for name, holds in rules.items() if holds(written)), "other")


def operand(name: str, written: str) -> Fraction:
    """Return an operand of a written number (UTS #35): n value, i integer digits, v and w how many decimals
    with and without trailing zeros, f and t these decimals as a number.
    """
    whole, _, decimals = written.lstrip("-").partition(".")
    short = decimals.rstrip("0")
    values = {
        "n": Fraction(written.lstrip("-")),
        "i": Fraction(whole or "0"),
        "v": Fraction(len(decimals)),
        "w": Fraction(len(short)),
        "f": Fraction(decimals or "0"),
        "t": Fraction(short or "0"),
    }
    return values.get(name, Fraction(0))


def _rule(text: str) -> Rule:
    # What follows @ are samples.
    alternatives = [
        [_relation(part, text) for part in re.split(r"\s+and\s+", either.strip())]
        for either in re.split(r"\s+or\s+", text.partition("@")[0].strip())
    ]
    return lambda written: any(all(holds(written) for holds in together) for together in alternatives)


def _relation(part: str, text: str) -> Rule:
    m = _RELATION.fullmatch(part)
    if m is None:
        raise UnderstaveError(f"{text!r} is no plural rule; CLDR writes them such as 'i = 1 and v = 0'.")
    name, modulus, relation, listed = m.groups()
    ranges = [tuple(map(Fraction, item.strip().split(".."))) for item in listed.split(",")]
    return lambda written: _within(operand(name, written), modulus, ranges) == (relation == "=")


def _within(value: Fraction, modulus: str | None, ranges: list[tuple[Fraction, ...]]) -> bool:
    value = value % int(modulus) if modulus else value
    return any(
        value == ends[0] if len(ends) == 1 else ends[0] <= value <= ends[1] and value.denominator == 1
        for ends in ranges
    )


def chosen_form(forms: Mapping[str, str], rules: Mapping[Category, Rule], written: str) -> str:
    """Return the form that a number takes: one for just this number (``"2"``) before its category's."""
    found = forms.get(written) or forms.get(cast(str, category(rules, written)))
    return found if found is not None else forms["other"]
