"""Questions that a student answers by themselves: to choose, to place, to type, to play, to hear.

In: a Score, its Reading, the exercises and the stops of a lesson (as values), a level and a language. Out:
`Task`s with all answers that are right, and for wrong ones why they are wrong. Whoever shows them only
compares.

Ways: ``"choose"`` one of `choices`; ``"place"``: one of the `spots` of the bars; ``"type"`` a numeral or a
note; ``"play"`` keys of a keyboard; ``"bar"``: the bar that is heard.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from itertools import product
from typing import Literal
from zlib import crc32

from understave.digests import digest
from understave.errors import UnderstaveError
from understave.findings.applied import APPLIED_CHORD
from understave.findings.cadences import CADENCE
from understave.findings.catalogue import is_sure
from understave.findings.chromatic import CHROMATIC_CHORD
from understave.findings.sixfours import SIX_FOUR
from understave.harmony.reading import Event, Reading, Span
from understave.harmony.typed import Entry, typed_chords, usual_entry
from understave.score.model import Score
from understave.teaching.details import CadenceToHear, ChordToName, ChordToSpell, NoteToFind
from understave.teaching.exercises import Exercise
from understave.teaching.stops import Stop
from understave.theory.chord import Chord, Quality
from understave.theory.chord_symbol import SUFFIXES
from understave.theory.convention_choices import Conventions, by_roots, current
from understave.theory.key import Key
from understave.theory.names import key_name, parse_pitch_class, pitch_class_name, quality_name
from understave.theory.pitch import LETTERS, PitchClass
from understave.theory.roman import RomanNumeral
from understave.theory.vocabulary import LANGUAGES, Language
from understave.wording import Level, Phrasebook, phrasebook
from understave.wording.gaps import octave_name, place
from understave.wording.phrasebook import raised

Way = Literal["choose", "place", "type", "play", "bar"]
Sign = Literal["", "numeral", "note"]

_EACH = 2
"""Tasks of a kind at most."""
_SURE = 0.55
"""Confidence under which a chord or a close is not asked about, as in `exercises`."""
_WINDOW = 4
"""Bars that are shown where the question is which of them one hears, or in which key they are."""


@dataclass(frozen=True, slots=True)
class Task:
    """One question. Numerals in all texts stand between ⟨ and ⟩.

    `id` stays the same as long as what is asked does. `device` says in words what the question is about, so
    that answers can be counted by it. Bars `first` to `last` (indexes, both included) are shown with the
    notes in `marked`; `hears` are the bars that may be heard. `right` are the indexes in `choices` or `spots`
    that answer, or the bars. `accepted` are the texts that answer (see `plain`), `nearly` those that name the
    chord with another bass. `keys` are the pitch classes (0..11, C is 0) to play, the lowest first where it
    is asked for (`low`). `why_not` says for each choice or spot why it is wrong, or nothing. `reason` is the
    answer in words.
    """

    id: str
    way: Way
    device: str
    first: int
    last: int
    prompt: str
    reason: str
    marked: tuple[str, ...] = ()
    hears: tuple[int, int] | None = None
    choices: tuple[str, ...] = ()
    spots: tuple[tuple[str, tuple[str, ...]], ...] = ()
    right: tuple[int, ...] = ()
    sign: Sign = ""
    accepted: tuple[str, ...] = ()
    nearly: tuple[str, ...] = ()
    keys: tuple[int, ...] = ()
    low: bool = False
    why_not: tuple[str, ...] = ()


def plain(text: str, sign: Sign = "numeral") -> str:
    """Return what is typed as it is compared: no spaces, no special signs; the case of notes is nothing."""
    for fancy, usual in (("♭", "b"), ("♯", "#"), ("–", "-"), ("°", "o"), ("\u00a0", ""), (" ", "")):
        text = text.replace(fancy, usual)
    return text.casefold() if sign == "note" else text


def homework(  # noqa: PLR0913 - what a lesson is made from
    score: Score,
    reading: Reading,
    found: Sequence[Exercise],
    stops: Sequence[Stop],
    level: Level = "intermediate",
    language: Language = "en",
    *,
    sound: bool = True,
) -> tuple[Task, ...]:
    """Return the questions of a lesson, easy ones first; what must be heard is asked with `sound`."""
    # Where there are no keys to speak of, chords are asked for as a beginner is: by root and kind.
    asking = _Asking(score, reading, "beginner" if by_roots() else level, phrasebook(language))
    named = [exercise for exercise in found if isinstance(exercise.details, ChordToName)]
    rows: list[Iterable[Task | None]] = [
        [_bar_heard(asking, stops)] if sound else [],
        [_kind_of_chord(asking, exercise) for exercise in named[:1]],
        () if by_roots() else _keys(asking),
        [
            _foreign_note(asking, exercise, exercise.details)
            for exercise in found
            if isinstance(exercise.details, NoteToFind)
        ],
        [_typed(asking, exercise) for exercise in named[1:]],
        () if by_roots() else _devices(asking, stops),
        [_close(asking, exercise) for exercise in found if isinstance(exercise.details, CadenceToHear)],
        [
            _played(asking, exercise, exercise.details)
            for exercise in found
            if isinstance(exercise.details, ChordToSpell)
        ],
    ]
    tasks = [t for row in rows for t in [t for t in row if t is not None][:_EACH]]
    return tuple({t.id: t for t in tasks}.values())


def homework_id(tasks: Sequence[Task]) -> str:
    """Return what names a set of questions: other questions have another name."""
    return digest([(t.id, t.prompt) for t in tasks])[:12]


@dataclass(frozen=True, slots=True)
class _Asking:
    score: Score
    reading: Reading
    level: Level
    book: Phrasebook

    def words(self, name: str, **values: object) -> str:
        return self.book.phrases[f"homework_{name}"].format(**values)

    def place(self, moment: Fraction) -> str:
        return place(self.score, moment, self.book)

    def bars(self, first: int, last: int) -> str:
        return self.book.bars(self.score.measures[first].number, self.score.measures[last].number)

    def notes(self, names: Iterable[PitchClass]) -> str:
        return self.book.join([pitch_class_name(tone, self.book.language) for tone in names])

    def device(self, start: Fraction) -> str:
        """What the chord at a moment is an instance of."""
        for kind in (CHROMATIC_CHORD, APPLIED_CHORD, SIX_FOUR):
            event = next(
                (event for event in self.reading.events if event in kind and event.start == start), None
            )
            if event is not None:
                return self.title(event)
        return self.words("device_chord")

    def title(self, event: Event) -> str:
        titles = self.book.stop_titles
        return titles.get(f"{event.kind}.{event.label}") or titles.get(event.kind) or event.label


def _bar_id(score: Score, what: str, moment: Fraction) -> str:
    measure = score.measure_at(moment)
    return f"{what}-{measure.index + 1}-{score.beat_at(moment)}".replace("/", "_")


def _mixed(texts: Sequence[str], salt: str) -> tuple[str, ...]:
    """Texts in an order that the place decides, so that the right one is not always first."""
    return tuple(sorted(texts, key=lambda t: crc32(f"{salt}{t}".encode())))


# --- choose ----------------------------------------------------------------------------------------------

_Q = Quality
_ALIKE: tuple[tuple[Quality, ...], ...] = (
    (_Q.MAJOR, _Q.MINOR, _Q.DIMINISHED, _Q.AUGMENTED),
    (_Q.DOMINANT7, _Q.MINOR7, _Q.MAJOR7, _Q.HALF_DIMINISHED7),
    (_Q.DIMINISHED7, _Q.HALF_DIMINISHED7, _Q.DOMINANT7, _Q.MINOR7),
    (_Q.GERMAN, _Q.FRENCH, _Q.HALF_DIMINISHED7, _Q.DIMINISHED7),
    (_Q.FRENCH, _Q.GERMAN, _Q.HALF_DIMINISHED7, _Q.DIMINISHED7),
    (_Q.ITALIAN, _Q.DIMINISHED, _Q.MINOR, _Q.AUGMENTED),
)
"""Kinds of chord that are asked for, the first of each row, and what they are offered with: never what
sounds like it, as a German sixth does like a dominant seventh.
"""


def _kinds_beside(quality: Quality) -> tuple[Quality, ...]:
    rows = [row for row in _ALIKE if row[0] is quality] + [row for row in _ALIKE if quality in row]
    return rows[0] if rows else ()


def _kind_of_chord(a: _Asking, exercise: Exercise) -> Task | None:
    span = a.reading.span_at(exercise.start)
    offered = _kinds_beside(span.numeral.chord(span.key).quality) if span else ()
    if span is None or not offered:
        return None
    chord = span.numeral.chord(span.key)
    language = a.book.language
    if a.level == "beginner":
        offered = tuple(quality for quality in offered if quality in (_Q.MAJOR, _Q.MINOR)) or offered
    names = {quality_name(quality, language): quality for quality in offered}
    choices = _mixed(tuple(names), str(exercise.start))
    heard = a.notes(chord.members)
    why_not = tuple(
        ""
        if names[c] is chord.quality
        else a.words(
            "not_kind",
            kind=c,
            root=pitch_class_name(chord.root, language),
            would=a.notes(Chord(chord.root, names[c]).members),
            here=heard,
        )
        for c in choices
    )
    return Task(
        _bar_id(a.score, "kind", exercise.start),
        "choose",
        a.device(exercise.start),
        exercise.first,
        exercise.last,
        a.words("kind", place=a.place(exercise.start)),
        exercise.answer(a.score, language),
        marked=exercise.marked,
        hears=(exercise.first, exercise.last),
        choices=choices,
        right=(choices.index(quality_name(chord.quality, language)),),
        why_not=why_not,
    )


def _close(a: _Asking, exercise: Exercise) -> Task | None:
    if exercise.correct is None:
        return None
    event = next(
        (event for event in a.reading.events if event in CADENCE and event.start == exercise.start), None
    )
    words = a.book.lane_events.get("cadence", {}).get(event.label, "") if event else ""
    return Task(
        _bar_id(a.score, "close", exercise.end),
        "choose",
        words or a.title(event) if event else a.words("device_close"),
        exercise.first,
        exercise.last,
        a.words("close", bars=a.bars(exercise.first, exercise.last)),
        exercise.answer(a.score, a.book.language),
        hears=(exercise.first, exercise.last),
        choices=exercise.choice_words(a.score, a.book.language),
        right=(exercise.correct,),
        why_not=("",) * len(exercise.choices),
    )


def in_key(key: Key) -> frozenset[PitchClass]:
    """Return the notes of a key; in minor also the raised sixth and seventh degrees."""
    if key.mode == "major":
        return frozenset(key.scale)
    return frozenset((*key.scale, key.scale[5].shift(7), key.leading_tone))


def _keys(a: _Asking) -> Iterator[Task]:
    """Bars that stay in one key without a foreign note, each of another key."""
    asked: set[Key] = set()
    for first in range(len(a.score.measures) - _WINDOW + 1):
        last = first + _WINDOW - 1
        start, end = a.score.measures[first].start, a.score.measures[last].end
        spans = [span for span in a.reading.spans if span.start < end and span.end > start]
        if (
            not spans
            or len({span.key for span in spans}) > 1
            or min(span.confidence for span in spans) < _SURE
        ):
            continue
        key = spans[0].key
        notes = [note for note in a.score.notes if start <= note.onset < end]
        if key in asked or not {note.pitch.pitch_class for note in notes} <= in_key(key):
            continue
        others: dict[Key, str] = {}
        for other in _keys_beside(key):
            # It must be heard, not only written, that a note is of another key.
            inside = {tone.semitone for tone in in_key(other)}
            alien = next((note for note in notes if note.midi % 12 not in inside), None)
            if alien is not None and len(others) < 3:
                others[other] = a.words(
                    "not_key",
                    key=key_name(other, a.book.language),
                    note=pitch_class_name(alien.pitch.pitch_class, a.book.language),
                    place=a.place(alien.onset),
                )
        if len(others) < 2:
            continue
        asked.add(key)
        names = {key_name(k, a.book.language): k for k in (key, *others)}
        choices = _mixed(tuple(names), str(first))
        yield Task(
            _bar_id(a.score, "key", start),
            "choose",
            a.words("device_key"),
            first,
            last,
            a.words("key", bars=a.bars(first, last)),
            a.words(
                "is_key",
                key=key_name(key, a.book.language),
                tonic=pitch_class_name(key.tonic, a.book.language),
            ),
            hears=(first, last),
            choices=choices,
            right=(choices.index(key_name(key, a.book.language)),),
            why_not=tuple(others.get(names[c], "") for c in choices),
        )


def _keys_beside(key: Key) -> Iterator[Key]:
    """Keys that could be taken for one, the likeliest first."""
    yield key.relative
    yield key.parallel
    for move in (1, -1, 2, -2):
        yield Key(key.tonic.shift(move), key.mode)


# --- place -----------------------------------------------------------------------------------------------


def _foreign_note(a: _Asking, exercise: Exercise, details: NoteToFind) -> Task | None:
    note = a.score.note_by_id.get(details.note)
    span = a.reading.span_at(exercise.start)
    if note is None or span is None:
        return None
    inside = [note for note in a.score.notes if note.onset < span.end and note.end > span.start]
    chord = span.numeral.chord(span.key)
    members = a.notes(chord.members)
    spots = tuple(
        (f"{a.place(max(note.onset, span.start))}: {octave_name(note.pitch, a.book)}", note.ids)
        for note in inside
    )
    belongs = a.words("belongs", members=members)
    # The same note struck again, or doubled, is foreign as well.
    alien = {n.id for n in inside if n.pitch.pitch_class == note.pitch.pitch_class}
    prompt = (
        a.words("foreign_of_notes", place=a.place(exercise.start), members=members)
        if a.level == "beginner"
        else a.words(
            "foreign",
            place=a.place(exercise.start),
            chord=f"⟨{span.numeral}⟩",
            key=key_name(span.key, a.book.language),
        )
    )
    named = a.book.values["exercise.kind"].get(details.kind, details.kind)
    return Task(
        _bar_id(a.score, "note", exercise.start),
        "place",
        named,
        exercise.first,
        exercise.last,
        prompt,
        exercise.answer(a.score, a.book.language),
        hears=(exercise.first, exercise.last),
        spots=spots,
        right=tuple(k for k, note in enumerate(inside) if note.id in alien),
        why_not=tuple("" if note.id in alien else belongs for note in inside),
    )


def _devices(a: _Asking, stops: Sequence[Stop]) -> Iterator[Task]:
    """Where in the bars of a stop stands the chord that the stop is about?"""
    for stop in stops:
        event = next(
            (event for event in stop.events if event in CHROMATIC_CHORD or event in APPLIED_CHORD), None
        )
        first, last = max(0, stop.first - 1), min(len(a.score.measures) - 1, stop.last + 1)
        spans = _spans(a, first, last)
        if event is None or len(spans) < 3:
            continue
        alike = [e for e in a.reading.events if (e.kind, e.label) == (event.kind, event.label) and is_sure(e)]
        right = tuple(
            k
            for k, span in enumerate(spans)
            if any(event.start < span.end and event.end > span.start for event in alike)
        )
        # Only a chord with a note from outside the key can be told by its notes, among chords without.
        if not right or any(_is_altered(span) != (k in right) for k, span in enumerate(spans)):
            continue
        chord = spans[right[0]].numeral
        told = stop.say.get(a.level, "").partition("\n\n")[0]
        yield Task(
            _bar_id(a.score, "chord", event.start),
            "place",
            a.title(event),
            first,
            last,
            a.words("device", bars=a.bars(first, last), title=a.title(event)),
            a.words("is_there", place=a.place(event.start), chord=f"⟨{chord}⟩", answer=told).strip(),
            hears=(first, last),
            spots=tuple((a.place(span.start), _sounding_ids(a.score, span)) for span in spans),
            right=right,
            why_not=tuple(
                ""
                if k in right
                else a.words("not_there", chord=f"⟨{span.numeral}⟩", key=key_name(span.key, a.book.language))
                for k, span in enumerate(spans)
            ),
        )


def _is_altered(span: Span) -> bool:
    return not set(span.numeral.chord(span.key).members) <= in_key(span.key)


def _spans(a: _Asking, first: int, last: int) -> list[Span]:
    start, end = a.score.measures[first].start, a.score.measures[last].end
    return [span for span in a.reading.spans if span.start < end and span.end > start]


def _sounding_ids(score: Score, span: Span) -> tuple[str, ...]:
    """The ids of the notes that begin within a chord."""
    return tuple(i for note in score.notes if span.start <= note.onset < span.end for i in note.ids)


def _bar_heard(a: _Asking, stops: Sequence[Stop]) -> Task | None:
    """One of the bars around the first stop that has four different ones around it."""
    bars = len(a.score.measures)
    for stop in stops:
        first = max(0, min(stop.first, bars - _WINDOW))
        last = min(bars - 1, first + _WINDOW - 1)
        shapes = [_shape(a.score, k) for k in range(first, last + 1)]
        if len(set(shapes)) < 3 or not all(shapes):
            continue
        target = first + crc32(stop.id.encode()) % len(shapes)
        right = tuple(first + k for k, shape in enumerate(shapes) if shape == shapes[target - first])
        return Task(
            _bar_id(a.score, "bar", a.score.measures[target].start),
            "bar",
            a.words("device_hearing"),
            first,
            last,
            a.words("heard", bars=a.bars(first, last)),
            a.words("was_bar", bars=a.book.join([a.bars(k, k) for k in right])),
            hears=(target, target),
            right=right,
        )
    return None


def _shape(score: Score, bar: int) -> tuple[tuple[Fraction, Fraction, int], ...]:
    """What sounds in a bar, counted from its start."""
    measure = score.measures[bar]
    inside = [note for note in score.notes if note.onset < measure.end and note.end > measure.start]
    return tuple(
        sorted(
            (
                max(note.onset, measure.start) - measure.start,
                min(note.end, measure.end) - measure.start,
                note.midi,
            )
            for note in inside
        )
    )


# --- type ------------------------------------------------------------------------------------------------


def _typed(a: _Asking, exercise: Exercise) -> Task | None:
    span = a.reading.span_at(exercise.start)
    if span is None:
        return None
    chord = span.numeral.chord(span.key)
    language = a.book.language
    common = {
        "way": "type",
        "device": a.device(exercise.start),
        "first": exercise.first,
        "last": exercise.last,
        "reason": exercise.answer(a.score, language),
        "marked": exercise.marked,
        "hears": (exercise.first, exercise.last),
    }
    if a.level == "beginner":
        return Task(
            _bar_id(a.score, "root", exercise.start),
            prompt=a.words("root", place=a.place(exercise.start)),
            sign="note",
            accepted=note_texts(chord.root, language),
            **common,  # type: ignore[arg-type]
        )
    accepted, nearly = numeral_texts(span.numeral, span.key, language)
    return Task(
        _bar_id(a.score, "numeral", exercise.start),
        prompt=a.words("numeral", place=a.place(exercise.start), key=key_name(span.key, language)),
        sign="numeral",
        accepted=accepted,
        nearly=nearly,
        **common,  # type: ignore[arg-type]
    )


def note_texts(note: PitchClass, language: Language) -> tuple[str, ...]:
    """Return how a note may be typed where a language is spoken, as `plain` makes it."""
    texts = [note.name, *(pitch_class_name(note, other) for other in LANGUAGES)]
    return tuple(dict.fromkeys(plain(t, "note") for t in texts if _means(t, language) in (note, None)))


def _means(text: str, language: Language) -> PitchClass | None:
    try:
        return parse_pitch_class(text, language)
    except UnderstaveError:
        return None


_HEADS = [h for n in ("I", "II", "III", "IV", "V", "VI", "VII") for h in (n, n.lower())]
_DEGREES = {"": 0, **{head: k // 2 for k, head in enumerate(_HEADS)}}
"""Steps above the tonic."""
_FIGURES: Mapping[bool, tuple[str, ...]] = {
    True: ("7", "65", "43", "42", "2"),
    False: ("", "53", "6", "63", "64"),
}
_TARGETS = ("", *(f"/{h}" for h in ("ii", "iii", "III", "IV", "iv", "V", "v", "vi", "VI", "VII")))
_SPECIAL = ("N", "N6", "It6", "It", "Fr43", "Fr", "Ger65", "Ger", "Cad64")
_FUNCTIONS = (
    "T",
    "S",
    "D",
    "t",
    "s",
    "d",
    "Tp",
    "Sp",
    "Dp",
    "tP",
    "sP",
    "dP",
    "DD",
    "D7",
    "DD7",
    "s6",
    "S6",
    "D64",
)


def numeral_texts(
    numeral: RomanNumeral, key: Key, language: Language
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the texts that name a chord in a key, and those that name it with another bass.

    They are read by what reads the teacher's entries (`harmony.typed`), so that both accept the same.
    """
    chord = numeral.chord(key)
    german: tuple[Entry, ...] = ("german",) if language == "de" else ()
    entries = dict.fromkeys((usual_entry(), *german))
    accepted: dict[str, None] = {plain(str(numeral)): None}
    nearly: dict[str, None] = {}
    for text in _candidates(chord, key):
        meant = [_read(text, key, entry) for entry in entries]
        for found in meant:
            if found is None or set(found.members) != set(chord.members):
                continue
            (accepted if found.bass == chord.bass else nearly)[plain(text)] = None
    return tuple(accepted), tuple(t for t in nearly if t not in accepted)


