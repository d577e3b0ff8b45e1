"""A composer's name -> the years of their life and the period they are counted to.

The lives in ``composers.toml`` are from memory. A ``composers.toml`` in the folder that is indexed adds to
them or replaces them: ``"Surname, First names" = [born, died]``. Years in brackets after a name in the
score itself, such as ``(1797-1828)``, win over both. The period is that of the composer's fortieth year, or
of their last where they did not reach it: baroque to 1750, classical to 1820, romantic to 1900, modern
after (common practice, no source; every handbook draws these lines a little differently).
"""

from __future__ import annotations

import re
import tomllib
import unicodedata
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from pathlib import Path

from understave.errors import ScoreError

PERIODS = (
    ("renaissance", 1600),
    ("baroque", 1750),
    ("classical", 1820),
    ("romantic", 1900),
    ("modern", 9999),
)
"""Periods and the years they end."""
_YEARS = re.compile(r"\(?\b(1[3-9]\d\d)\s*[-–—]\s*(1[3-9]\d\d|20\d\d)\b")

Lives = Mapping[str, tuple[int, int]]


@cache
def _listed() -> Lives:
    return lives()


def lives(folder: Path | None = None) -> Lives:
    """Return years of birth and death by plain "surname, names"; raise UnderstaveError on a bad file."""
    found = _read(files("understave.score").joinpath("composers.toml").read_text(encoding="utf-8"), "")
    own = folder / "composers.toml" if folder else None
    if own is not None and own.exists():
        try:
            found |= _read(own.read_text(encoding="utf-8"), str(own))
        except (OSError, UnicodeDecodeError) as error:
            raise ScoreError(f"{own} cannot be read; save it as a UTF-8 text file.") from error
    return found


def period_of(composer: str, known: Lives) -> tuple[str, int | None, int | None]:
    """Return a composer's period and years; ``("", None, None)`` where nothing is known of them."""
    life = life_of(composer, known)
    return (period_of_life(*life), *life) if life else ("", None, None)


def life_of(composer: str, known: Lives | None = None) -> tuple[int, int] | None:
    """Return the years of birth and death of a composer as a score names them; None where unknown.

    `known` are other lives than the list that comes with this package.
    """
    years = _YEARS.search(composer)
    if years:
        return int(years[1]), int(years[2])
    words = set(_plain(composer).replace(",", " ").split())
    best: tuple[int, tuple[int, int]] | None = None
    for name, life in (_listed() if known is None else known).items():
        surname, _, first = name.partition(",")
        given = first.split()
        if not set(surname.split()) <= words:
            continue
        # With first names in the score, one of them must agree, in full or by its initial.
        others = words - set(surname.split())
        agree = sum(any(g == o or (len(o.rstrip(".")) == 1 and g[0] == o[0]) for o in others) for g in given)
        if (agree or not others) and (best is None or agree > best[0]):
            best = (agree, life)
    return best[1] if best else None


def period_of_life(born: int, died: int) -> str:
    """Return the period that a composer of these years is counted to."""
    year = min(born + 40, died)
    return next(name for name, end in PERIODS if year <= end)


def _plain(text: str) -> str:
    split = unicodedata.normalize("NFD", text.lower().replace("ß", "ss"))
    return "".join(c for c in split if not unicodedata.combining(c))


def _read(text: str, where: str) -> dict[str, tuple[int, int]]:
    try:
        table = tomllib.loads(text)
        return {_plain(name): (int(life[0]), int(life[1])) for name, life in table.items()}
    except (tomllib.TOMLDecodeError, ValueError, TypeError, IndexError) as error:
        raise ScoreError(
            f'{where} is not a list of lives ({error}); write lines like "Schubert, Franz" = [1797, 1828].'
        ) from error
