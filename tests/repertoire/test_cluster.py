"""The same indexing on a real local cluster of several processes, one of them killed half way."""

import os
import signal

import pytest
from repertoire_scores import folder_of_scores, piano, put
from test_indexing import everything

from understave.errors import UnderstaveError
from understave.repertoire import index_folder
from understave.repertoire.cluster import cluster_at, read_batch, read_on
from understave.repertoire.store import open_store
from understave.repertoire.worker import MOST_MEMORY


@pytest.fixture(scope="module")
def distributed():
    # Not loaded by each worker of a run that collects this file.
    return pytest.importorskip("distributed", reason="needs the extra 'cluster'")


@pytest.fixture(scope="module")
def cluster(distributed):
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as local:
        yield local


def test_a_worker_killed_half_way_changes_nothing(tmp_path, indexed, cluster, distributed):
    folder = folder_of_scores(tmp_path / "scores")
    killed = []

    def kill(progress):
        if progress.done == 2:
            pids = client.run(os.getpid)
            killed.extend(pids.values())
            os.kill(killed[0], signal.SIGKILL)

    with distributed.Client(cluster) as client:
        done = index_folder(
            folder, on_progress=kill, read=lambda store, jobs: read_on(client, store, jobs, at_once=1)
        )
        assert killed[0] not in client.run(os.getpid).values()
    assert done.read == 8
    assert everything(done.index) == everything(indexed[1].index)


def test_by_address(tmp_path, cluster):
    folder = tmp_path / "scores"
    put(folder, "a.musicxml", piano("C3 E4 G4 | G2 D4 B4 | C3 E4 G4 | C3 E4 G4"))
    (folder / "broken.mei").write_text("<mei", encoding="utf-8")
    with cluster_at(cluster.scheduler_address) as read:
        done = index_folder(folder, read=read)
    assert done.read == 2
    assert [path for path, _ in done.failures] == ["broken.mei"]


def test_a_file_that_takes_its_workers_down_is_kept_as_an_error(tmp_path, cluster, monkeypatch, distributed):
    folder = folder_of_scores(tmp_path / "scores")
    with distributed.Client(cluster) as client:
        monkeypatch.setattr("understave.repertoire.cluster.read_batch", deadly)
        done = index_folder(folder, read=lambda store, jobs: read_on(client, store, jobs, at_once=8))
    assert [path for path, _ in done.failures] == ["fast.musicxml"]
    assert len(everything(done.index)["pieces"]) == 8


def deadly(folder, name, batch, memory):
    """The real task, but one file takes the worker with it."""
    if any("fast" in path for path, _ in batch):
        raise MemoryError
    return read_batch(folder, name, batch, memory)


def test_a_task_that_runs_twice_leaves_one_part(tmp_path):
    store = open_store(tmp_path / "index", make=True)
    path = put(tmp_path, "a.musicxml", piano("C3 E4 G4 | G2 D4 B4"))
    batch = [(str(path), "a")]
    first = read_batch(str(store.folder), "part", batch, MOST_MEMORY)
    second = read_batch(str(store.folder), "part", batch, MOST_MEMORY)
    assert [error for error, _, _ in first] == [error for error, _, _ in second] == [""]
    assert second[0][1] == 0
    assert [p.name for p in store.parts.iterdir()] == ["part"]


def test_nothing_at_the_address_is_one_sentence(monkeypatch, distributed):
    real = distributed.Client
    monkeypatch.setattr(distributed, "Client", lambda address, timeout: real(address, timeout="0.5s"))
    with pytest.raises(UnderstaveError, match="No Dask scheduler"), cluster_at("tcp://127.0.0.1:9"):
        pass
