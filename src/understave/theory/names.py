"""Names of notes, intervals, keys and chords in the languages pianists teach in.

In: spelled values and a language; out: text, and back. English (F sharp), German (Fis, B for B flat, H
for B natural) and the fixed-do usage of French, Italian and Spanish (fa dièse, fa diesis, fa sostenido).
Reading ignores case except where a language uses it for the mode (German c-Moll, C-Dur), and takes the
accents of ré or dièse as optional. The names are common practice; no single published source.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from typing import Literal

from understave.theory.chord import Quality
from understave.theory.key import Key, Mode
from understave.theory.pitch import Interval, PitchClass

Language = Literal["en", "de", "fr", "it", "es"]
LANGUAGES: tuple[Language, ...] = ("en", "de", "fr", "it", "es")


@dataclass(frozen=True, slots=True)
class _Words:
    """What a language calls things; `letters` in the order C D E F G A B."""

    letters: tuple[str, ...]
    sharp: str
    flat: str
    double: str
    major: str
    minor: str
    kinds: dict[str, tuple[str, str]]
    """Interval kinds, masculine and feminine."""
    sizes: tuple[str, ...]
    feminine: frozenset[int]
    """Sizes of feminine gender."""
    kind_first: bool
    qualities: dict[Quality, str]


_DO = ("do", "re", "mi", "fa", "sol", "la", "si")
_Q = Quality

_WORDS: dict[Language, _Words] = {
    "en": _Words(
        letters=("C", "D", "E", "F", "G", "A", "B"),
        sharp="sharp",
        flat="flat",
        double="double",
        major="major",
        minor="minor",
        kinds={
            "P": ("perfect", "perfect"),
            "M": ("major", "major"),
            "m": ("minor", "minor"),
            "A": ("augmented", "augmented"),
            "d": ("diminished", "diminished"),
        },
        sizes=(
            "unison",
            "second",
            "third",
            "fourth",
            "fifth",
            "sixth",
            "seventh",
            "octave",
            "ninth",
            "tenth",
            "eleventh",
            "twelfth",
            "thirteenth",
            "fourteenth",
            "fifteenth",
        ),
        feminine=frozenset(),
        kind_first=True,
        qualities={q: q.words for q in Quality},
    ),
    "de": _Words(
        letters=("C", "D", "E", "F", "G", "A", "H"),
        sharp="is",
        flat="es",
        double="Doppel",
        major="Dur",
        minor="Moll",
        kinds={
            "P": ("reine", "reine"),
            "M": ("große", "große"),
            "m": ("kleine", "kleine"),
            "A": ("übermäßige", "übermäßige"),
            "d": ("verminderte", "verminderte"),
        },
        sizes=(
            "Prime",
            "Sekunde",
            "Terz",
            "Quarte",
            "Quinte",
            "Sexte",
            "Septime",
            "Oktave",
            "None",
            "Dezime",
            "Undezime",
            "Duodezime",
            "Tredezime",
            "Quartdezime",
            "Quintdezime",
        ),
        feminine=frozenset(range(1, 16)),
        kind_first=True,
        qualities={
            _Q.MAJOR: "Durdreiklang",
            _Q.MINOR: "Molldreiklang",
            _Q.DIMINISHED: "verminderter Dreiklang",
            _Q.AUGMENTED: "übermäßiger Dreiklang",
            _Q.DOMINANT7: "Dominantseptakkord",
            _Q.MAJOR7: "großer Septakkord",
            _Q.MINOR7: "Mollseptakkord",
            _Q.HALF_DIMINISHED7: "halbverminderter Septakkord",
            _Q.DIMINISHED7: "verminderter Septakkord",
            _Q.MINOR_MAJOR7: "Mollakkord mit großer Septime",
            _Q.AUGMENTED_MAJOR7: "übermäßiger Akkord mit großer Septime",
            _Q.AUGMENTED7: "übermäßiger Akkord mit kleiner Septime",
            _Q.DIMINISHED_MAJOR7: "verminderter Akkord mit großer Septime",
            _Q.DOMINANT7_FLAT5: "Dominantseptakkord mit tiefalterierter Quinte",
            _Q.ITALIAN: "italienischer übermäßiger Sextakkord",
            _Q.FRENCH: "französischer übermäßiger Sextakkord",
            _Q.GERMAN: "deutscher übermäßiger Sextakkord",
            _Q.SUS4: "Quartvorhalt",
            _Q.SUS2: "Sekundvorhalt",
            _Q.DOMINANT7_SUS4: "Dominantseptakkord mit Quartvorhalt",
            _Q.DOMINANT9: "großer Dominantseptnonakkord",
            _Q.DOMINANT_MINOR9: "kleiner Dominantseptnonakkord",
            _Q.MAJOR9: "großer Septnonakkord",
            _Q.MINOR9: "Mollseptnonakkord",
            _Q.MINOR_FLAT9: "Mollseptakkord mit kleiner None",
            _Q.HALF_DIMINISHED9: "halbverminderter Septnonakkord",
            _Q.HALF_DIMINISHED_FLAT9: "halbverminderter Septakkord mit kleiner None",
            _Q.MINOR_MAJOR9: "Mollakkord mit großer Septime und None",
            _Q.AUGMENTED9: "übermäßiger Akkord mit kleiner Septime und None",
            _Q.AUGMENTED_MAJOR9: "übermäßiger Akkord mit großer Septime und None",
            _Q.DIMINISHED9: "verminderter Septakkord mit großer None",
            _Q.DIMINISHED_FLAT9: "verminderter Septakkord mit kleiner None",
            _Q.MAJOR6: "Durdreiklang mit hinzugefügter Sexte",
            _Q.MINOR6: "Molldreiklang mit hinzugefügter Sexte",
            _Q.DOMINANT11: "Dominantundezimenakkord",
            _Q.MAJOR11: "großer Undezimenakkord",
            _Q.MINOR11: "Mollundezimenakkord",
            _Q.DOMINANT13: "Dominanttredezimenakkord",
            _Q.MAJOR13: "großer Tredezimenakkord",
            _Q.MINOR13: "Molltredezimenakkord",
            _Q.POWER: "leere Quinte",
        },
    ),
    "fr": _Words(
        letters=("do", "ré", "mi", "fa", "sol", "la", "si"),
        sharp="dièse",
        flat="bémol",
        double="double",
        major="majeur",
        minor="mineur",
        kinds={
            "P": ("juste", "juste"),
            "M": ("majeur", "majeure"),
            "m": ("mineur", "mineure"),
            "A": ("augmenté", "augmentée"),
            "d": ("diminué", "diminuée"),
        },
        sizes=(
            "unisson",
            "seconde",
            "tierce",
            "quarte",
            "quinte",
            "sixte",
            "septième",
            "octave",
            "neuvième",
            "dixième",
            "onzième",
            "douzième",
            "treizième",
            "quatorzième",
            "quinzième",
        ),
        feminine=frozenset(range(2, 16)),
        kind_first=False,
        qualities={
            _Q.MAJOR: "accord parfait majeur",
            _Q.MINOR: "accord parfait mineur",
            _Q.DIMINISHED: "accord de quinte diminuée",
            _Q.AUGMENTED: "accord de quinte augmentée",
            _Q.DOMINANT7: "septième de dominante",
            _Q.MAJOR7: "septième majeure",
            _Q.MINOR7: "septième mineure",
            _Q.HALF_DIMINISHED7: "septième de sensible",
            _Q.DIMINISHED7: "septième diminuée",
            _Q.MINOR_MAJOR7: "accord mineur avec septième majeure",
            _Q.AUGMENTED_MAJOR7: "accord augmenté avec septième majeure",
            _Q.AUGMENTED7: "accord augmenté avec septième mineure",
            _Q.DIMINISHED_MAJOR7: "accord diminué avec septième majeure",
            _Q.DOMINANT7_FLAT5: "septième de dominante avec quinte abaissée",
            _Q.ITALIAN: "sixte augmentée italienne",
            _Q.FRENCH: "sixte augmentée française",
            _Q.GERMAN: "sixte augmentée allemande",
            _Q.SUS4: "quarte suspendue",
            _Q.SUS2: "seconde suspendue",
            _Q.DOMINANT7_SUS4: "septième de dominante avec quarte suspendue",
            _Q.DOMINANT9: "neuvième majeure de dominante",
            _Q.DOMINANT_MINOR9: "neuvième mineure de dominante",
            _Q.MAJOR9: "septième majeure avec neuvième",
            _Q.MINOR9: "septième mineure avec neuvième",
            _Q.MINOR_FLAT9: "septième mineure avec neuvième mineure",
            _Q.HALF_DIMINISHED9: "septième de sensible avec neuvième majeure",
            _Q.HALF_DIMINISHED_FLAT9: "septième de sensible avec neuvième mineure",
            _Q.MINOR_MAJOR9: "accord mineur avec septième majeure et neuvième",
            _Q.AUGMENTED9: "accord augmenté avec septième mineure et neuvième",
            _Q.AUGMENTED_MAJOR9: "accord augmenté avec septième majeure et neuvième",
            _Q.DIMINISHED9: "septième diminuée avec neuvième majeure",
            _Q.DIMINISHED_FLAT9: "septième diminuée avec neuvième mineure",
            _Q.MAJOR6: "accord majeur avec sixte ajoutée",
            _Q.MINOR6: "accord mineur avec sixte ajoutée",
            _Q.DOMINANT11: "onzième de dominante",
            _Q.MAJOR11: "accord majeur de onzième",
            _Q.MINOR11: "accord mineur de onzième",
            _Q.DOMINANT13: "treizième de dominante",
            _Q.MAJOR13: "accord majeur de treizième",
            _Q.MINOR13: "accord mineur de treizième",
            _Q.POWER: "quinte à vide",
        },
    ),
    "it": _Words(
        letters=_DO,
        sharp="diesis",
        flat="bemolle",
        double="doppio",
        major="maggiore",
        minor="minore",
        kinds={
            "P": ("giusto", "giusta"),
            "M": ("maggiore", "maggiore"),
            "m": ("minore", "minore"),
            "A": ("aumentato", "aumentata"),
            "d": ("diminuito", "diminuita"),
        },
        sizes=(
            "unisono",
            "seconda",
            "terza",
            "quarta",
            "quinta",
            "sesta",
            "settima",
            "ottava",
            "nona",
            "decima",
            "undicesima",
            "dodicesima",
            "tredicesima",
            "quattordicesima",
            "quindicesima",
        ),
        feminine=frozenset(range(2, 16)),
        kind_first=False,
        qualities={
            _Q.MAJOR: "triade maggiore",
            _Q.MINOR: "triade minore",
            _Q.DIMINISHED: "triade diminuita",
            _Q.AUGMENTED: "triade aumentata",
            _Q.DOMINANT7: "settima di dominante",
            _Q.MAJOR7: "settima maggiore",
            _Q.MINOR7: "settima minore",
            _Q.HALF_DIMINISHED7: "settima semidiminuita",
            _Q.DIMINISHED7: "settima diminuita",
            _Q.MINOR_MAJOR7: "triade minore con settima maggiore",
            _Q.AUGMENTED_MAJOR7: "triade aumentata con settima maggiore",
            _Q.AUGMENTED7: "triade aumentata con settima minore",
            _Q.DIMINISHED_MAJOR7: "triade diminuita con settima maggiore",
            _Q.DOMINANT7_FLAT5: "settima di dominante con quinta abbassata",
            _Q.ITALIAN: "sesta aumentata italiana",
            _Q.FRENCH: "sesta aumentata francese",
            _Q.GERMAN: "sesta aumentata tedesca",
            _Q.SUS4: "quarta sospesa",
            _Q.SUS2: "seconda sospesa",
            _Q.DOMINANT7_SUS4: "settima di dominante con quarta sospesa",
            _Q.DOMINANT9: "nona maggiore di dominante",
            _Q.DOMINANT_MINOR9: "nona minore di dominante",
            _Q.MAJOR9: "settima maggiore con nona",
            _Q.MINOR9: "settima minore con nona",
            _Q.MINOR_FLAT9: "settima minore con nona minore",
            _Q.HALF_DIMINISHED9: "settima semidiminuita con nona maggiore",
            _Q.HALF_DIMINISHED_FLAT9: "settima semidiminuita con nona minore",
            _Q.MINOR_MAJOR9: "triade minore con settima maggiore e nona",
            _Q.AUGMENTED9: "triade aumentata con settima minore e nona",
            _Q.AUGMENTED_MAJOR9: "triade aumentata con settima maggiore e nona",
            _Q.DIMINISHED9: "settima diminuita con nona maggiore",
            _Q.DIMINISHED_FLAT9: "settima diminuita con nona minore",
            _Q.MAJOR6: "triade maggiore con sesta aggiunta",
            _Q.MINOR6: "triade minore con sesta aggiunta",
            _Q.DOMINANT11: "undicesima di dominante",
            _Q.MAJOR11: "undicesima maggiore",
            _Q.MINOR11: "undicesima minore",
            _Q.DOMINANT13: "tredicesima di dominante",
            _Q.MAJOR13: "tredicesima maggiore",
            _Q.MINOR13: "tredicesima minore",
            _Q.POWER: "quinta vuota",
        },
    ),
    "es": _Words(
        letters=_DO,
        sharp="sostenido",
        flat="bemol",
        double="doble",
        major="mayor",
        minor="menor",
        kinds={
            "P": ("justo", "justa"),
            "M": ("mayor", "mayor"),
            "m": ("menor", "menor"),
            "A": ("aumentado", "aumentada"),
            "d": ("disminuido", "disminuida"),
        },
        sizes=(
            "unísono",
            "segunda",
            "tercera",
            "cuarta",
            "quinta",
            "sexta",
            "séptima",
            "octava",
            "novena",
            "décima",
            "undécima",
            "duodécima",
            "decimotercera",
            "decimocuarta",
            "decimoquinta",
        ),
        feminine=frozenset(range(2, 16)),
        kind_first=False,
        qualities={
            _Q.MAJOR: "tríada mayor",
            _Q.MINOR: "tríada menor",
            _Q.DIMINISHED: "tríada disminuida",
            _Q.AUGMENTED: "tríada aumentada",
            _Q.DOMINANT7: "séptima de dominante",
            _Q.MAJOR7: "séptima mayor",
            _Q.MINOR7: "séptima menor",
            _Q.HALF_DIMINISHED7: "séptima semidisminuida",
            _Q.DIMINISHED7: "séptima disminuida",
            _Q.MINOR_MAJOR7: "tríada menor con séptima mayor",
            _Q.AUGMENTED_MAJOR7: "tríada aumentada con séptima mayor",
            _Q.AUGMENTED7: "tríada aumentada con séptima menor",
            _Q.DIMINISHED_MAJOR7: "tríada disminuida con séptima mayor",
            _Q.DOMINANT7_FLAT5: "séptima de dominante con quinta rebajada",
            _Q.ITALIAN: "sexta aumentada italiana",
            _Q.FRENCH: "sexta aumentada francesa",
            _Q.GERMAN: "sexta aumentada alemana",
            _Q.SUS4: "cuarta suspendida",
            _Q.SUS2: "segunda suspendida",
            _Q.DOMINANT7_SUS4: "séptima de dominante con cuarta suspendida",
            _Q.DOMINANT9: "novena mayor de dominante",
            _Q.DOMINANT_MINOR9: "novena menor de dominante",
            _Q.MAJOR9: "séptima mayor con novena",
            _Q.MINOR9: "séptima menor con novena",
            _Q.MINOR_FLAT9: "séptima menor con novena menor",
            _Q.HALF_DIMINISHED9: "séptima semidisminuida con novena mayor",
            _Q.HALF_DIMINISHED_FLAT9: "séptima semidisminuida con novena menor",
            _Q.MINOR_MAJOR9: "tríada menor con séptima mayor y novena",
            _Q.AUGMENTED9: "tríada aumentada con séptima menor y novena",
            _Q.AUGMENTED_MAJOR9: "tríada aumentada con séptima mayor y novena",
            _Q.DIMINISHED9: "séptima disminuida con novena mayor",
            _Q.DIMINISHED_FLAT9: "séptima disminuida con novena menor",
            _Q.MAJOR6: "tríada mayor con sexta añadida",
            _Q.MINOR6: "tríada menor con sexta añadida",
            _Q.DOMINANT11: "undécima de dominante",
            _Q.MAJOR11: "undécima mayor",
            _Q.MINOR11: "undécima menor",
            _Q.DOMINANT13: "decimotercera de dominante",
            _Q.MAJOR13: "decimotercera mayor",
            _Q.MINOR13: "decimotercera menor",
            _Q.POWER: "quinta vacía",
        },
    ),
}

_LETTERS = "CDEFGAB"
_TIMES = {
    "en": ("", "", "doubly ", "triply ", "quadruply "),
    "de": ("", "", "doppelt ", "dreifach ", "vierfach "),
    "fr": ("", "", " deux fois", " trois fois", " quatre fois"),
    "it": ("", "", " due volte", " tre volte", " quattro volte"),
    "es": ("", "", " dos veces", " tres veces", " cuatro veces"),
}


def _fold(text: str) -> str:
    """Lower case without accents, single spaces."""
    plain = unicodedata.normalize("NFD", text.strip().lower().replace("ß", "ss"))
    return " ".join("".join(c for c in plain if not unicodedata.combining(c)).split())


# -------------------------------------------------------------------- notes


def pitch_class_name(pitch_class: PitchClass, language: Language = "en") -> str:
    """Return a note's name: ``"B flat"``, ``"B"`` in German, ``"si bémol"`` in French."""
    w = _WORDS[language]
    letter = w.letters[_LETTERS.index(pitch_class.letter)]
    alter = pitch_class.alter
    if alter == 0:
        return letter
    if language == "de":
        return _german(pitch_class)
    sign = w.sharp if alter > 0 else w.flat
    doubles, single = divmod(abs(alter), 2)
    accidentals = [f"{w.double} {sign}"] * doubles + [sign] * single
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
    if language == "de":
        found = _read_german(plain)
    else:
        found = _read_words(plain, language)
    if found is None:
        example = pitch_class_name(PitchClass("F", 1), language)
        raise ValueError(f"{text!r} is not a note name here; write for example {example}.")
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
    w = _WORDS[language]
    first, *rest = plain.split() or [""]
    letters = [_fold(letter) for letter in w.letters]
    if first not in letters:
        return None
    double, sharp, flat = _fold(w.double), _fold(w.sharp), _fold(w.flat)
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
    return PitchClass(_LETTERS[letters.index(first)], alter)


