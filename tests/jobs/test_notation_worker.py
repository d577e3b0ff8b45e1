"""The notation engine in its own process: answers, refusals, crashes, endless runs."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from understave.errors import UnderstaveError
from understave.jobs.notation_worker import NotationWorker
from understave.jobs.one_process import Worker

OPTIONS = {"inputFrom": "humdrum", "breaks": "none", "xmlIdSeed": 1}
# A split spine that is never joined, then a line with a field too few: the engine aborts on it.
FATAL = "**kern\t**kern\n=1\t=1\n*\t*^\n1C\t2e\t1g\n.\t2f\t.\n=2\t=2\n1D\t1a\n*-\t*-\n"
GOOD = "**kern\n*M4/4\n=1\n4c\n4d\n4e\n4f\n==\n*-\n"


@pytest.fixture(scope="module")
def worker() -> NotationWorker:
    with NotationWorker() as started:
        yield started


def test_calls_are_answered_in_order(worker: NotationWorker) -> None:
    mei, pages, svg = worker.ask(GOOD, [("getMEI", []), ("getPageCount", []), ("renderToSVG", [1])], OPTIONS)
    assert mei.count("<note ") == 4
    assert pages == 1
    assert svg.startswith("<svg")


def test_a_crash_is_one_sentence_and_the_next_request_works(worker: NotationWorker) -> None:
    with pytest.raises(UnderstaveError, match=r"fatal\.krn is malformed") as caught:
        worker.ask(FATAL, [("getMEI", [])], OPTIONS, "fatal.krn")
    assert "\n" not in str(caught.value)
    assert worker.ask(GOOD, [("getPageCount", [])], OPTIONS) == [1]


@pytest.mark.skipif(os.name == "nt", reason="processes are ended in another way there")
def test_a_child_that_is_killed_is_not_told_as_a_fault_of_the_file(
    worker: NotationWorker, monkeypatch: pytest.MonkeyPatch
) -> None:
    worker.ask(GOOD, [("getPageCount", [])], OPTIONS)
    answer = Worker._answer

    def killed(self, process, *rest):
        process.popen.kill()
        return answer(self, process, *rest)

    with monkeypatch.context() as patch:
        patch.setattr(Worker, "_answer", killed)
        with pytest.raises(
            UnderstaveError, match=r"ended from outside while it worked on good\.krn"
        ) as caught:
            worker.ask(GOOD, [("getPageCount", [])], OPTIONS, "good.krn")
    assert "malformed" not in str(caught.value)
    assert worker.ask(GOOD, [("getPageCount", [])], OPTIONS) == [1]


def test_refused_text_is_one_sentence(worker: NotationWorker) -> None:
    with pytest.raises(UnderstaveError, match=r"bad\.mei cannot be read"):
        worker.ask("<mei/>", [("getMEI", [])], {"inputFrom": "mei"}, "bad.mei")


def test_time_runs_out(worker: NotationWorker) -> None:
    with pytest.raises(UnderstaveError, match=r"took more than 0\.001 seconds"):
        worker.ask(GOOD, [("renderToSVG", [1])], OPTIONS, "slow.krn", time_limit=0.001)
    assert worker.ask(GOOD, [("getPageCount", [])], OPTIONS) == [1]


def test_the_parent_does_not_load_the_engine() -> None:
    code = (
        "import sys\nfrom understave.jobs.notation_worker import NotationWorker\n"
        f"with NotationWorker() as w:\n    w.ask({GOOD!r}, [('getMEI', [])], {OPTIONS!r})\n"
        "assert 'verovio' not in sys.modules"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
