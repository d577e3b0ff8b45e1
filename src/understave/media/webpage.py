"""A score, its reading and its plan as the values of a lesson page.

In: a Score, its Reading, a Plan and what the teacher chose. Out: an `media.page.Page`, with the
whole piece and every contrast as sound. Texts come from `story` and `understave.wording`.
"""

from __future__ import annotations

import json
from base64 import b64encode
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np

from understave.acoustics.files import RATE, STEADY_RATE, Samples, common_gain, resample
from understave.acoustics.performance import Performance
from understave.acoustics.piano import GRAND, Instrument, instruments
from understave.acoustics.tags import Tags, tags_of
from understave.engraving import Options, excerpt
from understave.engraving.palette import Function, colour_of, function_of
from understave.harmony.reading import Reading, Span
from understave.interpretation.perform import Clock, clock, perform
from understave.interpretation.plan import Plan
from understave.interpretation.planning import PlanOptions, make_plan
from understave.interpretation.tension import curve
from understave.media.page import (
    Bar,
    Contrast,
    Homework,
    KeyStretch,
    Label,
    Layout,
    LegendEntry,
    NamedSound,
    Numeral,
    Page,
    Passage,
    Playing,
    Question,
    Side,
    Sound,
    Stop,
    Term,
)
from understave.media.small_sounds import small_mp3, small_sound
from understave.media.teacher_voice import voice_over
from understave.score.model import Score
from understave.takes import Take
from understave.takes.views import Excerpt, excerpt_of
from understave.teaching import story
from understave.teaching.contrasts import Contrast as Heard
from understave.teaching.homework import Task, homework_id, key_names
from understave.teaching.narrative import after_minute, narrate
from understave.teaching.sound_contrasts import all_contrasts
from understave.teaching.stops import Stop as Pause
from understave.teaching.stops import contrast_name, propose_stops
from understave.theory.chord_symbol import chord_symbol
from understave.theory.conventions import key_label, symbol_text, written
from understave.theory.vocabulary import Language
from understave.wording import Level, Phrasebook, phrasebook
from understave.wording.gaps import place
from understave.wording.numerals import numeral_table
from understave.wording.telling import key_sentence

WIDTHS = (180.0, 125.0, 88.0)
"""Millimetres for which the score is engraved: a large screen, a tablet or larger print, a phone."""
_EXCERPT_WIDTH = 112.0
_WHOLE = ("block chords", "bass", "melody", "pedal", "piano")
"""Contrasts in which nearly every note differs, so that marking those would tell nothing."""
_SHORTEST_LIGHT = 0.12
"""Seconds that a note lights up at least, so that the eye can catch it."""
_FADE = 0.2
"""Seconds in which a sound is faded out after it can be heard no more; set by ear."""


@dataclass(frozen=True, slots=True)
class PageOptions:
    """What the teacher chose: `level` and `language` of the words, the `instrument`, whether there is
    `sound`; how many `contrasts` at most, and the `minutes` of the lesson, where these are to be proposed.
    """

    level: Level = "intermediate"
    language: Language = "en"
    instrument: Instrument = GRAND
    sound: bool = True
    contrasts: int = 8
    minutes: float = 15


@dataclass(frozen=True, slots=True)
class Ready:
    """Pieces of a page made before: `contrasts` in the order of those heard; `pictures`, `voices` (the
    teacher's recordings) and `own` (the bars as the teacher plays them) by stop id; `playing` shows them.
    """

    layouts: tuple[Layout, ...] = ()
    sound: Sound | None = None
    contrasts: tuple[Contrast, ...] = ()
    pictures: Mapping[str, str] = field(default_factory=dict)
    voices: Mapping[str, bytes] = field(default_factory=dict)
    own: Mapping[str, Sound] = field(default_factory=dict)
    playing: Playing | None = None


