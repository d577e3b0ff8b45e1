"""Understave: from a piano score to a checked harmonic reading, playing decisions and a lesson.

>>> import understave
>>> score = understave.read_score("examples/lock-water/score.musicxml")
>>> score
<Score 'Lock-Water', 40 measures, 322 notes>
>>> reading = understave.read(score)
>>> print(reading.spans[0].numeral, "in", reading.spans[0].key)
I in Eb
>>> understave.plan(score, reading).marks[0].mark
'p'

What stands here is loaded when it is first asked for; everything else is in the rooms that ARCHITECTURE.md
names, and may move between versions.
"""

# What type checkers take for true (PEP 484). Importing it from `typing`, as is usual, would let a file of
# that name in the current folder run under `python -m understave`, before `__main__` takes the folder off
# the path.
TYPE_CHECKING = False

if TYPE_CHECKING:
    from understave.acoustics.piano import INSTRUMENTS, Instrument
    from understave.engraving import engrave, excerpt
    from understave.errors import (
        AnalysisError,
        DeskError,
        LessonError,
        MissingError,
        RepertoireError,
        ScoreError,
        SymbolError,
        TakeError,
        UnderstaveError,
        WorkerError,
    )
    from understave.findings import read
    from understave.harmony.reading import Alternative, Correction, Event, Reading, Span
    from understave.interpretation.plan import Plan
    from understave.interpretation.planning import PlanOptions
    from understave.interpretation.planning import make_plan as plan
    from understave.interpretation.sounding import Sound, sound
    from understave.lesson.make import LessonOptions, make_lesson
    from understave.piece import Piece
    from understave.score.model import Measure, Note, Score
    from understave.score.reader import read_score
    from understave.theory.key import Key
    from understave.theory.pitch import Pitch, PitchClass
    from understave.theory.roman import RomanNumeral
    from understave.wording.telling import tell

__version__ = "0.1.0"

_PLACES = {
    "Alternative": "harmony.reading",
    "AnalysisError": "errors",
    "Correction": "harmony.reading",
    "DeskError": "errors",
    "Event": "harmony.reading",
    "INSTRUMENTS": "acoustics.piano",
    "Instrument": "acoustics.piano",
    "Key": "theory.key",
    "LessonError": "errors",
    "LessonOptions": "lesson.make",
    "Measure": "score.model",
    "MissingError": "errors",
    "Note": "score.model",
    "Piece": "piece",
    "Pitch": "theory.pitch",
    "PitchClass": "theory.pitch",
    "Plan": "interpretation.plan",
    "PlanOptions": "interpretation.planning",
    "Reading": "harmony.reading",
    "RepertoireError": "errors",
    "RomanNumeral": "theory.roman",
    "Score": "score.model",
    "ScoreError": "errors",
    "Sound": "interpretation.sounding",
    "Span": "harmony.reading",
    "SymbolError": "errors",
    "TakeError": "errors",
    "UnderstaveError": "errors",
    "WorkerError": "errors",
    "engrave": "engraving",
    "excerpt": "engraving",
    "make_lesson": "lesson.make",
    "plan": "interpretation.planning",
    "read": "findings",
    "read_score": "score.reader",
    "sound": "interpretation.sounding",
    "tell": "wording.telling",
}
_OTHERWISE_CALLED = {"plan": "make_plan"}

__all__ = [
    "INSTRUMENTS",
    "Alternative",
    "AnalysisError",
    "Correction",
    "DeskError",
    "Event",
    "Instrument",
    "Key",
    "LessonError",
    "LessonOptions",
    "Measure",
    "MissingError",
    "Note",
    "Piece",
    "Pitch",
    "PitchClass",
    "Plan",
    "PlanOptions",
    "Reading",
    "RepertoireError",
    "RomanNumeral",
    "Score",
    "ScoreError",
    "Sound",
    "Span",
    "SymbolError",
    "TakeError",
    "UnderstaveError",
    "WorkerError",
    "engrave",
    "excerpt",
    "make_lesson",
    "plan",
    "read",
    "read_score",
    "sound",
    "tell",
]


def __getattr__(name: str) -> object:
    if name not in _PLACES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    found = getattr(import_module(f"understave.{_PLACES[name]}"), _OTHERWISE_CALLED.get(name, name))
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
