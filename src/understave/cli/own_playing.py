"""The command ``take``: what somebody played, tied to the score, kept in the lesson, told and drawn."""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from dataclasses import asdict, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.console import Console

from understave.cli.arguments import WHICH_BARS, add_language
from understave.cli.sources import bars_named, read_source
from understave.errors import UnderstaveError

if TYPE_CHECKING:
    from rich.table import Table

    from understave.harmony.reading import Reading
    from understave.score.model import Score
    from understave.takes import Take
    from understave.takes.kept import KeptTake
    from understave.takes.told import Beside
    from understave.theory.vocabulary import Language


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
        help="draw the take beside the plan, as .svg; as .pdf with the words and the slips in the score; "
        "without a take all those of the lesson over one another, and over time",
    )
    take.add_argument(
        "--half",
        type=float,
        metavar="DEPTH",
        help="how far down (0 to 1) your pedal is where the dampers half lie, as your keyboard sends it; "
        "kept with the take, and for those to come",
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
    from understave.takes.half_pedal import checked, keep_own_half, own_file, own_half
    from understave.takes.kept import add_take, drop_take, keep_half, kept_take
    from understave.wording.phrasebook import phrasebook

    if arguments.picture and arguments.picture.suffix.lower() not in (".svg", ".pdf"):
        raise UnderstaveError(
            f"{arguments.picture.name} must end in .svg or .pdf; say with --picture where it goes."
        )
    half = own_half(own_file()) if arguments.half is None else checked(arguments.half)
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
        if arguments.half is not None:
            keep_own_half(own_file(), half)
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
            shown = (arguments.score, score, arguments.show)
            take = kept_take(*shown) if arguments.half is None else keep_half(*shown, half)
        elif kept:
            name, take = add_take(arguments.score, score, arguments.file, (first, last), half)
            if not arguments.json:
                console.print(said["take_kept"].format(name=name), highlight=False)
        else:
            take = tie(score, replace(read_take(arguments.file), half=half), first, last)
    if arguments.half is not None:
        keep_own_half(own_file(), half)
    return _tell(arguments, console, score, reading, take)


def _list(arguments: argparse.Namespace, console: Console) -> None:
    """Print the takes of a lesson, the oldest first: over time, what is as written, and how quick; draw
    them all where a picture is asked for.
    """
    from understave.lesson.folder import open_folder, titled
    from understave.lesson.page_corrections import lesson_score
    from understave.takes.kept import added_at, kept_takes
    from understave.takes.over_time import tell_over_time
    from understave.wording.phrasebook import phrasebook

    folder = open_folder(arguments.score)
    score = titled(lesson_score(folder), folder.imported_from)
    found, lost = kept_takes(arguments.score, score)
    unfit = {name: str(error) for name, error in lost}
    if arguments.json:
        rows = _rows(score, found)
        rows += [{"name": n, "added": added_at(arguments.score, n), "error": e} for n, e in unfit.items()]
        print(json.dumps(sorted(rows, key=lambda row: (row["added"], row["name"])), ensure_ascii=False))
    elif found or lost:
        console.print(_table(score, found, arguments.language))
        for line in (
            *unfit.values(),
            *tell_over_time(score, [one.take for one in found], arguments.language),
        ):
            console.print(line, highlight=False)
    else:
        console.print(phrasebook(arguments.language).phrases["take_none"], highlight=False)
    if arguments.picture:
        if not found:
            raise UnderstaveError("There is no take to draw yet; name a recording after the lesson.")
        score, reading = read_source(arguments.score)
        _draw(arguments, score, [one.take for one in found], _beside(score, reading))


def _table(score: Score, found: Sequence[KeptTake], language: Language) -> Table:
    from rich.table import Table

    from understave.takes.over_time import table
    from understave.wording.phrasebook import phrasebook

    headings, rows = table(score, [(one.name, one.take) for one in found], language)
    printed = Table(headings[0], phrasebook(language).phrases["take_column_added"], *headings[1:])
    for one, (name, *rest) in zip(found, rows, strict=True):
        printed.add_row(name, _here(one.added), *rest)
    return printed


def _rows(score: Score, found: Sequence[KeptTake]) -> list[dict[str, Any]]:
    from understave.takes.over_time import since_before
    from understave.takes.slips import slips_by_bar
    from understave.takes.views import summary

    return [
        {
            "name": one.name,
            "added": one.added,
            **asdict(summary(score, one.take)),
            "runs": [[run.first, run.last] for run in one.take.runs],
            "slips": dict(sorted(slips_by_bar(score, one.take).items())),
            **asdict(since),
        }
        for one, since in zip(found, since_before(score, [one.take for one in found]), strict=True)
    ]


def _here(added: str) -> str:
    """Return a moment, given as UTC, on the clock of this computer."""
    return f"{datetime.fromisoformat(added).astimezone():%Y-%m-%d %H:%M}" if added else ""


def _beside(score: Score, reading: Reading) -> Beside:
    """Return what takes are told beside."""
    from understave.interpretation.planning import make_plan
    from understave.takes.told import Beside

    return Beside(make_plan(score, reading), reading)


def _draw(arguments: argparse.Namespace, score: Score, takes: Sequence[Take], beside: Beside) -> None:
    """Draw takes, the oldest first, to the file that is asked for."""
    from understave.disk import write_atomically
    from understave.interpretation.written_about import writing_about
    from understave.takes.paper import take_pdf
    from understave.takes.picture import draw_take

    if arguments.picture.suffix.lower() == ".pdf":
        with writing_about(beside.reading):
            drawn: bytes | str = take_pdf(score, takes, beside, arguments.language)
    else:
        drawn = draw_take(score, takes, beside, arguments.language)
    write_atomically(arguments.picture, drawn)


def _tell(arguments: argparse.Namespace, console: Console, score: Score, reading: Reading, take: Take) -> int:
    from understave.takes.kept import tie_data
    from understave.takes.slips import signed
    from understave.takes.told import tell_take
    from understave.takes.views import (
        hesitations,
        longest_run,
        loudness,
        melody_over_rest,
        pedal_blur,
        printed_alone,
        tempo_curve,
    )

    beside = _beside(score, reading)
    plan = beside.plan
    if arguments.picture:
        _draw(arguments, score, (take,), beside)
    if arguments.json:
        data = tie_data(score, take)
        data["told"] = list(tell_take(score, take, arguments.language, beside))
        data["slips"] = signed(take)
        data["melody_over_rest"] = melody_over_rest(score, take)
        data["loudness"] = {"planned": loudness(score, plan, take)}
        if (printed := printed_alone(score)) is not None:
            data["loudness"]["printed"] = loudness(score, printed, take)
        longest = longest_run(take)
        blur = pedal_blur(score, plan, reading, take, longest)
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
