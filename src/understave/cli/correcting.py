"""The command ``correct``: set a chord or key, list what was set, take it back."""

from __future__ import annotations

import argparse
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.table import Table

from understave.cli.habits import offer_habits
from understave.cli.sources import place_named, tell_unfinished
from understave.errors import UnderstaveError

if TYPE_CHECKING:
    from understave.harmony.reading import Correction
    from understave.lesson.folder import LessonFolder
    from understave.score.model import Score
    from understave.theory.key import Key
    from understave.theory.roman import RomanNumeral


def add_commands(commands: argparse._SubParsersAction[Any]) -> None:
    """Add ``correct`` to the commands."""
    correct = commands.add_parser(
        "correct", help="set a chord or key yourself, list what you set, or take it back"
    )
    correct.add_argument("lesson", type=Path, help="the lesson folder")
    correct.add_argument(
        "--from",
        dest="start",
        metavar="BAR[:BEAT]",
        help="where it begins; where bar numbers start again, 1#2 is the second bar 1",
    )
    correct.add_argument(
        "--to", dest="end", metavar="BAR[:BEAT]", help="where it ends (not included), after --from"
    )
    correct.add_argument(
        "--chord",
        help='Roman numeral, such as V65/V or "in Ab, V7"; with a key also figures (V64-53) or Eb7/G',
    )
    correct.add_argument("--key", help="key, such as Ab, As, f or f-Moll (lower case for minor)")
    correct.add_argument(
        "--entry",
        choices=("english", "german", "functions", "syllables"),
        help="where letters mean two things: B is B natural (english) or B flat (german); D7 is the "
        "chord on D, or with functions the dominant's seventh chord; syllables are fixed do (Sib7/Re); "
        "else as 'conventions' says",
    )
    correct.add_argument(
        "--carry",
        action="store_true",
        help="set it also where the same bars come again, exactly or transposed",
    )
    correct.add_argument("--note", default="", help="why, for yourself")
    correct.add_argument(
        "--take-back", type=int, metavar="NUMBER", help="take back a correction by its number"
    )
    correct.set_defaults(run=_correct)


def _correct(arguments: argparse.Namespace, console: Console) -> int:
    from understave.harmony import corrections
    from understave.lesson.folder import open_folder
    from understave.lesson.page_corrections import lesson_score
    from understave.score.model import beat_text

    folder = open_folder(arguments.lesson)
    tell_unfinished(folder.corrections)
    again = f"Run 'understave lesson {folder.path}' to read everything around it again."
    if arguments.take_back is not None:
        corrections.withdraw(folder.corrections, arguments.take_back)
        console.print(f"Correction {arguments.take_back} is taken back. {again}", highlight=False)
        return 0
    if arguments.start is None and arguments.end is None:
        _list_corrections(folder.corrections, console)
        return 0
    if arguments.start is None or arguments.end is None:
        raise UnderstaveError("Say where it holds: give both --from and --to.")
    score = lesson_score(folder)
    decided = _decision(score, arguments)
    for correction in decided:
        if correction.numeral is not None and correction.key is not None:
            notes = " ".join(
                dict.fromkeys(tone.name for tone in correction.numeral.chord(correction.key).members)
            )
            where = f"bar {correction.measure}, beat {beat_text(correction.beat)}"
            console.print(f"{_said_of(correction, where)}, {notes}", highlight=False, markup=False)
    entries = corrections.append_step(folder.corrections, decided)
    names = " and ".join(str(entry.id) for entry in entries)
    console.print(f"Kept as correction{'s' if len(entries) > 1 else ''} {names}. {again}", highlight=False)
    if arguments.carry:
        _carry(folder, score, decided, console)
    offer_habits(folder.path, console)
    return 0


