"""What the teacher changed in a lesson, kept in ``lesson.toml``: texts, order, choice, stops of their own.

In: the file's text. Out: `Edits`, and `apply` puts them on proposed stops. Nothing here is ever changed by a
new computation; `keep` writes edits into the file and leaves all the rest of it, comments too, as it
stands. In the file::

    [lesson]                      # what was asked for
    minutes = 15

    [stops]
    order = ["b55-german-sixth", "b12-half"]   # these first and in this order; the others follow
    take = ["b37-in-another-key"]              # also where it would not have been proposed
    leave_out = ["b73-tonic"]

    [stops.texts.b55-german-sixth]
    bars = "54-57"                # where it was: kept by us, so that the text keeps its place
    title = "The dark chord"
    say.beginner = "Listen to the lowest note."
    question = "..."              # also answer, play, say.intermediate, say.advanced

    [[stops.own]]
    id = "my-hands"
    bars = "12-14"                # printed numbers
    title = "Cross the hands"
    say = "The left hand goes over the right."   # for every level, or say.beginner ...
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, cast

import tomlkit
from tomlkit.exceptions import TOMLKitError

from understave.disk import locked, write_atomically
from understave.errors import LessonError
from understave.score.model import Measure, Score
from understave.teaching.speech import Spoken
from understave.teaching.stops import EXCERPT, Stop, Timing
from understave.wording import LEVELS, Level

FIELDS = ("title", "play", "question", "answer", *(f"say.{level}" for level in LEVELS))
"""The texts of a stop that a teacher may write."""
STOP_ID = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*")
_TABLES = {"order", "take", "leave_out", "texts", "own"}


@dataclass(frozen=True, slots=True)
class OwnStop:
    """A stop that the teacher wrote: printed bars and texts by field; fields left out stay empty."""

    id: str
    bars: str
    texts: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Edits:
    """Everything the teacher decided about the stops; `texts` by stop id and field, `places` by stop id."""

    order: tuple[str, ...] = ()
    take: tuple[str, ...] = ()
    leave_out: tuple[str, ...] = ()
    texts: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    places: Mapping[str, str] = field(default_factory=dict)
    own: tuple[OwnStop, ...] = ()

    @property
    def kept(self) -> frozenset[str]:
        """The ids that belong to the lesson because the teacher touched them."""
        return (frozenset(self.take) | frozenset(self.order) | frozenset(self.texts)) - frozenset(
            self.leave_out
        )


# --- reading ---------------------------------------------------------------------------------------------


def read_edits(path: Path) -> Edits:
    """Return the edits in a lesson.toml, none without a file; raise UnderstaveError on a bad entry."""
    try:
        values = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return Edits()
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise LessonError(f"{path} cannot be read ({error}); mend that line.") from None
    except OSError as error:
        raise LessonError(f"{path} cannot be read ({error.strerror}).") from None
    return edits_from(values, path.name)


def edits_from(values: Mapping[str, Any], name: str = "lesson.toml") -> Edits:
    """Return the edits in the values of a lesson.toml; raise UnderstaveError that names the bad entry."""
    table = values.get("stops", {})
    if not isinstance(table, dict):
        raise LessonError(f"[stops] in {name} is no table; write it as [stops] with entries below.")
    unknown = sorted(set(table) - _TABLES)
    if unknown:
        raise LessonError(
            f"[stops] in {name} has an entry {unknown[0]!r} that means nothing; "
            f"use {', '.join(sorted(_TABLES))}."
        )
    texts: dict[str, dict[str, str]] = {}
    places: dict[str, str] = {}
    written = table.get("texts", {})
    if not isinstance(written, dict):
        raise LessonError(f"[stops.texts] in {name} is no table; write [stops.texts.ID] for each stop.")
    for stop, entry in written.items():
        where = f"[stops.texts.{stop}] in {name}"
        if not STOP_ID.fullmatch(stop):  # it becomes the name of files
            raise LessonError(f"{where} names no stop; ids are small letters, digits and hyphens.")
        texts[stop] = _texts(entry, where, {"bars"})
        if "bars" in entry:
            places[stop] = _string(entry["bars"], f"bars of {where}")
    own = table.get("own", [])
    if not isinstance(own, list):
        raise LessonError(f"Stops of your own in {name} are written as [[stops.own]], with two brackets.")
    stops = tuple(_own(entry, number, name) for number, entry in enumerate(own, start=1))
    _unique([stop.id for stop in stops], name)
    return Edits(
        _names(table, "order", name),
        _names(table, "take", name),
        _names(table, "leave_out", name),
        texts,
        places,
        stops,
    )


def _own(entry: Any, number: int, name: str) -> OwnStop:
    where = f"stop {number} of your own in {name}"
    if not isinstance(entry, dict):
        raise LessonError(f"The {where} is no table; begin it with [[stops.own]].")
    for needed in ("id", "bars", "title"):
        if needed not in entry:
            raise LessonError(f"The {where} has no {needed}; add a line such as {_EXAMPLES[needed]}.")
    identity = _string(entry["id"], f"id of the {where}")
    if not STOP_ID.fullmatch(identity):
        raise LessonError(
            f"{identity!r} cannot be the id of the {where}; use small letters, digits and hyphens."
        )
    return OwnStop(
        identity, _string(entry["bars"], f"bars of the {where}"), _texts(entry, where, {"id", "bars"})
    )


_EXAMPLES = {"id": 'id = "my-stop"', "bars": 'bars = "12-14"', "title": 'title = "Cross the hands"'}


def _texts(entry: Any, where: str, besides: set[str]) -> dict[str, str]:
    """Return texts by field; `say` may be one text for every level."""
    if not isinstance(entry, dict):
        raise LessonError(f"{where} is no table; write its texts below that heading.")
    found: dict[str, str] = {}
    for key, value in entry.items():
        if key in besides:
            continue
        if key == "say" and isinstance(value, dict):
            for level, text in value.items():
                if level not in LEVELS:
                    raise LessonError(f"{where} has say.{level}; levels are {', '.join(LEVELS)}.")
                found[f"say.{level}"] = _string(text, f"say.{level} of {where}")
        elif key == "say":
            text = _string(value, f"say of {where}")
            found.update({f"say.{level}": text for level in LEVELS})
        elif key in FIELDS:
            found[key] = _string(value, f"{key} of {where}")
        else:
            raise LessonError(f"{where} has an entry {key!r} that means nothing; use {', '.join(FIELDS)}.")
    return found


def _string(value: Any, what: str) -> str:
    if not isinstance(value, str):
        raise LessonError(f"The {what} is no text; put it in quotation marks.")
    return value.strip()


def _names(table: Mapping[str, Any], key: str, name: str) -> tuple[str, ...]:
    value = table.get(key, [])
    if not isinstance(value, list) or not all(isinstance(v, str) for v in value):
        raise LessonError(
            f'"{key}" under [stops] in {name} is no list of stop names; write {key} = ["b12-half"].'
        )
    _unique(value, name)
    return tuple(value)


def _unique(names: Sequence[str], name: str) -> None:
    for n in names:
        if names.count(n) > 1:
            raise LessonError(f"The stop {n!r} stands twice in one list of {name}; take one of them out.")


# --- putting them on the stops ---------------------------------------------------------------------------


def apply(
    score: Score, stops: Sequence[Stop], edits: Edits, level: Level, timing: Timing
) -> tuple[Stop, ...]:
    """Return the lesson's stops as the teacher wants them: texts, own stops, choice and order.

    A stop whose text the teacher wrote stays in the lesson even where the reading no longer proposes it.
    Raises UnderstaveError for bars that the score has not.
    """
    found: dict[str, Stop] = {}
    for stop in stops:
        if stop.id not in edits.leave_out:
            found[stop.id] = _rewritten(stop, edits.texts.get(stop.id, {}))
    for own in edits.own:
        if own.id in found:
            raise LessonError(
                f"Your own stop {own.id!r} has the name of a proposed one; give it another id in lesson.toml."
            )
        found[own.id] = _made(score, own, level)
    for name, texts in edits.texts.items():
        if name not in found and name not in edits.leave_out and name in edits.places:
            found[name] = _made(score, OwnStop(name, edits.places[name], texts), level)
    timed = {name: replace(stop, seconds=timing.of(score, stop)) for name, stop in found.items()}
    first = [timed.pop(name) for name in edits.order if name in timed]
    rest = sorted(timed.values(), key=lambda stop: (stop.moment, stop.first))
    return (*first, *rest)


def own_seconds(score: Score, edits: Edits, level: Level, timing: Timing) -> float:
    """Return how long the teacher's own stops take."""
    return sum(timing.of(score, _made(score, own, level)) for own in edits.own)


