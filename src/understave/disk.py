"""Bytes and a path in, a file on the disk out that a loss of power neither halves nor forgets."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from understave.errors import UnderstaveError


def write_atomically(path: Path, data: bytes | str) -> None:
    """Put `data` at `path` in one step; a reader sees the old file or the new one, never a part.

    To a temporary file, flushed to the disk, then renamed into place; missing folders are made. Text is
    written as UTF-8. Raises UnderstaveError if the disk refuses.
    """
    content = data.encode() if isinstance(data, str) else data
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            os.chmod(temporary, 0o644)
            os.replace(temporary, path)
        except BaseException:
            Path(temporary).unlink(missing_ok=True)
            raise
        sync_folder(path.parent)
    except OSError as error:
        raise UnderstaveError(
            f"{path} could not be written ({error.strerror or error}); "
            "check that the folder may be written to and that the disk is not full."
        ) from error


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
