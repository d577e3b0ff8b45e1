"""Tiny scores and spans from compact text, for worked examples.

    score = build("C5:1 D5 E5:2 | F5:4", "C3:4 | F3+A3:4", meter="4/4", signature=0)
    spans = spans_of(score, "C: I:4 | IV:4")

Each string is a voice, top voice first. A token is a pitch (``F#4``, ``Bb3``), pitches joined by ``+``,
or ``r`` for a rest, then ``:`` and its length in quarter notes (``1/2``, ``3``); without a length the
last one goes on. ``g:C5`` is a grace note. Bar lines are only checked: write a tied note as one long
note and the bar line that it crosses after it, or leave bar lines out. Notes are named by voice and
place from 1: the third note of the second voice is ``v2n3``. The upper half of the voices lies on staff
1, the lower half on staff 2, unless the first token says otherwise (``staff2``).

In spans, ``G:`` or ``e:`` sets the key and ``V65:2`` is a numeral with its length.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from understave.harmony.engine import sort_notes
from understave.harmony.reading import Event, Span
from understave.score.model import Direction, Measure, Note, Part, Score
from understave.theory.key import Key
from understave.theory.pitch import Pitch
from understave.theory.roman import RomanNumeral


def build(
    *voices: str,
    meter: str = "4/4",
    signature: int = 0,
    pickup: Fraction | int = 0,
    pedal: tuple[tuple[str, Fraction | int], ...] = (),
    directions: tuple[Direction, ...] = (),
) -> Score:
    """Return a score; `pedal` is pairs of ``"start"``, ``"change"`` or ``"stop"`` and a moment."""
    beats, beat_type = (int(x) for x in meter.split("/"))
    full = Fraction(4 * beats, beat_type)
    pickup = Fraction(pickup)
    read = [_voice(text, number, len(voices)) for number, text in enumerate(voices, start=1)]
    end = max(moment for _, moment, _ in read)
    measures: list[Measure] = []
    start = Fraction(0)
    while start < end:
        first = not measures and pickup > 0
        length = pickup if first else full
        index = len(measures)
        number = str(index if pickup else index + 1)
        measures.append(
            Measure(
                id=f"m{number}",
                index=index,
                number=number,
                start=start,
                length=length,
                beats=beats,
                beat_type=beat_type,
                signature=signature,
                offset=full - pickup if first else Fraction(0),
            )
        )
        start += length
    limits = {m.start for m in measures} | {start}
    for _, _, bars in read:
        wrong = [float(t) for t in bars if t not in limits]
        assert not wrong, f"bar line in the middle of a bar, at quarter {wrong}"
    notes = []
    for voice, _, _ in read:
        for note in voice:
            index = max(m.index for m in measures if m.start <= note.onset)
            notes.append(replace(note, measure=index))
    notes.sort(key=lambda n: (n.onset, not n.grace, n.midi))
    staves = max(n.staff for n in notes)
    marks = tuple(
        Direction(f"d{i}", "pedal", Fraction(t), None, staves, text) for i, (text, t) in enumerate(pedal)
    )
    return Score(
        title="",
        composer="",
        parts=(Part("P1", "Piano", 1, staves),),
        measures=tuple(measures),
        notes=tuple(notes),
        directions=(*directions, *marks),
    )


def _voice(text: str, number: int, voices: int) -> tuple[list[Note], Fraction, list[Fraction]]:
    """Return the notes of a voice, where it ends and the moments of its bar lines."""
    staff = 1 if 2 * number <= voices + 1 else 2
    notes: list[Note] = []
    bars: list[Fraction] = []
    moment, length = Fraction(0), Fraction(1)
    for token in text.split():
        if token.startswith("staff"):
            staff = int(token.removeprefix("staff"))
            continue
        if token == "|":
            bars.append(moment)
            continue
        grace = token.startswith("g:")
        names, _, given = token.removeprefix("g:").partition(":")
        if given:
            length = Fraction(given)
        for name in names.split("+") if names != "r" else ():
            pitch = Pitch.parse(name)
            note_id = f"v{number}n{len(notes) + 1}"
            notes.append(
                Note(
                    id=note_id,
                    onset=moment,
                    duration=Fraction(0) if grace else length,
                    pitch=pitch,
                    written=pitch,
                    staff=staff,
                    voice=str(number),
                    part=0,
                    measure=0,
                    ids=(note_id,),
                    grace=grace,
                )
            )
        if not grace:
            moment += length
    return notes, moment, bars


def spans_of(score: Score, text: str) -> tuple[Span, ...]:
    """Return spans from text such as ``"C: I:4 V7:2 I:2"``, with their own and foreign notes filled in."""
    spans: list[Span] = []
    key: Key | None = None
    moment, length = Fraction(0), Fraction(1)
    for token in text.split():
        if token == "|":
            assert moment in {m.start for m in score.measures} | {score.end}, f"bar line at {moment}"
            continue
        if token.endswith(":"):
            key = Key.parse(token[:-1])
            continue
        assert key is not None, "name a key first, such as C:"
        name, _, given = token.partition(":")
        if given:
            length = Fraction(given)
        numeral = RomanNumeral.parse(name)
        end = moment + length
        sounding = [n for n in score.notes if not n.grace and n.onset < end and n.end > moment]
        own, foreign = sort_notes(sounding, numeral.chord(key))
        spans.append(Span(moment, end, key, numeral, 1.0, own, foreign))
        moment = end
    return tuple(spans)


def told(events: tuple[Event, ...]) -> list[tuple[str, Fraction]]:
    """Return label and start of each event, which is what most examples compare."""
    return [(e.label, e.start) for e in events]
