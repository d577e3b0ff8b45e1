"""Exercises on a piece, graded step by step, each with an answer that the reading proves.

In: a Score, its Reading and a level. Out: `Exercise` values: what to ask, on which bars or on which small
Score, and the answer, in values and in notes. The words are the phrasebook's (tables ``exercises``).
Every exercise given out has passed `verification.verify`, which works the answer out again from the
reading and the notes by a way of its own.

Kinds, from easy to hard: ``"hear and choose"``, ``"name the chord"``, ``"spell the chord"``, ``"find the
foreign note"``, ``"resolve the dissonance"``, ``"continue the sequence"``, ``"resolve the chord"``,
``"play in other keys"``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import groupby
from zlib import crc32

from understave.claims import Claim, facts, failing
from understave.claims.chords_and_keys import FAMILIES
from understave.errors import UnderstaveError
from understave.findings.applied import APPLIED_CHORD
from understave.findings.cadences import CADENCE, CadenceDetails
from understave.findings.chromatic import CHROMATIC_CHORD
from understave.findings.nonchord import NON_CHORD_TONE
from understave.findings.sequences import SEQUENCE
from understave.harmony.reading import Detail, Reading, Span
from understave.score.model import Measure, Score
from understave.score.passage import passage
from understave.score.write import with_source
from understave.teaching.carried import carry
from understave.teaching.contrasts import diatonic_neighbour
from understave.teaching.details import (
    BarsToMove,
    CadenceToHear,
    ChordToHear,
    ChordToName,
    ChordToResolve,
    ChordToSpell,
    ModeToHear,
    NoteToFind,
    NoteToResolve,
    Question,
    SequenceToContinue,
)
from understave.teaching.plainly_foreign import is_plainly_foreign
from understave.teaching.reduction import block_chords, joined, reduced
from understave.teaching.verification import verify
from understave.theory.chord import Chord, Quality
from understave.theory.convention_choices import by_roots
from understave.theory.key import Key, Mode
from understave.theory.pitch import Pitch, PitchClass
from understave.theory.roman import RomanNumeral
from understave.theory.vocabulary import Language
from understave.theory.voice_leading import TWO_HANDS, Harmony, faults, lead
from understave.wording.claiming import exercise_claims
from understave.wording.gaps import fill, name_value
from understave.wording.phrasebook import Level, phrasebook

KINDS = (
    "hear and choose",
    "name the chord",
    "spell the chord",
    "find the foreign note",
    "resolve the dissonance",
    "continue the sequence",
    "resolve the chord",
    "play in other keys",
)
HEARD = KINDS[0]
"""The kind whose question is a sound."""
WITHOUT_KEYS = KINDS[:5]
"""Kinds that can be asked of music that does not go by keys, in a beginner's words: those name no numeral."""


@dataclass(frozen=True)
class Exercise:
    """One question with its answer.

    It rests on the reading from `start` to `end` and shows bars `first` to `last` (indexes of measures).
    `details` fill prompt and answer. `marked` are the ids of notes to mark in the excerpt. `material` is a
    Score to print or to sound in place of the excerpt; print it, as the excerpt, without numerals.
    `notes` is the answer in notes, lowest first, where there is one; `solutions` are Scores that show or
    play it, with their readings. `choices` are what there is to choose from and `correct` the index of
    the right one. `step` counts from 1, easy to hard.
    """

    level: Level
    start: Fraction
    end: Fraction
    first: int
    last: int
    details: Question
    marked: tuple[str, ...] = ()
    material: Score | None = None
    notes: tuple[Pitch, ...] = ()
    solutions: tuple[tuple[Score, Reading], ...] = ()
    choices: tuple[Detail, ...] = ()
    correct: int | None = None
    step: int = 0

    @property
    def kind(self) -> str:
        """Which of the kinds it is of."""
        return self.details.exercise

    @property
    def values(self) -> tuple[tuple[str, Detail], ...]:
        """The details by name, for the gaps of its words."""
        return self.details.as_pairs()

    @property
    def entry(self) -> str:
        """The name of its words in the phrasebook."""
        return f"{self.kind}, {self.details.variant}" if self.details.variant else self.kind

    def prompt(self, score: Score, language: Language = "en") -> str:
        """Ask the question; numerals stand between ⟨ and ⟩."""
        book = phrasebook(language)
        return fill(
            book.exercises[self.entry]["prompt"][self.level], dict(self.values), score, book, "exercise"
        )

    def answer(self, score: Score, language: Language = "en") -> str:
        """Give the answer in words."""
        book = phrasebook(language)
        return fill(
            book.exercises[self.entry]["answer"][self.level], dict(self.values), score, book, "exercise"
        )

    def choice_words(self, score: Score, language: Language = "en") -> tuple[str, ...]:
        """Name what there is to choose from."""
        book = phrasebook(language)
        return tuple(
            name_value(
                c, "choice", "words" if isinstance(c, RomanNumeral) else "", "", score, book, "exercise"
            )
            for c in self.choices
        )

    def claims(self, score: Score) -> tuple[Claim, ...]:
        """Return what it says of the piece."""
        return exercise_claims(score, self.kind, self.values, (self.start, self.end))

    def is_so(self, score: Score, reading: Reading) -> bool:
        """Whether the notes bear out all that it says of the piece."""
        return not failing(self.claims(score), facts(score, reading.spans))


