"""Faults of our own: an unexpected exception in, an entry in this user's log file out.

The log holds where in our code it happened and what Python said, never notes or words of a score, though
Python's sentence may name a file. It lies in the user's own folder, is readable by them alone, and stays
small: a full log is renamed once and begun anew.
"""

from __future__ import annotations

import contextlib
import os
import platform
import sys
import traceback
from datetime import UTC, datetime
from pathlib import Path

from understave import __version__

FULL = 512 * 1024
"""Bytes from which on a log is put aside as ``faults.1.log``; set so that both fit into a message."""
LONGEST = 16 * 1024
"""Characters of one entry at most; a runaway recursion alone would fill the log."""


def own_folder() -> Path:
    """Return the folder where this user's state is kept, by the custom of the system (XDG Base Directory
    Specification elsewhere than on Windows and macOS); it need not exist.
    """
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Application Support"
    else:
        base = Path(os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state")
    return base / "understave"


def log_file() -> Path:
    """Return the file that `keep_fault` writes to; it need not exist."""
    return own_folder() / "faults.log"


def keep_fault(error: BaseException, doing: str) -> Path | None:
    """Write an unexpected exception down, with what was being done; return the log, None where it cannot be
    written. Never raises, and may be called from several processes at once.
    """
    try:
        log = log_file()
        log.parent.mkdir(parents=True, exist_ok=True)
        with contextlib.suppress(OSError):
            if log.stat().st_size > FULL:
                os.replace(log, log.with_name("faults.1.log"))
        handle = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
        try:
            # One writing: entries of two processes follow each other, not mixed.
            os.write(handle, _entry(error, doing).encode("utf-8", "backslashreplace"))
        finally:
            os.close(handle)
    except Exception:  # whoever tells of a fault must not make a second one
        return None
    return log


def fault_sentence(error: BaseException, log: Path | None) -> str:
    """Return what the user is told of a fault of ours."""
    what = type(error).__name__
    kept = f"it is written down in {log}" if log else "it could not be written down"
    return (
        f"This is a fault of Understave, not of yours ({what}); {kept}. "
        "'understave doctor' says what to send when you ask for help."
    )


def _entry(error: BaseException, doing: str) -> str:
    told = "".join(traceback.format_exception(error))
    if len(told) > LONGEST:
        told = f"{told[: LONGEST // 2]}\n  ...\n{told[-LONGEST // 2 :]}"
    now = datetime.now(UTC).isoformat(timespec="seconds")
    own = f"understave {__version__}, Python {platform.python_version()}, {platform.system()}"
    return f"--- {now}  {own}\nwhile: {doing}\n{told.rstrip()}\n"
