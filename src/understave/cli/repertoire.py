"""The commands about many scores, ``index`` and ``find``: one call into `repertoire`, a table out."""

from __future__ import annotations

import argparse
import sys
from contextlib import ExitStack
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table
from rich.text import Text

from understave.cli.arguments import add_language
from understave.cli.outputs import STANDARD, Teller, add_json, deliver
from understave.errors import UnderstaveError

if TYPE_CHECKING:
    from understave.repertoire import Answer
    from understave.repertoire import Progress as Reached
    from understave.repertoire.counts import Count
    from understave.theory.vocabulary import Language

_LEAST_MEMORY = 300
"""Megabytes of a process that has loaded the networks and reads a small score."""
_MOST_FAILURES = 20
_SHOWN_EVERY = 100
"""Pieces between two lines of progress where there is no terminal."""


def add_commands(commands: argparse._SubParsersAction[Any]) -> None:
    """Add ``index`` and ``find`` to the commands."""
    index = commands.add_parser("index", help="read every score below a folder, so that places can be found")
    index.add_argument("folder", type=Path, help="the folder your scores lie in")
    index.add_argument("--out", type=Path, help="where the index lies (default: in the folder itself)")
    index.add_argument("--processes", type=int, default=0, help="processes to use (default: one a core)")
    index.add_argument("--cluster", metavar="ADDRESS", help="read on a Dask cluster: its scheduler's address")
    index.add_argument(
        "--memory", type=int, default=500, metavar="MB", help="most memory of a process (default: 500)"
    )
    index.add_argument("--again", action="store_true", help="try files again that could not be read before")
    index.set_defaults(run=_index)

    find = commands.add_parser(
        "find", help="find a device, a progression or a bass line in the scores of an index"
    )
    find.add_argument("index", type=Path, help="the indexed folder, or the index itself")
    find.add_argument("device", nargs="?", default="", help='such as "Neapolitan sixth in minor"')
    find.add_argument(
        "--chords", default="", help='a progression in any key, such as "ii ? V I" or "IV|ii * I"'
    )
    find.add_argument("--inversions", action="store_true", help="figures count: I6 is not I")
    find.add_argument("--bass", default="", help='degrees of a bass line, such as "1 b7 b6 5"')
    find.add_argument("--texture", default="", help='such as "broken chords"')
    find.add_argument("--key-plan", default="", help='keys seen from home, such as "I V * I"')
    find.add_argument("--key", default="", help="key of the place, such as Ab or f (lower case for minor)")
    find.add_argument(
        "--mode",
        default="",
        help="major or minor (without it, numerals in capitals only ask for both modes)",
    )
    find.add_argument("--pace", type=_range, help="chords a bar the piece usually has, such as 1-2")
    find.add_argument("--period", default="", help="renaissance, baroque, classical, romantic or modern")
    find.add_argument("--composer", default="", help="part of the composer's name")
    find.add_argument("--difficulty", type=_range, help="from 0 to 10, such as 0-4")
    find.add_argument(
        "--at-most",
        action="append",
        default=[],
        type=_component,
        metavar="SIDE=VALUE",
        help='one side of the difficulty, such as "hand span=4" (may be given several times)',
    )
    find.add_argument("--limit", type=int, default=20, help="places shown at most")
    find.add_argument("--each", type=int, default=2, help="places of one piece at most")
    find.add_argument("--excerpts", type=Path, metavar="FOLDER", help="engrave the places into this folder")
    find.add_argument(
        "--sounds", type=Path, metavar="FOLDER", help="play the places into this folder, as MP3"
    )
    find.add_argument(
        "--around", type=int, default=0, metavar="BARS", help="bars to show and play on both sides of a place"
    )
    find.add_argument(
        "--count",
        choices=("devices", "keys", "next", "textures"),
        help="count instead: devices, keys of the device, what follows --chords, textures",
    )
    find.add_argument("--plot", type=Path, help="draw the counts as a picture ending in .svg")
    add_language(find)
    add_json(find, "places")
    find.set_defaults(run=_find)


def _range(text: str) -> tuple[float, float]:
    low, _, high = text.partition("-")
    try:
        first, last = float(low), float(high or low)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no range; write for example 2-4") from None
    return min(first, last), max(first, last)


def _component(text: str) -> tuple[str, float]:
    name, _, value = text.partition("=")
    try:
        return name.strip(), float(value)
    except ValueError:
        raise argparse.ArgumentTypeError(f'{text!r} is no limit; write for example "leaps=3"') from None


