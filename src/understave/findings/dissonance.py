"""Score and spans -> sharp dissonances: the clashes of a semitone, at any distance, and false relations.

Two notes clash when they lie a semitone apart after octaves are taken off: minor second, major seventh,
minor ninth and their compounds, and, where both have the same letter, augmented unison, diminished and
augmented octave. A clash lasts while both sound; with `pedal`, also while the pedal holds what the fingers
have let go. The same clash in several octaves is told once. A false relation is the same letter with
another alteration in another voice straight after (common practice, no source); it is none where one of the
voices makes the chromatic step itself.

Exposure, 0..1, orders them: it grows with the sharpness of the interval (less with each octave between),
the time both sound, the weight of the beat, with both being struck together, with outer voices, with the
register's loudness on the piano (the middle and upper octaves) and with the printed dynamics; what the pedal
holds fades with time. It is our own measure. Clashes below `LEAST` are not told.

One of the two is the dissonant one: the note foreign to the chord, else the chord's own seventh or ninth.
It resolves by step to a chord tone that is consonant with what then sounds, at once or by a detour; or the
clash dissolves because the other moves. Passing and neighbour tones, and what a broken chord touches, resolve
nothing.

Event: kind ``"sharp dissonance"``; `notes` are all that clash; it lasts while they sound together (a false
relation: from the first note to the second's end). The confidence is that it is heard: 1 for keys, less
when the pedal holds it. Detail:

- ``lower``, ``upper`` str and ``lower_pitch``, ``upper_pitch`` Pitch; ``interval`` Interval;
  ``octaves`` int: whole octaves between them. A false relation has ``first``, ``second``, ``first_pitch``
  and ``second_pitch`` in place of lower and upper.
- ``exposure`` float 0..1, ``rank`` int from 1, the most exposed of the piece.
- ``length`` Fraction quarter notes together. ``struck`` str: ``"together"`` or ``"one held"``. ``voices``
  str: ``"outer"``, ``"one outer"``, ``"inner"``. ``held_by`` str: ``"keys"`` or ``"pedal"``.
- ``key`` Key, ``chord`` RomanNumeral at its start.
- ``dissonant`` str, ``dissonant_pitch`` Pitch; ``resolution`` str, ``resolution_pitch`` Pitch,
  ``resolution_time`` Fraction; ``manner`` str: ``"direct"``, ``"late"``, ``"ornamented"`` (it resolves),
  ``"passing"``, ``"turning"`` (a passing or neighbour tone: it only goes by, ``resolution`` is the note after
  it), ``"dissolved"`` (``resolution`` is where the other note goes), ``"figured"`` (a note of a broken chord:
  nothing is said of where it goes), ``"held"`` (it stays until it belongs to the chord), ``"none"``.
- ``past`` str, ``past_pitch`` Pitch: the note beyond its goal to which an ornamented resolution goes first.
  ``bare`` int 1 where nothing else sounds as the clash begins.

Sentences, one per label:

- minor second: "E4 and F4 rub against each other, a semitone apart; F4 resolves to E4."
- major seventh: "F3 and E4 form a major seventh; E4 resolves to D4."
- minor ninth: "E3 and F4 form a minor ninth, the sharpest of wide intervals; F4 resolves to E4."
- augmented unison, diminished octave, augmented octave: "C3 and C#5 sound together: the same letter, twice."
- false relation: "C4 in one voice is answered by C#5 in another."
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TypeAlias

from understave.findings.chords_at import Harmony
from understave.findings.kinds import Kind, Stop
from understave.findings.lines import Lines, is_same, is_step, lines, resolves_to
from understave.findings.nonchord import (
    classify,
    climbs_on,
    is_settled,
    is_touched,
    stretches,
    with_repetitions,
)
from understave.findings.remembered import remembered
from understave.findings.sounding_notes import soundings
from understave.harmony.reading import Details, Event, Span
from understave.harmony.units import metric_level
from understave.score.model import Note, Score
from understave.theory.key import Key
from understave.theory.pitch import Interval, Pitch
from understave.theory.roman import RomanNumeral


@dataclass(frozen=True, slots=True, kw_only=True)
class SharpDissonanceDetails(Details):
    """What clashes, how exposed it is, and how it resolves."""

    lower: str | None = None
    upper: str | None = None
    lower_pitch: Pitch | None = None
    upper_pitch: Pitch | None = None
    first: str | None = None
    second: str | None = None
    first_pitch: Pitch | None = None
    second_pitch: Pitch | None = None
    interval: Interval
    octaves: int
    exposure: float
    length: Fraction | None = None
    struck: str | None = None
    voices: str
    held_by: str | None = None
    key: Key | None = None
    chord: RomanNumeral | None = None
    dissonant: str | None = None
    dissonant_pitch: Pitch | None = None
    resolution: str | None = None
    resolution_pitch: Pitch | None = None
    resolution_time: Fraction | None = None
    manner: str | None = None
    past: str | None = None
    past_pitch: Pitch | None = None
    bare: int | None = None
    rank: int | None = None


LEAST = 0.3
"""The exposure from which a clash is told."""
Stretch: TypeAlias = tuple[Fraction, Fraction]

_SHARPNESS = {
    "minor second": 1.0,
    "augmented unison": 1.0,
    "augmented octave": 1.0,
    "minor ninth": 1.0,
    "diminished octave": 0.85,
    "major seventh": 0.8,
    "false relation": 0.7,
}
_PER_OCTAVE = 0.85
_SHARES = {"length": 0.3, "beat": 0.2, "struck": 0.15, "voices": 0.15, "register": 0.1, "dynamics": 0.1}
_DYNAMICS = {"ppp": 0.1, "pp": 0.2, "p": 0.35, "mp": 0.5, "mf": 0.6, "f": 0.8, "ff": 0.95, "fff": 1.0}
_ACCENTED = {"sf": 1.0, "sfz": 1.0, "fz": 0.95, "fp": 0.8, "rf": 0.85, "rfz": 0.85, "sfp": 0.9, "ffz": 1.0}
_FADE = Fraction(4)
"""Quarter notes after which what the pedal holds counts half."""
_MOST_DETOUR = 4
"""Notes at most between a dissonant note and the step that resolves it."""
_GOING_BY = {"passing tone": "passing", "neighbour tone": "turning"}
"""Kinds of foreign notes that need no resolution, and how they go on."""
_LONG = Fraction(2)
"""Beats from which a clash counts as fully long."""


@dataclass(frozen=True, slots=True)
class Clash:
    """Two notes and the time they sound together; `pedalled` if the fingers alone would not do it."""

    lower: Note
    upper: Note
    start: Fraction
    end: Fraction
    pedalled: bool
    label: str


def find_dissonances(
    score: Score, spans: tuple[Span, ...], pedal: Sequence[Stretch] | None = None
) -> tuple[Event, ...]:
    """Return the sharp dissonances of a score, sorted by start.

    `pedal` are the stretches, in quarter notes, in which the sustaining pedal is down; None takes the
    printed pedal marks, an empty tuple leaves the pedal out.
    """
    stretches = pedal_stretches(score) if pedal is None else tuple(pedal)
    scene = Scene(score, Harmony(spans), lines(score), _loudness(score))
    told: list[tuple[float, Event]] = []
    for group in _grouped(clashes(score, scene.line, stretches)):
        exposed = max(group, key=scene.exposure)
        exposure = scene.exposure(exposed)
        if exposure >= LEAST:
            told.append((exposure, scene.event(exposed, group, exposure)))
    for first, second in false_relations(scene.harmony, scene.line):
        exposure = scene.exposure_of_relation(first, second)
        if exposure >= LEAST:
            told.append((exposure, scene.relation(first, second, exposure)))
    told.sort(key=lambda x: (-x[0], x[1].start))
    ranked = [_with_rank(event, rank) for rank, (_, event) in enumerate(told, start=1)]
    return tuple(sorted(ranked, key=lambda event: event.start))


@remembered
def pedal_stretches(score: Score) -> tuple[Stretch, ...]:
    """Return where the printed marks hold the sustaining pedal down; a change ends one and begins another.

    Without a release the pedal is taken to be lifted at the end of its bar, or where words take it back.
    """
    found: list[Stretch] = []
    down: Fraction | None = None
    marks = [(d.onset, d.text) for d in score.directions if d.kind == "pedal"]
    marks += [(onset, "stop") for onset, wanted in score.pedal_words if not wanted]
    for onset, text in sorted(marks, key=lambda mark: mark[0]):
        if text not in ("start", "change", "stop"):
            continue
        if down is not None and onset > down:
            released = text != "start"
            found.append((down, onset if released else min(onset, score.measure_at(down).end)))
        down = None if text == "stop" else onset
    if down is not None and down < score.end:
        found.append((down, score.measure_at(down).end))
    return tuple(found)


def clashes(score: Score, line: Lines, pedal: Sequence[Stretch] = ()) -> tuple[Clash, ...]:
    """Return every pair of notes that clash, by start; a pedalled step of one line does not count."""
    found: list[Clash] = []
    sounding: list[tuple[float, Fraction, Note]] = []
    downs = [float(start) for start, _ in pedal]
    for note in score.struck:
        end = _held_end(note, pedal, downs)
        sounding = [held for held in sounding if held[0] > note.at]
        for _, other_end, other in sounding:
            if (note.midi - other.midi) % 12 not in (1, 11):
                continue
            together = min(end, other_end)
            keys = min(note.end, other.end)
            pedalled = keys <= note.onset
            if pedalled and is_step(note, other) and line.before(note) in (other, None):
                continue
            low, high = sorted((note, other), key=lambda note: note.midi)
            until = together if pedalled else keys
            found.append(Clash(low, high, note.onset, until, pedalled, interval_label(low, high)))
        sounding.append((float(end), end, note))
    return tuple(found)


def _held_end(note: Note, pedal: Sequence[Stretch], downs: Sequence[float]) -> Fraction:
    """Return where a note stops sounding: at the release of the key, or of a pedal that is down then."""
    i = bisect_left(downs, note.until) - 1
    return max(note.end, pedal[i][1]) if i >= 0 and pedal[i][1] >= note.end else note.end


def interval_label(low: Note, high: Note) -> str:
    """Return the name of a clash of two notes, compounds named as the interval within two octaves."""
    distance = high.midi - low.midi
    same_letter = high.pitch.letter == low.pitch.letter
    if distance % 12 == 11:
        return "diminished octave" if same_letter else "major seventh"
    if distance == 1:
        return "augmented unison" if same_letter else "minor second"
    return "augmented octave" if same_letter else "minor ninth"


def _grouped(found: Sequence[Clash]) -> list[list[Clash]]:
    """Join clashes of the same two pitch classes that overlap or follow at once."""
    groups: list[list[Clash]] = []
    latest: dict[frozenset[int], tuple[list[Clash], Fraction]] = {}
    for clash in found:
        key = frozenset((clash.lower.midi % 12, clash.upper.midi % 12))
        group, end = latest.get(key, ([], Fraction(-1)))
        if clash.start > end:
            group = []
            groups.append(group)
        group.append(clash)
        latest[key] = (group, max(end, clash.end))
    return groups


def false_relations(harmony: Harmony, line: Lines) -> tuple[tuple[Note, Note], ...]:
    """Return pairs of chord tones, in adjacent chords and different lines, that contradict each other.

    The first ends where the second is struck; both have one letter and lie a semitone apart, octaves aside.
    """
    found: dict[tuple[Fraction, str], tuple[Note, Note]] = {}
    ending: dict[Fraction, list[Note]] = defaultdict(list)
    notes = [note for strand in line.parts.values() for chord in strand.chords for note in chord]
    for note in notes:
        ending[note.end].append(note)
    for second in notes:
        ended = sorted(ending.get(second.onset, ()), key=lambda note: -note.midi)
        for first in ended:
            if (
                first.pitch.letter == second.pitch.letter
                and (first.midi - second.midi) % 12 in (1, 11)
                and harmony.fits(first, first.onset)
                and harmony.fits(second, second.onset)
                and not _led(first, second, ended, line)
            ):
                found.setdefault((second.onset, second.pitch.letter), (first, second))
    return tuple(found.values())


def _led(first: Note, second: Note, ended: Sequence[Note], line: Lines) -> bool:
    """Whether some line itself goes from the first note's pitch class to the second's."""
    from_class, to_class = first.midi % 12, second.midi % 12
    before = line.before(second)
    if before is not None and before.midi % 12 in (from_class, to_class):
        return True
    afters = (line.after(note) for note in ended if note.midi % 12 == from_class)
    return any(note is not None and note.midi % 12 == to_class for note in afters)


@dataclass(frozen=True)
class Scene:
    """What a clash is judged against: the score, its chords, its lines and its printed dynamics by moment."""

    score: Score
    harmony: Harmony
    line: Lines
    dynamics: tuple[tuple[Fraction, float], ...]

    def exposure(self, clash: Clash) -> float:
        """Return how exposed a clash is, 0..1."""
        distance = clash.upper.midi - clash.lower.midi
        further = distance // 12 - (1 if distance % 12 == 1 and distance > 1 else 0)
        sharpness = _SHARPNESS[clash.label] * _PER_OCTAVE**further
        if clash.pedalled:
            sharpness *= self._fade(clash)
        together = clash.lower.onset == clash.upper.onset
        return self._exposure(clash, sharpness, 1.0 if together else 0.4)

    def exposure_of_relation(self, first: Note, second: Note) -> float:
        """Return how exposed a false relation is, 0..1, judged at its second note."""
        low, high = sorted((first, second), key=lambda note: note.midi)
        both = Clash(low, high, second.onset, second.end, False, "false relation")
        return self._exposure(both, _SHARPNESS["false relation"], 0.7)

    def _exposure(self, clash: Clash, sharpness: float, struck: float) -> float:
        measure = self.score.measure_at(clash.start)
        beats = (clash.end - clash.start) / measure.beat_length
        middle = (clash.lower.midi + clash.upper.midi) / 2
        grades = {
            "length": min(1.0, float(beats / _LONG)),
            "beat": (4 - metric_level(measure, clash.start)) / 4,
            "struck": struck,
            "voices": {"outer": 1.0, "one outer": 0.6, "inner": 0.3}[self._voices(clash)],
            "register": min(1.0, max(0.0, (middle - 36) / 48)),
            "dynamics": self._loudness(clash.start),
        }
        return round(sharpness * sum(_SHARES[name] * grade for name, grade in grades.items()), 3)

    def _fade(self, clash: Clash) -> float:
        waited = clash.start - min(clash.lower.onset, clash.upper.onset)
        return float(0.5 ** float(waited / _FADE))

    def _loudness(self, moment: Fraction) -> float:
        i = bisect_right(self.dynamics, (moment, 2.0)) - 1
        return self.dynamics[i][1] if i >= 0 else _DYNAMICS["mf"]

    def _voices(self, clash: Clash) -> str:
        sounding = [note.midi for note in self.line.sounding(clash.start)] or [clash.lower.midi]
        low, high = clash.lower.midi <= sounding[0], clash.upper.midi >= sounding[-1]
        return "outer" if low and high else "one outer" if low or high else "inner"

    def event(self, clash: Clash, group: Sequence[Clash], exposure: float) -> Event:
        """Return the event of a clash; `group` are the clashes of the same two pitch classes."""
        low, high = clash.lower, clash.upper
        dissonant, other = self._dissonant(clash)
        goal = self._goal(clash, dissonant, other)
        detail = replace(
            self._common(clash, exposure),
            lower=low.id,
            upper=high.id,
            lower_pitch=low.pitch,
            upper_pitch=high.pitch,
            length=clash.end - clash.start,
            struck="together" if low.onset == high.onset else "one held",
            held_by="pedal" if clash.pedalled else "keys",
            dissonant=dissonant.id,
            dissonant_pitch=dissonant.pitch,
            manner=goal.manner,
            bare=1 if self._is_bare(clash) else None,
        )
        if goal.note is not None:
            past = self._past(dissonant, goal)
            detail = replace(
                detail,
                resolution=goal.note.id,
                resolution_pitch=goal.note.pitch,
                resolution_time=goal.note.onset,
                past=past.id if past is not None else None,
                past_pitch=past.pitch if past is not None else None,
            )
        notes = tuple(dict.fromkeys(note.id for clash in group for note in (clash.lower, clash.upper)))
        belief = round(self._fade(clash), 3) if clash.pedalled else 1.0
        start, end = min(clash.start for clash in group), max(clash.end for clash in group)
        return SHARP_DISSONANCE.event(clash.label, start, end, notes, belief, detail)

    def relation(self, first: Note, second: Note, exposure: float) -> Event:
        """Return the event of a false relation."""
        low, high = sorted((first, second), key=lambda note: note.midi)
        both = Clash(low, high, second.onset, second.end, False, "false relation")
        detail = replace(
            self._common(both, exposure),
            first=first.id,
            second=second.id,
            first_pitch=first.pitch,
            second_pitch=second.pitch,
        )
        ids = (first.id, second.id)
        return SHARP_DISSONANCE.event("false relation", first.onset, second.end, ids, 0.8, detail)

    def _common(self, clash: Clash, exposure: float) -> SharpDissonanceDetails:
        """Return what is said of every sharp dissonance."""
        low, high = clash.lower, clash.upper
        span = self.harmony.at(clash.start)
        return SharpDissonanceDetails(
            interval=Interval.between(low.pitch, high.pitch),
            octaves=(high.midi - low.midi) // 12,
            exposure=exposure,
            voices=self._voices(clash),
            key=span.key if span is not None else None,
            chord=span.numeral if span is not None else None,
        )

    def _dissonant(self, clash: Clash) -> tuple[Note, Note]:
        """Return the dissonant note and the other: the foreign one is, else the chord's upper member."""

        def weight(note: Note) -> tuple[bool, int, int]:
            span = self.harmony.at(clash.start)
            members = [tone.semitone for tone in span.numeral.chord(span.key).members] if span else []
            place = members.index(note.midi % 12) if note.midi % 12 in members else len(members)
            after = self.line.after(note)
            steps = after is not None and is_step(note, after) and self.harmony.fits(after, after.onset)
            return not self.harmony.fits(note, clash.start), place + steps, note.midi

        dissonant = max((clash.lower, clash.upper), key=weight)
        return dissonant, clash.lower if dissonant is clash.upper else clash.upper

    def _is_bare(self, clash: Clash) -> bool:
        """Whether nothing else sounds where a clash begins, nor rings on in a pedal that is printed."""
        moment = clash.start
        stretches = pedal_stretches(self.score)
        last = bisect_left(stretches, moment, key=lambda stretch: stretch[0]) - 1
        start, end = stretches[last] if last >= 0 else (moment, moment)
        down = start if moment < end else moment
        words = self.score.pedal_words
        last_word = bisect_right(words, moment, key=lambda word: word[0]) - 1
        asked = last_word >= 0 and words[last_word][1]
        if (span := self.harmony.at(moment)) is not None and asked:
            # Where the composer asks for pedal in words, it holds what belongs to one chord.
            down = min(down, span.start)
        sounding = soundings(self.score)
        chords = (sounding.at(down), *sounding.between(down, moment), sounding.at(moment))
        return not clash.pedalled and len({note.midi for chord in chords for note in chord}) == 2

    def _past(self, dissonant: Note, goal: _Goal) -> Note | None:
        """Return the note beyond its goal that an ornamented resolution touches first, None without one."""
        if goal.note is None or goal.manner not in ("ornamented", "late"):
            return None
        for note in self.line.following(dissonant, goal.note.onset):
            if note.onset >= goal.note.onset:
                break
            if (goal.note.midi - dissonant.midi) * (note.midi - goal.note.midi) > 0:
                return note
        return None

    def _goal(self, clash: Clash, dissonant: Note, other: Note) -> _Goal:
        """Say what a clash resolves to: the dissonant note's step to a chord tone, or the other's move."""
        if clash.pedalled and dissonant.end <= clash.start:
            # The finger has gone on before the other note came: only the pedal mixes the two.
            return _Goal("figured")
        here = [
            dissonance
            for dissonance in stretches(dissonant, self.harmony)
            if dissonance.start <= clash.start < dissonance.end
        ]
        if here and here[0].held_out:
            # It stays until the chord takes it up, as a pedal point does: only the other can move.
            return self._dissolved(dissonant, other) or _Goal("held")
        if here:
            told = classify(with_repetitions(here[0], self.harmony, self.line), self.harmony, self.line)
            goal = told.resolution
            if goal is not None and is_step(goal.note, dissonant):
                way = _GOING_BY.get(told.label)
                came_from = told.preparation
                if way == "turning" and (came_from is None or not is_same(came_from, goal.note)):
                    # It came from another note than it goes to: D, E, D sharp turn back to nothing.
                    way = None
                if way is not None:
                    return _Goal(way, goal.note)
                next_note = self.line.after(dissonant)
                sinks = (
                    next_note is not None
                    and next_note.midi < dissonant.midi
                    and not is_touched(dissonant, next_note, self.line)
                )
                if goal.manner == "ornamented" and sinks and self._belongs(dissonant, next_note):
                    return _Goal("direct", next_note)
                settled = is_settled(goal.note, goal.note.onset, self.harmony, self.line)
                if settled and resolves_to(dissonant, goal.note):
                    return _Goal(goal.manner, goal.note)
        return self._led_on(clash, dissonant, other)

    def _led_on(self, clash: Clash, dissonant: Note, other: Note) -> _Goal:
        """Follow the line of the dissonant note, then that of the other, to where the clash is over."""
        if self.line.is_broken(dissonant):
            return _Goal("figured")
        beat = self.score.measure_at(clash.start).beat_length
        until = max(clash.end, dissonant.end) + 2 * beat
        via = 0
        for note in self.line.following(dissonant, until):
            if is_same(note, dissonant):
                continue
            touched = not via and is_touched(dissonant, note, self.line)
            sinks = not via and note.midi < dissonant.midi
            goes = self._is_goal(dissonant, note) or (sinks and self._belongs(dissonant, note))
            if goes and not touched:
                return _Goal("ornamented" if via else "direct", note)
            if climbs_on(dissonant, note, self.line):
                break
            via += 1
            if via > _MOST_DETOUR:
                break
        return self._dissolved(dissonant, other) or _Goal("none")

    def _belongs(self, dissonant: Note, note: Note | None) -> bool:
        """Whether a note is a step from a dissonant one, in the chord, and rubs with nothing by a semitone.

        The bass of a chord may have been let go: what then sounds lowest is no bass to be measured from.
        """
        if note is None or not resolves_to(dissonant, note) or not self.harmony.fits(note, note.onset):
            return False
        return not any((n.midi - note.midi) % 12 in (1, 11) for n in self.line.sounding(note.onset))

    def _is_goal(self, dissonant: Note, note: Note | None) -> bool:
        """Whether a note is a step from a dissonant one and at rest in its chord."""
        return (
            note is not None
            and resolves_to(dissonant, note)
            and is_settled(note, note.onset, self.harmony, self.line)
        )

    def _dissolved(self, dissonant: Note, other: Note) -> _Goal | None:
        """Return where the other note goes if that ends the clash."""
        moved = self.line.after(other)
        if (
            moved is not None
            and other.end <= dissonant.end
            and not is_same(moved, other)
            and (moved.midi - dissonant.midi) % 12 not in (1, 11)
        ):
            return _Goal("dissolved", moved)
        return None