def make_page(  # noqa: PLR0913
    score: Score,
    reading: Reading,
    plan: Plan,
    source_name: str,
    options: PageOptions = PageOptions(),
    on_step: Callable[[str], None] = lambda _: None,
    *,
    stops: Sequence[Pause] | None = None,
    heard: Sequence[Heard] | None = None,
    tasks: Sequence[Task] = (),
    ready: Ready = Ready(),
) -> Page:
    """Return the lesson page of a piece; `on_step` hears in a few words what is being done.

    `stops` and `heard` are the teacher's choice of places to pause and contrasts; None takes those proposed.
    `tasks` are the questions for students; `ready` has what was made before.
    """
    book = phrasebook(options.language)
    layouts = ready.layouts
    if not layouts:
        on_step("page: engraving for screens")
        layouts = tuple(layout(score, reading, plan, width, options.language) for width in WIDTHS)
    time = clock(score, plan)
    sound = ready.sound
    if options.sound and sound is None:
        on_step("page: playing the piece")
        sound = piece_sound(score, plan, options.instrument)
    if heard is None:
        heard = all_contrasts(score, reading, options.contrasts, options.instrument)
    if not options.sound:
        heard = ()
    if stops is None:
        stops = propose_stops(
            score,
            reading,
            plan,
            minutes=options.minutes,
            level=options.level,
            language=options.language,
            heard=heard,
        )
    on_step("page: engraving the stops")
    pauses = tuple(
        _voiced(
            _played(
                _stop(score, reading, plan, one, heard, options, ready.pictures.get(one.id)),
                ready.own.get(one.id),
                book,
            ),
            ready.voices.get(one.id),
            book,
        )
        for one in stops
    )
    sides = list(ready.contrasts)
    for number, one in enumerate(heard[len(sides) :], start=len(sides) + 1):
        on_step(f"page: contrast {number} of {len(heard)}")
        sides.append(contrast_sides(score, one, options))
    minute, five = (
        narrate(score, reading, name, options.level, options.language) for name in ("minute", "five")
    )
    told = [Passage(chapter.bars, chapter.text) for chapter in after_minute(minute, five)]
    texts = [
        t for stop in pauses for t in (stop.heading, *stop.words, stop.question, stop.answer, stop.suggestion)
    ]
    texts += [contrast.listen for contrast in sides] + [chapter.text for chapter in (*minute, *five)]
    glossary = tuple(Term(gloss.term, gloss.meaning) for gloss in story.glossary(texts, book))
    labels = tuple(
        Label(time.at(span.start), time.at(span.end), story.label(span, book)) for span in reading.spans
    )
    texts += [x.words for x in labels] + [term.meaning for term in glossary]
    texts += [t for one in tasks for t in (one.prompt, one.reason, *one.choices, *one.why_not)]
    phrases = book.phrases
    return Page(
        title=score.title,
        composer=score.composer or phrases["unknown_composer"],
        language=options.language,
        layouts=layouts,
        bars=_bars(score, reading, time),
        summary=" ".join(chapter.text for chapter in minute) or key_sentence(score, reading, book),
        sound=sound,
        labels=labels,
        keys=tuple(
            KeyStretch(
                key_label(stretch.key, options.language),
                story.short_key(stretch.key, options.language),
                time.at(stretch.start),
                time.at(stretch.end),
            )
            for stretch in story.key_plan(score, reading)
        ),
        tension=tuple((time.at(moment), value) for moment, value in curve(plan.tension)),
        legend=_legend(reading, book),
        stops=pauses,
        contrasts=tuple(sides),
        minutes=options.minutes,
        story=tuple(told),
        glossary=glossary,
        homework=_homework(tasks, options.language) if tasks else None,
        numerals={mark: Numeral(**set_as) for mark, set_as in numeral_table(" ".join(texts)).items()},
        playing=ready.playing,
        credits=(
            phrases["credit"].format(file=source_name),
            *((phrases["page_sound"],) if options.sound else ()),
            phrases["copyright"],
        ),
        cautions=((phrases["caution_loud"],) if options.sound else ()) + (phrases["caution_practice"],),
    )


# --- sound -----------------------------------------------------------------------------------------------


def piece_sound(score: Score, plan: Plan, instrument: Instrument = GRAND) -> Sound:
    """Return the whole piece as the plan plays it."""
    performance = perform(score, plan)
    return _encoded(score, performance, small_sound(performance, instrument), None, tags_of(score))


def own_sound(score: Score, take: Take, first: int, last: int, instrument: Instrument = GRAND) -> Sound:
    """Return bars `first` to `last` (indexes, both included) as somebody played them, the notes lit in their
    time.

    Raises TakeError where the take does not hold these bars in one go, or its bars cannot be told.
    """
    own = excerpt_of(score, take, first, last)
    samples = _own_samples(own, instrument)
    bars = f"{score.measures[first].number}-{score.measures[last].number}"
    return _encoded(score, own.performance, samples, None, tags_of(score, bars))


def _own_samples(own: Excerpt, instrument: Instrument) -> Samples:
    """What somebody played, as the page has it: keys on an instrument, sound as it was recorded."""
    if own.sound is None:
        return small_sound(own.performance, instrument)
    return resample(own.sound, RATE, STEADY_RATE)


@lru_cache(maxsize=3)
def _side(performance: Performance, instrument: Instrument) -> Samples:
    """Return the sound of one side of a contrast, not to be changed: several contrasts of the same bars are
    heard against the same sound, which is rendered once.
    """
    sound = small_sound(performance, instrument)
    sound.flags.writeable = False
    return sound


def _level(samples: Samples, seconds: float) -> float:
    """Return the root mean square of a sound over its first seconds, so that what rings on does not count."""
    return float(np.sqrt(np.mean(np.square(samples[: round(seconds * STEADY_RATE)], dtype=np.float64))))