def exercises(
    score: Score, reading: Reading, level: Level = "intermediate", each: int = 2
) -> tuple[Exercise, ...]:
    """Return the exercises for a level, at most `each` of a kind, easy ones first; every one is verified, and
    asks and answers nothing that the notes deny.

    No two are asked in the same words, but those that are heard.
    """
    found: list[Exercise] = []
    used: set[tuple[int, int]] = set()
    for kind in WITHOUT_KEYS if by_roots() else KINDS:
        asked: Level = "beginner" if by_roots() else level
        places: set[tuple[int, int]] = set()
        spare: list[Exercise] = []
        own: list[Exercise] = []
        words: set[str] = set()
        for exercise in _MAKERS[kind](score, reading, asked):
            if len(own) == each:
                break
            place = (exercise.first, exercise.last)
            if place in places or (place in used and len(spare) >= each):
                continue
            if verify(exercise, score, reading) or not exercise.is_so(score, reading):
                continue
            said = exercise.prompt(score)
            if said in words and kind != HEARD:
                continue
            words.add(said)
            places.add(place)
            # Bars that another kind has asked about are asked about again only where there are no others.
            (spare if place in used else own).append(exercise)
        own += spare[: each - len(own)]
        used |= {(exercise.first, exercise.last) for exercise in own}
        found += own
    return tuple(replace(exercise, step=k) for k, exercise in enumerate(found, start=1))


# --- which chords are fit to ask about -------------------------------------------------------------------

_SURE = 0.55


def _clear(score: Score, reading: Reading) -> list[Span]:
    """Spans that are sure, long enough to hear, complete, and without foreign notes that last."""
    result = []
    for span in reading.spans:
        beat = score.measure_at(span.start).beat_length
        chord = span.numeral.chord(span.key)
        sounding = {score.note_by_id[i].pitch.pitch_class for i in span.notes if i in score.note_by_id}
        bass = _lowest(score, span)
        if (
            span.confidence >= _SURE
            and span.end - span.start >= beat
            and sounding == set(chord.members)
            and bass is not None
            and bass.pitch_class == chord.bass
            and len(span.foreign) <= 1
        ):
            result.append(span)
    return result


def _lowest(score: Score, span: Span) -> Pitch | None:
    notes = [score.note_by_id[i] for i in span.notes if i in score.note_by_id]
    return min((note.pitch for note in notes), key=lambda pitch: pitch.midi) if notes else None


def _is_plain(span: Span) -> bool:
    return span.numeral.chord(span.key).quality in (Quality.MAJOR, Quality.MINOR) and not _is_chromatic(span)


def _is_chromatic(span: Span) -> bool:
    return bool(span.numeral.applied or span.numeral.special not in ("", "Cad")) or any(
        tone not in span.key for tone in span.numeral.chord(span.key).members
    )


def _fit(span: Span, level: Level) -> bool:
    chord = span.numeral.chord(span.key)
    if level == "beginner":
        return _is_plain(span) and span.numeral.special != "Cad"
    if level == "intermediate":
        return not _is_chromatic(span) and (chord.inversion > 0 or chord.quality.is_seventh)
    return _is_chromatic(span)