def without_place(stops: Sequence[Stop], edits: Edits) -> tuple[str, ...]:
    """Return the ids in the edits that no stop has; their texts stay in the file all the same."""
    there = {stop.id for stop in stops}
    named = dict.fromkeys((*edits.order, *edits.take, *edits.texts))
    return tuple(n for n in named if n not in there and n not in edits.leave_out)


def _rewritten(stop: Stop, texts: Mapping[str, str]) -> Stop:
    say = {level: texts.get(f"say.{level}", stop.say[level]) for level in LEVELS}
    aloud = stop.spoken
    return replace(
        stop,
        spoken=replace(
            aloud,
            question=texts.get("question", aloud.question),
            answer=texts.get("answer", aloud.answer),
            told=texts.get(f"say.{stop.level}", aloud.told),
            hands=texts.get("play", aloud.hands),
        ),
        title=texts.get("title", stop.title),
        say=say,
        play=texts.get("play", stop.play),
        question=texts.get("question", stop.question),
        answer=texts.get("answer", stop.answer),
    )


def _made(score: Score, own: OwnStop, level: Level) -> Stop:
    first, last = bars_named(score, own.bars, f"Your stop {own.id!r} in lesson.toml")
    empty = Stop(
        own.id,
        first.index,
        last.index,
        first.start,
        own.texts.get("title", own.id),
        dict.fromkeys(LEVELS, ""),
        (EXCERPT,),
        level=level,
        spoken=Spoken(lead=f"{own.texts.get('title', own.id)}."),
    )
    return _rewritten(empty, own.texts)


