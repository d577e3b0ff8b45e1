"""What a lesson costs its teacher: ``python -m benchmarks.teacher [SCORE ANALYSIS]... [--alone]``.

In: scores with an analysis by hand (RomanText), by default our two examples and three songs of 60 to 120
bars of the open data. A simulated teacher, who reads as the analysis does, works at the desk in headless
Chromium: drops the score, names the keys that are wrong and confirms the rest at once, walks through the
chords worth checking (N of them at most), confirms, chooses or types each, carries what comes again, leaves a
stop out, writes two texts and has everything made. Out: minutes that the machine takes, by step, and the keys
and clicks that the teacher needs, to a lesson fit to hand out. With ``--alone`` each chord is corrected for
itself: no keys are confirmed, nothing is carried. Every wait ends: what has not come by then is told in place
of the row, with what the desk said, and the command ends with 1. The machine's load is printed beside.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections import defaultdict
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from rich.console import Console
from rich.table import Table

from benchmarks.data import data_folder
from benchmarks.desk_in_browser import desk_page, started_desk
from understave.harmony.reading import Span, span_at
from understave.harmony.romantext import read_romantext
from understave.score.model import read_exact
from understave.score.reader import read_score

EXAMPLES = Path(__file__).parent.parent / "examples"
CHORDS = 12
"""Chords looked at in a lesson: about as many as the teacher's paper lists."""
SAID = "Play it slowly, and listen to the bass."
PATIENCE = {"read": 300.0, "keys": 60.0, "corrected": 60.0, "stops": 300.0, "made": 1800.0}
"""Seconds by step after which what has not come is given up."""
BARS = (60, 120)
SONGS = 3
_LABELS = "!!document.querySelector('stave-score')?.shadowRoot.querySelector('button.label')"
PLANNED = "!!document.querySelector('.lanes input[value=tension-lane]')"
"""The plan is drawn: its tension is in every one, but a piece without a part for two hands has no pedal."""
_UNDO = "document.querySelector('desk-chord').reading.undo"
_TROUBLE = "(document.querySelector('.trouble p')?.textContent ?? '')"
_CARDS = "[...document.querySelectorAll('.stop-card')]"
_STRETCHES = """[...document.querySelectorAll('.keyplan > li')].map((li) => ({
  start: li.dataset.start, key: li.querySelector('input[type=text]').placeholder,
  settled: li.querySelector('input[type=checkbox]').disabled}))"""


class HinderedError(Exception):
    """Something that the teacher waits for has not come."""


@dataclass
class Work:
    """What a lesson cost: seconds of the machine by step, keys and clicks of the teacher."""

    seconds: dict[str, float] = field(default_factory=dict)
    keys: int = 0
    clicks: int = 0
    looked_at: int = 0
    refused: int = 0
    carried: int = 0


class Hand:
    """The teacher's hand on the desk: every key and click is counted, every wait timed."""

    def __init__(self, page: Any, work: Work) -> None:
        self.page, self.work, self.step = page, work, "read"

    def press(self, key: str) -> None:
        """Press one key."""
        self.page.keyboard.press(key)
        self.work.keys += 1

    def write(self, text: str) -> None:
        """Type a text."""
        self.page.keyboard.type(text)
        self.work.keys += len(text)

    def click(self, selector: str) -> None:
        """Click the first thing that a selector finds."""
        try:
            self.page.locator(selector).first.click(timeout=1000 * PATIENCE[self.step])
        except Exception as error:
            if type(error).__name__ != "TimeoutError":
                raise
            raise HinderedError(self._missed(selector)) from error
        self.work.clicks += 1

    @contextmanager
    def timed(self) -> Iterator[None]:
        """Count what passes as time of the machine in the step at hand."""
        begin = time.monotonic()
        yield
        spent = time.monotonic() - begin
        self.work.seconds[self.step] = self.work.seconds.get(self.step, 0.0) + spent

    def until(self, expression: str, argument: object = None) -> None:
        """Wait for something in the page."""
        with self.timed():
            last = time.monotonic() + PATIENCE[self.step]
            while not self.page.evaluate(expression, argument):
                if time.monotonic() > last:
                    raise HinderedError(self._missed(expression))
                self.page.wait_for_timeout(50)

    def settled(self, before: int) -> bool:
        """Wait until a step is on the disk after so many before it; False where the desk refuses it."""
        self.until(f"(n) => {_UNDO} > n || {_TROUBLE}", before)
        return bool(self.page.evaluate(f"(n) => {_UNDO} > n", before))

    def _missed(self, what: str) -> str:
        said = self.page.evaluate(_TROUBLE)
        return f"{self.step}: not within {PATIENCE[self.step]:g} s: {what}" + (f" ({said})" if said else "")


