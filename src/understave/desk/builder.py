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
from understave.lesson.voices import voice_of
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
    heard = all_contrasts(score, reading, CONTRASTS, asked.piano)
    chosen, timing = lesson_stops(score, reading, plan, wishes, asked, heard)
    ids = {stop.id for stop in chosen}
    others = [
        stop
        for stop in possible_stops(
            score, reading, plan, level=asked.level, language=asked.language, timing=timing, heard=heard
        )
        if stop.id not in ids
    ]
    others.sort(key=lambda stop: -stop.interest)
    return {
        "minutes": asked.minutes,
        "level": asked.level,
        "language": asked.language,
        "paper": asked.paper,
        "seconds": round(sum(stop.seconds for stop in chosen), 1),
        "chosen": [
            {**_row(score, stop, wishes, asked), "voice": voice_of(settings.parent, stop.id) is not None}
            for stop in chosen
        ],
        "others": [_row(score, stop, wishes, asked) for stop in others],
        "contrasts": [
            {
                "name": contrast_name(score, contrast),
                "bar": contrast.first,
                "place": bars_text(score, contrast.first, contrast.last),
                "what": book.phrases[f"page_contrast_{contrast.label.replace(' ', '_')}"],
                "listen": contrast.words(score, asked.level, asked.language),
            }
            for contrast in heard
        ],
    }


def _row(score: Score, stop: Stop, wishes: Edits, asked: Asked) -> dict[str, Any]:
    own = {stop.id for stop in wishes.own}
    return {
        "id": stop.id,
        "first": stop.first,
        "last": stop.last,
        "bars": bars_text(score, stop.first, stop.last),
        "title": stop.title,
        "say": stop.say[asked.level],
        "play": stop.play,
        "question": stop.question,
        "answer": stop.answer,
        "hear": [name for name in stop.hear if name != "excerpt"],
        "why": phrasebook(asked.language).cells.get(stop.why, stop.why),
        "seconds": round(stop.seconds),
        "notes": list(stop.notes),
        "edited": sorted(wishes.texts.get(stop.id, {})),
        "own": stop.id in own,
    }


def heard(score: Score, reading: Reading, name: str, asked: Asked) -> Any:
    """Return a contrast for the page by its name; raise UnderstaveError where there is none."""
    found: Sequence[Contrast] = all_contrasts(score, reading, CONTRASTS, asked.piano)
    one = next((contrast for contrast in found if contrast_name(score, contrast) == name), None)
    if one is None:
        raise DeskError("That contrast is no longer there; the reading has changed.")
    return contrast_sides(score, one, PageOptions(asked.level, asked.language, asked.piano))


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
        if stop in {stop.id for stop in before.own}:
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
        taken = {stop.id for stop in before.own} | set(shown)
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
        return replace(
            before, own=tuple(replace(stop, texts=texts) if stop is own else stop for stop in before.own)
        )
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
