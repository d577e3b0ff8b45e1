"""Score and reading -> how much each note is brought out: melody, bass, dissonance, and what stays behind.

Every note gets a `Voice`, in the score's order. The melody, wherever `texture` finds it, carries the line of
loudness; the rest stays behind it, as measured on pianists (Repp, "The dynamics of expressive piano
performance", Journal of the Acoustical Society of America 100, 1996; Goebl, "Melody lead in piano
performance: expressive device or artifact?", ibid. 110, 2001: the melody is struck clearly harder than what
sounds with it). The bass comes forward where it brings a new harmony; a dissonance is leant on and its
resolution softer (Türk, "Klavierschule", 1789, on appoggiaturas; from memory); the first beat gets a little
more, long notes a little less (22 pianists, `training.playing`). Repeated melody notes lead on, none like the
one before. What is high is struck harder (Repp, ibid.; `training.playing`). The amounts are ours, or fitted
where it is said.

`lean` marks the expressive dissonances: those prepared or leapt to on the beat, and the most exposed clashes,
where their own line then resolves them by step; of one that passes, is struck again or is left by a leap
nothing is said, nor of the root or third of a whole chord that sounds, nor of a softer resolution under a
printed crescendo.

Events of kind ``"voicing"``. Detail: ``pitch`` Pitch, ``hand`` str (what plays it), ``key`` Key and ``chord``
RomanNumeral (the harmony), ``interval`` Interval (a dissonance above the lowest note, octaves aside),
``resolution_pitch`` Pitch and ``resolution_time`` Fraction, ``since`` Fraction (when a note struck before
begins to rub), ``count`` int (how many repeated), ``way`` str (``"on"`` or ``"away"``: repeated notes grow or
fade), ``aim`` Pitch (the note they lead to).

- melody on top: "Bring out the top line."
- melody in the left hand: "The left hand has the melody here."
- melody in the bass: "The melody lies in the bass."
- melody inside: "The melody lies inside the chords."
- bass at a change: "The bass D brings the new chord: let it be heard."
- bass: "The bass carries the rest, a little behind the melody."
- dissonance: "Lean on F sharp."
- resolution: "Play G softer than the note before."
- repeated: "F four times: let each lead to the next."
- accompaniment: "Keep the left hand well behind the melody."
- inner: "The inner voices stay behind."
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from understave.findings.dissonance import SHARP_DISSONANCE, SharpDissonanceDetails
from understave.findings.figuration import FIGURED
from understave.findings.kinds import Kind
from understave.findings.lines import Lines, is_same, lines
from understave.findings.melody import MELODY as MELODIES
from understave.findings.melody import repeated_runs
from understave.findings.nonchord import NON_CHORD_TONE, NonChordToneDetails
from understave.findings.printed_words import read_text
from understave.findings.sounding_notes import soundings
from understave.findings.texture import (
    ACCOMPANIMENT,
    BASS,
    INNER,
    MELODY,
    Texture,
    hand_of,
    texture_of,
    unled_bars,
)
from understave.harmony.reading import Detail, Details, Event, Reading, Span
from understave.interpretation.plan import Voice
from understave.interpretation.printed import VELOCITIES, PrintedLoudness, printed_loudness
from understave.score.model import Note, Score
from understave.theory.chord import carries_chord
from understave.theory.key import Key
from understave.theory.pitch import Interval, Pitch
from understave.theory.roman import RomanNumeral


@dataclass(frozen=True, slots=True, kw_only=True)
class VoicingDetails(Details):
    """What is brought out, or kept behind."""

    pitch: Pitch | None = None
    hand: str
    count: int | None = None
    way: str | None = None
    aim: Pitch | None = None
    since: Fraction | None = None
    interval: Interval | None = None
    chord: RomanNumeral | None = None
    key: Key | None = None
    resolution_pitch: Pitch | None = None
    resolution_time: Fraction | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _RoleDetails(VoicingDetails):
    """The same for a note that has a role throughout: what plays it is written before the note."""

    def as_pairs(self) -> tuple[tuple[str, Detail], ...]:
        return tuple(sorted(Details.as_pairs(self), key=lambda pair: pair[0] != "hand"))


BEHIND = {MELODY: 0.0, BASS: -11.0, INNER: -15.0, ACCOMPANIMENT: -17.0}
"""Velocity of each role against the line of loudness."""
TOP = 1.0
"""More for the highest of what is struck together, beside what its height gives."""
ABOVE, BELOW = 0.7, 0.3
"""Velocity for each semitone above and below middle C; `training.playing` finds 1.2 and .5 in three excerpts,
which leave no room to what else is known."""
MIDDLE_C = 60
"""Its key number (MIDI 1.0)."""
FARTHEST = 30.0
"""Velocity that a note is moved from the line of loudness, at most."""
DOUBLED = -5.0
"""A melody's doubling at the octave, against the melody."""
BURIED = 3.0
"""More for a melody that does not lie on top."""
CHANGE = 4.0
"""More for the bass that brings a new harmony."""
LEAN, RUB = 5.0, 2.5
"""More for a dissonance that is leant on, and for one that passes on the beat."""
LET_GO = -4.0
"""Less for a resolution; at least this much below its dissonance."""
STRONG = 1.0
"""More for the first beat of a bar; a note off the beat gets no less than one on it (`training.playing`)."""
LONG = -0.5
"""For each doubling of a melody note's length over the beat, at most twice; short notes are struck harder
(`training.playing`)."""
REPEATED = 4.0
"""From the softest to the loudest of a run of repeated notes."""
_TOLD_REPEATED = 4
"""Strikings of a note from which on it is heard as repeated (set by ear)."""
_HELD_BACK = frozenset(
    ("ritardando", "poco-ritardando", "molto-ritardando", "rallentando", "ritenuto", "calando", "morendo")
)
"""Printed words under which nothing presses on."""
_LEANT = frozenset(("suspension", "appoggiatura", "retardation"))
_RESOLVED = ("direct", "late", "ornamented")
"""Manners in which the dissonant note itself comes to rest; in the others nothing is to be let go of."""
_BELIEVED = 0.5
"""Confidence from which on a dissonance is leant on."""
_EXPOSED = 0.6
"""How exposed a clash must be to be leant on without being prepared or leapt to."""
_BRIEFEST = Fraction(1, 3)
"""Beats that a dissonance lasts at least to be leant on: in a quicker run nobody does (set by ear)."""
_PLACES = {
    "in the left hand": "melody in the left hand",
    "in the bass": "melody in the bass",
    "in an inner voice": "melody inside",
    "back on top": "melody on top",
}


