"""A played score as a Standard MIDI File that other programs can lay out in bars.

In: a Score, its Plan, and its Reading if there is one. Out: bytes of a file of type 1 (Standard MIDI Files
1.0): the first track has meter, key, tempo and markers, then one track for each staff, so that the hands
can be told apart. Ticks count written time, and the tempo map carries all that the plan bends: a note that is
played with the beat stands on the beat. The pedal is written into every track, as programs give each track an
instrument of its own.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator
from fractions import Fraction
from itertools import pairwise
from typing import TypeAlias

import mido

from understave.acoustics.midi_bytes import Timed, key_messages, pedal_messages
from understave.harmony.reading import Reading
from understave.interpretation.perform import Clock, clock, perform
from understave.interpretation.plan import Plan
from understave.score.model import Measure, Part, Score
from understave.theory.key import Key
from understave.theory.names import key_name

TICKS = 960
"""Ticks a quarter note: about a millisecond at 60 a minute."""
_LONGEST_BEAT = 2**24 - 1
"""Microseconds that a quarter note can last (MIDI 1.0: three bytes)."""
Placed: TypeAlias = tuple[int, int, mido.Message | mido.MetaMessage]


def played_midi(
    score: Score,
    plan: Plan,
    reading: Reading | None = None,
    *,
    first: int | None = None,
    last: int | None = None,
) -> bytes:
    """Return the bars from `first` to `last` (indices, both included) as played under a plan.

    With a reading, its keys stand as markers beside the printed rehearsal marks. Raises UnderstaveError as
    `perform` does.
    """
    performance = perform(score, plan, first=first, last=last)
    time = clock(score, plan, first=first, last=last)

    def placed(events: Iterable[Timed]) -> list[Placed]:
        return [(_tick(time, time.moment(s)), order, message) for s, order, message in events]

    staves: dict[int, list[Timed]] = {}
    for event, note in key_messages(performance):
        written = score.note_by_id.get(note)
        staves.setdefault(written.staff if written else 1, []).append(event)
    pedals = placed(pedal_messages(performance))
    end = _tick(time, time.moments[-1])
    names = _names(score.parts)
    tracks = [_track(score.title, _conducted(score, reading, time), end)]
    for staff, events in sorted(staves.items()):
        piano = (0, -1, mido.Message("program_change", program=0))
        tracks.append(_track(names.get(staff, ""), [piano, *pedals, *placed(events)], end))
    file = mido.MidiFile(type=1, ticks_per_beat=TICKS, charset="utf-8")
    file.tracks.extend(tracks)
    memory = io.BytesIO()
    file.save(file=memory)
    return memory.getvalue()


def _tick(time: Clock, moment: Fraction | float) -> int:
    return max(0, round(TICKS * (moment - time.moments[0])))


def _track(name: str, events: list[Placed], end: int) -> mido.MidiTrack:
    track = mido.MidiTrack([mido.MetaMessage("track_name", name=name)] if name else [])
    now = 0
    for tick, _, message in sorted(events, key=lambda e: (e[0], e[1])):
        track.append(message.copy(time=tick - now))
        now = tick
    track.append(mido.MetaMessage("end_of_track", time=max(0, end - now)))
    return track


def _names(parts: tuple[Part, ...]) -> dict[int, str]:
    """The name of each staff: the hands of an instrument with two staves, else the part's own."""
    names = {}
    for part in parts:
        own = part.name if len(parts) > 1 else ""
        staves = range(part.first_staff, part.last_staff + 1)
        hands = ("right hand", "left hand") if len(staves) == 2 else ("",) * len(staves)
        for staff, hand in zip(staves, hands, strict=True):
            name = ", ".join(n for n in (own, hand) if n) or f"staff {staff}"
            names[staff] = name[0].upper() + name[1:]
    return names


# --- bars, keys, tempo, markers --------------------------------------------------------------------------


