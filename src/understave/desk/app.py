"""The desk as an ASGI app: what the page asks for in, JSON, pictures and sound out.

Every path that a request can name is a name of ours: a file of the page, a recent lesson by its number, an
exported file by its name inside the lesson folder; only the folder of scores to index is the teacher's.
What is refused is refused in one sentence.
"""

from __future__ import annotations

import asyncio
import contextlib
import html
import json
import re
import secrets
from collections.abc import AsyncIterator, Awaitable, Callable
from concurrent.futures import Future
from contextlib import asynccontextmanager
from dataclasses import dataclass
from fractions import Fraction
from functools import partial
from importlib.resources import files
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response, StreamingResponse
from starlette.routing import Route

from understave.acoustics.piano import instruments
from understave.acoustics.soundfont import check_samples, licence_of
from understave.desk import (
    bringing_in,
    carried_panel,
    conventions_panel,
    elsewhere,
    gestures,
    habits_panel,
    hearing,
    keys_panel,
    pages_panel,
    results_panel,
    takes_panel,
    voice_panel,
    work,
)
from understave.desk.builder import understood
from understave.desk.guard import Guard, TooLargeError
from understave.desk.opened import Gesture, OpenLesson, StaleError, open_lesson
from understave.desk.recent import Recent
from understave.desk.sense import SenselessError, message, sense
from understave.errors import DeskError, UnderstaveError
from understave.faults import fault_sentence, keep_fault
from understave.harmony.typed import ENTRIES, Entry, usual_entry
from understave.interpretation.pedal import STYLES
from understave.jobs.one_process import LostError
from understave.lesson import own_habits
from understave.lesson.folder import SETTINGS, LessonFolder, open_folder
from understave.lesson.make import asked_of
from understave.media.page import page_words
from understave.media.student_papers import PAPERS
from understave.score.model import Score, read_exact
from understave.score.readers.page.told_signs import Frame
from understave.teaching.homework import key_names
from understave.teaching.stops import MINUTES
from understave.theory.convention_choices import STANDARD, following
from understave.theory.vocabulary import Language
from understave.wording import SPOKEN, phrasebook
from understave.wording.remark_words import in_words

WIDTHS = (250.0, 180.0, 125.0, 88.0)
"""Millimetres for which the score is engraved, for screens from a projector to a phone."""
_MEDIA = {
    ".js": "text/javascript",
    ".css": "text/css",
    ".html": "text/html; charset=utf-8",
    ".pdf": "application/pdf",
    ".svg": "image/svg+xml",
    ".mp3": "audio/mpeg",
}
_REPLACED = (
    "A part of the desk was ended by the system and has been started again; what it was making is made anew. "
    "Nothing that was saved is lost."
)
_PUT_AWAY = "Another score lies on the desk now; what was being made for the one before it is not needed."
_QUIET = 15.0
"""Seconds after which a window that hears nothing is told that the desk is still there."""


@dataclass
class Export:
    """An export under way."""

    made: Future[Any]
    done: asyncio.Task[None]