def _carry(folder: LessonFolder, score: Score, decided: tuple[Correction, ...], console: Console) -> None:
    """Set what was decided where the same bars come again, as one step of its own."""
    from understave.cli.sources import read_source
    from understave.harmony import corrections
    from understave.harmony.carrying import offers

    _, reading = read_source(folder.path)
    found = offers(score, reading.spans, decided)
    if not found:
        console.print("Nowhere else do these bars come again with this chord still to set.", highlight=False)
        return
    entries = corrections.append_step(folder.corrections, [offer.correction for offer in found])
    for offer, entry in zip(found, entries, strict=True):
        moved = "transposed" if offer.fifths else "the same"
        console.print(
            f"Also {_said(offer.correction)} ({moved}), correction {entry.id}.", highlight=False, markup=False
        )


def _said(correction: Correction) -> str:
    from understave.score.model import beat_text

    where = f"in bar {correction.measure}, beat {beat_text(correction.beat)}"
    return _said_of(correction, where)


def _said_of(correction: Correction, where: str) -> str:
    from understave.theory.conventions import key_label, numeral_text

    named = (
        numeral_text(correction.numeral, correction.key.mode if correction.key else None)
        if correction.numeral
        else ""
    )
    return f"{where}: {named} in {key_label(correction.key)}" if correction.key else f"{where}: {named}"


def _list_corrections(path: Path, console: Console) -> None:
    from understave.harmony import corrections
    from understave.theory.conventions import key_label, numeral_text

    entries = corrections.read_entries(path)
    standing = corrections.standing_ids(entries)
    table = Table("number", "from", "to", "key", "chord", "note")
    for entry in entries:
        correction = entry.correction
        if correction is not None and entry.id in standing:
            table.add_row(
                str(entry.id),
                f"{correction.measure}:{correction.beat}",
                f"{correction.end_measure}:{correction.end_beat}",
                key_label(correction.key) if correction.key else "",
                numeral_text(correction.numeral, correction.key.mode if correction.key else None)
                if correction.numeral
                else "",
                correction.note,
            )
    console.print(table if table.row_count else "No corrections yet.")


def _decision(score: Score, arguments: argparse.Namespace) -> tuple[Correction, ...]:
    from understave.harmony.change_points import change_points
    from understave.harmony.reading import Correction
    from understave.harmony.typed import typed_key, usual_entry, with_key

    arguments.entry = arguments.entry or usual_entry()
    if not arguments.chord and not arguments.key:
        raise UnderstaveError("Say what is right: give --chord, --key or both.")
    key = typed_key(arguments.key, arguments.entry) if arguments.key else None
    named, arguments.chord = with_key(arguments.chord or "", arguments.entry)
    if key is not None and named not in (None, key):
        raise UnderstaveError(f"--chord names {named} and --key {key}; name one key, in one of them.")
    key = key or named
    start = place_named(score, arguments.start)
    since = score.time_of(*start)
    end = place_named(score, arguments.end, since)
    until = score.time_of(*end)
    if until <= since:
        raise UnderstaveError(
            f"{arguments.end} does not come after {arguments.start}; exchange --from and --to."
        )
    if not arguments.chord:
        return (Correction(*start, *end, key, None, arguments.note),)
    numerals = _chords_said(arguments, key)
    moments: tuple[Fraction, ...] = ()
    if key is not None:
        moments = change_points(score, since, until, [numeral.chord(key) for numeral in numerals])
    limits = (start, *(score.anchor(t) for t in moments), end)
    return tuple(
        Correction(*a, *b, key, numeral, arguments.note)
        for (a, b), numeral in zip(pairwise(limits), numerals, strict=True)
    )


def _chords_said(arguments: argparse.Namespace, key: Key | None) -> tuple[RomanNumeral, ...]:
    """Return the numerals of --chord; all but one plain numeral need a key to be named in."""
    from understave.harmony.typed import typed_chords
    from understave.theory.roman import RomanNumeral

    if key is not None:
        return typed_chords(arguments.chord, key, arguments.entry).numerals
    try:
        return (RomanNumeral.parse(arguments.chord),)
    except ValueError as error:
        sentence = str(error).rstrip(".")
        raise UnderstaveError(
            f"{sentence}; for a chord symbol, a function or figures that move give --key too."
        ) from None
