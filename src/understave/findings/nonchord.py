"""Score and spans -> non-chord tones, each with its kind, its preparation and its resolution.

A note is foreign while a chord sounds that does not contain it (compared by sound). A note that was a
chord tone when struck becomes foreign when it is held into the next chord. Repetitions of a foreign note
are one dissonance. How the line comes to the dissonance and how it leaves tell the kind (Hutchinson,
"Music Theory for the 21st-Century Classroom", ch. 10; *Open Music Theory*, "Embellishing Tones"):

=================  =========================  ==============================================
label              comes                      leaves
=================  =========================  ==============================================
passing tone       by step                    by step, same direction
neighbour tone     by step                    by step, back
suspension         held or repeated           by step down
retardation        held or repeated           by step up
pedal tone         held, repeated, or a bass  stays until it fits again, or is a bass held on
                   struck with its chord
anticipation       by step or leap            stays and fits the next chord
appoggiatura       by leap or out of silence  by step
escape tone        by step                    by leap or into silence
changing tones     two notes, a step above and a step below (or the reverse), between one note twice
free tone          none of these; most often a chord member that the label leaves out
=================  =========================  ==============================================

A resolution need not follow at once. When the next note is not a step away, or is itself foreign, the line
is followed for a while: a dissonance that overshoots, leaps off or falls silent and then steps into a
chord tone is resolved late, and keeps its kind.

Event: kind ``"non-chord tone"``; `notes` are the foreign notes (octave doublings together); it lasts from
where the note becomes foreign to its resolution. Detail, where it applies:

- ``note`` str, ``pitch`` Pitch: the (first, highest) foreign note. ``key`` Key, ``chord`` RomanNumeral:
  the harmony it is foreign to. ``interval`` Interval: above the lowest sounding note.
- ``metric`` str: ``"accented"`` or ``"unaccented"``. ``colour`` str: ``"diatonic"`` or ``"chromatic"``.
- ``direction`` str: ``"up"``/``"down"`` (passing tone, and how an anticipation or escape tone is reached),
  ``"upper"``/``"lower"`` (neighbour tone, appoggiatura: the side of the resolution it lies on; changing
  tones: the side of the first).
- ``second`` str, ``second_pitch`` Pitch: the other of two changing tones.
- ``preparation`` str, ``preparation_pitch`` Pitch: the note it comes from (for a held note, itself).
- ``resolution`` str, ``resolution_pitch`` Pitch, ``resolution_time`` Fraction: where it goes.
- ``manner`` str: ``"direct"``, ``"late"`` (after a rest), ``"ornamented"`` (after other
  notes, whose ids are ``via`` tuple of str), ``"unsettled"`` (the step leads to a note that is itself no
  chord tone, or dissonant with what then sounds), ``"none"``.
- ``sigh`` int 1 (appoggiatura): it sinks from a heavier place to a note no longer than itself, at once.
- ``rubs`` int 1 if it is dissonant with something that sounds meanwhile, and not with the label alone.
- ``repeated`` int 1 (suspension, retardation): struck again, not held. ``returns`` int 1 (neighbour tone):
  it comes back to the very note it left.
- ``figures`` str: ``"4-3"``, ``"7-6"``, ``"9-8"``, ``"2-3"`` (suspension, retardation). ``place`` str:
  ``"bass"``, ``"inner"`` or ``"top"``.

The confidence is the chance that the note is foreign at all: it grows with that of the span, and is small
for a free tone.

Sentences, one per label:

- passing tone: "The D5 passes between C5 and E5."
- neighbour tone: "The D5 leans away from C5 and comes straight back."
- suspension: "The F4 is held over from the chord before and resolves down to E4 (4-3)."
- retardation: "The B4 is held over from the chord before and resolves up to C5 (7-8)."
- appoggiatura: "The A4 is leapt to, rubs against the chord and resolves to G4."
- escape tone: "The D5 steps away from C5 and escapes by a leap."
- anticipation: "The C5 comes early: it belongs to the next chord."
- changing tones: "The D5 and B4 circle round C5."
- pedal tone: "The C3 stays while the chords above move away and come back."
- free tone: "The B4 does not belong to the chord and is neither reached nor left by step."
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass, replace
from fractions import Fraction
from math import exp

from understave.findings.chords_at import Harmony
from understave.findings.kinds import Kind, Stop
from understave.findings.lines import Lines, is_same, is_step, lines, resolves_to
from understave.harmony.reading import Details, Event, Span
from understave.harmony.units import metric_level
from understave.score.model import Note, Score
from understave.theory.key import Key
from understave.theory.pitch import Interval, Pitch
from understave.theory.roman import RomanNumeral


@dataclass(frozen=True, slots=True, kw_only=True)
class NonChordToneDetails(Details):
    """The foreign note, how it comes and where it goes."""

    note: str
    pitch: Pitch
    key: Key
    chord: RomanNumeral
    metric: str
    colour: str
    place: str
    manner: str
    rubs: int | None = None
    returns: int | None = None
    repeated: int | None = None
    interval: Interval | None = None
    direction: str | None = None
    second: str | None = None
    second_pitch: Pitch | None = None
    preparation: str | None = None
    preparation_pitch: Pitch | None = None
    resolution: str | None = None
    resolution_pitch: Pitch | None = None
    resolution_time: Fraction | None = None
    via: tuple[str, ...] | None = None
    figures: str | None = None
    sigh: int | None = None


_MOST_DETOUR = 4
"""Notes at most between a dissonance and its late resolution."""
# How often a note found to be of a kind (accented, unaccented) is foreign to the analyst's chord too, at a
# span confidence of 0.4, and how the log odds grow with that confidence. Logistic fit on the analysed
# chorales, songs, preludes and variations that are set apart for fitting, each set counting the same.
_CHANCE = {
    "passing tone": (0.85, 0.88),
    "neighbour tone": (0.81, 0.81),
    "changing tones": (0.64, 0.81),
    "suspension": (0.84, 0.68),
    "retardation": (0.58, 0.52),
    "anticipation": (0.51, 0.67),
    "appoggiatura": (0.65, 0.61),
    "escape tone": (0.34, 0.72),
    "pedal tone": (0.62, 0.45),
    "free tone": (0.39, 0.45),
}
_GROWTH, _MIDDLE = 2.3, 0.4
_FIFTH = 7
"""Semitones."""
_SIXTH = 10
"""Fifths from the lower to the upper note of an augmented sixth."""
_IN_SIXTH = frozenset((0, 1, 4, 6, _SIXTH))
"""Fifths above the lower note that an Italian, French or German sixth has (Hutchinson, 21.1 to 21.3)."""
_TREMBLING, _TREMBLES = 5, Fraction(1, 4)
"""Notes that go to and fro between two keys in a written-out trill or tremolo, at least, and the share of a
beat that each lasts at most (set by ear).
"""
_BRIEF = Fraction(1, 4)
"""Quarter notes below which an appoggiatura is not told (set by ear)."""


@dataclass(frozen=True, slots=True)
class Dissonance:
    """A foreign note with its repetitions; `first` and `last` index the spans it is foreign to.

    `held_in`: it was struck as a chord tone and became foreign. `held_out`: it becomes a chord tone
    without being struck again.
    """

    notes: tuple[Note, ...]
    start: Fraction
    end: Fraction
    first: int
    last: int
    held_in: bool
    held_out: bool


@dataclass(frozen=True, slots=True)
class Resolution:
    """Where a dissonance goes: a note, the notes on the way, and how."""

    note: Note
    via: tuple[Note, ...] = ()
    manner: str = "direct"


@dataclass(frozen=True, slots=True)
class Sort:
    """What a dissonance is, with the notes that tell it."""

    label: str
    preparation: Note | None
    resolution: Resolution | None
    direction: str = ""


def find_nonchord(score: Score, spans: tuple[Span, ...]) -> tuple[Event, ...]:
    """Return the non-chord tones of a score under given chords, sorted by start."""
    harmony, line = Harmony(spans), lines(score)
    found = dissonances(score, harmony, line)
    told: list[tuple[Dissonance, Sort]] = []
    used: set[str] = set()
    by_note = {
        dissonance.notes[0].id: dissonance
        for dissonance in found
        if len(dissonance.notes) == 1 and not dissonance.held_in and not dissonance.held_out
    }
    for dissonance in found:
        if dissonance.notes[0].id in used:
            continue
        pair = _changing_tones(dissonance, by_note, line)
        if pair is not None:
            used.update(note.id for note in pair[0].notes)
            told.append(pair)
    told += [
        (dissonance, classify(dissonance, harmony, line))
        for dissonance in found
        if dissonance.notes[0].id not in used and not _belongs(dissonance, harmony, line)
    ]
    told.sort(key=lambda x: (x[0].start, -x[0].notes[0].midi))
    return _events(score, harmony, line, told)


def _belongs(dissonance: Dissonance, harmony: Harmony, line: Lines) -> bool:
    """Whether the chord that sounds has the note, and only the label has not."""
    return (
        _outlasted(dissonance, line)
        or _in_sixth(dissonance, line)
        or _is_fifth_of_dominant(dissonance, harmony)
    )


def _is_fifth_of_dominant(dissonance: Dissonance, harmony: Harmony) -> bool:
    """Whether a note is the fifth above a cadential six-four's bass, which the dominant there has."""
    span = harmony.spans[dissonance.first]
    fifth = span.numeral.chord(span.key).bass.semitone + _FIFTH
    return span.numeral.special == "Cad" and (dissonance.notes[0].midi - fifth) % 12 == 0


