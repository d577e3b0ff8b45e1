"""The command line as its user meets it: what it makes, what it says, and that bad input is one sentence."""

import csv
import json
import re
from pathlib import Path

import pytest
from tests.once import opening

from understave.cli import main
from understave.export.plan_marks import remove_plan
from understave.harmony.corrections import load
from understave.lesson.folder import create_folder
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
STUDY = EXAMPLES / "lock-water" / "score.musicxml"


@pytest.fixture(scope="module")
def lesson(tmp_path_factory):
    """A lesson without sound on the first bars of the study, which hold what is asked of it here."""
    folder = tmp_path_factory.mktemp("made") / "lesson"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("understave.cli.lessons._PROCESSES", 1)
        assert main(["lesson", str(opening(12)), "--out", str(folder), "--no-sound"]) == 0
    return folder


def test_the_lesson_holds_all_it_promises(tmp_path):
    """As it is made where nothing is asked: with sound."""
    lesson, score = tmp_path / "lesson", opening(4)
    assert main(["lesson", str(score), "--out", str(lesson)]) == 0
    exports = {p.name for p in (lesson / "exports").iterdir()}
    assert {
        "score-01.svg",
        "score.pdf",
        "student.pdf",
        "answers.pdf",
        "teacher.pdf",
        "exercises.qti.zip",
        "reading.json",
        "reading.csv",
        "reading.txt",
        "annotated.musicxml",
        "plan.pdf",
        "plan.musicxml",
        "plan.mid",
    } <= exports
    assert (lesson / "score.musicxml").read_bytes() == score.read_bytes()
    sounds = {p.name for p in (lesson / "exports" / "sounds").glob("*.mp3")}
    assert "piece.mp3" in sounds
    assert [name for name in sounds if name.endswith("-2.mp3")], "no contrast is heard"
    for name in ("score.pdf", "student.pdf", "plan.pdf"):
        assert (lesson / "exports" / name).read_bytes().startswith(b"%PDF-")
    assert not [p for p in lesson.rglob(".*") if p.is_file()]


def test_the_plan_comes_out_of_the_annotated_score_again(lesson):
    exports = lesson / "exports"
    with_marks = (exports / "plan.musicxml").read_bytes()
    assert remove_plan(with_marks) == (exports / "annotated.musicxml").read_bytes() != with_marks
    assert b"understave-plan-" in with_marks
    assert (exports / "plan.mid").read_bytes().startswith(b"MThd")


def test_every_note_of_the_score_is_in_the_engraved_pages(lesson):
    pages = "".join(p.read_text() for p in sorted((lesson / "exports").glob("score-*.svg")))
    reading = json.loads((lesson / "exports" / "reading.json").read_text())
    ids = {i for s in reading["spans"] for i in (*s["notes"], *s["foreign"])}
    assert ids
    assert all(f'id="{i}"' in pages for i in ids)


@pytest.mark.usefixtures("one_process")
def test_a_correction_wins_and_stays_when_the_lesson_is_made_again(lesson, capsys):
    assert main(["correct", str(lesson), "--from", "9", "--to", "10", "--chord", "vi7", "--key", "Eb"]) == 0
    assert main(["lesson", str(lesson), "--no-sound"]) == 0
    reading = json.loads((lesson / "exports" / "reading.json").read_text())
    fixed = [s for s in reading["spans"] if s["fixed"]]
    assert [(s["start"]["measure"], s["numeral"], s["key"]) for s in fixed] == [("9", "vi7", "Eb")]
    assert main(["correct", str(lesson)]) == 0
    assert "vi7" in capsys.readouterr().out
    assert main(["correct", str(lesson), "--take-back", "1"]) == 0
    assert main(["show", str(lesson), "--bars", "9"]) == 0
    assert "yours" not in capsys.readouterr().out.splitlines()[-2]
    assert len((lesson / "corrections.jsonl").read_text().splitlines()) == 2


def test_csv_rows_can_be_read_back(lesson):
    with (lesson / "exports" / "reading.csv").open(newline="") as file:
        for row in csv.DictReader(file):
            key = Key.parse(row["key"].replace(" flat", "b").replace(" sharp", "#"))
            members = RomanNumeral.parse(row["numeral"]).chord(key).members
            assert " ".join(m.name for m in members) == row["notes of the chord"]