def _conducted(score: Score, reading: Reading | None, time: Clock) -> list[Placed]:
    begin, end = time.moments[0], time.moments[-1]
    measures = [measure for measure in score.measures if begin <= measure.start < end]
    events = [*_meters(measures, time), *_signatures(measures, reading, time), *_tempo(time)]
    marks = [
        (direction.onset, direction.text) for direction in score.directions if direction.kind == "rehearsal"
    ]
    if reading is not None:
        keys = [(span.start, span.key) for span in reading.spans]
        marks += [
            (max(t, begin), key_name(key))
            for k, (t, key) in enumerate(keys)
            if (k == 0 or keys[k - 1][1] != key or t <= begin) and not _over(keys, k, begin)
        ]
    return events + [
        (_tick(time, moment), 3, mido.MetaMessage("marker", text=text))
        for moment, text in marks
        if begin <= moment < end
    ]


def _over(keys: list[tuple[Fraction, Key]], k: int, begin: Fraction) -> bool:
    """Whether a span is over before the bars begin."""
    return k + 1 < len(keys) and keys[k + 1][0] <= begin


def _meters(measures: list[Measure], time: Clock) -> Iterator[Placed]:
    """A meter wherever it changes; a pickup, or a bar otherwise not full, has the meter that it fills.

    The halves of a bar that is split by a repeat make one bar.
    """
    now: tuple[int, int] | None = None
    held = Fraction(0)
    for measure, after in zip(measures, [*measures[1:], None], strict=True):
        if held:
            held = Fraction(0)
            continue
        meter = (measure.beats, measure.beat_type)
        if measure.length != measure.full_length:
            whole = (
                after is not None
                and after.offset == measure.length
                and measure.length + after.length == measure.full_length
            )
            held = measure.length if whole else held
            share = measure.length / 4
            # Halves, quarters ... up to what MIDI can name; a bar of another length keeps its meter.
            if not whole and share and share.denominator & (share.denominator - 1) == 0:
                unit = max(share.denominator, measure.beat_type)
                meter = (int(share * unit), unit)
        if meter != now and meter[0] < 256:
            now = meter
            yield (
                _tick(time, measure.start),
                0,
                mido.MetaMessage("time_signature", numerator=meter[0], denominator=meter[1]),
            )


def _signatures(measures: list[Measure], reading: Reading | None, time: Clock) -> Iterator[Placed]:
    """A key signature wherever it changes; its mode is the printed one, else that of the reading there."""
    spans = reading.spans if reading is not None else ()
    now: tuple[int, str | None] | None = None
    for measure in measures:
        if (measure.signature, measure.mode) != now and abs(measure.signature) <= 7:
            now = (measure.signature, measure.mode)
            here = next((span.key for span in spans if span.end > measure.start), None)
            minor = measure.mode == "minor" or (
                measure.mode != "major"
                and here is not None
                and here == Key.from_signature(measure.signature, "minor")
            )
            name = (
                Key.from_signature(measure.signature, "minor" if minor else "major").tonic.name + "m" * minor
            )
            yield _tick(time, measure.start), 1, mido.MetaMessage("key_signature", key=name)


def _tempo(time: Clock) -> Iterator[Placed]:
    """The tempo map; what rounding takes from one stretch the next one gives back."""
    played = 0.0
    now = 0
    for (a, _), (b, until) in pairwise(zip(time.moments, time.seconds, strict=True)):
        start, ticks = _tick(time, a), _tick(time, b) - _tick(time, a)
        if not ticks:
            continue
        tempo = min(_LONGEST_BEAT, max(1, round(1e6 * (until - played) * TICKS / ticks)))
        # A tempo that is a microsecond off would be a change that nobody meant.
        if abs(tempo - now) > 1:
            now = tempo
            yield start, 2, mido.MetaMessage("set_tempo", tempo=tempo)
        played += now * ticks / TICKS / 1e6
