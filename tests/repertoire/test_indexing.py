"""Indexing: nothing lost, nothing twice, whatever happens on the way."""

import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from repertoire_scores import CADENCE, LAMENT, folder_of_scores, piano, put

from understave.errors import UnderstaveError
from understave.jobs import one_process as jobs_room
from understave.repertoire import connect, index_folder
from understave.repertoire import reader_processes as readers_room
from understave.repertoire import store as store_room
from understave.repertoire.indexing import scores_below
from understave.repertoire.reader_processes import Job, Reader
from understave.repertoire.store import (
    Store,
    known_pieces,
    make_catalogue,
    merge_small_parts,
    parts_of,
    write_part,
)
from understave.repertoire.tables import SCHEMAS, failed

CRASHING = (sys.executable, str(Path(__file__).with_name("crashing_worker.py")))


def everything(index):
    """All rows of an index, in an order that does not depend on how they got there."""
    with connect(index) as db:
        found = {}
        for table in ("files", *SCHEMAS):
            rows = db.execute(f"SELECT * FROM {table}").fetchall()
            found[table] = sorted(rows, key=repr)
        return found


def test_every_table_is_filled(indexed):
    _, done = indexed
    assert (done.files, done.read, done.known, done.failures) == (8, 8, 0, ())
    rows = everything(done.index)
    assert len(rows["pieces"]) == len(rows["files"]) == 8
    for table in ("spans", "events", "keys", "cadences", "textures", "ranges", "difficulty"):
        assert rows[table], table
    assert len(rows["difficulty"]) == 8 * 6


def test_what_is_known_is_not_read_again(indexed, monkeypatch):
    folder, done = indexed
    before = everything(done.index)
    monkeypatch.setattr(readers_room, "COMMAND", ("does-not-exist",))
    again = index_folder(folder, workers=1)
    assert (again.read, again.known) == (0, 8)
    assert everything(done.index) == before


def test_changes_renames_and_removals(tmp_path):
    folder = tmp_path / "scores"
    one = put(folder, "one.musicxml", piano(CADENCE))
    two = put(folder, "two.musicxml", piano(LAMENT, signature=-3))
    index_folder(folder, workers=1)
    put(folder, "one.musicxml", piano(CADENCE, up="M2"))
    two.rename(folder / "renamed.musicxml")
    done = index_folder(folder, workers=1)
    assert (done.read, done.known) == (1, 1)
    rows = everything(done.index)
    assert [path for path, _ in rows["files"]] == ["one.musicxml", "renamed.musicxml"]
    assert {row[9] for row in rows["pieces"]} == {"D", "c"}
    one.unlink()
    assert len(everything(index_folder(folder, workers=1).index)["pieces"]) == 1


def test_the_same_bytes_twice_are_one_piece_in_two_files(tmp_path):
    folder = tmp_path / "scores"
    for name in ("a.musicxml", "deeper/b.musicxml"):
        put(folder, name, piano(CADENCE))
    done = index_folder(folder, workers=1)
    assert (done.files, done.read) == (2, 1)
    assert len(everything(done.index)["pieces"]) == 1


def test_broken_files_crashes_and_hangs_cost_only_themselves(tmp_path, monkeypatch):
    folder = tmp_path / "scores"
    put(folder, "good.musicxml", piano(CADENCE))
    for name in ("crash", "hang", "crash-once", "chatty"):
        put(folder, f"{name}.musicxml", piano(CADENCE, title=name))
    (folder / "torn.musicxml").write_bytes(b"<score-partwise><part")
    (folder / "empty.mid").write_bytes(b"")
    (folder / "notes.txt").write_text("not a score at all")
    monkeypatch.setattr(readers_room, "COMMAND", CRASHING)
    workers, _, *others = readers_room.read_all.__defaults__
    monkeypatch.setattr(readers_room.read_all, "__defaults__", (workers, 8.0, *others))
    done = index_folder(folder, workers=2)
    failures = dict(done.failures)
    assert set(failures) == {"crash.musicxml", "hang.musicxml", "torn.musicxml", "empty.mid"}
    assert "stop without an answer" in failures["crash.musicxml"]
    assert "longer than 8 seconds" in failures["hang.musicxml"]
    assert "Traceback" not in " ".join(failures.values())
    with connect(done.index) as db:
        assert db.execute("SELECT count(*) FROM pieces WHERE error = ''").fetchone() == (3,)
    # What cannot be read is not tried again until it changes.
    assert index_folder(folder, workers=1).read == 0