def _in_sixth(dissonance: Dissonance, line: Lines) -> bool:
    """Whether all that sounds as a dissonance begins makes an augmented sixth, in which the note has a place:
    the two notes of the sixth, and above the lower one a third, and a fifth or an augmented fourth.
    """
    tones = {note.pitch.pitch_class.fifths for note in line.sounding(dissonance.start)}
    lower = next((low for low in tones if low + _SIXTH in tones), None)
    return lower is not None and len(tones) > 2 and {tone - lower for tone in tones} <= _IN_SIXTH


def _outlasted(dissonance: Dissonance, line: Lines) -> bool:
    """Whether another voice holds the same note well beyond: the chord has it, only the label has not."""
    note = dissonance.notes[0]
    return any(
        other.midi % 12 == note.midi % 12
        and (other.staff, other.voice) != (note.staff, note.voice)
        and other.end >= dissonance.end + note.duration
        for other in line.sounding(dissonance.start)
    )


def dissonances(score: Score, harmony: Harmony, line: Lines) -> tuple[Dissonance, ...]:
    """Return every stretch in which a note is foreign to the chord, repetitions joined, by start."""
    single = [
        dissonance
        for note in score.notes
        if note.duration > 0 and not note.grace and not note.cue
        for dissonance in stretches(note, harmony)
    ]
    joined: list[Dissonance] = []
    taken: set[str] = set()
    for dissonance in sorted(single, key=lambda dissonance: (dissonance.start, dissonance.notes[0].midi)):
        if dissonance.held_in or dissonance.notes[0].id not in taken:
            joined.append(with_repetitions(dissonance, harmony, line, taken))
            taken.update(note.id for note in joined[-1].notes[1:])
    return tuple(joined)


