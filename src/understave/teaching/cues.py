"""The running order of a recorded talk: when each stop and excerpt begins, chapters, captions.

In: a Score, its Reading, the lesson's stops in order and their `Timing` (speaking rate, the plan's tempo).
Out: `Cue`s without gaps, and from them a cue sheet (CSV), a chapter list, and captions as WebVTT (W3C,
*WebVTT: The Web Video Text Tracks Format*) and SubRip (SRT).

The talk opens with what makes one curious, plays the beginning, goes from stop to stop and closes at the
piano. A stop runs: what leads there, the question, its bars, time to think, the answer and what it means, how
to play it, other sounds, its bars again with a finger pointing. Printed bars stand in the margin; nothing
that is spoken names them.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from textwrap import wrap
from typing import Literal

from understave.export.spreadsheet import csv_text
from understave.harmony.reading import Reading
from understave.score.model import Score
from understave.teaching.speech import SENTENCE_PAUSE, sentences, speaking_seconds, spoken_words
from understave.teaching.spoken import frame
from understave.teaching.stops import EXCERPT, THINKING, TURNING, Stop, Timing, opening_bars, plays_whole
from understave.theory.vocabulary import Language
from understave.wording import Phrasebook, in_a_line, phrasebook

LINE, LINES = 42, 2
"""Characters in a line of a caption and lines in one (common practice of subtitlers, no source)."""


@dataclass(frozen=True, slots=True)
class Cue:
    """Something in the talk: from `start`, for `length` seconds.

    `words` are spoken, `music` is heard, `turning` is the breath after it, `thinking` the time before an
    answer. `text` is what is said, with numerals between ⟨ and ⟩, or the name of what is heard; `sound` is
    the name of a sound that a stop hears, ``"piece"`` or ``"beginning"``. `chapter` is the title of the stop,
    of the opening or of the close. `place` names the printed bars, for the margin. `points` are said while
    music sounds: seconds after its start, and words.
    """

    start: float
    length: float
    kind: Literal["words", "music", "turning", "thinking"]
    text: str
    chapter: str
    stop: str = ""
    sound: str = ""
    place: str = ""
    points: tuple[tuple[float, str], ...] = ()

    @property
    def end(self) -> float:
        """Second at which the next cue begins."""
        return self.start + self.length


def cue_list(
    score: Score,
    reading: Reading,
    stops: Sequence[Stop],
    timing: Timing,
    language: Language = "en",
    recorded: Mapping[str, float] | None = None,
) -> tuple[Cue, ...]:
    """Return the whole talk, cue by cue; each stop lasts what its `seconds` say.

    `recorded` has the seconds of the teacher's own recordings by the stop's id: there the words last so long.
    Where the teacher plays a stop's bars (`Timing.own`), music and pointing follow that playing.
    """
    book = phrasebook(language)
    opening, closing = book.phrases["lesson_opening"], book.phrases["lesson_close"]
    whole = plays_whole(score, timing)
    around = frame(score, reading, stops, whole, language)
    parts: list[Cue] = [
        _words(around.before, timing, opening, ""),
        Cue(0, TURNING, "turning", "", opening),
    ]
    if score.measures:
        first, last = opening_bars(score, reading, timing)
        bars = _bars(score, first, last, book)
        points = _whole_points(score, stops, timing) if whole else ()
        length = timing.bars(score, first, last)
        sound, text = ("piece", score.title) if whole else ("beginning", bars)
        parts.append(Cue(0, length, "music", text, opening, "", sound, bars, points))
        parts.append(Cue(0, TURNING, "turning", "", opening))
    if around.after:
        parts.append(_words(around.after, timing, opening, ""))
    for stop in stops:
        timed = timing.at_stop(stop.id)
        parts += _as_recorded(_of_stop(score, stop, timed, book), (recorded or {}).get(stop.id))
    parts.append(_words(around.close, timing, closing, ""))
    cues: list[Cue] = []
    now = 0.0
    for cue in parts:
        cues.append(replace(cue, start=now))
        now += cue.length
    return tuple(cues)


def _as_recorded(parts: Iterable[Cue], seconds: float | None) -> Iterator[Cue]:
    """Yield the cues of a stop, its words within the seconds of a recording that has them all."""
    cues = tuple(parts)
    words = sum(cue.length for cue in cues if cue.kind == "words")
    share = 1.0 if seconds is None or not words else seconds / words
    for cue in cues:
        yield replace(cue, length=share * cue.length) if cue.kind == "words" else cue


def _words(text: str, timing: Timing, chapter: str, stop: str, place: str = "") -> Cue:
    return Cue(0, speaking_seconds(text, timing.rate), "words", text, chapter, stop, "", place)


def _bars(score: Score, first: int, last: int, book: Phrasebook) -> str:
    return book.bars(score.measures[first].number, score.measures[last].number)


def _whole_points(score: Score, stops: Sequence[Stop], timing: Timing) -> tuple[tuple[float, str], ...]:
    """Where to listen while the whole piece sounds: one word at every stop that has a voice to follow."""
    found = [_points(score, stop, timing, 0)[:1] for stop in stops if len(stop.spoken.points) > 1]
    return tuple(p for points in found for p in points)


def _points(score: Score, stop: Stop, timing: Timing, first: int) -> tuple[tuple[float, str], ...]:
    """When each pointing of a stop falls, in seconds after the start of a bar; none before it."""
    start = timing.time.at(score.measures[first].start)
    found: list[tuple[float, str]] = []
    for pointing in stop.spoken.points:
        at = timing.time.at(pointing.moment) - start
        # Where the moment is the first of the bars, one says only where to listen.
        if at >= _SOON or (pointing.seconds and at >= 0):
            found.append((round(max(0.0, at - pointing.seconds), 3), pointing.text))
    return tuple(sorted(found))


_SOON = 1.5
"""Seconds that must have sounded before one can say "there" (set by ear)."""


def _of_stop(score: Score, stop: Stop, timing: Timing, book: Phrasebook) -> Iterator[Cue]:
    bars = _bars(score, stop.first, stop.last, book)
    turning = Cue(0, TURNING, "turning", "", stop.title, stop.id)
    spoken = stop.spoken

    def say(*texts: str) -> Iterator[Cue]:
        for text in texts:
            if text:
                yield _words(text, timing, stop.title, stop.id, bars)

    def excerpt(points: tuple[tuple[float, str], ...] = ()) -> Iterator[Cue]:
        if EXCERPT in stop.hear:
            length = timing.bars(score, stop.first, stop.last)
            yield Cue(0, length, "music", bars, stop.title, stop.id, EXCERPT, bars, points)
            yield turning

    yield from say(spoken.lead, spoken.question)
    yield from excerpt()
    if spoken.question:
        yield Cue(0, THINKING, "thinking", "", stop.title, stop.id)
    yield from say(spoken.answer, spoken.told, spoken.hands, spoken.compare)
    for name in stop.hear:
        if name != EXCERPT:
            length = (timing.sounds or {}).get(name, 0.0)
            named = book.phrases["lesson_contrast"].format(name=bars)
            yield Cue(0, length, "music", named, stop.title, stop.id, name, bars)
            yield turning
    yield from say(spoken.sing, spoken.again)
    yield from excerpt(_points(score, stop, timing, stop.first))


# --- what is written -------------------------------------------------------------------------------------


def cue_sheet(cues: Iterable[Cue], language: Language = "en") -> str:
    """Return the cues as CSV: start and end (h:mm:ss.s), what, which stop, which sound, text."""
    book = phrasebook(language)
    mark = book.phrases["decimal"]
    head = tuple(book.columns[name] for name in ("start", "end", "kind", "stop", "bar", "sound", "text"))
    rows = [
        (
            _clock(cue.start, mark),
            _clock(cue.end, mark),
            book.cells[cue.kind],
            cue.stop,
            cue.place,
            book.cells.get(cue.sound, cue.sound),
            in_a_line(cue.text),
        )
        for cue in cues
        if cue.kind != "turning"
    ]
    for cue in cues:
        for at, text in cue.points:
            row = (_clock(cue.start + at, mark), "", book.cells["pointing"], cue.stop, cue.place, "", text)
            rows.append(row)
    rows.sort(key=lambda row: row[0])
    return csv_text((head, *rows), language=language)


def _clock(seconds: float, mark: str = ".") -> str:
    tenths = round(10 * seconds)
    return f"{tenths // 36_000}:{tenths // 600 % 60:02d}:{tenths // 10 % 60:02d}{mark}{tenths % 10}"


def chapters(cues: Sequence[Cue]) -> tuple[tuple[float, float, str], ...]:
    """Return (start, end, title) of the opening and of each stop."""
    starts: list[tuple[float, str]] = []
    last: tuple[str, str] | None = None
    for cue in cues:
        if (cue.stop, cue.chapter) != last:
            starts.append((cue.start, cue.chapter))
            last = (cue.stop, cue.chapter)
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
    """Return captions (start, end, text of at most two lines); music, and what is said into it, stands after
    a note sign.
    """
    found: list[tuple[float, float, str]] = []
    for cue in cues:
        if cue.kind == "music":
            found += _sounding(cue)
        elif cue.kind == "words":
            found += _spoken(cue)
    return tuple(found)


def _sounding(cue: Cue) -> list[tuple[float, float, str]]:
    """The name of what is heard, and over it what is said into it, each until the next or its own end."""
    named = _lines(f"♪ {in_a_line(cue.text)} ♪")[0]
    if not cue.points:
        return [(cue.start, cue.end, named)]
    found: list[tuple[float, float, str]] = []
    now = cue.start
    starts = [cue.start + at for at, _ in cue.points]
    for (_, text), start, following in zip(cue.points, starts, [*starts[1:], cue.end], strict=True):
        if start > now:
            found.append((now, start, named))
        now = min(following, max(start + _SHOWN, start + speaking_seconds(text)), cue.end)
        found.append((start, now, _lines(f"♪ {text}")[0]))
    if now < cue.end:
        found.append((now, cue.end, named))
    return found


_SHOWN = 1.2
"""Seconds that a word is shown at least (common practice of subtitlers, no source)."""


def _spoken(cue: Cue) -> list[tuple[float, float, str]]:
    """Share out the seconds of a cue to its captions, by their words and the breaths after sentences."""
    rows = [(piece, text) for piece in sentences(cue.text) for text in _lines(piece)]
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


MARGIN = 14
"""Characters of the margin of a script, in which the printed bars stand."""
WIDTH = 100
"""Characters of a line of the script, with its margin."""


def script(cues: Sequence[Cue]) -> str:
    """Return the talk to read from: chapters with their time, what is said, and what is heard, with the
    printed bars in the margin.
    """
    lines: list[str] = []
    last: tuple[str, str] | None = None
    for cue in cues:
        if (cue.stop, cue.chapter) != last:
            last = (cue.stop, cue.chapter)
            name = f" [{cue.stop}]" if cue.stop else ""
            lines.append(f"\n{_clock(cue.start)}  {in_a_line(cue.chapter)}{name}\n")
        if cue.kind == "words":
            lines += _beside("", in_a_line(cue.text))
        elif cue.kind == "music":
            said = "".join(f" · {at:.0f} s: {text}" for at, text in cue.points)
            lines += _beside(cue.place, f"♪ {in_a_line(cue.text)}, {cue.length:.0f} s{said}")
        elif cue.kind == "thinking":
            lines += _beside("", f"(… {cue.length:.0f} s)")
    return "\n".join(lines).lstrip("\n") + "\n"


def _beside(place: str, text: str) -> list[str]:
    """Set a text with a word in the margin of its first line."""
    rows = wrap(text, WIDTH - MARGIN, break_long_words=False, break_on_hyphens=False)
    return [f"{place if k == 0 else '':<{MARGIN}}{row}".rstrip() for k, row in enumerate(rows)]