class Desk:
    """What the app serves: at most one open lesson, the recent ones, the place where new ones go."""

    def __init__(
        self,
        library: Path,
        recent: Recent,
        folder: LessonFolder | None = None,
        repertoire: Path | None = None,
        language: Language | None = None,
    ) -> None:
        self.library = library
        self.language = language
        self.repertoire = repertoire
        self.recent = recent
        self.wanted = folder
        self.lesson: OpenLesson | None = None
        self.opening: asyncio.Task[OpenLesson] | None = None
        self.ticket = secrets.token_urlsafe(24)
        self.export: Export | None = None
        self.indexing: elsewhere.Indexing | None = None
        self._pools: list[work.Workers] = []
        self._exporters: work.Workers | None = None
        self._learners: work.Workers | None = None
        self.learning: asyncio.Task[None] | None = None
        self.reopening: asyncio.Task[None] | None = None
        self.pages_read: bringing_in.PagesRead | None = None
        self.pictures: dict[tuple[str, Frame], bytes] = {}
        """Bars as their pages have them, by the digest of the file and where they stand."""
        self.learns = False
        self.patience = habits_panel.PATIENCE

    def speaks(self) -> Language:
        """Return the language of the desk: the one it was started in, or that of the lesson on it."""
        folder = self.lesson.folder if self.lesson is not None else self.wanted
        language = self.language
        if language is None:
            language = asked_of(folder.path / SETTINGS).language if folder is not None else "en"
        if self.lesson is not None:
            self.lesson.speak(language)
        return language

    async def in_its_words(self, error: UnderstaveError) -> str:
        """Return what an error says in the language of the desk, in English where that cannot be read."""
        try:
            language = await asyncio.to_thread(self.speaks)
        except UnderstaveError:
            language = "en"
        return in_words(error, language)

    def pools(self) -> tuple[work.Workers, work.Workers]:
        """Return the process that reads and those that engrave and list; use from one event loop."""
        if not self._pools:
            loop = asyncio.get_running_loop()

            def replaced() -> None:
                with contextlib.suppress(RuntimeError):  # the desk has stopped meanwhile
                    loop.call_soon_threadsafe(self._say_replaced)

            self._pools = [
                work.Workers(replaced, ready=work.ready_to_read),
                work.Workers(replaced, 2, ready=work.ready_to_make),
                work.Workers(replaced, 2, work.GIVES_WAY_MOST, work.ready_to_play),
            ]
        return self._pools[0], self._pools[1]

    def players(self) -> work.Workers:
        """Return the processes that make the sound of the piece, which give way to all others."""
        self.pools()
        return self._pools[2]

    def exporters(self) -> work.Workers:
        """Return the process that makes lessons; it has helpers of its own, which end with it."""
        if self._exporters is None:
            self._exporters = work.Workers()
        return self._exporters

    def learners(self) -> work.Workers:
        """Return the process that learns habits, which gives way to all others."""
        if self._learners is None:
            self._learners = work.Workers(gives_way=work.GIVES_WAY_MOST)
        return self._learners

    def tell(self, message: dict[str, Any]) -> None:
        """Send a message to every window, where a lesson is open."""
        if self.lesson is not None:
            self.lesson.tell(message)

    def _say_replaced(self) -> None:
        self.tell({"type": "trouble", "error": _REPLACED})

    def start(self) -> None:
        """Open the lesson that the desk was started with; start what any lesson will need."""
        for pool in (*self.pools(), self.players()):
            pool.start()
        if self.wanted is not None and self.opening is None and self.lesson is None:
            self.opening = asyncio.create_task(self.open(self.wanted))

    async def open(self, folder: LessonFolder, score: Score | None = None) -> OpenLesson:
        """Put a lesson on the desk in place of the one that lies there; its score may have been read."""
        folder = await asyncio.to_thread(own_habits.put_in_force, habits_panel.kept_in(self), folder)
        lesson = await open_lesson(folder, *self.pools(), self.players(), score)
        await lesson.begin()
        await self.put(lesson)
        await lesson.catch_up()
        if self.learning is None:
            self.learning = asyncio.create_task(habits_panel.learn(self))
        return lesson

    async def put(self, lesson: OpenLesson) -> None:
        """Put an opened lesson on the desk."""
        before, self.lesson = self.lesson, lesson
        self.ticket = secrets.token_urlsafe(24)
        self.recent.add(lesson.folder.path, lesson.score.title)
        if before is not None:
            lesson.listeners |= before.listeners
            before.listeners.clear()
            before.give_up()
            lesson.tell({"type": "opened"})
            if self.reopening is not None and before.folder.path != lesson.folder.path:
                self.reopening.cancel()  # it would put the lesson before in the place of this one

    async def current(self) -> OpenLesson:
        """Return the open lesson, once it has been read."""
        if self.lesson is None and self.opening is not None:
            await asyncio.shield(self.opening)
        if self.lesson is None:
            raise NoLessonError("No lesson lies on the desk; drop a score here or choose a recent lesson.")
        return self.lesson

    async def close(self) -> None:
        """Stop everything."""
        self.stop_export()
        if self.indexing is not None:
            self.indexing.stop.set()
        for task in filter(None, [self.opening, self.learning, self.reopening]):
            task.cancel()
        self._give_up()

    def dismiss(self) -> None:
        """End the lines to all windows, and answer those that wait for something still being made."""
        if self.lesson is not None:
            self.lesson.tell({"type": "bye"})
        self._give_up()

    def _give_up(self) -> None:
        if self.lesson is not None:
            self.lesson.give_up()
        for pool in (*self._pools, *filter(None, [self._exporters, self._learners])):
            pool.shutdown(wait=False)

    def stop_export(self) -> bool:
        """End an export; what it had not finished leaves nothing behind."""
        if self.export is None or self._exporters is None:
            return False
        return self._exporters.stop(self.export.made)