def test_a_stopped_run_goes_on_where_it_was(tmp_path, indexed):
    whole = everything(indexed[1].index)
    folder = folder_of_scores(tmp_path / "scores")
    seen = []

    def stop(progress):
        seen.append(progress)
        if len(seen) == 3:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        index_folder(folder, workers=1, on_progress=stop)
    assert not (folder / "understave-index" / "catalogue.duckdb").exists()
    done = index_folder(folder, workers=1)
    assert done.known == 3
    assert done.read == 5
    assert everything(done.index) == whole
    assert seen[-1].total == 8
    assert seen[-1].seconds_left > 0


def test_a_killed_run_goes_on_where_the_last_part_ended(tmp_path, indexed):
    folder = folder_of_scores(tmp_path / "scores")
    program = (
        "import understave.repertoire.indexing as i; i.PIECES_AT_ONCE = 2\n"
        f"from pathlib import Path; i.index_folder(Path({str(folder)!r}), workers=1)"
    )
    process = subprocess.Popen([sys.executable, "-c", program], env={**os.environ, "PYTHONPATH": "src"})
    parts = folder / "understave-index" / "parts"
    until = time.monotonic() + 60
    while time.monotonic() < until and not (parts.exists() and any(parts.glob("[!.]*"))):
        time.sleep(0.05)
    process.send_signal(signal.SIGKILL)
    process.wait()
    done = index_folder(folder, workers=1)
    assert done.known >= 2
    assert done.known + done.read == 8
    assert everything(done.index) == everything(indexed[1].index)


def test_two_processes_find_what_one_finds(tmp_path, indexed):
    folder = folder_of_scores(tmp_path / "scores")
    assert everything(index_folder(folder, workers=2).index) == everything(indexed[1].index)


@pytest.mark.skipif(not shutil.which("ps"), reason="lists processes with ps")
def test_stopping_leaves_no_process_behind(tmp_path, monkeypatch):
    monkeypatch.setattr(readers_room, "COMMAND", CRASHING)
    jobs = [
        Job(put(tmp_path, f"{n}.musicxml", piano(CADENCE)), n) for n in ("a", "hang-1", "hang-2", "hang-3")
    ]
    outcomes = readers_room.read_all(jobs, workers=2)
    assert next(outcomes).piece.error == ""
    outcomes.close()
    until = time.monotonic() + 20
    listed = "crashing_worker"
    while time.monotonic() < until and listed in (left := processes()):
        time.sleep(0.1)
    assert listed not in left


def processes():
    """The command lines of the children of this process and of theirs."""
    table = subprocess.run(["ps", "-eo", "pid,ppid,args"], capture_output=True, text=True, check=True).stdout
    rows = [line.split(None, 2) for line in table.splitlines()[1:]]
    own, found = {str(os.getpid())}, []
    for pid, parent, *command in rows:
        if parent in own:
            own.add(pid)
            found.append(" ".join(command))
    return "\n".join(found)


def test_a_reader_is_replaced_when_it_holds_too_much(tmp_path, monkeypatch):
    monkeypatch.setattr(jobs_room, "REPLACED", 0.1)
    path = put(tmp_path, "a.musicxml", piano(CADENCE))
    reader = Reader()
    assert reader.read(Job(path, "a")).memory > 50 << 20
    assert reader.pid is None
    reader.close()


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="memory is watched through /proc")
def test_no_reader_holds_more_than_500_mb(tmp_path, monkeypatch):
    folder = tmp_path / "scores"
    for name in ("good", "greedy", "leap", "other"):
        put(folder, f"{name}.musicxml", piano(CADENCE, title=name))
    monkeypatch.setattr(readers_room, "COMMAND", CRASHING)
    seen = []
    real = jobs_room.held_with_children
    monkeypatch.setattr(jobs_room, "held_with_children", lambda pid: seen.append(real(pid)) or seen[-1])
    done = index_folder(folder, workers=1)
    failures = dict(done.failures)
    assert set(failures) == {"greedy.musicxml", "leap.musicxml"}
    assert all(
        "needs more than 500 MB to be read; index with --again --memory" in f for f in failures.values()
    )
    assert 400_000_000 < max(seen) < 500_000_000


