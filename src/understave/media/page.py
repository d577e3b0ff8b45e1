"""The lesson page: one HTML file that opens offline in any browser.

In: a `Page`, plain values that say what is on it (`media.webpage` fills them from a reading and a plan).
Out: HTML with everything inside, or a folder with the sounds beside it. The parts in the browser stand in
``viewer/``; ``viewer/model.js`` names the same fields. Nothing on the page asks the network for anything:
a content security policy in the file forbids it. The values travel as JSON in gzip (RFC 1952) in base64
(RFC 4648), which `viewer/unpacked.js` and `lesson_values` read: engraved pages are mostly the same words.
Gzip looks back no further than 32 KiB, so shapes that several pictures draw stand once, before them all.
"""

from __future__ import annotations

import gzip
import html
import json
import re
from base64 import b64decode, b64encode
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from importlib.resources import files
from typing import Any

from understave.theory.vocabulary import Language
from understave.wording import Phrasebook, phrasebook

SOUNDS = "sounds"
"""The folder beside a page whose sounds are not inside it."""


@dataclass(frozen=True, slots=True)
class Sound:
    """Audio for the browser: `data` as a file of the type `media` (``audio/mpeg``), `length` in seconds.

    `notes` are (note id, start, end) in seconds; the id of every written note that should light up.
    """

    data: bytes = field(repr=False)
    media: str
    length: float
    notes: tuple[tuple[str, float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Bar:
    """A bar of the piece: the id of its group in the engraved pages, its printed number, when it sounds in
    `Page.sound` (seconds), and its chords in words for a screen reader.
    """

    id: str
    number: str
    start: float
    end: float
    words: str = ""


@dataclass(frozen=True, slots=True)
class Label:
    """A chord of the reading, in order, so that its place is its ``data-index`` in the engraved pages."""

    start: float
    end: float
    words: str


@dataclass(frozen=True, slots=True)
class Layout:
    """The whole piece engraved for a width in millimetres, as SVG documents."""

    width: float
    pages: tuple[str, ...] = field(repr=False)


@dataclass(frozen=True, slots=True)
class KeyStretch:
    """A stretch in one key: its name, the same in few letters, and when it sounds in seconds."""

    name: str
    short: str
    start: float
    end: float


@dataclass(frozen=True, slots=True)
class LegendEntry:
    """A colour of the engraved labels (``#RRGGBB``) and what it means."""

    text: str
    colour: str


@dataclass(frozen=True, slots=True)
class NamedSound:
    """A sound with the words on its button, and captions: (text, from, to) in its seconds."""

    name: str
    sound: Sound
    captions: tuple[tuple[str, float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Stop:
    """A place to pause: bars `first` to `last` (indexes into `Page.bars`, both included).

    `words` are paragraphs, `suggestion` says how to play it, `sounds` are others than the bars themselves,
    `contrasts` the places in `Page.contrasts` of those that belong here. `struck` are (note id, start, end)
    of the notes that sound in its bars, in quarter notes as written; `seconds` is what it takes in a lesson.
    In all texts numerals stand between ⟨ and ⟩. Empty texts are left out of the page.
    """

    first: int
    last: int
    place: str
    heading: str
    words: tuple[str, ...]
    question: str = ""
    answer: str = ""
    suggestion: str = ""
    excerpt: str = field(default="", repr=False)
    sounds: tuple[NamedSound, ...] = ()
    contrasts: tuple[int, ...] = ()
    struck: tuple[tuple[str, float, float], ...] = field(default=(), repr=False)
    seconds: float = 0.0


@dataclass(frozen=True, slots=True)
class Side:
    """One version of a contrast: its name, its engraved bars (SVG), its sound, and the seconds that the bars
    take in it, so that going over keeps the place where one is slower (0: as in the others).
    """

    name: str
    picture: str = field(repr=False)
    sound: Sound
    lasts: float = 0.0


@dataclass(frozen=True, slots=True)
class Contrast:
    """Versions of the same bars to hear against each other; their sounds must share one gain."""

    heading: str
    place: str
    listen: str
    sides: tuple[Side, ...]


@dataclass(frozen=True, slots=True)
class Passage:
    """A paragraph of the harmonic story with its heading."""

    heading: str
    text: str


@dataclass(frozen=True, slots=True)
class PageTake:
    """A take in words; `slips` are ids of notes by kind of slip (see `engraving.slip_signs`)."""

    name: str
    told: tuple[str, ...]
    slips: dict[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class TakesOverTime:
    """Takes, the oldest first: what became of slips, a table's headings and its rows."""

    told: tuple[str, ...]
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class Playing:
    """The teacher's takes over one another beside the plan, as an SVG document; the latest in words, the
    latest first; what the signs of slips say; and all of them over time.
    """

    picture: str
    takes: tuple[PageTake, ...]
    signs: dict[str, str]
    times: TakesOverTime


@dataclass(frozen=True, slots=True)
class Term:
    """A term of the trade and what it means."""

    term: str
    meaning: str


@dataclass(frozen=True, slots=True)
class Question:
    """A question to answer on the page: a `teaching.homework.Task` whose answers are `sealed`.

    That is JSON in base64: what the browser compares with, and the reasons. It keeps nobody from looking; it
    only shows nothing to those who do not.
    """

    id: str
    way: str
    first: int
    last: int
    prompt: str
    sealed: str = field(repr=False)
    marked: tuple[str, ...] = ()
    hears: tuple[int, int] | None = None
    choices: tuple[str, ...] = ()
    spots: tuple[tuple[str, tuple[str, ...]], ...] = ()
    sign: str = ""


@dataclass(frozen=True, slots=True)
class Homework:
    """The questions of a page under an `id` of their own, and the names of the twelve keys from C."""

    id: str
    questions: tuple[Question, ...]
    keys: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Numeral:
    """How a numeral between ⟨ and ⟩ is set: head, figures from top to bottom, what it applies to."""

    head: str
    figures: tuple[str, ...]
    target: str


@dataclass(frozen=True, slots=True)
class Page:
    """Everything on a lesson page.

    `layouts` are the piece engraved for several widths, widest first; the browser takes the one that can be
    read on its screen. `sound` is the whole piece, to which the seconds of `bars`, `labels`, `keys` and
    `tension` (points of second and 0..1) belong; without it the page is silent. `numerals` has every
    ⟨numeral⟩ in the texts. `minutes` is how long the lesson is planned to last.
    """

    title: str
    composer: str
    language: Language
    layouts: tuple[Layout, ...]
    bars: tuple[Bar, ...]
    summary: str = ""
    sound: Sound | None = None
    labels: tuple[Label, ...] = ()
    keys: tuple[KeyStretch, ...] = ()
    tension: tuple[tuple[float, float], ...] = ()
    legend: tuple[LegendEntry, ...] = ()
    stops: tuple[Stop, ...] = ()
    contrasts: tuple[Contrast, ...] = ()
    playing: Playing | None = None
    minutes: float = 0.0
    story: tuple[Passage, ...] = ()
    glossary: tuple[Term, ...] = ()
    homework: Homework | None = None
    numerals: Mapping[str, Numeral] = field(default_factory=dict)
    credits: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()


def lesson_page(page: Page) -> str:
    """Return the page as one HTML file with its sounds inside, each once."""
    sounds: dict[bytes, Sound] = {}

    def held(sound: Sound) -> str:
        sounds.setdefault(sound.data, sound)
        return f"#{_held(list(sounds).index(sound.data))}"

    return _html(page, held, sounds.values())


def lesson_values(document: str) -> dict[str, Any]:
    """Return the values of a lesson page from its HTML; a sound inside it is named by ``#`` and its element.

    Raises ValueError where the document is no lesson page.
    """
    found = re.search(r'<script type="application/gzip" id="lesson">([^<]*)</script>', document)
    if found is None:
        raise ValueError("this is no lesson page: the element with the lesson is missing")
    first, second = gzip.decompress(b64decode(found[1])).decode().split("\n")
    shapes = json.loads(first)
    values: dict[str, Any] = json.loads(_NUMBERED.sub(lambda path: path[1] + shapes[int(path[2])], second))
    return values


def lesson_page_files(page: Page) -> dict[str, str | bytes]:
    """Return the page and its sounds as files by their relative path: ``page.html``, ``sounds/1.mp3`` ..."""
    paths: dict[bytes, str] = {}

    def beside(sound: Sound) -> str:
        return paths.setdefault(sound.data, f"{SOUNDS}/{len(paths) + 1}{_SUFFIXES[sound.media]}")

    text = _html(page, beside)
    return {"page.html": text, **{path: data for data, path in paths.items()}}


def page_values(page: Page, source: Callable[[Sound], str]) -> dict[str, Any]:
    """Return the page as values for JSON; `source` says where the browser finds a sound."""
    values = _values(page, source)
    assert isinstance(values, dict)
    return values


def plain_values(part: Any) -> Any:
    """Return a part of a page as values for JSON, with its sounds inside."""
    return _values(part, _inside)


def bundled(entry: str = "page.js") -> str:
    """Return a module of the viewer and all it imports as one script, each once, in the order they need.

    What is said in comments stays with the modules: it would make a quarter of every page's script.

    Modules of the viewer import by ``import ... from "./name.js"`` and export functions, classes, constants;
    no two export the same name, and what a module keeps to itself stays its own.
    """
    done: dict[str, str] = {}
    _bundle(entry, done)
    return "\n".join(done.values())


def style() -> str:
    """Return the viewer's style sheet."""
    return _viewer("style.css")


_SUFFIXES = {"audio/mpeg": ".mp3", "audio/ogg": ".opus", "audio/flac": ".flac", "audio/wav": ".wav"}

# 'self' and file: are for sounds that lie beside the page.
_POLICY = (
    "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data:; "
    "media-src data: blob: file: 'self'; base-uri 'none'; form-action 'none'"
)

_DOCUMENT = """<!doctype html>
<html lang="{language}">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{policy}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title>
<link rel="icon" href="data:,">
<style>
{style}
</style>
</head>
<body>
<div id="page"><main><h1>{title}</h1><p>{composer}</p></main></div>
<script type="application/json" id="words">{words}</script>
<script type="application/gzip" id="lesson">{lesson}</script>
{sounds}<script type="module">
{script}
</script>
</body>
</html>
"""


def page_words(book: Phrasebook, *names: str) -> str:
    """Return tables of words as JSON for the element `words` of a page."""
    return _in_element({name: dict(getattr(book, name)) for name in names})


def _in_element(values: Any) -> str:
    """Return values as JSON that can stand in an element: no text of a lesson can end it."""
    text = json.dumps(values, ensure_ascii=False, separators=(",", ":"))
    return _ENDING.sub("\\\\u003c", text).replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def _packed(values: Any) -> str:
    """Return values as JSON in gzip in base64, the same for the same values on any day; see `unpacked.js`."""
    text = json.dumps(values, ensure_ascii=False, separators=(",", ":"))
    times = Counter(shape for _, shape in _DRAWN.findall(text))
    shapes = [shape for shape, count in times.items() if count > 1]
    place = {shape: number for number, shape in enumerate(shapes)}
    short = _DRAWN.sub(lambda path: f"{path[1]}#{place[path[2]]}" if path[2] in place else path[0], text)
    lines = json.dumps(shapes, separators=(",", ":")) + "\n" + short
    return b64encode(gzip.compress(lines.encode(), mtime=0)).decode("ascii")


def _held(place: int) -> str:
    return f"sound-{place + 1}"


def _html(page: Page, source: Callable[[Sound], str], sounds: Iterable[Sound] = ()) -> str:
    """Return the document; `sounds` are those inside it and may grow while `source` is asked."""
    lesson = _packed(page_values(page, source))
    return _DOCUMENT.format(
        language=page.language,
        policy=_POLICY,
        title=html.escape(page.title),
        composer=html.escape(page.composer),
        style=style(),
        words=page_words(phrasebook(page.language), "page", "lanes"),
        lesson=lesson,
        sounds="".join(
            f'<script type="text/plain" id="{_held(place)}">{_inside(sound)}</script>\n'
            for place, sound in enumerate(sounds)
        ),
        script=bundled(),
    )


_ENDING = re.compile(r"<(?=[/!]|script)", re.IGNORECASE)
"""What could end or nest a script element: HTML Standard, restrictions for contents of script elements."""
_UNUSED_ID = re.compile(r' id="[^"]*"(?= class="(?!(?:note|chord|rest|mRest|multiRest|measure|system)\b))')
"""Ids of drawn things, but those that sound, measures and systems: the viewer asks for no others."""
_PLACED = re.compile(r'"translate\(([-\d.]+), ([-\d.]+)\) scale\(([\d.]+), \3\)"')
_DRAWN = re.compile(r"(<path[^>]* d=')([-+0-9a-zA-Z., ]{40,})(?=')")
"""Path data (SVG 2, chapter 9) long enough to be worth a number in its place."""
_NUMBERED = re.compile(r"(<path[^>]* d=')#([0-9]+)(?=')")
_QUOTED = re.compile(r'="([^"\']*)"')


def slim(svg: str) -> str:
    """Return the same picture in fewer letters: without ids that nothing asks for, transforms written short,
    attributes in quotes that JSON need not mark.
    """
    short = _UNUSED_ID.sub("", svg).replace(" xlink:href=", " href=")
    short = _PLACED.sub(r'"translate(\1,\2)scale(\3)"', short)
    return _QUOTED.sub(r"='\1'", short)


def _inside(sound: Sound) -> str:
    return f"data:{sound.media};base64,{b64encode(sound.data).decode('ascii')}"


def _values(value: Any, source: Callable[[Sound], str]) -> Any:
    if isinstance(value, Sound):
        notes = [(note, round(start, 3), round(end, 3)) for note, start, end in value.notes]
        return {"source": source(value), "length": round(value.length, 3), "notes": notes}
    if isinstance(value, Mapping):
        return {key: _values(v, source) for key, v in value.items()}
    if isinstance(value, tuple | list):
        return [_values(v, source) for v in value]
    if isinstance(value, float):
        return round(value, 4)
    if isinstance(value, str) and value.startswith("<svg"):
        return slim(value)
    names = getattr(type(value), "__dataclass_fields__", None)
    return value if names is None else {name: _values(getattr(value, name), source) for name in names}


_IMPORT = re.compile(r'^import (?:\{[^}]*\} from )?"\./([a-z-]+\.js)";\n', re.MULTILINE)
# Whole lines, and types within a line; no text of the viewer looks like either.
_COMMENT = re.compile(
    r"^[ \t]*/\*\*(?:(?!\*/).)*\*/\n|^[ \t]*// .*?\n|/\*\* @(?:(?!\*/).)*\*/ ?", re.MULTILINE | re.DOTALL
)
_EXPORT = re.compile(r"^export (?=(?:function|class|const) (\w+))", re.MULTILINE)


def _bundle(name: str, done: dict[str, str]) -> None:
    text = _viewer(name)
    for needed in _IMPORT.findall(text):
        if needed not in done:
            _bundle(needed, done)
    names = ", ".join(_EXPORT.findall(text))
    body = _COMMENT.sub("", _EXPORT.sub("", _IMPORT.sub("", text)))
    done[name] = f"const {{ {names} }} = (() => {{\n{body}return {{ {names} }};\n}})();"


def _viewer(name: str) -> str:
    return files("understave").joinpath("viewer", name).read_text(encoding="utf-8")
