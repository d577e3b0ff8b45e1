"""A printed instruction -> the terms that it holds, from a dictionary of the trade's words.

The dictionary is `instructions.toml` beside this module: every term has an id, the forms it is printed in
(Italian, French, German, English); where an instrument of about 1780 to 1840 and a modern one ask for
different things, it says so (common practice, no source, throughout). What terms mean stands with the words.
`TERMS` leads from a printed form, written plainly (no capitals, no accents), to the id.
"""

from __future__ import annotations

import re
import tomllib
import unicodedata
from dataclasses import dataclass
from importlib.resources import files

_LONGEST = 6
"""Words at most in a printed form."""
# Words that join terms and add nothing of their own.
_JOINING = frozenset(
    {"e", "ed", "et", "und", "and", "ma", "mais", "aber", "but", "con", "mit", "avec", "with"}
    | {"al", "alla", "en", "il", "la", "le", "lo", "di", "in", "a", "un", "una", "the"}
)
METRONOME = re.compile(
    r"[(\[]?\s*(?:(?:whole|half|quarter|eighth|16th|32nd|breve)\.*|[\U0001D15D-\U0001D164♩♪]\.*|M\.\s?M\.)"
    r"\s*=?\s*(?:ca?\.?\s*)?[\d.]+(?:\s*[-–]\s*\d+)?\s*[)\]]?"
)
"""A metronome mark as it is printed: a sign for a note and a number, or M. M."""


@dataclass(frozen=True, slots=True)
class Term:
    """A dictionary entry.

    `pianos_differ` where it asks different things of early and modern instruments; `of_notes` where it says
    how the notes at hand are played, not a whole passage or piece: with which hand, rolled, an octave higher.
    """

    id: str
    kind: str
    language: str
    printed: tuple[str, ...]
    pianos_differ: bool = False
    of_notes: bool = False


def _load() -> dict[str, Term]:
    table = tomllib.loads(
        files("understave.findings").joinpath("instructions.toml").read_text(encoding="utf-8")
    )
    found: dict[str, Term] = {}
    for kind, entries in table.items():
        for name, entry in entries.items():
            printed = tuple(entry["printed"])
            differ, of_notes = entry.get("pianos_differ", False), entry.get("of_notes", False)
            found[name] = Term(name, kind, entry["lang"], printed, differ, of_notes)
    return found


def plain(text: str) -> str:
    """Return a text in small letters, without accents and signs, its spaces made single."""
    small = unicodedata.normalize("NFKD", text.casefold().replace("’", "'"))
    bare = "".join(c for c in small if not unicodedata.combining(c))
    return " ".join(_SIGNS.sub(" ", bare).split())


_SIGNS = re.compile(r"[.,;:()\[\]/⁄!\"–—]")


DICTIONARY: dict[str, Term] = _load()
TERMS: dict[str, str] = {plain(form): term.id for term in DICTIONARY.values() for form in term.printed}
"""Printed form, made plain, to term id."""


def read_text(text: str) -> tuple[tuple[str, ...], str]:
    """Return the ids of the terms in a printed text, and the words that are not in the dictionary.

    The longest printed form wins; words that only join are passed over.
    """
    words = plain(_letters_told_apart(METRONOME.sub(" ", text))).split()
    terms: list[str] = []
    unread: list[str] = []
    i = 0
    while i < len(words):
        for length in range(min(_LONGEST, len(words) - i), 0, -1):
            term = TERMS.get(" ".join(words[i : i + length]))
            if term is not None:
                terms.append(term)
                i += length
                break
        else:
            unread.append(words[i])
            i += 1
    # Joining words are only passed over where they join known terms; in a sentence they stay.
    rest = [w for w in unread if w not in _JOINING]
    return tuple(terms), " ".join(unread).replace(_NO_SIGN, "") if rest else ""


_NO_SIGN = "\N{WORD JOINER}"
_LETTER = re.compile(r"(?<![^\W_])[FfPp](?![^\W_])")
_KEY_BEFORE = re.compile(r"\b(?:in|en)\s+$", re.IGNORECASE)
_KEY_AFTER = re.compile(r"[\s-]*(?:minor|major|moll|dur|mineur|majeur|flat|sharp)\b", re.IGNORECASE)


def _letters_told_apart(text: str) -> str:
    """Mark the letters F and P that are no dynamics, as titles and credits have them.

    Dynamics are printed small; a capital is an initial or a key (F. Hensel, Sonata in F), and so is a small
    letter after "in" or before a mode (in f, f-Moll). Common practice, no source.
    """

    def kept(m: re.Match[str]) -> str:
        key = _KEY_BEFORE.search(text[: m.start()]) or _KEY_AFTER.match(text[m.end() :])
        return m[0] + _NO_SIGN if m[0].isupper() or key else m[0]

    return _LETTER.sub(kept, text)