BAD = {
    "empty.musicxml": b"",
    "notes.txt": b"a shopping list",
    "cut.musicxml": STUDY.read_bytes()[:5000],
    "broken.mxl": b"PK\x03\x04 not a zip",
    "none.musicxml": b'<?xml version="1.0"?><score-partwise version="4.0"><part-list>'
    b'<score-part id="P1"><part-name/></score-part></part-list><part id="P1"><measure number="1"/></part>'
    b"</score-partwise>",
}


@pytest.mark.parametrize("name", [*BAD, "missing.mei"])
def test_bad_input_is_one_sentence_and_leaves_nothing(tmp_path, capsys, name):
    path = tmp_path / name
    if name in BAD:
        path.write_bytes(BAD[name])
    assert main(["lesson", str(path), "--out", str(tmp_path / "out")]) == 2
    message = capsys.readouterr().err
    assert message.startswith("understave: ")
    assert message.count("\n") == 1
    assert "Traceback" not in message
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["--from", "9"], "both --from and --to"),
        (["--from", "9", "--to", "8", "--chord", "I"], "does not come after"),
        (["--from", "99", "--to", "100", "--chord", "I"], "There is no bar 99"),
        (["--from", "9:7", "--to", "10", "--chord", "I"], "has no beat 7"),
        (["--from", "9:x", "--to", "10", "--chord", "I"], "is not a beat"),
        (["--from", "9:1e9999999", "--to", "10", "--chord", "I"], "is not a beat"),
        (["--from", "9:1/0", "--to", "10", "--chord", "I"], "is not a beat"),
        (["--from", "9", "--to", "10"], "give --chord, --key or both"),
        (["--from", "9", "--to", "10", "--chord", "Q7"], "not a Roman numeral"),
        (["--from", "9", "--to", "10", "--key", "H#"], "not a"),
        (["--take-back", "55"], "no correction number 55"),
    ],
)
def test_a_wrong_correction_is_explained(lesson, capsys, arguments, sentence):
    before = (lesson / "corrections.jsonl").read_text() if (lesson / "corrections.jsonl").exists() else ""
    assert main(["correct", str(lesson), *arguments]) == 2
    assert sentence in capsys.readouterr().err
    after = (lesson / "corrections.jsonl").read_text() if (lesson / "corrections.jsonl").exists() else ""
    assert after == before


@pytest.mark.usefixtures("one_process")
def test_a_score_without_a_title_is_called_after_its_file_now_and_later(tmp_path, capsys):
    tune = tmp_path / "Evening tune.abc"
    tune.write_text("X:1\nM:3/4\nL:1/4\nK:D\nDFA|dAF|GEC|D3|]\n")
    analysis = tmp_path / "mine.txt"
    analysis.write_text("m1 D: vi6\nm2 I\nm3 vii/o7\nm4 I\n".replace("/o", "ø"), encoding="utf-8")
    made = ["lesson", str(tune), "--out", str(tmp_path / "out"), "--no-sound", "--analysis", str(analysis)]
    assert main(made) == 0
    said = capsys.readouterr().out
    assert "Evening tune: " in said
    # What differs from the reading was taken over, and the lesson says where.
    assert "corrected from mine.txt, in bars 1, 3." in " ".join(said.split())
    assert main(["show", str(tmp_path / "out")]) == 0
    said = capsys.readouterr().out
    assert "Evening tune" in said
    assert "vi6" in said
    assert "viiø7" in said
    assert main(["lesson", str(tmp_path / "out"), "--no-sound"]) == 0
    assert (
        json.loads((tmp_path / "out" / "exports" / "reading.json").read_text())["piece"]["title"]
        == "Evening tune"
    )


def test_stopping_it_at_any_time_is_one_sentence(tmp_path, capsys, monkeypatch):
    def stop(*_):
        raise KeyboardInterrupt

    for place in ("understave.cli.arguments.level_named", "understave.score.reader.read_bytes"):
        with monkeypatch.context() as patch:
            patch.setattr(place, stop)
            assert main(["lesson", str(STUDY), "--level", "beginner", "--out", str(tmp_path / "out")]) == 130
        assert capsys.readouterr().err.count("\n") == 1
        assert not (tmp_path / "out").exists()


def test_explain_tells_the_story(capsys):
    assert main(["explain", str(STUDY), "--bars", "15-17"]) == 0
    assert "minor" in capsys.readouterr().out


@pytest.mark.parametrize(("name", "begin"), [("a.svg", b"<svg"), ("b.png", b"\x89PNG")])
def test_an_excerpt_is_a_picture(tmp_path, name, begin):
    out = tmp_path / name
    assert main(["excerpt", str(STUDY), "--bars", "4-6", "--out", str(out)]) == 0
    assert out.read_bytes().startswith(begin)


