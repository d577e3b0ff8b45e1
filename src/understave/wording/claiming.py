"""What a sentence claims: an event and the template that words it in, claims as values out.

Only what a template says is claimed: of a resolution that is not told nothing is asserted. `claims` tests
the claims on the notes; a sentence of which one fails is not told. Details of events are read through
`Told` alone, one accessor for each type. One function for each kind of event, in `_MAKERS`; a kind without
one claims nothing that could be tested.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import Literal, get_args

from understave.claims import Claim, facts, repose
from understave.claims import against_themes as v
from understave.claims import chords_and_keys as h
from understave.claims import growing as g
from understave.claims import on_the_page as pr
from understave.claims import single_notes as n
from understave.claims import stretches as p
from understave.claims import whole_forms as w
from understave.findings.applied import APPLIED_CHORD
from understave.findings.cadences import CADENCE, PICARDY
from understave.findings.chromatic import CHROMATIC_CHORD
from understave.findings.dissonance import SHARP_DISSONANCE
from understave.findings.endings import melody_of
from understave.findings.form import FORM, SECTION
from understave.findings.instructions import INSTRUCTION, PEDAL_MARK
from understave.findings.keyplan import KEY, PIVOT_CHORD
from understave.findings.melody import MELODY
from understave.findings.modes import MODE_SWITCH
from understave.findings.motives import MOTIVE
from understave.findings.nonchord import NON_CHORD_TONE
from understave.findings.pedalpoints import DRONE, PEDAL_POINT, REPEATED_NOTE
from understave.findings.phrase_forms import PHRASE_FORM
from understave.findings.phrases import PHRASE
from understave.findings.reheard import ENHARMONIC_PIVOT
from understave.findings.returns import RETURN
from understave.findings.rhythm import HARMONIC_RHYTHM
from understave.findings.sequences import CHAIN, SEQUENCE
from understave.findings.sixfours import BASS_SEVENTH, SIX_FOUR
from understave.findings.texture import TEXTURE
from understave.findings.variations import VARIATION
from understave.harmony.reading import Detail, Event, Named, Span
from understave.interpretation.dynamics import DYNAMICS
from understave.interpretation.pedal_reasons import PEDALLING
from understave.interpretation.tension import TENSION
from understave.interpretation.timing import TIMING
from understave.interpretation.voicing import VOICING
from understave.score.model import Note, Score
from understave.theory.key import Key
from understave.theory.pitch import Interval, Pitch, PitchClass
from understave.theory.roman import RomanNumeral
from understave.theory.vocabulary import Language
from understave.wording.gaps import chosen
from understave.wording.phrasebook import Level, phrasebook
from understave.wording.sentences import values_of

_INSTANT = Fraction(1, 64)
_RESOLVING = ("direct", "late", "ornamented")
_RETURNED = 8
"""Bars within which a key that returns has its tonic chord (set by ear)."""


@dataclass(frozen=True, slots=True)
class Told:
    """An event, its values and what the template says of them (see `gaps.chosen`)."""

    event: Event
    score: Score
    values: Mapping[str, Detail]
    said: frozenset[str]

    def says(self, *names: str) -> bool:
        """Whether any of these is said."""
        return not self.said.isdisjoint(names)

    def text(self, name: str) -> str:
        """Return a word of ours, ``""`` where there is none."""
        value = self.values.get(name)
        return value if isinstance(value, str) else ""

    def pitch(self, name: str) -> Pitch | None:
        """Return a pitch."""
        value = self.values.get(name)
        return value if isinstance(value, Pitch) else None

    def tone(self, name: str) -> PitchClass | None:
        """Return a note name, of a pitch too."""
        value = self.values.get(name)
        return (
            value.pitch_class
            if isinstance(value, Pitch)
            else value
            if isinstance(value, PitchClass)
            else None
        )

    def key(self, name: str = "key") -> Key | None:
        """Return a key."""
        value = self.values.get(name)
        return value if isinstance(value, Key) else None

    def chord(self, name: str) -> RomanNumeral | None:
        """Return a numeral."""
        value = self.values.get(name)
        return value if isinstance(value, RomanNumeral) else None

    def moment(self, name: str) -> Fraction | None:
        """Return a moment."""
        value = self.values.get(name)
        return Fraction(value) if isinstance(value, Fraction | int) else None

    def number(self, name: str) -> float | None:
        """Return a number."""
        value = self.values.get(name)
        return float(value) if isinstance(value, int | float | Fraction) else None

    def interval(self, name: str = "interval") -> Interval | None:
        """Return an interval."""
        value = self.values.get(name)
        return value if isinstance(value, Interval) else None

    def listed(self, name: str) -> tuple[Detail, ...]:
        """Return the members of a list."""
        value = self.values.get(name)
        return value if isinstance(value, tuple) else ()

    def note(self, name: str) -> Note | None:
        """Return the note of an id."""
        return self.score.note_by_id.get(self.text(name))

    @property
    def start(self) -> Fraction:
        """Where the event begins."""
        return self.event.start

    @property
    def end(self) -> Fraction:
        """Where it ends, never before it has begun."""
        return max(self.event.end, self.event.start + _INSTANT)


Maker = Callable[[Told], Iterator[Claim]]


def claims_of(
    event: Event,
    score: Score,
    form: str = "intermediate",
    language: Language = "en",
    more: Mapping[str, Detail] | None = None,
    template: str | None = None,
) -> tuple[Claim, ...]:
    """Return what an event's sentence in a form (a level, ``again`` ...) claims.

    A `template` of its own takes the place of the form's, such as that of an answer, with `more` values.
    """
    make = _MAKERS.get(event.kind, _nothing)
    if template is None:
        entry = phrasebook(language).entry(event.kind, event.label)
        if entry is None or form not in entry:
            return ()
        template = entry[form]
    values = {**values_of(event), **(more or {})}
    said = chosen(template, values)[1]
    told = Told(event, score, values, said)
    return tuple(dict.fromkeys((*make(told), *_chord_asked(told))))


def exercise_claims(
    score: Score, kind: str, values: Sequence[tuple[str, Detail]], stretch: tuple[Fraction, Fraction]
) -> tuple[Claim, ...]:
    """Return what an exercise's values claim of the piece itself, all of them taken as said."""
    event = Event(kind, "", *stretch, (), 1.0, Named(tuple(values)))
    told = Told(event, score, dict(values), frozenset(name for name, _ in values))
    return tuple(dict.fromkeys(_EXERCISES.get(kind, _nothing)(told)))


def contrast_claims(
    score: Score,
    label: str,
    shows: str,
    values: Sequence[tuple[str, Detail]],
    stretch: tuple[Fraction, Fraction],
) -> tuple[Claim, ...]:
    """Return what the words on a contrast claim; `shows` is the label of the event it is about."""
    known = dict(values)
    event = Event(label, shows, *stretch, (), 1.0, Named(tuple(known.items())))
    told = Told(event, score, known, frozenset(known))
    return tuple(dict.fromkeys(_CONTRASTS.get(label, _nothing)(told)))