def stretches(note: Note, harmony: Harmony) -> list[Dissonance]:
    """Return the stretches in which one note is foreign."""
    found: list[Dissonance] = []
    run: list[int] = []
    first = max(0, bisect_right(harmony.starts, note.at) - 1)
    tone = note.midi % 12
    for i in range(first, bisect_left(harmony.starts, note.until)):
        if tone not in harmony.tones[i] and harmony.spans[i].end > note.onset:
            run.append(i)
        elif run:
            found.append(_stretch(note, run, harmony))
            run = []
    if run:
        found.append(_stretch(note, run, harmony))
    return found


def _stretch(note: Note, run: list[int], harmony: Harmony) -> Dissonance:
    start = max(note.onset, harmony.spans[run[0]].start)
    end = min(note.end, harmony.spans[run[-1]].end)
    return Dissonance((note,), start, end, run[0], run[-1], start > note.onset, end < note.end)


def with_repetitions(
    dissonance: Dissonance, harmony: Harmony, line: Lines, taken: Collection[str] = ()
) -> Dissonance:
    """Return a dissonance with the repetitions that follow it, up to one that is `taken` already."""
    while not dissonance.held_out:
        after = line.after(dissonance.notes[-1])
        if after is None or not is_same(after, dissonance.notes[-1]) or after.id in taken:
            break
        again = next(iter(stretches(after, harmony)), None)
        if again is None or again.held_in:
            break
        dissonance = Dissonance(
            dissonance.notes + again.notes,
            dissonance.start,
            again.end,
            dissonance.first,
            again.last,
            dissonance.held_in,
            again.held_out,
        )
    return dissonance


def classify(dissonance: Dissonance, harmony: Harmony, line: Lines) -> Sort:
    """Return the kind of a dissonance; a note of a written-out trill or tremolo is no voice of its own."""
    sort = _classified(dissonance, harmony, line)
    if sort.label in ("neighbour tone", "pedal tone") or not _trembles(dissonance.notes[0], line):
        return sort
    return Sort("free tone", sort.preparation, sort.resolution)


def _trembles(note: Note, line: Lines) -> bool:
    """Whether a note belongs to a quick to and fro between two keys."""
    longest = _TREMBLES * line.score.measures[note.measure].beat_length
    if note.duration > longest:
        return False
    row = [note]
    for step in (line.before, line.after):
        # The row grows at its end: first backwards in time, then forwards.
        row.reverse()
        while len(row) < _TREMBLING:
            other = step(row[-1])
            if other is None or other.duration > longest or other.midi == row[-1].midi:
                break
            if row[-2:-1] and other.midi != row[-2].midi:
                break
            row.append(other)
    return len(row) >= _TREMBLING


