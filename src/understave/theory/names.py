"""Names of notes, intervals, keys and chords in the languages pianists teach in.

In: spelled values and a language; out: text, and back. English (F sharp), German (Fis, B for B flat, H
for B natural) and the fixed-do usage of French, Italian and Spanish (fa dièse, fa diesis, fa sostenido).
Reading ignores case except where a language uses it for the mode (German c-Moll, C-Dur), and takes the
accents of ré or dièse as optional. The names are common practice; no single published source.
"""

from __future__ import annotations

import re
import unicodedata

from understave.errors import SymbolError
from understave.theory.chord import Quality
from understave.theory.key import Key, Mode
from understave.theory.pitch import LETTERS, Interval, PitchClass
from understave.theory.vocabulary import LANGUAGES, TIMES, Language, words_of

__all__ = [
    "LANGUAGES",
    "Language",
    "interval_name",
    "interval_size_name",
    "key_name",
    "mode_name",
    "names_key",
    "parse_interval",
    "parse_key",
    "parse_pitch_class",
    "parse_quality",
    "pitch_class_name",
    "quality_name",
]


def _fold(text: str) -> str:
    """Lower case without accents, single spaces."""
    plain = unicodedata.normalize("NFD", text.strip().lower().replace("ß", "ss"))
    return " ".join("".join(c for c in plain if not unicodedata.combining(c)).split())


# -------------------------------------------------------------------- notes


def pitch_class_name(pitch_class: PitchClass, language: Language = "en") -> str:
    """Return a note's name: ``"B flat"``, ``"B"`` in German, ``"si bémol"`` in French."""
    words = words_of(language)
    letter = words.letters[LETTERS.index(pitch_class.letter)]
    alter = pitch_class.alter
    if alter == 0:
        return letter
    if language == "de":
        return _german(pitch_class)
    sign = words.sharp if alter > 0 else words.flat
    doubles, single = divmod(abs(alter), 2)
    accidentals = [f"{words.double} {sign}"] * doubles + [sign] * single
    return " ".join([letter, *accidentals])


def _german(pitch_class: PitchClass) -> str:
    letter, alter = pitch_class.letter, pitch_class.alter
    if alter > 0:
        return ("H" if letter == "B" else letter) + "is" * alter
    if letter == "B":
        return "B" if alter == -1 else "H" + "es" * -alter
    if letter in "EA":
        return letter + "s" + "es" * (-alter - 1)
    return letter + "es" * -alter


def parse_pitch_class(text: str, language: Language = "en") -> PitchClass:
    """Read a note's name in a language; raise ValueError on anything else.

    German also takes the other customary doubly lowered forms Asas and Bes.
    """
    plain = _fold(text)
    found = _read_german(plain) if language == "de" else _read_words(plain, language)
    if found is None:
        example = pitch_class_name(PitchClass("F", 1), language)
        raise SymbolError(f"{text!r} is not a note name here; write for example {example}.")
    return found


def _read_german(plain: str) -> PitchClass | None:
    special = {"b": PitchClass("B", -1), "bes": PitchClass("B", -2), "asas": PitchClass("A", -2)}
    if plain in special:
        return special[plain]
    m = re.fullmatch(r"([cdefgah])((?:is)*|(?:es)*|s(?:es)*)", plain)
    if not m or (m[2].startswith("s") and m[1] not in "ea") or (m[1] in "ea" and m[2].startswith("es")):
        return None
    if m[1] == "h" and m[2] == "es":
        return None
    letter = "B" if m[1] == "h" else m[1].upper()
    sharps = m[2].count("is")
    return PitchClass(letter, sharps or -m[2].count("s"))


def _read_words(plain: str, language: Language) -> PitchClass | None:
    words = words_of(language)
    first, *rest = plain.split() or [""]
    letters = [_fold(letter) for letter in words.letters]
    if first not in letters:
        return None
    double, sharp, flat = _fold(words.double), _fold(words.sharp), _fold(words.flat)
    alter, weight = 0, 1
    for word in rest:
        if word == double and weight == 1:
            weight = 2
        elif word in (sharp, flat):
            alter += weight if word == sharp else -weight
            weight = 1
        else:
            return None
    if weight == 2 or (alter == 0 and rest):
        return None
    return PitchClass(LETTERS[letters.index(first)], alter)


# -------------------------------------------------------------------- keys