def is_true(
    event: Event,
    score: Score,
    spans: Sequence[Span],
    levels: Sequence[Level] = ("intermediate",),
    language: Language = "en",
) -> bool:
    """Whether all that an event's sentences claim at some levels is so, by the notes and the chords read.

    The short forms that tell it again are tested too: nobody knows beforehand which will be used.
    """
    known = facts(score, spans)
    forms = dict.fromkeys(f for v in levels for f in (v, "beginner_again" if v == "beginner" else "again"))
    claims = dict.fromkeys(claim for form in forms for claim in claims_of(event, score, form, language))
    return all(claim.holds(known) for claim in claims)


def is_true_of(
    event: Event, score: Score, spans: Sequence[Span], said: str, values: Mapping[str, Detail]
) -> bool:
    """Whether what a template of its own, such as a question with its answer, claims of an event is so."""
    known = facts(score, spans)
    return all(claim.holds(known) for claim in claims_of(event, score, template=said, more=values))


def _nothing(t: Told) -> Iterator[Claim]:
    yield from ()


# --- chords and keys shared by several kinds ---------------------------------------------------------------


def _here(t: Told, chord: str = "chord", at: Fraction | None = None) -> Iterator[Claim]:
    """The chord and the key of a place, where they are said."""
    key, numeral = t.key(), t.chord(chord)
    moment = t.start if at is None else at
    if key is not None and numeral is not None and t.says(chord):
        yield h.ChordIs(moment, moment, key, numeral)
    elif key is not None and t.says("key"):
        yield h.KeyIs(moment, moment, key)


def _changes(t: Told, key: Key) -> Iterator[Claim]:
    """Each note in place of the key's own: it sounds, and the key has the other."""
    if not t.says("changes"):
        return
    for pair in t.listed("changes"):
        if isinstance(pair, tuple) and len(pair) == 2:
            tone, plain = pair
            if isinstance(tone, PitchClass) and isinstance(plain, PitchClass):
                yield n.Sounds(t.start, t.end, tone)
                yield h.Instead(t.start, t.end, tone, plain, key)


def _chord_asked(t: Told) -> Iterator[Claim]:
    """What a question on a chord says: its notes sound but for those called silent, and which is lowest."""
    start, end, key, numeral = (
        t.moment("span_start"),
        t.moment("span_end"),
        t.key("span_key"),
        t.chord("span_chord"),
    )
    if start is None or end is None or key is None or numeral is None:
        return
    if t.says("members"):
        yield h.ChordIs(start, start, key, numeral)
        yield from (n.Sounds(start, end, m) for m in t.listed("members") if isinstance(m, PitchClass))
    if t.says("silent"):
        yield from (n.Silent(start, end, m) for m in t.listed("silent") if isinstance(m, PitchClass))
    bass = t.tone("chord_bass")
    if bass is not None and t.says("chord_bass"):
        yield n.BassIs(start, end, bass)
    if t.says("outside"):
        for tone in t.listed("outside"):
            if isinstance(tone, PitchClass):
                yield n.Sounds(start, end, tone)
                yield h.ForeignTo(start, end, tone, key)


# --- non-chord tones ---------------------------------------------------------------------------------------


def _nonchord(t: Told) -> Iterator[Claim]:
    note, pitch = t.note("note"), t.pitch("pitch")
    if note is None or pitch is None:
        return
    yield n.Named(t.start, t.end, note.id, pitch)
    if t.event.label == "anticipation":
        after = t.moment("resolution_time")
        if after is not None:
            yield h.Member(after, after, pitch)
    yield h.Member(t.start, t.start, pitch, belongs=False)
    yield from _here(t)
    last = _last_striking(t, note)
    yield from _coming(t, note)
    yield from _between(t, note, last)
    if t.event.label in ("suspension", "retardation", "appoggiatura"):
        yield from _leaning(t, note, last)
    if t.says("metric=accented") and t.text("metric") == "accented":
        to = t.note("resolution")
        yield n.Accented(t.start, t.start, to.onset if to is not None else t.event.end)
    goal = t.note("resolution")
    if t.event.label == "appoggiatura" and goal is not None and t.says("resolution_pitch"):
        yield h.Member(goal.onset, goal.onset, goal.pitch)
    if t.event.label == "pedal tone":
        yield h.ChordsChange(max(Fraction(0), t.start - _INSTANT), t.end + _INSTANT)


def _last_striking(t: Told, note: Note) -> Note:
    """The last of a dissonance's strikings of one key: from it the line goes on."""
    again = [t.score.note_by_id[i] for i in t.event.notes if i in t.score.note_by_id]
    until = t.moment("resolution_time") or t.event.end
    same = [m for m in again if m.midi == note.midi and m.onset < until]
    return max(same, key=lambda note: note.onset, default=note)


def _coming(t: Told, note: Note) -> Iterator[Claim]:
    """How it is come to: held over, struck again, leapt to, or out of silence."""
    if t.says("preparation_pitch"):
        before, pitch = t.note("preparation"), t.pitch("preparation_pitch")
        if before is not None and pitch is not None:
            yield n.Named(before.onset, max(before.end, before.onset + _INSTANT), before.id, pitch)
    if t.event.label in ("suspension", "retardation"):
        if t.says("repeated"):
            yield n.Prepared(t.start, t.end, note.id, "struck again")
        elif t.says("!repeated"):
            yield n.Prepared(t.start, t.end, note.id, "held")
    if t.event.label == "appoggiatura" and t.says("!preparation_pitch"):
        yield n.Prepared(t.start, t.end, note.id, "silence")


_WAYS = {"passing tone": "passes", "escape tone": "escapes", "appoggiatura": "leapt to"}


def _between(t: Told, note: Note, last: Note) -> Iterator[Claim]:
    """What the note does between the one before and the one after, where both are said."""
    before, after = t.note("preparation"), t.note("resolution")
    if t.event.label == "neighbour tone":
        if before is not None and after is not None:
            yield n.Between(
                t.start, t.end, before.id, note.id, after.id, "returns" if t.says("returns") else "turns"
            )
        return
    if t.event.label == "changing tones":
        second, pitch = t.note("second"), t.pitch("second_pitch")
        if before is not None and second is not None and pitch is not None:
            yield n.Named(second.onset, second.end, second.id, pitch)
            yield n.Between(t.start, t.end, before.id, note.id, second.id, "escapes")
        return
    how = _WAYS.get(t.event.label)
    if how is None or before is None or after is None:
        return
    if how == "leapt to" and not t.says("preparation_pitch"):
        return
    if how == "passes" or t.says("preparation_pitch", "resolution_pitch"):
        yield n.Between(t.start, t.end, before.id, note.id if how != "passes" else last.id, after.id, how)


