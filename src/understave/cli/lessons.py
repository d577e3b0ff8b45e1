"""The commands ``lesson`` and ``open``: make a lesson folder, work on it in the browser."""

from __future__ import annotations

import argparse
import os
import webbrowser
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.console import Console

from understave.cli.arguments import add_score, add_words, between, chosen, language_named, paper_named
from understave.cli.habits import habits_for, offer_habits
from understave.cli.outputs import STANDARD
from understave.cli.sources import given_file, telling_pages
from understave.doctor import has_screen
from understave.errors import UnderstaveError

if TYPE_CHECKING:
    from understave.harmony.reading import Event
    from understave.lesson.make import Lesson


def add_commands(commands: argparse._SubParsersAction[Any]) -> None:
    """Add ``lesson`` and ``open`` to the commands."""
    lesson = commands.add_parser(
        "lesson", help="make a lesson folder from a score, or make one again with its corrections"
    )
    add_score(lesson, "a score file, - for standard input, or a lesson folder made before")
    lesson.add_argument(
        "--out", type=Path, help="where the lesson goes (default: a folder named after the score)"
    )
    lesson.add_argument(
        "--paper", type=paper_named, help="paper: A4 (default), Letter, or booklet (to fold: A5 on A4)"
    )
    lesson.add_argument(
        "--minutes", type=float, help="how long the lesson may be, such as 5, 15 (default) or 30"
    )
    lesson.add_argument(
        "--instrument",
        metavar="PIANO",
        help="what it sounds on: concert-grand (default), upright, early-piano or sampled-piano",
    )
    lesson.add_argument("--rate", type=float, help="words a minute that you speak (default: 130)")
    lesson.add_argument(
        "--analysis",
        type=Path,
        help="your own analysis as text (RomanText): where the reading differs, it wins",
    )
    lesson.add_argument(
        "--repertoire",
        type=Path,
        metavar="FOLDER",
        help="an indexed folder (see 'index'): advanced students are told where else the same stands",
    )
    lesson.add_argument(
        "--take",
        type=Path,
        action="append",
        default=[],
        metavar="FILE",
        help="your own playing (MIDI, sound or film), kept in the lesson and heard on its page",
    )
    lesson.add_argument("--chord-symbols", action="store_true", help="set chord symbols above the staves too")
    lesson.add_argument(
        "--replace-score", action="store_true", help="put a newer version of the score into the lesson"
    )
    add_words(lesson, remembered=True)
    lesson.add_argument("--no-sound", action="store_true", help="leave out all sound; much quicker")
    lesson.add_argument("--list", action="store_true", help="list every file of the lesson at the end")
    lesson.add_argument("--open", action="store_true", help="open the result where there is a screen")
    lesson.set_defaults(run=_lesson)

    desk = commands.add_parser("open", help="work on a lesson in the browser: see, hear and correct it")
    add_score(desk, "a score file or a lesson folder", needed=False)
    desk.add_argument("--port", type=int, default=0, help="port on this machine (default: any free one)")
    desk.add_argument("--no-browser", action="store_true", help="only print the address")
    desk.add_argument(
        "--repertoire", type=Path, metavar="FOLDER", help="an indexed folder to search (see 'index')"
    )
    desk.add_argument("--language", type=language_named, help="language of the desk (default: the lesson's)")
    desk.set_defaults(run=_open)


_PROCESSES = 2
"""Parts of a lesson that are made at a time at most."""


def _elsewhere(folder: Path | None) -> Callable[[Event, str], Sequence[tuple[str, str]]] | None:
    """Return what finds an event in other pieces of an index; raise UnderstaveError where there is none."""
    if folder is None:
        return None
    from understave.repertoire.asked import choices
    from understave.repertoire.comparison import pieces_with

    choices(folder)
    return partial(pieces_with, folder)