@dataclass(frozen=True, slots=True)
class _Rub:
    """A dissonance to bring out: its notes, where it goes, how much, and whether to lean on it."""

    notes: tuple[str, ...]
    resolution: str
    amount: float
    lean: bool
    event: Event


def voicing(score: Score, reading: Reading) -> tuple[Voice, ...]:
    """Return how much each note of the score is brought out, with the reasons."""
    if not score.notes or not score.measures:
        return ()
    texture = texture_of(score, reading.spans)
    voices = _by_role(score, reading, texture)
    _by_height(score, texture, voices)
    _repeated(score, texture, voices)
    _dissonances(score, reading, voices)
    return tuple(voices[note.id] for note in score.notes)


# --- roles -----------------------------------------------------------------------------------------------


def _by_role(score: Score, reading: Reading, texture: Texture) -> dict[str, Voice]:
    """Give every note the weight of its role, its beat and its length."""
    sung = {note.id for note in texture.melody}
    places = [
        (event.start, _PLACES[event.label])
        for event in reading.events
        if event in MELODIES and event.label in _PLACES
    ]
    changes = {span.start: span for span in reading.spans}
    unled = unled_bars(score, reading.spans)
    sounding = soundings(score)
    alone = _alone(score, sung)
    singing = {(note.measure, note.staff) for note in texture.melody}
    before = _bass_before(score, texture)
    told: dict[tuple[str, str, Fraction], Event] = {}
    voices: dict[str, Voice] = {}
    for note in score.notes:
        role = texture.roles.get(note.id, INNER)
        amount = BEHIND[role] + _metric(score, note)
        label, since, span = role, Fraction(0), None
        if role == MELODY:
            since, label = max(
                ((t, p) for t, p in places if t <= note.onset), default=(Fraction(0), "melody on top")
            )
            amount += _length(score, note) if note.id in sung else DOUBLED
            amount += BURIED if label != "melody on top" else 0.0
        elif role == BASS:
            span = changes.get(note.onset)
            if span is not None:
                amount += CHANGE
            # The first chord is no change, though its bass carries as much; a bass that stays brings nothing.
            if span not in (None, reading.spans[0]) and note.midi % 12 != before[note.onset]:
                label, since = "bass at a change", note.onset
        here = sounding.at(note.onset)
        led = any(other.id in sung for other in here) and (note.measure, note.staff) not in alone
        doubles = any(other.id in sung and (other.midi - note.midi) % 12 == 0 for other in here)
        if role in (INNER, ACCOMPANIMENT) and (not led or doubles):
            # Behind what is not there, or what it only doubles, nothing is said to stay.
            voices[note.id] = Voice(note.id, role, round(amount, 2), False, None)
            continue
        untold = note.measure in unled or (role == ACCOMPANIMENT and (note.measure, note.staff) in singing)
        if untold and label != "bass at a change":
            # Nobody knows here what to bring out before what, or one hand has both: nothing is said of it.
            voices[note.id] = Voice(note.id, role, round(amount, 2), False, None)
            continue
        hand = hand_of(score, note.staff)
        key = (label, hand, since)
        if key not in told:
            told[key] = _role_event(score, note, label, hand, span)
        voices[note.id] = Voice(note.id, role, round(amount, 2), False, told[key])
    return voices