def bars_named(score: Score, text: str, who: str) -> tuple[Measure, Measure]:
    """Return the first and last measure of ``12`` or ``9-16``; raise UnderstaveError for bars not there."""
    begin, _, end = text.replace("–", "-").partition("-")
    found: list[Measure] = []
    for number in (begin, end or begin):
        bars = score.bars_called(number)
        if not bars:
            raise LessonError(
                f"{who} names bar {number.strip()!r}, which the score has not; it has bars "
                f"{score.measures[0].number} to {score.measures[-1].number}."
            )
        # Where numbers start again, a stretch ends with the first bar of that number from its beginning on.
        found.append(
            next((measure for measure in bars if found and measure.index >= found[0].index), bars[0])
        )
    if found[1].index < found[0].index:
        raise LessonError(f"{who} names bars {text}, which run backwards; exchange the two numbers.")
    return found[0], found[1]


# --- writing ---------------------------------------------------------------------------------------------


def change(path: Path, how: Callable[[Edits], Edits]) -> None:
    """Change the edits in a lesson.toml: `how` gets those that stand there, and no other process writes in
    between, so that what two of them write is all kept.
    """
    with locked(path.parent):
        _keep(path, how(read_edits(path)))


def keep(path: Path, edits: Edits) -> None:
    """Write edits into a lesson.toml in one step; all else in the file, comments too, stays as it is."""
    with locked(path.parent):
        _keep(path, edits)


def _keep(path: Path, edits: Edits) -> None:
    document = _document(path)
    old = document.get("stops")
    table = old if isinstance(old, dict) else tomlkit.table()
    for name in ("order", "take", "leave_out"):
        value = list(getattr(edits, name))
        if value:
            table[name] = value
        elif name in table:
            del table[name]
    _keep_texts(table, edits)
    if edits.own:
        own = tomlkit.aot()
        for stop in edits.own:
            entry = tomlkit.table()
            entry["id"], entry["bars"] = stop.id, stop.bars
            _put(entry, stop.texts)
            own.append(entry)
        if not _same_own(table.get("own"), own):
            table["own"] = own
    elif "own" in table:
        del table["own"]
    if old is None and table:
        document["stops"] = table
    write_atomically(path, tomlkit.dumps(document))