def _leaning(t: Told, note: Note, last: Note) -> Iterator[Claim]:
    """It leans: dissonant where it rubs, and sinks or rises, to rest or not."""
    to = t.note("resolution")
    if t.event.label != "appoggiatura" or t.says("rubs"):
        yield n.Dissonant(t.start, t.end, note.id, fourths=t.event.label != "appoggiatura")
    way = {"suspension": "down", "retardation": "up"}.get(t.event.label, "")
    manner = t.text("manner")
    if to is not None and t.says("resolution_pitch"):
        pitch = t.pitch("resolution_pitch")
        if pitch is not None:
            yield n.Named(to.onset, max(to.end, to.onset + _INSTANT), to.id, pitch)
        detour = manner in ("late", "ornamented", "unsettled")
        rests = manner in _RESOLVING
        yield n.Moves(t.start, t.end, last.id, to.id, way, step=True, detour=detour, rests=rests)
        if manner in _RESOLVING and (t.event.label != "appoggiatura" or t.says("rubs")):
            yield n.Resolved(t.start, t.end, last.id, to.id, manner)
    if t.says("figures"):
        yield n.Figures(t.start, t.end, note.id, t.text("figures"))
    if t.says("place"):
        yield n.Lies(t.start, t.end, note.id, t.text("place"))


# --- sharp dissonances -------------------------------------------------------------------------------------


def _sharp(t: Told) -> Iterator[Claim]:
    if t.event.label == "false relation":
        one, two = t.note("first"), t.note("second")
        if one is not None and two is not None:
            yield n.Contradicted(t.start, t.end, one.id, two.id)
        return
    lower, upper = t.note("lower"), t.note("upper")
    low, high = t.pitch("lower_pitch"), t.pitch("upper_pitch")
    if lower is None or upper is None or low is None or high is None:
        return
    yield n.Named(lower.onset, lower.end, lower.id, low)
    yield n.Named(upper.onset, upper.end, upper.id, high)
    yield n.Apart(t.start, t.end, lower.id, upper.id, t.event.label, t.text("held_by") == "pedal")
    if t.says("chord"):
        yield from _here(t)
    if t.says("bare"):
        yield n.Bare(t.start, t.end, lower.id, upper.id)
    yield from _clash_ends(t)


def _clash_ends(t: Told) -> Iterator[Claim]:
    note, to, manner = t.note("dissonant"), t.note("resolution"), t.text("manner")
    if manner == "none" and t.says("manner=none") and note is not None:
        yield n.Unresolved(t.start, t.end, note.id)
    if note is None or to is None or not t.says(f"manner={manner}"):
        return
    past = t.note("past")
    if past is not None and t.says("past_pitch"):
        yield n.Overshoots(t.start, t.end, note.id, past.id, to.id)
        yield n.Named(past.onset, past.end, past.id, past.pitch)
    if manner in _RESOLVING:
        until = min(t.end, max(note.end, t.start + _INSTANT))
        pedal = t.text("held_by") == "pedal"
        yield n.Resolved(t.start, until, note.id, to.id, manner, pedal)
    elif manner in ("passing", "turning"):
        yield n.Moves(t.start, t.end, note.id, to.id, step=True, detour=manner == "turning")
    elif manner == "dissolved":
        other = t.note("upper" if t.text("dissonant") == t.text("lower") else "lower")
        if other is not None:
            yield n.Moves(t.start, t.end, other.id, to.id, detour=True)


# --- cadences ----------------------------------------------------------------------------------------------


def _cadence(t: Told) -> Iterator[Claim]:
    key, arrival, goal = t.key(), t.moment("arrival"), t.chord("goal")
    if key is None or arrival is None:
        return
    melody = t.pitch("melody")
    yield h.Cadence(arrival, t.end, key, t.event.label, melody)
    if goal is not None and t.says("goal"):
        yield h.ChordIs(arrival, arrival, key, goal)
    leader = t.chord("leader")
    bar = t.score.measure_at(arrival).full_length
    if leader is not None and t.says("leader"):
        yield h.ChordAbout(max(Fraction(0), arrival - 2 * bar), arrival, key, leader)
    if t.says("melody") and melody is not None:
        degree = t.number("melody_degree")
        yield h.MelodyNote(arrival, max(t.end, arrival + _INSTANT), melody, key, int(degree or 0))
    elif t.says("top", "!melody") and t.pitch("top") is not None:
        top = t.pitch("top")
        assert top is not None
        yield h.Top(arrival, arrival, top, rests=True)
    if t.says("weak"):
        for why in t.listed("weak"):
            if isinstance(why, str):
                yield h.NotFinal(arrival, arrival, key, why, melody)
    expected = t.chord("expected")
    if expected is not None and t.says("expected") and goal is not None:
        yield h.ChordIs(arrival, arrival, key, goal)
    dominant = t.moment("dominant_arrival")
    if dominant is not None and t.says("dominant_arrival"):
        yield h.ChordsChange(dominant, max(t.end, arrival + _INSTANT))


def _picardy(t: Told) -> Iterator[Claim]:
    key, third, plain = t.key(), t.tone("third"), t.tone("diatonic")
    if key is not None and third is not None and plain is not None:
        yield h.Picardy(t.start, t.end, key, third, plain)


def _phrase(t: Told) -> Iterator[Claim]:
    bars = t.number("bars")
    if bars is not None and t.says("bars"):
        yield p.Lasts(t.start, t.event.end, bars, about=True)
    if t.says("reasons"):
        for why in get_args(pr.Seen):
            if why in t.listed("reasons")[:3]:
                yield pr.PhraseEnds(t.start, t.event.end, why)


def _phrase_form(t: Told) -> Iterator[Claim]:
    bars = t.number("bars")
    if bars is not None and t.says("bars"):
        yield p.Lasts(t.start, t.event.end, bars, about=True)
    figure = [t.score.note_by_id[i] for i in t.event.notes]
    again, second = t.moment("again"), t.pitch("second")
    if len(figure) > 1 and again is not None and second is not None:
        steps = tuple(b.pitch.diatonic - a.pitch.diatonic for a, b in pairwise(figure))
        rhythm = tuple(b.onset - a.onset for a, b in pairwise(figure))
        yield p.SameFigure(figure[0].onset, t.event.end, figure[0].pitch, steps, rhythm)
        yield p.SameFigure(again, t.event.end, second, steps, rhythm)
    for label, key, at in (("close", "key", "arrival"), ("weak", "weak_key", "weak_arrival")):
        where, moment = t.key(key), t.moment(at)
        if where is not None and moment is not None:
            melody = next(
                (note.pitch for note in melody_of(t.score) if note.onset <= moment < note.end), None
            )
            yield h.Cadence(moment, moment + _INSTANT, where, t.text(label), melody)


def _six_four(t: Told) -> Iterator[Claim]:
    key, bass = t.key(), t.pitch("bass")
    if key is None or bass is None:
        return
    chord = t.chord("chord")
    if chord is not None:
        # In another key for a moment, it leans on that key's dominant.
        key = chord.local_key(key)
    resolution = t.moment("resolution")
    end = resolution if resolution is not None and resolution > t.start else t.end
    yield h.SixFour(t.start, end, key, t.event.label, bass)
    for name in ("fourth", "sixth"):
        one, to = t.pitch(name), t.pitch(f"{name}_to")
        if one is not None and to is not None and t.says(f"{name}_to"):
            yield n.Sounds(t.start, end, one)
            after = resolution if resolution is not None else end
            yield n.Sounds(after, after + t.score.measure_at(after).full_length, to)
            yield n.Pull(t.start, end, one, to.pitch_class, "down")
    for name, place in (("before_bass", -1), ("after_bass", 1)):
        other = t.pitch(name)
        if other is not None and t.says(name):
            bar = t.score.measure_at(t.start).full_length
            lo, hi = (
                (max(Fraction(0), t.start - bar), t.start) if place < 0 else (t.event.end, t.event.end + bar)
            )
            yield n.Sounds(lo, max(hi, lo + _INSTANT), other)
    if t.says("chord"):
        yield from _here(t)