def _lesson(arguments: argparse.Namespace, console: Console) -> int:
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    from understave.lesson.folder import SETTINGS
    from understave.lesson.make import LessonOptions, asked_of, make_lesson
    from understave.teaching import story
    from understave.wording import phrasebook
    from understave.wording.remark_words import in_words

    source: Path = arguments.score
    if source == STANDARD and arguments.out is None:
        raise UnderstaveError(
            "A score from standard input has no name; say with --out where the lesson goes."
        )
    _check_lesson_options(arguments)
    out: Path = arguments.out or Path(f"{source.stem or 'score'}-lesson")
    options = LessonOptions(
        paper=arguments.paper,
        chord_symbols=arguments.chord_symbols,
        replace_score=arguments.replace_score,
        level=arguments.level,
        language=arguments.language,
        minutes=arguments.minutes,
        rate=arguments.rate,
        instrument=_piano(arguments.instrument),
        sound=not arguments.no_sound,
        analysis=arguments.analysis,
        habits=habits_for(source, out),
        elsewhere=_elsewhere(arguments.repertoire),
        takes=tuple(arguments.take),
    )
    shown = console.is_terminal
    columns = (BarColumn(), TimeElapsedColumn(), TextColumn("{task.description}", markup=False))
    with Progress(*columns, console=console, disable=not shown, transient=True) as progress:
        task = progress.add_task("starting", total=1.0)

        def on_step(text: str) -> None:
            progress.update(task, description=text)
            if not shown:
                console.print(f"  {text}", highlight=False)

        with (
            given_file(source) as path,
            telling_pages(lambda page, of: on_step(f"reading page {page} of {of}")),
        ):
            lesson = make_lesson(
                path,
                out,
                options,
                on_step,
                lambda share: progress.update(task, completed=share),
                processes=min(_PROCESSES, os.cpu_count() or 1),
            )
    language = asked_of(lesson.folder.path / SETTINGS).language
    note = phrasebook(language).desk["note"]
    for warning in lesson.score.warnings:
        console.print(note.format(warning=in_words(warning, language)), highlight=False)
    doubtful = len(story.worth_checking(lesson.score, lesson.reading))
    console.print(
        f"{lesson.score.title}: {len(lesson.reading.spans)} chords in {len(lesson.score.measures)} bars, "
        f"{doubtful} of them worth checking first; {len(lesson.stops)} stops.",
        highlight=False,
    )
    for change in lesson.changes:
        console.print(f"  {change}", highlight=False)
    if lesson.kept:
        again = ", ".join(f"{name} ({why})" for name, why in lesson.made) or "nothing"
        console.print(f"Made again: {again}. Kept as it was: {', '.join(lesson.kept)}.", highlight=False)
    if arguments.list:
        _list_files(lesson, console)
    offer_habits(lesson.folder.path, console)
    page = lesson.folder.exports / "page.html"
    console.print(f"Open {page}", highlight=False)
    if arguments.open and has_screen():
        for name in ("page.html", "teacher.pdf"):
            webbrowser.open((lesson.folder.exports / name).resolve().as_uri())
    return 0


def _piano(asked: str | None) -> str | None:
    """Return the full name of the piano asked for; raise UnderstaveError for what is none."""
    from understave.acoustics.piano import instruments

    return None if asked is None else chosen(asked, tuple(instruments()), "instrument")


def _check_lesson_options(arguments: argparse.Namespace) -> None:
    """Refuse what would be refused later, before anything is made."""
    from understave.teaching.speech import check_rate
    from understave.teaching.stops import MINUTES

    if arguments.minutes is not None:
        between(str(arguments.minutes), *MINUTES, "minutes")
    if arguments.rate is not None:
        check_rate(arguments.rate)
    if arguments.analysis is not None and not arguments.analysis.is_file():
        raise UnderstaveError(f"{arguments.analysis} cannot be read; give your analysis as text (RomanText).")


def _list_files(lesson: Lesson, console: Console) -> None:
    """Print the files of a lesson; those of folders within it by their number."""
    console.print(f"The lesson lies in {lesson.folder.path}:", highlight=False)
    for path in lesson.files:
        if path.parent == lesson.folder.exports:
            console.print(f"  {path.relative_to(lesson.folder.path)}", highlight=False)
    inner = [path for path in lesson.files if path.parent != lesson.folder.exports]
    for name in dict.fromkeys(path.parent.name for path in inner):
        count = sum(path.parent.name == name for path in inner)
        console.print(f"  exports/{name}/ ({count} files)", highlight=False)


def _open(arguments: argparse.Namespace, console: Console) -> int:
    from understave.desk.doorway import way_to
    from understave.desk.serve import Started, lesson_for, serve

    def on_start(started: Started) -> None:
        console.print(f"The desk is open at {started.address}", highlight=False)
        console.print(
            "It answers only on this machine. Stop it with Ctrl-C; nothing is lost.", highlight=False
        )
        if not arguments.no_browser and has_screen():
            # Not the address itself: everybody on this machine may read how programs were started.
            webbrowser.open(ways.enter_context(way_to(started.address)).as_uri())
            console.print("If no page appears, open that address yourself.", highlight=False)

    if not 0 <= arguments.port <= 65_535:
        raise UnderstaveError(f"There is no port {arguments.port}; choose one up to 65535 with --port.")
    if arguments.repertoire is not None:
        from understave.repertoire.asked import choices

        choices(arguments.repertoire)
    with ExitStack() as ways:
        with telling_pages():
            folder = lesson_for(arguments.score) if arguments.score is not None else None
        serve(folder, arguments.port, on_start, arguments.repertoire, ways.close, arguments.language)
    return 0
