"""What can be undone and done again, told from ``corrections.jsonl`` (or ``pages.jsonl``) alone.

In: the entries of the file. Out: a `History`. As undoing and doing again are lines of the file themselves,
they have no limit and survive closing the desk, a loss of power, and corrections made elsewhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

from understave.harmony.corrections import Numbered


@dataclass(frozen=True, slots=True)
class History:
    """Steps by the ids of their entries, the latest last.

    Taking back the last of `done` undoes it, taking back the last of `undone` (the step that undid) does it
    again. `last` is the id of the newest entry, 0 for none: it tells one state of the file from every other.
    """

    done: tuple[tuple[int, ...], ...] = ()
    undone: tuple[tuple[int, ...], ...] = ()
    last: int = 0


def history(entries: Sequence[Numbered]) -> History:
    """Replay the entries of the file.

    A step that takes back the last one done is an undo, one that takes back the last undo does it again;
    anything else is a step of its own, after which nothing can be done again.
    """
    done: list[tuple[int, ...]] = []
    undone: list[tuple[tuple[int, ...], tuple[int, ...]]] = []
    for _, group in groupby(entries, key=lambda entry: entry.step):
        step = tuple(group)
        own = tuple(entry.id for entry in step)
        taken = frozenset(entry.withdraws for entry in step)
        if done and taken == frozenset(done[-1]):
            undone.append((own, done.pop()))
        elif undone and taken == frozenset(undone[-1][0]):
            done.append(undone.pop()[1])
        else:
            done.append(own)
            undone.clear()
    return History(tuple(done), tuple(u for u, _ in undone), entries[-1].id if entries else 0)
