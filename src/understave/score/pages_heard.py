"""Long reading, page by page: whoever waits hears of each page before it is read, and can stop it there.

In: a function, put around the reading. Out: it hears the page's number, from 1, and how many there are. What
it raises ends the reading. Context variables carry it, into threads too (``asyncio.to_thread``).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar

Hears = Callable[[int, int], None]
_HEARS: ContextVar[Hears] = ContextVar("pages_heard", default=lambda page, of: None)


@contextmanager
def pages_heard(hears: Hears) -> Iterator[None]:
    """Let `hears` be called with (page, of how many) before each page that is read within."""
    before = _HEARS.set(hears)
    try:
        yield
    finally:
        _HEARS.reset(before)


def tell_page(page: int, of: int) -> None:
    """Say that a page is about to be read."""
    _HEARS.get()(page, of)
