"""The running order of a recorded talk: when each stop and excerpt begins, chapters, captions.

In: a Score, its Reading, the lesson's stops in order and their `Timing` (speaking rate, the plan's tempo).
Out: `Cue`s without gaps, and from them a cue sheet (CSV), a chapter list, and captions as WebVTT (W3C,
*WebVTT: The Web Video Text Tracks Format*) and SubRip (SRT).

A stop runs: its title, its bars, what is said, how to play it, its bars again, other sounds, the question,
time to think, the answer.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from understave.export.spreadsheet import csv_text
from understave.harmony.reading import Reading
from understave.score.model import Score
from understave.teaching.speech import SENTENCE_PAUSE, speaking_seconds, spoken_words
from understave.teaching.stops import EXCERPT, THINKING, TURNING, Stop, Timing, opening_words, plays_whole
from understave.theory.vocabulary import Language
from understave.wording import Phrasebook, in_a_line, phrasebook

LINE, LINES = 42, 2
"""Characters in a line of a caption and lines in one (common practice of subtitlers, no source)."""


@dataclass(frozen=True, slots=True)
class Cue:
    """Something in the talk: from `start`, for `length` seconds.

    `words` are spoken, `music` is heard, `turning` is the breath after it, `thinking` the time before an
    answer. `text` is what is said, with numerals between ⟨ and ⟩, or the name of what is heard; `sound` is
    the name of a sound that a stop hears, or ``"piece"``. `chapter` is the title of the stop or the opening.
    """

    start: float
    length: float
    kind: Literal["words", "music", "turning", "thinking"]
    text: str
    chapter: str
    stop: str = ""
    sound: str = ""

    @property
    def end(self) -> float:
        """Second at which the next cue begins."""
        return self.start + self.length


def cue_list(
    score: Score,
    reading: Reading,
    stops: Sequence[Stop],
    timing: Timing,
    minutes: float,
    language: Language = "en",
) -> tuple[Cue, ...]:
    """Return the whole talk, cue by cue; each stop lasts what its `seconds` say."""
    book = phrasebook(language)
    opening = book.phrases["lesson_opening"]
    parts: list[Cue] = [
        _words(opening_words(score, reading, language), timing, opening, ""),
        Cue(0, TURNING, "turning", "", opening),
    ]
    if plays_whole(score, timing, minutes):
        last = len(score.measures) - 1
        parts.append(Cue(0, timing.bars(score, 0, last), "music", score.title, opening, "", "piece"))
        parts.append(Cue(0, TURNING, "turning", "", opening))
    for stop in stops:
        parts += _of_stop(score, stop, timing, book)
    cues: list[Cue] = []
    now = 0.0
    for p in parts:
        cues.append(Cue(now, p.length, p.kind, p.text, p.chapter, p.stop, p.sound))
        now += p.length
    return tuple(cues)


def _words(text: str, timing: Timing, chapter: str, stop: str) -> Cue:
    return Cue(0, speaking_seconds(text, timing.rate), "words", text, chapter, stop)


def _of_stop(score: Score, stop: Stop, timing: Timing, book: Phrasebook) -> Iterator[Cue]:
    bars = book.bars(score.measures[stop.first].number, score.measures[stop.last].number)
    turning = Cue(0, TURNING, "turning", "", stop.title, stop.id)

    def say(text: str) -> Iterator[Cue]:
        if text:
            yield _words(text, timing, stop.title, stop.id)

    def excerpt() -> Iterator[Cue]:
        if EXCERPT in stop.hear:
            length = timing.bars(score, stop.first, stop.last)
            yield Cue(0, length, "music", bars, stop.title, stop.id, EXCERPT)
            yield turning

    yield from say(f"{stop.title}.")
    yield from excerpt()
    yield from say(stop.say[stop.level])
    yield from say(stop.play)
    yield from excerpt()
    for name in stop.hear:
        if name != EXCERPT:
            length = (timing.sounds or {}).get(name, 0.0)
            named = book.phrases["lesson_contrast"].format(name=bars)
            yield Cue(0, length, "music", named, stop.title, stop.id, name)
            yield turning
    yield from say(stop.question)
    if stop.question:
        yield Cue(0, THINKING, "thinking", "", stop.title, stop.id)
    yield from say(stop.answer)


# --- what is written -------------------------------------------------------------------------------------


def cue_sheet(cues: Iterable[Cue], language: Language = "en") -> str:
    """Return the cues as CSV: start and end (h:mm:ss.s), what, which stop, which sound, text."""
    book = phrasebook(language)
    head = tuple(book.columns[name] for name in ("start", "end", "kind", "stop", "sound", "text"))
    rows = (
        (
            _clock(c.start),
            _clock(c.end),
            book.cells[c.kind],
            c.stop,
            book.cells.get(c.sound, c.sound),
            in_a_line(c.text),
        )
        for c in cues
        if c.kind != "turning"
    )
    return csv_text((head, *rows))


def _clock(seconds: float) -> str:
    tenths = round(10 * seconds)
    return f"{tenths // 36_000}:{tenths // 600 % 60:02d}:{tenths / 10 % 60:04.1f}"


def chapters(cues: Sequence[Cue]) -> tuple[tuple[float, float, str], ...]:
    """Return (start, end, title) of the opening and of each stop."""
    starts: list[tuple[float, str]] = []
    last: tuple[str, str] | None = None
    for c in cues:
        if (c.stop, c.chapter) != last:
            starts.append((c.start, c.chapter))
            last = (c.stop, c.chapter)
    if not starts:
        return ()
    ends = [start for start, _ in starts[1:]] + [cues[-1].end]
    return tuple((start, end, title) for (start, title), end in zip(starts, ends, strict=True))


def chapter_list(cues: Sequence[Cue]) -> str:
    """Return a line for each chapter, ``0:00 Opening``, as descriptions of films have them."""
    lines = []
    for start, _, title in chapters(cues):
        second = int(start)
        hours = f"{second // 3600}:{second // 60 % 60:02d}" if second >= 3600 else f"{second // 60}"
        lines.append(f"{hours}:{second % 60:02d} {in_a_line(title)}\n")
    return "".join(lines)


def chapters_webvtt(cues: Sequence[Cue]) -> str:
    """Return the chapters as a WebVTT file, for a ``<track kind="chapters">``."""
    return _webvtt((start, end, in_a_line(title)) for start, end, title in chapters(cues))


def captions(cues: Iterable[Cue]) -> tuple[tuple[float, float, str], ...]:
    """Return captions (start, end, text of at most two lines); music is named between two note signs."""
    found: list[tuple[float, float, str]] = []
    for c in cues:
        if c.kind == "music":
            found.append((c.start, c.end, _lines(f"♪ {in_a_line(c.text)} ♪")[0]))
        elif c.kind == "words":
            found += _spoken(c)
    return tuple(found)


def _spoken(cue: Cue) -> list[tuple[float, float, str]]:
    """Share out the seconds of a cue to its captions, by their words and the breaths after sentences."""
    rows = [(piece, text) for piece in _sentences(cue.text) for text in _lines(piece)]
    ends = [k + 1 == len(rows) or rows[k + 1][0] is not rows[k][0] for k in range(len(rows))]
    spoken = max(1, spoken_words(cue.text))
    breaths = sum(ends)
    rate = max(0.01, cue.length - SENTENCE_PAUSE * breaths) / spoken
    # The words of a numeral are counted in the text that has its brackets; here by its share of the signs.
    weights = []
    for piece, text in rows:
        inside = [t for p, t in rows if p is piece]
        share = len(text) / sum(map(len, inside))
        weights.append(rate * spoken_words(piece) * share)
    lengths = [w + SENTENCE_PAUSE * end for w, end in zip(weights, ends, strict=True)]
    scale = cue.length / sum(lengths)
    found = []
    now = cue.start
    for (_, text), length in zip(rows, lengths, strict=True):
        found.append((now, now + scale * length, text))
        now += scale * length
    return found


def _sentences(text: str) -> list[str]:
    return [s for s in re.split(r"(?<=[.?!…])\s+", text.strip()) if s]


def _lines(text: str) -> list[str]:
    """Break a sentence into captions of at most two lines, as even as its words allow."""
    # French signs keep their space, which must not break.
    words = re.split(r"[ \t\n]+", in_a_line(text).strip())
    total = len(" ".join(words))
    count = -(-total // (LINE * LINES))
    while True:
        made = _broken(words, count * LINES)
        if made is not None:
            return ["\n".join(made[k : k + LINES]) for k in range(0, len(made), LINES)]
        count += 1


def _broken(words: Sequence[str], most: int) -> list[str] | None:
    """Break words into at most so many lines, none longer than `LINE` where words allow, or None."""
    total = len(" ".join(words))
    aim = min(LINE, max(total / most, LINE / 2))
    lines: list[str] = []
    line = ""
    for word in words:
        longer = f"{line} {word}".strip()
        if line and (len(longer) > LINE or (len(line) >= aim and len(lines) + 1 < most)):
            lines.append(line)
            line = word
        else:
            line = longer
    lines.append(line)
    return lines if len(lines) <= most else None


def webvtt(cues: Iterable[Cue]) -> str:
    """Return the captions as a WebVTT file."""
    return _webvtt(captions(cues))


def _webvtt(rows: Iterable[tuple[float, float, str]]) -> str:
    blocks = ["WEBVTT\n"]
    for number, (start, end, text) in enumerate(_in_milliseconds(rows), start=1):
        escaped = text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
        blocks.append(f"{number}\n{_stamp(start, '.')} --> {_stamp(end, '.')}\n{escaped}\n")
    return "\n".join(blocks)


def srt(cues: Iterable[Cue]) -> str:
    """Return the captions as a SubRip file."""
    return "\n".join(
        f"{number}\n{_stamp(start, ',')} --> {_stamp(end, ',')}\n{text}\n"
        for number, (start, end, text) in enumerate(_in_milliseconds(captions(cues)), start=1)
    )


def _in_milliseconds(rows: Iterable[tuple[float, float, str]]) -> list[tuple[int, int, str]]:
    """Round times so that no caption overlaps the next and none is empty."""
    whole = [(round(1000 * start), round(1000 * end), text) for start, end, text in rows]
    found = []
    for (start, end, text), following in pairwise([*whole, (1 << 62, 0, "")]):
        found.append((start, max(start + 1, min(end, following[0])), text))
    return found


def _stamp(milliseconds: int, mark: str) -> str:
    seconds, rest = divmod(milliseconds, 1000)
    return f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}{mark}{rest:03d}"


def script(cues: Sequence[Cue]) -> str:
    """Return the talk to read from: chapters with their time, what is said, and what is heard in brackets."""
    lines: list[str] = []
    last: tuple[str, str] | None = None
    for c in cues:
        if (c.stop, c.chapter) != last:
            last = (c.stop, c.chapter)
            name = f" [{c.stop}]" if c.stop else ""
            lines.append(f"\n{_clock(c.start)}  {in_a_line(c.chapter)}{name}\n")
            if c.kind == "words" and c.text == f"{c.chapter}.":
                continue
        if c.kind == "words":
            lines.append(in_a_line(c.text))
        elif c.kind == "music":
            lines.append(f"(♪ {in_a_line(c.text)}, {c.length:.0f} s)")
        elif c.kind == "thinking":
            lines.append("(…)")
    return "\n".join(lines).lstrip("\n") + "\n"