_PANELS = (
    *bringing_in.ROUTES,
    *elsewhere.ROUTES,
    *habits_panel.ROUTES,
    *carried_panel.ROUTES,
    *conventions_panel.ROUTES,
    *hearing.ROUTES,
    *keys_panel.ROUTES,
    *pages_panel.ROUTES,
    *results_panel.ROUTES,
    *takes_panel.ROUTES,
    *voice_panel.ROUTES,
)


class NoLessonError(DeskError):
    """Nothing is open."""


def make_app(desk: Desk, token: str, port: int) -> Guard:
    """Return the app, guarded for a token and a port."""

    @asynccontextmanager
    async def life(_: Starlette) -> AsyncIterator[None]:
        desk.start()
        yield
        await desk.close()

    def api(path: str, does: Callable[[Desk, Request], Awaitable[Any]], method: str = "POST") -> Route:
        async def answer(request: Request) -> Response:
            try:
                with desk.lesson.writing() if desk.lesson else following(STANDARD):
                    value = await does(desk, request)
                return value if isinstance(value, Response) else JSONResponse(value)
            except StaleError as error:
                return JSONResponse({"error": str(error), "stale": True}, 409)
            except NoLessonError as error:
                return JSONResponse({"error": str(error), "empty": True}, 404)
            except SenselessError:
                return JSONResponse({"error": "The page sent something that makes no sense here."}, 400)
            except TooLargeError:
                raise
            except UnderstaveError as error:
                return JSONResponse({"error": await desk.in_its_words(error)}, 422)
            except asyncio.CancelledError:
                task = asyncio.current_task()
                if task is None or task.cancelling():
                    raise  # the window has gone, or the desk stops
                return JSONResponse({"error": _PUT_AWAY, "gone": True}, 409)
            except Exception as error:
                log = await asyncio.to_thread(keep_fault, error, f"answering {method} {path} at the desk")
                return JSONResponse({"error": fault_sentence(error, log)}, 500)

        return Route(path, answer, methods=[method])

    routes = [
        Route("/", _page(desk)),
        Route("/{room:str}/{name:str}", _file),
        Route("/shown/{ticket:str}/{name:path}", _shown(desk)),
        api("/api/lesson", _lesson, "GET"),
        api("/api/sheet/{width:int}", _sheet, "GET"),
        api("/api/why", _why, "GET"),
        api("/api/spelled", _spelled, "GET"),
        api("/api/sound", _sound, "GET"),
        api("/api/recent", _recent, "GET"),
        api("/api/follow", _follow, "GET"),
        api("/api/edit", _edit),
        api("/api/compare", _compare),
        api("/api/open", _open),
        api("/api/stops", _stops, "GET"),
        api("/api/contrast", _contrast, "GET"),
        api("/api/stops/edit", _stops_edit),
        api("/api/export", _export),
        api("/api/export/stop", _stop),
        *(api(path, does, method) for path, does, method in _PANELS),
    ]
    # The guard's own paths come first: a file of the page never hides one.
    routes.sort(key=lambda r: r.path == "/{room:str}/{name:str}")
    return Guard(
        Starlette(routes=routes, lifespan=life, exception_handlers={TooLargeError: _too_large}), token, port
    )


async def _too_large(request: Request, error: Exception) -> Response:
    return JSONResponse({"error": str(error)}, 413)


# --- the page's own files ----------------------------------------------------------------------------------


def _page(desk: Desk) -> Callable[[Request], Awaitable[Response]]:
    """Serve the desk's page with its words in it."""

    async def answer(request: Request) -> Response:
        language = await asyncio.to_thread(desk.speaks)
        book = phrasebook(language)
        page = files("understave").joinpath("desk", "static", "desk.html").read_text("utf-8")
        words = {
            "{language}": html.escape(language),
            "{setting_up}": html.escape(book.desk["setting_up"]),
            "{needs_script}": html.escape(book.desk["needs_script"]),
            "{words}": page_words(book, "desk", "page", "lanes"),
        }
        return Response(
            re.sub("|".join(words), lambda m: words[m[0]], page), media_type="text/html; charset=utf-8"
        )

    return answer


