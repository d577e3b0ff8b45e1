"""One lesson on the desk: its folder in, a reading that is always what the corrections say out.

The folder is the truth: everything here is told from it and can be told again. An edit is written to the
disk first, then answered from what was judged before (`harmony.reread`); a full reading, the events and the
plan follow quietly. Every change of what is shown is a message with the next `version`, the same for all
windows; an edit names the state of the file that it was made on (`last`) and is refused on any other.
"""

from __future__ import annotations

import asyncio
from collections import OrderedDict
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import partial
from typing import Any

from understave.desk import gestures, values, work
from understave.desk.builder import changed
from understave.desk.gestures import place
from understave.desk.history import history
from understave.desk.sheet import Lanes, Sheet, lanes_alone, options, pages, touched
from understave.engraving.event_lane import second, told
from understave.engraving.lanes import Entry as LaneEntry
from understave.engraving.planned import PlannedLanes, plan_lanes
from understave.errors import DeskError, UnderstaveError
from understave.faults import fault_sentence, keep_fault
from understave.harmony import corrections
from understave.harmony.engine import Fixed, settle
from understave.harmony.odd_notes import OddNote, odd_notes
from understave.harmony.reading import Correction, Event, Reading, Span
from understave.harmony.reread import Renewed, difference, reread
from understave.harmony.romantext import read_romantext
from understave.harmony.trained import Judged
from understave.harmony.typed import Entry, typed_key
from understave.interpretation.perform import clock
from understave.interpretation.plan import Plan
from understave.interpretation.tempo import basic_tempo
from understave.interpretation.written_about import writing_about
from understave.jobs.pool import Pool
from understave.lesson import edits
from understave.lesson.chosen_conventions import conventions_of
from understave.lesson.folder import SETTINGS, LessonFolder, titled
from understave.lesson.make import asked_of
from understave.lesson.page_corrections import lesson_score
from understave.score.model import Score
from understave.teaching import story
from understave.theory.convention_choices import Conventions, by_roots, following
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral
from understave.theory.vocabulary import Language
from understave.wording import phrasebook

REMEMBERED = 64
"""States of the reading that undoing finds again without working them out."""
SOUNDS_KEPT = 8
CALM = 0.5
"""Seconds without an edit after which the full reading begins."""

_SEEN, _LISTED, _HEARD, _WHOLE = range(4)
"""What can wait longer for a process: the notes least, then the stops of the lesson, then what is heard
first, then the sound of the whole piece.
"""

Gesture = Callable[[Score, Sequence[Span]], tuple[Correction, ...]]


class StaleError(DeskError):
    """The edit was made on a state that another window has changed since."""


@dataclass(frozen=True)
class Shown:
    """What is on the page: the spans, and events and plan where they are worked out for these spans."""

    spans: tuple[Span, ...]
    fixed: tuple[Fixed, ...]
    judged: Judged
    events: tuple[Event, ...] = ()
    plan: Plan | None = None
    settled: bool = False
    """Whether a full reading has found the spans."""