def lesson(source: Path, analysis: Path, chords: int, carries: bool) -> Work:
    """Make one lesson as the teacher does."""
    wanted = tuple(read_romantext(analysis.read_text(encoding="utf-8"), read_score(source)))
    work = Work()
    with TemporaryDirectory() as place, started_desk(Path(place)) as address, desk_page() as page:
        page.goto(address)
        page.wait_for_selector("#score-file", state="attached")
        hand = Hand(page, work)
        page.set_input_files("#score-file", str(source))
        work.clicks += 1
        hand.until(_LABELS)
        if carries:
            hand.step = "keys"
            _keys(hand, wanted)
        hand.step = "corrected"
        for _ in range(chords):
            if not _settle(hand, wanted, carries):
                break
        hand.step = "stops"
        _stops(hand)
        hand.step = "made"
        hand.click(".making button.make")
        hand.until("!!document.querySelector('.making .made a')")
    return work


def _keys(hand: Hand, wanted: Sequence[Span]) -> None:
    """Look at the plan of keys: name those that the analysis names otherwise, confirm the others at once."""
    hand.click("#tab-keys")
    hand.until("document.querySelectorAll('.keyplan > li').length > 0")
    named: set[str] = set()
    while True:
        plan = hand.page.evaluate(_STRETCHES)
        ends = [read_exact(row["start"]) for row in plan[1:]] + [wanted[-1].end]
        wrong = (
            (i, row["start"], key)
            for i, (row, end) in enumerate(zip(plan, ends, strict=True))
            if not row["settled"] and row["start"] not in named
            if (key := _key_of(wanted, read_exact(row["start"]), end)) not in (None, row["key"])
        )
        first = next(wrong, None)
        if first is None:
            break
        i, start, key = first
        named.add(start)
        saved = hand.page.evaluate(_UNDO)
        hand.click(f"#keys-name-{i}")
        hand.write(str(key))
        hand.press("Enter")
        if hand.settled(saved):
            # The plan is asked for again after the step; what is settled can no longer be ticked.
            hand.until(
                "(start) => [...document.querySelectorAll('.keyplan > li')]"
                ".every((li) => li.dataset.start !== start || li.querySelector('[type=checkbox]').disabled)",
                start,
            )
        else:
            hand.work.refused += 1
    if hand.page.locator("#keys-confirm:enabled").count():
        saved = hand.page.evaluate(_UNDO)
        hand.click("#keys-confirm")
        hand.settled(saved)
    hand.click("#tab-checks")


def _key_of(wanted: Sequence[Span], start: Fraction, end: Fraction) -> str | None:
    """Return the key that an analysis stands in longest from one moment to another."""
    lengths: defaultdict[str, Fraction] = defaultdict(Fraction)
    for span in wanted:
        lengths[span.key.symbol] += max(Fraction(0), min(end, span.end) - max(start, span.start))
    key, length = max(lengths.items(), key=lambda item: item[1])
    return key if length > 0 else None


def _settle(hand: Hand, wanted: Sequence[Span], carries: bool) -> bool:
    """Look at the next chord worth checking and say what it is; False where none is left."""
    left = hand.page.locator("desk-checks .doubtful button").count()
    if left == 0:
        return False
    hand.press("n")
    row = hand.page.evaluate("document.querySelector('desk-chord').reading.row")
    if row is None or row["fixed"]:
        return False
    span = span_at(wanted, read_exact(row["start"]))
    hand.work.looked_at += 1
    saved = hand.page.evaluate(_UNDO)
    labels = [(row["key"], row["numeral"]), *((o["key"], o["numeral"]) for o in row["others"])]
    said = (span.key.symbol, str(span.numeral)) if span is not None else labels[0]
    if said in labels[:10]:
        hand.press(str(labels.index(said)))
        taken = hand.settled(saved)
    else:
        hand.press("e")
        hand.write(f"{said[0]}: {said[1]}")
        hand.press("Enter")
        taken = hand.settled(saved)
        hand.press("Escape")
    if not taken:
        hand.work.refused += 1
        hand.press("0")
        taken = hand.settled(saved)
    if carries and taken:
        hand.until("!document.querySelector('desk-carried[aria-busy]')")
        if hand.page.locator("#carry-take").count():
            hand.work.carried += hand.page.locator(".carry-places > li").count()
            saved = hand.page.evaluate(_UNDO)
            hand.click("#carry-take")
            hand.settled(saved)
    return True