def test_what_failed_can_be_tried_again(tmp_path, monkeypatch):
    folder = tmp_path / "scores"
    put(folder, "good.musicxml", piano(CADENCE))
    put(folder, "leap.musicxml", piano(LAMENT, signature=-3))
    monkeypatch.setattr(readers_room, "COMMAND", CRASHING)
    assert len(index_folder(folder, workers=1).failures) == 1
    monkeypatch.undo()
    assert index_folder(folder, workers=1).read == 0
    done = index_folder(folder, workers=1, again=True)
    assert (done.read, done.known, done.failures) == (1, 1, ())
    whole = everything(done.index)
    assert len(whole["pieces"]) == 2
    monkeypatch.setattr(store_room, "MOST_SMALL_PARTS", 1)
    again = index_folder(folder, workers=1, again=True)
    assert (again.read, again.failures) == (0, ())
    assert len(parts_of(Store(done.index))) == 1
    assert everything(done.index) == whole


def test_nothing_new_leaves_the_catalogue_as_it_is(indexed):
    folder, done = indexed
    catalogue = Store(done.index).catalogue
    before = catalogue.stat().st_ino
    index_folder(folder, workers=1)
    assert catalogue.stat().st_ino == before
    assert len(list(done.index.glob("lines-*"))) == 1


def test_a_folder_that_cannot_be_opened_is_told(tmp_path, monkeypatch):
    folder = tmp_path / "scores"
    put(folder, "good.musicxml", piano(CADENCE))
    put(folder, "shut/in.musicxml", piano(LAMENT))
    real = os.scandir

    def scandir(path):
        if Path(path).name == "shut":
            raise PermissionError(13, "Permission denied", str(path))
        return real(path)

    monkeypatch.setattr(os, "scandir", scandir)
    done = index_folder(folder, workers=1)
    assert (done.files, done.closed) == (1, ("shut",))


def test_merged_parts_hold_the_same_and_twice_is_once(tmp_path, indexed, monkeypatch):
    folder = folder_of_scores(tmp_path / "scores")
    monkeypatch.setattr("understave.repertoire.indexing.PIECES_AT_ONCE", 1)
    done = index_folder(folder, workers=1)
    store = Store(done.index)
    assert len(parts_of(store)) == 8
    whole = everything(done.index)
    # A second copy of one part: a task that ran twice.
    first = parts_of(store)[0]
    shutil.copytree(first, first.with_name("twice"))
    make_catalogue(store, folder)
    assert everything(done.index) == whole
    monkeypatch.setattr(store_room, "MOST_SMALL_PARTS", 3)
    merge_small_parts(store)
    make_catalogue(store, folder)
    assert len(parts_of(store)) == 1
    assert everything(done.index) == whole == everything(indexed[1].index)


def test_parts_are_whole_or_absent(tmp_path):
    store = store_room.open_store(tmp_path / "index", make=True)
    write_part(store, [failed("a", "why")], "one")
    (store.parts / ".part-left").mkdir()
    (store.parts / ".part-left" / "pieces.parquet").write_bytes(b"half a fi")
    assert known_pieces(store) == {"a"}
    assert [p.name for p in store.parts.iterdir()] == ["one"]
    # A part of the same name is the same part.
    write_part(store, [failed("b", "why")], "one")
    assert known_pieces(store) == {"a"}


def test_an_empty_folder_gives_an_empty_index(tmp_path):
    (tmp_path / "scores").mkdir()
    done = index_folder(tmp_path / "scores", tmp_path / "index", workers=1)
    assert done.files == 0
    assert all(not rows for rows in everything(done.index).values())


def test_what_was_played_in_a_lesson_is_no_piece(tmp_path):
    lesson = tmp_path / "lesson"
    for place in ("lesson/exports", "lesson/takes", "takes"):
        (tmp_path / place).mkdir(parents=True)
        (tmp_path / place / "one.mid").write_bytes(b"MThd")
    (lesson / "lesson.toml").write_text("")
    found, _ = scores_below(tmp_path, tmp_path / "index")
    assert found == [tmp_path / "takes" / "one.mid"]


def test_no_folder_is_one_sentence(tmp_path):
    with pytest.raises(UnderstaveError, match="is not a folder"):
        index_folder(tmp_path / "nowhere", tmp_path / "index")
