"""The command ``take``: what somebody played, tied to the score, kept in the lesson, told and drawn."""

from __future__ import annotations

import argparse
import json
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.console import Console

from understave.cli.arguments import WHICH_BARS, add_language
from understave.cli.sources import bars_named, read_source
from understave.errors import UnderstaveError

if TYPE_CHECKING:
    from understave.harmony.reading import Reading
    from understave.score.model import Score
    from understave.takes import Take


def add_commands(commands: argparse._SubParsersAction[Any]) -> None:
    """Add ``take`` to the commands."""
    take = commands.add_parser(
        "take", help="tie what you played (MIDI, sound or film) to the score, and see it beside the plan"
    )
    take.add_argument("score", type=Path, help="a score file or a lesson folder; a lesson keeps the take")
    take.add_argument(
        "file",
        type=Path,
        nargs="?",
        help="the recording: .mid, .wav, .flac, .mp3, .m4a, .mp4 or .mov (without it: list the takes)",
    )
    take.add_argument("--bars", help=f"where it lies, if the notes alone do not tell: {WHICH_BARS}")
    take.add_argument("--show", metavar="TAKE", help="tell a take that the lesson keeps")
    take.add_argument("--drop", metavar="TAKE", help="take one out of the lesson; the recording is put aside")
    take.add_argument("--json", action="store_true", help="print the tie as JSON")
    take.add_argument(
        "--picture",
        type=Path,
        metavar="FILE",
        help="draw the take beside the plan, as .svg; as .pdf with the words and the slips in the score",
    )
    take.add_argument(
        "--half",
        type=float,
        default=0.5,
        metavar="DEPTH",
        help="how far down (0 to 1) your pedal is where the dampers half lie, as your keyboard sends it",
    )
    add_language(take)
    take.set_defaults(run=_take)


def take_named(source: Path, score: Score, name: str) -> Take:
    """Return a take that a lesson keeps, or one tied from a file."""
    from understave.lesson.folder import is_lesson_folder
    from understave.takes import read_take, tie
    from understave.takes.kept import kept_take, take_names

    if is_lesson_folder(source) and name in take_names(source):
        return kept_take(source, score, name)
    if Path(name).is_file():
        return tie(score, read_take(Path(name)))
    if is_lesson_folder(source):
        return kept_take(source, score, name)
    raise UnderstaveError(f"There is no file {name}; name a recording of these bars.")


def _take(arguments: argparse.Namespace, console: Console) -> int:
    from understave.lesson.folder import is_lesson_folder
    from understave.takes import read_take, tie
    from understave.takes.kept import add_take, drop_take, kept_take
    from understave.wording.phrasebook import phrasebook

    if arguments.picture and arguments.picture.suffix.lower() not in (".svg", ".pdf"):
        raise UnderstaveError(
            f"{arguments.picture.name} must end in .svg or .pdf; say with --picture where it goes."
        )
    if not 0 < arguments.half < 1:
        raise UnderstaveError(f"--half {arguments.half:g} is no depth between 0 and 1; 0.5 is usual.")
    said = phrasebook(arguments.language).phrases
    kept = is_lesson_folder(arguments.score)
    if not kept and (arguments.show or arguments.drop or not arguments.file):
        raise UnderstaveError(
            f"{arguments.score} is not a lesson folder; "
            "name a recording after the score, or a lesson to keep takes in."
        )
    if arguments.drop:
        place = drop_take(arguments.score, arguments.drop)
        console.print(said["take_dropped"].format(place=place), highlight=False)
        return 0
    if not arguments.file and not arguments.show:
        _list(arguments, console)
        return 0
    with console.status("reading"):
        score, reading = read_source(arguments.score)
        first, last = (
            (measure.index for measure in bars_named(score, arguments.bars))
            if arguments.bars
            else (None, None)
        )
        if arguments.show:
            take = kept_take(arguments.score, score, arguments.show)
        elif kept:
            name, take = add_take(arguments.score, score, arguments.file, first, last)
            if not arguments.json:
                console.print(said["take_kept"].format(name=name), highlight=False)
        else:
            take = tie(score, read_take(arguments.file), first, last)
    return _tell(arguments, console, score, reading, take)


