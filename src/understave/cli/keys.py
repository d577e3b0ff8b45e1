"""The command ``keys``: the plan of keys to confirm, join, move or rename, and how long a key must last."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.table import Table

from understave.cli.sources import place_named, read_source, tell_unfinished
from understave.errors import UnderstaveError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from understave.harmony.key_plan import Stretch
    from understave.harmony.reading import Correction, Reading
    from understave.score.model import Score


def add_commands(commands: argparse._SubParsersAction[Any]) -> None:
    """Add ``keys`` to the commands."""
    keys = commands.add_parser(
        "keys", help="settle the keys first: list them, confirm, join, move or rename them"
    )
    keys.add_argument("lesson", type=Path, help="the lesson folder")
    keys.add_argument("--confirm", metavar="WHICH", help="these are right: 3, 1-4, 1,3,5 or all")
    keys.add_argument("--rename", metavar="NUMBER=KEY", help="this one is another key, such as 3=f")
    keys.add_argument("--join", type=int, metavar="NUMBER", help="let it last through the one after it")
    keys.add_argument("--move", metavar="NUMBER=BAR[:BEAT]", help="let it begin there, such as 3=17:2")
    keys.add_argument(
        "--last",
        metavar="HOW LONG",
        help="how long a key must last to count as one, in this lesson: moment (usual), phrase, section or "
        "'hardly ever'; several lesson folders that you have corrected say which is yours with --learn",
    )
    keys.add_argument(
        "--learn", type=Path, nargs="+", metavar="LESSON", help="corrected lessons to tell your length from"
    )
    keys.set_defaults(run=_keys)


def _keys(arguments: argparse.Namespace, console: Console) -> int:
    from understave.harmony import corrections
    from understave.harmony.key_plan import key_plan
    from understave.lesson.folder import open_folder

    folder = open_folder(arguments.lesson)
    tell_unfinished(folder.corrections)
    if arguments.last is not None:
        return _set_length(folder.path, arguments.last, console)
    if arguments.learn:
        return _learn(arguments.learn, console)
    score, reading = read_source(folder.path)
    plan = key_plan(reading.spans, corrections.load(folder.corrections), score)
    decided = _decided(arguments, score, reading, plan)
    if not decided:
        _print_plan(score, plan, console)
        return 0
    corrections.append_step(folder.corrections, decided)
    console.print(
        f"Kept. Run 'understave lesson {folder.path}' to find the chords in these keys.", highlight=False
    )
    return 0


def _decided(
    arguments: argparse.Namespace, score: Score, reading: Reading, plan: Sequence[Stretch]
) -> tuple[Correction, ...]:
    from understave.harmony import key_plan
    from understave.harmony.typed import typed_key

    if arguments.confirm is not None:
        return key_plan.confirm(score, plan, _numbers(arguments.confirm, len(plan)))
    if arguments.rename is not None:
        number, text = _pair(arguments.rename, "--rename 3=f")
        return key_plan.rename(score, reading.spans, plan, number, typed_key(text))
    if arguments.join is not None:
        return key_plan.join(score, reading.spans, plan, arguments.join)
    if arguments.move is not None:
        number, text = _pair(arguments.move, "--move 3=17:2")
        return key_plan.move(score, reading.spans, plan, number, score.time_of(*place_named(score, text)))
    return ()


def _pair(text: str, example: str) -> tuple[int, str]:
    number, sign, rest = text.partition("=")
    if not sign or not number.strip().isdecimal() or not rest.strip():
        raise UnderstaveError(f"{text!r} says neither which nor what; write for example {example}.")
    return int(number), rest.strip()


def _numbers(text: str, last: int) -> list[int]:
    if text.strip() == "all":
        return list(range(1, last + 1))
    found: list[int] = []
    for part in text.split(","):
        low, dash, high = part.strip().partition("-")
        if not low.isdecimal() or (dash and not high.isdecimal()):
            raise UnderstaveError(f"{text!r} names no stretches; write 3, 1-4, 1,3,5 or all.")
        found += range(int(low), int(high or low) + 1) if int(high or low) <= last else [int(high or low)]
    return found


def _print_plan(score: Score, plan: Sequence[Stretch], console: Console) -> None:
    from understave.score.model import beat_text
    from understave.theory.conventions import key_label

    table = Table("number", "from", "key", "sure", "also inside", "")
    for number, stretch in enumerate(plan, 1):
        bar, beat = score.anchor(stretch.start)
        where = bar if beat == 1 else f"{bar}:{beat_text(beat)}"
        inside = ", ".join(dict.fromkeys(key_label(key) for key in stretch.within))
        sure = f"{100 * stretch.sure:.0f} %"
        table.add_row(
            str(number), where, key_label(stretch.key), sure, inside, "yours" if stretch.settled else ""
        )
    console.print(table)


def _set_length(path: Path, text: str, console: Console) -> int:
    from understave.harmony.key_length import KEY_LENGTHS
    from understave.lesson.folder import set_keys_last

    found = [length for length in KEY_LENGTHS if length == text.strip().casefold()]
    if not found:
        raise UnderstaveError(f"{text!r} is no length of a key; write one of: {', '.join(KEY_LENGTHS)}.")
    set_keys_last(path, found[0])
    console.print(f"Kept. Run 'understave lesson {path}' to read the keys anew.", highlight=False)
    return 0


def _learn(lessons: Sequence[Path], console: Console) -> int:
    from understave.harmony import corrections
    from understave.harmony.key_length import LEAST_PIECES, Corrected, proposed
    from understave.harmony.trained import judge_score, read_trained
    from understave.lesson.folder import open_folder
    from understave.lesson.page_corrections import lesson_score

    pieces = []
    for folder in map(open_folder, lessons):
        decided = corrections.load(folder.corrections)
        if decided:
            score = lesson_score(folder)
            pieces.append(Corrected(score, judge_score(score), read_trained(score, decided).spans))
    if len(pieces) < LEAST_PIECES:
        raise UnderstaveError(
            f"{len(pieces)} of these lessons have corrections; your length can be told from "
            f"{LEAST_PIECES} or more."
        )
    length = proposed(pieces)
    if length is None:
        console.print("In these lessons the keys are as the usual length has them.")
    else:
        console.print(
            f"Your keys fit best when a key must last a {length}; set it with --last.".replace(
                "a hardly ever", "long (hardly ever)"
            )
        )
    return 0