def mode_name(mode: Mode, language: Language = "en") -> str:
    """Return ``"major"``, ``"Moll"``, ``"maggiore"`` ..."""
    words = words_of(language)
    return words.major if mode == "major" else words.minor


def key_name(key: Key, language: Language = "en") -> str:
    """Return a key's name: ``"F sharp minor"``, ``"fis-Moll"``, ``"fa dièse mineur"``."""
    tonic = pitch_class_name(key.tonic, language)
    mode = mode_name(key.mode, language)
    if language == "de":
        return f"{tonic if key.mode == 'major' else tonic.lower()}-{mode}"
    return f"{tonic} {mode}"


def parse_key(text: str, language: Language = "en") -> Key:
    """Read a key's name in a language; raise ValueError on anything else."""
    plain = _fold(text.replace("-", " ") if language == "de" else text)
    tonic, _, mode = plain.rpartition(" ")
    words = words_of(language)
    modes: dict[str, Mode] = {_fold(words.major): "major", _fold(words.minor): "minor"}
    if mode in modes and tonic:
        try:
            return Key(parse_pitch_class(tonic, language), modes[mode])
        except ValueError:
            pass
    example = key_name(Key(PitchClass("F", 1), "minor"), language)
    raise SymbolError(f"{text!r} is not a key here; write for example {example}.")


_AS_WORDS = str.maketrans({"\u266d": " flat", "\u266f": " sharp", **dict.fromkeys("-\u2010\u2011", " ")})


def names_key(text: str, key: Key) -> bool:
    """Whether a text names a key with its mode, in any language: "Air in B-flat minor", "Walzer es-Moll"."""
    plain = _fold(text.translate(_AS_WORDS))
    names = (_fold(key_name(key, language).translate(_AS_WORDS)) for language in LANGUAGES)
    return any(re.search(rf"\b{re.escape(name)}\b", plain) for name in names)


# -------------------------------------------------------------------- intervals and chords


def interval_name(interval: Interval, language: Language = "en") -> str:
    """Return an interval's name without its direction: ``"minor third"``, ``"tierce mineure"``.

    Intervals beyond the fifteenth are named by their size within an octave.
    """
    words = words_of(language)
    if interval.size > len(words.sizes):
        interval = interval.simple
    size = words.sizes[interval.size - 1]
    kind = words.kinds[interval.kind[0]][1 if interval.size in words.feminine else 0]
    count = len(interval.kind)
    times = TIMES.get(language, TIMES["en"])
    often = times[count] if count < len(times) else f" ({count}×) "
    if words.kind_first:
        return f"{often}{kind} {size}".strip()
    return f"{size} {kind}{often}".strip()


def interval_size_name(interval: Interval, language: Language = "en") -> str:
    """Return the name of an interval's size alone, octaves beyond the fifteenth aside: ``"third"``."""
    sizes = words_of(language).sizes
    return sizes[(interval if interval.size <= len(sizes) else interval.simple).size - 1]


def parse_interval(text: str, language: Language = "en") -> Interval:
    """Read the name of a rising interval in a language; raise ValueError on anything else."""
    wanted = _fold(text)
    found = _interval_table(language).get(wanted)
    if found is None:
        example = interval_name(Interval.parse("m3"), language)
        raise SymbolError(f"{text!r} is not an interval here; write for example {example}.")
    return found


def _interval_table(language: Language) -> dict[str, Interval]:
    table: dict[str, Interval] = {}
    for size in range(1, len(words_of(language).sizes) + 1):
        perfect = (size - 1) % 7 in (0, 3, 4)
        kinds = ["P"] if perfect else ["M", "m"]
        for count in range(1, 5):
            kinds += ["A" * count] + (["d" * count] if size > 1 else [])
        for kind in kinds:
            interval = Interval.parse(f"{kind}{size}")
            table[_fold(interval_name(interval, language))] = interval
    return table


def quality_name(quality: Quality, language: Language = "en") -> str:
    """Return a chord quality's name: ``"dominant seventh"``, ``"Dominantseptakkord"``."""
    return words_of(language).qualities[quality]


def parse_quality(text: str, language: Language = "en") -> Quality:
    """Read a chord quality's name in a language; raise ValueError on anything else."""
    wanted = _fold(text)
    for quality, name in words_of(language).qualities.items():
        if _fold(name) == wanted:
            return quality
    example = quality_name(Quality.DOMINANT7, language)
    raise SymbolError(f"{text!r} is not a chord here; write for example {example}.")
