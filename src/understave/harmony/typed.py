"""What a teacher types for a key or a chord -> a key, and the numerals that are meant.

Names of notes that can mean one thing only are read in every entry: ``Es``, ``As``, ``Fis`` and ``H`` beside
``Eb``, ``F#``; ``f-Moll``, ``fm`` and ``f`` are F minor. Where the same letters mean two things the chosen
`Entry` decides: ``B`` is B natural, or with German names B flat; ``D7`` is the chord on D, or with functions
the seventh chord of the dominant; ``Do`` is a diminished chord on D, or with syllables C. Keys by syllables
mean one thing only, and so do keys in the words of five languages (``mi bémol majeur``): they are read in
every entry, and so is a chord by its syllable where letters make none. Names of notes: common practice, no
source.
"""

from __future__ import annotations

import re
from contextlib import suppress
from dataclasses import dataclass
from typing import Literal, get_args

from understave.errors import AnalysisError, SymbolError
from understave.harmony.figure_moves import is_move, read_moves
from understave.harmony.naming import numeral_for
from understave.theory.chord_symbol import ChordSymbol
from understave.theory.convention_choices import current
from understave.theory.function_naming import numeral_of_function
from understave.theory.functions import read_function
from understave.theory.key import Key, Mode
from understave.theory.names import parse_key
from understave.theory.numeral_places import usual_letters
from understave.theory.pitch import LETTERS
from understave.theory.roman import RomanNumeral
from understave.theory.vocabulary import LANGUAGES, words_of

Entry = Literal["english", "german", "functions", "syllables"]
ENTRIES: tuple[Entry, ...] = get_args(Entry)
Kind = Literal["numeral", "moving figures", "chord symbol", "function"]


@dataclass(frozen=True, slots=True)
class Typed:
    """What was typed for a chord: as what it was read, and the numerals of the chords in order."""

    kind: Kind
    numerals: tuple[RomanNumeral, ...]


def usual_entry() -> Entry:
    """Return the entry that fits the conventions in force."""
    how = current()
    if how.functions == "instead":
        return "functions"
    return how.letters


MODE_WORDS: dict[str, Mode] = {
    **dict.fromkeys(("major", "maj", "dur", "majeur", "maggiore", "mayor"), "major"),
    **dict.fromkeys(("minor", "min", "moll", "m", "mineur", "minore", "menor"), "minor"),
}
_CAPITALS = re.compile(r"(?P<head>[IV]+)(?P<figures>\d*)(?P<applied>(?:/[IV]+)*)")
_IN_KEY = re.compile(
    r"(?:in|en)\s+(?P<before>[^,]+?)\s*,\s*(?P<first>.+)|(?P<last>\S.*?)\s+(?:in|en)\s+(?P<after>.+)",
    re.IGNORECASE,
)
_KEY = re.compile(r"([A-Ha-h](?:##?|bb?|(?:is)+|(?:es)+|s(?:es)?|))[\s-]*([A-Za-z]*)")


def typed_key(text: str, entry: Entry = "english") -> Key:
    """Read a key as musicians write it: ``Ab``, ``As``, ``f``, ``F# minor``, ``f-Moll`` or ``fa mineur``.

    Raises UnderstaveError in a sentence for the one who typed it.
    """
    m = _KEY.fullmatch(_by_letter(_plain(text), entry))
    mode = MODE_WORDS.get(m[2].casefold()) if m and m[2] else None
    name = _in_english(m[1], entry) if m else None
    if m is None or name is None or (m[2] and mode is None):
        for language in LANGUAGES:
            with suppress(SymbolError):
                return parse_key(text, language)
        raise AnalysisError(
            f"“{text.strip()}” is not a key; write A♭ as Ab or As and minor keys small, such as f or c#."
        )
    if mode is None:
        return Key.parse(name)
    return Key.parse(f"{name[0].upper()}{name[1:]} {mode}")


def with_key(text: str, entry: Entry = "english") -> tuple[Key | None, str]:
    """Return the key that stands before (or after) a chord, None without one, and the rest.

    ``Ab: V7``, ``in Ab, V7``, ``V7 in f-Moll`` and French ``en Ab, V7`` say the same. Raises UnderstaveError.
    """
    before, colon, after = text.partition(":")
    if colon:
        return typed_key(before, entry), after
    named = _IN_KEY.fullmatch(text.strip())
    if named is None:
        return None, text
    return typed_key(named["before"] or named["after"], entry), named["first"] or named["last"]


def typed_chords(text: str, key: Key, entry: Entry = "english") -> Typed:
    """Read a numeral, figures that move (``V64-53``), a chord symbol, or with functions a function, in a key.

    Raises UnderstaveError in a sentence for the one who typed it.
    """
    written = _plain(text)
    if not written:
        raise AnalysisError("Write a Roman numeral such as V65/V, or a chord symbol such as Eb7/G.")
    try:
        if entry == "functions" and not re.match(r"[#b]*[ivIV]|Ger|It|Fr|N|Cad", written):
            return Typed("function", (_function(written, key),))
        if is_move(written):
            return Typed("moving figures", read_moves(written, key))
        numeral = RomanNumeral.parse(_by_degree(written, key))
        numeral.chord(key)
        return Typed("numeral", (numeral,))
    except ValueError as as_numeral:
        symbol = _symbol(written, entry)
        if entry == "functions" or is_move(written) or symbol is None:
            raise AnalysisError(_refused(text, as_numeral, entry)) from None
        if symbol.bass is not None:
            raise AnalysisError(
                f"In “{text.strip()}” the bass {symbol.bass.name} is no note of the chord; name the chord "
                "that sounds with it, or leave the bass out."
            ) from None
        return Typed("chord symbol", (numeral_for(symbol.chord, key, None),))