def _bass_before(score: Score, texture: Texture) -> dict[Fraction, int | None]:
    """Return the pitch class (0 to 11) of the bass that was struck last, by the moment of the next."""
    found: dict[Fraction, int | None] = {}
    last: int | None = None
    basses = sorted((n.onset, n.midi) for n in score.notes if texture.roles.get(n.id, INNER) == BASS)
    for onset, midi in basses:
        if onset not in found:
            found[onset] = last
            last = midi % 12
    return found


def _alone(score: Score, sung: Collection[str]) -> frozenset[tuple[int, int]]:
    """Return the bars, with the staff, in which one staff goes on by itself while the melody rests."""
    found = set()
    for measure in score.measures:
        for chord in soundings(score).between(measure.start, measure.end):
            one = bool(chord) and all(note.staff == chord[0].staff for note in chord)
            if one and not any(note.id in sung for note in chord):
                found.add((measure.index, chord[0].staff))
    return frozenset(found)


def _by_height(score: Score, texture: Texture, voices: dict[str, Voice]) -> None:
    """Add what height gives: the top of what is struck together, and every semitone; 0 for the mean melody
    note.

    So the line of loudness goes on telling how loud an ordinary melody note is.
    """
    struck: dict[Fraction, list[int]] = defaultdict(list)
    for note in score.struck:
        struck[note.onset].append(note.midi)
    more = {}
    for note in score.notes:
        together = struck.get(note.onset, [])
        steps = note.midi - MIDDLE_C
        more[note.id] = ABOVE * max(0, steps) + BELOW * min(0, steps)
        more[note.id] += TOP if len(together) > 1 and note.midi == max(together) else 0.0
    usual = [more[note.id] for note in texture.melody] or list(more.values())
    middle = sum(usual) / len(usual)
    for i, voice in voices.items():
        amount = voice.amount + more[i] - middle
        voices[i] = replace(voice, amount=round(max(-FARTHEST, min(FARTHEST, amount)), 2))


def _metric(score: Score, note: Note) -> float:
    """Return what the beat gives a note."""
    return STRONG if not note.grace and score.beat_at(note.onset) == 1 else 0.0


def _length(score: Score, note: Note) -> float:
    """Return what its length gives a melody note."""
    if note.grace or note.duration <= 0:
        return 0.0
    beats = float(note.duration / score.measures[note.measure].beat_length)
    doublings = 0.0
    while beats >= 2 and doublings < 2:
        beats, doublings = beats / 2, doublings + 1
    while beats <= 0.5 and doublings > -1:
        beats, doublings = beats * 2, doublings - 1
    return LONG * doublings


def _role_event(score: Score, note: Note, label: str, hand: str, span: Span | None) -> Event:
    details = (
        _RoleDetails(hand=hand)
        if span is None
        else _RoleDetails(hand=hand, pitch=note.pitch, chord=span.numeral, key=span.key)
    )
    end = note.end if span is not None else score.end
    return VOICING.event(label, note.onset, max(end, note.onset), (note.id,), 0.7, details)


# --- repeated notes --------------------------------------------------------------------------------------


