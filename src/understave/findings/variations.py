"""Score and spans -> variations: each compared with its theme bar by bar, what stays and what varies.

Where variations are printed ("Variation I", "Var. 2"), the theme is what is called so ("Thema", "Tema",
"Theme", "Aria") or what stands before the first of them. Where nothing is printed, the beginning of an
instrumental piece is a theme if stretches of its length follow it at once, at least three, which keep its
chords bar for bar while their notes are others (Hutchinson, "Music Theory for the 21st-Century Classroom",
chapter on variation, from memory). A song's verses are no variations.

Bar by bar, both heard from their own tonic, by letter where the mode is another:

- harmony: on most beats of the bar the chord read has the same root.
- bass: the lowest note of the first half is the same, and of the second where the theme's bass has moved.
- tune: on most of the beats on which the melody strikes a note, that note is on top, on the beat or after
  one other note (an appoggiatura). The same in the lowest voice, or in another: the tune has moved there.

Events of kind ``"variation"``, over the whole variation; `notes` are those on top. Labels, by what stays, the
most audible first:

- ``"tune kept"``: "The tune of the theme is back in another dress, with quicker notes."
- ``"harmony kept"``: "The tune is gone, but the chords go as in the theme."
- ``"bass kept"``: "Only the bass still goes as in the theme."
- ``"free"``: "The music goes far from its theme."

Detail:

- ``number`` int: the how-manieth; ``heading`` str: as printed (absent where nothing is).
- ``bars`` int; ``theme_start``, ``theme_end`` Fraction; ``theme_bars`` int.
- ``pairs`` tuple of (Fraction start of the theme's bar, Fraction start of the variation's bar, str): what
  stays in the bar, of ``"harmony"``, ``"bass"``, ``"tune"``, with spaces between; ``compared`` int: how many.
- ``harmony``, ``bass``, ``tune`` int: in how many bars each stays, the tune where it lies mostly.
- ``stays`` tuple of str: what stays on the whole, of ``"tune"``, ``"harmony"``, ``"bass"``, ``"length"``.
- ``varies`` tuple of str: ``"minor"`` or ``"major"`` (the mode is another), ``"metre"``, ``"faster"`` or
  ``"slower"`` notes, ``"higher"`` or ``"lower"`` register, ``"tune in the bass"``, ``"tune in an inner
  voice"``. That the tune is another is told by the label.
- ``key`` and ``theme_key`` Key.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from statistics import mean, median

from understave.findings.chords_at import Harmony
from understave.findings.kinds import Kind, Lane, Stop
from understave.findings.returns import main_key
from understave.findings.sounding_notes import soundings
from understave.harmony.reading import Details, Event, Span
from understave.score.model import Measure, Note, Score
from understave.theory.key import Key
from understave.theory.pitch import LETTERS

TUNE, HARMONY, BASS, LENGTH = "tune", "harmony", "bass", "length"
_LABELS = {TUNE: "tune kept", HARMONY: "harmony kept", BASS: "bass kept"}
FREE = "free"
_HEADING = re.compile(
    r"^(?:variation|variazione|veränderung|var\.?)\s*([ivx]+|\d+)\b|^(\d+|[ivx]+)\.? varia(?:tion|zione)\b",
    re.IGNORECASE,
)
_THEME = re.compile(r"^(?:th[eè]me|thema|tema|theme|aria)\b", re.IGNORECASE)
_STAYS = 0.6
"""Share of the bars in which something stays, so that it stays on the whole. Set by ear."""
_MOST = 0.6
"""Share of a bar's beats that must agree. Set by ear."""
_QUICKER = 1.4
"""How many times as many moments struck in a bar are heard as quicker notes. Set by ear."""
_FAR = 7
"""Semitones by which the middle of the top voice must lie elsewhere: a fifth. Set by ear."""
_SHORTEST, _LONGEST = 8, 40
"""Bars of a theme that nothing printed names."""
_FEWEST = 3
"""Variations that nothing printed names, at least: a dance may keep its chords for two. Set by ear."""
_ABOVE_CHANCE = 0.25
"""By how much its bars must agree more than any two bars of the piece do. Set by ear."""
_LITERAL = 0.8
"""Share of bars with the theme's very notes from which a stretch is its repeat. Set by ear."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VariationDetails(Details):
    """A variation against its theme; see above."""

    number: int
    bars: int
    theme_start: Fraction
    theme_end: Fraction
    theme_bars: int
    pairs: tuple[tuple[Fraction, Fraction, str], ...]
    compared: int
    harmony: int
    bass: int
    tune: int
    heading: str | None = None
    stays: tuple[str, ...] | None = None
    varies: tuple[str, ...] | None = None
    key: Key | None = None
    theme_key: Key | None = None


@dataclass(frozen=True, slots=True)
class _Part:
    """A theme or a variation: its bars without an upbeat before them, and what is printed over it."""

    bars: tuple[Measure, ...]
    heading: str = ""


def find_variations(score: Score, spans: tuple[Span, ...]) -> tuple[Event, ...]:
    """Return the variations of a piece in order, none where it has no theme with any."""
    if not spans:
        return ()
    parts = _printed(score) or _unprinted(score, spans)
    if len(parts) < 3:
        return ()
    theme, *others = parts
    table = _Beats(score, spans)
    return tuple(_Compared(table, theme, part).event(number) for number, part in enumerate(others, start=1))


# --- where theme and variations are -----------------------------------------------------------------------


def _printed(score: Score) -> list[_Part]:
    """Return the theme and the variations that are printed, [] where there are none."""
    heads: dict[str, Fraction] = {}
    for direction in sorted(score.directions, key=lambda direction: direction.onset):
        text = direction.text.strip()
        if direction.kind != "dynamic" and (_HEADING.match(text) or _THEME.match(text)):
            heads.setdefault(text, direction.onset)
    if sum(bool(_HEADING.match(text)) for text in heads) < 2:
        return []
    if not _THEME.match(next(iter(heads))):
        heads = {"": Fraction(0), **heads}
    cuts = [(text, _first_whole(score, moment)) for text, moment in heads.items()]
    parts = []
    for k, (text, first) in enumerate(cuts):
        last = cuts[k + 1][1] if k + 1 < len(cuts) else len(score.measures)
        bars = _whole(score.measures[first:last])
        if bars and (k == 0 or _HEADING.match(text)):
            parts.append(_Part(bars, text))
    return parts


def _first_whole(score: Score, moment: Fraction) -> int:
    """Return the bar that a heading stands over, an upbeat left out."""
    measure = score.measure_at(moment)
    index = measure.index
    light = measure.offset > 0 or 2 * (moment - measure.start) >= measure.full_length
    return index + 1 if light and index + 1 < len(score.measures) else index


def _whole(bars: Sequence[Measure]) -> tuple[Measure, ...]:
    """Return bars without upbeats and second halves of bars."""
    return tuple(measure for measure in bars if measure.offset == 0)


def _unprinted(score: Score, spans: tuple[Span, ...]) -> list[_Part]:
    """Return a theme and what follows it bar for bar with the same chords and other notes."""
    if any(note.lyrics for note in score.notes):
        return []
    bars = _whole(score.measures)
    if len(bars) < (1 + _FEWEST) * _SHORTEST:
        return []
    table = _Beats(score, spans)
    roots = [table.roots(measure, 2 * measure.beats) for measure in bars]
    notes = [table.content(measure) for measure in bars]
    usual = _by_chance(roots)
    best: tuple[float, list[_Part]] = (0.0, [])
    for size in range(_SHORTEST, min(_LONGEST, len(bars) // (1 + _FEWEST)) + 1):
        found = [_Part(bars[:size])]
        rates = []
        for first in range(size, len(bars) - size + 1, size):
            rate = mean(_agree(roots[k], roots[first + k]) for k in range(size))
            same = mean(float(notes[k] == notes[first + k]) for k in range(size))
            if rate < max(_STAYS, usual + _ABOVE_CHANCE):
                break
            if same < _LITERAL:
                found.append(_Part(bars[first : first + size]))
                rates.append(rate)
        worth = sum(rates) * size
        if len(found) > _FEWEST and worth > best[0]:
            best = worth, found
    return best[1]


def _by_chance(roots: Sequence[Sequence[int | None]]) -> float:
    """Share of the places on which any two bars agree."""
    places = min(len(found) for found in roots)
    columns = zip(*(found[:places] for found in roots), strict=True)
    alike = sum(count**2 for here in columns for count in Counter(here).values())
    return (alike / (len(roots) * places) - 1) / max(1, len(roots) - 1)


def _agree(one: Sequence[int | None], other: Sequence[int | None]) -> float:
    """Share of the places of two bars that agree, where both have something."""
    both = [(a, b) for a, b in zip(one, other, strict=False) if a is not None and b is not None]
    return sum(a == b for a, b in both) / len(both) if both else 0.0


# --- what stands in a bar ----------------------------------------------------------------------------------


class _Beats:
    """What a piece has on the beats of a bar: chords, bass, tune."""

    def __init__(self, score: Score, spans: tuple[Span, ...]) -> None:
        self.spans = spans
        self.harmony = Harmony(spans)
        self.sounding = soundings(score)
        self.struck = score.struck
        self.onsets = [note.at for note in self.struck]

    def notes(self, start: Fraction, end: Fraction) -> Sequence[Note]:
        """Return what is struck from one moment on and before another."""
        return self.struck[bisect_left(self.onsets, float(start)) : bisect_left(self.onsets, float(end))]

    def roots(
        self, measure: Measure, places: int, name: Callable[[Span], int] | None = None
    ) -> list[int | None]:
        """Return the roots read at so many places of a bar, as semitones or as `name` says."""
        found = (self.harmony.at(measure.start + measure.full_length * k / places) for k in range(places))
        return [None if span is None else (name or _root)(span) for span in found]

    def content(self, measure: Measure) -> frozenset[tuple[Fraction, int]]:
        """Return what is struck in a bar."""
        return frozenset(
            (note.onset - measure.start, note.midi) for note in self.notes(measure.start, measure.end)
        )

    def lowest(self, measure: Measure, half: int) -> Note | None:
        """Return the lowest note of the first or second half of a bar."""
        start = measure.start + measure.full_length * half / 2
        return self.sounding.lowest(start, start + measure.full_length / 2)

    def line(self, measure: Measure, low: bool = False) -> list[tuple[Fraction, Note]]:
        """Return the highest (lowest) note struck at every moment of a bar, with where in it: 0 to 1.

        A note under a longer one that is held above it belongs to the accompaniment.
        """
        edge_of = min if low else max
        edges = (
            edge_of(chord, key=lambda note: note.midi)
            for chord in self.sounding.between(measure.start, measure.end)
        )
        moments = sorted({note.onset for note in self.notes(measure.start, measure.end)})
        return [
            ((moment - measure.start) / measure.full_length, edge)
            for moment, edge in zip(moments, edges, strict=True)
            if edge.onset == moment
        ]


_IN_THE_BASS = "tune in the bass"


def _root(span: Span) -> int:
    return span.numeral.chord(span.key).root.semitone


# --- one variation ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Compared:
    """A variation beside its theme."""

    table: _Beats
    theme: _Part
    part: _Part

    def event(self, number: int) -> Event:
        """Return the event that tells of it."""
        theme, part = self.theme.bars, self.part.bars
        table = self.table
        keys = tuple(main_key(table.spans, bars[0].start, bars[-1].end) for bars in (theme, part))
        ear = _Ear(keys[0], keys[1])
        pairs = []
        elsewhere: Counter[str] = Counter()
        for old, new in self._partners():
            kept = [name for name, test in _TESTS.items() if test(table, ear, old, new)]
            pairs.append((old.start, new.start, " ".join(kept)))
            elsewhere.update(_voices_with_the_tune(table, ear, old, new))
        counts = {name: sum(name in kept.split() for _, _, kept in pairs) for name in _TESTS}
        enough = _STAYS * len(pairs)
        on_top = counts[TUNE] >= enough
        moved, bars = max(elsewhere.items(), key=lambda item: item[1], default=("", 0))
        place = moved if not on_top and bars >= enough else ""
        counts[TUNE] = bars if place else counts[TUNE]
        stays = tuple(name for name in (TUNE, HARMONY, BASS) if counts[name] >= enough)
        goes = (_IN_THE_BASS if place == _IN_THE_BASS else "tune in an inner voice",) if place else ()
        varies = (*self._varies(ear), *goes)
        label = next((_LABELS[name] for name in stays), FREE)
        length = (LENGTH,) if len(theme) == len(part) else ()
        details = VariationDetails(
            number=number,
            heading=self.part.heading or None,
            bars=len(part),
            theme_start=theme[0].start,
            theme_end=theme[-1].end,
            theme_bars=len(theme),
            pairs=tuple(pairs),
            compared=len(pairs),
            stays=(*stays, *length) or None,
            varies=varies or None,
            key=keys[1],
            theme_key=keys[0],
            **counts,
        )
        sure = 0.95 if self.part.heading else 0.8
        top = tuple(note.id for measure in part for _, note in table.line(measure))
        return VARIATION.event(label, part[0].start, part[-1].end, top, sure, details)

    def _partners(self) -> list[tuple[Measure, Measure]]:
        """Pair the bars in order; a repeat written out on one side is found by its length."""
        theme, part = self.theme.bars, self.part.bars
        for one in (theme, _unfolded(theme)):
            for other in (part, _unfolded(part)):
                if len(one) == len(other):
                    return list(dict.fromkeys(zip(one, other, strict=True)))
        return list(zip(theme, part, strict=False))

    def _varies(self, ear: _Ear) -> Iterator[str]:
        table = self.table
        if ear.inflected and ear.new is not None:
            yield ear.new.mode
        theme, part = self.theme.bars, self.part.bars
        if theme[0].full_length != part[0].full_length or theme[0].beat_length != part[0].beat_length:
            yield "metre"
        pace = [
            mean(len({note.onset for note in table.notes(m.start, m.end)}) for m in bars)
            for bars in (theme, part)
        ]
        if pace[1] >= _QUICKER * pace[0]:
            yield "faster"
        elif pace[0] >= _QUICKER * pace[1]:
            yield "slower"
        tops = [[note.midi for measure in bars for _, note in table.line(measure)] for bars in (theme, part)]
        if all(tops):
            far = median(tops[1]) - median(tops[0])
            if abs(far) >= _FAR:
                yield "higher" if far > 0 else "lower"


def _unfolded(bars: tuple[Measure, ...]) -> tuple[Measure, ...]:
    """Return bars with what stands between repeat signs twice, endings not told apart."""
    found: list[Measure] = []
    since: list[Measure] = []
    for measure in bars:
        if measure.repeat_start:
            found += since
            since = []
        since.append(measure)
        if measure.repeat_end:
            found += since + since
            since = []
    return (*found, *since)


@dataclass(frozen=True)
class _Ear:
    """How notes and roots of theme (0) and variation (1) are heard: from their tonics, by letter where the
    mode is another.
    """

    old: Key | None
    new: Key | None

    @property
    def inflected(self) -> bool:
        return self.old is not None and self.new is not None and self.old.mode != self.new.mode

    def note(self, note: Note, new: bool) -> int:
        key = self.new if new else self.old
        if self.inflected and key is not None:
            return (note.pitch.diatonic - _letter(key)) % 7
        return (note.midi - (key.tonic.semitone if key is not None else 0)) % 12

    def root(self, span: Span, new: bool) -> int:
        key = self.new if new else self.old
        root = span.numeral.chord(span.key).root
        if self.inflected and key is not None:
            return (LETTERS.index(root.letter) - _letter(key)) % 7
        return (root.semitone - (key.tonic.semitone if key is not None else 0)) % 12


def _letter(key: Key) -> int:
    return LETTERS.index(key.tonic.letter)


def _harmony(table: _Beats, ear: _Ear, old: Measure, new: Measure) -> bool:
    one = table.roots(old, old.beats, lambda span: ear.root(span, False))
    other = table.roots(new, old.beats, lambda span: ear.root(span, True))
    return _agree(one, other) >= _MOST


def _bass(table: _Beats, ear: _Ear, old: Measure, new: Measure) -> bool:
    lows = [(table.lowest(old, half), table.lowest(new, half)) for half in (0, 1)]
    heard = [
        (None if a is None else ear.note(a, False), None if b is None else ear.note(b, True)) for a, b in lows
    ]
    (first, here), (second, there) = heard
    return first is not None and first == here and second in (first, there)


def _tune(table: _Beats, ear: _Ear, old: Measure, new: Measure, low: bool = False) -> bool:
    line = [(at, ear.note(note, True)) for at, note in table.line(new, low)]
    return _follows(_on_the_beats(table, ear, old), line, old.beats)


def _voices_with_the_tune(table: _Beats, ear: _Ear, old: Measure, new: Measure) -> Iterator[str]:
    """Yield the name of every line of a bar that has the tune: the bass, and the printed voices."""
    if _tune(table, ear, old, new, low=True):
        yield _IN_THE_BASS
    wanted = _on_the_beats(table, ear, old)
    voices: dict[tuple[int, int, str], list[tuple[Fraction, int]]] = {}
    for note in table.notes(new.start, new.end):
        at = (note.onset - new.start) / new.full_length
        voices.setdefault((note.part, note.staff, note.voice), []).append((at, ear.note(note, True)))
    for name, line in voices.items():
        if len(line) > 1 and _follows(wanted, line, old.beats):
            yield f"{name}"


def _on_the_beats(table: _Beats, ear: _Ear, old: Measure) -> dict[int, int]:
    """Return the tones of the theme's tune by the beat on which they are struck."""
    return {
        int(at * old.beats): ear.note(note, False)
        for at, note in table.line(old)
        if (at * old.beats).denominator == 1
    }


def _follows(wanted: dict[int, int], line: Sequence[tuple[Fraction, int]], beats: int) -> bool:
    """Whether a line has most of the tones, each on its beat or second within it."""
    if not wanted:
        return not line
    hits = 0
    for beat, tone in wanted.items():
        here = [found for at, found in line if beat <= at * beats < beat + 1]
        hits += tone in here[:2]
    return hits >= _MOST * len(wanted)


_TESTS: dict[str, Callable[[_Beats, _Ear, Measure, Measure], bool]] = {
    HARMONY: _harmony,
    BASS: _bass,
    TUNE: _tune,
}


VARIATION: Kind[VariationDetails] = Kind(
    "variation",
    VariationDetails,
    find=find_variations,
    weight=6.0,
    of_passage=True,
    lasting=True,
    lane=Lane(line=True),
    stop=Stop("return with a difference", lasts=True),
)
