"""Clips: a film of some bars, the score with its notes lighting up as they sound, the harmony below.

In: a Score, its Reading, a Plan and which bars, perhaps what the teacher says there. Out: MP4 bytes with our
own sound. Systems are engraved and turned into pixels once; each picture of the film is cut from them and has
only its lights mixed in. While the teacher speaks the music holds, and the captions stand below the score.
"""

from __future__ import annotations

import io
import json
import tempfile
from bisect import bisect_right
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from importlib.resources import files
from math import ceil
from pathlib import Path
from typing import Any, Literal

import numpy as np
import typst
from numpy.typing import NDArray

from understave.acoustics.files import RATE, Samples, common_gain, read_audio
from understave.acoustics.piano import GRAND, Instrument
from understave.acoustics.sound import render
from understave.acoustics.tags import tags_of
from understave.engraving import Options, to_png
from understave.engraving.geometry import Box
from understave.engraving.palette import colour_of, function_of
from understave.engraving.strips import Strip, strips
from understave.errors import TakeError
from understave.harmony.reading import Reading, Span
from understave.interpretation.perform import Clock, clock, perform
from understave.interpretation.plan import Plan
from understave.media.film import Picture, check_film, film_at, film_bytes
from understave.media.teacher_voice import Said, VoiceOver
from understave.media.webpage import lights
from understave.score.model import Score
from understave.takes.views import Excerpt
from understave.theory.conventions import key_label, written
from understave.theory.names import pitch_class_name
from understave.theory.vocabulary import Language
from understave.wording import phrasebook
from understave.wording.numerals import chord_words

Shape = Literal["wide", "tall"]
SHAPES: tuple[Shape, ...] = ("wide", "tall")
FPS = 30
_FADE = 0.22
"""Seconds in which a light goes out."""
_GLIDE = 0.7
"""Seconds in which the score moves on to the next system, half of them before it begins."""
_SOFT = 0.06
"""Seconds in which the music fades out before the teacher speaks, and in again: no cut clicks."""
_EDGE = 56
"""Pixels over which a score that goes on beyond the window fades out."""
_LIT = (0xD1, 0x49, 0x00)
"""Colour of the heads of sounding notes, and of the glow behind them."""
_GLOW = (0xFF, 0xE2, 0x9A)
_LABEL = (0xFF, 0xF0, 0xB8)
_BAR_TRACK, _BAR_DONE, _BAR_TICK = (0xD9, 0xD5, 0xCC), (0x00, 0x4C, 0x6D), (0x9A, 0x95, 0x8A)


@dataclass(frozen=True, slots=True)
class Frame:
    """Measures of a film in pixels: its size, the heights of heading, panel and progress bar, the margin.

    `print_size` is pixels to a millimetre of a score with a staff of ordinary size, `unit` the size of text.
    Where the picture of somebody's playing is shown, it has `beside` pixels left of the score, or `above` it.
    """

    width: int
    height: int
    heading: int
    panel: int
    bar: int
    margin: int
    print_size: float
    unit: float
    beside: int = 0
    above: int = 0

    @property
    def room(self) -> int:
        """Height of the window through which the score is seen."""
        return self.height - self.heading - self.panel - self.bar - self.above

    @property
    def wide(self) -> int:
        """Width of that window."""
        return self.width - self.beside


FRAMES: dict[Shape, Frame] = {
    "wide": Frame(1920, 1080, 92, 236, 14, 48, 8.4, 30.0),
    "tall": Frame(1080, 1920, 178, 400, 18, 40, 9.4, 33.0),
}
BESIDE, ABOVE = 768, 608
"""Pixels of the picture of somebody's playing: its width on a wide screen, its height on a tall one."""


@dataclass(frozen=True, slots=True)
class ClipOptions:
    """What the teacher chose: a `wide` screen or a `tall` one (a telephone held upright), and so on.

    `own` is these bars as somebody played them (`takes.views.excerpt_of`): then the film follows their time
    instead of the plan, and has their sound where sound was recorded; with `own_picture` it shows the picture
    of their film too, beside the score on a wide screen and above it on a tall one. `said` is spoken between.
    """

    shape: Shape = "wide"
    instrument: Instrument = GRAND
    language: Language = "en"
    own: Excerpt | None = None
    said: tuple[Said, ...] = ()
    own_picture: bool = False

    @property
    def frame(self) -> Frame:
        """The measures of the film."""
        frame = FRAMES[self.shape]
        if not self.own_picture:
            return frame
        return replace(frame, beside=BESIDE) if self.shape == "wide" else replace(frame, above=ABOVE)