def _stops(hand: Hand) -> None:
    hand.until(PLANNED)
    hand.click("#tab-lesson")
    hand.until("document.querySelectorAll('.stop-card').length > 1")
    worded: list[str] = []
    for _ in range(2):
        # The stops may be chosen anew after the corrections: a teacher takes one that is there now.
        stop = hand.page.evaluate(
            f"(worded) => {_CARDS}.map((card) => card.dataset.stop).find((stop) => !worded.includes(stop))",
            worded,
        )
        worded.append(stop)
        card = f".stop-card[data-stop='{stop}']"
        if not hand.page.locator(f"{card}[open]").count():
            hand.click(f"{card} >> summary")
        hand.click(f"{card} >> textarea >> nth=1")
        hand.press("Control+a")
        hand.write(SAID)
        hand.press("Tab")
        hand.until("(card) => !!document.querySelector(`${card} .yours`)", card)
    # What is left out may be replaced by another stop: the number of stops tells nothing.
    last = hand.page.evaluate(f"{_CARDS}.at(-1).dataset.stop")
    card = f".stop-card[data-stop='{last}']"
    if not hand.page.locator(f"{card}[open]").count():
        hand.click(f"{card} >> summary")
    hand.click(f"{card} >> :scope > .hear > button >> nth=-1")
    hand.until("(stop) => !document.querySelector(`.stop-card[data-stop='${stop}']`)", last)


def pieces() -> list[tuple[Path, Path]]:
    """Return our examples, and songs of the open data of the length that is asked for."""
    found = [(p, p.with_name("analysis.txt")) for p in sorted(EXAMPLES.glob("*/score.musicxml"))]
    songs = []
    for analysis in sorted((data_folder() / "harmony" / "dev" / "lieder").rglob("analysis.txt")):
        score = next(iter(sorted(analysis.parent.glob("score.m*xl"))), None)
        if score is not None and BARS[0] <= len(read_score(score).measures) <= BARS[1]:
            songs.append((score, analysis))
        if len(songs) == SONGS:
            break
    return [pair for pair in found if pair[1].is_file()] + songs


def main(arguments: list[str] | None = None) -> int:
    """Print the table; return 1 where a lesson was not finished."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("given", nargs="*", type=Path, metavar="SCORE ANALYSIS")
    parser.add_argument("--chords", type=int, default=CHORDS)
    parser.add_argument("--alone", action="store_true", help="confirm no keys at once, carry nothing")
    parsed = parser.parse_args(arguments)
    given = parsed.given
    counted = ("chords", "refused", "carried", "keys", "clicks")
    table = Table("piece", "bars", *(f"{s}, min" for s in PATIENCE), "all, min", *counted)
    console = Console()
    hindered = False
    for score, analysis in list(zip(given[::2], given[1::2], strict=True)) or pieces():
        name = f"{score.parent.name}/{score.name}"
        with console.status(name):
            try:
                work = lesson(score, analysis, parsed.chords, not parsed.alone)
            except HinderedError as error:
                hindered = True
                table.add_row(name, str(error))
                print(name, error, file=sys.stderr, flush=True)
                continue
        minutes = [work.seconds.get(step, 0.0) / 60 for step in PATIENCE]
        row = [
            name,
            len(read_score(score).measures),
            *(f"{m:.2f}" for m in minutes),
            f"{sum(minutes):.2f}",
            *(work.looked_at, work.refused, work.carried, work.keys, work.clicks),
        ]
        table.add_row(*map(str, row))
        print(*row, file=sys.stderr, flush=True)
    console.print(table)
    if hasattr(os, "getloadavg"):
        console.print(f"load {os.getloadavg()[1]:.1f} on {os.cpu_count()} cores")
    return int(hindered)


if __name__ == "__main__":
    raise SystemExit(main())
