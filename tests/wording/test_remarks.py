"""What readers say of a score is said in every language, and in English as it stands in the code."""

from __future__ import annotations

import ast
import pickle
from importlib.resources import files
from pathlib import Path

import pytest

from understave.cli.program import main
from understave.errors import ScoreError
from understave.score.reader import read_score
from understave.score.remarks import Remark
from understave.theory.key import Key
from understave.wording import SPOKEN, phrasebook
from understave.wording.remark_words import in_words

SOURCE = Path(str(files("understave")))


def in_code() -> dict[str, tuple[str, set[str]]]:
    """Return each remark's English, and the names of its values."""
    found: dict[str, tuple[str, set[str]]] = {}
    for path in sorted(SOURCE.rglob("*.py")):
        text = path.read_text("utf-8")
        if "Remark(" not in text:
            continue
        for call in ast.walk(ast.parse(text)):
            if isinstance(call, ast.Call) and isinstance(call.func, ast.Name) and call.func.id == "Remark":
                name, english = (ast.literal_eval(argument) for argument in call.args)
                said = english, {str(keyword.arg) for keyword in call.keywords}
                assert found.setdefault(name, said) == said, f"{name} is said in two ways"
    return found


def test_every_remark_has_its_words() -> None:
    said = in_code()
    assert len(said) > 25
    assert {name: english for name, (english, _) in said.items()} == phrasebook("en").remarks
    for language in SPOKEN:
        for name, (_, values) in said.items():
            # A value of its own for each gap: none is left out, and none asked for that is not there.
            marks = {value: f"<{value}>" for value in values}
            text = phrasebook(language).remarks[name].format(**marks)
            assert all(mark in text for mark in marks.values()), (language, name)


def test_no_reader_refuses_in_english_only() -> None:
    score = SOURCE / "score"
    readers = [score / name for name in ("reader.py", "formats.py", "timeline.py", "xmltree.py")]
    refused = 0
    for path in [*readers, *sorted((score / "readers").rglob("*.py"))]:
        for call in ast.walk(ast.parse(path.read_text("utf-8"))):
            if (
                isinstance(call, ast.Call)
                and isinstance(call.func, ast.Name)
                and call.func.id == "ScoreError"
            ):
                refused += 1
                assert isinstance(call.args[0], ast.Call), f"{path.name}:{call.lineno}"
    assert refused > 50


@pytest.mark.parametrize(
    ("name", "data", "german", "french"),
    [
        ("a.mid", b"MThd", "im Kopf abgeschnitten", "dès son en-tête"),
        ("a.krn", b"**kern\n4c\n", "bricht in Zeile 2 ab", "s’arrête à la ligne 2"),
        ("a.abc", b"X:1\nT:none\nK:C\n", "keine Noten", "aucune note"),
        ("a.mei", b'<mei xmlns="http://www.music-encoding.org/ns/mei"/>', "ohne <score>", "sans <score>"),
        ("a.mxl", b"PK\x03\x04 no archive", "beschädigte .mxl", ".mxl tronqué"),
        ("a.musicxml", b"<score-partwise><part", "Zeile 1", "ligne 1"),
        ("a.musicxml", b"<opus/>", "Verzeichnis von Notentexten", "liste de partitions"),
        ("a.txt", b"A letter.", "kein Notentext", "pas une partition"),
        ("a.txt", b"", "ist leer", "est vide"),
    ],
)
def test_each_reader_refuses_in_every_language(
    name: str, data: bytes, german: str, french: str, tmp_path: Path
) -> None:
    path = tmp_path / name
    path.write_bytes(data)
    with pytest.raises(ScoreError) as refused:
        read_score(path)
    assert str(refused.value).startswith(name)
    assert german in in_words(refused.value, "de")
    assert french in in_words(refused.value, "fr")


def test_a_remark_within_a_remark_is_said_in_the_same_language() -> None:
    inner = Remark("bar_long", "Bar {bar} would hold {held} quarter notes or more.", bar=3, held="2.5")
    whole = pickle.loads(
        pickle.dumps(Remark("xml_wrong", "{file} cannot be read: {why}", file="a", why=inner))
    )
    assert whole == "a cannot be read: Bar 3 would hold 2.5 quarter notes or more."
    assert in_words(whole, "de").startswith("a lässt sich nicht lesen: Takt 3 enthielte 2,5 Viertel")


def test_a_remark_is_said_in_a_language_and_kept_in_another_process() -> None:
    remark = Remark("page_no_staves", "Pages without staves were left out: p. {pages}.", pages="1, 3")
    assert remark == "Pages without staves were left out: p. 1, 3."
    for same in (remark, pickle.loads(pickle.dumps(remark))):
        assert in_words(same, "en") == str(remark)
        assert in_words(same, "de") == "Seiten ohne Notensysteme wurden ausgelassen: S. 1, 3."
        assert in_words(same, "fr").endswith("p. 1, 3.")
        assert in_words(pickle.loads(pickle.dumps(ScoreError(same))), "de").startswith("Seiten ohne")
    guest = "Said by a guest."
    assert in_words(guest, "de") == in_words(ScoreError(guest), "fr") == guest
    # A German number has a comma; a file's name keeps its dot.
    wide = Remark("pdf_locked", "{file} is locked", file="2.5")
    assert in_words(wide, "de").startswith("2,5 ist")
    named = Remark("pdf_locked", "{file} is locked", file="Op.2.5.pdf")
    assert in_words(named, "de").startswith("Op.2.5.pdf")
    # So has a key its name there, in another process too.
    flat = pickle.loads(pickle.dumps(Remark("midi_no_key", "{key} was estimated", key=Key.parse("Eb"))))
    assert flat == "Eb major was estimated"
    assert "; Es-Dur wurde" in in_words(flat, "de")
    assert in_words(flat, "fr").endswith("mi bémol majeur.")


@pytest.mark.parametrize(("language", "told"), [("de", "beschädigtes Bild"), ("fr", "image endommagée")])
def test_the_command_line_refuses_a_page_in_the_language_asked_for(
    language: str, told: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    page = tmp_path / "page.png"
    page.write_bytes(b"\x89PNG\r\n\x1a\n no picture")  # the signature of PNG (ISO/IEC 15948, 5.2)
    given = ["lesson", str(page), "--out", str(tmp_path / "out"), "--language", language]
    assert main(given) == 2
    assert told in capsys.readouterr().err
