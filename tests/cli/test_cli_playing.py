"""The commands that tell and sound a plan, as their user meets them."""

from __future__ import annotations

import io
import sys
from pathlib import Path

import av
import mido
import numpy as np
import pytest
from rich.console import Console

from understave.cli import main, program

STUDY = Path(__file__).resolve().parents[2] / "examples" / "lock-water" / "score.musicxml"


def test_play_plan_tells_the_bars_that_were_asked_for(capsys):
    assert main(["play-plan", str(STUDY), "--bars", "9-10"]) == 0
    out = capsys.readouterr().out
    assert "bar 9" in out
    assert "bar 10" in out
    assert "bar 11 " not in out
    assert "tension" in out
    # Every pedal of these bars is printed, and what is printed is not said again.
    assert not any(line.split()[1:2] == ["pedal"] for line in out.splitlines())


def test_play_plan_speaks_german_and_to_beginners(capsys):
    assert main(["play-plan", str(STUDY), "--bars", "5-8", "--language", "de"]) == 0
    german = capsys.readouterr().out
    assert "Takt 5" in german
    assert "Spannung" in german
    assert main(["play-plan", str(STUDY), "--bars", "5-8", "--level", "beginner"]) == 0
    plain = capsys.readouterr().out
    assert "⟨" not in plain + german
    assert main(["play-plan", str(STUDY), "--bars", "5-8", "--level", "advanced"]) == 0
    assert capsys.readouterr().out != plain


def test_without_pedal_no_pedal_is_told(capsys):
    assert main(["play-plan", str(STUDY), "--bars", "1-8", "--pedal", "none"]) == 0
    assert "pedal" not in capsys.readouterr().out.casefold().replace("con pedale", "")


@pytest.fixture(scope="module")
def sounds(tmp_path_factory):
    """The same two bars in every form."""
    folder = tmp_path_factory.mktemp("sounds")
    for name in ("a.wav", "a.flac", "a.mp3", "a.opus", "a.mid"):
        command = ["sound", str(STUDY), "--bars", "1-2", "--tempo", "96", "--no-rubato"]
        assert main([*command, "--out", str(folder / name)]) == 0
    return folder


def midi_seconds(path: Path) -> float:
    now, last = 0.0, 0.0
    for message in mido.MidiFile(path):
        now += message.time
        if message.type == "note_on" and message.velocity:
            last = now
    return last


def test_every_form_holds_the_same_sound(sounds):
    soundfile = pytest.importorskip("soundfile")
    lengths = []
    for name in ("a.wav", "a.flac", "a.mp3", "a.opus"):
        audio, rate = soundfile.read(sounds / name, always_2d=True)
        assert 0.05 < np.abs(audio).max() <= 1.0
        assert audio.shape[1] == 2
        lengths.append(len(audio) / rate)
    assert max(lengths) - min(lengths) < 0.1
    assert midi_seconds(sounds / "a.mid") < lengths[0]


@pytest.mark.parametrize("name", ["a.wav", "a.flac", "a.mp3", "a.opus"])
def test_a_player_shows_what_a_sound_is(sounds, name):
    with av.open(str(sounds / name)) as file:
        told = {k.lower(): v for k, v in {**file.metadata, **file.streams[0].metadata}.items()}
    assert (told["title"], told["artist"]) == ("Lock-Water, bars 1–2", "Hanne Overdyke")


def test_tempo_pedal_and_bars_are_heard(sounds, tmp_path):
    slow = tmp_path / "slow.mid"
    command = ["sound", str(STUDY), "--bars", "1-2", "--no-rubato", "--out", str(slow)]
    assert main([*command, "--tempo", "48", "--pedal", "none"]) == 0
    assert midi_seconds(slow) == pytest.approx(2 * midi_seconds(sounds / "a.mid"), rel=0.05)
    pedal = [m for m in mido.MidiFile(slow) if m.type == "control_change" and m.control == 64 and m.value]
    assert not pedal
    longer = tmp_path / "longer.mid"
    assert main(["sound", str(STUDY), "--bars", "1-4", "--tempo", "96", "--out", str(longer)]) == 0
    assert midi_seconds(longer) > 1.5 * midi_seconds(sounds / "a.mid")


def test_it_warns_gently_of_loud_sound(sounds, tmp_path, capsys):
    assert main(["sound", str(STUDY), "--bars", "1", "--out", str(tmp_path / "a.mid")]) == 0
    assert "headphones" in capsys.readouterr().out


