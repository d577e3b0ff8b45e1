"""The commands ``index`` and ``find`` as a user meets them: what they print, make and refuse."""

import pytest
from repertoire_scores import CADENCE, piano, put

from understave.cli import main


def test_index_twice_then_find(tmp_path, capsys):
    folder = tmp_path / "scores"
    put(folder, "a.musicxml", piano(CADENCE, title="A little close", composer="Franz Schubert"))
    (folder / "torn.abc").write_text("X:", encoding="utf-8")
    assert main(["index", str(folder), "--processes", "1"]) == 0
    out = capsys.readouterr().out
    assert "2 files: 2 pieces read" in out
    assert "  torn.abc " in out
    assert main(["index", str(folder), "--processes", "1"]) == 0
    assert "0 pieces read" in capsys.readouterr().out
    excerpts = tmp_path / "excerpts"
    assert main(["find", str(folder), "--chords", "IV V I", "--excerpts", str(excerpts)]) == 0
    out = capsys.readouterr().out
    assert "1 found in 1 pieces, 1 shown." in out
    assert [p.suffix for p in excerpts.iterdir()] == [".svg"]
    assert main(["find", str(folder / "understave-index"), "--chords", "IV V I", "--period", "modern"]) == 0
    assert "Nothing found" in capsys.readouterr().out


def test_places_as_they_sound(indexed, tmp_path, capsys):
    import soundfile

    folder, _ = indexed
    lengths = []
    for around in ("0", "2"):
        out = tmp_path / around
        found = ["find", str(folder), "--chords", "IV V I", "--composer", "schubert", "--limit", "1"]
        assert main([*found, "--sounds", str(out), "--around", around]) == 0
        (file,) = out.iterdir()
        assert file.suffix == ".mp3"
        assert str(file) in capsys.readouterr().out
        sound, rate = soundfile.read(file)
        assert abs(sound).max() > 0.05
        lengths.append(len(sound) / rate)
    assert lengths[1] > lengths[0] + 2


def test_counts_and_their_plot(indexed, tmp_path, capsys):
    folder, _ = indexed
    plot = tmp_path / "after.svg"
    assert main(["find", str(folder), "--count", "next", "--chords", "V", "--plot", str(plot)]) == 0
    assert "After V" in capsys.readouterr().out
    assert plot.read_text(encoding="utf-8").startswith("<svg")
    for what in ("devices", "keys", "textures"):
        assert main(["find", str(folder), "--count", what]) == 0
        assert "how often" in capsys.readouterr().out


def test_a_stopped_run_says_that_it_goes_on(tmp_path, capsys, monkeypatch):
    from understave.repertoire import indexing

    folder = tmp_path / "scores"
    for n in range(2):
        put(folder, f"{n}.musicxml", piano(CADENCE, times=n + 1))
    real = indexing.read_all

    def stopped(*arguments, **named):
        yield next(real(*arguments, **named))
        raise KeyboardInterrupt

    monkeypatch.setattr(indexing, "read_all", stopped)
    assert main(["index", str(folder), "--processes", "1"]) == 130
    assert "what was read is kept" in capsys.readouterr().err
    assert main(["find", str(folder), "cadence"]) == 2
    assert "is not finished" in capsys.readouterr().err
    monkeypatch.undo()
    assert main(["index", str(folder), "--processes", "1"]) == 0
    assert "1 pieces read" in capsys.readouterr().out


@pytest.mark.parametrize(
    "arguments",
    [
        ["find", "{index}", "nothing like this"],
        ["find", "{index}"],
        ["find", "{index}", "--chords", "V I", "--limit", "0"],
        ["find", "{index}", "--count", "next"],
        ["find", "{index}", "--plot", "x.svg"],
        ["find", "{index}", "--chords", "V I", "--sounds", "{index}/fast.musicxml"],
        ["find", "{index}", "--chords", "V I", "--around", "-1"],
        ["find", "{index}", "--count", "keys", "--plot", "x.png"],
        ["find", "/nowhere", "cadence"],
        ["index", "/nowhere", "--out", "{index}/more"],
        ["index", "{index}", "--processes", "-1"],
        ["index", "{index}", "--memory", "100"],
    ],
)
def test_what_cannot_be_done_is_one_sentence(indexed, capsys, arguments):
    folder, _ = indexed
    assert main([a.replace("{index}", str(folder)) for a in arguments]) == 2
    error = capsys.readouterr().err
    assert error.startswith("understave: ")
    assert error.count("\n") == 1
    assert "Traceback" not in error