def _index(arguments: argparse.Namespace, console: Console) -> int:
    from understave.findings.catalogue import guest_kinds
    from understave.repertoire import index_folder

    if arguments.processes < 0:
        raise UnderstaveError(
            "The number of processes cannot be negative; leave --processes out for one a core."
        )
    if not arguments.folder.is_dir():
        raise UnderstaveError(f"There is no folder {arguments.folder}; give the one your scores lie in.")
    if arguments.memory < _LEAST_MEMORY:
        raise UnderstaveError(f"Reading takes {_LEAST_MEMORY} MB at least; give --memory that much or more.")
    guest_kinds()  # what other packages add wrongly is said here: the processes that read have no voice
    with ExitStack() as stack:
        read = None
        if arguments.cluster:
            from understave.repertoire.cluster import cluster_at

            read = stack.enter_context(cluster_at(arguments.cluster, 1_000_000 * arguments.memory))
        shown = stack.enter_context(_Shown(console))
        try:
            done = index_folder(
                arguments.folder,
                arguments.out,
                arguments.processes,
                shown.show,
                read,
                1_000_000 * arguments.memory,
                arguments.again,
            )
        except KeyboardInterrupt:
            print(
                "understave: stopped; what was read is kept, the same command goes on from there.",
                file=sys.stderr,
            )
            return 130
    console.print(
        f"{done.files} files: {done.read} pieces read in {timedelta(seconds=round(done.seconds))}, "
        f"{done.known} known before, {len(done.failures)} files that cannot be read.",
        highlight=False,
    )
    for path, why in done.failures[:_MOST_FAILURES]:
        # The sentence begins with the name of the file, which stands here with its folder.
        name, said = Path(path).name, why[why.find(Path(path).name) :]
        line = f"{path}{said.removeprefix(name)}" if said.startswith(name + " ") else f"{path}: {why}"
        console.print(f"  {line}", highlight=False, markup=False)
    if len(done.failures) > _MOST_FAILURES:
        console.print(f"  and {len(done.failures) - _MOST_FAILURES} more.")
    for closed in done.closed:
        console.print(
            f"  {closed}: this folder cannot be opened; what lies in it is left out.",
            highlight=False,
            markup=False,
        )
    console.print(f"The index lies in {done.index}.", highlight=False, markup=False)
    return 0