def _varied(spans: Iterable[Span], name: Callable[[Span], object]) -> list[Span]:
    """Order spans so that those of a new name come first, surest first."""
    ordered = sorted(spans, key=lambda span: (-round(span.confidence, 1), span.start))
    seen: set[object] = set()
    fresh: list[Span] = []
    rest: list[Span] = []
    for span in ordered:
        (rest if name(span) in seen else fresh).append(span)
        seen.add(name(span))
    return fresh + rest


def _bars_of(score: Score, start: Fraction, end: Fraction) -> tuple[int, int]:
    first, last = score.measures_over(start, end)
    return first.index, last.index


def close_position(chord: Chord) -> tuple[Pitch, ...]:
    """Return a chord's notes from its bass up in close position, the bass in the octave below middle C."""
    members = list(chord.members)
    k = members.index(chord.bass)
    notes = [Pitch(chord.bass.letter, chord.bass.alter, 3)]
    for tone in members[k + 1 :] + members[:k]:
        notes.append(Pitch.above(notes[-1], tone))
    return tuple(notes)


# --- makers: each yields candidates, the best first ------------------------------------------------------


def _name(score: Score, reading: Reading, level: Level) -> Iterator[Exercise]:
    for span in _varied(
        (span for span in _clear(score, reading) if _fit(span, level)), lambda span: (span.numeral, span.key)
    ):
        chord = span.numeral.chord(span.key)
        first, last = _bars_of(score, span.start, span.end)
        yield Exercise(
            level,
            span.start,
            span.end,
            first,
            last,
            ChordToName(
                at=span.start,
                key=span.key,
                chord=span.numeral,
                root=chord.root,
                bass=chord.bass,
                quality=chord.quality,
                members=chord.members,
            ),
            marked=span.notes,
            notes=close_position(chord),
        )


def _spell(score: Score, reading: Reading, level: Level) -> Iterator[Exercise]:
    """At the first two levels the piece's own chord, at the third the same chord in another key."""
    for n, span in enumerate(
        _varied((span for span in _clear(score, reading) if _fit(span, level)), lambda span: span.numeral)
    ):
        key = span.key
        if level == "advanced":
            move = (2, -3, 5, -1)[n % 4]
            key = Key(key.tonic.shift(move), key.mode).simplest
        chord = span.numeral.chord(key)
        first, last = _bars_of(score, span.start, span.end)
        yield Exercise(
            level,
            span.start,
            span.end,
            first,
            last,
            ChordToSpell(
                at=span.start,
                key=key,
                home=span.key,
                chord=span.numeral,
                root=chord.root,
                quality=chord.quality,
                # A beginner is given the root and spells from there, the others from the lowest note up.
                members=chord.members
                if level == "beginner"
                else tuple(pitch.pitch_class for pitch in close_position(chord)),
                bass=chord.bass,
            ),
            notes=close_position(chord),
        )


_FOREIGN: dict[Level, tuple[str, ...]] = {
    "beginner": ("passing tone", "neighbour tone"),
    "intermediate": ("suspension", "passing tone", "neighbour tone", "appoggiatura"),
    "advanced": (
        "appoggiatura",
        "retardation",
        "anticipation",
        "suspension",
        "escape tone",
        "changing tones",
    ),
}


def _foreign(score: Score, reading: Reading, level: Level) -> Iterator[Exercise]:
    """One foreign note within the stretch of one chord: which is it, and what is it called?"""
    events = [
        (event, found)
        for event, found in NON_CHORD_TONE.all(reading.events)
        if event.label in _FOREIGN[level]
        and event.confidence >= _SURE
        # What comes to rest by a detour may as well be a note of the chord.
        and found.manner == "direct"
    ]
    events.sort(key=lambda pair: (_FOREIGN[level].index(pair[0].label), -pair[0].confidence, pair[0].start))
    firsts = {pair[0].label: pair for pair in reversed(events)}
    for event, found in [*firsts.values(), *events]:
        note_id, pitch = found.note, found.pitch
        span = reading.span_at(event.start)
        if span is None:
            continue
        sounds = {score.note_by_id[i].pitch.pitch_class for i in span.foreign if i in score.note_by_id}
        if sounds != {pitch.pitch_class} or not is_plainly_foreign(score, span, event, found):
            continue
        first, last = _bars_of(score, span.start, span.end)
        yield Exercise(
            level,
            span.start,
            span.end,
            first,
            last,
            NoteToFind(
                at=span.start,
                moment=event.start,
                key=span.key,
                chord=span.numeral,
                members=span.numeral.chord(span.key).members,
                root=span.numeral.chord(span.key).root,
                quality=span.numeral.chord(span.key).quality,
                pitch=pitch,
                note=note_id,
                kind=event.label,
            ),
            notes=(pitch,),
        )