@pytest.mark.parametrize(
    ("bars", "name", "sentence"),
    [("4-99", "a.svg", "no bar 99"), ("6-4", "a.svg", "comes before"), ("4", "a.jpg", "must end in")],
)
def test_a_wrong_excerpt_is_explained(tmp_path, capsys, bars, name, sentence):
    assert main(["excerpt", str(STUDY), "--bars", bars, "--out", str(tmp_path / name)]) == 2
    assert sentence in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


ODD = "=[red]x[/red] [/] \u27e8V7\u27e9 \u27e8zz\u27e9 {0} :smile: #let $a$ @b"


@pytest.mark.usefixtures("one_process")
def test_titles_notes_and_folders_may_hold_any_sign(tmp_path, capsys):
    """Square brackets mean nothing to the terminal, and angle brackets only mark our own numerals."""
    folder = tmp_path / "[red] \u27e8x\u27e9 #a :smile:"
    score = folder / "a [bold]\u27e8q\u27e9.abc"
    folder.mkdir()
    score.write_text(f"X:1\nT:{ODD}\nM:3/4\nL:1/4\nK:D\nDFA|dAF|GEC|D3|]\n")
    title = ODD
    out = folder / "out [x]"
    assert main(["lesson", str(score), "--out", str(out), "--no-sound", "--list"]) == 0
    said = capsys.readouterr().out
    assert f"{title}: " in said
    assert f"The lesson lies in {out}:" in said
    note = "[/] \u27e8q\u27e9 [red]"
    assert main(["correct", str(out), "--from", "2:1", "--to", "3:1", "--chord", "V", "--note", note]) == 0
    assert f"'understave lesson {out}'" in capsys.readouterr().out
    assert main(["correct", str(out)]) == 0
    assert note in capsys.readouterr().out
    for command in ("show", "explain", "play-plan"):
        assert main([command, str(out)]) == 0
        assert title in capsys.readouterr().out
    own = (
        '[[stops.own]]\nid = "mine"\nbars = "2"\ntitle = "=[/] \u27e8no\u27e9"\n'
        'say = "\u27e8no\u27e9 [/b]"\nquestion = "+?"\n'
    )
    (out / "lesson.toml").write_text((out / "lesson.toml").read_text() + own)
    assert main(["lesson", str(out), "--no-sound"]) == 0
    assert "names the chord" not in capsys.readouterr().out
    rows = list(csv.reader((out / "exports" / "cues.csv").open(encoding="utf-8", newline="")))
    assert "'=[/] \u27e8no\u27e9." in {row[-1] for row in rows}


@pytest.fixture
def minuet_and_trio(tmp_path):
    """A lesson folder whose score has its bar numbers twice."""
    text = STUDY.read_text()
    half = len(re.findall(r'<measure [^>]*number="\d+"', text)) // 2
    score = tmp_path / "twice.musicxml"
    score.write_text(
        re.sub(
            r'(<measure [^>]*number=")(\d+)"',
            lambda m: f'{m[1]}{(int(m[2]) - 1) % half + 1}"',
            text,
        )
    )
    return create_folder(tmp_path / "lesson", score, "Twice", "")


def test_an_ambiguous_bar_is_named_and_asked_for(minuet_and_trio, capsys):
    folder = minuet_and_trio
    assert main(["correct", str(folder.path), "--from", "1:1", "--to", "2", "--chord", "I"]) == 2
    said = capsys.readouterr().err
    assert "two bars numbered 1; write 1#1 for the first or 1#2 for the second." in said
    assert not folder.corrections.exists()
    # The end of a stretch is the next bar of its number.
    assert main(["correct", str(folder.path), "--from", "1#2", "--to", "2", "--chord", "I"]) == 0
    assert main(["correct", str(folder.path), "--from", "2#1:2", "--to", "2:1", "--key", "C"]) == 0
    second, across = load(folder.corrections)
    assert (second.measure, second.end_measure) == ("1#2", "2#2")
    assert (across.measure, across.end_measure) == ("2#1", "2#2")
    assert main(["correct", str(folder.path), "--from", "1#3", "--to", "2", "--chord", "I"]) == 2
    assert "no bar 1#3" in capsys.readouterr().err
    assert main(["excerpt", str(folder.path), "--bars", "1-2", "--out", "x.svg"]) == 2
    assert "two bars numbered 1" in capsys.readouterr().err