@dataclass(frozen=True, slots=True)
class _Goal:
    """How a clash is left, and for which note; None where it leads nowhere."""

    manner: str
    note: Note | None = None


def _loudness(score: Score) -> tuple[tuple[Fraction, float], ...]:
    """Return printed dynamics as loudness 0..1 by moment; an accent mark lasts for its moment only."""
    marks: list[tuple[Fraction, float]] = []
    level = _DYNAMICS["mf"]
    for direction in sorted(
        (direction for direction in score.directions if direction.kind == "dynamic"),
        key=lambda direction: direction.onset,
    ):
        if direction.text in _ACCENTED:
            marks += [(direction.onset, _ACCENTED[direction.text]), (direction.onset + Fraction(1, 4), level)]
        elif direction.text in _DYNAMICS:
            level = _DYNAMICS[direction.text]
            marks.append((direction.onset, level))
    return tuple(sorted(marks))


def _with_rank(event: Event, rank: int) -> Event:
    found = SHARP_DISSONANCE.of(event)
    return event if found is None else replace(event, details=replace(found, rank=rank))


def _weigh(base: float, event: Event, details: SharpDissonanceDetails) -> float:
    """The more exposed it is, the more it matters; a wide one with nothing else sounding, or one that goes
    past its goal, stands out for itself.
    """
    bare = 1.6 if details.bare and details.octaves else 1.0
    past = 1.3 if details.past is not None else 1.0
    return base * details.exposure * bare * past


SHARP_DISSONANCE: Kind[SharpDissonanceDetails] = Kind(
    "sharp dissonance",
    SharpDissonanceDetails,
    find=find_dissonances,
    weight=4.0,
    weigh=_weigh,
    counted=True,
    told_near=True,
    stop=Stop("sharp dissonance"),
    searched={
        "false relation": ("false relation",),
    },
)
