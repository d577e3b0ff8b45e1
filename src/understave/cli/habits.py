"""The command ``habits``: what corrected lessons prove of how a teacher labels; shown, kept, switched off.

Without a lesson folder it is about the habits that all lessons of this teacher are read with from their next
making on (`lesson.own_habits`); with one, about that lesson alone.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.console import Console

from understave.errors import UnderstaveError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from understave.harmony.habit_learning import Learnt
    from understave.harmony.model.leaning import Habits


def add_commands(commands: argparse._SubParsersAction[Any]) -> None:
    """Add ``habits`` to the commands."""
    habits = commands.add_parser(
        "habits", help="learn how you label from lessons that you corrected; show it, keep it, switch it off"
    )
    habits.add_argument(
        "lesson", type=Path, nargs="?", help="the lesson folder that is to be read so; left out, all of yours"
    )
    habits.add_argument(
        "--learn",
        type=Path,
        nargs="*",
        metavar="LESSON",
        help="learn from corrected lessons, eight or more, or from all in a folder; left out, from those "
        "opened lately and all beside them",
    )
    habits.add_argument("--take", type=Path, metavar="FILE", help="habits that were saved, here or elsewhere")
    habits.add_argument("--save", type=Path, metavar="FILE", help="write the habits into this file")
    habits.add_argument("--off", action="store_true", help="read in the reader's own way again")
    habits.add_argument("--on", action="store_true", help="read as was learnt again, after --off")
    habits.set_defaults(run=_habits)


def habits_for(source: Path, out: Path) -> Habits:
    """Return the habits that a new lesson is read with; one made before gets them into its settings."""
    from understave.harmony.model.leaning import NO_HABITS
    from understave.lesson import own_habits
    from understave.lesson.folder import is_lesson_folder, open_folder

    place = source if is_lesson_folder(source) else out
    if not is_lesson_folder(place):
        return own_habits.for_a_new_lesson(own_habits.own_file())
    own_habits.put_in_force(own_habits.own_file(), open_folder(place))
    return NO_HABITS


def offer_habits(lesson: Path, console: Console) -> None:
    """Say at the end of a command that enough corrected lessons lie beside a lesson, if they do."""
    from understave.lesson import own_habits

    home = lesson.resolve().parent
    own = own_habits.load(own_habits.own_file())
    count = own_habits.worth_offering(own, own_habits.beside([lesson.resolve()]))
    if count:
        console.print(
            f"{count} lessons in {home} have corrections of yours: 'understave habits --learn {home}' finds "
            "out in some minutes what they prove of how you label, and reads your lessons so from then on.",
            highlight=False,
            markup=False,
        )


def _places(named: Sequence[Path]) -> list[Path]:
    """Return the lessons that are named, or lie in a folder that is; else those opened lately, all beside
    them, and those in the current folder.
    """
    from understave.desk.recent import Recent, own_file
    from understave.lesson.folder import is_lesson_folder, open_folder
    from understave.lesson.own_habits import beside

    if not named:
        return list(beside([lesson.path for lesson in Recent(own_file()).lessons()], [Path.cwd()]))
    found: list[Path] = []
    for place in named:
        if not place.is_dir():
            open_folder(place)  # Says what is wrong.
        found += [place] if is_lesson_folder(place) else beside((), [place])
    return found


def _habits(arguments: argparse.Namespace, console: Console) -> int:
    asked = [name for name in ("learn", "take", "off", "on") if getattr(arguments, name) not in (None, False)]
    if len(asked) > 1:
        raise UnderstaveError(f"--{asked[0]} and --{asked[1]} cannot go together; give one of them.")
    if arguments.lesson is None:
        return _of_all(arguments, console)
    return _of_one(arguments, console, bool(asked))


def _of_one(arguments: argparse.Namespace, console: Console, asked: bool) -> int:
    """Show or set the habits of one lesson."""
    from understave.harmony.habit_learning import Learnt
    from understave.harmony.model.leaning import NO_HABITS
    from understave.lesson.folder import open_folder, set_habits

    if arguments.off:
        set_habits(arguments.lesson, NO_HABITS)
        console.print(f"Off. Run 'understave lesson {arguments.lesson}' to read it anew.", highlight=False)
        return 0
    if arguments.on:
        raise UnderstaveError("--on is about all your lessons; leave the lesson folder out.")
    here = Learnt(open_folder(arguments.lesson).habits, (), 0)
    learnt = (_asked_for(arguments, console)[0] if asked else None) or here
    _say(learnt, console)
    if asked:
        set_habits(arguments.lesson, learnt.habits)
        console.print(
            f"Kept. Run 'understave lesson {arguments.lesson}' to read it so; --off undoes it.",
            highlight=False,
        )
    return _saved(arguments, learnt)


def _of_all(arguments: argparse.Namespace, console: Console) -> int:
    """Show or set the habits that all of a teacher's lessons are read with."""
    from understave.lesson import own_habits

    file = own_habits.own_file()
    own = own_habits.load(file)
    if arguments.off or arguments.on:
        own_habits.save(file, replace(own, on=arguments.on))
        console.print("On." if arguments.on else "Off.", "It holds for each lesson from its next making on.")
        return 0
    learnt, digest = _asked_for(arguments, console)
    if learnt is not None:
        own = replace(own, learnt=learnt, on=True, lessons=digest or own.lessons)
        own_habits.save(file, own)
    _say(own.learnt, console)
    if learnt is not None:
        console.print("Kept: your lessons are read so from their next making on; --off undoes it.")
    if not own.on:
        console.print("Switched off; 'understave habits --on' reads your lessons so again.", highlight=False)
    return _saved(arguments, own.learnt)


def _asked_for(arguments: argparse.Namespace, console: Console) -> tuple[Learnt | None, str]:
    """Return the habits to learn or take, and a digest of what they were learnt from; none if none are."""
    from understave.harmony import habit_learning
    from understave.lesson.own_habits import corrected_among, digest_of, learnt_from

    if arguments.take is not None:
        return habit_learning.read_file(arguments.take), ""
    if arguments.learn is None:
        return None, ""
    corrected = corrected_among(_places(arguments.learn))
    if len(corrected) >= habit_learning.LEAST_PIECES:
        console.print(f"Learning from {len(corrected)} lessons; this takes some minutes.", highlight=False)
    return learnt_from(corrected), digest_of(corrected)


def _say(learnt: Learnt, console: Console) -> None:
    from understave.harmony.habit_learning import words

    for sentence in words(learnt) or ("No habits: this is the reader's own way.",):
        console.print(sentence, highlight=False)


def _saved(arguments: argparse.Namespace, learnt: Learnt) -> int:
    from understave.harmony import habit_learning

    if arguments.save is not None:
        habit_learning.save(arguments.save, learnt)
    return 0