async def _file(request: Request) -> Response:
    room, name = request.path_params["room"], request.path_params["name"]
    place = {"desk": ("desk", "static"), "viewer": ("viewer",)}.get(room)
    if place is None or not re.fullmatch(r"[a-z][a-z-]*\.(js|css)", name):
        return JSONResponse({"error": "There is no such page."}, 404)
    return _own(*place, name)


def _own(*place: str) -> Response:
    file = files("understave").joinpath(*place)
    if not file.is_file():
        return JSONResponse({"error": "There is no such page."}, 404)
    return Response(file.read_bytes(), media_type=_MEDIA["." + place[-1].rsplit(".", 1)[1]])


def _shown(desk: Desk) -> Callable[[Request], Awaitable[Response]]:
    """Serve what was exported, to whoever knows the ticket."""

    async def answer(request: Request) -> Response:
        missing = JSONResponse({"error": "There is no such file."}, 404)
        ticket, name = request.path_params["ticket"], request.path_params["name"]
        if desk.lesson is None or not secrets.compare_digest(ticket.encode(), desk.ticket.encode()):
            return missing
        file = inside(desk.lesson.folder.exports, name)
        if file is None:
            return missing
        return FileResponse(file, media_type=_MEDIA.get(file.suffix, "application/octet-stream"))

    return answer


def inside(folder: Path, name: str) -> Path | None:
    """Return the file of that name in a folder, links followed, or None where it is not inside."""
    if "\0" in name or "\\" in name or not name or name.startswith("/"):
        return None
    try:
        home, file = folder.resolve(strict=True), (folder / name).resolve(strict=True)
    except (OSError, RuntimeError):
        return None
    return file if file.is_relative_to(home) and file.is_file() else None


# --- the lesson --------------------------------------------------------------------------------------------


async def _lesson(desk: Desk, request: Request) -> Any:
    lesson = await desk.current()
    language = await asyncio.to_thread(desk.speaks)
    book = phrasebook(language)
    whole = lesson.whole()
    printed = await asyncio.to_thread(pages_panel.is_printed, lesson.folder)
    if printed:
        whole["warnings"] = pages_panel.not_in_panel(whole["warnings"])
    whole["warnings"] = [in_words(warning, language) for warning in whole["warnings"]]
    return {
        **whole,
        "folder": lesson.folder.path.name,
        "ticket": desk.ticket,
        "printed": printed,
        "exports": _exports(lesson),
        "speaks": language,
        "entry": usual_entry(),
        "keys": key_names(language),
        "instruments": [
            (name, " ".join(filter(None, [book.pianos.get(name, name), licence_of(piano)])))
            for name, piano in instruments().items()
        ],
        "pedals": [(name, book.phrases[f"pedal_way_{name.replace(' ', '_')}"]) for name in STYLES],
        "widths": list(WIDTHS),
    }


def _exports(lesson: OpenLesson) -> list[str]:
    folder = lesson.folder.exports
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())


async def _sheet(desk: Desk, request: Request) -> Any:
    width = float(request.path_params["width"])
    if width not in WIDTHS:
        raise DeskError("The score is not engraved for that width.")
    lesson = await desk.current()
    drawn = await lesson.sheet(width)
    return {"width": width, "pages": drawn, "version": lesson.version}


async def _why(desk: Desk, request: Request) -> Any:
    with sense():
        start = read_exact(request.query_params["start"])
    return (await desk.current()).why(start)


