"""What a command works on: a score with its reading, and bars in it."""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

from understave.cli.outputs import STANDARD
from understave.errors import UnderstaveError

if TYPE_CHECKING:
    from understave.harmony.key_length import KeyLength
    from understave.harmony.reading import Correction, Reading
    from understave.score.model import Measure, Score


def read_source(source: Path, bars: str | None = None) -> tuple[Score, Reading]:
    """Read a score file, the score of a lesson folder with its corrections, or standard input (``-``).

    Bars that are asked for and that the score has not are refused before its harmony is read.
    """
    with given_file(source) as path:
        return _read_source(path, bars)


@contextmanager
def given_file(source: Path) -> Iterator[Path]:
    """Give the file itself or, for ``-``, what comes on standard input as a file that goes away again.

    Raises UnderstaveError where nothing comes, and where standard input is a person at a terminal.
    """
    from understave.score.reader import LARGEST

    if source != STANDARD:
        yield source
        return
    if sys.stdin is None or sys.stdin.isatty():
        raise UnderstaveError(
            "Nothing comes on standard input; write for example 'understave show - < SCORE'."
        )
    data = sys.stdin.buffer.read(LARGEST + 1)
    with tempfile.TemporaryDirectory(prefix="understave-") as folder:
        path = Path(folder) / "standard input"
        path.write_bytes(data)
        yield path


@contextmanager
def as_one(parsed: argparse.Namespace) -> Iterator[None]:
    """Put one path in the place of the scores that a command line names: pictures of several pages, or a
    folder of them, become one file, which goes away again; None where nothing is named.

    Raises UnderstaveError where files other than pictures are among several.
    """
    named = getattr(parsed, "score", None)
    if not isinstance(named, list):
        yield
        return
    pages = _pages_of(named)
    if len(pages) < 2:
        parsed.score = pages[0] if pages else None
        yield
        return
    from understave.score.reader import joined_pages

    name, data = joined_pages(pages)
    with tempfile.TemporaryDirectory(prefix="understave-") as folder:
        # A folder of pages has the name of the piece.
        stem = named[0].resolve().name if len(named) == 1 else Path(name).stem
        parsed.score = Path(folder) / f"{stem}{Path(name).suffix}"
        parsed.score.write_bytes(data)
        yield


def _pages_of(named: list[Path]) -> list[Path]:
    """Return the files that are named, in order: of a folder of pictures those in it."""
    if len(named) < 2 and not any(path.is_dir() for path in named):
        return named
    from understave.lesson.folder import is_lesson_folder
    from understave.score.readers.page.joined import in_order, pages_in

    if len(named) == 1:
        return named if is_lesson_folder(named[0]) else pages_in(named[0]) or named
    pages = in_order(named)
    if pages != named:
        print(
            f"Note: pages in the order of their numbers: {', '.join(p.name for p in pages)}.", file=sys.stderr
        )
    return pages


@contextmanager
def telling_pages(say: Callable[[int, int], None] | None = None) -> Iterator[None]:
    """Let a person know, or `say`, which page is read where there are several; where that is stopped, that
    pictures of pages are not read twice.
    """
    from understave.score.pages_heard import pages_heard

    far = 0

    def hear(page: int, of: int) -> None:
        nonlocal far
        if of > 1:
            far = page
            (say or _say_page)(page, of)

    try:
        with pages_heard(hear):
            yield
    except KeyboardInterrupt:
        if far > 1:
            print(
                "\nPictures of pages already read are kept; the same command goes on there.", file=sys.stderr
            )
        raise
    finally:
        if far and say is None:
            _on_one_line("")


def _say_page(page: int, of: int) -> None:
    _on_one_line(f"Reading page {page} of {of} ...")


def _on_one_line(text: str) -> None:
    """Put a text in the place of what stood in the terminal's line; nothing where there is no terminal."""
    if sys.stderr is not None and sys.stderr.isatty():
        print(f"\r{text}\033[K", end="", file=sys.stderr, flush=True)


