"""The plan of keys at the desk: all keys of a piece on one screen, confirmed before any chord.

In: nothing. Out: the stretches of `harmony.key_plan` as rows. What the teacher says about them are gestures
(`gestures.confirm_keys`, `rename_key`, `join_key`), so that each is one step to undo.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import TYPE_CHECKING, Any

from starlette.requests import Request

from understave.desk.opened import OpenLesson
from understave.harmony.key_plan import key_plan
from understave.score.model import beat_text
from understave.theory.conventions import key_label

if TYPE_CHECKING:
    from understave.desk.app import Desk


def rows(lesson: OpenLesson) -> list[dict[str, Any]]:
    """Return the stretches of the reading that is shown."""
    score = lesson.score
    return [
        {
            "start": str(stretch.start),
            "number": score.bar_name(score.measure_at(stretch.start)),
            "beat": beat_text(score.beat_at(stretch.start)),
            "last": score.bar_name(score.measures_over(stretch.start, stretch.end)[1]),
            "key": stretch.key.symbol,
            "keyName": key_label(stretch.key, lesson.language),
            "sure": round(stretch.sure, 3),
            "within": list(dict.fromkeys(key_label(key, lesson.language) for key in stretch.within)),
            "settled": stretch.settled,
        }
        for stretch in key_plan(lesson.reading.spans, lesson.standing, score)
    ]


async def listed(desk: Desk, request: Request) -> Any:
    """Tell the keys, one stretch after the other."""
    return rows(await desk.current())


ROUTES: tuple[tuple[str, Callable[[Desk, Request], Awaitable[Any]], str], ...] = (
    ("/api/keys", listed, "GET"),
)