def _classified(dissonance: Dissonance, harmony: Harmony, line: Lines) -> Sort:
    note = dissonance.notes[0]
    before = note if dissonance.held_in else line.before(note)
    after = None if dissonance.held_out else line.after(dissonance.notes[-1])
    prepared = before is not None and is_same(before, note)
    stays = dissonance.held_out or (after is not None and is_same(after, note))
    if stays:
        goal = dissonance.notes[-1] if dissonance.held_out or after is None else after
        strong = dissonance.start == harmony.spans[dissonance.first].start and _is_accented(
            dissonance, goal, harmony, line
        )
        if prepared or (strong and _place(dissonance, line) == "bass"):
            return Sort("pedal tone", before, Resolution(goal))
        return Sort("anticipation", before, Resolution(goal), _way(before, note))
    if prepared:
        return _prepared(dissonance, before, after, harmony, line)
    stepped = before is not None and is_step(before, note)
    leaves = after is not None and is_step(note, after)
    if stepped and before is not None:
        if leaves and after is not None:
            into, out = note.midi - before.midi, after.midi - note.midi
            if (into > 0) == (out > 0):
                return Sort("passing tone", before, Resolution(after), _way(before, note))
            through = _handed(before, note, after, line)
            if through is not None:
                return Sort("passing tone", through, Resolution(after), _way(through, note))
            if not resolves_to(note, after):
                # An augmented second leads on, and not back.
                return Sort("escape tone", before, Resolution(after), _way(before, note))
            side = "upper" if into > 0 else "lower"
            return Sort("neighbour tone", before, Resolution(after), side)
        late = _late(dissonance, harmony, line) if _is_accented(dissonance, after, harmony, line) else None
        if late is not None:
            back = (note.midi > before.midi) == (note.midi > late.note.midi)
            label = "neighbour tone" if back else "passing tone"
            return Sort(label, before, late, _side(note, late.note) if back else _way(before, note))
        escape = Resolution(after) if after is not None else None
        return Sort("escape tone", before, escape, _way(before, note))
    return _leapt_to(dissonance, before, after, harmony, line)


def _leapt_to(
    dissonance: Dissonance, before: Note | None, after: Note | None, harmony: Harmony, line: Lines
) -> Sort:
    """Tell an appoggiatura from what leans on nothing, and from what another voice had until now."""
    note = dissonance.notes[0]
    goal_found = _resolution(dissonance, after, harmony, line)
    if _doubles_a_step(note, line):
        return Sort("free tone", before, Resolution(after) if after is not None else None)
    leans = (
        goal_found is not None
        and not _begins_a_run(dissonance, goal_found.note, harmony, line)
        and not _is_moved_on(dissonance, goal_found.note, harmony)
    )
    if goal_found is not None and leans and not _is_left_out(dissonance, after, harmony):
        held = next((n for n in line.ending(note.onset) if is_same(n, note) and n.part == note.part), None)
        over = _prepared(dissonance, held, after, harmony, line)
        if held is not None and over.label == "suspension":
            # Another voice of the same player had the note until now: nothing leaps in.
            return over
        return Sort("appoggiatura", before, goal_found, _side(note, goal_found.note))
    return _recurring(dissonance, before, after, line)


def _is_moved_on(dissonance: Dissonance, goal: Note, harmony: Harmony) -> bool:
    """Whether a note only moves to another shade of its letter with the next chord (common practice)."""
    same = goal.pitch.diatonic == dissonance.notes[-1].pitch.diatonic
    return same and goal.onset >= harmony.spans[dissonance.last].end


def _begins_a_run(dissonance: Dissonance, goal: Note, harmony: Harmony, line: Lines) -> bool:
    """Whether a light note out of silence begins a scale, whose notes are as short: it leans on nothing."""
    note, before, after = dissonance.notes[0], line.before(dissonance.notes[0]), line.after(goal)
    if before is not None and before.end >= note.onset:
        return False
    if after is None or _is_accented(dissonance, goal, harmony, line):
        return False
    runs_on = is_step(goal, after) and (after.midi > goal.midi) == (goal.midi > note.midi)
    return runs_on and note.duration == goal.duration == after.duration


def _doubles_a_step(note: Note, line: Lines) -> bool:
    """Whether a note leapt to is struck with the same key in another voice, or with an octave of it on its
    staff, whose line moves by step: that line is heard.
    """
    for other in line.sounding(note.onset):
        octave = other.id != note.id and (other.midi - note.midi) % 12 == 0
        near = other.staff == note.staff or other.midi == note.midi
        if octave and near and other.onset == note.onset:
            before = line.before(other)
            if before is not None and is_step(before, other):
                return True
    return False


def _handed(before: Note, note: Note, after: Note, line: Lines) -> Note | None:
    """Return the note a step beyond from which another voice runs through a note, None where none does.

    That is heard only where the note's own voice has rested before it: the run is shared between the hands.
    """
    if before.end >= note.onset:
        return None
    ending = [n for n in line.ending(note.onset) if is_step(n, note) and n.duration <= note.duration]
    beyond = [n for n in ending if (n.midi > note.midi) == (note.midi > after.midi)]
    return min(beyond, key=lambda n: abs(n.midi - note.midi), default=None)