def _encoded(
    score: Score, performance: Performance, samples: Samples, gain: float | None, tags: Tags
) -> Sound:
    """A small sound without the silence at its end, which makes a page that still travels by mail."""
    shone = lights(score, performance)
    together = _until_quiet(samples, round(STEADY_RATE * max((end for _, _, end in shone), default=0.0)))
    data = small_mp3(together, tags, gain)
    return Sound(data, "audio/mpeg", len(together) / STEADY_RATE, shone)


def _until_quiet(heard: Samples, least: int) -> Samples:
    """Return mono sound without what lies 60 dB under its loudest moment at its end, faded out; of `least`
    frames at least.
    """
    size = np.abs(heard)
    audible = np.flatnonzero(size > np.max(size, initial=0.0) * 1e-3)
    last = max(least, int(audible[-1]) + 1 if audible.size else 0)
    fade = np.linspace(1, 0, round(STEADY_RATE * _FADE), dtype=np.float32)
    kept = np.array(heard[: last + fade.size], np.float32)
    tail = kept[last:]
    tail *= fade[: tail.size]
    return kept


def lights(score: Score, performance: Performance) -> tuple[tuple[str, float, float], ...]:
    """Return (note id, start, end) in seconds for every written note that sounds, tied continuations too."""
    spans: dict[str, tuple[float, float]] = {}
    for strike in performance.strikes:
        start, end = spans.get(strike.note, (strike.start, strike.end))
        spans[strike.note] = min(start, strike.start), max(end, strike.end)
    rows = []
    for i, (start, end) in spans.items():
        note = score.note_by_id.get(i)
        ids = note.ids if note is not None else ()
        rows += [(one, start, max(end, start + _SHORTEST_LIGHT)) for one in ids]
    return tuple(sorted(rows, key=lambda row: (row[1], row[0])))


def contrast_sides(score: Score, one: Heard, options: PageOptions, own: Excerpt | None = None) -> Contrast:
    """Return a contrast for the page: both sides engraved and sounded with one gain.

    With `own` what is written sounds as somebody played it, as loud as the instrument has it; what it is
    held against stays the instrument's.
    """
    book = phrasebook(options.language)
    written = f"page_written_{one.label}"
    sides = (
        (
            book.phrases.get(written, book.phrases["page_written"]),
            one.written,
            one.written_reading,
            one.differs,
        ),
        (_phrase(book, "other", one.label), one.other, one.other_reading, one.changed),
    )
    wishes = PlanOptions(instrument=options.instrument)
    plans = [
        plan if way.pedal is None else replace(plan, pedal=way.pedal)
        for plan, way in zip(
            (make_plan(score, reading, wishes) for _, score, reading, _ in sides), one.ways, strict=True
        )
    ]
    played = [perform(score, plan) for (_, score, _, _), plan in zip(sides, plans, strict=True)]
    pianos = [instruments().get(way.piano, options.instrument) for way in one.ways]
    sounds = [_side(performance, piano) for performance, piano in zip(played, pianos, strict=True)]
    names = [name for name, *_ in sides]
    lasting = [clock(score, plan).seconds[-1] for (_, score, _, _), plan in zip(sides, plans, strict=True)]
    if own is not None:
        # How loud it was recorded tells nothing.
        wanted, samples = _level(sounds[0], lasting[0]), _own_samples(own, pianos[0])
        names[0], played[0], lasting[0] = book.phrases["own_playing"], own.performance, own.clock.seconds[-1]
        sounds[0] = samples * np.float32(wanted / max(_level(samples, lasting[0]), 1e-6))
    gain = common_gain(sounds)
    pedalled = any(way.pedal is not None for way in one.ways)
    drawn = Options(language=options.language, legend=False, tension=False, dynamics=False)
    first, last = (score.measures[i].number for i in (one.first, one.last))
    bars = book.bars(first, last)
    return Contrast(
        heading=_phrase(book, "contrast", one.label),
        place=bars,
        listen=one.words(score, options.level, options.language),
        sides=tuple(
            Side(
                name,
                excerpt(
                    s,
                    reading,
                    0,
                    len(s.measures) - 1,
                    highlight=() if one.label in _WHOLE else marked,
                    options=drawn,
                    width_mm=_EXCERPT_WIDTH,
                    plan=plan if pedalled else None,
                ),
                _encoded(s, performance, samples, gain, tags_of(score, bars, name)),
                lasts,
            )
            for name, (_, s, reading, marked), plan, performance, samples, lasts in zip(
                names, sides, plans, played, sounds, lasting, strict=True
            )
        ),
    )


def _phrase(book: Phrasebook, what: str, label: str) -> str:
    return book.phrases[f"page_{what}_{label.replace(' ', '_')}"]


