"""What a process of ours promises, whoever uses it: asked of the pool itself and of a single worker."""

from __future__ import annotations

import gc
import os
import signal
import subprocess
import sys
import threading
import time
from functools import partial
from pathlib import Path

import pytest
import things_to_do as jobs

from understave.cli import main
from understave.errors import ScoreError, WorkerError
from understave.jobs import one_process as room
from understave.jobs.collection import SELDOM
from understave.jobs.one_process import LostError, TooLongError, TooMuchError, Worker
from understave.jobs.pool import Pool
from understave.jobs.serving import Manner

PATIENCE = 60
POSIX = pytest.mark.skipif(os.name == "nt", reason="processes are ended in another way there")
WATCHED = pytest.mark.skipif(
    not Path("/proc/self/statm").exists(), reason="memory is watched through /proc and bounded by Linux"
)


@pytest.fixture(scope="module")
def worker():
    with Worker() as started:
        yield started


@pytest.fixture
def pool():
    replaced = []
    made = Pool(on_replaced=lambda: replaced.append(True))
    made.replaced = replaced
    yield made
    made.shutdown()


def test_processes_of_ours_look_through_their_values_seldom(worker, monkeypatch, capsys):
    assert worker.ask(gc.get_threshold) == SELDOM
    chosen = []
    monkeypatch.setattr(gc, "set_threshold", lambda *often: chosen.append(often))
    assert main(["languages", "en"]) == 0
    assert chosen == [SELDOM]


def until(there):
    end = time.monotonic() + PATIENCE
    while not there():
        assert time.monotonic() < end
        time.sleep(0.02)


def alive(pid):
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        try:
            os.kill(pid, 0)
        except OSError:
            return False
        return not Path("/proc/self").exists()


# --- isolated --------------------------------------------------------------------------------------------


def test_a_process_is_started_fresh_on_our_code_and_not_on_the_current_folder(tmp_path, monkeypatch):
    (tmp_path / "json.py").write_text(f"open({str(tmp_path / 'ran')!r}, 'w')\nraise ImportError\n")
    (tmp_path / "pickle.py").write_text(f"open({str(tmp_path / 'ran')!r}, 'w')\nraise ImportError\n")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "path", ["", str(tmp_path), *sys.path])
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(["", str(tmp_path), os.environ.get("PYTHONPATH", "")]))
    with Worker(Manner(gives_way=3, one_thread=True, ready=jobs.get_ready)) as one:
        found = one.ask(jobs.surroundings)
    assert found["flags"] == (True, False)
    assert found["fork"] is False
    assert found["threads"] == "1"
    assert found["ready"] is True
    assert found["nice"] == (os.nice(0) + 3 if hasattr(os, "nice") else 0)
    assert not (tmp_path / "ran").exists()


def test_what_a_library_prints_does_not_mix_with_the_answers(worker):
    assert worker.ask(jobs.talks) == "quiet"
    assert worker.ask(partial(abs, -2)) == 2


# --- reported --------------------------------------------------------------------------------------------


def test_progress_is_told_in_order_and_only_to_whoever_asked(worker):
    heard = []
    assert worker.ask(partial(jobs.told, 3), on_told=heard.append) == 3
    assert heard == [0, 1, 2]
    assert worker.ask(partial(jobs.told, 2)) == 2
    assert heard == [0, 1, 2]
    jobs.told(2)  # in this process nobody asked: nothing happens


def test_what_a_job_raises_comes_back_as_it_is_with_where_it_was_raised(worker):
    before = worker.ask(os.getpid)
    with pytest.raises(ScoreError, match=r"^The file is no score\.$"):
        worker.ask(jobs.is_malformed)
    with pytest.raises(KeyError) as caught:
        worker.ask(jobs.fails)
    assert "things_to_do.py" in str(caught.value.__cause__)
    with pytest.raises(WorkerError, match="cannot be handed over"):
        worker.ask(jobs.unsendable)
    assert worker.ask(os.getpid) == before


def test_what_a_job_cost_is_known(worker):
    worker.ask(partial(sum, range(3_000_000)))
    assert 0 < worker.seconds < PATIENCE
    assert worker.memory == 0 or worker.memory > 5_000_000


def test_no_process_at_all_is_one_sentence():
    with pytest.raises(WorkerError, match="No process could be started") as caught:
        Worker(command=["no-such-program"]).ask(os.getpid)
    assert "\n" not in str(caught.value)


# --- bounded ---------------------------------------------------------------------------------------------


def test_a_job_that_takes_too_long_is_ended_and_the_next_is_done():
    with Worker() as one:
        before = one.ask(os.getpid)
        with pytest.raises(TooLongError):
            one.ask(partial(time.sleep, 600), 0.3)
        assert not alive(before)
        assert one.ask(os.getpid) != before


@WATCHED
def test_memory_asked_for_at_once_is_refused(monkeypatch):
    monkeypatch.setattr(room, "WATCHED", 60.0)  # nobody looks meanwhile: the system refuses it
    with Worker(Manner(memory=200_000_000)) as one:
        assert one.ask(partial(jobs.takes, 50_000_000)) == 50_000_000
        with pytest.raises(TooMuchError, match="needs more memory than the 200 MB that it may have"):
            one.ask(partial(jobs.takes, 400_000_000))
        assert one.ask(partial(abs, -1)) == 1


@WATCHED
def test_memory_taken_bit_by_bit_is_watched(monkeypatch):
    seen = []
    held = room.held_with_children
    monkeypatch.setattr(room, "held_with_children", lambda pid: seen.append(held(pid)) or seen[-1])
    with Worker(Manner(memory=200_000_000)) as one, pytest.raises(TooMuchError):
        one.ask(jobs.grows)
    assert 100_000_000 < max(seen) < 200_000_000