def _prepared(
    dissonance: Dissonance, before: Note | None, after: Note | None, harmony: Harmony, line: Lines
) -> Sort:
    """Tell suspensions and retardations from pedal tones."""
    note = dissonance.notes[-1]
    goal = _resolution(dissonance, after, harmony, line)
    if (
        goal is not None
        and goal.note.midi == note.midi + 2
        and goal.note.duration <= dissonance.end - dissonance.start
    ):
        # A short step up by a whole tone, and then down below the suspended note, only adorns its fall.
        goal = _falls_later(dissonance, harmony, line) or goal
    if goal is not None and _is_figure_of_bass(dissonance, goal.note, line):
        return Sort("pedal tone", before, Resolution(after) if after is not None else None)
    if goal is not None:
        chromatic = goal.note.pitch.diatonic == note.pitch.diatonic
        if (
            chromatic
            or not harmony.fits(goal.note, goal.note.onset)
            or not _moves_on(dissonance, goal, harmony, line)
        ):
            # What steps on to another foreign note, or to another shade of its own letter, runs through the
            # chord and hangs over nothing.
            return Sort("free tone", before, goal)
        label = "suspension" if goal.note.midi < note.midi else "retardation"
        return Sort(label, before, goal)
    if _place(dissonance, line) == "bass" or dissonance.last > dissonance.first:
        return Sort("pedal tone", before, Resolution(after) if after is not None else None)
    return _recurring(dissonance, before, after, line)


def _is_figure_of_bass(dissonance: Dissonance, goal: Note, line: Lines) -> bool:
    """Whether the bass strikes a note again and again and turns about it: it did so in the bar before, goes
    to its neighbour and comes back. What an ostinato strikes anew has been held over from nothing.
    """
    note, after = dissonance.notes[-1], line.after(goal)
    while after is not None and is_same(after, goal):
        after = line.after(after)
    if _place(dissonance, line) != "bass" or after is None or not is_same(after, note):
        return False
    bar = line.score.measures[note.measure].full_length
    return bool(line.struck_near(goal, dissonance.start - bar, dissonance.start))


def _moves_on(dissonance: Dissonance, goal: Resolution, harmony: Harmony, line: Lines) -> bool:
    """Whether the new chord is heard before a note held over from the old one resolves.

    It is by a new bass, or by any note that the old chord has not: without it nothing has been left behind.
    """
    if not dissonance.first:
        return True
    start, old = harmony.spans[dissonance.first].start, harmony.tones[dissonance.first - 1]
    new = harmony.tones[dissonance.first] - old
    bass = [line.sounding(start)[:1], line.sounding(start - Fraction(1, 64))[:1]]
    moved = [low[0].midi % 12 for low in bass if low]
    if len(set(moved)) == 2:
        return True
    heard = [*line.sounding(start), *line.struck_between(start, goal.note.onset)]
    return any(note.midi % 12 in new for note in heard)


def _is_left_out(dissonance: Dissonance, after: Note | None, harmony: Harmony) -> bool:
    """Whether a foreign note leaps on to the chord as its seventh, which the label leaves out, would."""
    note, span = dissonance.notes[-1], harmony.spans[dissonance.first]
    seventh = (note.midi - span.numeral.chord(span.key).root.semitone) % 12 in (10, 11)
    leaps = after is not None and not is_step(note, after) and harmony.fits(after, after.onset)
    return seventh and leaps


def _recurring(dissonance: Dissonance, before: Note | None, after: Note | None, line: Lines) -> Sort:
    """Tell a note that keeps coming back within a bar, such as a drone, from a free one."""
    note = dissonance.notes[0]
    bar = line.score.measures[note.measure].full_length
    struck = [
        line.struck_near(note, note.onset - bar, note.onset),
        line.struck_near(note, dissonance.notes[-1].end, dissonance.notes[-1].end + bar),
    ]
    if (all(struck) or (any(struck) and _place(dissonance, line) == "bass")) and not (
        before and is_step(before, note)
    ):
        return Sort("pedal tone", struck[0] or before, Resolution(struck[1]) if struck[1] else None)
    return Sort("free tone", before, Resolution(after) if after is not None else None)


def _resolution(
    dissonance: Dissonance, after: Note | None, harmony: Harmony, line: Lines
) -> Resolution | None:
    """Return the step that resolves a dissonance: the next note, or a chord tone reached later."""
    direct = after is not None and resolves_to(dissonance.notes[-1], after)
    if after is not None and is_touched(dissonance.notes[-1], after, line):
        return _late(dissonance, harmony, line)
    if after is not None and direct and harmony.fits(after, after.onset):
        manner = "late" if after.onset > dissonance.notes[-1].end else "direct"
        return Resolution(after, (), manner)
    late = _late(dissonance, harmony, line)
    if late is not None:
        return late
    if (
        after is None
        or not direct
        or _only_adorns(after, line)
        or climbs_on(dissonance.notes[-1], after, line)
    ):
        return None
    return Resolution(after)


