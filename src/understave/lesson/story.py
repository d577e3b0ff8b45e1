"""What is worth telling about a reading, in a teacher's plain words.

In: a Score and its Reading. Out: the plan of keys, the points to stop at and the places to check,
each tied to its span and so to its notes. Nothing here is said that the reading does not say.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from understave.export.tables import beat_text
from understave.harmony.reading import Alternative, Reading, Span
from understave.lesson import wording
from understave.score.model import Score
from understave.theory.key import Key
from understave.theory.names import key_name, pitch_class_name
from understave.theory.pitch import PitchClass


@dataclass(frozen=True, slots=True)
class KeyStretch:
    """A stretch in one key; bars as printed, share of the piece's length 0..1."""

    key: Key
    start: Fraction
    end: Fraction
    first_bar: str
    last_bar: str
    share: float


@dataclass(frozen=True, slots=True)
class Point:
    """One chord worth a stop: the device it shows, where, and what to say about it."""

    span: Span
    device: str
    place: str
    heading: str
    text: str


@dataclass(frozen=True, slots=True)
class Doubt:
    """A span to check first and the sentence that says so."""

    span: Span
    text: str


def key_plan(score: Score, reading: Reading) -> tuple[KeyStretch, ...]:
    """Return the keys in order, neighbouring spans of one key drawn together."""
    runs: list[list[Span]] = []
    for span in reading.spans:
        if runs and runs[-1][0].key == span.key:
            runs[-1].append(span)
        else:
            runs.append([span])
    total = float(sum((s.end - s.start for s in reading.spans), Fraction(0))) or 1.0
    return tuple(
        KeyStretch(
            key=run[0].key,
            start=run[0].start,
            end=run[-1].end,
            first_bar=score.measure_at(run[0].start).number,
            last_bar=_last_bar(score, run[-1].end),
            share=float(run[-1].end - run[0].start) / total,
        )
        for run in runs
    )


def _last_bar(score: Score, end: Fraction) -> str:
    measure = score.measure_at(end)
    if measure.start == end and measure.index > 0:
        measure = score.measures[measure.index - 1]
    return measure.number


def key_sentence(plan: tuple[KeyStretch, ...]) -> str:
    """Say in one or two sentences where the piece begins, what it visits and where it ends."""
    home = plan[0].key
    visits: dict[Key, KeyStretch] = {}
    for stretch in plan[1:]:
        if stretch.key != home:
            visits.setdefault(stretch.key, stretch)
    if not visits:
        return wording.KEYS_ONE.format(home=key_name(home))
    named = [f"{key_name(k)} ({wording.bars(s.first_bar, s.last_bar)})" for k, s in visits.items()]
    return wording.KEYS_MANY.format(
        home=key_name(home), visits=wording.join(named), last=key_name(plan[-1].key)
    )


def device_of(span: Span) -> str | None:
    """Return the name of the device that a chord shows, or None for a plain chord of its key."""
    numeral = span.numeral
    if numeral.special == "N" or (numeral.degree == 2 and numeral.alter == -1 and not numeral.applied):
        return "neapolitan"
    if numeral.special in ("It", "Fr", "Ger"):
        return "augmented-sixth"
    if numeral.special == "Cad":
        return "cadential"
    if numeral.quality == "diminished7":
        return "diminished-seventh"
    if numeral.applied:
        return "applied"
    if numeral.quality in ("sus4", "dominant7sus4"):
        return "suspended"
    return "borrowed" if _outside(span) else None


def _scale_with_leading_tone(key: Key) -> frozenset[PitchClass]:
    notes = set(key.scale)
    if key.mode == "minor":
        # The raised sixth and seventh belong to minor as players know it (common practice, no source).
        notes |= {PitchClass.from_fifths(key.tonic.fifths + 3), PitchClass.from_fifths(key.tonic.fifths + 5)}
    return frozenset(notes)


def _outside(span: Span) -> list[PitchClass]:
    inside = _scale_with_leading_tone(span.key)
    return [m for m in span.numeral.chord(span.key).members if m not in inside]


def place(score: Score, time: Fraction) -> str:
    """Name a moment as printed: ``bar 12, beat 2``."""
    return f"bar {score.measure_at(time).number}, beat {beat_text(score.beat_at(time))}"


def label(item: Span | Alternative) -> str:
    """Name a chord and its key in one phrase: ``⟨V65/V⟩ in F minor``.

    The brackets mark a numeral, so that a page can stack its figures; `plain` takes them out.
    """
    return f"⟨{item.numeral}⟩ in {key_name(item.key)}"


def plain(text: str) -> str:
    """Return a sentence without the brackets around its numerals."""
    return text.replace("⟨", "").replace("⟩", "")


def points(score: Score, reading: Reading, at_most: int = 8) -> tuple[Point, ...]:
    """Choose the chords most worth a stop: rare devices first, then spread over the piece."""
    found = [(s, d) for s in reading.spans if (d := device_of(s))]
    chosen: list[tuple[Span, str]] = []
    for device in wording.DEVICE_ORDER:
        of_kind = sorted((s for s, d in found if d == device), key=lambda s: (-s.confidence, s.start))
        limit = 1 if device in ("applied", "suspended", "cadential", "diminished-seventh") else 2
        chosen += [(s, device) for s in of_kind[:limit]]
    chosen = sorted(chosen[:at_most], key=lambda pair: pair[0].start)
    following = {s.start: s for s in reading.spans}
    return tuple(_point(score, s, d, following.get(s.end)) for s, d in chosen)


def _point(score: Score, span: Span, device: str, following: Span | None) -> Point:
    chord = span.numeral.chord(span.key)
    sentences = [
        wording.POINT_WORDS.format(words=span.numeral.words),
        wording.POINT_NOTES.format(
            members=wording.join([pitch_class_name(m) for m in chord.members]),
            bass=pitch_class_name(chord.bass),
        ),
    ]
    outside = [pitch_class_name(m) for m in _outside(span)]
    if outside:
        verb = "do" if len(outside) > 1 else "does"
        sentences.append(
            wording.POINT_OUTSIDE.format(notes=wording.join(outside), verb=verb, key=key_name(span.key))
        )
    if following:
        sentences.append(wording.POINT_NEXT.format(next=label(following)))
    return Point(
        span=span,
        device=device,
        place=place(score, span.start),
        heading=f"{wording.GLOSSARY[device][0]}: {label(span)}",
        text=" ".join(sentences),
    )


def doubts(score: Score, reading: Reading, at_most: int = 6) -> tuple[Doubt, ...]:
    """Return the least certain spans that the teacher has not settled, least certain first."""
    open_spans = sorted((s for s in reading.spans if not s.fixed), key=lambda s: (s.confidence, s.start))
    result = []
    for span in open_spans[:at_most]:
        if span.confidence > 0.9:
            break
        others = [label(a) for a in span.alternatives[:2]]
        result.append(
            Doubt(
                span,
                wording.CHECK_ITEM.format(
                    place=place(score, span.start).capitalize(),
                    label=label(span),
                    percent=round(100 * span.confidence),
                    others=wording.CHECK_OTHERS.format(labels=wording.join(others, "or")) if others else "",
                ),
            )
        )
    return tuple(result)
