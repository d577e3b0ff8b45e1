"""Takes of one piece over time: a table of them, and what became of bars that slipped. No grades.

In: takes, the oldest first, each with its name. Out: rows, sentences. A bar is laid beside the take before
that plays it; of sound no slips are known, so that it says nothing of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

from understave.score.model import Score
from understave.takes.slips import bars_played, slips_by_bar
from understave.takes.take import Take
from understave.takes.views import summary
from understave.theory.vocabulary import Language
from understave.wording.phrasebook import Phrasebook, phrasebook

COLUMNS = ("name", "bars", "written", "tempo", "waits")
"""Of the table, in order."""


@dataclass(frozen=True, slots=True)
class Since:
    """Bars (indexes) of a take that slipped the time before: those without a slip now, those with one
    again.
    """

    mended: tuple[int, ...]
    again: tuple[int, ...]


def since_before(score: Score, takes: Sequence[Take]) -> tuple[Since, ...]:
    """Return for each take what became of the bars that slipped the last time before that they were
    played.
    """
    slipped: dict[int, bool] = {}
    found = []
    for take in takes:
        played = bars_played(take) if take.recording.kind == "midi" else set()
        slips = slips_by_bar(score, take)
        before = sorted(bar for bar in played if slipped.get(bar))
        found.append(
            Since(tuple(bar for bar in before if not slips[bar]), tuple(bar for bar in before if slips[bar]))
        )
        slipped |= {bar: slips[bar] > 0 for bar in played}
    return tuple(found)


def table(
    score: Score, takes: Sequence[tuple[str, Take]], language: Language
) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """Return the headings of `COLUMNS`, and a row for each take: its name, bars, notes as written of all in
    them, middle tempo in quarter notes a minute, and how often time waits; "" where that is not known.
    """
    book = phrasebook(language)
    headings = tuple(book.phrases[f"take_column_{column}"] for column in COLUMNS)
    return headings, tuple(_row(score, name, take, book) for name, take in takes)


def _row(score: Score, name: str, take: Take, book: Phrasebook) -> tuple[str, ...]:
    found = summary(score, take)
    bars = ", ".join(
        book.bars(*(score.bar_name(score.measures[k]) for k in (run.first, run.last))) for run in take.runs
    )
    written = "" if found.written is None else f"{found.right} / {found.written}"
    tempo = "" if found.tempo is None else f"{found.tempo:.0f}"
    return name, bars, written, tempo, str(found.waits)


def tell_over_time(score: Score, takes: Sequence[Take], language: Language = "en") -> tuple[str, ...]:
    """Return what the latest take says beside those before: bars that went well now, then those that did
    not.
    """
    if len(takes) < 2:
        return ()
    book = phrasebook(language)
    since = since_before(score, takes)[-1]
    return tuple(
        book.phrases[key].format(bars=_named(score, bars, book))
        for key, bars in (("take_mended", since.mended), ("take_again", since.again))
        if bars
    )


def _named(score: Score, bars: Sequence[int], book: Phrasebook) -> str:
    """Name bars, those that follow one another as a stretch."""
    stretches = [
        [bar for _, bar in group] for _, group in groupby(enumerate(bars), key=lambda item: item[1] - item[0])
    ]
    return book.join(
        [book.bars(*(score.bar_name(score.measures[k]) for k in (s[0], s[-1]))) for s in stretches]
    )