def _read_source(source: Path, bars: str | None) -> tuple[Score, Reading]:
    from understave.findings import read
    from understave.harmony import corrections
    from understave.harmony.key_length import USUAL
    from understave.harmony.model.leaning import NO_HABITS
    from understave.lesson.folder import is_lesson_folder, open_folder, titled
    from understave.lesson.page_corrections import lesson_score
    from understave.score.reader import read_score

    name = source.name
    decided: tuple[Correction, ...] = ()
    keys_last: KeyLength = USUAL
    habits = NO_HABITS
    folder = open_folder(source) if is_lesson_folder(source) else None
    if folder is not None:
        tell_unfinished(folder.corrections)
        name, decided = folder.imported_from, corrections.load(folder.corrections)
        keys_last, habits = folder.keys_last, folder.habits
    with telling_pages():
        score = titled(read_score(source) if folder is None else lesson_score(folder), name)
    stretch_named(score, bars)
    return score, read(score, decided, keys_last, habits)


def tell_unfinished(path: Path) -> None:
    """Say on standard error which corrections in a file were never finished."""
    from understave.harmony import corrections

    said = corrections.set_aside(path)
    if said:
        print(f"Note: {said}", file=sys.stderr)


def stretch_named(score: Score, bars: str | None) -> tuple[Fraction, Fraction] | None:
    """Return where the bars asked for begin and end, or None if none were asked for."""
    if not bars:
        return None
    first, last = bars_named(score, bars)
    return first.start, last.end


def bars_named(score: Score, text: str) -> tuple[Measure, Measure]:
    """Return the first and the last bar of ``12``, ``9-16`` or, where numbers start again, ``9#2-16``."""
    begin, _, end = text.partition("-")
    first = bar_named(score, begin)
    last = _to_barline(score, bar_named(score, end, first.start) if end else first)
    if last.end <= first.start:
        raise UnderstaveError(f"Bar {end.strip()} comes before bar {begin.strip()}; exchange them in --bars.")
    return first, last


def bar_named(score: Score, name: str, since: Fraction | None = None) -> Measure:
    """Return the bar of a name; of several the first that ends after `since`, the begin of a stretch.

    Raises UnderstaveError where there is none, or where several have that number and nothing says which.
    """
    bars = score.bars_called(name)
    if not bars:
        raise UnderstaveError(
            f"There is no bar {name.strip()}; this score has bars {score.bar_name(score.measures[0])} "
            f"to {score.bar_name(score.measures[-1])}."
        )
    if len(bars) == 1:
        return bars[0]
    if since is not None:
        return next((measure for measure in bars if measure.end > since), bars[0])
    names = [score.bar_name(measure) for measure in bars]
    if len(names) == 2:
        raise UnderstaveError(
            f"This score has two bars numbered {bars[0].number}; write {names[0]} for the first or "
            f"{names[1]} for the second."
        )
    raise UnderstaveError(
        f"This score has {len(names)} bars numbered {bars[0].number}; write {names[0]} for the first, "
        f"{names[1]} for the second, and so on to {names[-1]}."
    )


def _to_barline(score: Score, measure: Measure) -> Measure:
    """Return the last measure of a bar that is split, by a repeat say; else the measure itself."""
    name = score.bar_name(measure)
    return next(
        m for m in reversed(score.measures) if m.number == measure.number and score.bar_name(m) == name
    )


def place_named(score: Score, text: str, since: Fraction | None = None) -> tuple[str, Fraction]:
    """Return the bar's name and the beat of ``12`` or ``12:2.5``; see `bar_named` for `since`."""
    from understave.score.model import read_exact

    name, _, beat = text.partition(":")
    try:
        value = read_exact(beat or "1")
    except ValueError as error:
        raise UnderstaveError(
            f"{beat[:40]!r} is not a beat; write for example {name}:2 or {name}:2.5."
        ) from error
    names = [score.bar_name(measure) for measure in score.bars_called(name)]
    later = [n for n in names if since is not None and score.time_of(n, value) > since]
    found = later[0] if later else score.bar_name(bar_named(score, name, since))
    measure = _to_barline(score, score.bars_called(found)[0])
    last = 1 + (measure.offset + measure.length) / measure.beat_length
    if not 1 <= value <= last:
        raise UnderstaveError(f"Bar {found} has no beat {beat}; it ends at beat {last}.")
    return found, value