def climbs_on(note: Note, after: Note, line: Lines) -> bool:
    """Whether a line climbs through a note a semitone above another: it only passes on, and neither that
    note nor the next resolves anything (Hutchinson, ch. 10, passing tones).
    """
    beyond = line.after(after)
    return after.midi == note.midi + 1 and beyond is not None and beyond.midi == after.midi + 1


def _only_adorns(note: Note, line: Lines) -> bool:
    """Whether a note is stepped to from a dissonance only to give it back: an ornament resolves nothing."""
    before, after = line.before(note), line.after(note)
    return (
        before is not None
        and after is not None
        and is_same(before, after)
        and note.duration < max(before.duration, after.duration)
    )


def is_touched(note: Note, other: Note, line: Lines) -> bool:
    """Whether a line only touches another note, for less than a beat and no longer than the first, and gives
    that back at once: what resolves it comes after the figure (common practice, no source).
    """
    back = line.after(other)
    if back is None or not is_same(back, note) or other.onset != note.end or back.onset != other.end:
        return False
    return other.duration < line.score.measures[other.measure].beat_length and other.duration <= note.duration


def is_settled(note: Note, moment: Fraction, harmony: Harmony, line: Lines) -> bool:
    """Whether a note reached at a moment is at rest there: a chord tone, consonant with what then sounds.

    A semitone is a dissonance with any note, a second or seventh with the lowest, a tritone above the lowest;
    those between upper voices are taken as they come, as in a dominant seventh (handbook rules).
    """
    if not harmony.fits(note, moment):
        return False
    others = [n for n in line.sounding(moment) if n.id != note.id]
    if any((n.midi - note.midi) % 12 in (1, 11) for n in others):
        return False
    lowest = min(others, key=lambda note: note.midi, default=None)
    span = harmony.at(moment)
    if lowest is None or (span is not None and note.midi % 12 == span.numeral.chord(span.key).root.semitone):
        # The root is at rest, also where a broken chord has let its bass go.
        return True
    if note.midi < lowest.midi:
        return not any((n.midi - note.midi) % 12 in (2, 10) for n in others)
    return (note.midi - lowest.midi) % 12 not in (2, 6, 10)


def _rubs(dissonance: Dissonance, line: Lines) -> bool:
    """Whether a foreign note makes a second, seventh or tritone with others, or a fourth with the bass."""
    note = dissonance.notes[0]
    for moment in {
        dissonance.start,
        *(note.onset for note in line.struck_between(dissonance.start, dissonance.end)),
    }:
        here = [n for n in line.sounding(moment) if n.id != note.id]
        if any((n.midi - note.midi) % 12 in (1, 2, 6, 10, 11) for n in here):
            return True
        if here and (note.midi - here[0].midi) % 12 == 5 and here[0].midi < note.midi:
            return True
    return False


def _falls_later(dissonance: Dissonance, harmony: Harmony, line: Lines) -> Resolution | None:
    """Return the chord tone a step below that the line comes to while the same chord lasts, if it does."""
    low = _late(dissonance, harmony, line, falling=True)
    return low if low is not None and low.note.onset < harmony.spans[dissonance.last].end else None


def _late(dissonance: Dissonance, harmony: Harmony, line: Lines, falling: bool = False) -> Resolution | None:
    """Return the first chord tone a step away (or below) that the line comes to by a detour, if soon."""
    note = dissonance.notes[-1]
    beat = line.score.measures[note.measure].beat_length
    until = dissonance.end + max(2 * beat, dissonance.end - dissonance.start)
    if dissonance.last + 1 < len(harmony.spans):
        until = min(until, harmony.spans[dissonance.last + 1].end)
    via: list[Note] = []
    for m in line.following(note, until):
        if (falling and m.midi > note.midi) or (not via and is_touched(note, m, line)):
            via.append(m)
        elif resolves_to(note, m) and harmony.fits(m, m.onset) and m.onset < until:
            return Resolution(m, tuple(via), "ornamented" if via else "late")
        elif climbs_on(note, m, line):
            return None
        else:
            via.append(m)
        if len(via) > _MOST_DETOUR:
            return None
    return None


def _changing_tones(
    dissonance: Dissonance, others: dict[str, Dissonance], line: Lines
) -> tuple[Dissonance, Sort] | None:
    """Return the two foreign notes that circle round one note, as one dissonance, where d is the first."""
    first = dissonance.notes[0]
    if others.get(first.id) is not dissonance:
        return None
    second = line.after(first)
    other = others.get(second.id) if second is not None else None
    if second is None or other is None or is_step(first, second) or abs(first.midi - second.midi) > 4:
        return None
    before, after = line.before(first), line.after(second)
    if before is None or after is None or not is_same(before, after):
        return None
    if not is_step(before, first) or not is_step(second, after):
        return None
    if (first.midi > before.midi) == (second.midi > before.midi):
        return None
    both = Dissonance(
        (first, second), dissonance.start, other.end, dissonance.first, other.last, False, False
    )
    side = "upper" if first.midi > before.midi else "lower"
    return both, Sort("changing tones", before, Resolution(after), side)