def _resolve_dissonance(score: Score, reading: Reading, level: Level) -> Iterator[Exercise]:
    """The bars break off at a dissonance; where does it go?"""
    wanted = {
        "beginner": ("suspension", "neighbour tone"),
        "intermediate": ("suspension", "appoggiatura", "retardation"),
        "advanced": ("retardation", "appoggiatura", "suspension"),
    }[level]
    events = [
        (event, found)
        for event, found in NON_CHORD_TONE.all(reading.events)
        if event.label in wanted and found.manner == "direct" and event.confidence >= _SURE
    ]
    events.sort(key=lambda pair: (wanted.index(pair[0].label), -pair[0].confidence, pair[0].start))
    for event, found in events:
        note_id, pitch, chord, key = found.note, found.pitch, found.chord, found.key
        goal, goal_id, when = found.resolution_pitch, found.resolution, found.resolution_time
        if goal is None or goal_id is None or when is None:
            continue
        span = reading.span_at(event.start)
        if span is None or goal.midi % 12 not in chord.chord(key).semitones:
            # It is resolved within the chord that is named, or nobody can know whereto.
            continue
        if not is_plainly_foreign(score, span, event, found):
            continue
        first, last = _bars_of(score, event.start, when + Fraction(1, 64))
        first = max(0, first - 1)
        yield Exercise(
            level,
            event.start,
            when,
            first,
            last,
            NoteToResolve(
                at=event.start,
                key=key,
                chord=chord,
                pitch=pitch,
                note=note_id,
                goal=goal,
                goal_note=goal_id,
                way="up" if goal.midi > pitch.midi else "down",
                kind=event.label,
            ),
            marked=(note_id,),
            material=_broken_off(score, first, last, when),
            notes=(goal,),
            solutions=(_excerpt(score, reading, first, last),),
        )


def _broken_off(score: Score, first: int, last: int, moment: Fraction) -> Score:
    """Bars of a score without what begins at a moment or after it."""
    bars = passage(score, first, last)
    stop = moment - score.measures[first].start
    notes = tuple(
        replace(note, duration=min(note.end, stop) - note.onset) for note in bars.notes if note.onset < stop
    )
    return with_source(replace(bars, notes=notes, source=b""))


def _excerpt(score: Score, reading: Reading, first: int, last: int) -> tuple[Score, Reading]:
    bars = passage(score, first, last)
    start, end = score.measures[first].start, score.measures[last].end
    return bars, Reading(carry(reading.spans, bars, start, end))


def _resolve_chord(score: Score, reading: Reading, level: Level) -> Iterator[Exercise]:
    """A chord of tension in four voices; write the chord it goes to. Not for beginners."""
    if level == "beginner":
        return
    pairs = [
        (span, t)
        for span, t in zip(reading.spans, reading.spans[1:], strict=False)
        if min(span.confidence, t.confidence) >= _SURE
        and _is_tense(span, level)
        # The same chord in another position resolves nothing, on a six-four nothing comes to rest.
        and span.numeral.chord(span.key).root.semitone != t.numeral.chord(t.key).root.semitone
        and t.numeral.chord(t.key).inversion != 2
        and _leads_to(span, t)
    ]
    following = {span.start: t for span, t in pairs}
    for span in _varied((p[0] for p in pairs), lambda span: span.numeral):
        t = following[span.start]
        two = [Harmony(span.key, span.numeral), Harmony(t.key, t.numeral)]
        led = lead(two, TWO_HANDS)
        if faults(two, led):
            continue
        measure = score.measure_at(span.start)
        bar = Fraction(4)
        signature = span.key.signature if abs(span.key.signature) <= 7 else measure.signature
        symbol = measure.symbol if (measure.beats, measure.beat_type) == (4, 4) else ""
        measures = tuple(
            Measure(f"m{k}", k, str(k + 1), k * bar, bar, 4, 4, signature, symbol=symbol) for k in range(2)
        )
        times = [(Fraction(0), bar), (bar, 2 * bar)]
        spans = tuple(
            Span(lo, hi, harmony.key, harmony.numeral, 1.0)
            for (lo, hi), harmony in zip(times, two, strict=True)
        )
        whole = block_chords(times, led, measures)
        asked = with_source(
            replace(whole, notes=tuple(note for note in whole.notes if note.onset < bar), source=b"")
        )
        first, last = _bars_of(score, span.start, t.end)
        leading = span.numeral.local_key(span.key).leading_tone
        yield Exercise(
            level,
            span.start,
            t.end,
            first,
            last,
            ChordToResolve(
                at=span.start,
                key=span.key,
                chord=span.numeral,
                to=t.numeral,
                to_key=t.key,
                members=t.numeral.chord(t.key).members,
                leading_tone=leading if leading in span.numeral.chord(span.key).members else None,
            ),
            material=asked,
            notes=led[1],
            solutions=((whole, Reading(carry(spans, whole, Fraction(0), whole.end))),),
        )