def _candidates(chord: Chord, key: Key) -> Iterator[str]:
    """Yield texts that could name a chord; of numerals those whose root has its letter, since members in
    thirds have one root by their letters.
    """
    tall = len(chord.members) > 3
    degree = LETTERS.index(chord.root.letter) - LETTERS.index(key.tonic.letter)
    yield from _SPECIAL
    yield from _FUNCTIONS
    for bend, head, figures, target in product(("", "b", "#"), _HEADS, _FIGURES[tall], _TARGETS):
        if (_DEGREES[head] + _DEGREES[target.removeprefix("/")] - degree) % 7 == 0:
            for sign in ("", "o", "ø") if head.islower() else ("", "+"):
                yield f"{bend}{head}{sign}{figures}{target}"
    names = dict.fromkeys([chord.root.name, pitch_class_name(chord.root, "de")])
    lows = dict.fromkeys(
        ["", *(f"/{n}" for tone in chord.members for n in (tone.name, pitch_class_name(tone, "de")))]
    )
    for root, suffix, low in product(names, SUFFIXES.get(chord.quality, ()), lows):
        yield f"{root}{suffix}{low}"


def _read(text: str, key: Key, entry: Entry) -> Chord | None:
    return _read_with(text, key, entry, current())


@lru_cache(maxsize=32768)
def _read_with(text: str, key: Key, entry: Entry, how: Conventions) -> Chord | None:
    """Read a text under the conventions in force, `how`; a key has the same candidates at every question."""
    del how
    try:
        numerals = typed_chords(text, key, entry).numerals
        return numerals[0].chord(key) if len(numerals) == 1 else None
    except (UnderstaveError, ValueError):
        return None