def _seventh(t: Told) -> Iterator[Claim]:
    key, chord, seventh, to = t.key(), t.chord("chord"), t.pitch("seventh"), t.pitch("to")
    if key is None or seventh is None:
        return
    yield h.CarriesBass(t.start, t.end, seventh, to if t.says("to") else None)
    if chord is not None and t.says("chord"):
        yield from _here(t)
    if to is not None and t.says("to"):
        if t.event.label == "resolves":
            yield n.Pull(t.start, t.end, seventh, to.pitch_class, "down")
        if t.event.label == "rises":
            yield n.Pull(t.start, t.end, seventh, to.pitch_class, "up")
    taken = t.pitch("taken_over")
    if taken is not None and t.says("taken_over"):
        yield n.Sounds(t.start, t.end, taken)


# --- chromatic and applied chords --------------------------------------------------------------------------


def _chromatic(t: Told) -> Iterator[Claim]:
    key = t.key()
    if key is None:
        return
    numeral = t.chord("chord")
    if numeral is not None:
        yield h.ColourIs(t.start, t.start, key, numeral)
    yield from _changes(t, key)
    to, to_key = t.chord("to"), t.key("to_key")
    if to is not None and t.says("to"):
        yield h.NextChord(t.start, t.end, to_key or key, to)
    for name in ("lower_pitch", "upper_pitch", "second_pitch"):
        pitch = t.pitch(name)
        if pitch is not None and t.says(name):
            yield n.Sounds(t.start, t.end, pitch)
    yield from _chromatic_goes(t)
    root = t.tone("root")
    if root is not None and t.says("root"):
        yield n.Sounds(t.start, t.end, root)
    fifth, plain = t.tone("fifth"), t.tone("plain")
    if fifth is not None and plain is not None and t.says("fifth"):
        yield n.Sounds(t.start, t.end, fifth)
        yield h.Instead(t.start, t.end, fifth, plain, key)
    bar = t.score.measure_at(t.event.end).full_length
    for name in ("common", "third"):
        tone = t.tone(name)
        if tone is not None and t.says(name):
            yield n.Sounds(t.start, t.end, tone)
            yield n.Sounds(t.event.end, t.event.end + bar, tone)
    yield from _borrowed(t)


def _borrowed(t: Told) -> Iterator[Claim]:
    """Each foreign note is the other key's own; what is brief is as the key has it within two bars."""
    source = t.key("source")
    until = t.start + 2 * t.score.measure_at(t.start).full_length
    for tone, own in (pair for pair in t.listed("changes") if isinstance(pair, tuple)):
        if isinstance(tone, PitchClass) and source is not None and t.says("source"):
            yield h.ForeignTo(t.start, t.end, tone, source, foreign=False)
        if isinstance(own, PitchClass) and t.says("brief"):
            yield n.Sounds(t.event.end, until, own)


def _chromatic_goes(t: Told) -> Iterator[Claim]:
    bar = t.score.measure_at(t.event.end).full_length
    after = (max(t.start, t.event.end - bar), t.event.end + bar)
    for name in ("lower_goes", "upper_goes", "goes_to"):
        pitch = t.pitch(name)
        if pitch is not None and t.says(name):
            yield n.Sounds(*after, pitch)
    target = t.tone("target")
    if target is not None and t.says("outward"):
        lower, upper = t.note("lower"), t.note("upper")
        for note, way in ((lower, "down"), (upper, "up")):
            if note is not None:
                yield n.Pull(t.start, t.end, note.pitch, target, way)
                yield n.Sounds(t.event.end, t.event.end + bar, target)


def _applied(t: Told) -> Iterator[Claim]:
    key, numeral = t.key(), t.chord("chord")
    if key is None or numeral is None:
        return
    yield h.ColourIs(t.start, t.start, key, numeral)
    yield from _changes(t, key)
    lead = t.tone("leading_tone")
    if lead is not None and t.says("leading_tone"):
        yield n.Sounds(t.start, t.end, lead)
    target = t.key("target_key")
    if target is not None and t.says("target", "target_key") and lead is not None:
        yield h.ForeignTo(t.start, t.end, lead, target, foreign=False)
    goes, note = t.pitch("goes_to"), t.note("leading_note")
    if goes is not None and t.says("goes_to"):
        bar = t.score.measure_at(t.event.end).full_length
        yield n.Sounds(t.start, t.event.end + bar, goes)
        if note is not None:
            yield n.Named(note.onset, note.end, note.id, note.pitch)
            yield n.GoesOn(note.onset, note.end, note.pitch, goes.pitch_class)
    to = t.chord("to")
    if to is not None and t.says("to", "resolution=resolves"):
        yield h.NextChord(t.start, t.end, key, to)
    for tone in t.listed("foreign"):
        if isinstance(tone, PitchClass) and t.says("foreign"):
            yield h.ForeignTo(t.start, t.end, tone, key)
            yield n.Sounds(t.start, t.end, tone)


def _enharmonic(t: Told) -> Iterator[Claim]:
    key, chord, new_key, new_chord = t.key(), t.chord("chord"), t.key("new_key"), t.chord("new_chord")
    if key is None or chord is None or new_key is None or new_chord is None:
        return
    yield h.SameChord(t.start, t.end, key, chord, new_key, new_chord, diatonic=False)
    for pair in t.listed("respelled"):
        if isinstance(pair, tuple) and isinstance(pair[0], PitchClass):
            yield n.Sounds(t.start, t.end, pair[0])


def _mode(t: Told) -> Iterator[Claim]:
    key, before, moment = t.key(), t.key("before"), t.moment("moment")
    pitch, instead = t.pitch("pitch"), t.tone("instead")
    if key is None or before is None or moment is None or pitch is None or instead is None:
        return
    yield h.KeyIs(t.start, t.start, key)
    yield h.KeyBefore(t.start, t.start, before)
    yield h.Related(t.start, t.end, key, before, "parallel")
    yield h.ForeignTo(t.start, t.end, pitch.pitch_class, before)
    yield h.ForeignTo(t.start, t.end, instead, before, foreign=False)
    yield p.FirstTime(t.start, max(t.event.end, moment) + _INSTANT, pitch.pitch_class, moment)