def _leads_to(span: Span, goal: Span) -> bool:
    """Whether a chord's seventh finds its step down, and its leading tone its step up, in the next one
    (Hutchinson, chapter on dominant sevenths).
    """
    chord, tones = span.numeral.chord(span.key), goal.numeral.chord(goal.key).semitones
    seventh, leading = chord.member(7), span.numeral.local_key(span.key).leading_tone
    falls = seventh is None or bool({(seventh.semitone - k) % 12 for k in (1, 2)} & tones)
    return falls and (leading not in chord.members or (leading.semitone + 1) % 12 in tones)


_TENSE = (
    Quality.DOMINANT7,
    Quality.DOMINANT9,
    Quality.DOMINANT_MINOR9,
    Quality.DIMINISHED7,
    Quality.HALF_DIMINISHED7,
)


def _is_tense(span: Span, level: Level) -> bool:
    chord = span.numeral.chord(span.key)
    tense = chord.quality in _TENSE
    if level == "intermediate":
        return tense and not _is_chromatic(span)
    # A plain borrowed triad colours, but it asks for nothing.
    return (_is_chromatic(span) and not chord.quality.is_triad) or span.numeral.special in ("N", "It")


_TARGETS: dict[Level, tuple[int, ...]] = {
    "beginner": (1,),
    "intermediate": (1, -1, 3),
    "advanced": (-4, 6, 5, -5),
}
"""Distances, on the line of fifths, of the keys to play in."""


def _play(score: Score, reading: Reading, level: Level) -> Iterator[Exercise]:
    """The chords of a cadence, or of a phrase's end, in other keys."""
    events = [event for event in reading.events if event in CADENCE and event.confidence >= 0.5]
    if level == "advanced":
        events = [event for event in reading.events if event in CHROMATIC_CHORD] + events
    for event in sorted(
        events, key=lambda event: (event not in CHROMATIC_CHORD, -event.confidence, event.start)
    ):
        cadence = CADENCE.of(event)
        end = event.end if cadence is None else cadence.arrival
        first = max(0, score.measure_at(event.start).index - (0 if level == "beginner" else 1))
        last = score.measure_at(end).index
        start, stop = score.measures[first].start, score.measures[last].end
        own = joined(reading.spans, start, stop)
        if last - first > 4 or not 2 <= len(own) <= 8 or len({span.key for span in own}) > 1:
            continue
        if level == "beginner" and any(_is_chromatic(span) for span in own):
            continue
        key = own[0].key
        targets = tuple(Key(key.tonic.shift(move), key.mode).simplest for move in _TARGETS[level])
        try:
            made = [reduced(score, reading, key=key, first=first, last=last) for key in targets]
            plain, _ = reduced(score, reading, first=first, last=last)
        except UnderstaveError:
            continue
        chords = tuple(span.numeral for span in own)
        yield Exercise(
            level,
            start,
            stop,
            first,
            last,
            BarsToMove(
                at=start,
                where=(start, stop),
                key=key,
                targets=targets,
                chords=chords,
                roots=tuple(span.numeral.chord(key).root for span in own),
                target=targets[0],
                target_roots=tuple(numeral.root(targets[0]) for numeral in chords),
            ),
            material=plain,
            solutions=tuple(made),
        )