def clip(  # noqa: PLR0913
    score: Score,
    reading: Reading,
    plan: Plan,
    first: int,
    last: int,
    options: ClipOptions = ClipOptions(),
    on_share: Callable[[str, float], None] = lambda step, share: None,
) -> bytes:
    """Return measures `first` to `last` (indexes, both included) as MP4; see `media.film`.

    `on_share` hears what is being done and the share of it that is done. Raises MissingError without the
    extra that films need.
    """
    check_film()
    film = _own_film(options) if options.own_picture else None
    on_share("playing", 0.0)
    if options.own is None:
        performance = perform(score, plan, first=first, last=last)
        time = clock(score, plan, first=first, last=last)
    else:
        performance, time = options.own.performance, options.own.clock
    if options.own is not None and options.own.sound is not None:
        sound = np.stack([options.own.sound] * 2, axis=1)
    else:
        sound = render(performance, options.instrument, RATE, lambda share: on_share("playing", share))
    sound = sound * np.float32(common_gain([sound]))
    on_share("engraving", 0.0)
    scene = set_scene(score, reading, time, first, last, options)
    scene.light(lights(score, performance))
    scene.film = film
    if options.said:
        holds = _holds(options.said, score.measures[first].start, time)
        sound = _with_voices(sound, holds)
        scene.hold(holds, _caption_panels(score, holds, (first, last), options))
    # Bars that end in rests are shown to their end.
    count = max(1, ceil(max(len(sound) / RATE, scene.length) * FPS))
    bars = phrasebook(options.language).bars(score.measures[first].number, score.measures[last].number)
    return film_bytes(
        scene.pictures(count),
        count,
        sound,
        RATE,
        fps=FPS,
        tags=tags_of(score, bars),
        progress=lambda share: on_share("filming", share),
    )


@dataclass(frozen=True, slots=True)
class Hold:
    """Where the music holds, in seconds of the music alone, for a recording."""

    second: float
    voice: VoiceOver

    @property
    def length(self) -> float:
        """Seconds that it lasts."""
        return self.voice.length


def _holds(said: tuple[Said, ...], begin: Fraction, time: Clock) -> list[Hold]:
    """Return where the music holds, in order; what is said of music before the clip is said first."""
    found = [Hold(max(0.0, time.at(max(one.moment, begin))), one.voice) for one in said]
    return sorted(found, key=lambda hold: hold.second)


def _of_music(second: float, holds: Sequence[Hold]) -> float:
    """Return the second of the music alone that stands at a second of the clip; it stands still in a hold."""
    held = 0.0
    for hold in holds:
        if second < hold.second + held:
            break
        held += min(hold.length, second - hold.second - held)
    return second - held


def _with_voices(sound: Samples, holds: list[Hold]) -> Samples:
    """Let the recordings be heard between the music, which fades out before each and in after it."""
    pieces, before = [], 0
    ramp = np.linspace(0, 1, round(_SOFT * RATE), dtype=np.float32)[:, None]
    for hold in holds:
        at = min(len(sound), round(hold.second * RATE))
        piece = sound[before:at].copy()
        piece[-len(ramp) :] *= ramp[::-1][-len(piece) :] if len(piece) else 1
        if before and len(piece) >= len(ramp):
            piece[: len(ramp)] *= ramp
        voice, rate = read_audio(io.BytesIO(hold.voice.data))
        if rate != RATE:  # pragma: no cover  (recordings are prepared at this rate)
            raise ValueError(f"a voice has {rate} samples a second")
        spoken = np.repeat(voice[:, :1] if voice.ndim > 1 else voice[:, None], 2, axis=1)
        wanted = round(hold.length * RATE)
        pieces += [piece, np.pad(spoken[:wanted], ((0, max(0, wanted - len(spoken))), (0, 0)))]
        before = at
    rest = sound[before:].copy()
    rest[: len(ramp)] *= ramp[: len(rest)] if before else 1
    return np.concatenate([*pieces, rest]).astype(np.float32)


