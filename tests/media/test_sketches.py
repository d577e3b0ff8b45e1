"""Pages for students who compose, and the reduction as a command."""

from __future__ import annotations

import io
from pathlib import Path

import av
import pytest
from tests.once import make_plan, read, read_score

from understave.cli import main
from understave.media.sketches import AT_MOST, sketch_files
from understave.media.worksheet import exercise_sounds, sound_name
from understave.teaching.exercises import HEARD, exercises
from understave.teaching.worked_examples import examples_for
from understave.wording import phrasebook

PIECE = Path(__file__).parents[2] / "examples" / "chain-ferry" / "score.musicxml"


def test_every_device_comes_as_page_score_and_sound(tmp_path) -> None:
    score = read_score(PIECE)
    reading = read(score)
    found = examples_for(reading, AT_MOST)
    made = sketch_files(found[:2], score, reading, language="de")
    assert made["devices.pdf"].startswith(b"%PDF")
    assert b"pdfuaid:part" in made["devices.pdf"]  # PDF/UA-1 (ISO 14289-1): each picture is described
    for w in found[:2]:
        slug = w.device.name.replace(" ", "-")
        again = tmp_path / f"{slug}.musicxml"
        again.write_bytes(made[f"devices/{slug}.musicxml"])
        assert [(n.onset, n.midi) for n in read_score(again).notes] == [
            (n.onset, n.midi) for n in w.score.notes
        ]
        sound = made[f"sounds/device-{slug}.mp3"]
        assert len(sound) > 10_000
        with av.open(io.BytesIO(sound)) as file:
            assert file.streams.audio[0].channels == 1  # as on the page: half the size, half the time
            title = phrasebook("de").patterns[w.device.name]["title"]
            assert file.metadata["title"] == f"{score.title}, {title}"
            assert file.metadata["artist"] == score.composer


def test_an_exercise_to_be_heard_is_named_without_its_answer() -> None:
    score = read_score(PIECE)
    reading = read(score)
    one = next(e for e in exercises(score, reading) if e.kind == HEARD)
    made = exercise_sounds([one], score, make_plan(score, reading), "de")
    with av.open(io.BytesIO(made[sound_name(one)])) as file:
        assert file.metadata["title"] == f"{score.title}, Aufgabe {one.step}"
        assert file.streams.audio[0].channels == 1


@pytest.mark.parametrize("language", ["en", "de"])
def test_every_device_has_a_title_a_recipe_and_a_task(language) -> None:
    for name, words in phrasebook(language).patterns.items():
        assert set(words) == {"title", "recipe", "try"}, name


def test_reduce_writes_chords_in_another_key(tmp_path, capsys) -> None:
    out = tmp_path / "chords.musicxml"
    assert main(["reduce", str(PIECE), "--key", "e", "--bars", "5-12", "--out", str(out)]) == 0
    made = read_score(out)
    assert [m.number for m in made.measures] == [str(n) for n in range(5, 13)]
    assert made.measures[0].signature == 1
    for suffix in (".pdf", ".svg", ".mid"):
        assert main(["reduce", str(PIECE), "--bars", "5-6", "--out", str(tmp_path / f"c{suffix}")]) == 0


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (["--key", "X"], "not a key"),
        (["--key", "E"], "keeps the mode"),
        (["--bars", "500"], "500"),
    ],
)
def test_reduce_says_what_is_wrong(options, sentence, tmp_path, capsys) -> None:
    assert main(["reduce", str(PIECE), *options, "--out", str(tmp_path / "a.pdf")]) != 0
    assert sentence in capsys.readouterr().err
    assert main(["reduce", str(PIECE), "--out", str(tmp_path / "a.doc")]) != 0
    assert "must end in" in capsys.readouterr().err
