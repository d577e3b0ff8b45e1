"""A disk that forgets what it was not told to keep, fills up in the middle of a writing, or refuses.

It stands between `understave.disk` and the system: names and contents last only once `fsync` was asked for
them, as POSIX has it (IEEE Std 1003.1, fsync: "all data for the open file descriptor"; a new
name is the data of its folder). `worlds` are the states in which a loss of power may leave the folder.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path

State = dict[str, bytes]


class FaultyDisk:
    """Takes the place of ``os`` in `understave.disk`; all else goes on to the real one.

    `on_step` is called after every operation that changes something. `room` is how many bytes may still be
    written; `refuse` names operations that fail, such as "fsync".
    """

    def __init__(self, folder: Path, room: int | None = None, refuse: tuple[str, ...] = ()) -> None:
        self.folder, self.room, self.refuse = folder, room, refuse
        self.on_step: Callable[[], None] = lambda: None
        self.contents: dict[int, bytes] = {}
        self.names: dict[str, int] = {}
        self._keep_names()
        for name in self.names:
            self.contents[self.names[name]] = (folder / name).read_bytes()

    def __getattr__(self, name: str):
        return getattr(os, name)

    # --- what changes something -----------------------------------------------------------------------------

    def write(self, handle: int, data) -> int:
        if self.room is None:
            # In pieces, as the system may: a loss of power can come between any two.
            size = os.write(handle, bytes(data)[:7])
        else:
            if not self.room and len(data):
                raise OSError(errno.ENOSPC, "No space left on device")
            size = os.write(handle, bytes(data)[: self.room])
            self.room -= size
        self.on_step()
        return size

    def fsync(self, handle: int) -> None:
        self._perhaps("fsync")
        entry = os.fstat(handle)
        if entry.st_ino == self.folder.stat().st_ino:
            self._keep_names()
        else:
            path = next(p for p in self.folder.iterdir() if p.stat().st_ino == entry.st_ino)
            self.contents[entry.st_ino] = path.read_bytes()
        self.on_step()

    def ftruncate(self, handle: int, size: int) -> None:
        self._perhaps("ftruncate")
        os.ftruncate(handle, size)
        self.on_step()

    def replace(self, old, new) -> None:
        self._perhaps("replace")
        os.replace(old, new)
        self.on_step()

    def _perhaps(self, operation: str) -> None:
        if operation in self.refuse:
            raise OSError(errno.EIO, "Input/output error")

    def _keep_names(self) -> None:
        self.names = {p.name: p.stat().st_ino for p in self.folder.iterdir() if p.is_file()}

    # --- what is left after a loss of power -------------------------------------------------------------

    def worlds(self) -> list[State]:
        """Return what the folder may hold if the power failed now, by file name."""
        now = {p.name: p for p in self.folder.iterdir() if p.is_file()}
        numbers = {name: p.stat().st_ino for name, p in now.items()}
        held = {number: now[name].read_bytes() for name, number in numbers.items()}
        found: list[State] = []
        for names in (self.names, numbers):
            for content in (self._kept, self._half, self._unwritten, lambda n, real: real):
                found.append({name: content(n, held.get(n, self._kept(n, b""))) for name, n in names.items()})
        return found

    def _kept(self, number: int, real: bytes) -> bytes:
        return self.contents.get(number, b"")

    def _half(self, number: int, real: bytes) -> bytes:
        kept = self._kept(number, real)
        return kept + real[len(kept) : (len(kept) + len(real)) // 2] if real.startswith(kept) else kept

    def _unwritten(self, number: int, real: bytes) -> bytes:
        """The file has its new length, its new pages were never written."""
        kept = self._kept(number, real)
        return kept + bytes(max(0, len(real) - len(kept)))


def put(state: State, folder: Path) -> None:
    """Make a folder that holds a state."""
    folder.mkdir(parents=True, exist_ok=True)
    for old in folder.iterdir():
        old.unlink()
    for name, data in state.items():
        (folder / name).write_bytes(data)
