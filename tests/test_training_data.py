"""The data of training: every file that is missing or altered is told; a set is found among downloads.

The digests themselves are checked against the open data where it is at hand.
"""

from __future__ import annotations

import ast
import re
import shutil
import sys
import zipfile
from itertools import takewhile
from pathlib import Path

import pytest
from benchmarks import corpora
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


# --- nothing is read that is not public or made here -------------------------------------------------------

MADE = re.compile(r"[\w*-]*\.(?:npz|npy|pickle|pt|onnx|json)\b")
READS = {
    "training": [p for p in sorted(data.HOME.glob("*.py")) if p.name != "__init__.py"],
    "benchmarks": [data.HOME.parent / "benchmarks" / f"{name}.py" for name in ("corpora", "pianists")],
}
"""The modules of training, and those through which they read the open data."""


def made_here() -> dict[str, str]:
    """Return the files that training makes on its way, as the README says, each with its command."""
    text = (data.HOME / "README.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| ([^|]+) \| `(training\.\w+)` \| ([^|]+) \|$", text, re.MULTILINE)
    assert len(rows) >= 7
    return {name: command for files, command, _ in rows for name in re.findall(r"`([^`]+)`", files)}


def files_named(source: str) -> set[str]:
    """Return the names of files in the texts of a module, docstrings aside; what varies is a star."""
    tree = ast.parse(source)
    docs = {id(n.value) for n in ast.walk(tree) if isinstance(n, ast.Expr)}
    parts = {id(v) for n in ast.walk(tree) if isinstance(n, ast.JoinedStr) for v in n.values}
    told = []
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            told.append("".join(v.value if isinstance(v, ast.Constant) else "*" for v in node.values))
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docs | parts:
            told.append(node.value)
    found = {name for text in told for name in MADE.findall(text)}
    return {f"*{name[name.rindex('.') :]}" if "*" in name else name for name in found}


def folders_named(source: str) -> set[str]:
    """Return the folders below the data folder that a module goes into, as far as they are written out."""

    def parts(node: ast.AST) -> list[str | None] | None:
        if isinstance(node, ast.Call) and ast.unparse(node.func).endswith("data_folder"):
            return []
        if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Div):
            left = parts(node.left)
            right = node.right.value if isinstance(node.right, ast.Constant) else None
            return None if left is None else [*left, right]
        return None

    found = set()
    for node in ast.walk(ast.parse(source)):
        steps = parts(node) or []
        written = list(takewhile(lambda step: step is not None, steps))
        if written:
            found.add("/".join(written))
    return found


@pytest.mark.parametrize("path", READS["training"], ids=lambda p: p.stem)
def test_every_file_that_training_names_is_made_by_one_of_its_commands(path):
    known = made_here()
    for name in files_named(path.read_text(encoding="utf-8")):
        assert name in known, f"{path.name} names {name}, which no command of training/README.md makes"


def test_the_command_that_makes_a_file_names_it():
    for name, command in made_here().items():
        source = (data.HOME / f"{command.partition('.')[2]}.py").read_text(encoding="utf-8")
        assert name in files_named(source) or name in ast.get_docstring(ast.parse(source)), (command, name)
        assert re.search(
            r"np\.save|torch\.save|write_text|\.save\(|save_weights|write_statistics|dump", source
        )


@pytest.mark.parametrize("path", [*READS["training"], *READS["benchmarks"]], ids=lambda p: p.stem)
def test_every_folder_that_training_reads_is_a_set_that_is_named(path):
    known = {s.folder for s in data.sources()}
    for folder in folders_named(path.read_text(encoding="utf-8")):
        assert any(k == folder or k.startswith(f"{folder}/") for k in known), folder


def test_the_analysed_sets_are_named_whole():
    named = {s.folder.rpartition("/")[2] for s in data.sources() if s.folder.startswith("harmony/train/")}
    assert named == set(corpora.SHIPPABLE)


def test_a_path_that_is_only_ours_is_found():
    assert folders_named('x = data_folder() / "ours" / name') == {"ours"}
    assert folders_named('x = sorted((data.data_folder() / "a" / "b").glob("*"))') == {"a", "a/b"}
    assert files_named('x = np.load(folder / "teacher.npz")') == {"teacher.npz"}
    assert files_named('x = folder / f"{name}.pickle"') == {"*.pickle"}
    assert files_named('"""Reads old.json."""') == set()