class _Shown:
    """Progress with the time left: a bar in a terminal, now and then a line elsewhere; a context manager."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._bar = Progress(
            TextColumn("reading"), BarColumn(), MofNCompleteColumn(), TextColumn("{task.description}"),
            console=console, transient=True,
        )  # fmt: skip
        self._task = self._bar.add_task("", total=None)

    def __enter__(self) -> _Shown:
        if self._console.is_terminal:
            self._bar.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._console.is_terminal:
            self._bar.stop()

    def show(self, now: Reached) -> None:
        """Show how far the run is."""
        left = f"{timedelta(seconds=round(now.seconds_left))} left"
        if now.failed:
            left += f", {now.failed} cannot be read"
        if self._console.is_terminal:
            self._bar.update(self._task, completed=now.done, total=now.total, description=left)
        elif now.done % _SHOWN_EVERY == 0 or now.done == now.total:
            self._console.print(f"  {now.done} of {now.total}, {left}", highlight=False)


def _find(arguments: argparse.Namespace, console: Console) -> int:
    from understave.repertoire import Question, ask, connect
    from understave.repertoire.indexing import FOLDER_NAME
    from understave.repertoire.places_data import places_json

    inside = arguments.index / FOLDER_NAME
    index = inside if inside.is_dir() else arguments.index
    if arguments.limit < 1 or arguments.each < 1 or arguments.around < 0:
        raise UnderstaveError("--limit and --each must be 1 or more, --around 0 or more.")
    _refuse_wrong_options(arguments)
    with connect(index) as db:
        if arguments.count:
            return _count(db, arguments, console)
        question = Question(
            arguments.device,
            arguments.chords,
            arguments.inversions,
            arguments.bass,
            arguments.texture,
            arguments.key_plan,
            arguments.key,
            arguments.mode,
            arguments.pace,
            arguments.period,
            arguments.composer,
            arguments.difficulty,
            tuple(arguments.at_most),
            arguments.limit,
            arguments.each,
        )
        answer = ask(db, question)
        if arguments.json:
            deliver(STANDARD, places_json(answer, arguments.language))
            # Standard output is the document; what else is said goes beside it.
            console = Teller(stderr=True, soft_wrap=True, markup=False, emoji=False)
        else:
            _print_places(answer, arguments.language, console)
        # An index that moved with its folder has its files beside it.
        folder = arguments.index if inside.is_dir() else Path(answer.folder)
        for out in (arguments.excerpts, arguments.sounds):
            if out:
                _make_ready(out)
        if arguments.excerpts:
            _write(db, answer, folder, arguments.excerpts, ".svg", arguments, console)
        if arguments.sounds:
            _write(db, answer, folder, arguments.sounds, ".mp3", arguments, console)
    return 0


def _refuse_wrong_options(arguments: argparse.Namespace) -> None:
    """Raise UnderstaveError for options that do not go together, before the index is opened."""
    if arguments.plot and not arguments.count:
        raise UnderstaveError("--plot draws counts; say with --count what to count.")
    if arguments.plot and arguments.plot.suffix.lower() != ".svg":
        raise UnderstaveError(f"{arguments.plot.name} must end in .svg; give --plot such a name.")
    if arguments.count == "next" and not arguments.chords:
        raise UnderstaveError("Say with --chords after which chord to look, such as --chords V7.")


def _print_places(answer: Answer, language: Language, console: Console) -> None:
    if not answer.places:
        console.print("Nothing found; leave a condition out, or try 'understave find ... --count devices'.")
        return
    from understave.repertoire.place_names import key_of, title_of

    table = Table("bars", "key", "what", "sure", "level", "piece")
    for place in answer.places:
        bars = (
            place.bar_number
            if place.bar_number == place.last_bar_number
            else f"{place.bar_number}-{place.last_bar_number}"
        )
        sure = f"{round(100 * place.confidence)} %" if place.bar_number else ""
        whose = f"{place.title}, {place.composer}" if place.composer else place.title
        piece = Text.assemble(whose, "\n", (place.path, "dim"))
        table.add_row(
            bars or "all",
            key_of(place, language),
            title_of(place, language),
            sure,
            f"{place.difficulty:.1f}",
            piece,
        )
    console.print(table)
    console.print(
        f"{answer.count} found in {answer.pieces} pieces, {len(answer.places)} shown.", highlight=False
    )


def _make_ready(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UnderstaveError(
            f"{folder} cannot be a folder for the places ({error.strerror}); give another."
        ) from error


def _write(  # noqa: PLR0913
    db: Any, answer: Answer, folder: Path, out: Path, suffix: str, asked: argparse.Namespace, console: Console
) -> None:
    """Engrave (.svg) or play (.mp3) every place into a file of a folder, and say which."""
    from understave.disk import write_atomically
    from understave.engraving import Options
    from understave.repertoire import excerpt_of, sound_of
    from understave.wording.phrasebook import phrasebook

    columns = (TextColumn("{task.description}"), BarColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, disable=not console.is_terminal, transient=True) as progress:
        task = progress.add_task("engraving" if suffix == ".svg" else "playing", total=len(answer.places))
        for number, place in enumerate(answer.places, start=1):
            path = out / f"{number:03}-{Path(place.path).stem[:60]}-bar-{place.bar_number or 1}{suffix}"

            def tell(share: float, done: int = number - 1) -> None:
                progress.update(task, completed=done + share)

            try:
                made = (
                    excerpt_of(db, place, folder, asked.around, Options(language=asked.language))
                    if suffix == ".svg"
                    else sound_of(db, place, folder, asked.around, progress=tell)
                )
                write_atomically(path, made)
            except UnderstaveError as error:
                console.print(f"Note: {error}", highlight=False, markup=False)
            else:
                console.print(f"  {path}", highlight=False, markup=False)
            tell(1)
    if suffix == ".mp3" and answer.places:
        console.print(phrasebook(asked.language).phrases["caution_loud"], highlight=False)


def _shown_counts(counts: tuple[Count, ...], arguments: argparse.Namespace) -> tuple[Count, ...]:
    """Return counts with chords and keys as the conventions in force write them; data keep the standard."""
    from understave.repertoire.place_names import chords_shown
    from understave.theory.conventions import key_label
    from understave.theory.key import Key

    if arguments.count == "next":
        mode = arguments.mode or None
        return tuple(replace(count, name=chords_shown(count.name, mode)) for count in counts)
    if arguments.count == "keys":
        return tuple(
            replace(count, name=key_label(Key.parse(count.name), arguments.language) if count.name else "")
            for count in counts
        )
    return counts


def _count(db: Any, arguments: argparse.Namespace, console: Console) -> int:
    from understave.disk import write_atomically
    from understave.repertoire import count_devices, count_keys, count_next, count_textures, plot

    if arguments.count == "devices":
        counts, title = count_devices(db), "Devices"
    elif arguments.count == "keys":
        counts = count_keys(db, arguments.device)
        title = f"Keys of {arguments.device}" if arguments.device else "Home keys"
    elif arguments.count == "next":
        counts, title = count_next(db, arguments.chords, arguments.mode), f"After {arguments.chords}"
    else:
        counts, title = count_textures(db), "Bars of each texture"
    if arguments.json:
        from understave.repertoire.places_data import counts_json

        deliver(STANDARD, counts_json(counts, title))
    counts = _shown_counts(counts, arguments)
    table = Table("what", "how often", "pieces", "share", title=title)
    for count in counts[: 3 * arguments.limit]:
        table.add_row(count.name, str(count.count), str(count.pieces), f"{count.share:.1%}")
    if not arguments.json:
        console.print(table)
    if arguments.plot:
        write_atomically(arguments.plot, plot(counts, title, arguments.limit))
        if not arguments.json:
            console.print(f"{arguments.plot}", highlight=False, markup=False)
    return 0