def _sequence(score: Score, reading: Reading, level: Level) -> Iterator[Exercise]:
    """The first steps of a sequence; go on. Not for beginners."""
    if level == "beginner":
        return
    for event, found in SEQUENCE.all(reading.events):
        times, key, period = found.times, found.key, _PERIODS.get(event.label)
        if times is None or key is None or period is None:
            continue
        end = _left(reading, times, key) or event.end
        times = tuple(moment for moment in times if moment < end)
        if len(times) < period + 3:
            continue
        given = max(3, period + 1) if level == "intermediate" else max(2, period + 1)
        if given + 2 > len(times):
            continue
        begin, stop = times[0], times[given]
        first, last = _bars_of(score, event.start, end)
        whole, labels = reduced(score, reading, first=first, last=last)
        shown = joined(reading.spans, begin, stop)
        hidden = joined(reading.spans, stop, end)
        # Two chords on one root are one step of the pattern, but two chords to see and to play; where only
        # some roots come twice, nobody can guess which.
        often = [len(list(run)) for _, run in groupby((*shown, *hidden), key=_root)]
        if len(set(often[:-1])) > 1 or often[-1] > often[0]:
            continue
        cut = stop - score.measures[first].start
        asked = with_source(
            replace(
                whole,
                notes=tuple(
                    replace(note, duration=min(note.end, cut) - note.onset)
                    for note in whole.notes
                    if note.onset < cut
                ),
                source=b"",
            )
        )
        yield Exercise(
            level,
            event.start,
            end,
            first,
            last,
            SequenceToContinue(
                at=event.start,
                key=key,
                given=tuple(span.numeral.chord(span.key).root for span in shown),
                going_on=tuple(span.numeral.chord(span.key).root for span in hidden),
                times=tuple(span.start for span in (*shown, *hidden)),
                count=len(hidden),
                pattern=event.label,
            ),
            material=asked,
            solutions=((whole, labels),),
        )


def _root(span: Span) -> PitchClass:
    return span.numeral.chord(span.key).root


def _left(reading: Reading, times: Sequence[Fraction], key: Key) -> Fraction | None:
    """Return when a sequence within the scale leaves it, by the root of a chord; None where it does not."""
    for moment in times:
        span = reading.span_at(moment)
        if span is not None and span.numeral.chord(span.key).root not in key.scale:
            return moment
    return None


_PERIODS = {"descending fifths": 1, "ascending fifths": 1, "descending thirds": 2, "ascending 5-6": 2}
"""After how many steps the root motion of a sequence comes again."""


def _hear(score: Score, reading: Reading, level: Level) -> Iterator[Exercise]:
    """Listen and choose: major or minor, which cadence, which chromatic chord."""
    if level == "beginner":
        yield from _hear_mode(score, reading)
    elif level == "intermediate":
        yield from _hear_cadence(score, reading)
    else:
        yield from _hear_chromatic(score, reading)


def _shuffled(choices: Sequence[Detail], salt: str) -> tuple[Detail, ...]:
    """Choices in an order that depends on the place alone, so that the right one is not always first."""
    return tuple(sorted(choices, key=lambda c: crc32(f"{salt}{c}".encode())))


def _hear_mode(score: Score, reading: Reading) -> Iterator[Exercise]:
    plain = [span for span in _clear(score, reading) if _is_plain(span)]
    for span in _varied(plain, lambda span: span.numeral.chord(span.key).quality):
        first, last = _bars_of(score, span.start, span.end)
        quality = span.numeral.chord(span.key).quality
        choices = _shuffled(("major", "minor"), str(span.start))
        right: Mode = "major" if quality is Quality.MAJOR else "minor"
        bars, _ = _excerpt(score, reading, first, last)
        begin = score.measures[first].start
        sound = tuple(note for note in bars.notes if span.start - begin <= note.onset < span.end - begin)
        yield Exercise(
            "beginner",
            span.start,
            span.end,
            first,
            last,
            ModeToHear(at=span.start, key=span.key, root=span.numeral.chord(span.key).root, right=right),
            material=with_source(replace(bars, notes=sound, source=b"")),
            choices=choices,
            correct=choices.index(right),
        )


_CADENCES = tuple(FAMILIES)
_FAMILY = {label: family for family, labels in FAMILIES.items() for label in labels}
"""What an ear is asked to tell of a cadence, by its label."""