async def _sound(desk: Desk, request: Request) -> Any:
    with sense():
        instrument, style = request.query_params["instrument"], request.query_params["pedal"]
    if instrument not in instruments() or style not in STYLES:
        raise DeskError("There is no such instrument or way to pedal.")
    await asyncio.to_thread(check_samples, instruments()[instrument])
    lesson = await desk.current()
    played = await lesson.sound(instrument, style, whole=request.query_params.get("part") != "opening")
    times = {
        "length": round(played.length, 3),
        "partial": not played.whole,
        "notes": [(i, round(a, 3), round(b, 3)) for i, a, b in played.notes],
        "bars": [
            (round(played.time.at(measure.start), 3), round(played.time.at(measure.end), 3))
            for measure in lesson.score.measures
        ],
    }
    # One answer: the times as a line of JSON, then the sound.
    head = json.dumps(times, separators=(",", ":")).encode() + b"\n"
    return Response(head + played.data, media_type="application/octet-stream")


async def _follow(desk: Desk, request: Request) -> Any:
    lesson = await desk.current()
    queue: asyncio.Queue[dict[str, Any]] = asyncio.Queue()
    lesson.listeners.add(queue)

    async def stream() -> AsyncIterator[bytes]:
        try:
            yield _event({"type": "hello", **lesson.state()})
            while True:
                try:
                    message = await asyncio.wait_for(queue.get(), _QUIET)
                except TimeoutError:
                    yield b": still here\n\n"
                    continue
                yield _event(message)
                if message["type"] == "bye":
                    return
        finally:
            for one in (lesson, desk.lesson):
                if one is not None:
                    one.listeners.discard(queue)

    return StreamingResponse(stream(), media_type="text/event-stream")


def _event(message: dict[str, Any]) -> bytes:
    return b"data: " + json.dumps(message, ensure_ascii=False).encode() + b"\n\n"


async def _edit(desk: Desk, request: Request) -> Any:
    lesson = await desk.current()
    asked = await message(request)
    with sense():
        last, what = int(asked["last"]), str(asked["what"])
        gesture = _gesture(what, asked) if what not in ("undo", "redo") else None
    if gesture is not None:
        return await lesson.edit(last, gesture)
    return await (lesson.undo(last) if what == "undo" else lesson.redo(last))


def _gesture(what: str, asked: dict[str, Any]) -> Gesture:
    """Return the gesture that the page means; raise KeyError or ValueError where there is none such."""
    known: dict[str, tuple[Callable[..., Any], tuple[tuple[str, Callable[[Any], Any]], ...]]] = {
        "label": (gestures.label, (("text", _text), ("entry", _entry))),
        "take": (gestures.take, (("index", int),)),
        "split": (gestures.split, (("at", _moment),)),
        "join": (gestures.join, ()),
        "move": (gestures.move, (("to", _moment),)),
        "name": (gestures.name, (("text", _text),)),
        "confirm keys": (gestures.confirm_keys, (("starts", _moments),)),
        "rename key": (gestures.rename_key, (("text", _text), ("entry", _entry))),
        "join key": (gestures.join_key, ()),
        "carry": (gestures.carry, (("to", _moments),)),
        "key": (gestures.set_key, (("end", _perhaps), ("text", _text), ("entry", _entry))),
        "move key": (gestures.move_key, (("to", _moment),)),
    }
    does, given = known[what]
    # Taken apart here, while a fault is still the page's.
    start = _moment(asked["start"])
    values = [read(asked.get(name) if read in (_perhaps, _entry) else asked[name]) for name, read in given]
    return lambda score, spans: does(score, spans, start, *values)


def _moment(value: object) -> Fraction:
    return read_exact(str(value))


def _moments(value: object) -> list[Fraction]:
    if not isinstance(value, list):
        raise TypeError("moments")
    return [_moment(one) for one in value]


def _perhaps(value: object) -> Fraction | None:
    return _moment(value) if value else None


def _entry(value: object) -> Entry:
    named = usual_entry() if value is None else value
    if named not in ENTRIES:
        raise DeskError("There is no such way to name chords.")
    return named


async def _spelled(desk: Desk, request: Request) -> Any:
    """Say as notes what a text typed for a chord or a key means; nothing is kept."""
    lesson, asked = await desk.current(), request.query_params
    with sense():
        start, what, text = _moment(asked["start"]), asked["what"], _text(asked["text"])
        entry = _entry(asked.get("entry"))
    return lesson.spelled(start, what, text, entry)


def _text(value: object) -> str:
    text = str(value)
    if len(text) > 60:
        raise DeskError("That is too long for a chord or a key.")
    return text