def _repeated(score: Score, texture: Texture, voices: dict[str, Voice]) -> None:
    """Shape runs of one melody note: they grow to a higher or stronger goal, else they fade."""
    melody, printed = texture.melody, printed_loudness(score)
    for i, j in repeated_runs(score, melody):
        if j - i >= 2:
            goal = melody[j] if j < len(melody) else None
            follows = goal is not None and goal.onset - melody[j - 1].end <= (
                score.measures[goal.measure].beat_length
            )
            higher = follows and goal is not None and goal.midi > melody[i].midi
            weighty = follows and goal is not None and score.beat_at(goal.onset) == 1 and j - i > 2
            run, on = melody[i:j], higher or weighty
            # A lower goal on a first beat may be led to or sunk to: of that nothing is said.
            sure = j - i >= _TOLD_REPEATED and higher == on and _as_printed(score, printed, run, on)
            _shape(score, run, goal if follows else None, on, sure, voices)


def _as_printed(score: Score, loudness: PrintedLoudness, run: Sequence[Note], on: bool) -> bool:
    """Whether what is printed bears a run of notes out that grows (`on`) or fades.

    Nothing grows in a pianissimo, in a printed diminuendo or while the tempo is held back, nothing fades in a
    printed crescendo, over a printed accent or into a loud mark.
    """
    start, end = run[0].onset, run[-1].end
    against = "diminuendo" if on else "crescendo"
    if any(s.kind == against and s.start < end and s.end > start for s in loudness.swells):
        return False
    if not on:
        loud = [m.moment for m in loudness.marks if m.velocity >= VELOCITIES["f"]]
        return not any(start < t <= end for t in (*loud, *(a.moment for a in loudness.accents)))
    mark = max((m for m in loudness.marks if m.moment <= start), key=lambda m: m.moment, default=None)
    if mark is not None and mark.velocity <= VELOCITIES["pp"]:
        return False
    since = start - score.measure_at(start).full_length
    words = (d for d in score.directions if d.kind in ("words", "tempo") and since <= d.onset < end)
    return not any(_HELD_BACK.intersection(read_text(d.text)[0]) for d in words)


def _shape(
    score: Score, run: Sequence[Note], goal: Note | None, on: bool, sure: bool, voices: dict[str, Voice]
) -> None:
    detail = VoicingDetails(
        pitch=run[0].pitch, hand=hand_of(score, run[0].staff), count=len(run), way="on" if on else "away"
    )
    if goal is not None:
        detail = replace(detail, aim=goal.pitch)
    why = VOICING.event("repeated", run[0].onset, run[-1].end, tuple(note.id for note in run), 0.8, detail)
    steps = len(run) - 1
    middle = sum(voices[note.id].amount for note in run) / len(run)
    for k, note in enumerate(run):
        share = k / steps - 0.5
        voice = voices[note.id]
        amount = middle + REPEATED * (share if on else -share)
        # Two or three notes need no lesson; they are only not played alike.
        voices[note.id] = replace(
            voice,
            amount=round(amount, 2),
            role="repeated" if sure else voice.role,
            why=why if sure else voice.why,
        )


# --- dissonances -----------------------------------------------------------------------------------------


def _dissonances(score: Score, reading: Reading, voices: dict[str, Voice]) -> None:
    """Bring out the dissonances, and let their resolutions go."""
    texture, line = texture_of(score, reading.spans), lines(score)
    rubs = [
        rub if not rub.lean or _sinks_in(rub, line) else replace(rub, amount=RUB, lean=False)
        for event in reading.events
        if (rub := _rub(score, event)) is not None
        and _is_line(score, rub, texture)
        and not _carries(score, rub, line)
    ]
    growing = [s for s in printed_loudness(score).swells if s.kind == "crescendo"]
    done: dict[str, Voice] = {}
    resolved: list[tuple[str, str, Event]] = []
    for rub in sorted(rubs, key=lambda rub: -rub.amount):
        for i in rub.notes:
            note = score.note_by_id.get(i)
            if note is None or note.id in done:
                continue
            voice = voices[note.id]
            goal = score.note_by_id.get(rub.resolution) if rub.lean else None
            goal = None if goal is None or any(s.start <= goal.onset < s.end for s in growing) else goal
            done[note.id] = replace(
                voice,
                role="dissonance",
                amount=round(voice.amount + rub.amount, 2),
                # What is struck again meanwhile is not leant on again.
                lean=rub.lean and note.onset == score.note_by_id[rub.notes[0]].onset,
                why=_told(score, "dissonance", note, rub.event, goal),
            )
            if goal is not None and note.id == rub.notes[0]:
                resolved.append((goal.id, note.id, rub.event))
    voices.update(done)
    for goal_id, first_id, event in resolved:
        if goal_id in done:
            continue
        voice = voices[goal_id]
        amount = min(voice.amount + LET_GO, voices[first_id].amount + LET_GO)
        goal = score.note_by_id[goal_id]
        why = _told(score, "resolution", goal, event, goal)
        voices[goal_id] = replace(voice, role="resolution", amount=round(amount, 2), why=why)