class OpenLesson:
    """A lesson folder that is open on the desk; use from one event loop."""

    def __init__(
        self,
        folder: LessonFolder,
        score: Score,
        readers: Executor,
        makers: Executor,
        players: Executor | None = None,
    ) -> None:
        self.language: Language = "en"
        self.folder = folder
        self.conventions = conventions_of(folder.path)
        self.score = score
        self.readers, self.makers = readers, makers
        self.players = players if players is not None else makers
        """Who makes the sound of the piece: nothing that can be seen waits for it."""
        self.unfinished = corrections.set_aside(folder.corrections)
        self.entries = corrections.read_entries(folder.corrections)
        self.history = history(self.entries)
        self.shown: Shown | None = None
        self.version = 0
        self.listeners: set[asyncio.Queue[dict[str, Any]]] = set()
        self.sheets: dict[float, Sheet] = {}
        self.laying: dict[float, asyncio.Task[Sheet]] = {}
        self.second: tuple[str, tuple[Span, ...]] | None = None
        self.lock = asyncio.Lock()
        self._remembered: OrderedDict[tuple[Correction, ...], Shown] = OrderedDict()
        self._sounds: OrderedDict[tuple[Any, ...], asyncio.Task[work.Played]] = OrderedDict()
        self._renewing: asyncio.Task[None] | None = None
        self._told: tuple[LaneEntry, ...] = ()
        self._planned: PlannedLanes | None = None
        self._clock = clock(score, Plan(tempo=basic_tempo(score)))
        self._by_roots = False
        self._odd: tuple[tuple[Span, ...], tuple[OddNote, ...]] | None = None

    @property
    def odd_notes(self) -> tuple[OddNote, ...]:
        """Notes whose accidental the harmony shown finds unlikely; none before a harmony is shown."""
        if self.shown is None:
            return ()
        if self._odd is None or self._odd[0] is not self.shown.spans:
            self._odd = self.shown.spans, odd_notes(self.score, self.shown.spans)
        return self._odd[1]

    # --- opening ---------------------------------------------------------------------------------------

    async def begin(self) -> None:
        """Read the score with its corrections; needed before anything is shown."""
        held = self.standing
        folder = self.folder
        found = await self._ask(
            self.readers, work.read_fully, self.score, held, folder.keys_last, folder.habits
        )
        self.begin_with(*found)
        self._renew(0.0)

    def begin_with(self, judged: Any, spans: tuple[Span, ...]) -> None:
        """Start from what a full reading has found for the corrections that stand."""
        self.shown = Shown(spans, settle(self.score, self.standing), judged, settled=True)
        self._remember()
        self.version += 1

    async def close(self) -> None:
        """Stop what is still being worked out."""
        self.give_up()

    def give_up(self) -> None:
        """Cancel what is still being worked out; whoever waits for it is answered that it is gone."""
        tasks = [t for t in (self._renewing, *self.laying.values(), *self._sounds.values()) if t]
        for task in tasks:
            task.cancel()

    def speak(self, language: Language) -> None:
        """Say everything in another language from now on."""
        if language != self.language:
            self.language = language
            if self.shown is not None and self.shown.plan is not None:
                self._take_rest(self.shown)

    async def follow_conventions(self, conventions: Conventions) -> None:
        """Write harmony in other conventions from now on; every window asks for everything anew."""
        async with self.lock:
            self.conventions = conventions
            self._forget_sheets()
            if self.shown is not None and self.shown.plan is not None:
                await asyncio.to_thread(self._take_rest, self.shown)
            self.version += 1
        self._tell({"type": "opened"})

    def writing(self) -> AbstractContextManager[None]:
        """Return the context that labels are written in: the lesson's conventions, and whether the piece goes
        by keys, once that is known.
        """
        shown = self.shown
        if shown is None or shown.plan is None:
            return following(self.conventions)
        return writing_about(Reading(shown.spans, shown.events), self.conventions)

    def _forget_sheets(self) -> None:
        """Lay the notes anew when they are next asked for: other labels want other room between them."""
        for task in self.laying.values():
            task.cancel()
        self.laying.clear()
        self.sheets.clear()

    def _names_otherwise(self) -> bool:
        """Take in whether chords are named by root and kind; tell if that has changed."""
        with self.writing():
            before, self._by_roots = self._by_roots, by_roots()
        return before != self._by_roots

    @property
    def standing(self) -> tuple[Correction, ...]:
        """The corrections that hold, oldest first."""
        return corrections.standing(self.entries)

    @property
    def reading(self) -> Reading:
        """The reading as it is shown."""
        shown = self._now()
        return Reading(shown.spans, shown.events)

    @property
    def plan(self) -> Plan | None:
        """The plan of what is shown, None while it is being made."""
        return self.shown.plan if self.shown is not None else None

    def _now(self) -> Shown:
        if self.shown is None:
            raise DeskError("The score is still being read; wait a moment.")
        return self.shown

    # --- editing ---------------------------------------------------------------------------------------

    async def edit(self, last: int, gesture: Gesture) -> dict[str, Any]:
        """Turn a gesture into corrections on the disk and answer with what changed."""
        async with self.lock:
            await self._catch_up()
            self._check(last)
            step = gesture(self.score, self._now().spans)
            settle(self.score, (*self.standing, *step))  # refused before it is written
            new = await asyncio.to_thread(corrections.append_step, self.folder.corrections, step)
            return await self._written(new)

    async def undo(self, last: int) -> dict[str, Any]:
        """Take back the last step."""
        return await self._turn(last, self.history.done, "There is nothing to undo.")

    async def redo(self, last: int) -> dict[str, Any]:
        """Do again what was undone last."""
        return await self._turn(last, self.history.undone, "There is nothing to do again.")

    async def _turn(self, last: int, steps: tuple[tuple[int, ...], ...], nothing: str) -> dict[str, Any]:
        async with self.lock:
            await self._catch_up()
            self._check(last)
            if not steps:
                raise DeskError(nothing)
            new = await asyncio.to_thread(corrections.withdraw_step, self.folder.corrections, steps[-1])
            return await self._written(new)

    async def _written(self, new: tuple[corrections.Entry, ...]) -> dict[str, Any]:
        self.entries = (*self.entries, *new)
        self.history = history(self.entries)
        message = await asyncio.to_thread(self._follow)
        self._tell(message)
        self._renew(CALM)
        return message

    async def catch_up(self) -> None:
        """Take in what was corrected elsewhere while this was being opened."""
        async with self.lock:
            await self._catch_up()

    async def _catch_up(self) -> None:
        """Take in what another program has written to the file meanwhile."""
        entries = await asyncio.to_thread(corrections.read_entries, self.folder.corrections)
        if len(entries) != len(self.entries):
            self.entries = entries
            self.history = history(entries)
            self._tell(await asyncio.to_thread(self._follow))
            self._renew(CALM)

    def _check(self, last: int) -> None:
        if last != self.history.last:
            raise StaleError(
                "Another window has changed this lesson meanwhile; look again and repeat the step."
            )

    def _follow(self) -> dict[str, Any]:
        """Bring the spans up to the corrections that stand; return the message about it."""
        before = self._now()
        remembered = self._remembered.get(self.standing)
        if remembered is not None:
            renewed = difference(before.spans, remembered.spans, remembered.fixed)
            self.shown = remembered
            if remembered.plan is not None:
                self._take_rest(remembered)
        else:
            renewed = reread(self.score, before.judged, before.spans, before.fixed, self.standing)
            self.shown = Shown(renewed.spans, renewed.fixed, before.judged, before.events, before.plan)
        return self._message(renewed)

    def _remember(self) -> None:
        shown = self._now()
        if shown.settled:
            self._remembered[self.standing] = shown
            self._remembered.move_to_end(self.standing)
            if len(self._remembered) > REMEMBERED:
                self._remembered.popitem(last=False)

    # --- what follows quietly --------------------------------------------------------------------------

    def _renew(self, calm: float) -> None:
        if self._renewing is not None:
            self._renewing.cancel()
        self._renewing = asyncio.create_task(self._read_again(calm))

    async def _read_again(self, calm: float) -> None:
        await asyncio.sleep(calm)
        shown, held = self._now(), self.standing
        try:
            if not shown.settled:
                folder = self.folder
                judged, spans = await self._ask(
                    self.readers, work.read_fully, self.score, held, folder.keys_last, folder.habits
                )
                async with self.lock:
                    if held != self.standing:
                        return
                    renewed = difference(self._now().spans, spans, settle(self.score, held))
                    shown = Shown(renewed.spans, renewed.fixed, judged, shown.events, shown.plan, True)
                    self.shown = shown
                    self._remember()
                    if renewed.before or renewed.after:
                        self._tell(await asyncio.to_thread(self._message, renewed))
            piano = (await asyncio.to_thread(asked_of, self.folder.path / SETTINGS)).instrument
            events, plan = await self._ask(self.readers, work.find_rest, self.score, shown.spans, held, piano)
            async with self.lock:
                if held != self.standing:
                    return
                await asyncio.to_thread(self.show_rest, events, plan)
                self._tell(await asyncio.to_thread(self._message, Renewed(self._now().spans, ()), True))
        except UnderstaveError as error:
            self._tell({"type": "trouble", "error": str(error)})
        except Exception as error:  # nobody waits for this: what is not told here is never heard of
            log = await asyncio.to_thread(keep_fault, error, "reading a lesson anew at the desk")
            self._tell({"type": "trouble", "error": fault_sentence(error, log)})

    def show_rest(self, events: tuple[Event, ...], plan: Plan) -> None:
        """Take in the events and the plan of the spans that are shown."""
        self.shown = replace(self._now(), events=events, plan=plan)
        self._remember()
        self._take_rest(self.shown)

    def _take_rest(self, shown: Shown) -> None:
        assert shown.plan is not None
        with self.writing():
            self._told = told(shown.events, self.language)
        self._planned = plan_lanes(self.score, shown.plan, options(self.language))
        self._clock = clock(self.score, shown.plan)

    async def _ask(self, where: Executor, job: Callable[..., Any], *given: Any, wait: int = _SEEN) -> Any:
        if isinstance(where, Pool):
            return await asyncio.wrap_future(where.ask(partial(job, *given), wait))
        return await asyncio.get_running_loop().run_in_executor(where, job, *given)

    # --- messages --------------------------------------------------------------------------------------

    def _message(self, renewed: Renewed, whole: bool = False) -> dict[str, Any]:
        """Say what changed: rows of the reading, and the lanes of the systems where it shows."""
        with self.writing():
            return self._message_written(renewed, whole)

    def _message_written(self, renewed: Renewed, whole: bool) -> dict[str, Any]:
        shown = self._now()
        self.version += 1
        start, end = _stretch(renewed, shown.spans)
        lanes = self._lanes()
        drawn: dict[str, dict[int, str]] = {}
        for width, sheet in self.sheets.items():
            systems = list(range(len(sheet.systems))) if whole else touched(sheet, start, end)
            drawn[f"{width:g}"] = lanes_alone(sheet, lanes, systems)
        return {
            "type": "reading",
            **self.state(),
            # A whole message renews confidences and seconds everywhere; the labels have been told before.
            "first": 0 if whole else renewed.first,
            "before": len(shown.spans) if whole else renewed.before,
            "rows": self.rows(
                shown.spans if whole else shown.spans[renewed.first : renewed.first + renewed.after]
            ),
            "lanes": drawn,
            **({"events": values.event_rows(self.score, shown.events, self.language)} if whole else {}),
            "whole": whole,
            **({"second": self.comparison()} if self.second is not None else {}),
        }

    def state(self) -> dict[str, Any]:
        """Return where the lesson stands: version, state of the file, what can be undone."""
        shown = self.shown
        return {
            "version": self.version,
            "last": self.history.last,
            "undo": len(self.history.done),
            "redo": len(self.history.undone),
            "settled": bool(shown and shown.settled and shown.plan is not None),
        }

    def rows(self, spans: Sequence[Span]) -> list[dict[str, Any]]:
        """Return spans as rows of the page, with their seconds, and where equal bars are read in two ways."""
        book = phrasebook(self.language)
        twins = {
            t.span.start: {"twin": story.plain(story.twin_text(self.score, t, book))}
            for t in story.twins(self.score, self.reading)
        }
        return [
            {
                **values.span_row(self.score, span, self.language),
                **twins.get(span.start, {}),
                "from": a,
                "to": b,
            }
            for span, (a, b) in zip(spans, values.seconds(spans, self._clock), strict=True)
        ]

    def whole(self) -> dict[str, Any]:
        """Return everything a window needs to begin, but for the engraved notes."""
        shown = self._now()
        return {
            **self.state(),
            "title": self.score.title,
            "composer": self.score.composer,
            "warnings": [*filter(None, [self.unfinished]), *self.score.warnings],
            "bars": values.bars(self.score, self._clock),
            "rows": self.rows(shown.spans),
            "events": values.event_rows(self.score, shown.events, self.language),
            "second": self.comparison(),
            "onsets": {
                i: str(note.onset) for note in self.score.notes if not note.grace for i in note.ids[:1]
            },
        }

    def _tell(self, message: dict[str, Any]) -> None:
        for queue in self.listeners:
            queue.put_nowait(message)
        if self._names_otherwise():
            self._forget_sheets()
            self._tell({"type": "opened"})

    def tell(self, message: dict[str, Any]) -> None:
        """Send a message to every window."""
        self._tell(message)

    # --- notes, sound, reasons -------------------------------------------------------------------------

    async def sheet(self, width: float) -> list[str]:
        """Return the engraved score for a width; engraved once, drawn with what is read now: `version`, as it
        is on return.
        """
        task = self.laying.get(width)
        if task is None or _failed(task):
            job = self._ask(self.makers, work.engrave_sheet, self.score, self.reading, width)
            self.laying[width] = asyncio.create_task(job)
        self.sheets[width] = await asyncio.shield(self.laying[width])
        while True:
            version = self.version
            with self.writing():
                drawn = await asyncio.to_thread(pages, self.sheets[width], self._lanes())
            if version == self.version:
                return drawn

    def _lanes(self) -> Lanes:
        shown = self._now()
        other: tuple[LaneEntry, ...] = ()
        if self.second is not None:
            other = second(self.second[1], different(self.second[1], shown.spans), self.language)
        return Lanes(Reading(shown.spans, shown.events), self._told, self._planned, other, self.language)

    async def sound(self, instrument: str, style: str, *, whole: bool = True) -> work.Played:
        """Return the piece as it sounds with the reading that is shown, or its opening, which comes much
        sooner; rendered once for each choice.
        """
        reading = self.reading
        key = (instrument, style, reading.spans, whole)
        task = self._sounds.get(key)
        if task is None or _failed(task):
            job, wait = (work.play, _WHOLE) if whole else (work.play_opening, _HEARD)
            made = self._ask(self.players, job, self.score, reading, instrument, style, wait=wait)
            task = self._sounds[key] = asyncio.create_task(made)
            while len(self._sounds) > SOUNDS_KEPT:
                _, old = self._sounds.popitem(last=False)
                old.cancel()
        return await asyncio.shield(task)

    def why(self, start: Fraction) -> dict[str, Any]:
        """Return why the span that begins at a moment reads as it does."""
        reading = self.reading
        span = next((span for span in reading.spans if span.start == start), None)
        if span is None:
            raise DeskError("No chord begins there any more; choose again.")
        return values.why(self.score, reading, span, self.language)

    def carried(self, start: Fraction) -> list[dict[str, Any]]:
        """Return where the chord set at a moment might hold too, as rows of the page."""
        found = gestures.offered(self.score, self._now().spans, start)
        return values.offer_rows(self.score, self._now().spans, found, self.language)

    async def excerpt(self, first: int, last: int) -> str:
        """Return bars, by index, both included, as one SVG picture."""
        found: str = await self._ask(
            self.makers, work.engrave_excerpt, self.score, self.reading, first, last, self.language
        )
        return found

    async def make_picture(self, job: Callable[..., Any], *given: Any) -> Any:
        """Return a picture that a process makes."""
        return await self._ask(self.makers, job, *given)

    async def chords_sounding(self, chords: Sequence[tuple[Key, RomanNumeral]], low: int) -> bytes:
        """Return chords as they sound one after the other, the first bass near a MIDI number."""
        found: bytes = await self._ask(self.players, work.play_chords, chords, low, wait=_SEEN)
        return found

    def spelled(self, start: Fraction, what: str, text: str, entry: Entry) -> dict[str, Any]:
        """Return as notes what a text typed for a chord, or with `what` ``"key"`` for a key, means."""
        if what == "key":
            return values.key_spelled(typed_key(text, entry), self.language)
        meant = gestures.spelled(self.score, self._now().spans, start, text, entry)
        return values.spelled(self.score, meant, self.language)

    # --- the lesson ------------------------------------------------------------------------------------

    async def stops(self) -> dict[str, Any]:
        """Return the stops of the lesson, those that could be taken, and the contrasts."""
        plan = self._now().plan
        if plan is None:
            raise DeskError("The plan for playing is still being made; wait a moment.")
        path = self.folder.path / SETTINGS
        found: dict[str, Any] = await self._ask(
            self.makers, work.stops, self.score, self.reading, plan, path, wait=_LISTED
        )
        return found

    async def edit_stops(self, asked: dict[str, Any]) -> dict[str, Any]:
        """Write one change of the stops into lesson.toml, tell the other windows, return the stops."""
        async with self.lock:
            path = self.folder.path / SETTINGS
            level = (await asyncio.to_thread(asked_of, path)).level
            await asyncio.to_thread(
                edits.change,
                path,
                lambda before: changed(self.score, before, asked, asked["shown"], level),
            )
        self._tell({"type": "stops"})
        return await self.stops()

    async def ask_for(self, choices: dict[str, Any]) -> dict[str, Any]:
        """Keep what is asked of the lesson: minutes, level, language, paper."""
        async with self.lock:
            await asyncio.to_thread(edits.keep_asked, self.folder.path / SETTINGS, choices)
        self._tell({"type": "stops"})
        return await self.stops()

    async def contrast(self, name: str) -> dict[str, Any]:
        """Return a contrast to hear, by its name."""
        path = self.folder.path / SETTINGS
        found: dict[str, Any] = await self._ask(
            self.makers, work.contrast, self.score, self.reading, name, path, wait=_HEARD
        )
        return found

    # --- a second reading ------------------------------------------------------------------------------

    async def compare(self, name: str, text: str | None, back: int = 0) -> dict[str, Any]:
        """Lay another reading beside: an analysis as text, or that of some steps ago; None takes it away."""
        async with self.lock:
            if text is not None:
                spans = tuple(read_romantext(text, self.score))
                if not spans:
                    raise DeskError(f"{name} holds no analysis that fits this score.")
                self.second = (name, spans)
            elif back > 0:
                spans = await asyncio.to_thread(self._earlier, back)
                self.second = (name, spans)
            else:
                self.second = None
            return await self._compared()

    def _earlier(self, back: int) -> tuple[Span, ...]:
        done = self.history.done
        if back > len(done):
            raise DeskError(f"Only {len(done)} steps have been made; none lies further back.")
        first = done[-back][0]
        entries = tuple(entry for entry in self.entries if entry.id < first)
        held = corrections.standing(entries)
        if held in self._remembered:
            return self._remembered[held].spans
        shown = self._now()
        return reread(self.score, shown.judged, shown.spans, shown.fixed, held).spans

    async def _compared(self) -> dict[str, Any]:
        message = await asyncio.to_thread(self._message, Renewed(self._now().spans, self._now().fixed), True)
        message["second"] = self.comparison()
        self._tell(message)
        return message

    def comparison(self) -> dict[str, Any] | None:
        """Return where the second reading says something else."""
        if self.second is None:
            return None
        name, spans = self.second
        ours = self._now().spans
        rows = []
        for span, differs in zip(spans, different(spans, ours), strict=True):
            if differs:
                mine = next((o for o in ours if o.start <= span.start < o.end), None)
                rows.append(
                    {
                        "bar": self.score.measure_at(span.start).index,
                        "place": place(self.score, span.start),
                        "start": str(mine.start) if mine else None,
                        "theirs": f"{span.key.symbol}: {span.numeral}",
                        "ours": f"{mine.key.symbol}: {mine.numeral}" if mine else "",
                    }
                )
        return {"name": name, "chords": len(spans), "differences": rows}


