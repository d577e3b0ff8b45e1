"""The way from the command to the desk's page: an address with a token in, a private file out.

A browser is told on its command line what to open, and on most systems everybody can read everybody's command
lines. So it is told of a file that only this user can read, which leads on to the address.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from html import escape
from pathlib import Path

_PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="referrer" content="no-referrer">
<meta http-equiv="refresh" content="0; url={address}"><title>Understave</title></head>
<body><p><a href="{address}">To the desk</a></p></body></html>
"""


@contextmanager
def way_to(address: str) -> Iterator[Path]:
    """Make a page, readable by this user alone, that leads to an address; it is gone at the end."""
    with tempfile.TemporaryDirectory(prefix="understave-", ignore_cleanup_errors=True) as folder:  # mode 0700
        page = Path(folder) / "desk.html"
        handle = os.open(page, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(_PAGE.format(address=escape(address)))
        yield page
