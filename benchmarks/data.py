"""Where the open data lies: the environment in, a folder out that need not be there."""

from __future__ import annotations

import os
from pathlib import Path


def data_folder() -> Path:
    """Return the folder `UNDERSTAVE_DATA` names, else ``shared/data`` beside the checkout, there or not."""
    given = os.environ.get("UNDERSTAVE_DATA")
    return Path(given) if given else Path(__file__).resolve().parents[2] / "shared" / "data"
