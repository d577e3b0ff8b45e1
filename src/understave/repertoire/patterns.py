"""What is asked for -> the steps of a pattern; and the names of chords and bass notes they are matched with.

A chord is called ``head.size.inversion/target``: V65/V is ``V.7.1/V``. A bass note is called by its degree
of the key (``1``, ``b6``; in minor the natural scale counts, so the leading tone is ``#7``).

What can be asked for:

- progressions: RomanText numerals with spaces. ``?`` is any one chord, ``*`` any number of them, ``ii|IV``
  one or the other. Without inversions, ``V`` is V, V7 and V9 in any position and ``V7`` any position of the
  seventh, the same chord may be struck again, and ``?`` is another chord than its neighbours; with
  inversions every figure counts and so does every chord.
- bass lines: degrees with spaces, ``?``, ``*`` and ``|`` alike; a bass note that stays counts once.
- key plans: the keys as numerals seen from home, ``I V ? I``, matched as one text by a regular expression.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import replace

from understave.errors import RepertoireError
from understave.repertoire.matching import Step
from understave.theory.chord import Quality
from understave.theory.key import Key
from understave.theory.pitch import PitchClass, accidental_text
from understave.theory.roman import RomanNumeral

_ANY_ONE, _ANY = r"[^ ]+ ", r"(?:[^ ]+ )*"
_FIGURES = {
    "3": ("", "6", "64"),
    "7": ("7", "65", "43", "42"),
    "9": ("9", "765", "543", "432", "98765"),
}
_DEGREE = re.compile(r"[b#]{0,2}[1-7]")


def chord_text(numeral: RomanNumeral) -> str:
    """Return what a chord is called here: ``"V.7.1/V"``."""
    return f"{_head(numeral)}.{_size(numeral)}.{numeral.inversion}{_target(numeral)}"


def bass_text(numeral: RomanNumeral, key: Key) -> str:
    """Return the bass of a chord as a degree of the key: ``"b6"``, ``"#7"``."""
    return degree_text(numeral.chord(key).bass, key)


def degree_text(note: PitchClass, key: Key) -> str:
    """Return a note as a degree of a key: ``"1"``, ``"#4"``."""
    degree, alter = key.degree(note)
    return f"{accidental_text(alter)}{degree}"


def key_text(key: Key, home: Key) -> str:
    """Return a key as the numeral of its tonic chord seen from home: ``"V"``, ``"bVI"``, ``"i"``.

    Counted from the home key's own scale; a key spelled from the far side of the circle is respelled.
    """
    away = key.tonic.fifths - home.tonic.fifths
    degree, alter = home.degree(PitchClass.from_fifths(home.tonic.fifths + (away + 5) % 12 - 5))
    numeral = ("I", "II", "III", "IV", "V", "VI", "VII")[degree - 1]
    return accidental_text(alter) + (numeral if key.mode == "major" else numeral.lower())


def joined(texts: Iterable[str]) -> str:
    """Return a text of names, each followed by a space."""
    return "".join(f"{t} " for t in texts)


def plain(name: str) -> str:
    """Return a chord's name as a teacher writes it: ``"V65/V"`` for ``V.7.1/V``."""
    head, size, rest = name.split(".", 2)
    inversion, slash, target = rest.partition("/")
    return head + _FIGURES[size][int(inversion)] + slash + target


def root_of(name: str) -> str:
    """Return a chord's name without size and position, a bass note's as it is."""
    head, dot, rest = name.partition(".")
    return head + rest.lstrip("0123456789.") if dot else name


def progression(text: str, inversions: bool = False) -> tuple[Step, ...]:
    """Return the steps of a progression; raise UnderstaveError where a numeral cannot be read."""

    def named(word: str) -> str:
        return "|".join(_one_chord(_numeral(name), inversions) for name in word.split("|"))

    return _steps(_words(text, "progression"), named, again=not inversions)


def bass_line(text: str) -> tuple[Step, ...]:
    """Return the steps of a bass line; raise UnderstaveError where a degree cannot be read."""

    def named(word: str) -> str:
        for degree in word.split("|"):
            if not _DEGREE.fullmatch(degree):
                raise RepertoireError(
                    f"{degree!r} is not a degree of the scale; write a bass line like '1 7 6 5', with ? for "
                    "any note."
                )
        return word

    return _steps(_words(text, "bass line"), named, again=True)


def _steps(words: list[str], named: Callable[[str], str], again: bool) -> tuple[Step, ...]:
    found: list[Step] = []
    for word in words:
        if word != "*":
            found.append(Step("" if word == "?" else named(word), again))
        elif found:
            found[-1] = replace(found[-1], gap=True)
    # Any number of chords at the end is what may follow anyway.
    found[-1] = replace(found[-1], gap=False)
    return tuple(found)


def key_plan(text: str) -> str:
    """Return the pattern of a whole key plan; raise UnderstaveError where a numeral cannot be read."""
    parts = []
    for word in _words(text, "key plan"):
        if word in ("?", "*"):
            parts.append(_ANY_ONE if word == "?" else _ANY)
            continue
        for key in word.split("|"):
            if not re.fullmatch(r"[b#]{0,2}(?:I|II|III|IV|V|VI|VII|i|ii|iii|iv|v|vi|vii)", key):
                raise RepertoireError(
                    f"{key!r} is not a key of a plan; write keys as seen from home, like 'I V vi ? I'."
                )
        parts.append(f"(?:{word}) ")
    return "^" + "".join(parts) + "$"


def _words(text: str, what: str) -> list[str]:
    words = text.replace(",", " ").replace("-", " ").replace(">", " ").split()
    if not any(w not in ("?", "*") for w in words):
        raise RepertoireError(f"The {what} is empty; give at least one name besides wildcards.")
    return words


def _numeral(name: str) -> RomanNumeral:
    try:
        return RomanNumeral.parse(name)
    except ValueError as error:
        raise RepertoireError(
            f"{error} In a progression ? stands for any chord, * for any number."
        ) from error


def _one_chord(numeral: RomanNumeral, inversions: bool) -> str:
    head, size, target = re.escape(_head(numeral)), _size(numeral), re.escape(_target(numeral))
    if inversions:
        if numeral.degree == 1 and numeral.inversion == 2 and size == "3" and not numeral.special:
            head = rf"(?:{head}|Cad)"
        return rf"{head}\.{size}\.{numeral.inversion}{target}"
    if size == "3" and not numeral.special:
        # A plain numeral is the chord with or without its seventh; viio has two kinds of seventh.
        head = head.removesuffix("o") + "[oø]" if head.endswith("o") else head
        return rf"{head}\.[379]\.\d{target}"
    return rf"{head}\.{size}\.\d{target}"


def _head(n: RomanNumeral) -> str:
    if n.special:
        return n.special
    if n.degree == 2 and n.alter == -1 and n.quality is Quality.MAJOR:
        return "N"
    small, sign = n.style
    numeral = ("I", "II", "III", "IV", "V", "VI", "VII")[n.degree - 1]
    alter = 0 if (n.degree in (6, 7) and n.alter == 1 and small) else n.alter
    return accidental_text(alter) + (numeral.lower() if small else numeral) + sign


def _size(numeral: RomanNumeral) -> str:
    if numeral.special == "It":
        return "3"
    return {3: "3", 4: "7", 5: "9"}[len(numeral.quality.fifths)]


def _target(numeral: RomanNumeral) -> str:
    return "".join(f"/{_head(t)}" for t in numeral.applied)
