"""The plan in words, bar by bar: what to do, when, and why.

In: a Score and its Plan, a level and a language. Out: `Advice`, in order of time. What to do is said in
a few words of ours (``play_...`` in the phrasebook), why in the sentences of the plan's own reasons.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import groupby
from typing import Literal

from understave.findings.remembered import remembered
from understave.harmony.reading import Event, Span
from understave.interpretation.dynamics import level_at
from understave.interpretation.plan import Plan, Tension, Voice
from understave.interpretation.printed import nearest_mark, printed_loudness
from understave.score.model import Score
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral
from understave.theory.vocabulary import Language
from understave.wording.claiming import is_true
from understave.wording.gaps import octave_name, place
from understave.wording.phrasebook import Level, Phrasebook, phrasebook
from understave.wording.sentences import can_say, plain, say, say_again

Aspect = Literal["tension", "dynamics", "voicing", "timing", "pedal"]
_NOTES = ("dissonance", "resolution", "repeated")
"""Roles of a `Voice` that single notes have; the others are layers of the texture."""
_ORDER: tuple[Aspect, ...] = ("dynamics", "voicing", "timing", "pedal", "tension")


@dataclass(frozen=True, slots=True)
class Advice:
    """One thing to do at a moment; `why` may be empty. `notes` are the ids it is about.

    `reason` is the label of the plan's reason, the same for all that have the same one.
    """

    moment: Fraction
    aspect: Aspect
    what: str
    why: str
    notes: tuple[str, ...] = ()
    reason: str = ""


@dataclass(frozen=True, slots=True)
class _Item:
    moment: Fraction
    aspect: Aspect
    what: str
    why: Event | None
    notes: tuple[str, ...] = ()


def tell_plan(
    score: Score,
    plan: Plan,
    level: Level = "intermediate",
    language: Language = "en",
    stretch: tuple[Fraction, Fraction] | None = None,
    *,
    marked: bool = False,
) -> tuple[Advice, ...]:
    """Tell a plan in order of time, or what of it begins in a stretch of the piece.

    With `marked`, numerals stand between ⟨ and ⟩, to be set by whoever prints them.

    Of tension each bar's highest span is told, and every release. A reason of a kind told before is
    told briefly, and left out where it is the same as the one before it.
    """
    book = phrasebook(language)
    start, end = stretch or (Fraction(0), score.end)
    items = [i for i in _items(score, plan, book) if start <= i.moment < end]
    items.sort(key=lambda i: (i.moment, _ORDER.index(i.aspect)))
    told: set[tuple[str, str]] = set()
    last: dict[Aspect, str] = {}
    advice = []
    for item in items:
        why, reason = "", item.why
        if reason is not None and not is_borne_out(score, plan, reason, level, language):
            if item.aspect == "voicing":
                # Without its reason there is nothing to lean on or to hold back.
                continue
            reason = None
        if reason is not None and can_say(reason, language):
            again = (reason.kind, reason.label) in told
            told.add((reason.kind, reason.label))
            why = (say_again if again else say)(reason, score, level, language)
            why = why if marked else plain(why)
            if last.get(item.aspect) == why:
                why = ""
            else:
                last[item.aspect] = why
        label = reason.label if reason is not None else ""
        advice.append(Advice(item.moment, item.aspect, item.what, why, item.notes, label))
    return tuple(advice)


@remembered
def chords_of(plan: Plan) -> tuple[Span, ...]:
    """Return the chords that a plan was made for, as the reasons of its tension carry them."""
    found = []
    for t in plan.tension:
        key, numeral = t.why.get("key"), t.why.get("chord")
        if isinstance(key, Key) and isinstance(numeral, RomanNumeral):
            found.append(Span(t.start, t.end, key, numeral, t.why.confidence))
    return tuple(found)


def is_borne_out(score: Score, plan: Plan, reason: Event, level: Level, language: Language) -> bool:
    """Whether the notes bear out a reason of a plan; one made for no chords cannot be tested."""
    spans = chords_of(plan)
    return not spans or is_true(reason, score, spans, (level,), language)


@dataclass(frozen=True, slots=True)
class Heading:
    """A bar of the plan: its name, how loud and tense it begins, and from when to when it lasts."""

    bar: str
    state: str
    start: Fraction
    end: Fraction


def headings(
    score: Score,
    plan: Plan,
    language: Language = "en",
    stretch: tuple[Fraction, Fraction] | None = None,
) -> tuple[Heading, ...]:
    """Name each bar, or those of a stretch, with its loudness as the nearest mark and its tension."""
    book = phrasebook(language)
    start, end = stretch or (Fraction(0), score.end)
    found = []
    for m in score.measures:
        if start <= m.start < end:
            loudness = nearest_mark(level_at(plan.levels, m.start)) if plan.levels else "?"
            value = next((t.value for t in plan.tension if t.start <= m.start < t.end), 0.0)
            share = book.phrases["percent"].format(number=round(100 * value))
            state = book.phrases["play_heading"].format(loudness=loudness, tension=share)
            found.append(Heading(book.bars(m.number, m.number), state, m.start, m.end))
    return tuple(found)


def _items(score: Score, plan: Plan, book: Phrasebook) -> Iterator[_Item]:
    words = book.phrases
    accents = {a.moment: a.text for a in printed_loudness(score).accents}
    for moment, text in accents.items():
        yield _Item(moment, "dynamics", words["play_printed"].format(what=text), None)
    for mark in plan.marks:
        if mark.origin == "printed" and accents.get(mark.moment, "").endswith(mark.mark):
            # The soft part of fp is told with it.
            continue
        what = mark.mark if mark.origin == "proposed" else words["play_printed"].format(what=mark.mark)
        yield _Item(mark.moment, "dynamics", what, mark.why)
    for h in plan.hairpins:
        peak = place(score, h.peak, book) if h.peak is not None else ""
        what = words[f"play_{h.kind}"].format(place=_end_place(score, h.end, book), peak=peak)
        if h.origin == "printed":
            what = words["play_printed"].format(what=what)
        yield _Item(h.start, "dynamics", what, h.why)
    yield from _voices(score, plan.voices, book)
    for bend in plan.timing:
        if bend.why is not None:
            share = words["percent"].format(number=round(100 * bend.factor))
            name = "play_slower" if bend.factor < 1 else "play_faster" if bend.factor > 1 else "play_in_tempo"
            yield _Item(bend.moment, "timing", words[name].format(percent=share), bend.why)
    depth = 0.0
    for move in plan.pedal:
        what = _pedal_words(depth, move.depth, book)
        if what and move.origin == "printed":
            what = words["play_printed"].format(what=what)
        if what:
            yield _Item(move.moment, "pedal", what, move.why)
        depth = move.depth
    yield from _tension(score, plan.tension, book)


def _end_place(score: Score, moment: Fraction, book: Phrasebook) -> str:
    """Where something ends: the last bar's end is no bar's beginning."""
    if moment >= score.end:
        return book.bars(score.measures[-1].number, score.measures[-1].number)
    return place(score, moment, book)


def _pedal_words(before: float, after: float, book: Phrasebook) -> str:
    if after <= 0:
        return book.phrases["play_pedal_up"] if before > 0 else ""
    share = book.phrases["percent"].format(number=round(100 * after))
    depth = "down" if after >= 0.9 else "half" if 0.4 <= after <= 0.6 else "part"
    change = "change" if before > 0 else "press"
    return book.phrases[f"play_pedal_{change}_{depth}"].format(percent=share)


def _voices(score: Score, voices: tuple[Voice, ...], book: Phrasebook) -> Iterator[_Item]:
    """What to do with single notes; and with the layers of the texture, where each first comes or moves."""
    known = [(score.note_by_id[v.note], v) for v in voices if v.note in score.note_by_id]
    layers: dict[str, str] = {}
    runs: set[Event] = set()
    for note, voice in sorted(known, key=lambda n: n[0].onset):
        why = voice.why
        if voice.lean or (why is not None and voice.role in _NOTES):
            if voice.role == "dissonance" and not voice.lean:
                continue
            if voice.role == "repeated" and why is not None:
                if why in runs:
                    continue
                runs.add(why)
            name = octave_name(note.pitch, book)
            what = book.phrases["play_lean" if voice.lean else f"play_{voice.role}"].format(note=name)
            yield _Item(note.onset, "voicing", what, why, why.notes if why is not None else (note.id,))
        elif why is not None and layers.get(voice.role) != why.label:
            told = voice.role in layers and voice.role != "melody"
            layers[voice.role] = why.label
            if not told:
                yield _Item(note.onset, "voicing", book.phrases[f"play_{voice.role}"], why, (note.id,))


def _tension(score: Score, spans: tuple[Tension, ...], book: Phrasebook) -> Iterator[_Item]:
    bars = [list(g) for _, g in groupby(spans, key=lambda t: score.measure_at(t.start).index)]
    for bar in bars:
        highest = max(bar, key=lambda t: t.value)
        for t in bar:
            if t is highest or t.release:
                share = book.phrases["percent"].format(number=round(100 * t.value))
                name = "play_release" if t.release else "play_tension"
                yield _Item(t.start, "tension", book.phrases[name].format(percent=share), t.why, t.why.notes)