# --- words and pictures ----------------------------------------------------------------------------------


def layout(score: Score, reading: Reading, plan: Plan, width: float, language: Language) -> Layout:
    """Return the whole piece engraved for a width in millimetres."""
    drawn = Options(language=language, legend=False)
    last = len(score.measures) - 1
    return Layout(width, (excerpt(score, reading, 0, last, options=drawn, width_mm=width, plan=plan),))


def stop_picture(score: Score, reading: Reading, plan: Plan, one: Pause, language: Language) -> str:
    """Return a stop's bars engraved (SVG), the notes in question marked."""
    return excerpt(
        score,
        reading,
        one.first,
        one.last,
        highlight=one.notes,
        options=Options(language=language, legend=False),
        width_mm=_EXCERPT_WIDTH,
        plan=plan,
    )


def _stop(  # noqa: PLR0913
    score: Score,
    reading: Reading,
    plan: Plan,
    one: Pause,
    heard: Sequence[Heard],
    options: PageOptions,
    picture: str | None = None,
) -> Stop:
    book = phrasebook(options.language)
    where = place(score, one.moment, book)
    return Stop(
        first=one.first,
        last=one.last,
        place=where[0].upper() + where[1:],
        heading=one.title,
        words=tuple(p for p in (*one.say[options.level].split("\n\n"), one.elsewhere) if p),
        question=one.question,
        answer=one.answer,
        suggestion=one.play,
        excerpt=picture or stop_picture(score, reading, plan, one, options.language),
        contrasts=tuple(k for k, contrast in enumerate(heard) if contrast_name(score, contrast) in one.hear),
        struck=struck(score, one.first, one.last),
        seconds=one.seconds,
    )


def _played(stop: Stop, sound: Sound | None, book: Phrasebook) -> Stop:
    """Add the bars of a stop as the teacher plays them."""
    if sound is None:
        return stop
    return replace(stop, sounds=(*stop.sounds, NamedSound(book.phrases["own_playing"], sound)))


def _voiced(stop: Stop, recording: bytes | None, book: Phrasebook) -> Stop:
    """Add what the teacher has recorded for a stop, captioned with what is said there."""
    if recording is None:
        return stop
    voice = voice_over(recording, f"The recording for “{story.plain(stop.heading)}”", stop.words)
    sound = Sound(voice.data, "audio/mpeg", voice.length)
    return replace(
        stop, sounds=(*stop.sounds, NamedSound(book.phrases["teacher_voice"], sound, voice.captions))
    )


def struck(score: Score, first: int, last: int) -> tuple[tuple[str, float, float], ...]:
    """Return (note id, start, end) in quarter notes of every written note that sounds in some bars."""
    begin, stop = score.measures[first].start, score.measures[last].end
    inside = [note for note in score.notes if note.onset < stop and (note.end > begin or note.onset >= begin)]
    return tuple((one, note.at, note.until) for note in inside for one in note.ids)


def _homework(tasks: Sequence[Task], language: Language) -> Homework:
    def sealed(one: Task) -> str:
        answers = {
            "right": one.right,
            "accepted": one.accepted,
            "nearly": one.nearly,
            "keys": one.keys,
            "low": one.low,
            "whyNot": one.why_not,
            "reason": one.reason,
        }
        return b64encode(json.dumps(answers, ensure_ascii=False).encode()).decode("ascii")

    questions = tuple(
        Question(
            t.id,
            t.way,
            t.first,
            t.last,
            t.prompt,
            sealed(t),
            t.marked,
            t.hears,
            t.choices,
            t.spots,
            t.sign,
        )
        for t in tasks
    )
    return Homework(homework_id(tasks), questions, key_names(language))


def _bars(score: Score, reading: Reading, time: Clock) -> tuple[Bar, ...]:
    bars = []
    for measure in score.measures:
        here = [span for span in reading.spans if span.start < measure.end and span.end > measure.start]
        words = ", ".join(dict.fromkeys(_spoken(span) for span in here))
        bars.append(Bar(measure.id, measure.number, time.at(measure.start), time.at(measure.end), words))
    return tuple(bars)


def _spoken(span: Span) -> str:
    if not span.in_a_key:
        return symbol_text(chord_symbol(span.numeral.chord(span.key)))
    head, figures, target = written(span.numeral, span.key.mode).flat
    return " ".join([head, *figures]) + target


def _legend(reading: Reading, book: Phrasebook) -> tuple[LegendEntry, ...]:
    used = {function_of(span.numeral) for span in reading.spans if span.in_a_key}
    named = (Function.TONIC, Function.PREDOMINANT, Function.DOMINANT, Function.APPLIED)
    return tuple(
        LegendEntry(book.phrases[f"page_colour_{function.value}"], colour_of(function))
        for function in named
        if function in used
    )