def _way(before: Note | None, note: Note) -> str:
    return "" if before is None or is_same(before, note) else "up" if note.midi > before.midi else "down"


def _side(note: Note, goal: Note) -> str:
    return "upper" if note.midi > goal.midi else "lower"


def _is_accented(dissonance: Dissonance, after: Note | None, harmony: Harmony, line: Lines) -> bool:
    """Whether a dissonance falls on a stronger place than what follows, or with its chord's own start."""
    score = line.score
    own = metric_level(score.measure_at(dissonance.start), dissonance.start)
    end = after.onset if after is not None else dissonance.end
    return (
        own < metric_level(score.measure_at(end), end)
        or dissonance.start == harmony.spans[dissonance.first].start
    )


def _place(dissonance: Dissonance, line: Lines) -> str:
    """Return whether a dissonance is the lowest or the highest note while it sounds."""
    sounding = [note.midi for note in _around(dissonance, line)]
    if dissonance.notes[0].midi <= min(sounding, default=0):
        return "bass"
    return "top" if dissonance.notes[0].midi >= max(sounding) else "inner"


def _around(dissonance: Dissonance, line: Lines) -> list[Note]:
    """Return what sounds with a dissonance, lowest first; what enters while it lasts, if it begins alone,
    and what enters below it, where an accompaniment comes after the beat (common practice, no source).
    """
    sounding, own = line.sounding(dissonance.start), dissonance.notes[0]
    entering = line.struck_between(dissonance.start, dissonance.end)
    if len(sounding) > 1:
        entering = [note for note in entering if note.midi < own.midi and sounding[0].midi >= own.midi]
    return sorted({*sounding, *entering}, key=lambda note: note.midi)


def _figures(dissonance: Dissonance, kind: Sort, line: Lines, harmony: Harmony) -> str:
    """Return a suspension's or retardation's figures against the bass, or of the bass against the upper.

    An eleventh is written as a fourth, and so on; a second above the bass as a ninth.
    """
    assert kind.resolution is not None
    sounding = _around(dissonance, line)
    note = dissonance.notes[0]
    step = -1 if kind.resolution.note.midi < note.midi else 1
    if sounding and note.midi > sounding[0].midi:
        return _figure(sounding[0].pitch, note.pitch, step)
    above = [n for n in sounding if n.midi > note.midi and harmony.fits(n, dissonance.start)]
    sizes = {(n.pitch.diatonic - note.pitch.diatonic) % 7 + 1 for n in above}
    size = next((s for s in (2, 4, 7, 5) if s in sizes), None)
    return f"{size}-{size - step}" if size is not None else ""


def _figure(bass: Pitch, pitch: Pitch, step: int) -> str:
    """Return the figures of a note that moves by a step, "" where a consonance sinks.

    That is no dissonance against the bass (Hutchinson, on suspensions: 9-8, 7-6, 4-3, 2-3).
    """
    distance = pitch.diatonic - bass.diatonic
    size = distance % 7 + 1
    if step < 0 and (pitch.midi - bass.midi) % 12 in (0, 3, 4, 7):
        return ""
    if step < 0 and size == 2:
        size = 9
    elif step < 0 and size == 1:
        size = 8
    return f"{size}-{size + step}"


def _events(
    score: Score, harmony: Harmony, line: Lines, told: list[tuple[Dissonance, Sort]]
) -> tuple[Event, ...]:
    """Turn dissonances into events; octave doublings that move alike become one."""
    doubled: dict[tuple[object, ...], list[tuple[Dissonance, Sort]]] = defaultdict(list)
    for dissonance, kind in told:
        sound = tuple(note.midi % 12 for note in dissonance.notes)
        doubled[dissonance.start, dissonance.end, sound, kind.label].append((dissonance, kind))
    return tuple(_event(score, harmony, line, group) for group in doubled.values())


