"""Questions in a teacher's conventions: what is asked, and what is answered.

Functions as taught in German-speaking schools (Maler 1931; de la Motte 1976), six-fours as Aldwell and
Schachter's and Piston's books have them: all from memory. Letters and capitals: common practice, no source.
"""

from __future__ import annotations

import json

import pytest

from understave.cli import main
from understave.errors import UnderstaveError
from understave.repertoire import Question, ask, connect
from understave.repertoire.asked import search
from understave.repertoire.asked_chords import standard_chords, standard_keys
from understave.repertoire.device_names import device
from understave.repertoire.place_names import chords_shown
from understave.theory.convention_choices import Conventions, conventions_from, following

CAPITALS, FUNCTIONS = Conventions(numerals="capital"), Conventions(functions="instead")


@pytest.fixture
def db(indexed):
    with connect(indexed[1].index) as db:
        yield db


@pytest.mark.parametrize(
    ("text", "key", "mode", "standard"),
    [
        ("ii ? V7 I", "", "", "ii ? V7 I"),
        ("ii-V-I", "", "", "ii V I"),
        ("IV|ii * I", "", "", "IV|ii * I"),
        ("V64-53 I", "", "", "Cad64 V I"),
        ("V⁶₅ I", "", "", "V65 I"),
        ("vii° I", "", "", "viio I"),
        # No numeral: functions; in C the letters are chords.
        ("S D7 T", "", "", "IV V7 I"),
        ("t s D t", "", "", "i iv V i"),
        ("Fm G7 Cm", "c", "", "iv V7 i"),
        ("Sp D T", "", "major", "ii V I"),
    ],
)
def test_every_way_of_writing_is_read(text, key, mode, standard):
    assert standard_chords(text, key, mode) == standard


@pytest.mark.parametrize(
    ("how", "text", "mode", "standard"),
    [
        (CAPITALS, "II V I", "major", "ii V I"),
        (CAPITALS, "II V I", "minor", "iio V i"),
        (CAPITALS, "IV V I", "", "IV|iv V I|i"),
        (FUNCTIONS, "D7 T", "major", "V7 I"),
        (FUNCTIONS, "D64 D7 t", "", "Cad64 V7 i"),
        (FUNCTIONS, "tP", "minor", "III"),
        (Conventions(six_four="I64"), "I64 V", "", "I64|Cad64 V"),
        (Conventions(six_four="V64-53"), "V6–5/4–3 I", "", "Cad64 V I"),
    ],
)
def test_a_convention_decides_what_is_meant(how, text, mode, standard):
    with following(how):
        assert standard_chords(text, "", mode) == standard


def test_a_letter_is_a_chord_of_the_key_asked_for_in_german_letters():
    with following(Conventions(letters="german")):
        assert standard_chords("B F7 B", "Bb") == "I V7 I"
    with pytest.raises(UnderstaveError, match="with a key only"):
        standard_chords("Bb F7")


@pytest.mark.parametrize(
    ("how", "text", "standard"),
    [
        ({}, "I V ? I", "I V ? I"),
        ({"functions": "instead"}, "T D Tp T", "I V vi I"),
        ({"numerals": "capital"}, "I VI * I", "I|i vi|VI * I|i"),
    ],
)
def test_plans_of_keys(how, text, standard):
    with following(conventions_from(how)):
        assert standard_keys(text) == standard


@pytest.mark.parametrize("text", ["V W", "S X T", "V64-53|I V", "V64-22 I", "quack"])
def test_what_is_no_chord_gets_one_sentence(text):
    with pytest.raises(UnderstaveError) as caught:
        standard_chords(text)
    assert str(caught.value).endswith(".")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("how", "numerals", "mode", "shown"),
    [
        ({}, "ii6 Cad64 V7 I", "major", "ii6 Cad64 V7 I"),
        ({"six_four": "I64"}, "ii6 Cad64 V7 I", "major", "ii⁶ I⁶₄ V⁷ I"),
        ({"six_four": "V64-53"}, "Cad64 V7", "major", "V6–5/4–3 V⁷"),
        ({"numerals": "capital"}, "iio6 V i", "minor", "II°⁶ V I"),
        ({"functions": "instead"}, "ii6 V7 I", "major", "S⁶ D⁷ T"),
        ({"functions": "beside"}, "ii6 V7 I", "major", "ii⁶ V⁷ I · S⁶ D⁷ T"),
        ({"functions": "instead"}, "no numeral", "major", "no numeral"),
    ],
)
def test_answers_are_written_as_asked(how, numerals, mode, shown):
    with following(conventions_from(how)):
        assert chords_shown(numerals, mode) == shown


def test_the_same_places_are_found_in_every_convention(db):
    plain = ask(db, Question(progression="IV V I", mode="major"))
    assert plain.count > 0
    for how, text in ((FUNCTIONS, "S D T"), (CAPITALS, "IV V I")):
        with following(how):
            assert ask(db, Question(progression=text, mode="major")) == plain


def test_a_page_shows_the_conventions_in_force(indexed):
    folder, _ = indexed
    asked = {"device": "neapolitan in c minor"}
    with following(Conventions(functions="instead", keys="letters")):
        (place, *_) = search(folder, asked)["places"]
    assert (place["what"], place["key"]) == ("neapolitan (sN)", "c")
    with following(Conventions(functions="instead")):
        assert search(folder, {"key_plan": "T", "composer": "schubert"})["places"][0]["what"] == "keys T"


def test_names_of_devices_in_every_language(db):
    names = [("cadence", "deceptive"), ("chromatic chord", "neapolitan")]
    german, french = device("Neapolitaner in f-Moll", names), device("accord napolitain en fa mineur", names)
    assert (german.kind, german.labels, german.key) == ("chromatic chord", ("neapolitan",), "f")
    assert french.key == german.key
    assert french.labels == german.labels


def test_find_follows_the_conventions_for_all_and_data_keep_the_standard(
    indexed, tmp_path, capsys, monkeypatch
):
    folder, _ = indexed
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    for name in ("APPDATA", "LOCALAPPDATA"):
        monkeypatch.setenv(name, str(tmp_path))
    assert main(["conventions", "--for-all", "--functions", "instead", "--letters", "german"]) == 0
    capsys.readouterr()
    asked = ["find", str(folder), "--chords", "S D T", "--mode", "Dur"]
    assert main(asked) == 0
    assert "S D" in capsys.readouterr().out
    assert main([*asked, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["places"][0]["what"].startswith("IV V")
    assert main(["find", str(folder), "--count", "next", "--chords", "D", "--mode", "major"]) == 0
    assert "T " in capsys.readouterr().out.replace("│", " ")