def _list(arguments: argparse.Namespace, console: Console) -> None:
    """Print the takes of a lesson, the oldest first: over time, what is as written, and how quick."""
    from rich.table import Table

    from understave.errors import TakeError
    from understave.lesson.folder import open_folder, titled
    from understave.lesson.page_corrections import lesson_score
    from understave.takes.kept import added_at, kept_take, take_names
    from understave.takes.views import summary
    from understave.wording.phrasebook import phrasebook

    book = phrasebook(arguments.language)
    folder = open_folder(arguments.score)
    score = titled(lesson_score(folder), folder.imported_from)
    table = Table()
    for heading in ("name", "added", "bars", "written", "tempo", "waits"):
        table.add_column(book.phrases[f"take_column_{heading}"])
    rows = []
    for name in take_names(arguments.score):
        row: dict[str, Any] = {"name": name, "added": added_at(arguments.score, name)}
        try:
            take = kept_take(arguments.score, score, name)
        except TakeError as error:
            rows.append({**row, "error": str(error)})
            table.add_row(name, _here(row["added"]), str(error))
            continue
        found = summary(score, take)
        bars = ", ".join(
            book.bars(*(score.bar_name(score.measures[k]) for k in (run.first, run.last)))
            for run in take.runs
        )
        right = "" if found.written is None else f"{found.right} / {found.written}"
        table.add_row(
            name,
            _here(row["added"]),
            bars,
            right,
            "" if found.tempo is None else f"{found.tempo:.0f}",
            str(found.waits),
        )
        runs = [[run.first, run.last] for run in take.runs]
        rows.append(
            {
                **row,
                "right": found.right,
                "written": found.written,
                "tempo": found.tempo,
                "waits": found.waits,
                "runs": runs,
            }
        )
    if arguments.json:
        print(json.dumps(rows, ensure_ascii=False))
    elif rows:
        console.print(table)
    else:
        console.print(book.phrases["take_none"], highlight=False)


def _here(added: str) -> str:
    """Return a moment, given as UTC, on the clock of this computer."""
    return f"{datetime.fromisoformat(added).astimezone():%Y-%m-%d %H:%M}" if added else ""


def _tell(arguments: argparse.Namespace, console: Console, score: Score, reading: Reading, take: Take) -> int:
    from understave.disk import write_atomically
    from understave.interpretation.planning import make_plan
    from understave.interpretation.written_about import writing_about
    from understave.takes.kept import tie_data
    from understave.takes.paper import take_pdf
    from understave.takes.picture import draw_take
    from understave.takes.told import Beside, tell_take
    from understave.takes.views import (
        hesitations,
        longest_run,
        loudness,
        melody_over_rest,
        pedal_blur,
        printed_alone,
        tempo_curve,
    )

    plan = make_plan(score, reading)
    beside = Beside(plan, reading, arguments.half)
    if arguments.picture:
        if arguments.picture.suffix.lower() == ".pdf":
            with writing_about(reading):
                drawn: bytes | str = take_pdf(score, take, beside, arguments.language)
        else:
            drawn = draw_take(score, (take,), beside, arguments.language)
        write_atomically(arguments.picture, drawn)
    if arguments.json:
        data = tie_data(score, take)
        data["told"] = list(tell_take(score, take, arguments.language, beside))
        data["melody_over_rest"] = melody_over_rest(score, take)
        data["loudness"] = {"planned": loudness(score, plan, take)}
        if (printed := printed_alone(score)) is not None:
            data["loudness"]["printed"] = loudness(score, printed, take)
        longest = longest_run(take)
        blur = pedal_blur(score, plan, reading, take, longest, half=arguments.half)
        data["blur"] = None if blur is None else {"own": blur.own, "planned": blur.planned, "run": longest}
        data["tempo"] = [tempo_curve(score, run) for run in take.runs]
        data["hesitations"] = [
            [[hesitation.moment, hesitation.times] for hesitation in hesitations(score, run)]
            for run in take.runs
        ]
        print(json.dumps(data, ensure_ascii=False))
        return 0
    *lines, caution = tell_take(score, take, arguments.language, beside)
    for line in lines:
        console.print(line, highlight=False)
    console.print(caution, style="dim", highlight=False)
    return 0
