"""The command ``habits``: what corrected lessons prove of how a teacher labels; shown, kept, switched off."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.console import Console

from understave.errors import UnderstaveError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from understave.harmony.habit_learning import Learnt


def add_commands(commands: argparse._SubParsersAction[Any]) -> None:
    """Add ``habits`` to the commands."""
    habits = commands.add_parser(
        "habits", help="learn how you label from lessons that you corrected; show it, keep it, switch it off"
    )
    habits.add_argument(
        "lesson", type=Path, nargs="?", help="the lesson folder that is to be read so; left out, none is"
    )
    habits.add_argument(
        "--learn",
        type=Path,
        nargs="+",
        metavar="LESSON",
        help="corrected lessons, eight or more, to learn from",
    )
    habits.add_argument("--take", type=Path, metavar="FILE", help="habits that were saved, here or elsewhere")
    habits.add_argument("--save", type=Path, metavar="FILE", help="write the habits into this file")
    habits.add_argument("--off", action="store_true", help="read the lesson in the reader's own way again")
    habits.set_defaults(run=_habits)


def _habits(arguments: argparse.Namespace, console: Console) -> int:
    from understave.harmony import habit_learning
    from understave.harmony.model.leaning import NO_HABITS
    from understave.lesson.folder import open_folder, set_habits

    asked = [name for name in ("learn", "take", "off") if getattr(arguments, name)]
    if len(asked) > 1:
        raise UnderstaveError(f"--{asked[0]} and --{asked[1]} cannot go together; give one of them.")
    if arguments.off:
        if arguments.lesson is None:
            raise UnderstaveError("--off needs the lesson folder that is to be read in the usual way again.")
        set_habits(arguments.lesson, NO_HABITS)
        console.print(f"Off. Run 'understave lesson {arguments.lesson}' to read it anew.", highlight=False)
        return 0
    if arguments.learn:
        learnt = _learnt(arguments.learn, console)
    elif arguments.take is not None:
        learnt = habit_learning.read_file(arguments.take)
    elif arguments.lesson is not None:
        learnt = habit_learning.Learnt(open_folder(arguments.lesson).habits, (), 0)
    else:
        raise UnderstaveError("Name a lesson folder, --learn with lessons, or --take with a file.")
    said = habit_learning.words(learnt)
    for sentence in said or ("No habits: this is the reader's own way.",):
        console.print(sentence, highlight=False)
    if arguments.lesson is not None and asked:
        set_habits(arguments.lesson, learnt.habits)
        console.print(
            f"Kept. Run 'understave lesson {arguments.lesson}' to read it so; --off undoes it.",
            highlight=False,
        )
    if arguments.save is not None:
        habit_learning.save(arguments.save, learnt)
    return 0


def _learnt(lessons: Sequence[Path], console: Console) -> Learnt:
    from understave.harmony.habit_learning import LEAST_PIECES
    from understave.lesson.folder import open_folder
    from understave.lesson.own_habits import corrected_among, learnt_from

    for lesson in lessons:
        open_folder(lesson)
    corrected = corrected_among(lessons)
    if len(corrected) >= LEAST_PIECES:
        console.print(f"Learning from {len(corrected)} lessons; this takes some minutes.", highlight=False)
    return learnt_from(corrected)
