"""The data of training: every file that is missing or altered is told; a set is found among downloads.

The digests themselves are checked against the open data where it is at hand.
"""

from __future__ import annotations

import re
import shutil
import sys
import zipfile
from pathlib import Path

import pytest
from benchmarks.data import data_folder
from training import data
from training.unlabelled import plain_name, works

ROOT = Path(__file__).parents[1]
SCORE = ROOT / "examples" / "lock-water" / "score.musicxml"


def small_set(files: dict[str, str]) -> data.Source:
    return data.Source("set", "two pieces", "a publisher", "CC0", "nothing", files)


@pytest.fixture
def held(tmp_path):
    """A data folder with one set, and the set as it should be."""
    home = tmp_path / "data" / "set"
    (home / "a").mkdir(parents=True)
    shutil.copy(SCORE, home / "a" / "score.musicxml")
    (home / "a" / "analysis.txt").write_bytes(b"m1 C: I\nm2 V\n")
    wanted = {name: data.digest_of(home / name) for name in ("a/score.musicxml", "a/analysis.txt")}
    return tmp_path / "data", small_set(wanted)


def test_what_is_whole_is_not_told_of(held):
    folder, wanted = held
    assert list(data.check(folder, wanted)) == []


def test_one_sentence_for_each_file_that_is_missing_altered_or_too_many(held):
    folder, wanted = held
    score, analysis = folder / "set/a/score.musicxml", folder / "set/a/analysis.txt"
    text = score.read_text(encoding="utf-8")
    score.write_text(text.replace("<step>E</step>", "<step>F</step>", 1), encoding="utf-8")
    analysis.unlink()
    (folder / "set" / "b.txt").write_text("m1 F: I\n")
    assert sorted(data.check(folder, wanted)) == [
        "set/a/analysis.txt is missing.",
        "set/a/score.musicxml is altered: it does not hold what training was done with.",
        "set/b.txt is none of this set; take it out, or training reads it too.",
    ]
    shutil.rmtree(folder / "set")
    assert list(data.check(folder, wanted)) == ["set is missing: two pieces (a publisher)."]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("<duration>1</duration>", "<duration>3</duration>"),
        ("<octave>4</octave>", "<octave>5</octave>"),
        ("<beats>3</beats>", "<beats>2</beats>"),
        ("<fifths>-3</fifths>", "<fifths>3</fifths>"),
        ('<tie type="start"/>', '<tie type="stop"/>'),
    ],
)
def test_other_music_is_another_file(tmp_path, old, new):
    text = SCORE.read_text(encoding="utf-8")
    changed = re.sub(re.escape(old), new, text, count=1)
    assert changed != text, old
    (tmp_path / "score.musicxml").write_text(changed, encoding="utf-8")
    assert data.digest_of(tmp_path / "score.musicxml") != data.digest_of(SCORE)


def test_the_same_music_exported_on_another_day_or_packed_is_the_same_file(tmp_path):
    text = SCORE.read_text(encoding="utf-8")
    later = text.replace("<identification>", "<identification><rights>CC0</rights>", 1)
    assert later != text
    with zipfile.ZipFile(tmp_path / "score.mxl", "w") as packed:
        packed.writestr("META-INF/container.xml", "<container/>")
        packed.writestr("music.xml", later)
    assert data.digest_of(tmp_path / "score.mxl") == data.digest_of(SCORE)
    (tmp_path / "a.txt").write_bytes(b"m1 C: I\r\n")
    (tmp_path / "b.txt").write_bytes(b"m1 C: I\n")
    assert data.digest_of(tmp_path / "a.txt") == data.digest_of(tmp_path / "b.txt")


def test_a_damaged_score_has_a_digest_too(tmp_path):
    for name, held in (("cut.mxl", b"PK\3\4no more"), ("cut.musicxml", b"<score-partwise><part>")):
        (tmp_path / name).write_bytes(held)
        assert len(data.digest_of(tmp_path / name)) == data.DIGITS


def test_a_set_is_laid_out_from_downloads_whatever_its_files_are_called_there(tmp_path, held, monkeypatch):
    folder, wanted = held
    monkeypatch.setattr(data, "sources", lambda: (wanted,))
    downloads = tmp_path / "downloads" / "corpus" / "deep"
    downloads.mkdir(parents=True)
    shutil.move(folder / "set/a/score.musicxml", downloads / "op_12.xml")
    shutil.move(folder / "set/a/analysis.txt", downloads / "op_12.txt")
    (downloads / "README.txt").write_text("no music")
    assert data.gather(tmp_path / "downloads", tmp_path / "laid") == 2
    assert list(data.check(tmp_path / "laid", wanted)) == []
    assert sorted(p.name for p in (tmp_path / "laid").rglob("*.*")) == ["analysis.txt", "score.musicxml"]


def test_the_command_ends_with_1_where_something_is_wrong_and_2_without_a_folder(
    tmp_path, held, monkeypatch, capsys
):
    folder, wanted = held
    monkeypatch.setattr(data, "sources", lambda: (wanted,))

    def run(*arguments: str) -> tuple[int, str]:
        monkeypatch.setattr(sys, "argv", ["data", *arguments])
        code = data.main()
        captured = capsys.readouterr()
        return code, captured.out + captured.err

    assert run("--check", str(folder)) == (0, "set: all 2 files are as they should be.\n")
    (folder / "set/a/analysis.txt").unlink()
    assert run("--check", str(folder)) == (1, "set/a/analysis.txt is missing.\n")
    assert run("--check", str(tmp_path / "none"))[0] == 2
    code, said = run()
    assert (code, "a publisher" in said, "CC0" in said) == (0, True, True)


def test_every_set_names_source_licence_and_files():
    for source in data.sources():
        assert source.source
        assert source.licence.startswith("CC")
        assert source.files
        assert all(re.fullmatch(r"[0-9a-f]{32}", digest) for digest in source.files.values())
    listed = {data.checksums_of(s.folder).name for s in data.sources()} | {"measured-songs.txt"}
    assert listed == {p.name for p in (data.HOME / "checksums").iterdir()}


def test_no_song_that_is_measured_on_is_learnt_from():
    assert len(data.measured_songs()) == 22
    trained = next(s for s in data.sources() if s.folder == "harmony/train/lieder")
    assert not {plain_name(name.split("/")[0]) for name in trained.files} & data.measured_songs()
    # Eighteen of the 22 stand among the songs without analyses.
    (songs,) = [s for s in data.sources() if s.folder == "songs"]
    known = {plain_name(Path(name).stem) for name in songs.files}
    assert len(known & data.measured_songs()) == 18
    assert not {plain_name(path.stem) for _, path in works()} & data.measured_songs()


@pytest.mark.corpus
@pytest.mark.parametrize(
    "folder", ["harmony/train/grounds", "harmony/train/preludes", "harmony/train/chorales"]
)
def test_the_open_data_holds_what_the_checksums_say(folder):
    if not (data_folder() / folder).is_dir():
        pytest.skip(f"needs the corpus: there is no {folder} in {data_folder()}")
    source = next(s for s in data.sources() if s.folder == folder)
    assert list(data.check(data_folder(), source)) == []
