"""The lesson as it is built at the desk: which stops, in which order, with which words.

In: the reading, the plan and what stands in ``lesson.toml``. Out: rows for the page, and changed `Edits`. The
file is the truth here too: an edit is written to it before it is answered.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from understave.desk.sense import sense
from understave.errors import DeskError
from understave.harmony.reading import Reading
from understave.interpretation.plan import Plan
from understave.lesson import edits
from understave.lesson.edits import FIELDS, STOP_ID, Edits, OwnStop, bars_named
from understave.lesson.make import CONTRASTS, Asked, asked_of, lesson_stops
from understave.media.webpage import PageOptions, contrast_sides
from understave.score.model import Score
from understave.teaching.contrasts import Contrast
from understave.teaching.sound_contrasts import all_contrasts
from understave.teaching.stops import Stop, contrast_name, possible_stops
from understave.wording import phrasebook

LONGEST = 4000
"""Letters of a text at most."""


def stop_rows(score: Score, reading: Reading, plan: Plan, settings: Path) -> dict[str, Any]:
    """Return the stops of the lesson in order, then those that could be taken, and what can be heard."""
    wishes, asked = edits.read_edits(settings), asked_of(settings)
    book = phrasebook(asked.language)
    heard = all_contrasts(score, reading, CONTRASTS)
    chosen, timing = lesson_stops(score, reading, plan, wishes, asked, heard)
    ids = {s.id for s in chosen}
    others = [
        s
        for s in possible_stops(
            score, reading, plan, level=asked.level, language=asked.language, timing=timing, heard=heard
        )
        if s.id not in ids
    ]
    others.sort(key=lambda s: -s.interest)
    return {
        "minutes": asked.minutes,
        "level": asked.level,
        "language": asked.language,
        "paper": asked.paper,
        "seconds": round(sum(s.seconds for s in chosen), 1),
        "chosen": [_row(score, s, wishes, asked) for s in chosen],
        "others": [_row(score, s, wishes, asked) for s in others],
        "contrasts": [
            {
                "name": contrast_name(score, c),
                "bar": c.first,
                "place": bars_text(score, c.first, c.last),
                "what": book.phrases[f"page_contrast_{c.label.replace(' ', '_')}"],
                "listen": c.words(score, asked.level, asked.language),
            }
            for c in heard
        ],
    }


def _row(score: Score, s: Stop, wishes: Edits, asked: Asked) -> dict[str, Any]:
    own = {o.id for o in wishes.own}
    return {
        "id": s.id,
        "first": s.first,
        "last": s.last,
        "bars": bars_text(score, s.first, s.last),
        "title": s.title,
        "say": s.say[asked.level],
        "play": s.play,
        "question": s.question,
        "answer": s.answer,
        "hear": [name for name in s.hear if name != "excerpt"],
        "why": phrasebook(asked.language).cells.get(s.why, s.why),
        "seconds": round(s.seconds),
        "notes": list(s.notes),
        "edited": sorted(wishes.texts.get(s.id, {})),
        "own": s.id in own,
    }


def heard(score: Score, reading: Reading, name: str, asked: Asked) -> Any:
    """Return a contrast for the page by its name; raise UnderstaveError where there is none."""
    found: Sequence[Contrast] = all_contrasts(score, reading, CONTRASTS)
    one = next((c for c in found if contrast_name(score, c) == name), None)
    if one is None:
        raise DeskError("That contrast is no longer there; the reading has changed.")
    return contrast_sides(score, one, PageOptions(asked.level, asked.language))


def understood(asked: Mapping[str, Any]) -> dict[str, Any]:
    """Return a step of the teacher's as the page sent it, every value there and of its kind; raise
    SenselessError where it is none.
    """
    with sense():
        what = str(asked["what"])
        step: dict[str, Any] = {name: read(asked[name]) for name, read in _STEPS[what].items()}
        if "stop" in step and not STOP_ID.fullmatch(step["stop"]):
            raise ValueError(step["stop"])
        if "field" in step and step["field"] != "say" and step["field"] not in FIELDS:
            raise KeyError(step["field"])
        return {**step, "what": what, "shown": [str(name) for name in asked.get("shown", [])]}


_STEPS: dict[str, dict[str, Callable[[Any], Any]]] = {
    "leave out": {"stop": str},
    "take": {"stop": str},
    "move": {"stop": str, "to": int},
    "text": {"stop": str, "field": str, "text": str, "bars": str},
    "own": {"bars": str, "title": str},
}


def changed(score: Score, before: Edits, asked: Mapping[str, Any], shown: Sequence[str], level: str) -> Edits:
    """Return the edits after one step (see `understood`); `shown` are the ids of the stops in order."""
    what, stop = str(asked["what"]), str(asked.get("stop", ""))
    if what == "leave out":
        if stop in {o.id for o in before.own}:
            return replace(
                before, own=tuple(o for o in before.own if o.id != stop), order=_less(before.order, stop)
            )
        return replace(
            before,
            leave_out=(*_less(before.leave_out, stop), stop),
            take=_less(before.take, stop),
            order=_less(before.order, stop),
        )
    if what == "take":
        return replace(
            before, take=(*_less(before.take, stop), stop), leave_out=_less(before.leave_out, stop)
        )
    if what == "move":
        order = [s for s in shown if s != stop]
        order.insert(max(0, min(len(order), int(asked["to"]))), stop)
        return replace(before, order=tuple(order))
    if what == "text":
        return _with_text(before, stop, asked, level)
    if what == "own":
        first, last = bars_named(score, str(asked["bars"]), "Your stop")
        title = _text(asked["title"])
        if not title:
            raise DeskError("Give your stop a title.")
        taken = {o.id for o in before.own} | set(shown)
        base = "my-" + (re.sub(r"[^a-z0-9]+", "-", title.casefold()).strip("-") or "stop")
        name = next(n for n in (base, *(f"{base}-{k}" for k in range(2, 1000))) if n not in taken)
        bars = bars_text(score, first.index, last.index)
        return replace(before, own=(*before.own, OwnStop(name, bars, {"title": title})))
    raise KeyError(what)


def _with_text(before: Edits, stop: str, asked: Mapping[str, Any], level: str) -> Edits:
    """Write a text of a stop; an empty one gives the proposed text back."""
    field = str(asked["field"])
    field = f"say.{level}" if field == "say" else field
    text = _text(asked["text"])
    own = next((o for o in before.own if o.id == stop), None)
    texts = dict(own.texts if own else before.texts.get(stop, {}))
    if text:
        texts[field] = text
    else:
        texts.pop(field, None)
    if own:
        return replace(before, own=tuple(replace(o, texts=texts) if o is own else o for o in before.own))
    everything = {k: v for k, v in before.texts.items() if k != stop} | ({stop: texts} if texts else {})
    places = {**before.places, stop: str(asked["bars"])} if texts else before.places
    return replace(before, texts=everything, places={k: v for k, v in places.items() if k in everything})


def _text(value: object) -> str:
    text = str(value).replace("\r\n", "\n").strip()
    if len(text) > LONGEST:
        raise DeskError(f"That text is longer than {LONGEST} letters; shorten it.")
    return text


def _less(names: tuple[str, ...], name: str) -> tuple[str, ...]:
    return tuple(n for n in names if n != name)


def bars_text(score: Score, first: int, last: int) -> str:
    """Return bars as ``12`` or ``9-16``, so that `bars_named` finds the same again."""
    a, b = (score.bar_name(score.measures[i]) for i in (first, last))
    return a if first == last else f"{a}-{b}"
