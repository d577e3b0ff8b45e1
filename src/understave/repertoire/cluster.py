"""The same indexing on a Dask cluster, for more scores than one machine can read.

Needs the extra ``understave[cluster]``. The folder of scores and the index must lie where every machine sees
them under the same path. A task is a batch of files: it reads them in a `Reader` process of its own and
writes them as one part, named by what is in it, so that a task that runs twice (its worker was lost after
writing) leaves one part. What travels over the network is names, never scores or rows. A batch that takes
its worker down again and again is taken apart; the one file that does it is kept as a piece with an error.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from understave.errors import MissingError, RepertoireError
from understave.parquet_files import read_rows
from understave.repertoire.indexing import PIECES_AT_ONCE, Done
from understave.repertoire.reader_processes import Job, Reader
from understave.repertoire.store import Store, write_part
from understave.repertoire.tables import failed
from understave.repertoire.worker import MOST_MEMORY

Reading = Callable[[Store, Sequence[Job]], Generator[Done, None, None]]
RETRIES = 2
"""Times that a task is given to another worker because it raised; lost workers are counted by Dask itself."""


@contextmanager
def cluster_at(address: str, memory: int = MOST_MEMORY) -> Iterator[Reading]:
    """Connect to a Dask scheduler (``tcp://host:8786``) and give what `index_folder` takes as `read`.

    Every reader there holds at most `memory` bytes.

    Raises UnderstaveError if the extra is not installed or nothing answers at the address.
    """
    try:
        from distributed import Client
    except ImportError as error:
        raise MissingError(
            "A cluster needs one more package; install it with 'pip install understave[cluster]'."
        ) from error
    try:
        client = Client(address, timeout="20s")
    except (OSError, ValueError, TypeError) as error:
        raise RepertoireError(
            f"No Dask scheduler answers at {address!r}; start one and give its address, like tcp://host:8786."
        ) from error
    with client:
        yield lambda store, jobs: read_on(client, store, jobs, memory=memory)


def read_on(
    client: Any,
    store: Store,
    jobs: Sequence[Job],
    at_once: int = PIECES_AT_ONCE,
    memory: int = MOST_MEMORY,
) -> Generator[Done, None, None]:
    """Read jobs on the cluster behind a Dask client; yield them as they are done and written."""
    from distributed import as_completed

    # Tasks get plain names, and absolute ones: their worker runs elsewhere.
    folder = str(store.folder.resolve())
    plain = [(str(job.path.resolve()), job.piece) for job in jobs]
    batches = [plain[i : i + at_once] for i in range(0, len(plain), at_once)]

    batch_of: dict[str, list[tuple[str, str]]] = {}

    def submitted(batch: list[tuple[str, str]]) -> Any:
        name = part_name([piece for _, piece in batch])
        key = f"read-{name}"
        batch_of[key] = batch
        return client.submit(read_batch, folder, name, batch, memory, key=key, retries=RETRIES, pure=False)

    running = as_completed([submitted(batch) for batch in batches])
    for future in running:
        batch = batch_of.pop(future.key)
        if future.status == "finished":
            yield from (Done(*one) for one in future.result())
        elif len(batch) > 1:
            for job in batch:
                running.add(submitted([job]))
        else:
            path, piece = batch[0]
            why = f"{Path(path).name} could not be read on the cluster ({type(future.exception()).__name__})."
            write_part(store, [failed(piece, why)])
            yield Done(why, 0.0, 0)
        future.release()


def part_name(pieces: Sequence[str]) -> str:
    """Return the name of the part that holds these pieces."""
    return hashlib.sha256("\n".join(sorted(pieces)).encode()).hexdigest()[:32]


def read_batch(
    folder: str, name: str, batch: Sequence[tuple[str, str]], memory: int
) -> list[tuple[str, float, int]]:
    """Read a batch on a worker and write its part; return of each piece error, seconds and memory.

    A part that is already there was written by this task on a worker that was lost before it could say so.
    """
    store = Store(Path(folder))
    there = store.parts / name / "pieces.parquet"
    if there.exists():
        return [(error, 0.0, 0) for (error,) in read_rows(there, "error")]
    reader = Reader(memory=memory)
    try:
        outcomes = [reader.read(Job(Path(path), piece)) for path, piece in batch]
    finally:
        reader.close()
    write_part(store, [outcome.piece for outcome in outcomes], name)
    return [(outcome.piece.error, outcome.seconds, outcome.memory) for outcome in outcomes]