def _is_line(score: Score, rub: _Rub, texture: Texture) -> bool:
    """Whether a dissonance lies in a line: what a figure of the accompaniment touches is not leant on."""
    first = score.note_by_id.get(rub.notes[0])
    if first is None or texture.roles.get(first.id) == MELODY:
        return True
    if texture.roles.get(first.id) == ACCOMPANIMENT:
        return texture.patterns[first.staff][first.measure].name not in FIGURED
    return not lines(score).is_broken(first)


def _carries(score: Score, rub: _Rub, line: Lines) -> bool:
    """Whether what is called foreign is root or third of a whole chord that sounds: nobody leans on it."""
    first = score.note_by_id.get(rub.notes[0])
    here = [note.pitch.pitch_class for note in line.sounding(rub.event.start)]
    return first is not None and bool(here) and carries_chord(first.pitch.pitch_class, here, here[0])


def _rub(score: Score, event: Event) -> _Rub | None:
    """Return what an event says about a dissonance to bring out, None where it says nothing."""
    foreign, sharp = NON_CHORD_TONE.of(event), SHARP_DISSONANCE.of(event)
    if foreign is not None and event.confidence >= _BELIEVED:
        struck = score.note_by_id.get(foreign.note)
        # A note tied over is struck before it rubs: it is leant on when it is struck.
        if struck is None or foreign.metric != "accented" or event.label in ("pedal tone", "free tone"):
            return None
        if foreign.rubs is None:
            # Foreign to the chord's name alone, it sounds no harsher than its neighbours.
            return None
        lean = event.label in _LEANT
        return _Rub((struck.id, *event.notes), _goal(foreign), LEAN if lean else RUB, lean, event)
    if sharp is not None and sharp.held_by != "pedal":
        goal = _goal(sharp)
        if sharp.dissonant is not None and sharp.exposure >= _EXPOSED and goal:
            return _Rub((sharp.dissonant,), goal, LEAN, True, event)
    return None


def _goal(found: NonChordToneDetails | SharpDissonanceDetails) -> str:
    """Return the note to which a dissonance resolves, ``""`` where it does not."""
    return found.resolution or "" if found.manner in _RESOLVED else ""


def _sinks_in(rub: _Rub, line: Lines) -> bool:
    """Whether the line of a dissonance resolves it as one hears it: in its next other note, a tone or a
    semitone away on its own staff, which does not sound already. That it is at rest there the finder knows.
    """
    known = line.score.note_by_id
    first, goal = known.get(rub.notes[0]), known.get(rub.resolution)
    if first is None or goal is None:
        return False
    last = max((n for i in rub.notes if (n := known.get(i)) and is_same(n, first)), key=lambda n: n.onset)
    beat = line.score.measures[last.measure].beat_length
    start = max(first.onset, rub.event.start)
    return (
        line.after(last) == goal
        and last.staff == goal.staff
        and 0 < abs(last.midi - goal.midi) <= 2
        and last.end - start >= _BRIEFEST * beat
        and not any(is_same(n, goal) for m in (start, last.onset) for n in line.sounding(m))
    )


def _told(score: Score, label: str, note: Note, event: Event, goal: Note | None) -> Event:
    """Return the reason told at a dissonance or its resolution, `goal`, where that is to be told."""
    found = NON_CHORD_TONE.of(event) or SHARP_DISSONANCE.of(event)
    details = VoicingDetails(
        pitch=note.pitch,
        hand=hand_of(score, note.staff),
        since=event.start if label == "dissonance" and event.start > note.onset else None,
    )
    if found is not None:
        details = replace(
            details,
            interval=None if found.interval is None else found.interval.simple,
            chord=found.chord,
            key=found.key,
            resolution_pitch=None if goal is None else goal.pitch,
            resolution_time=None if goal is None else found.resolution_time,
        )
    return VOICING.event(label, note.onset, max(note.end, note.onset), (note.id,), event.confidence, details)


VOICING: Kind[VoicingDetails] = Kind(
    "voicing",
    VoicingDetails,
)