def _key(t: Told) -> Iterator[Claim]:
    key = t.key()
    if key is None:
        return
    within = t.number("within") is not None
    if not within:
        yield h.KeyIs(t.start, t.start, key)
    before = t.key("came_from")
    if before is not None and t.says("came_from") and not within:
        yield h.KeyBefore(t.start, t.start, before)
    yield from _tonic(t, key, within, before)
    cadence = t.moment("cadence")
    if cadence is not None and t.says("cadence"):
        yield h.Confirmed(cadence, cadence, key)
    home = t.key("home")
    if home is not None and t.says("relation"):
        yield h.Related(t.start, t.end, key, home, t.text("relation"))
    chords = t.number("chords")
    if chords is not None and t.says("chords"):
        yield h.ChordCount(t.start, t.event.end, int(chords))
    bars = t.number("bars")
    if bars is not None and t.says("bars"):
        yield p.Lasts(t.start, t.event.end, bars, about=True)
    if t.text("by") == "common tone" and t.says("by", "by=common tone"):
        yield p.AloneBefore(t.start, t.start)
    telling, at = t.tone("telling"), t.moment("telling_at")
    if telling is not None and at is not None and t.says("telling"):
        yield p.FirstTime(t.start, t.end, telling, at)
        yield h.ForeignTo(t.start, t.end, telling, key, foreign=False)


def _tonic(t: Told, key: Key, within: bool, before: Key | None) -> Iterator[Claim]:
    """A key that is touched, reached or found again has its tonic at least once, there or right after."""
    tonic = RomanNumeral.parse("I" if key.mode == "major" else "i")
    if t.event.label in ("tonicization", "modulation"):
        if not within:
            yield h.ChordAbout(t.start, t.event.end + _INSTANT, key, tonic)
        yield h.TonicHeard(t.start, t.event.end, key)
    elif before is not None:
        until = t.start + _RETURNED * t.score.measure_at(t.start).full_length
        yield h.ChordAbout(t.start, min(t.end, until), key, tonic)


def _pivot(t: Told) -> Iterator[Claim]:
    key, numeral, new_key, new = t.key(), t.chord("numeral"), t.key("new_key"), t.chord("new_numeral")
    if key is not None and numeral is not None and new_key is not None and new is not None:
        yield h.SameChord(t.start, t.end, key, numeral, new_key, new)
        yield h.KeyEntered(t.start, t.event.end, new_key)


# --- what stays --------------------------------------------------------------------------------------------


def _pedal_point(t: Told) -> Iterator[Claim]:
    pitch, key = t.pitch("pitch"), t.key()
    if pitch is None:
        return
    place = {"inner": "inner", "upper": "top"}.get(t.event.label, "bass")
    yield p.Stays(t.start, t.end, pitch, place)
    yield h.ChordsChange(t.start, t.end, 3)
    bars = t.number("bars")
    if bars is not None and t.says("bars"):
        yield p.Lasts(t.start, t.event.end, bars, about=True)
    degree = {"tonic": 1, "dominant": 5}.get(t.event.label)
    if degree is not None and key is not None:
        yield h.Degree(t.start, t.end, pitch.pitch_class, key, degree)
    elif key is not None and t.says("degree"):
        yield h.Degree(t.start, t.end, pitch.pitch_class, key, int(t.number("degree") or 0))
    if key is not None and t.says("key"):
        yield h.KeyAbout(t.start, t.end, key)
    if key is not None and t.says("chords"):
        chords = tuple(c for c in t.listed("chords") if isinstance(c, RomanNumeral))
        yield h.ChordRow(t.start, t.end, key, chords)


def _drone(t: Told) -> Iterator[Claim]:
    pitch = t.pitch("pitch")
    if pitch is None:
        return
    fifth = t.pitch("fifth")
    if t.event.label == "open fifth" and fifth is not None:
        yield p.Stays(t.start, t.end, fifth, "over the bass")
    yield p.Stays(t.start, t.end, pitch)
    yield p.SoundsOn(t.start, t.end, pitch.pitch_class)
    bars = t.number("bars")
    if bars is not None and t.says("bars"):
        yield p.Lasts(t.start, t.event.end, bars, about=True)


def _repeated(t: Told) -> Iterator[Claim]:
    pitch, strikes = t.pitch("pitch"), t.number("strikes")
    if pitch is None or strikes is None:
        return
    if t.says("strikes"):
        tune = t.event.label == "melody note"
        yield p.Repeated(t.start, t.event.end, pitch, int(strikes), strict=tune, moved=tune)
    if t.event.label == "melody note":
        yield p.MelodyIn(t.start, t.end, "", t.event.notes)


# --- texture and melody ------------------------------------------------------------------------------------


def _texture(t: Told) -> Iterator[Claim]:
    yield p.Pattern(t.start, t.end, t.text("hand"), t.event.label)
    if t.event.label in p.BREAKING:
        yield p.PatternBegins(t.start, t.start, t.text("hand"), t.event.label)
    bars = t.number("bars")
    if bars is not None and t.says("bars"):
        yield p.Lasts(t.start, t.event.end, bars, about=True)


_PLACES = {"back on top": "on top", "in the bass": "in the bass", "in an inner voice": "inside"}


def _melody(t: Told) -> Iterator[Claim]:
    label, low, high = t.event.label, t.pitch("low"), t.pitch("high")
    if label == "range" and low is not None and high is not None:
        yield p.Range(Fraction(0), t.score.end, low, high)
        at = t.moment("high_time")
        if at is not None and t.says("high_time"):
            yield p.Peak(at, at + _INSTANT, high)
    elif label == "repeated notes":
        pitch, count = t.pitch("pitch"), t.number("count")
        if pitch is not None and count is not None:
            # What is said beside it is that all the change is underneath.
            yield p.Repeated(t.start, t.event.end, pitch, int(count), moved=True)
    elif label == "leap":
        first, second, interval = t.pitch("first"), t.pitch("second"), t.interval()
        if first is not None and second is not None and interval is not None:
            yield n.Leap(t.start, t.end, first, second, interval, t.text("direction"))
    elif label == "enters":
        if t.event.notes:
            yield p.Enters(t.start, t.end, t.event.notes[0], int(t.number("bars") or 0))
    else:
        yield p.MelodyIn(t.start, t.end, _PLACES.get(label, label), t.event.notes)


# --- patterns and returns ----------------------------------------------------------------------------------


def _sequence(t: Told) -> Iterator[Claim]:
    roots = tuple(r for r in t.listed("roots") if isinstance(r, PitchClass))
    if roots and t.says("roots", "chords"):
        yield h.Roots(t.start, t.end, roots)
    times = tuple(Fraction(x) for x in t.listed("statement_times") if isinstance(x, Fraction | int))
    first, last, interval = t.moment("model_start"), t.moment("model_end"), t.interval()
    if t.event.label not in ("rising", "falling", "melodic") or len(times) < 2:
        return
    if first is not None and last is not None and interval is not None:
        yield p.InSequence(first, t.end, last - first, interval, times)


_BY = {"chromatic bass descent": "semitones", "chromatic bass ascent": "semitones", "lament bass": "steps"}