def _event(score: Score, harmony: Harmony, line: Lines, group: list[tuple[Dissonance, Sort]]) -> Event:
    dissonance, kind = group[0]
    note, span = dissonance.notes[0], harmony.spans[dissonance.first]
    resolution = kind.resolution
    goal = resolution.note if resolution is not None else None
    accented = _is_accented(dissonance, goal, harmony, line)
    key = span.numeral.local_key(span.key)
    diatonic = note.pitch.pitch_class in key or note.pitch.pitch_class in span.key
    sounding = line.sounding(dissonance.start)
    detail = NonChordToneDetails(
        note=note.id,
        pitch=note.pitch,
        key=span.key,
        chord=span.numeral,
        metric="accented" if accented else "unaccented",
        colour="diatonic" if diatonic else "chromatic",
        place=_place(dissonance, line),
        manner=_manner(kind, harmony, line),
        rubs=1 if any(_rubs(other, line) for other, _ in group) else None,
        repeated=1 if kind.label in ("suspension", "retardation") and not dissonance.held_in else None,
        returns=1 if _comes_back(kind) else None,
        sigh=1 if _sighs(dissonance, kind, score) else None,
        direction=kind.direction or None,
    )
    if sounding and sounding[0].midi < note.midi:
        detail = replace(detail, interval=Interval.between(sounding[0].pitch, note.pitch))
    if kind.label == "changing tones":
        detail = replace(detail, second=dissonance.notes[1].id, second_pitch=dissonance.notes[1].pitch)
    if kind.preparation is not None:
        before = kind.preparation
        detail = replace(detail, preparation=before.id, preparation_pitch=before.pitch)
    end = dissonance.end
    if resolution is not None and goal is not None:
        end = max(end, goal.onset)
        detail = replace(
            detail,
            resolution=goal.id,
            resolution_pitch=goal.pitch,
            resolution_time=end,
            via=tuple(note.id for note in resolution.via) or None,
        )
    if kind.label in ("suspension", "retardation"):
        figures = _figures(dissonance, kind, line, harmony)
        if figures:
            detail = replace(detail, figures=figures)
    notes = tuple(dict.fromkeys(note.id for other, _ in group for note in other.notes))
    belief = _confidence(kind.label, accented, span.confidence)
    return NON_CHORD_TONE.event(kind.label, dissonance.start, end, notes, belief, detail)


def _manner(kind: Sort, harmony: Harmony, line: Lines) -> str:
    """Return how a foreign note goes where it goes; a step to a note that is not at rest resolves nothing."""
    resolution = kind.resolution
    if resolution is None:
        return "none"
    goal = resolution.note
    resolving = kind.label in ("suspension", "retardation", "appoggiatura")
    if resolving and not is_settled(goal, goal.onset, harmony, line):
        return "unsettled"
    return resolution.manner


def _comes_back(kind: Sort) -> bool:
    """Whether a neighbour comes back to its very note."""
    before, goal = kind.preparation, kind.resolution
    if kind.label != "neighbour tone" or before is None or goal is None:
        return False
    return is_same(before, goal.note)


def _sighs(dissonance: Dissonance, kind: Sort, score: Score) -> bool:
    """Whether an appoggiatura is a sigh: a step down, at once, from a heavier place to a lighter one.

    The second note is no longer than the first and both last half a beat or more: quicker ones belong
    to a figure (common practice, no source).
    """
    goal = kind.resolution
    if kind.label != "appoggiatura" or goal is None or goal.manner != "direct" or kind.direction != "upper":
        return False
    bar, there = score.measure_at(dissonance.start), score.measure_at(goal.note.onset)
    heavier = metric_level(bar, dissonance.start) < metric_level(there, goal.note.onset)
    length = dissonance.end - dissonance.start
    return heavier and goal.note.duration <= length and 2 * goal.note.duration >= there.beat_length


def _confidence(label: str, accented: bool, span: float) -> float:
    chance = _CHANCE[label][0 if accented else 1]
    odds = chance / (1 - chance) * exp(_GROWTH * (span - _MIDDLE))
    return round(odds / (1 + odds), 3)


def _weigh(base: float, event: Event, details: NonChordToneDetails) -> float:
    """What comes off the beat matters less."""
    if details.metric == "unaccented":
        base *= 0.6
    if event.label == "appoggiatura" and event.end - event.start < _BRIEF:
        # One of the notes of a run that begins with it: nobody hears it lean.
        return 0.0
    if event.label == "appoggiatura" and details.manner == "late":
        # Resolved only after a rest it is as likely a note of the chord.
        base *= 0.3
    return base


NON_CHORD_TONE: Kind[NonChordToneDetails] = Kind(
    "non-chord tone",
    NonChordToneDetails,
    find=find_nonchord,
    weight=0.8,
    labels={
        "suspension": 2.6,
        "retardation": 2.4,
        "appoggiatura": 2.4,
        "changing tones": 2.0,
        "anticipation": 1.2,
        "free tone": 0.0,
    },
    weigh=_weigh,
    counted=True,
    stop=Stop("sharp dissonance"),
    contrasts={"suspension": "dissonance", "retardation": "dissonance", "appoggiatura": "dissonance"},
    searched={
        "suspension": ("suspension",),
        "appoggiatura": ("appoggiatura",),
        "anticipation": ("anticipation",),
        "retardation": ("retardation",),
        "escape tone": ("escape tone",),
    },
)