def _keep_texts(table: Any, edits: Edits) -> None:
    if not edits.texts:
        table.pop("texts", None)
        return
    if "texts" not in table:
        table["texts"] = tomlkit.table(is_super_table=True)
    texts = table["texts"]
    for gone in [name for name in texts if name not in edits.texts]:
        del texts[gone]
    for name, fields in edits.texts.items():
        if name not in texts:
            texts[name] = tomlkit.table()
        entry = texts[name]
        if name in edits.places:
            _set(entry, "bars", edits.places[name])
        _put(entry, fields)
        for gone in [k for k in entry if k not in ("bars", "say") and k not in fields]:
            del entry[gone]


def _put(entry: Any, texts: Mapping[str, str]) -> None:
    """Set texts by field; levels of `say` go into a table of their own."""
    for name, text in texts.items():
        if not name.startswith("say."):
            _set(entry, name, text)
    said = {name.removeprefix("say."): text for name, text in texts.items() if name.startswith("say.")}
    if not said:
        entry.pop("say", None)
    elif len(said) == len(LEVELS) and len(set(said.values())) == 1:
        _set(entry, "say", next(iter(said.values())))
    else:
        if not isinstance(entry.get("say"), dict):
            entry["say"] = tomlkit.inline_table()
        for gone in [level for level in entry["say"] if level not in said]:
            del entry["say"][gone]
        for level, text in said.items():
            _set(entry["say"], level, text)


def _set(entry: Any, name: str, text: str) -> None:
    # What stays the same keeps the way in which the teacher wrote it.
    if entry.get(name) != text:
        entry[name] = text


def _same_own(old: Any, new: Any) -> bool:
    return old is not None and cast(list[Any], old) == cast(list[Any], new)


def keep_asked(path: Path, asked: Mapping[str, Any]) -> None:
    """Write what was asked for (minutes, level ...) into the ``[lesson]`` table; None takes an entry out."""
    with locked(path.parent):
        _keep_asked(path, asked)


def _keep_asked(path: Path, asked: Mapping[str, Any]) -> None:
    document = _document(path)
    table = document.get("lesson")
    if not isinstance(table, dict):
        table = tomlkit.table()
    before = dict(table)
    for name, value in asked.items():
        if value is None:
            table.pop(name, None)
        elif table.get(name) != value:
            table[name] = value
    if dict(table) != before:
        document["lesson"] = table
        write_atomically(path, tomlkit.dumps(document))


def _document(path: Path) -> tomlkit.TOMLDocument:
    try:
        return tomlkit.parse(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return tomlkit.document()
    except (TOMLKitError, UnicodeDecodeError) as error:
        raise LessonError(f"{path} cannot be read ({error}); mend that line, nothing was changed.") from None
    except OSError as error:
        raise LessonError(f"{path} cannot be read ({error.strerror}).") from None


def with_text(score: Score, edits: Edits, stop: Stop, field_name: str, text: str | None) -> Edits:
    """Return edits with one more text of the teacher; None takes theirs back and the proposal shows again.

    Raises UnderstaveError for a field that a stop has not.
    """
    if field_name not in FIELDS:
        raise LessonError(f"A stop has no {field_name!r}; its texts are {', '.join(FIELDS)}.")
    own = next((o for o in edits.own if o.id == stop.id), None)
    fields = dict(own.texts if own else edits.texts.get(stop.id, {}))
    if text is None:
        fields.pop(field_name, None)
    else:
        fields[field_name] = text.strip()
    if own is not None:
        changed = replace(own, texts=fields)
        return replace(edits, own=tuple(changed if stop.id == own.id else stop for stop in edits.own))
    texts = {name: entry for name, entry in edits.texts.items() if name != stop.id}
    places = {name: place for name, place in edits.places.items() if name != stop.id}
    if fields:
        first, last = score.measures[stop.first].number, score.measures[stop.last].number
        texts[stop.id] = fields
        places[stop.id] = first if first == last else f"{first}-{last}"
    return replace(edits, texts=texts, places=places)


def asked_in(path: Path) -> Mapping[str, Any]:
    """Return what was asked for in an earlier build, as it stands in the ``[lesson]`` table."""
    table = _document(path).unwrap().get("lesson", {})
    if not isinstance(table, dict):
        raise LessonError(f"[lesson] in {path.name} is no table; write it as [lesson] with entries below.")
    return table