def test_a_progress_bar_is_shown_where_there_is_a_terminal(tmp_path, monkeypatch):
    screen = io.StringIO()
    terminal = Console(file=screen, force_terminal=True, width=80)
    monkeypatch.setattr(program, "Teller", lambda **_: terminal)
    assert main(["sound", str(STUDY), "--bars", "1", "--out", str(tmp_path / "a.wav")]) == 0
    assert "playing" in screen.getvalue()
    assert "━" in screen.getvalue()


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["--pedal", "wet"], "choose"),
        (["--instrument", "organ"], "choose concert-grand, upright, early-piano or sampled-piano"),
        (["--blur", "2"], "between 0 and 1"),
        (["--blur", "much"], "between 0 and 1"),
        (["--tempo", "0"], "between 10 and 400"),
        (["--tempo", "nan"], "between 10 and 400"),
        (["--bars", "900"], "no bar 900"),
        (["--bars", "4-2"], "comes before"),
    ],
)
@pytest.mark.parametrize("command", ["play-plan", "sound"])
def test_a_wrong_wish_is_one_sentence(tmp_path, capsys, command, arguments, sentence):
    out = ["--out", str(tmp_path / "a.wav")] if command == "sound" else []
    assert main([command, str(STUDY), *arguments, *out]) == 2
    message = capsys.readouterr().err
    assert sentence in message
    assert message.count("\n") == 1
    assert not list(tmp_path.iterdir())


def test_a_sound_must_have_a_known_form(tmp_path, capsys):
    assert main(["sound", str(STUDY), "--bars", "1", "--out", str(tmp_path / "a.ogg")]) == 2
    assert "must end in" in capsys.readouterr().err
    wrong = ["sound", str(STUDY), "--bars", "1", "--soundfont", str(tmp_path / "x.sf2")]
    assert main([*wrong, "--out", str(tmp_path / "a.wav")]) == 2
    assert capsys.readouterr().err.count("\n") == 1


@pytest.mark.parametrize(
    "arguments",
    [["sound", "a.wav", "--bars", "1"], ["clip", "a.mp4", "--bars", "1"], ["lesson", "a"]],
)
def test_a_sampled_piano_that_is_not_there_is_one_sentence(arguments, tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("UNDERSTAVE_SOUNDFONT", str(tmp_path / "none.sf2"))
    command, out, *rest = arguments
    asked = [command, str(STUDY), "--out", str(tmp_path / out), *rest, "--instrument", "sampled-piano"]
    assert main(asked) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "sampled piano" in said or "understave[soundfont]" in said
    assert list(tmp_path.iterdir()) == []


def test_an_excerpt_shows_the_lanes_of_the_plan(tmp_path):
    out = tmp_path / "a.svg"
    assert main(["excerpt", str(STUDY), "--bars", "4-6", "--plan", "--out", str(out)]) == 0
    picture = out.read_text()
    assert all(f"lane {kind}-lane" in picture for kind in ("tension", "pedal"))


def test_ways_to_pedal_side_by_side(capsys):
    assert main(["play-plan", str(STUDY), "--bars", "1-8", "--compare-pedals"]) == 0
    said = capsys.readouterr().out
    for words in (
        "On a concert grand",
        "On an upright",
        "On an early piano",
        "each harmony",
        "mean blur",
        "clash",
    ):
        assert words in said
    assert "▃" in said


def test_a_plan_ends_with_a_word_on_practising_too_much(capsys):
    assert main(["play-plan", str(STUDY), "--bars", "1-2"]) == 0
    assert "hands tire sooner than ears" in " ".join(capsys.readouterr().out.split())


def test_without_the_extra_a_clip_is_refused_in_a_sentence_before_any_work(tmp_path, capsys, monkeypatch):
    monkeypatch.setitem(sys.modules, "av", None)  # as if it were not installed
    monkeypatch.setattr("understave.cli.plans.read_source", None)
    out = tmp_path / "bars.mp4"
    assert main(["clip", str(STUDY), "--bars", "2", "--out", str(out)]) == 2
    said = " ".join(capsys.readouterr().err.split())
    assert "pip install understave[film]" in said
    assert "Traceback" not in said
    assert not out.exists()


def test_a_clip_is_a_film_of_the_bars(tmp_path, capsys):
    out = tmp_path / "bars.mp4"
    assert (
        main(["clip", str(STUDY), "--bars", "2", "--shape", "tall", "--tempo", "90", "--out", str(out)]) == 0
    )
    assert "bars.mp4" in capsys.readouterr().out
    with av.open(str(out)) as film:
        video = film.streams.video[0]
        assert (video.width, video.height) == (1080, 1920)
        assert film.streams.audio
        # One bar of three beats at 90 a minute lasts two seconds, then the sound dies away.
        assert 2.0 < film.duration / av.time_base < 9.0


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--out", "x.avi"], "must end in .mp4"),
        (["--shape", "round", "--out", "x.mp4"], "choose wide or tall"),
        (["--tempo", "0", "--out", "x.mp4"], "does not lie between 10 and 400"),
    ],
)
def test_a_clip_that_cannot_be_made_is_refused(arguments, says, capsys):
    assert main(["clip", str(STUDY), "--bars", "1-2", *arguments]) == 2
    assert says in capsys.readouterr().err