def _hear_cadence(score: Score, reading: Reading) -> Iterator[Exercise]:
    events = [
        (family, event, found)
        for event, found in CADENCE.all(reading.events)
        if (family := _FAMILY.get(event.label)) is not None
    ]
    fit = [
        three
        for three in events
        if three[1].confidence >= 0.5 and _heard_alike(score, reading, three[0], three[2])
    ]
    rare = sorted(fit, key=lambda three: (-_CADENCES.index(three[0]), -three[1].confidence))
    seen: set[str] = set()
    for family, event, found in rare:
        arrival, key = found.arrival, found.key
        first = score.measure_at(event.start).index
        last = score.measure_at(arrival).index
        if family in seen or last - first > 5:
            continue
        made, _ = reduced(score, reading, first=first, last=last)
        choices = _shuffled(_CADENCES, str(event.start))
        exercise = Exercise(
            "intermediate",
            event.start,
            arrival,
            first,
            last,
            CadenceToHear(at=arrival, key=key, right=family),
            material=made,
            choices=choices,
            correct=choices.index(family),
        )
        # Each kind is heard once, where the answer is beyond doubt.
        if not verify(exercise, score, reading) and exercise.is_so(score, reading):
            seen.add(family)
            yield exercise


def _heard_alike(score: Score, reading: Reading, family: str, found: CadenceDetails) -> bool:
    """Whether nobody can hear another cadence, or none, with as good a right: a half cadence stops on the
    plain triad of the dominant over its root, which is the last to be heard; a plagal one comes from the
    subdominant itself, and neither comes after it.
    """
    goal = reading.span_at(found.arrival)
    if family == "half":
        if goal is None:
            return False
        until = score.measure_at(found.arrival).end
        last = [s.numeral.chord(s.key) for s in reading.spans if s.end > found.arrival and s.start < until]
        root = found.key.tonic.shift(1)
        return all(chord.quality.is_triad and chord.bass == chord.root == root for chord in last)
    if family != "plagal":
        return True
    after = reading.span_at(goal.end) if goal is not None else None
    leader = found.leader.root(found.key) if found.leader is not None else None
    goes_on = after is not None and (
        after.numeral.special == "Cad" or found.key.degree(after.numeral.root(after.key))[0] in (4, 5, 7)
    )
    return leader is not None and found.key.degree(leader)[0] == 4 and not goes_on


def _hear_chromatic(score: Score, reading: Reading) -> Iterator[Exercise]:
    events = [
        (event, found)
        for event in reading.events
        if (found := CHROMATIC_CHORD.of(event) or APPLIED_CHORD.of(event)) is not None
        and event.confidence >= 0.5
    ]
    for event, found in sorted(events, key=lambda pair: (pair[0] in APPLIED_CHORD, -pair[0].confidence)):
        key, chord = found.key, found.chord
        plain = diatonic_neighbour(chord, key)
        others = _others(chord, key)
        if plain is None or len(others) < 2:
            continue
        first, last = _bars_of(score, event.start, event.end)
        first, last = max(0, first - 1), min(len(score.measures) - 1, last + 1)
        if last - first > 5:
            continue
        made, _ = reduced(score, reading, first=first, last=last)
        choices = _shuffled((chord, plain, *others[:2]), str(event.start))
        yield Exercise(
            "advanced",
            event.start,
            event.end,
            first,
            last,
            ChordToHear(at=event.start, key=key, chord=chord, right=chord),
            material=made,
            choices=choices,
            correct=choices.index(chord),
        )


def _others(chord: RomanNumeral, key: Key) -> list[RomanNumeral]:
    """Chromatic chords that sound otherwise: what the right one could be taken for."""
    texts = (
        ("N6", "Ger65", "V65/V", "viio7/V", "V7/iv")
        if key.mode == "minor"
        else ("iv", "V7/V", "V7/IV", "bVI", "viio7/V")
    )
    sound = chord.chord(key).semitones
    return [numeral for t in texts if (numeral := RomanNumeral.parse(t)).chord(key).semitones != sound]


_MAKERS: dict[str, Callable[[Score, Reading, Level], Iterator[Exercise]]] = {
    "hear and choose": _hear,
    "name the chord": _name,
    "spell the chord": _spell,
    "find the foreign note": _foreign,
    "resolve the dissonance": _resolve_dissonance,
    "continue the sequence": _sequence,
    "resolve the chord": _resolve_chord,
    "play in other keys": _play,
}