def _chain(t: Told) -> Iterator[Claim]:
    basses = tuple(b for b in t.listed("basses") if isinstance(b, Pitch))
    times = tuple(Fraction(x) for x in t.listed("times") if isinstance(x, Fraction | int))
    if basses and len(basses) == len(times):
        way = {"chromatic bass ascent": "up", "diminished sevenths": "", "parallel six-three chords": ""}
        yield n.BassLine(
            t.start, t.end, basses, times, _BY.get(t.event.label, ""), way.get(t.event.label, "down")
        )
    key, over = t.key(), t.pitch("over")
    if key is not None and t.says("chords"):
        yield h.ChordsChange(t.start, t.end)
    if over is not None and t.says("over"):
        yield p.Stays(t.start, t.end, over, "bass")


def _return(t: Told) -> Iterator[Claim]:
    start, end = t.moment("from_start"), t.moment("from_end")
    if start is not None and end is not None:
        yield p.ComesBack(t.start, t.event.end, start, end, t.event.label)
        if t.event.label == "in another key":
            yield p.Moved(t.start, t.event.end, start, end)
    key = t.key()
    if key is not None and t.says("key"):
        yield h.KeyAbout(t.start, t.end, key)
    before = t.key("from_key")
    if before is not None and t.says("from_key") and start is not None and end is not None:
        yield h.KeyAbout(start, end, before)


def _variation(t: Told) -> Iterator[Claim]:
    found = VARIATION.of(t.event)
    if found is None:
        return
    pairs = tuple((old, new) for old, new, _ in found.pairs)
    beside = (t.start, t.event.end, pairs, found.theme_key, found.key)
    # The name of its sort is claimed whatever is said of it.
    named = {"tune kept": "tune", "harmony kept": "harmony", "bass kept": "bass"}.get(t.event.label)
    stays = found.stays if found.stays and t.says("stays") else ()
    for what in dict.fromkeys((named, *stays)):
        if what in ("tune", "harmony", "bass"):
            yield v.StaysInBars(*beside, what)
    for what in ("tune", "harmony", "bass"):
        number = t.number(what)
        if number is not None and t.says(what):
            on_top = not any(how.startswith("tune") for how in found.varies or ())
            yield v.StaysInBars(*beside, what, int(number), on_top)
    if named != "tune":
        yield v.Varies(*beside, "another tune")
    if t.says("varies"):
        yield from (v.Varies(*beside, how) for how in found.varies or () if not how.startswith("tune"))


def _motive(t: Told) -> Iterator[Claim]:
    first = t.pitch("first")
    rhythm = tuple(Fraction(x) for x in t.listed("rhythm") if isinstance(x, Fraction | int))
    steps = tuple(x for x in t.listed("steps") if isinstance(x, int))
    if first is None or not rhythm:
        return
    yield p.SameFigure(t.start, t.end, first, steps, rhythm)
    times = tuple(Fraction(x) for x in t.listed("times") if isinstance(x, Fraction | int))
    count = t.number("count")
    if count is not None and times and t.says("count"):
        yield p.FigureCount(t.start, t.end, times, int(count), steps, rhythm)
    goes = t.text("goes")
    if goes and t.says(f"goes={goes}"):
        yield p.FigureGoes(t.start, t.end, first, steps, rhythm, goes.split()[0])
    model = [t.score.note_by_id[name] for name in t.listed("model") if isinstance(name, str)]
    if model and t.says("went=up", "went=down"):
        moves = tuple(-step for step in steps)
        yield p.FigureGoes(model[0].onset, t.end, model[0].pitch, moves, rhythm, t.text("went"))


def _rhythm(t: Told) -> Iterator[Claim]:
    if t.event.label == "usual pace":
        return
    pace, around = t.number("pace"), t.number("around")
    if pace is not None:
        yield h.Quick(t.start, t.end, pace, around)


_PART = re.compile(r"introduction|closing section|coda|[A-Z]\d*'*")


def _form(t: Told) -> Iterator[Claim]:
    names = _PART.findall(t.text("scheme"))
    starts = [Fraction(x) for x in t.listed("starts") if isinstance(x, Fraction | int)]
    if len(names) != len(starts):
        return
    parts = tuple(zip(names, starts, strict=True))
    if t.says("scheme") or t.says("back"):
        yield w.Scheme(t.start, t.end, parts)
    if t.says("form_name"):
        yield w.FormIs(t.start, t.end, t.text("form_name"), parts)


def _section(t: Told) -> Iterator[Claim]:
    bars = t.number("bars")
    if bars is not None and t.says("bars"):
        yield p.Lasts(t.start, t.event.end, bars, about=True)
    like = t.moment("like")
    if like is not None and t.says("like"):
        length = min(t.event.end - t.start, 4 * t.score.measure_at(t.start).full_length)
        yield p.ComesBack(t.start, t.start + length, like, like + length, "again")
    foretold, entry, until = (t.moment(name) for name in ("foretold", "entry", "entry_until"))
    if foretold is not None and entry is not None and until is not None and t.says("foretold"):
        yield p.TakenUp(entry, until, foretold)


# --- what is printed ---------------------------------------------------------------------------------------


def _instruction(t: Told) -> Iterator[Claim]:
    text = t.text("text")
    if text and t.says("text"):
        yield pr.Printed(t.start, t.end, text)
    if t.says("extreme=softest", "extreme=loudest"):
        yield pr.Extreme(t.start, t.end, text, t.text("extreme"))
    tempo = t.number("per_minute")
    if tempo is not None and t.says("beats_per_minute"):
        yield pr.Tempo(t.start, t.end, tempo)


def _pedal_mark(t: Told) -> Iterator[Claim]:
    marks = t.number("marks")
    if t.event.label == "with the harmony" and marks is not None:
        yield pr.Times(Fraction(0), t.score.end, int(marks))
    elif t.event.label == "held through a change":
        yield h.ChordsChange(t.start, t.end)


# --- reasons of the plan -----------------------------------------------------------------------------------


def _tension(t: Told) -> Iterator[Claim]:
    key, chord = t.key(), t.chord("chord")
    pitch, aim, direction = t.pitch("pitch"), t.tone("aim"), t.text("direction")
    label = t.event.label
    if key is not None and chord is not None and t.says("chord", "key"):
        yield h.ChordIs(t.start, t.start, key, chord)
    if pitch is not None and t.says("aim"):
        yield from _unsteady(t, pitch, direction)
    if pitch is not None and label != "register" and t.says("pitch"):
        yield n.Sounds(t.start, t.end, pitch)
    against = t.pitch("against")
    if against is not None and pitch is not None and t.says("against"):
        # Said of a place of its own, or of the place itself: where two notes rub, they do so within a beat.
        meets = t.moment("later") or t.start
        beat = t.score.measure_at(meets).beat_length
        yield n.Rub(meets, min(t.end, meets + beat), pitch, against)
    if label == "bass" and pitch is not None:
        yield n.BassIs(t.start, t.end, pitch.pitch_class)
    if aim is not None and pitch is not None and t.says("aim") and direction:
        yield _pull(t, pitch, aim, direction)
    if label == "register" and pitch is not None:
        yield from _register(t, pitch)
    if label == "density":
        yield p.Dense(t.start, t.end)
    if aim is not None:
        if t.says("met", "unmet"):
            yield h.Follows(t.start, t.end, aim, has=t.says("met"))
        if t.says("found") and pitch is not None:
            yield n.GoesOn(t.start, t.end, pitch, aim)
    yield from _rest_or_release(t)


