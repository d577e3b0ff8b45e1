"""A score, its reading and its plan as the values of a lesson page.

In: a Score, its Reading, a Plan and what the teacher chose. Out: an `export.page.Page`, with the
whole piece and every contrast as sound. Texts come from `story` and `understave.wording`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from fractions import Fraction

from understave.acoustics.files import Samples, audio_bytes, common_gain
from understave.acoustics.performance import Performance
from understave.acoustics.piano import GRAND, Instrument
from understave.acoustics.sound import render
from understave.engraving import Options, excerpt
from understave.engraving.palette import Function, colour_of, function_of
from understave.export.page import (
    Bar,
    Contrast,
    KeyStretch,
    Label,
    Layout,
    LegendEntry,
    Numeral,
    Page,
    Passage,
    Side,
    Sound,
    Stop,
    Term,
)
from understave.harmony.reading import Reading, Span
from understave.interpretation.make import make_plan
from understave.interpretation.perform import Clock, clock, perform
from understave.interpretation.plan import Plan
from understave.interpretation.tension import curve
from understave.lesson import story
from understave.lesson.contrasts import Contrast as Heard
from understave.lesson.contrasts import contrasts
from understave.score.model import Score
from understave.theory.names import key_name, pitch_class_name
from understave.theory.roman import RomanNumeral
from understave.theory.vocabulary import Language
from understave.wording import Level, Phrasebook, phrasebook, tell
from understave.wording.gaps import place
from understave.wording.numerals import chord_words
from understave.wording.playing import tell_plan
from understave.wording.telling import key_sentence

WIDTHS = (180.0, 125.0, 88.0)
"""Millimetres for which the score is engraved: a large screen, a tablet or larger print, a phone."""
_EXCERPT_WIDTH = 112.0
_WHOLE = ("block chords", "bass", "melody")
"""Contrasts in which nearly every note differs, so that marking those would tell nothing."""
_RATE = 44_100
_SHORTEST_LIGHT = 0.12
"""Seconds that a note lights up at least, so that the eye can catch it."""


@dataclass(frozen=True, slots=True)
class PageOptions:
    """What the teacher chose: `level` and `language` of the words, the `instrument`, whether there is
    `sound`, and how many `contrasts` at most.
    """

    level: Level = "intermediate"
    language: Language = "en"
    instrument: Instrument = GRAND
    sound: bool = True
    contrasts: int = 8


def make_page(
    score: Score,
    reading: Reading,
    plan: Plan,
    source_name: str,
    options: PageOptions = PageOptions(),
    on_step: Callable[[str], None] = lambda _: None,
) -> Page:
    """Return the lesson page of a piece; `on_step` hears in a few words what is being done."""
    book = phrasebook(options.language)
    drawn = Options(language=options.language, legend=False)
    last = len(score.measures) - 1
    on_step("page: engraving for screens")
    layouts = tuple(
        Layout(w, (excerpt(score, reading, 0, last, options=drawn, width_mm=w, plan=plan),)) for w in WIDTHS
    )
    time = clock(score, plan)
    sound = None
    if options.sound:
        on_step("page: playing the piece")
        sound = _sound(score, perform(score, plan), options.instrument)
    stops = _stops(score, reading, plan, options, on_step)
    heard = contrasts(score, reading, options.contrasts) if options.sound else ()
    sides = []
    for number, one in enumerate(heard, start=1):
        on_step(f"page: contrast {number} of {len(heard)}")
        sides.append(_contrast(score, one, options))
    told = [Passage(p.heading, p.text) for p in tell(score, reading, options.level, options.language)]
    texts = [t for s in stops for t in (s.heading, *s.words, s.question, s.answer, s.suggestion)]
    texts += [c.listen for c in sides] + [p.text for p in told]
    glossary = tuple(Term(g.term, g.meaning) for g in story.glossary(texts, book))
    labels = tuple(Label(time.at(s.start), time.at(s.end), story.label(s, book)) for s in reading.spans)
    texts += [x.words for x in labels] + [g.meaning for g in glossary]
    phrases = book.phrases
    return Page(
        title=score.title,
        composer=score.composer or phrases["unknown_composer"],
        language=options.language,
        layouts=layouts,
        bars=_bars(score, reading, time),
        summary=key_sentence(score, reading, book),
        sound=sound,
        labels=labels,
        keys=tuple(
            KeyStretch(
                key_name(k.key, options.language),
                story.short_key(k.key, options.language),
                time.at(k.start),
                time.at(k.end),
            )
            for k in story.key_plan(score, reading)
        ),
        tension=tuple((time.at(moment), value) for moment, value in curve(plan.tension)),
        legend=_legend(reading, book),
        stops=stops,
        contrasts=tuple(sides),
        story=tuple(told),
        glossary=glossary,
        numerals=_numerals(texts),
        credits=(
            phrases["credit"].format(file=source_name),
            *((phrases["page_sound"],) if options.sound else ()),
            phrases["copyright"],
        ),
        cautions=(phrases["caution_loud"], phrases["caution_practice"]) if options.sound else (),
    )


# --- sound -----------------------------------------------------------------------------------------------


def _sound(score: Score, performance: Performance, instrument: Instrument) -> Sound:
    return _encoded(score, performance, render(performance, instrument, _RATE), None)


def _encoded(score: Score, performance: Performance, samples: Samples, gain: float | None) -> Sound:
    """MP3, which every browser plays; at one bit rate, so that a click lands on its note."""
    data = audio_bytes(".mp3", samples, _RATE, gain=gain, steady=True)
    return Sound(data, "audio/mpeg", len(samples) / _RATE, lights(score, performance))


def lights(score: Score, performance: Performance) -> tuple[tuple[str, float, float], ...]:
    """Return (note id, start, end) in seconds for every written note that sounds, tied continuations too."""
    spans: dict[str, tuple[float, float]] = {}
    for s in performance.strikes:
        start, end = spans.get(s.note, (s.start, s.end))
        spans[s.note] = min(start, s.start), max(end, s.end)
    rows = []
    for i, (start, end) in spans.items():
        note = score.note_by_id.get(i)
        ids = note.ids if note is not None else ()
        rows += [(one, start, max(end, start + _SHORTEST_LIGHT)) for one in ids]
    return tuple(sorted(rows, key=lambda row: (row[1], row[0])))


def _contrast(score: Score, one: Heard, options: PageOptions) -> Contrast:
    book = phrasebook(options.language)
    sides = (
        (book.phrases["page_written"], one.written, one.written_reading, one.differs),
        (_phrase(book, "other", one.label), one.other, one.other_reading, one.changed),
    )
    played = [perform(s, make_plan(s, reading)) for _, s, reading, _ in sides]
    sounds = [render(p, options.instrument, _RATE) for p in played]
    gain = common_gain(sounds)
    drawn = Options(language=options.language, legend=False)
    first, last = (score.measures[i].number for i in (one.first, one.last))
    return Contrast(
        heading=_phrase(book, "contrast", one.label),
        place=book.bars(first, last),
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
                ),
                _encoded(s, p, samples, gain),
            )
            for (name, s, reading, marked), p, samples in zip(sides, played, sounds, strict=True)
        ),
    )


def _phrase(book: Phrasebook, what: str, label: str) -> str:
    return book.phrases[f"page_{what}_{label.replace(' ', '_')}"]


# --- words and pictures ----------------------------------------------------------------------------------


def _stops(
    score: Score, reading: Reading, plan: Plan, options: PageOptions, on_step: Callable[[str], None]
) -> tuple[Stop, ...]:
    book = phrasebook(options.language)
    points = story.points(score, reading, options.language)
    found = []
    for number, point in enumerate(points, start=1):
        on_step(f"page: stop {number} of {len(points)}")
        span = point.span
        at = score.measure_at(span.start).index
        first, last = max(0, at - 1), min(at + 1, len(score.measures) - 1)
        stretch = (score.measures[at].start, score.measures[at].end)
        question, answer = _question(span, book)
        drawn = Options(language=options.language, legend=False)
        found.append(
            Stop(
                first=first,
                last=last,
                place=point.place[0].upper() + point.place[1:],
                heading=point.heading,
                words=_said(score, reading, span, stretch, options),
                question=question,
                answer=answer,
                suggestion=_advice(score, plan, stretch, options),
                excerpt=excerpt(
                    score,
                    reading,
                    first,
                    last,
                    highlight=span.notes,
                    options=drawn,
                    width_mm=_EXCERPT_WIDTH,
                    plan=plan,
                ),
            )
        )
    return tuple(found)


def _question(span: Span, book: Phrasebook) -> tuple[str, str]:
    """Ask for what is foreign to the key in the chord, or for its notes."""
    chord = span.numeral.chord(span.key)
    key = key_name(span.key, book.language)
    outside = [pitch_class_name(m, book.language) for m in story.foreign_to_key(span)]
    if outside:
        form = book.phrases["point_outside_many" if len(outside) > 1 else "point_outside_one"]
        answer = form.format(notes=book.join(outside), key=key)
        return book.phrases["page_question_outside"].format(key=key), answer[0].upper() + answer[1:]
    members = book.join([pitch_class_name(m, book.language) for m in chord.members])
    bass = pitch_class_name(chord.bass, book.language)
    return book.phrases["page_question_spell"], book.phrases["point_notes"].format(members=members, bass=bass)


def _said(
    score: Score, reading: Reading, span: Span, stretch: tuple[Fraction, Fraction], options: PageOptions
) -> tuple[str, ...]:
    book = phrasebook(options.language)
    following = next((s for s in reading.spans if s.start == span.end), None)
    sentences = [book.phrases["point_words"].format(words=chord_words(span.numeral, book))]
    if following:
        sentences.append(book.phrases["point_next"].format(next=story.label(following, book)))
    around = tell(score, reading, options.level, options.language, bars=stretch)
    told = [s.text for p in around for s in p.sentences][:3]
    return tuple(" ".join(s) for s in (sentences, told) if s)


def _advice(score: Score, plan: Plan, stretch: tuple[Fraction, Fraction], options: PageOptions) -> str:
    """What the plan asks for in a bar and why, in at most three sentences; tension is no instruction."""
    advice = tell_plan(score, plan, options.level, options.language, stretch)
    book = phrasebook(options.language)
    chosen = sorted((a for a in advice if a.aspect != "tension"), key=lambda a: not a.why)[:3]
    sentences = []
    for a in sorted(chosen, key=lambda a: a.moment):
        where = place(score, a.moment, book)
        sentences.append(f"{where[0].upper()}{where[1:]}: {a.what}.{' ' + a.why if a.why else ''}")
    return " ".join(sentences)


def _bars(score: Score, reading: Reading, time: Clock) -> tuple[Bar, ...]:
    bars = []
    for m in score.measures:
        here = [s.numeral for s in reading.spans if s.start < m.end and s.end > m.start]
        words = ", ".join(dict.fromkeys(_spoken(n) for n in here))
        bars.append(Bar(m.id, m.number, time.at(m.start), time.at(m.end), words))
    return tuple(bars)


def _spoken(numeral: RomanNumeral) -> str:
    return " ".join([numeral.head, *numeral.figures]) + numeral.target


def _legend(reading: Reading, book: Phrasebook) -> tuple[LegendEntry, ...]:
    used = {function_of(s.numeral) for s in reading.spans}
    named = (Function.TONIC, Function.PREDOMINANT, Function.DOMINANT, Function.APPLIED)
    return tuple(
        LegendEntry(book.phrases[f"page_colour_{f.value}"], colour_of(f)) for f in named if f in used
    )


def _numerals(texts: Iterable[str]) -> dict[str, Numeral]:
    found: dict[str, Numeral] = {}
    for mark in sorted({m for t in texts for m in re.findall("⟨[^⟩]*⟩", t)}):
        numeral = RomanNumeral.parse(story.plain(mark))
        found[mark] = Numeral(numeral.head, tuple(numeral.figures), numeral.target)
    return found
