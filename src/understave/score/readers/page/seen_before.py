"""What the network saw of a page is kept for a while: reading that was stopped goes on where it was.

In: a page as the network is given it, and its weights. Out: what is seen, from the user's own folder where
that page was looked at before by the same code and weights, else newly looked at. Nothing of the picture
itself is kept, and pages looked at longest ago give way. A file that is damaged or may not be written
costs only a second look.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
from functools import lru_cache
from pathlib import Path

import numpy as np

from understave.disk import write_atomically
from understave.errors import UnderstaveError
from understave.faults import own_folder
from understave.score.readers.page import seen_page, seen_symbols
from understave.score.readers.page.seen_page import Floats, Seen

MOST_KEPT = 200
"""Pages kept; one takes 50 to 150 kB."""


def kept_in() -> Path:
    """Return the folder that they are kept in; it need not exist."""
    return own_folder() / "pages"


def look(picture: Floats, weights: Path) -> Seen:
    """Return what the network sees of a page, as `seen_page.look` does, looked at once."""
    file = kept_in() / f"{_digest(picture, weights)}.npz"
    found = _read(file)
    if found is None:
        found = seen_page.look(picture, weights)
        _write(file, found)
    return found


def _digest(picture: Floats, weights: Path) -> str:
    whole = hashlib.sha256(_program(weights).encode())
    whole.update(repr(picture.shape).encode())
    whole.update(np.ascontiguousarray(picture).tobytes())
    return whole.hexdigest()


@lru_cache(maxsize=1)
def _program(weights: Path) -> str:
    """Return a digest of all that what is seen depends on, beside the picture."""
    whole = hashlib.sha256()
    for file in (weights, Path(seen_page.__file__), Path(seen_symbols.__file__)):
        whole.update(hashlib.sha256(file.read_bytes()).digest())
    return whole.hexdigest()


def _read(file: Path) -> Seen | None:
    try:
        with np.load(file, allow_pickle=False) as kept:
            height, width = kept["size"].tolist()
            names = kept["names"].tolist()
            drawn = np.unpackbits(kept["layers"], count=len(names) * height * width).astype(np.bool_)
            layers = dict(zip(names, drawn.reshape(len(names), height, width), strict=True))
            symbols = kept["symbols"]
    except Exception:  # there is none, or a damaged one makes the library fail in any way
        return None
    with contextlib.suppress(OSError):
        file.touch()  # looked at now: it gives way last
    return Seen(symbols, layers)


def _write(file: Path, seen: Seen) -> None:
    names = list(seen.layers)
    drawn = np.stack([seen.layers[name] for name in names])
    made = io.BytesIO()
    np.savez_compressed(
        made,
        size=np.array(drawn.shape[1:]),
        names=np.array(names),
        layers=np.packbits(drawn),
        symbols=seen.symbols,
    )
    with contextlib.suppress(OSError, UnderstaveError):
        write_atomically(file, made.getvalue())
        pages = sorted(file.parent.glob("*.npz"), key=lambda page: page.stat().st_mtime)
        for page in pages[:-MOST_KEPT]:
            page.unlink(missing_ok=True)
