import pytest

from understave.theory.chord import Quality
from understave.theory.key import Key, all_keys
from understave.theory.names import (
    LANGUAGES,
    interval_name,
    key_name,
    parse_interval,
    parse_key,
    parse_pitch_class,
    parse_quality,
    pitch_class_name,
    quality_name,
)
from understave.theory.pitch import Interval, PitchClass

# Note and key names in five languages (common practice, no source).
NOTES = {
    "Bb": ("B flat", "B", "si bémol", "si bemolle", "si bemol"),
    "B": ("B", "H", "si", "si", "si"),
    "F#": ("F sharp", "Fis", "fa dièse", "fa diesis", "fa sostenido"),
    "Eb": ("E flat", "Es", "mi bémol", "mi bemolle", "mi bemol"),
    "Ab": ("A flat", "As", "la bémol", "la bemolle", "la bemol"),
    "D": ("D", "D", "ré", "re", "re"),
    "G": ("G", "G", "sol", "sol", "sol"),
    "Bbb": ("B double flat", "Heses", "si double bémol", "si doppio bemolle", "si doble bemol"),
    "F##": ("F double sharp", "Fisis", "fa double dièse", "fa doppio diesis", "fa doble sostenido"),
    "Ebb": ("E double flat", "Eses", "mi double bémol", "mi doppio bemolle", "mi doble bemol"),
    "B#": ("B sharp", "His", "si dièse", "si diesis", "si sostenido"),
    "Cb": ("C flat", "Ces", "do bémol", "do bemolle", "do bemol"),
}
KEYS = {
    "f#": ("F sharp minor", "fis-Moll", "fa dièse mineur", "fa diesis minore", "fa sostenido menor"),
    "Bb": ("B flat major", "B-Dur", "si bémol majeur", "si bemolle maggiore", "si bemol mayor"),
    "b": ("B minor", "h-Moll", "si mineur", "si minore", "si menor"),
}
INTERVALS = {
    "P5": ("perfect fifth", "reine Quinte", "quinte juste", "quinta giusta", "quinta justa"),
    "m3": ("minor third", "kleine Terz", "tierce mineure", "terza minore", "tercera menor"),
    "A6": ("augmented sixth", "übermäßige Sexte", "sixte augmentée", "sesta aumentata", "sexta aumentada"),
    "d7": (
        *("diminished seventh", "verminderte Septime", "septième diminuée"),
        *("settima diminuita", "séptima disminuida"),
    ),
    "A1": (
        *("augmented unison", "übermäßige Prime", "unisson augmenté"),
        *("unisono aumentato", "unísono aumentado"),
    ),
}


@pytest.mark.parametrize("note", NOTES)
def test_note_names(note):
    assert tuple(pitch_class_name(PitchClass.parse(note), x) for x in LANGUAGES) == NOTES[note]


@pytest.mark.parametrize("key", KEYS)
def test_key_names(key):
    assert tuple(key_name(Key.parse(key), x) for x in LANGUAGES) == KEYS[key]


@pytest.mark.parametrize("interval", INTERVALS)
def test_interval_names(interval):
    assert tuple(interval_name(Interval.parse(interval), x) for x in LANGUAGES) == INTERVALS[interval]


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_name_is_read_back(language):
    for place in range(-35, 36):
        note = PitchClass.from_fifths(place)
        assert parse_pitch_class(pitch_class_name(note, language), language) == note
        assert parse_pitch_class(pitch_class_name(note, language).upper(), language) == note
    for key in all_keys():
        assert parse_key(key_name(key, language), language) == key
    for quality in Quality:
        assert parse_quality(quality_name(quality, language), language) is quality
    for kind in ["P", "M", "m", "A", "d", "AA", "dd", "AAA", "ddd", "AAAA", "dddd"]:
        for size in range(2, 16):
            perfect = size % 7 in (1, 4, 5)
            if (kind == "P") != perfect and kind in ("P", "M", "m"):
                continue
            interval = Interval.parse(f"{kind}{size}")
            assert parse_interval(interval_name(interval, language), language) == interval


def test_other_customary_forms_are_read():
    assert parse_pitch_class("Asas", "de") == PitchClass("A", -2)
    assert parse_pitch_class("Bes", "de") == PitchClass("B", -2)
    assert parse_pitch_class("re", "fr") == PitchClass("D")
    assert parse_pitch_class("sol diese", "fr") == PitchClass("G", 1)
    assert parse_key("d-Moll", "de") == parse_key("D moll", "de") == Key.parse("d")
    assert interval_name(Interval.parse("-m3"), "de") == "kleine Terz"


@pytest.mark.parametrize(
    ("text", "language"),
    [
        *(("H", "en"), ("", "en"), ("F sharply", "en"), ("B natural", "en"), ("do do", "it")),
        *(("Hes", "de"), ("Ees", "de"), ("Cs", "de"), ("ut", "fr"), ("do double", "fr")),
    ],
)
def test_what_is_no_note_is_refused(text, language):
    with pytest.raises(ValueError, match="is not a note name here; write for example"):
        parse_pitch_class(text, language)


def test_what_is_no_key_interval_or_chord_is_refused():
    for reader in (parse_key, parse_interval, parse_quality):
        with pytest.raises(ValueError, match=r"here; write for example .*\.$"):
            reader("nonsense", "fr")