@WATCHED
def test_a_process_that_holds_much_is_replaced_before_the_next_job(monkeypatch):
    monkeypatch.setattr(room, "REPLACED", 0.01)
    told = []
    with Worker(Manner(memory=200_000_000), on_replaced=lambda: told.append(True)) as one:
        before = one.ask(os.getpid)
        assert one.pid is None
        assert one.ask(os.getpid) != before
    assert told == []  # nothing was lost


# --- replaced --------------------------------------------------------------------------------------------


@POSIX
def test_a_killed_process_is_told_from_one_that_its_job_ended(worker):
    for how, killed in ((signal.SIGKILL, True), (signal.SIGSEGV, False)):
        with pytest.raises(LostError) as caught:
            worker.ask(partial(jobs.os.kill, worker.ask(os.getpid), how))
        assert caught.value.killed is killed
    with pytest.raises(LostError) as caught:
        worker.ask(partial(os._exit, 3))
    assert caught.value.killed is False
    assert worker.ask(partial(abs, -3)) == 3


@POSIX
def test_a_killed_process_is_replaced_its_job_done_again_and_that_told_once(pool, tmp_path):
    path = tmp_path / "noted"
    pool.submit(abs, -1).result(PATIENCE)
    slow = pool.submit(jobs.noted, path, "slow", 1.0)
    after = pool.submit(jobs.noted, path, "after")
    os.kill(pool.processes()[0].pid, signal.SIGKILL)
    assert slow.result(PATIENCE) is None
    assert after.result(PATIENCE) is None
    assert path.read_text().split() == ["slow", "after"]
    assert pool.replaced == [True]


def test_a_job_that_ends_its_processes_is_given_up_and_harms_no_other(pool):
    bad, good = pool.submit(os._exit, 3), pool.submit(abs, -5)
    with pytest.raises(WorkerError, match="ended by the system twice"):
        bad.result(PATIENCE)
    assert good.result(PATIENCE) == 5
    assert len(pool.replaced) == 2


# --- ordered and stopped ---------------------------------------------------------------------------------


def test_what_can_wait_least_comes_first(pool, tmp_path):
    path = tmp_path / "noted"
    first = pool.submit(time.sleep, 0.5)
    until(first.running)
    asked = [
        pool.ask(partial(jobs.noted, path, f"{wait}{turn}"), wait=wait) for turn in "ab" for wait in (2, 0, 1)
    ]
    for future in asked:
        future.result(PATIENCE)
    assert path.read_text().split() == ["0a", "0b", "1a", "1b", "2a", "2b"]


def test_two_processes_work_at_the_same_time(tmp_path):
    with Pool(2) as two:
        futures = [two.submit(time.sleep, 600) for _ in range(2)]
        until(lambda: all(f.running() for f in futures))
        until(lambda: len({w.pid for w in two.processes()}) == 2)
        assert all(two.stop(f) for f in futures)
        until(lambda: all(f.done() for f in futures))


def test_started_beforehand_a_pool_has_its_processes(pool):
    pool.start()
    until(pool.processes)
    assert pool.submit(os.getpid).result(PATIENCE) == pool.processes()[0].pid


def test_a_job_is_stopped_on_request_and_is_not_done_again(pool):
    running, waiting = pool.submit(time.sleep, 600), pool.submit(time.sleep, 600)
    until(running.running)
    until(pool.processes)
    assert pool.stop(waiting)
    assert waiting.cancelled()
    assert pool.stop(running)
    with pytest.raises(LostError, match="has been stopped"):
        running.result(PATIENCE)
    assert not pool.stop(running)
    assert pool.submit(abs, -6).result(PATIENCE) == 6
    assert pool.replaced == []


def test_nothing_starts_again_once_the_pool_is_shut_down(pool):
    slow, waits = pool.submit(time.sleep, 600), pool.submit(abs, -1)
    until(pool.processes)
    pid = pool.processes()[0].pid
    pool.shutdown()
    assert waits.cancelled()
    assert slow.exception(PATIENCE) is not None
    assert not alive(pid)
    assert pool.replaced == []
    with pytest.raises(RuntimeError):
        pool.submit(abs, -1)


def test_an_interrupted_question_leaves_no_answer_to_the_next_one(worker):
    def interrupt(_):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        worker.ask(partial(jobs.told, 5), on_told=interrupt)
    assert worker.ask(partial(abs, -7)) == 7


def test_a_worker_stopped_by_another_thread_in_the_middle_of_a_job_starts_nothing_more():
    one = Worker()
    threading.Timer(1.0, one.stop).start()
    with pytest.raises(LostError, match="has been stopped"):
        one.ask(partial(time.sleep, 600))
    with pytest.raises(LostError, match="has been stopped"):
        one.ask(partial(abs, -1))
    assert one.pid is None


# --- no orphans ------------------------------------------------------------------------------------------


@POSIX
def test_no_process_outlives_whoever_started_it_nor_a_process_of_that_process(tmp_path):
    path = tmp_path / "pids"
    program = (
        f"from things_to_do import Pool, with_helper\nPool().submit(with_helper, {str(path)!r}).result()"
    )
    env = {**os.environ, "PYTHONPATH": os.pathsep.join([str(Path(__file__).parent), *filter(None, sys.path)])}
    parent = subprocess.Popen([sys.executable, "-c", program], env=env)
    until(lambda: path.exists() and path.read_text().endswith("\n"))
    pids = [int(p) for p in path.read_text().split()]
    assert all(alive(p) for p in pids)
    parent.kill()
    parent.wait()
    until(lambda: not any(alive(p) for p in pids))