def _unsteady(t: Told, pitch: Pitch, direction: str) -> Iterator[Claim]:
    """A bass that is drawn has no fifth over it, and a leading tone is none: a fifth stands firm."""
    fifths = pitch.pitch_class.fifths
    if t.event.label == "bass":
        yield n.Silent(t.start, t.start + _INSTANT, PitchClass.from_fifths(fifths + 1))
    elif t.event.label == "expectation" and direction == "up":
        yield n.Silent(t.start, t.start + _INSTANT, PitchClass.from_fifths(fifths - 1))


def _rest_or_release(t: Told) -> Iterator[Claim]:
    key, chord = t.key(), t.chord("chord")
    if t.event.label == "rest" and chord is not None and key is not None:
        yield h.Consonant(t.start, t.start, key, chord)
    if t.event.label == "release":
        yield repose.LetsGo(t.start, t.start)


def _pull(t: Told, pitch: Pitch, aim: PitchClass, direction: str) -> Claim:
    """A pull and what the textbook says of sevenths and leading tones in its chord."""
    key, chord = t.key(), t.chord("chord")
    seventh = leading = None
    if key is not None and chord is not None:
        found = chord.chord(key)
        dominant = found.quality.value.startswith("dominant") or key.leading_tone in found.members
        seventh = found.member(7)
        local = chord.local_key(key)
        leading = local.leading_tone if dominant and local.leading_tone in found.members else None
    return n.Pull(t.start, t.end, pitch, aim, direction, seventh, leading)


def _register(t: Told, pitch: Pitch) -> Iterator[Claim]:
    later = t.moment("later")
    if t.text("line"):
        yield p.Peak(t.start, t.end, pitch, "top")
        yield p.Rests(t.start, t.start, singers=True)
        return
    if later is not None:
        yield n.Sounds(later, later + _INSTANT, pitch)
    yield p.High(t.start, t.end, pitch)
    yield p.Peak(t.start, t.end, pitch)


_TENSEST: Mapping[str, Literal["grows", "falls"]] = {"crescendo": "grows", "diminuendo": "falls"}


def _dynamics(t: Told) -> Iterator[Claim]:
    mark = t.text("mark")
    if t.event.label == "printed mark" and mark:
        yield pr.Printed(t.start, t.end, mark, "dynamic")
    peak, pitch = t.moment("peak"), t.pitch("peak_pitch")
    if peak is not None and pitch is not None and t.says("peak_pitch"):
        yield n.Sounds(peak, peak + _INSTANT, pitch)
    if peak is not None and pitch is not None and t.says("reason=height") and t.event.label == "swell":
        yield p.Peak(t.start, t.end, pitch)
    if peak is not None:
        yield from _swelling(t, peak, pitch)
    if t.event.label == "diminuendo" and t.says("reason=phrase"):
        yield h.PhraseCloses(t.start, t.event.end)
    if peak is not None and t.says("reason=tension"):
        yield p.Tensest(t.start, t.end, peak, _TENSEST.get(t.event.label, "tensest"))
    if peak is not None and t.says("reason=texture"):
        yield p.Fullest(t.start, max(t.end, peak + _INSTANT), peak)


def _swelling(t: Told, peak: Fraction, pitch: Pitch | None) -> Iterator[Claim]:
    """Advice to grow or to let fall claims that the print leaves room for it and that the line goes so."""
    ways: tuple[tuple[g.Way, Fraction, Fraction], ...] = (
        ("grows", t.start, peak),
        ("falls", peak, t.event.end),
    )
    for way, start, end in ways:
        if start < end:
            yield g.LoudnessOpen(start, end, way)
            if pitch is not None:
                yield g.LineTurns(start, end, pitch, peak, way)


_VOICES = {
    "melody on top": "on top",
    "melody in the left hand": "in the left hand",
    "melody in the bass": "in the bass",
    "melody inside": "inside",
}


def _voicing(t: Told) -> Iterator[Claim]:
    label, pitch = t.event.label, t.pitch("pitch")
    notes = t.event.notes
    if label in _VOICES:
        yield p.MelodyIn(t.start, t.end, _VOICES[label], notes)
    if pitch is None:
        return
    note = next(
        (note for note in (t.score.note_by_id.get(i) for i in notes) if note and note.pitch == pitch), None
    )
    if label == "bass at a change":
        yield p.StruckBass(t.start, t.end, pitch)
        yield p.ChangesHere(t.start, t.start)
    elif label == "repeated":
        count = t.number("count")
        if count is not None:
            yield p.Repeated(t.start, t.end, pitch, int(count))
    elif label == "dissonance" and note is not None:
        start = t.moment("since") or t.start
        yield from _here(t, at=start)
        yield n.Dissonant(start, max(note.end, start + _INSTANT), note.id, leant=True)
        goal, at = t.pitch("resolution_pitch"), t.moment("resolution_time")
        if goal is not None and at is not None and t.says("resolution_pitch"):
            yield n.GoesOn(note.onset, note.end, note.pitch, goal.pitch_class)
    elif label == "resolution":
        yield n.Sounds(t.start, t.end, pitch)


_PRESSED = ("begin", "new harmony", "new bass", "clear", "renew", "half", "quarter", "flutter")
"""Labels of proposals that have the pedal down."""


def _pedalling(t: Told) -> Iterator[Claim]:
    label, old, new, bass = t.event.label, t.pitch("old"), t.pitch("new"), t.pitch("bass")
    key, chord = t.key(), t.chord("chord")
    if key is not None and chord is not None and t.says("chord") and label not in ("half",):
        yield h.ChordIs(t.start, t.start, key, chord)
    if label == "sostenuto" and bass is not None:
        yield p.OutOfReach(t.start, t.end, bass)
    if old is not None and new is not None and t.says("old") and label != "half":
        held = label in ("held by print", "clash", "sostenuto")
        yield p.RingsAgainst(t.start, t.end, old, new, held)
    if label == "new bass" and bass is not None:
        yield p.StruckBass(t.start, t.end, bass, again=t.says("struck_again"))
    if label == "against the print" and old is None:
        # Two chords that are said to mix are two.
        yield h.ChordsChange(max(Fraction(0), t.start - _INSTANT), t.start + _INSTANT)
    if label == "half" and bass is not None and t.says("bass"):
        yield p.RingsOn(t.start, t.end, bass)
    if label in _PRESSED:
        yield pr.PedalOpen(t.start, t.start)
    if label == "staccato":
        yield p.Short(t.start, t.start)
    if label == "rest":
        yield p.Rests(t.start, t.start)
    if label == "as printed":
        yield pr.Printed(t.start, t.end, "", "pedal")