# -------------------------------------------------------------------- keys


def mode_name(mode: Mode, language: Language = "en") -> str:
    """Return ``"major"``, ``"Moll"``, ``"maggiore"`` ..."""
    w = _WORDS[language]
    return w.major if mode == "major" else w.minor


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
    w = _WORDS[language]
    modes: dict[str, Mode] = {_fold(w.major): "major", _fold(w.minor): "minor"}
    if mode in modes and tonic:
        try:
            return Key(parse_pitch_class(tonic, language), modes[mode])
        except ValueError:
            pass
    example = key_name(Key(PitchClass("F", 1), "minor"), language)
    raise ValueError(f"{text!r} is not a key here; write for example {example}.")


# -------------------------------------------------------------------- intervals and chords


def interval_name(interval: Interval, language: Language = "en") -> str:
    """Return an interval's name without its direction: ``"minor third"``, ``"tierce mineure"``.

    Intervals beyond the fifteenth are named by their size within an octave.
    """
    w = _WORDS[language]
    if interval.size > len(w.sizes):
        interval = interval.simple
    size = w.sizes[interval.size - 1]
    kind = w.kinds[interval.kind[0]][1 if interval.size in w.feminine else 0]
    count = len(interval.kind)
    times = _TIMES[language]
    often = times[count] if count < len(times) else f" ({count}×) "
    if w.kind_first:
        return f"{often}{kind} {size}".strip()
    return f"{size} {kind}{often}".strip()


def parse_interval(text: str, language: Language = "en") -> Interval:
    """Read the name of a rising interval in a language; raise ValueError on anything else."""
    wanted = _fold(text)
    found = _interval_table(language).get(wanted)
    if found is None:
        example = interval_name(Interval.parse("m3"), language)
        raise ValueError(f"{text!r} is not an interval here; write for example {example}.")
    return found


def _interval_table(language: Language) -> dict[str, Interval]:
    table: dict[str, Interval] = {}
    for size in range(1, len(_WORDS[language].sizes) + 1):
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
    return _WORDS[language].qualities[quality]


def parse_quality(text: str, language: Language = "en") -> Quality:
    """Read a chord quality's name in a language; raise ValueError on anything else."""
    wanted = _fold(text)
    for quality, name in _WORDS[language].qualities.items():
        if _fold(name) == wanted:
            return quality
    example = quality_name(Quality.DOMINANT7, language)
    raise ValueError(f"{text!r} is not a chord here; write for example {example}.")
