"""How often Python looks for values that hold only each other: seldom, since ours hardly ever do.

By default all values of a process are looked through again and again while a score is read or played, each
time for a sixth of a second once our modules are loaded, and nothing is found.
"""

from __future__ import annotations

import gc

SELDOM = (10_000, 20, 50)
"""New values before the youngest are looked through, then how often that before the older and before all."""


def collect_seldom() -> None:
    """Have this process look through its values seldom; for processes of our own, not those of others."""
    gc.set_threshold(*SELDOM)