def _timing(t: Told) -> Iterator[Claim]:
    key, chord = t.key(), t.chord("chord")
    if key is not None and chord is not None and t.says("chord"):
        yield h.ChordAbout(t.start, t.end + t.score.measure_at(t.start).full_length, key, chord)
    # What the advice rests on is claimed at every level, however shortly it is told.
    if t.event.label == "phrase end":
        yield repose.LineStops(t.start, t.end)
    elif t.event.label == "resolution":
        yield repose.LetsGo(t.end, t.end)
    elif t.event.label == "final ritard":
        yield repose.PieceEnds(t.start, t.end)


_MAKERS: Mapping[str, Maker] = {
    NON_CHORD_TONE.name: _nonchord,
    SHARP_DISSONANCE.name: _sharp,
    CADENCE.name: _cadence,
    PICARDY.name: _picardy,
    PHRASE.name: _phrase,
    PHRASE_FORM.name: _phrase_form,
    SIX_FOUR.name: _six_four,
    BASS_SEVENTH.name: _seventh,
    CHROMATIC_CHORD.name: _chromatic,
    APPLIED_CHORD.name: _applied,
    ENHARMONIC_PIVOT.name: _enharmonic,
    MODE_SWITCH.name: _mode,
    KEY.name: _key,
    PIVOT_CHORD.name: _pivot,
    PEDAL_POINT.name: _pedal_point,
    DRONE.name: _drone,
    REPEATED_NOTE.name: _repeated,
    TEXTURE.name: _texture,
    MELODY.name: _melody,
    SEQUENCE.name: _sequence,
    CHAIN.name: _chain,
    RETURN.name: _return,
    VARIATION.name: _variation,
    FORM.name: _form,
    SECTION.name: _section,
    MOTIVE.name: _motive,
    HARMONIC_RHYTHM.name: _rhythm,
    INSTRUCTION.name: _instruction,
    PEDAL_MARK.name: _pedal_mark,
    TENSION.name: _tension,
    DYNAMICS.name: _dynamics,
    VOICING.name: _voicing,
    PEDALLING.name: _pedalling,
    TIMING.name: _timing,
}


# --- exercises ---------------------------------------------------------------------------------------------


def _chord_exercise(t: Told) -> Iterator[Claim]:
    at, key, chord = t.moment("at"), t.key("home") or t.key(), t.chord("chord")
    if at is not None and key is not None and chord is not None:
        yield h.ChordIs(at, at, key, chord)


def _foreign_exercise(t: Told) -> Iterator[Claim]:
    yield from _chord_exercise(t)
    moment, pitch = t.moment("moment"), t.pitch("pitch")
    if moment is not None and pitch is not None:
        yield n.Sounds(moment, moment + _INSTANT, pitch)
        yield h.Member(moment, moment, pitch, belongs=False)


def _resolve_exercise(t: Told) -> Iterator[Claim]:
    pitch, goal, way = t.pitch("pitch"), t.pitch("goal"), t.text("way")
    if pitch is not None and goal is not None:
        yield n.Pull(t.start, t.end, pitch, goal.pitch_class, way)
        yield n.Sounds(t.start, t.end, pitch)
    key, chord = t.key(), t.chord("chord")
    if key is not None and chord is not None:
        yield h.ChordIs(t.start, t.start, key, chord)


def _sequence_exercise(t: Told) -> Iterator[Claim]:
    roots = tuple(r for name in ("given", "going_on") for r in t.listed(name) if isinstance(r, PitchClass))
    if roots:
        yield h.Roots(t.start, t.end, roots)


def _hear_exercise(t: Told) -> Iterator[Claim]:
    """What an ear is to tell: of a cadence its family, of a chord its name."""
    at, key, right = t.moment("at"), t.key(), t.text("right")
    if at is not None and key is not None and right in h.FAMILIES:
        yield h.CadenceFamily(at, at, key, right)
    yield from _chord_exercise(t)


_EXERCISES: Mapping[str, Maker] = {
    "hear and choose": _hear_exercise,
    "name the chord": _chord_exercise,
    "spell the chord": _chord_exercise,
    "find the foreign note": _foreign_exercise,
    "resolve the dissonance": _resolve_exercise,
    "continue the sequence": _sequence_exercise,
}


# --- contrasts ---------------------------------------------------------------------------------------------


def _contrast_chord(t: Told) -> Iterator[Claim]:
    """As written this chord; on the other side the one that the key has of its own."""
    at, key, chord, plain = t.moment("at"), t.key(), t.chord("chord"), t.chord("plain")
    if at is None or key is None or chord is None:
        return
    yield h.ColourIs(at, at, key, chord)
    if plain is not None:
        yield h.OfTheKey(at, at, key, plain)
    for pair in t.listed("changes"):
        tone, plain_tone = pair if isinstance(pair, tuple) and len(pair) == 2 else (None, None)
        if isinstance(tone, PitchClass) and isinstance(plain_tone, PitchClass):
            yield h.Instead(at, at, tone, plain_tone, key)


def _contrast_arrival(t: Told) -> Iterator[Claim]:
    yield from _contrast_chord(t)
    at, key = t.moment("at"), t.key()
    if at is not None and key is not None:
        yield h.Cadence(at, at, key, t.event.label)


def _contrast_mode(t: Told) -> Iterator[Claim]:
    at, key, before = t.moment("at"), t.key(), t.key("before")
    if at is not None and key is not None and before is not None:
        yield h.KeyIs(at, at, key)
        yield h.Related(at, at, key, before, "parallel")


def _contrast_dissonance(t: Told) -> Iterator[Claim]:
    at, key, chord = t.moment("at"), t.key(), t.chord("chord")
    pitch, goal = t.tone("pitch"), t.tone("resolution")
    if at is None or key is None or chord is None or pitch is None or goal is None:
        return
    yield h.ChordIs(at, at, key, chord)
    yield h.Member(at, at, pitch, belongs=False)
    yield n.Sounds(at, at + _INSTANT, pitch)
    yield n.Sounds(at, at + t.score.measure_at(at).full_length, goal)


def _contrast_continuation(t: Told) -> Iterator[Claim]:
    """The bar before went as it did the first time; from here on the ways part."""
    at, first = t.moment("at"), t.moment("from")
    if at is None or first is None:
        return
    bar = t.score.measure_at(max(Fraction(0), at - _INSTANT)).full_length
    if first >= bar:
        yield p.ComesBack(at - bar, at, first - bar, first, "again")
    yield p.Parts(at, at + bar, first)


def _contrast_pedal(t: Told) -> Iterator[Claim]:
    for name in ("old", "new"):
        pitch = t.pitch(name)
        if pitch is not None:
            yield n.Sounds(t.start, t.end, pitch)


def _contrast_piano(t: Told) -> Iterator[Claim]:
    bass = t.pitch("bass")
    if bass is not None:
        yield n.BassIs(t.start, t.end, bass)


_CONTRASTS: Mapping[str, Maker] = {
    "altered notes": _contrast_chord,
    "diatonic neighbour": _contrast_chord,
    "mode": _contrast_mode,
    "dissonance": _contrast_dissonance,
    "arrival": _contrast_arrival,
    "continuation": _contrast_continuation,
    "pedal": _contrast_pedal,
    "piano": _contrast_piano,
}