def _failed(task: asyncio.Task[Any]) -> bool:
    return task.done() and (task.cancelled() or task.exception() is not None)


def different(spans: Sequence[Span], ours: Sequence[Span]) -> list[bool]:
    """Tell for each span of another reading whether ours says anything else during it."""
    result, k = [], 0
    for span in spans:
        while k < len(ours) and ours[k].end <= span.start:
            k += 1
        result.append(
            any(
                (o.key, o.numeral) != (span.key, span.numeral)
                for o in ours[k:]
                if o.start < span.end and o.end > span.start
            )
            if k < len(ours) and ours[k].start < span.end
            else False
        )
    return result


def _stretch(renewed: Renewed, spans: Sequence[Span]) -> tuple[Fraction, Fraction]:
    """Return the time in which labels may have changed, the label after it included."""
    if not renewed.before and not renewed.after:
        return Fraction(0), Fraction(0)
    low = max(0, renewed.first - 1)
    high = min(len(spans) - 1, renewed.first + renewed.after)
    return spans[low].start, spans[high].end


async def open_lesson(
    folder: LessonFolder,
    readers: Executor,
    makers: Executor,
    players: Executor | None = None,
    score: Score | None = None,
) -> OpenLesson:
    """Read the score of a folder, unless it has been read already, and its corrections.

    Raises UnderstaveError where either is bad.
    """
    if score is None:
        score = await asyncio.to_thread(lesson_score, folder)
    return OpenLesson(folder, titled(score, folder.imported_from), readers, makers, players)
