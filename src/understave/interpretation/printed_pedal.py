"""Score -> what is printed about the pedals: signs with their depth, and words that hold for a stretch.

Signs are those of MusicXML's ``pedal``; *simile* after them repeats the places of the last bar that has
signs, bar by bar, until the next sign or a word about the pedal. Words that ask for pedal (*con pedale*,
*senza sordini*, *mit Pedal*) hold until words that take it back (*senza pedale*, *con sordini*) or to the
end; so do *una corda* and its like until *tre corde* (common practice, no source). *Senza sordini* is meant
literally in print: the dampers stay raised. *Flutter pedal* and its like ask for a foot that trembles (from
memory: Banowetz, "The Pianist's Guide to Pedaling", 1985), to the end of their sign or the next about the
pedal. A sign, too, takes back *senza pedale*. The sostenuto pedal (MusicXML 4.0, ``pedal`` of type
``sostenuto``) holds the keys that are down as it comes, until its ``stop``.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction

from understave.findings.dissonance import pedal_stretches
from understave.findings.printed_words import read_text
from understave.score.model import Note, Score

WITH = frozenset(
    {"con-pedale", "pedale", "mit-pedal", "avec-pedale", "with-pedal", "mezzo-pedale", "due-pedali"}
)
RAISED = frozenset({"senza-sordino"})
WITHOUT = frozenset({"senza-pedale", "con-sordino", "ohne-pedal", "sans-pedale", "without-pedal"})
SHIFTED = frozenset(
    {"una-corda", "due-corde", "mit-verschiebung", "petite-pedale", "soft-pedal", "due-pedali"}
)
UNSHIFTED = frozenset({"tre-corde", "ohne-verschiebung", "sans-sourdine"})
HALF = frozenset({"mezzo-pedale"})
FLUTTER = frozenset({"flutter-pedal"})

Stretch = tuple[Fraction, Fraction]


@dataclass(frozen=True, slots=True)
class Sign:
    """One printed pedal: from when to when it is down, and how deep, 0..1."""

    start: Fraction
    end: Fraction
    depth: float = 1.0


@dataclass(frozen=True, slots=True)
class PrintedPedal:
    """What is printed: `signs`; stretches that words give `asked` (pedal as taste directs), `half`, `raised`
    (dampers up throughout), `refused` (none), `shifted` (the left pedal), `sustained` (the middle one),
    `fluttered` (the foot trembles). All in order of time.
    """

    signs: tuple[Sign, ...]
    asked: tuple[Stretch, ...]
    half: tuple[Stretch, ...]
    raised: tuple[Stretch, ...]
    refused: tuple[Stretch, ...]
    shifted: tuple[Stretch, ...]
    sustained: tuple[Stretch, ...] = ()
    fluttered: tuple[Stretch, ...] = ()


def printed_pedal(score: Score) -> PrintedPedal:
    """Read everything that a score prints about the pedals."""
    words = [
        (d.onset, frozenset(read_text(d.text)[0]))
        for d in sorted(score.directions, key=lambda direction: direction.onset)
        if d.kind in ("words", "tempo", "dynamic", "other") and d.text
    ]
    about = WITH | RAISED | WITHOUT
    signs = tuple(_signs(score, words))
    # A sign takes back that there is to be no pedal.
    with_signs = sorted([*words, *((sign.start, WITH) for sign in signs)], key=lambda pair: pair[0])
    return PrintedPedal(
        signs=signs,
        asked=_stretches(score, words, WITH, about - WITH),
        half=_stretches(score, words, HALF, about - HALF),
        raised=_stretches(score, words, RAISED, about - RAISED),
        refused=_stretches(score, with_signs, WITHOUT, about - WITHOUT),
        shifted=_stretches(score, words, SHIFTED, UNSHIFTED),
        sustained=tuple(_sustained(score)),
        fluttered=_fluttered(score, words, signs),
    )


def held_by_sostenuto(notes: Iterable[Note], sustained: Sequence[Stretch]) -> dict[str, Fraction]:
    """Return until when each note sounds that the sostenuto pedal catches, its key being down as it comes."""
    return {
        note.id: end
        for note in notes
        for start, end in sustained
        if not note.grace and note.onset <= start < note.end <= end
    }


def _sustained(score: Score) -> Iterator[Stretch]:
    """Yield the printed stretches of the sostenuto pedal; without a stop it lasts to the end of its bar."""
    since: Fraction | None = None
    marks = [d for d in score.directions if d.kind == "pedal" and d.text.startswith("sostenuto")]
    for mark in sorted(marks, key=lambda d: d.onset):
        if since is not None and mark.onset > since:
            yield since, mark.onset
            since = None
        if mark.text == "sostenuto":
            since = mark.onset
    if since is not None:
        yield since, score.measure_at(since).end


def within(stretches: Sequence[Stretch], moment: Fraction | float) -> bool:
    """Whether a moment lies in one of some stretches."""
    return any(float(start) <= float(moment) < float(end) for start, end in stretches)


def _stretches(
    score: Score, words: Sequence[tuple[Fraction, frozenset[str]]], begin: frozenset[str], end: frozenset[str]
) -> tuple[Stretch, ...]:
    """Return from where words of the first kind are printed to where those of the second are, or to the
    end.
    """
    found: list[Stretch] = []
    since: Fraction | None = None
    for moment, terms in words:
        if since is None and terms & begin:
            since = moment
        elif since is not None and terms & end:
            found.append((since, moment))
            since = moment if terms & begin else None
    if since is not None and since < score.end:
        found.append((since, score.end))
    return tuple((a, b) for a, b in found if b > a)


def _fluttered(
    score: Score, words: Sequence[tuple[Fraction, frozenset[str]]], signs: Sequence[Sign]
) -> tuple[Stretch, ...]:
    """Return from where words ask the foot to tremble to the next words about the pedal, or where the next
    sign begins or ends.
    """
    begun = {moment for moment, terms in words if terms & FLUTTER}
    edges = {edge for sign in signs for edge in (sign.start, sign.end)} - begun
    marks = sorted([*words, *((edge, WITH) for edge in edges)], key=lambda pair: pair[0])
    return _stretches(score, marks, FLUTTER, WITH | RAISED | WITHOUT)


def _signs(score: Score, words: Sequence[tuple[Fraction, frozenset[str]]]) -> Iterator[Sign]:
    depths = {
        direction.onset: direction.value
        for direction in score.directions
        if direction.kind == "pedal" and direction.value
    }
    written = [Sign(a, b, min(1.0, max(0.0, float(depths.get(a) or 1.0)))) for a, b in pedal_stretches(score)]
    stops = [m for m, terms in words if terms & (WITHOUT | RAISED | WITH)]
    more: list[Sign] = []
    for moment, terms in words:
        if "simile" in terms:
            more += _likewise(score, written, moment, stops)
    yield from sorted({*written, *more}, key=lambda sign: sign.start)


def _likewise(
    score: Score, written: Sequence[Sign], moment: Fraction, stops: Sequence[Fraction]
) -> Iterator[Sign]:
    """Repeat the signs of the last bar that has some before *simile*; nothing if that is more than a bar
    ago.
    """
    here = score.measure_at(moment).index
    last = max((score.measure_at(sign.start).index for sign in written if sign.start <= moment), default=-2)
    if here - last > 1:
        return
    model = score.measures[last]
    pattern = [sign for sign in written if model.start <= sign.start < model.end]
    until = min(
        [sign.start for sign in written if sign.start >= model.end] + [m for m in stops if m > moment],
        default=score.end,
    )
    for bar in score.measures[last + 1 :]:
        if bar.start >= until or bar.full_length != model.full_length:
            return
        for sign in pattern:
            start, end = sign.start - model.start + bar.start, sign.end - model.start + bar.start
            if start < until:
                yield Sign(start, min(end, until, score.end), sign.depth)