def _own_film(options: ClipOptions) -> Callable[[float], Picture]:
    """Return what the film of somebody's playing shows at a second of the clip."""
    own, frame = options.own, options.frame
    if own is None or own.film is None:
        raise TakeError(
            "This take has no picture; give one that is a film (.mp4, .mov), or leave its picture out."
        )
    return film_at(own.film, own.film_from, frame.beside or frame.width, frame.above or frame.room)


@dataclass(frozen=True)
class _Light:
    """Something that lights up: where in the roll, its pixels when lit, how far each is mixed in (0..1)."""

    start: float
    end: float
    x: int
    y: int
    lit: NDArray[np.float32]
    mask: NDArray[np.float32]

    def strength(self, second: float) -> float:
        """How bright it is at a moment: at once when struck, fading when let go."""
        if second < self.start:
            return 0.0
        return 1.0 if second < self.end else max(0.0, 1 - (second - self.end) / _FADE)


@dataclass
class Scene:
    """Everything a clip is put together from, in pixels.

    `roll` is the whole score, one system below the other; `tops` are (second, y) of where the window on it
    stands; `panels` are (second, picture) of the panel from then on; `ticks` where bars begin, 0..1.
    """

    frame: Frame
    roll: Picture
    heading: Picture
    panels: list[tuple[float, Picture]]
    tops: list[tuple[float, float]]
    ticks: list[float]
    length: float
    heads: dict[str, Box] = field(default_factory=dict)
    film: Callable[[float], Picture] | None = None
    _lights: list[_Light] = field(default_factory=list)

    def light(self, notes: tuple[tuple[str, float, float], ...]) -> None:
        """Let notes, (id, start, end) in seconds, light up."""
        for i, start, end in notes:
            if i in self.heads:
                self._lights.append(_head_light(self.roll, self.heads[i], start, end))
        self._lights.sort(key=lambda one: one.start)

    def hold(self, holds: list[Hold], captions: list[list[Picture]]) -> None:
        """Stand still while the teacher speaks; `captions` are pictures of the panel for each hold."""

        def later(second: float, ends: bool = False) -> float:
            return second + sum(
                h.length for h in holds if (h.second < second if ends else h.second <= second)
            )

        if self.film is not None:
            film = self.film
            self.film = lambda second: film(_of_music(second, holds))
        starts = [second for second, _ in self.panels]
        panels = [(later(second), picture) for second, picture in self.panels]
        for hold, pictures in zip(holds, captions, strict=True):
            begin, until = later(hold.second) - hold.length, later(hold.second)
            for (_, shown, _), picture in zip(hold.voice.captions, pictures, strict=True):
                panels.append((begin + shown, picture))
            panels.append((until, self.panels[max(0, bisect_right(starts, hold.second) - 1)][1]))
        self.panels = sorted(panels, key=lambda panel: panel[0])
        self.tops = [(later(second), y) for second, y in self.tops]
        length = later(self.length, ends=True)
        self.ticks = [later(share * self.length) / length for share in self.ticks]
        self.length = length
        self._lights = sorted(
            (replace(one, start=later(one.start), end=later(one.end, ends=True)) for one in self._lights),
            key=lambda one: one.start,
        )

    def top(self, second: float) -> int:
        """Where the window stands at a moment: still, then gliding to the next system."""
        position = self.tops[0][1]
        for begin, y in self.tops[1:]:
            share = min(1.0, max(0.0, (second - begin) / _GLIDE + 0.5))
            position += (y - position) * share * share * (3 - 2 * share)
        return round(position)

    def pictures(self, count: int) -> Iterator[Picture]:
        """Yield the pictures of the film."""
        starts = [second for second, _ in self.panels]
        waiting = list(self._lights)[::-1]
        burning: list[_Light] = []
        for number in range(count):
            # What begins while a picture is shown is lit in it, never later.
            second = (number + 1) / FPS - 1e-6
            while waiting and waiting[-1].start <= second:
                burning.append(waiting.pop())
            burning = [one for one in burning if one.end + _FADE > second]
            panel = self.panels[max(0, bisect_right(starts, second) - 1)][1]
            yield self._picture(second, number / FPS, panel, burning)

    def _picture(self, second: float, shown: float, panel: Picture, burning: list[_Light]) -> Picture:
        frame = self.frame
        picture = np.empty((frame.height, frame.width, 3), np.uint8)
        picture[: frame.heading] = self.heading
        if self.film is not None:
            high = frame.above or frame.room
            picture[frame.heading : frame.heading + high, : frame.beside or frame.width] = self.film(shown)
        top_of_score = frame.heading + frame.above
        window = picture[top_of_score : top_of_score + frame.room, frame.beside :]
        top = self.top(second)
        window[:] = self.roll[top : top + frame.room]
        for one in burning:
            _mix(window, one, top, one.strength(second))
        if top > 0:
            _fade(window[:_EDGE])
        if top + frame.room < len(self.roll):
            _fade(window[: -_EDGE - 1 : -1])
        below = top_of_score + frame.room
        picture[below : below + frame.panel] = panel
        bar = picture[below + frame.panel :]
        bar[:] = _BAR_TRACK
        for share in self.ticks:
            bar[frame.bar // 2 :, round(share * (frame.width - 1))] = _BAR_TICK
        bar[:, : round(frame.width * min(1.0, shown / self.length))] = _BAR_DONE
        return picture


def set_scene(
    score: Score, reading: Reading, time: Clock, first: int, last: int, options: ClipOptions
) -> Scene:
    """Engrave the bars and turn all that a clip shows into pixels."""
    frame = options.frame
    systems, size = _engraved(score, reading, first, last, frame, options.language)
    roll, tops_of, places = _roll(systems, size, frame)
    scene = Scene(
        frame=frame,
        roll=roll,
        heading=roll,
        panels=[],
        tops=[],
        ticks=[],
        length=max(time.seconds[-1], 1e-6),
        heads={
            i: b for strip, place in zip(systems, places, strict=True) for i, b in _heads(strip, size, place)
        },
    )
    lowest = len(roll) - frame.room
    for strip, y in zip(systems, tops_of, strict=True):
        scene.tops.append((time.at(strip.start), float(min(max(0, y), lowest))))
    scene.ticks = [time.at(score.measures[k].start) / scene.length for k in range(first + 1, last + 1)]
    begin, finish = score.measures[first].start, score.measures[last].end
    spans = [span for span in reading.spans if span.start < finish and span.end > begin]
    scene.heading, scene.panels = _panels(score, spans, time, first, last, frame, options)
    for strip, (x, y) in zip(systems, places, strict=True):
        for index, box in strip.numerals.items():
            span, ends = reading.spans[index], _shown_until(reading, index)
            at, until = time.at(max(span.start, begin)), time.at(min(ends, finish))
            scene._lights.append(_label_light(roll, _pixels(box, size, x, y), at, until))
    return scene


def _engraved(
    score: Score, reading: Reading, first: int, last: int, frame: Frame, language: Language
) -> tuple[tuple[Strip, ...], float]:
    """Engrave the bars in systems that fit the window, as large as they can be; return pixels to a mm."""
    size = frame.print_size
    options = Options(legend=False, language=language)
    while True:
        found = strips(score, reading, first, last, (frame.wide - 2 * frame.margin) / size, options)
        tallest = max(strip.height for strip in found) * size
        if tallest <= frame.room or size < 1:
            break
        # A system taller than the window is printed smaller, and then holds more bars.
        size *= 0.97 * frame.room / tallest
    widest = max(strip.left + strip.width for strip in found) - min(strip.left for strip in found)
    larger = min((frame.wide - 2 * frame.margin) / widest, 1.6 * frame.print_size)
    fitting = frame.room / sum(strip.height for strip in found)
    if len(found) == 1 or larger <= fitting:
        size = max(size, min(larger, fitting))
    return found, size


def _roll(
    systems: tuple[Strip, ...], size: float, frame: Frame
) -> tuple[Picture, list[int], list[tuple[int, int]]]:
    """Put systems below each other; return the pixels, where the window stands for each, their places."""
    pictures = [_decoded(to_png(strip.svg, max(1, round(strip.width * size)))) for strip in systems]
    heights = [len(p) for p in pictures]
    spare = frame.room - sum(heights)
    gap = max(0, min(spare // (len(heights) + 1), frame.room // 8)) if spare > 0 else frame.room // 40
    inside = sum(heights) + gap * (len(heights) - 1)
    edge = max(gap, (frame.room - inside) // 2)
    roll = np.full((max(frame.room, inside + 2 * edge), frame.wide, 3), 255, np.uint8)
    y, tops, places = edge, [], []
    left = min(strip.left for strip in systems)
    wide = max((strip.left - left) * size + p.shape[1] for strip, p in zip(systems, pictures, strict=True))
    for system, picture in zip(systems, pictures, strict=True):
        x = round(max(0.0, (frame.wide - wide) / 2) + (system.left - left) * size)
        drawn = picture[:, : frame.wide - x]
        roll[y : y + len(drawn), x : x + drawn.shape[1]] = drawn
        tops.append(y - edge)
        places.append((x, y))
        y += len(drawn) + gap
    return roll, tops, places


def _pixels(box: Box, size: float, x: int, y: int) -> Box:
    return box.transformed((size, 0, 0, size, x, y))


def _heads(strip: Strip, size: float, place: tuple[int, int]) -> Iterator[tuple[str, Box]]:
    for i, box in strip.heads.items():
        yield i, _pixels(box, size, *place)


def _shown_until(reading: Reading, index: int) -> Fraction:
    """Where the label that begins at a span ends: one label stands for all spans of the same chord."""
    spans = reading.spans
    here = spans[index]
    while index + 1 < len(spans) and (spans[index + 1].key, spans[index + 1].numeral) == (
        here.key,
        here.numeral,
    ):
        index += 1
    return spans[index].end


# --- light -----------------------------------------------------------------------------------------------


def _patch(roll: Picture, box: Box) -> tuple[int, int, NDArray[np.float32], NDArray[np.float32], Any]:
    """The pixels of the roll in a box: its corner, how black each is (0..1), and their x and y."""
    x0, y0 = max(0, int(box.x0)), max(0, int(box.y0))
    part = roll[y0 : ceil(box.y1), x0 : ceil(box.x1)].astype(np.float32)
    darkness = 1 - part.min(axis=2, keepdims=True) / 255
    ys, xs = np.mgrid[y0 : y0 + part.shape[0], x0 : x0 + part.shape[1]]
    return x0, y0, part, darkness, (xs + 0.5, ys + 0.5)


def _head_light(roll: Picture, head: Box, start: float, end: float) -> _Light:
    """A note's head in colour, with a round glow behind it."""
    reach = 0.75 * head.height
    x, y, _, darkness, (xs, ys) = _patch(roll, head.grown(reach, reach))
    dx = (xs - (head.x0 + head.x1) / 2) / (head.width / 2 + reach)
    dy = (ys - (head.y0 + head.y1) / 2) / (head.height / 2 + reach)
    mask = np.clip((1 - np.hypot(dx, dy)) * 4, 0, 1)[..., None]
    lit = darkness * np.array(_LIT, np.float32) + (1 - darkness) * np.array(_GLOW, np.float32)
    return _Light(start, end, x, y, lit, mask.astype(np.float32))


def _label_light(roll: Picture, label: Box, start: float, end: float) -> _Light:
    """A label on a tinted ground with round corners, its own colour kept."""
    reach = 0.35 * label.height
    box = label.grown(reach, 0.7 * reach)
    x, y, part, _, (xs, ys) = _patch(roll, box)
    corner = min(reach, box.width / 2, box.height / 2)
    dx = np.maximum(0, np.maximum(box.x0 + corner - xs, xs - box.x1 + corner))
    dy = np.maximum(0, np.maximum(box.y0 + corner - ys, ys - box.y1 + corner))
    mask = np.clip(corner - np.hypot(dx, dy) + 0.5, 0, 1)[..., None]
    lit = part * (np.array(_LABEL, np.float32) / 255)
    return _Light(start, end, x, y, lit.astype(np.float32), mask.astype(np.float32))


def _fade(rows: Picture) -> None:
    """Let the score fade into the paper towards the first row, where it goes on beyond the window."""
    share = np.linspace(0, 1, len(rows), dtype=np.float32)[:, None, None]
    rows[:] = np.rint(255 - share * (255 - rows.astype(np.float32))).astype(np.uint8)


def _mix(window: Picture, one: _Light, top: int, strength: float) -> None:
    """Mix a light into the window on the roll, cut off at its edges."""
    y0, y1 = one.y - top, one.y - top + one.lit.shape[0]
    a, b = max(0, y0), min(window.shape[0], y1)
    if a >= b or strength <= 0:
        return
    rows = slice(a - y0, b - y0)
    place = window[a:b, one.x : one.x + one.lit.shape[1]]
    share = one.mask[rows] * np.float32(strength)
    place[:] = np.rint(place + share * (one.lit[rows] - place)).astype(np.uint8)


# --- words -----------------------------------------------------------------------------------------------


def _panels(  # noqa: PLR0913
    score: Score,
    spans: list[Span],
    time: Clock,
    first: int,
    last: int,
    frame: Frame,
    options: ClipOptions,
) -> tuple[Picture, list[tuple[float, Picture]]]:
    """Set the heading, and for each chord in each bar the panel below the score."""
    book = phrasebook(options.language)
    panels: list[dict[str, Any]] = []
    seconds: list[float] = []
    for measure in score.measures[first : last + 1]:
        for k, span in enumerate(spans):
            if span.start >= measure.end or span.end <= measure.start:
                continue
            following = spans[k + 1] if k + 1 < len(spans) else None
            words = chord_words(span.numeral, book)
            members = span.numeral.chord(span.key).members
            seconds.append(time.at(max(span.start, measure.start)))
            bar = book.bars(measure.number, measure.number)
            panels.append(
                {
                    "key": key_label(span.key, options.language),
                    "words": words[0].upper() + words[1:],
                    "notes": " – ".join(_letter(pitch_class_name(m, options.language)) for m in members),
                    "bar": bar[0].upper() + bar[1:],
                    "colour": colour_of(function_of(span.numeral)),
                    "numeral": _numeral(span),
                    "next": _numeral(following) if following else None,
                    "next_colour": colour_of(function_of(following.numeral)) if following else "",
                }
            )
    pages = _set_panels(score, (first, last), panels, options)
    blank = np.full((frame.panel, frame.width, 3), 255, np.uint8)
    return pages[0], list(zip(seconds, pages[1:], strict=True)) or [(0.0, blank)]


def _caption_panels(
    score: Score, holds: list[Hold], bars: tuple[int, int], options: ClipOptions
) -> list[list[Picture]]:
    """Set the panel for each caption of each hold."""
    panels = [{"caption": text} for hold in holds for text, _, _ in hold.voice.captions]
    pages = iter(_set_panels(score, bars, panels, options)[1:])
    return [[next(pages) for _ in hold.voice.captions] for hold in holds]


def _set_panels(
    score: Score, bars: tuple[int, int], panels: list[dict[str, Any]], options: ClipOptions
) -> list[Picture]:
    """Return the heading of a film and the panels below the score as pixels."""
    frame, book = FRAMES[options.shape], phrasebook(options.language)
    data = {
        "tall": options.shape == "tall",
        "width": frame.width,
        "heading_height": frame.heading,
        "panel_height": frame.panel,
        "margin": frame.margin,
        "unit": frame.unit,
        "language": options.language,
        "title": score.title,
        "composer": score.composer,
        "bars": book.bars(*(score.measures[k].number for k in bars)),
        "next": book.phrases["clip_next"],
        "panels": panels,
    }
    with tempfile.TemporaryDirectory(prefix="understave-") as folder:
        root = Path(folder)
        (root / "clip.json").write_text(json.dumps(data, ensure_ascii=False), encoding="utf-8")
        (root / "clip.typ").write_bytes(files("understave.media").joinpath("clip.typ").read_bytes())
        made = typst.compile(root / "clip.typ", root=root, format="png", ppi=72, ignore_system_fonts=True)
    return [_decoded(p) for p in ([made] if isinstance(made, bytes) else made)]


def _numeral(span: Span) -> dict[str, Any]:
    head, figures, target = written(span.numeral, span.key.mode).flat
    return {"head": head, "figures": figures, "target": target}


def _letter(name: str) -> str:
    """A note's name with its sign: ``A flat`` as ``A♭``."""
    for word, sign in ((" double flat", "𝄫"), (" double sharp", "𝄪"), (" flat", "♭"), (" sharp", "♯")):
        name = name.replace(word, sign)
    return name


def _decoded(png: bytes) -> Picture:
    """The pixels of a PNG picture."""
    import av

    with av.open(io.BytesIO(png), "r") as container:
        picture = next(container.decode(video=0)).to_ndarray(format="rgb24")
    return np.asarray(picture, np.uint8)
