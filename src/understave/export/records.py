"""The JSON that is written for programs, as types: each file is a record, and so is each object in it.

What writes a file fills these records, so that a field that lacks or has another type is found by the type
checker; `text_of` writes them, and `schemas.schema` derives the published JSON Schemas from the same fields.
What Python's types cannot say stands beside them as keywords of JSON Schema, in ``Annotated``. A field with a
default is one that files of older versions lack: it is always written, but not required of what is read.

Moments are given twice: as printed bar and beat for people, as exact quarter notes for programs.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Literal, TypeAlias

from understave.interpretation.plan import Origin
from understave.wording.phrasebook import Level

NonEmpty: TypeAlias = Annotated[str, {"minLength": 1}]
Count: TypeAlias = Annotated[int, {"minimum": 0}]
Share: TypeAlias = Annotated[float, {"minimum": 0, "maximum": 1}]
Seconds: TypeAlias = Annotated[float, {"minimum": 0}]
Tonic: TypeAlias = Annotated[
    str, {"description": "Tonic; a small letter for minor.", "pattern": "^[A-Ga-g](b|bb|#|##)?$"}
]
Numeral: TypeAlias = Annotated[NonEmpty, {"description": "Roman numeral as RomanText writes it."}]
Members: TypeAlias = Annotated[
    tuple[str, ...], {"description": "Names of the chord's notes, root first.", "minItems": 1}
]
Notes: TypeAlias = Annotated[
    tuple[NonEmpty, ...],
    {"description": "Ids of written notes; the annotated MusicXML and the engraved pages have them too."},
]
Value: TypeAlias = Annotated[
    Any,
    {
        "$anchor": "value",
        "anyOf": [{"type": ["string", "number"]}, {"type": "array", "items": {"$ref": "#value"}}],
    },
]
"""A text, a number, or a list of values to any depth; the anchor needs it to stand once in a file."""
Detail: TypeAlias = Annotated[Mapping[str, Value], {"description": "Values of a sentence about it, by name."}]


@dataclass(frozen=True)
class Moment:
    """A moment of the piece."""

    measure: Annotated[str, {"description": "As printed: 0 for a pickup, 12a is possible."}]
    beat: Annotated[
        str,
        {
            "description": "Felt beats from 1: 2, 2.5, 1 2/3.",
            "pattern": r"^-?\d+(\.\d+)?( \d+/\d+)?$",
        },
    ]
    quarter: Annotated[
        str, {"description": "Quarter notes from the start, exact.", "pattern": r"^-?\d+(/\d+)?$"}
    ]


@dataclass(frozen=True)
class Piece:
    """The piece by its title."""

    title: str
    composer: str


# --- the reading -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class MeasuredPiece(Piece):
    """The piece by its title, and how long it is."""

    measures: Count
    quarters: Annotated[str, {"pattern": r"^\d+(/\d+)?$"}]


@dataclass(frozen=True)
class Label:
    """A chord in a key, and how sure it is."""

    key: Tonic
    numeral: Numeral
    chord: str
    members: Members
    bass: str
    confidence: Share


@dataclass(frozen=True)
class Span:
    """A stretch under one chord in one key."""

    start: Moment
    end: Moment
    key: Tonic
    numeral: Numeral
    chord: str
    members: Members
    bass: str
    confidence: Share
    fixed: Annotated[bool, {"description": "The teacher set it."}]
    notes: Notes
    foreign: Notes
    alternatives: tuple[Label, ...]


@dataclass(frozen=True)
class Above:
    """A chord over a held bass; its own bass is its lowest note above that."""

    start: Moment
    end: Moment
    key: Tonic
    numeral: Numeral
    chord: str
    members: Members
    bass: str
    over: Annotated[NonEmpty, {"description": "The held note, below everything."}]


@dataclass(frozen=True)
class Event:
    """What happens somewhere: a cadence, a foreign note, a device, a part of the form."""

    kind: NonEmpty
    label: str
    start: Moment
    end: Moment
    notes: Notes
    confidence: Share
    detail: Detail


@dataclass(frozen=True, kw_only=True)
class ReadingFile:
    """The harmonic reading of a piece"""

    format: Literal["understave-reading"] = "understave-reading"
    version: Literal[1] = 1
    piece: MeasuredPiece
    imported: Annotated[
        tuple[str, ...], {"description": "What was guessed or repaired on import, one sentence each."}
    ]
    spans: tuple[Span, ...]
    above_held: Annotated[
        tuple[Above, ...],
        {"description": "What moves above a held bass, where it does not contain the held note."},
    ] = ()
    events: tuple[Event, ...]


# --- the plan --------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Why:
    """The reason."""

    kind: str
    label: str
    notes: Notes
    detail: Detail


@dataclass(frozen=True)
class Part:
    """What a tension is made of."""

    name: str
    value: Share
    weight: float


@dataclass(frozen=True)
class Tension:
    """The tension of a stretch, and whether it falls clearly there."""

    start: Moment
    end: Moment
    value: Share
    parts: tuple[Part, ...]
    release: bool
    why: Why | None


@dataclass(frozen=True)
class Loudness:
    """A point of the line of loudness."""

    moment: Moment
    velocity: Annotated[float, {"minimum": 1, "maximum": 127}]


@dataclass(frozen=True)
class Hairpin:
    """A swell or a fading; its peak is the loudest moment inside, where it is both."""

    start: Moment
    peak: Moment | None
    end: Moment
    kind: Literal["crescendo", "diminuendo", "swell"]
    origin: Origin
    why: Why | None


@dataclass(frozen=True)
class Mark:
    """A mark of loudness from a moment on."""

    moment: Moment
    mark: NonEmpty
    origin: Origin
    why: Why | None


@dataclass(frozen=True)
class Voice:
    """One note brought out or held back."""

    note: NonEmpty
    role: str
    amount: Annotated[float, {"description": "Velocity added to the line of loudness."}]
    lean: bool
    why: Why | None


@dataclass(frozen=True)
class Bend:
    """How much faster than the basic tempo it goes at a moment; in a straight line to the next."""

    moment: Moment
    factor: Annotated[float, {"exclusiveMinimum": 0}]
    why: Why | None


@dataclass(frozen=True)
class PedalMove:
    """The pedal from a moment on: 0 is up, 1 is down."""

    moment: Moment
    depth: Share
    origin: Origin
    why: Why | None
    late: Annotated[
        bool, {"description": "Whether it is changed after the new harmony and does not clear all."}
    ] = False
    flutter: Annotated[
        bool, {"description": "Whether the foot trembles till the next move, up to half this depth and back."}
    ] = False


@dataclass(frozen=True)
class Sustained:
    """What the sostenuto pedal is to hold, and from when to when."""

    start: Moment
    end: Moment
    notes: Notes
    why: Why | None


@dataclass(frozen=True, kw_only=True)
class PlanFile:
    """How to play a piece"""

    format: Literal["understave-plan"] = "understave-plan"
    version: Literal[1] = 1
    piece: Piece
    tempo: Annotated[float, {"exclusiveMinimum": 0, "description": "Quarter notes a minute."}]
    tension: tuple[Tension, ...]
    loudness: tuple[Loudness, ...]
    hairpins: tuple[Hairpin, ...]
    marks: tuple[Mark, ...]
    voices: tuple[Voice, ...]
    timing: tuple[Bend, ...]
    pedal: tuple[PedalMove, ...]
    sustained: Annotated[
        tuple[Sustained, ...], {"description": "Where the middle pedal (sostenuto) is proposed."}
    ] = ()


# --- the story -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Named:
    """An event by its kind and label."""

    kind: str
    label: str


@dataclass(frozen=True)
class Sentence:
    """A sentence and the notes it rests on."""

    text: NonEmpty
    place: Annotated[str, {"description": "Printed bars; empty where it is about the piece."}]
    start: Moment
    notes: Notes
    events: tuple[Named, ...]


@dataclass(frozen=True)
class Gloss:
    """A term that is used, and what it means."""

    term: str
    meaning: str


@dataclass(frozen=True)
class Paragraph:
    """What is told of a passage."""

    heading: Annotated[str, {"description": "Names the bars and keys of a passage."}]
    start: Moment
    end: Moment
    sentences: tuple[Sentence, ...]
    glosses: tuple[Gloss, ...]


@dataclass(frozen=True, kw_only=True)
class StoryFile:
    """What is told of a piece"""

    format: Literal["understave-story"] = "understave-story"
    version: Literal[1] = 1
    piece: Piece
    level: Level
    language: Annotated[str, {"minLength": 2}]
    paragraphs: tuple[Paragraph, ...]


# --- the lesson ------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Stop:
    """A place to pause at; numerals in its texts stand between ⟨ and ⟩."""

    id: NonEmpty
    first_measure: str
    last_measure: str
    moment: Moment
    title: str
    say: Mapping[Level, str]
    hear: Annotated[
        tuple[str, ...], {"description": "Names of sounds; excerpt stands for the stop's own bars."}
    ]
    play: str
    question: str
    answer: str
    notes: Notes
    seconds: Seconds
    why: Annotated[str, {"description": "What makes it worth a stop; own for one of the teacher's."}]
    interest: Annotated[float, {"description": "How much there is to a stop, comparable within a piece."}]


@dataclass(frozen=True, kw_only=True)
class LessonFile:
    """The stops of a lesson"""

    format: Literal["understave-lesson"] = "understave-lesson"
    version: Literal[1] = 1
    piece: Piece
    level: Level
    language: Annotated[str, {"pattern": "^[a-z]{2}$"}]
    seconds: Seconds
    stops: tuple[Stop, ...]


# --- questions of a lesson page --------------------------------------------------------------------------


@dataclass(frozen=True)
class HomeworkQuestion:
    """A question that the lesson page asks, without its answer."""

    id: Annotated[NonEmpty, {"description": "What the files of answers call it."}]
    way: Annotated[NonEmpty, {"description": "How it is answered: choose, place, type, play or hear."}]
    device: Annotated[str, {"description": "What it is about, in words."}]
    first_measure: str
    last_measure: str
    prompt: str


@dataclass(frozen=True, kw_only=True)
class HomeworkFile:
    """The questions of a lesson page, by which the answers of a class are counted"""

    format: Literal["understave-homework"] = "understave-homework"
    version: Literal[1] = 1
    homework: Annotated[NonEmpty, {"description": "The questions by their content."}]
    title: str
    language: Annotated[str, {"pattern": "^[a-z]{2}$"}]
    questions: tuple[HomeworkQuestion, ...]


# --- places in an index ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Place:
    """A place in a piece of the index."""

    path: Annotated[str, {"description": "The file, below the indexed folder."}]
    piece: Annotated[str, {"pattern": "^[0-9a-f]{32}$", "description": "The piece by its content."}]
    title: str
    composer: str
    difficulty: Annotated[float, {"minimum": 0, "maximum": 10}]
    what: Annotated[str, {"description": "The device or the chords found."}]
    key: Annotated[str, {"description": "Tonic; a small letter for minor."}]
    bar: Annotated[Count, {"description": "Counted from 0."}]
    last_bar: Count
    bar_number: Annotated[str, {"description": "As printed; empty for a whole piece."}]
    last_bar_number: str
    confidence: Share


@dataclass(frozen=True)
class Counted:
    """A thing, how often it was met, in how many pieces, and its share of all that was counted."""

    name: str
    count: Count
    pieces: Count
    share: Share


@dataclass(frozen=True, kw_only=True)
class PlacesFile:
    """Places found in an index"""

    format: Literal["understave-places"] = "understave-places"
    version: Literal[1] = 1
    found: Annotated[Count, {"description": "Places in the whole index; those shown may be fewer."}]
    pieces: Count
    places: tuple[Place, ...]


@dataclass(frozen=True, kw_only=True)
class CountsFile:
    """What was counted in an index"""

    format: Literal["understave-places"] = "understave-places"
    version: Literal[1] = 1
    counted: Annotated[str, {"description": "What was counted."}]
    counts: tuple[Counted, ...]


File: TypeAlias = ReadingFile | PlanFile | StoryFile | LessonFile | PlacesFile | CountsFile | HomeworkFile


def text_of(file: File) -> str:
    """Return a file as indented JSON, its keys in the order of the fields."""
    return json.dumps(file, ensure_ascii=False, indent=1, default=vars) + "\n"
