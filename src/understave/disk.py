"""Bytes and a path in, a file on the disk out that a loss of power neither halves nor forgets."""

from __future__ import annotations

import contextlib
import os
import re
import secrets
from collections.abc import Iterator
from pathlib import Path

from understave.errors import UnderstaveError

_DEVICE = re.compile(r"(con|prn|aux|nul|(com|lpt)[0-9¹²³])\s*(\..*)?", re.IGNORECASE | re.DOTALL)
_LONGEST_NAME = 60


def usable_name(text: str, otherwise: str) -> str:
    """Return a text as a name for a file or folder that every system takes; `otherwise` if nothing is left.

    Letters, digits, ``_``, ``-``, and spaces and dots inside. Windows keeps no space or dot at the end, and
    takes names such as ``con`` or ``aux.mid`` for devices (Microsoft, "Naming Files, Paths, and Namespaces");
    such a name gets a ``_`` in front.
    """
    name = re.sub(r"[^\w .-]+", "-", text).strip(" .-")[:_LONGEST_NAME].rstrip(" .-") or otherwise
    return f"_{name}" if _DEVICE.fullmatch(name) else name


def typed_path(text: str) -> Path:
    """Return what somebody typed as a path, ``~`` for their folder; ``~nobody`` stays as it is typed."""
    try:
        return Path(text).expanduser()
    except RuntimeError:  # nobody has this name
        return Path(text)


def write_atomically(path: Path, data: bytes | str) -> None:
    """Put `data` at `path` in one step; a reader sees the old file or the new one, never a part.

    To a temporary file, flushed to the disk, then renamed into place; missing folders are made. Text is
    written as UTF-8. A link stays a link: the file that it names is written. A file that was there keeps its
    mode, a new one gets what the user's umask leaves. Raises UnderstaveError if the disk refuses, or if the
    file is protected against writing.
    """
    content = data.encode() if isinstance(data, str) else data
    try:
        target = Path(os.path.realpath(path)) if path.is_symlink() else path
        target.parent.mkdir(parents=True, exist_ok=True)
        mode = target.stat().st_mode & 0o7777 if target.is_file() else None
        if mode is not None and not os.access(target, os.W_OK):
            # Renaming would replace it all the same: that asks only whether the folder may be written to.
            raise UnderstaveError(
                f"{path} is protected against writing; allow it, or move the file away, and try again."
            )
        temporary = target.with_name(f".{target.name[:200]}.{secrets.token_hex(4)}")
        try:
            with os.fdopen(_created(temporary), "wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            if mode is not None:
                os.chmod(temporary, mode)
            os.replace(temporary, target)
        except BaseException:
            temporary.unlink(missing_ok=True)
            raise
        sync_folder(target.parent)
    except OSError as error:
        # Windows lets nobody replace a file that another program, say a spreadsheet, has open.
        held = isinstance(error, PermissionError) and path.is_file()
        remedy = "close it where it is open, and " if held else ""
        raise UnderstaveError(
            f"{path} could not be written ({error.strerror or error}); "
            f"{remedy}check that the folder may be written to and that the disk is not full."
        ) from error


def _created(path: Path) -> int:
    """Open a new file for writing; the system takes from 0666 what the user's umask says."""
    return os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o666)


def sync_folder(folder: Path) -> None:
    """Make the names of new files last too; systems that cannot open a folder keep them by themselves."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def append_lines(path: Path, lines: bytes) -> None:
    """Add lines at the end of a file, which is made if need be, and see them onto the disk: all or none.

    What a loss of power cut short at the end of the file stays a line of its own. Raises OSError if the disk
    refuses; then the file is as it was. Call it under `locked`.
    """
    new = not path.exists()
    handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_APPEND | getattr(os, "O_BINARY", 0), 0o666)
    try:
        before = os.fstat(handle).st_size
        os.lseek(handle, max(0, before - 1), os.SEEK_SET)
        try:
            rest = memoryview(lines if os.read(handle, 1) in (b"", b"\n") else b"\n" + lines)
            while rest:
                rest = rest[os.write(handle, rest) :]
            os.fsync(handle)
            if new:
                sync_folder(path.parent)
        except BaseException:
            # A full disk takes a part; what is half there must not be taken for the whole later.
            with contextlib.suppress(OSError):
                os.ftruncate(handle, before)
                os.fsync(handle)
            if new:
                with contextlib.suppress(OSError):
                    path.unlink()
            raise
    finally:
        os.close(handle)


def cut_short(path: Path, size: int) -> None:
    """Take off what stands in a file beyond `size` bytes, and see that onto the disk. Raises OSError."""
    handle = os.open(path, os.O_WRONLY | getattr(os, "O_BINARY", 0))
    try:
        os.ftruncate(handle, size)
        os.fsync(handle)
    finally:
        os.close(handle)


@contextlib.contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Let one process (and thread) at a time read and then change a folder, where the system can lock.

    Not to be nested. A folder that is missing or closed is no reason to stop: the writing will say so.
    """
    try:
        import fcntl
    except ImportError:
        yield
        return
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        yield
        return
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)