# --- play ------------------------------------------------------------------------------------------------


def _played(a: _Asking, exercise: Exercise, details: ChordToSpell) -> Task:
    low = a.level != "beginner"
    language = a.book.language
    prompt = (
        a.words("play", chord=f"⟨{details.chord}⟩", key=key_name(details.key, language))
        if low
        else a.words(
            "play_root",
            root=pitch_class_name(details.root, language),
            kind=quality_name(details.quality, language),
        )
    )
    semitones = tuple(dict.fromkeys(pitch.pitch_class.semitone for pitch in exercise.notes))
    return Task(
        _bar_id(a.score, "play", exercise.start),
        "play",
        a.device(exercise.start),
        exercise.first,
        exercise.last,
        prompt,
        exercise.answer(a.score, language),
        keys=semitones,
        low=low,
    )


def key_names(language: Language) -> tuple[str, ...]:
    """Return the names of the twelve keys of a keyboard, from C."""
    naturals = {0: "C", 2: "D", 4: "E", 5: "F", 7: "G", 9: "A", 11: "B"}
    names = []
    for k in range(12):
        if k in naturals:
            spelled = [PitchClass.parse(naturals[k])]
        else:
            spelled = [PitchClass.parse(f"{naturals[k - 1]}#"), PitchClass.parse(f"{naturals[k + 1]}b")]
        names.append(" / ".join(raised(pitch_class_name(tone, language)) for tone in spelled))
    return tuple(names)