async def _compare(desk: Desk, request: Request) -> Any:
    lesson = await desk.current()
    asked = await message(request)
    with sense():
        text, back = asked.get("text"), int(asked.get("back", 0))
        if text is not None and not isinstance(text, str):
            raise TypeError("text")
    return await lesson.compare(str(asked.get("name", ""))[:120], text, back)


# --- other lessons -----------------------------------------------------------------------------------------


async def _recent(desk: Desk, request: Request) -> Any:
    return [{"title": lesson.title, "place": lesson.path.name} for lesson in desk.recent.lessons()]


async def _open(desk: Desk, request: Request) -> Any:
    lessons = desk.recent.lessons()
    asked = await message(request)
    with sense():
        number = int(asked["number"])
    if not 0 <= number < len(lessons):
        raise DeskError("That lesson is no longer in the list.")
    await desk.open(open_folder(lessons[number].path))
    return {}


# --- export ------------------------------------------------------------------------------------------------


async def _export(desk: Desk, request: Request) -> Any:
    lesson = await desk.current()
    asked = await message(request)
    if desk.export is not None and not desk.export.made.done():
        raise DeskError("An export is under way; wait for it or stop it.")
    choices = _choices(asked)
    loop = asyncio.get_running_loop()

    def told(message: tuple[str, Any]) -> None:
        kind, what = message
        with contextlib.suppress(RuntimeError):  # the desk has stopped meanwhile
            loop.call_soon_threadsafe(lesson.tell, {"type": "export", kind: what})

    made = desk.exporters().ask(partial(work.export, lesson.folder.path, choices), on_told=told)

    async def listen() -> None:
        try:
            changes = await asyncio.wrap_future(made)
        except (LostError, asyncio.CancelledError):
            lesson.tell({"type": "export", "stopped": True})
        except UnderstaveError as error:
            lesson.tell({"type": "export", "error": await desk.in_its_words(error)})
        except Exception as error:
            log = await asyncio.to_thread(keep_fault, error, "making a lesson at the desk")
            lesson.tell(
                {"type": "export", "error": f"The lesson could not be made. {fault_sentence(error, log)}"}
            )
        else:
            files_now = {"exports": _exports(lesson), "ticket": desk.ticket}
            lesson.tell({"type": "export", "done": changes, **files_now})

    desk.export = Export(made, asyncio.create_task(listen()))
    return {"started": True}


async def _stop(desk: Desk, request: Request) -> Any:
    return {"stopped": desk.stop_export()}


def _choices(asked: dict[str, Any]) -> dict[str, Any]:
    """Return what the teacher chose of a lesson's paper, level, language and minutes."""
    allowed = {
        "paper": PAPERS,
        "level": ("beginner", "intermediate", "advanced"),
        "language": SPOKEN,
    }
    with sense():
        found: dict[str, Any] = {k: _one_of(asked[k], v) for k, v in allowed.items() if k in asked}
        minutes = float(asked["minutes"]) if "minutes" in asked else None
    if minutes is not None:
        if not MINUTES[0] <= minutes <= MINUTES[1]:
            raise DeskError(f"A lesson lasts {MINUTES[0]:g} to {MINUTES[1]:g} minutes; choose such a length.")
        found["minutes"] = minutes
    return found


async def _stops(desk: Desk, request: Request) -> Any:
    return _in_words(desk, await (await desk.current()).stops())


async def _stops_edit(desk: Desk, request: Request) -> Any:
    lesson = await desk.current()
    asked = await message(request)
    if asked.get("what") == "ask":
        return _in_words(desk, await lesson.ask_for(_choices(asked)))
    return _in_words(desk, await lesson.edit_stops(understood(asked)))


def _in_words(desk: Desk, stops: dict[str, Any]) -> dict[str, Any]:
    """Add the languages that a lesson can have, and the one that the desk speaks now."""
    languages = [(code, phrasebook(code).desk["language_name"]) for code in SPOKEN]
    return {**stops, "languages": languages, "speaks": desk.speaks()}


async def _contrast(desk: Desk, request: Request) -> Any:
    with sense():
        name = request.query_params["name"]
    return await (await desk.current()).contrast(name)


def _one_of(value: object, allowed: tuple[str, ...]) -> str:
    if value not in allowed:
        raise ValueError(value)
    return str(value)