def _function(written: str, key: Key) -> RomanNumeral:
    """Read a function, as it is written where functions are written: there s6 has a sixth for its fifth."""
    known = numeral_of_function(written, key.mode)
    if known is not None and current().functions != "none":
        return known
    try:
        chord = read_function(written, key)
    except SymbolError:
        if known is None:
            raise
        return known
    # The six-four of a dominant is one whatever comes next.
    return RomanNumeral.parse("Cad64") if written == "D64" else numeral_for(chord, key, None)


def _by_degree(written: str, key: Key) -> str:
    """Return a numeral in capitals with the letters of the key's own chord, where capitals say nothing.

    Typed small letters, accidentals and signs mean what they say.
    """
    if current().numerals != "capital":
        return written
    head = _CAPITALS.fullmatch(written)
    if head is None:
        return written
    tonic = key
    targets = ""
    for target in reversed(head["applied"].split("/")[1:]):
        named = usual_letters(target, "", tonic.mode)
        targets = f"/{named}{targets}"
        tonic = RomanNumeral.parse(f"V/{named}").local_key(tonic)
    return usual_letters(head["head"], head["figures"], tonic.mode) + head["figures"] + targets


def _refused(text: str, error: ValueError, entry: Entry) -> str:
    sentence = str(error).rstrip(".")
    if entry == "functions" or is_move(text):
        return sentence + "."
    return f"“{text.strip()}” is neither a Roman numeral ({sentence}) nor a chord symbol."


def _symbol(written: str, entry: Entry) -> ChordSymbol | None:
    """Read a chord symbol by the letter or the syllable that it begins with, as the entry has it first."""
    head, slash, low = written.partition("/")
    heads = [head, _by_letter(head, entry)]
    for name in reversed(heads) if entry == "syllables" else heads:
        found = _lettered(name, slash + _by_letter(low, entry), entry)
        if found is not None:
            return found
    return None


def _lettered(head: str, over: str, entry: Entry) -> ChordSymbol | None:
    """Read a chord symbol by its letter; a small letter alone, or before m, is the minor chord on it."""
    m = re.match(r"[A-Ha-h](?:##?|bb?|(?:is)+(?!u)|(?:es)+|s(?:es)?(?!us)|)", head)
    name = _in_english(m[0], entry) if m else None
    if m is None or name is None:
        return None
    rest = head[m.end() :]
    if name[0].islower():
        if rest not in ("", "m", "min"):
            return None
        name, rest = name[0].upper() + name[1:], "m"
    low = over[1:]
    bass = _in_english(low, entry) if low else ""
    if low and (bass is None or not re.fullmatch(r"[A-H][#b]*", bass)):
        bass = low
    try:
        return ChordSymbol.parse(name + rest + over[:1] + (bass or ""))
    except ValueError:
        return None


_LETTERS = {"ut": "C"} | {
    syllable: letter
    for language in ("fr", "it", "es")
    for syllable, letter in zip(words_of(language).letters, LETTERS, strict=True)
}
"""Letters of English by syllable of fixed do."""
_SYLLABLE = re.compile("|".join(_LETTERS), re.IGNORECASE)


def _by_letter(text: str, entry: Entry) -> str:
    """Return a name of a note or chord with the letter of English for the syllable it begins with, if any."""
    m = _SYLLABLE.match(text)
    if m is None:
        return text
    letter = _LETTERS[m[0].casefold()]
    if letter == "B" and entry in ("german", "functions") and text[m.end() : m.end() + 1] != "b":
        letter = "H"
    return (letter if m[0][0].isupper() else letter.lower()) + text[m.end() :]


def _in_english(name: str, entry: Entry) -> str | None:
    """Return a note's name as ``Eb`` or ``f#``, or None where it is none.

    ``Es`` and ``As`` are shortened from ``Ees`` and ``Aes``; ``H`` is B natural. With German names ``B`` is
    B flat, and ``Bb`` too.
    """
    m = re.fullmatch(r"([A-Ha-h])(##?|bb?|(?:is)+|(?:es)+|s(?:es)?|)", name)
    if m is None:
        return None
    letter, bend = m[1], m[2]
    if bend.startswith("s"):
        if letter not in "AEae":
            return None
        bend = "e" + bend
    bend = bend.replace("is", "#").replace("es", "b")
    if letter in "Hh" and bend and bend[0] in "b#":
        return None
    if letter in "Hh":
        letter = "B" if letter == "H" else "b"
    elif letter in "Bb" and entry in ("german", "functions") and bend != "b":
        bend = bend + "b" if "#" not in bend else "x"
    return None if "x" in bend else letter + bend


def _plain(text: str) -> str:
    return text.strip().replace("♭", "b").replace("♯", "#").replace("–", "-")
