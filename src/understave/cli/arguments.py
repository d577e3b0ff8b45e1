"""Arguments that several commands have: words, paper, pedal, piano; each read strictly."""

from __future__ import annotations

import argparse
import math
from collections.abc import Sequence
from pathlib import Path
from typing import TypeVar

from understave.cli.outputs import SCORE_OR_FOLDER
from understave.errors import UnderstaveError

_Name = TypeVar("_Name", bound=str)


WHICH_BARS = (
    "which bars, such as 12 or 9-16, as printed; where numbers start again, 9#2-16 from the second bar 9"
)


def add_score(command: argparse.ArgumentParser, what: str = SCORE_OR_FOLDER, *, needed: bool = True) -> None:
    """Add the score: one file, or pictures of its pages in order (`sources.as_one` joins them)."""
    command.add_argument(
        "score",
        type=Path,
        nargs="+" if needed else "*",
        help=f"{what}; pictures of several pages in order, or a folder of them",
    )


def add_playing(command: argparse.ArgumentParser) -> None:
    """Add how to pedal, on which piano and how fast."""
    command.add_argument(
        "--pedal",
        default="planned",
        metavar="STYLE",
        help="how to pedal: planned (default), printed, each-harmony, melting or none",
    )
    command.add_argument(
        "--blur", default="0.5", metavar="0..1", help="how much blur you like, from 0 (dry) to 1"
    )
    command.add_argument(
        "--instrument",
        default="concert-grand",
        metavar="PIANO",
        help="concert-grand (default), upright, early-piano or sampled-piano",
    )
    command.add_argument("--tempo", metavar="BEATS", help="beats a minute (default: as printed)")
    command.add_argument("--no-rubato", action="store_true", help="keep the tempo steady")


def add_words(command: argparse.ArgumentParser, remembered: bool = False) -> None:
    """Add level and language; a lesson made again remembers what was chosen, so there is no default."""
    command.add_argument(
        "--level",
        type=level_named,
        default=None if remembered else "intermediate",
        help="for whom the words are: beginner, intermediate (default) or advanced",
    )
    command.add_argument(
        "--language",
        type=language_named,
        default=None if remembered else "en",
        help="language of the words: en (default), de, fr ...",
    )


def add_language(command: argparse.ArgumentParser) -> None:
    """Add the language of what is said about the music."""
    command.add_argument(
        "--language",
        type=language_named,
        default="en",
        help="language of the words: en (default), de, fr ...",
    )


def paper_named(text: str) -> str:
    """Return the paper that a text names, for argparse."""
    papers = {"a4": "a4", "letter": "us-letter", "us-letter": "us-letter", "booklet": "booklet"}
    if text.casefold() not in papers:
        raise argparse.ArgumentTypeError(f"{text!r} is no paper we print on; choose A4, Letter or booklet")
    return papers[text.casefold()]


# These two read the words' room only for the commands that use it: loading it takes half a second.
def level_named(text: str) -> str:
    """Return the level that a text names, for argparse."""
    from understave.wording import LEVELS

    return _one_of(text, LEVELS)


def language_named(text: str) -> str:
    """Return the language that a text names, for argparse."""
    from understave.wording import SPOKEN

    return _one_of(text, SPOKEN)


def _one_of(text: str, allowed: Sequence[str]) -> str:
    if text not in allowed:
        raise argparse.ArgumentTypeError(f"{text!r} is not one of {', '.join(allowed)}")
    return text


TEXT_WIDTH = 96
"""Columns at most of running text in the terminal: longer lines are hard to read."""


def chosen(text: str, allowed: Sequence[_Name], option: str) -> _Name:
    """Find a name whose words may be joined by hyphens; raise UnderstaveError if it is not allowed."""
    name = " ".join(text.replace("-", " ").split()).casefold()
    found = next((a for a in allowed if a == name), None)
    if found is None:
        names = [a.replace(" ", "-") for a in allowed]
        raise UnderstaveError(
            f"{text!r} is no choice for --{option}; choose {', '.join(names[:-1])} or {names[-1]}."
        )
    return found


def between(text: str, low: float, high: float, option: str) -> float:
    """Return the number that a text says; raise UnderstaveError where it lies outside `low` to `high`."""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not low <= value <= high:
        raise UnderstaveError(f"--{option} {text} does not lie between {low} and {high}; give such a number.")
    return value
