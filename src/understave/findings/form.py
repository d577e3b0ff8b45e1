"""Score and spans -> sections, named by letters; introduction, closing section and coda proposed.

Every bar gets a score for beginning a section, from what a teacher would point to (`NAMES`); the best whole
is found by dynamic programming, with a preference for sections of several phrases. Sections that begin
alike get one letter, with a prime for each time that the return is varied. The signs of a section's end
follow *Open Music Theory*, "Introduction to Form" (cadence, double bar, change of key, of texture, return of
the opening); introduction, closing section and coda follow Caplin, Analyzing Classical Form (2013),
chapters on framing functions; both from memory.

Events of kind ``"section"``, end to end: label ``"section"``, ``"introduction"``, ``"closing section"``,
``"coda"``. Detail: ``letter`` str (``"A"``, ``"A'"``; ``""`` for an introduction or coda of its own matter),
``number`` int from 1, ``bars`` int (an upbeat is none), ``reasons`` tuple of str (why a section begins here,
strongest first, from `REASONS`), ``key`` Key (it begins in), ``like`` Fraction (start of the section it
brings back; absent in the first of its letter), ``alike`` str (``"literal"``, ``"varied"``,
``"in another key"``, ``"in the other mode"``; only with ``like``).

- section: "Bars 21 to 35 are section B: new melody, after an authentic cadence."
- introduction: "Bars 1 to 4 are an introduction: the accompaniment alone, before the theme."
- closing section: "Bars 33 to 38 close the part: they only confirm the key that was reached."
- coda: "From bar 73 on it is a coda: the last cadence is behind us, the tonic is only confirmed."

Event ``"form"``, label ``"scheme"``, over the whole piece: "Introduction A B C A' coda." Detail: ``scheme``
str (letters with spaces, ``"introduction"`` and ``"coda"`` written out), ``sections`` int, ``starts`` tuple
of Fraction (where each begins), ``form_name`` str (from `form_names`, where it has one).

The confidence of a section is that of the place where it begins, of the first that of its end.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import takewhile
from typing import TypeAlias

import numpy as np

from understave.findings import sung_sections
from understave.findings.closes import AUTHENTIC, find_closes, is_tonic
from understave.findings.form_names import form_name
from understave.findings.keyplan import ending_key, home_key
from understave.findings.kinds import Kind, Lane
from understave.findings.modes import regions_of
from understave.findings.movements import movement_numbers
from understave.findings.phrases import Ending, endings_of
from understave.findings.printed_words import read_text
from understave.findings.remembered import remembered
from understave.findings.returns import Likeness, main_key, passages_of, similarity
from understave.findings.sung_sections import begins_with, foretold, is_song, sung_evidence
from understave.findings.texture import stretches_of, texture_of
from understave.harmony.reading import Details, Event, Span
from understave.harmony.units import Floats
from understave.score.model import Score
from understave.theory.key import Key


@dataclass(frozen=True, slots=True, kw_only=True)
class FormDetails(Details):
    """The scheme of the whole piece."""

    scheme: str
    sections: int
    starts: tuple[Fraction, ...] = ()
    form_name: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SectionDetails(Details):
    """A section and why it begins here."""

    letter: str
    number: int
    bars: int
    reasons: tuple[str, ...]
    key: Key | None = None
    like: Fraction | None = None
    alike: str | None = None
    foretold: Fraction | None = None
    entry: Fraction | None = None
    entry_until: Fraction | None = None


_Put: TypeAlias = Callable[[int, str, float], None]

NAMES = (
    "repeat sign",
    "new signature",
    "new tempo",
    "phrase end",
    "authentic close",
    "fermata or rest",
    "return begins",
    "returns later",
    "return ends",
    "opening returns",
    "new texture",
    "melody moves",
    "new key",
    "new material",
    "last cadence",
    "voice enters",
    "theme enters",
    "inside a return",
)
"""The evidence that a section begins with a bar, each 0..1."""
_AT = {name: i for i, name in enumerate(NAMES)}

REASONS = {
    "repeat sign": "repeat sign",
    "new signature": "new signature or meter",
    "new tempo": "new tempo",
    "phrase end": "a phrase ends",
    "authentic close": "after an authentic cadence",
    "fermata or rest": "after a fermata or rest",
    "return begins": "an earlier passage comes back",
    "returns later": "a passage begins that comes back later",
    "return ends": "the passage that came back is over",
    "opening returns": "the opening comes back",
    "new texture": "new accompaniment",
    "melody moves": "the melody changes its place",
    "new key": "new key",
    "new material": "new material",
    "last cadence": "the last full cadence in the home key is reached",
    "voice enters": "the voice enters",
    "theme enters": "the melody enters",
}
"""Evidence -> what `reasons` call it."""

# Log-odds of each kind of evidence: logistic regression on 51 songs, 19 sets of variations and 2 grounds
# whose analysts named sections (the training folder of the open data), every set of pieces counting alike.
# New signature, melody moves, new key, last cadence and theme enters are set by hand: those sets have too
# few of them.
WEIGHTS: dict[str, float] = {
    "repeat sign": 2.0,
    "new signature": 0.3,
    "new tempo": 1.15,
    "phrase end": 1.85,
    "authentic close": 0.5,
    "fermata or rest": 0.15,
    "return begins": 1.75,
    "returns later": 1.95,
    "return ends": 0.1,
    "opening returns": 0.65,
    "new texture": 1.0,
    "melody moves": 0.4,
    "new key": 0.4,
    "new material": 0.3,
    "last cadence": 3.3,
    "voice enters": 0.2,
    "theme enters": 1.5,
    "inside a return": -0.7,
}
BIAS = -2.1
LENGTH_WEIGHT = 0.6
_LENGTHS = (1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0, 16.0, 24.0, 32.0, 64.0)
_LENGTH_COSTS = (6.0, 3.5, 1.6, 1.0, 0.8, 0.0, 0.4, 0.0, 0.6, 0.8, 3.0)
_LOOSE = ("phrase end", "return begins", "returns later")
_BESIDE = 0.3
"""Share at which these count one bar away."""
_SAME_LETTER = 0.62
_NEAR = 4
"""Bars by which the beginnings of two sections are compared, at most."""
_NOVELTY = 4
_LONG = 16.0
"""Quarters that a note is looked back for at most."""
_OTHER_TEMPO = frozenset(
    ("piu-mosso", "poco-piu-mosso", "meno-mosso", "poco-meno-mosso", "bewegter", "rascher", "langsamer")
)
"""Words for a tempo that lasts until another is printed."""
_NEW_SPEED = 0.04
"""Share by which a tempo differs at least from the one before to be a new one."""


@dataclass(frozen=True, slots=True)
class Section:
    """Bars `first` to `last` by index, with the evidence that a section begins here and how sure that is."""

    first: int
    last: int
    reasons: tuple[str, ...]
    confidence: float


def find_form(score: Score, spans: tuple[Span, ...]) -> tuple[Event, ...]:
    """Return the sections of a piece and its scheme, the scheme first."""
    if len(score.measures) < 2 or not any(note.duration > 0 for note in score.notes):
        return ()
    sections = sections_of(score, spans)
    return _told(score, spans, _up_to_the_voice(score, spans, sections))


@remembered
def sections_of(score: Score, spans: tuple[Span, ...]) -> tuple[Section, ...]:
    """Return the sections of a piece, end to end."""
    table = evidence(score, spans)
    sung = sung_evidence(score) if is_song(score) else None
    weights = WEIGHTS if sung is None else sung_sections.GENERAL
    scores = _with_neighbours(table) @ np.array([weights.get(name, 0.0) for name in NAMES])
    if sung is None:
        starts = segment(scores + BIAS, bar_positions(score))
    else:
        scores += sung @ np.array(list(sung_sections.WEIGHTS.values())) + sung_sections.BIAS
        starts = segment(scores, bar_positions(score), sung_sections.LENGTH_WEIGHT)
    found = []
    for k, (first, confidence) in enumerate(starts):
        last = starts[k + 1][0] - 1 if k + 1 < len(starts) else len(score.measures) - 1
        reasons = _reasons(table[first], None if sung is None else sung[first]) if first else ()
        found.append(Section(first, last, reasons, confidence))
    return tuple(found)


def _up_to_the_voice(
    score: Score, spans: tuple[Span, ...], sections: tuple[Section, ...]
) -> tuple[Section, ...]:
    """Return sections of which an introduction lasts until the singer enters, whatever figures it has."""
    sung = min((note.measure for note in score.notes if note.lyrics), default=0)
    before = [section for section in sections if section.last < sung]
    if len(before) < 2 or not _is_short(before[-1], len(score.measures)):
        return sections
    head = before[0]
    if not _is_introduction(score, spans, head, len(score.measures)):
        return sections
    return (replace(head, last=before[-1].last), *sections[len(before) :])


def _with_neighbours(table: Floats) -> Floats:
    """Return evidence in which what stands a bar early or late counts a little too.

    A phrase may end and the return begin a bar apart: an upbeat bar, a bar of accompaniment before the voice.
    """
    wide = table.copy()
    for name in _LOOSE:
        column = table[:, _AT[name]]
        wide[1:, _AT[name]] = np.maximum(wide[1:, _AT[name]], _BESIDE * column[:-1])
        wide[:-1, _AT[name]] = np.maximum(wide[:-1, _AT[name]], _BESIDE * column[1:])
    return wide


def bar_positions(score: Score) -> Floats:
    """Return where each measure begins and the last ends, in full bars: shape (bars + 1,)."""
    return np.concatenate(
        ([0.0], np.cumsum([float(measure.length / measure.full_length) for measure in score.measures]))
    )


def segment(
    scores: Floats, positions: Floats, length_weight: float = LENGTH_WEIGHT
) -> list[tuple[int, float]]:
    """Return the bars at which sections begin, each with its share of all ways to cut, 0..1."""
    n = len(scores)
    gain = np.concatenate((scores, [0.0]))
    gain[0] = 0.0
    best, forward = np.full(n + 1, -np.inf), np.full(n + 1, -np.inf)
    best[0] = forward[0] = 0.0
    back = np.zeros(n + 1, dtype=np.int64)
    costs = []
    for j in range(1, n + 1):
        cost = length_weight * length_scores(positions[j] - positions[:j])
        costs.append(cost)
        reach = best[:j] + cost
        back[j] = int(np.argmax(reach))
        best[j] = reach[back[j]] + gain[j]
        forward[j] = np.logaddexp.reduce(forward[:j] + cost) + gain[j]
    backward = np.full(n + 1, -np.inf)
    backward[n] = 0.0
    for j in range(n, 0, -1):
        backward[:j] = np.logaddexp(backward[:j], costs[j - 1] + gain[j] + backward[j])
    chosen: list[tuple[int, float]] = []
    j = int(back[n])
    while j > 0:
        chosen.append((j, float(np.exp(min(0.0, forward[j] + backward[j] - forward[n])))))
        j = int(back[j])
    return [(0, 1.0), *reversed(chosen)]


def length_scores(bars: Floats) -> Floats:
    """Return how welcome sections of so many bars are, 0 at best."""
    cost: Floats = np.interp(np.log2(np.maximum(bars, 1e-3)), np.log2(_LENGTHS), _LENGTH_COSTS)
    return -cost


def evidence(score: Score, spans: tuple[Span, ...]) -> Floats:
    """Return the evidence that a section begins with each bar: shape (bars, `NAMES`), values 0..1."""
    count = len(score.measures)
    table = np.zeros((count, len(NAMES)))

    def put(bar: int, name: str, value: float) -> None:
        if 0 < bar < count:
            table[bar, _AT[name]] = max(table[bar, _AT[name]], value)

    _from_signs(score, put)
    _from_endings(score, endings_of(score, spans), put)
    _from_returns(score, spans, put)
    for event in stretches_of(score, spans):
        put(score.measure_at(event.start).index, "new texture", event.confidence)
    places = texture_of(score, spans).places
    for i in range(1, count):
        if places[i] != places[i - 1]:
            put(i, "melody moves", 1.0)
    first = min((note.measure for note in texture_of(score, spans).melody), default=0)
    put(first, "theme enters", 1.0 if first >= 2 else 0.0)
    _from_keys(score, spans, put)
    alike = similarity(score, spans)
    for i in range(2, count - 1):
        put(i, "new material", _novelty(alike, i))
    last = _last_cadence(score, spans)
    if last is not None:
        put(last, "last cadence", 1.0)
    _from_words(score, put)
    return table


def _from_signs(score: Score, put: _Put) -> None:
    for before, here in zip(score.measures, score.measures[1:], strict=False):
        if before.repeat_end or here.repeat_start:
            put(here.index, "repeat sign", 1.0)
        if before.signature != here.signature or before.full_length != here.full_length:
            put(here.index, "new signature", 1.0)
    speed = 0.0
    for direction in score.directions:
        if direction.kind == "tempo" and direction.value:
            if speed and abs(direction.value - speed) > _NEW_SPEED * speed:
                put(begins_with(score, direction.onset), "new tempo", 1.0)
            speed = direction.value
    for moment in _lasting_tempi(score):
        put(begins_with(score, moment), "new tempo", 1.0)


def _lasting_tempi(score: Score) -> list[Fraction]:
    """Return where words change the tempo until words bring the first one back, and where they do that."""
    found: list[Fraction] = []
    left: Fraction | None = None
    for direction in sorted(score.directions, key=lambda direction: direction.onset):
        if direction.kind not in ("tempo", "words") or not direction.text:
            continue
        terms = set(read_text(direction.text)[0])
        if "tempo-primo" in terms and left is not None:
            found += [left, direction.onset]
            left = None
        elif left is None and direction.onset > 0 and terms & _OTHER_TEMPO:
            left = direction.onset
    return found


def _from_endings(score: Score, endings: tuple[Ending, ...], put: _Put) -> None:
    for ending in endings[:-1]:
        bar = begins_with(score, ending.time)
        put(bar, "phrase end", ending.confidence)
        if ending.close is not None and ending.close.label == AUTHENTIC:
            put(bar, "authentic close", ending.confidence)
        if any(r in ("fermata", "rest", "silence") for r in ending.reasons):
            put(bar, "fermata or rest", 1.0)


def _from_returns(score: Score, spans: tuple[Span, ...], put: _Put) -> None:
    for passage in passages_of(score, spans):
        sure = min(1.0, passage.weight / 1.6)
        (old_first, old_last), (first, last) = passage.old, passage.new
        put(first, "return begins", sure)
        put(old_first, "returns later", sure)
        put(last + 1, "return ends", sure)
        put(old_last + 1, "return ends", sure)
        if old_first <= 1 or all(note.measure >= old_first for note in texture_of(score, spans).melody[:2]):
            put(first, "opening returns", sure)
        for bar in (*range(first + 1, last + 1), *range(old_first + 1, old_last + 1)):
            put(bar, "inside a return", sure)


def _from_keys(score: Score, spans: tuple[Span, ...], put: _Put) -> None:
    keys = _bar_keys(score, spans)
    for i in range(2, len(keys) - 1):
        before, here = keys[i - 2 : i], keys[i : i + 2]
        if None not in (*before, *here) and before[0] == before[1] != here[0] == here[1]:
            put(i, "new key", 1.0)
        elif keys[i] is not None and keys[i] != keys[i - 1]:
            put(i, "new key", 0.4)


def _bar_keys(score: Score, spans: tuple[Span, ...]) -> list[Key | None]:
    """Return the key in which each bar begins."""
    keys: list[Key | None] = []
    at = 0
    for measure in score.measures:
        while at < len(spans) and spans[at].end <= measure.start:
            at += 1
        keys.append(spans[at].key if at < len(spans) and spans[at].start < measure.end else None)
    return keys


def _novelty(alike: Likeness, bar: int) -> float:
    """Return how unlike the bars after a bar line are to those before, as against each among themselves."""
    size = min(_NOVELTY, bar, alike.shape[1] - bar)
    if size < 2:
        return 0.0
    whole = alike[0, bar - size : bar + size, bar - size : bar + size]
    above = np.triu(np.ones((size, size), dtype=bool), 1)
    inside = (whole[:size, :size][above].mean() + whole[size:, size:][above].mean()) / 2
    return float(np.clip(inside - whole[:size, size:].mean(), 0.0, 1.0))


def _last_cadence(score: Score, spans: tuple[Span, ...]) -> int | None:
    """Return the bar in which the last rooted authentic close of the home key is reached, if more follows."""
    home = ending_key(score, spans) if score.played_end == score.end else None
    if home is None or home.tonic != home_key(regions_of(spans), score).tonic:
        # What breaks off, or ends elsewhere than at home, has no last cadence at home.
        return None
    closes = [
        close
        for close in find_closes(spans)
        if close.label == AUTHENTIC
        and close.rooted
        and close.key.tonic == home.tonic
        and close.arrival == score.measure_at(close.arrival).start
    ]
    last = next((close for close in reversed(closes) if _is_in_bass(score, spans[close.leader])), None)
    if last is None:
        return None
    # The tonic may be left for a neighbour chord and found again: it counts where the dominant led to it.
    bar = score.measure_at(next(close for close in closes if close.leader == last.leader).arrival).index
    rest = len(score.measures) - bar
    return bar if 3 <= rest <= max(3, len(score.measures) // 4) else None


def _is_in_bass(score: Score, span: Span) -> bool:
    """Whether a chord's root is what sounds lowest under it: over a held tonic a dominant closes nothing."""
    onsets = [note.at for note in score.notes]
    around = range(bisect_left(onsets, float(span.start) - _LONG), bisect_left(onsets, float(span.end)))
    sounding = [score.notes[i] for i in around if score.notes[i].end > span.start]
    lowest = min(sounding, key=lambda note: note.midi, default=None)
    return lowest is not None and lowest.midi % 12 == span.numeral.chord(span.key).root.semitone


def _home(spans: tuple[Span, ...]) -> Key | None:
    """Return the key of the piece: the one it ends in."""
    return spans[-1].key if spans else None


def _from_words(score: Score, put: _Put) -> None:
    """Tell where a singer comes in after two bars of rest or more."""
    sung = sorted({note.measure for note in score.notes if note.lyrics})
    for before, here in zip([-3, *sung], sung, strict=False):
        if here - before > 2:
            put(here, "voice enters", 1.0)


def _reasons(row: Floats, sung: Floats | None) -> tuple[str, ...]:
    """Return why a section begins with a bar, the strongest reason first: also what the singer tells."""
    general = WEIGHTS if sung is None else sung_sections.GENERAL
    given = [(general.get(name, 0.0) * row[_AT[name]], said) for name, said in REASONS.items()]
    if sung is not None:
        names = sung_sections.NAMES
        given += [
            (sung_sections.WEIGHTS[name] * sung[names.index(name)], said)
            for name, said in sung_sections.REASONS.items()
        ]
    given.sort(reverse=True)
    return tuple(dict.fromkeys(said for weight, said in given if weight >= 0.25))


# --- letters ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Name:
    """What a section is called: label, letter, the section it is like (or -1) and how alike they are."""

    label: str
    letter: str
    like: int
    alike: str


def names_of(score: Score, spans: tuple[Span, ...], sections: Sequence[Section]) -> tuple[Name, ...]:
    """Name the sections: framing ones by what they are for, the others by letters."""
    alike = similarity(score, spans)
    labels = _frames(score, spans, sections)
    first_of: dict[str, int] = {}
    varied: dict[str, int] = defaultdict(int)
    names: list[Name] = []
    for k, section in enumerate(sections):
        best, steps, like = 0.0, 0, -1
        for other in first_of.values():
            value, by = _beginning(alike, sections[other], section)
            if value > best:
                best, steps, like = value, by, other
        if like >= 0 and best >= _SAME_LETTER:
            letter = names[like].letter
            how = _how(score, spans, sections[like], section, steps, alike)
            if how != "literal":
                varied[letter] += 1
            coda = labels[k] == "coda" and not any(_is_whole(alike, one, section) for one in sections[:k])
            label = "coda" if coda else "section"
            names.append(Name(label, letter + "'" * varied[letter], like, how))
        elif labels[k] != "section":
            names.append(Name(labels[k], "", -1, ""))
        else:
            letter = _letter(len(first_of))
            first_of[letter] = k
            names.append(Name("section", letter, -1, ""))
    return tuple(names)


def _is_whole(alike: Likeness, one: Section, other: Section) -> bool:
    """Whether a section comes back from its beginning to its end, bar by bar: what closes so says no farewell
    after the close, as a coda does (Caplin 1998, chapter 12; from memory).
    """
    size = other.last + 1 - other.first
    if one.last + 1 - one.first != size:
        return False
    diagonal = alike[0, one.first : one.last + 1, other.first : other.last + 1].diagonal()
    return bool(diagonal.min() > _SAME_LETTER)


def _letter(index: int) -> str:
    return chr(ord("A") + index % 26) + (str(index // 26 + 1) if index >= 26 else "")


def _beginning(alike: Likeness, one: Section, other: Section) -> tuple[float, int]:
    """Return how alike two sections begin, 0..1, and by how many steps the later is moved up.

    The later may begin a bar early or late: an upbeat, or a bar of accompaniment before it.
    """
    best, steps = 0.0, 0
    for shift_one, shift_other in ((0, 0), (1, 0), (0, 1)):
        first, second = one.first + shift_one, other.first + shift_other
        size = min(_NEAR, one.last + 1 - first, other.last + 1 - second)
        if size < min(2, one.last + 1 - one.first):
            continue
        diagonal = alike[:, first : first + size, second : second + size].diagonal(axis1=1, axis2=2)
        # The best three of four: a bar may be adorned beyond knowing.
        values = np.sort(diagonal, axis=1)[:, 1 if size > 3 else 0 :].mean(axis=1)
        values[1:] -= 0.05
        by = int(np.argmax(values))
        if values[by] > best:
            best, steps = float(values[by]), by
    return best, steps


def _how(
    score: Score, spans: tuple[Span, ...], one: Section, other: Section, steps: int, alike: Likeness
) -> str:
    """Say how a section brings another back."""
    measures = score.measures
    before = main_key(spans, measures[one.first].start, measures[one.last].end)
    here = main_key(spans, measures[other.first].start, measures[other.last].end)
    if steps:
        return "in another key"
    if before is not None and here is not None and before.tonic == here.tonic and before.mode != here.mode:
        return "in the other mode"
    size = one.last - one.first
    same = other.last - other.first == size and all(
        alike[0, one.first + k, other.first + k] > 0.995 for k in range(size + 1)
    )
    return "literal" if same else "varied"


def _frames(score: Score, spans: tuple[Span, ...], sections: Sequence[Section]) -> list[str]:
    """Propose introduction, closing sections and coda."""
    labels = ["section"] * len(sections)
    if len(sections) < 2:
        return labels
    bars = len(score.measures)
    head, tail = sections[0], sections[-1]
    if _is_introduction(score, spans, head, bars):
        labels[0] = "introduction"
    last = _last_cadence(score, spans)
    if last is not None and tail.first in (last, last + 1):
        labels[-1] = "coda"
    home = _home(spans)
    keys = _bar_keys(score, spans)
    movements = movement_numbers(score)
    for k in range(1, len(sections) - 1):
        section = sections[k]
        size = section.last + 1 - section.first
        within = {keys[i] for i in range(section.first, section.last + 1)}
        ended = section.last + 1 < bars and (
            score.measures[section.last].repeat_end or score.measures[section.last + 1].repeat_start
        )
        reached = _closed_before(spans, score.measures[section.first].start)
        begins = movements[section.first] != movements[section.first - 1]
        if (
            ended
            and reached
            and not begins
            and size <= max(4, bars // 8)
            and len(within) == 1
            and within != {home}
        ):
            labels[k] = "closing section"
    return labels


def _closed_before(spans: tuple[Span, ...], moment: Fraction) -> bool:
    """Whether the key at a moment has lasted since its tonic was heard in root position, so that what follows
    may confirm it (Caplin 1998, chapter 8: closing sections follow a close; from memory).
    """
    at = bisect_right(spans, moment, key=lambda span: span.start) - 1
    if at <= 0:
        return False
    key = spans[at].key
    lasting = takewhile(lambda span: span.key == key, _backwards(spans, at))
    return any(_is_firm_tonic(span, key) for span in lasting)


def _backwards(spans: tuple[Span, ...], at: int) -> Iterator[Span]:
    """Yield the spans before the one of a number, the last first."""
    return (spans[i] for i in range(at - 1, -1, -1))


def _is_firm_tonic(span: Span, key: Key) -> bool:
    """Whether a span stands on the tonic of a key, which is its own, in root position."""
    chord = span.numeral.chord(key)
    return span.key == key and is_tonic(chord, key) and chord.bass == key.tonic


def arriving_key(spans: tuple[Span, ...], moment: Fraction) -> Key | None:
    """Return the key whose tonic is heard for the first time at a moment, after music on its dominant or in
    the key of that; None where no key arrives.
    """
    at = bisect_right(spans, moment, key=lambda span: span.start) - 1
    if at <= 0 or moment >= spans[at].end:
        return None
    key = spans[at].key
    dominant = key.tonic.shift(1)
    before = spans[at - 1]
    promised = dominant in (before.key.tonic, before.numeral.chord(before.key).root)
    if not promised or not is_tonic(spans[at].numeral.chord(key), key):
        return None
    for span in _backwards(spans, at):
        if _is_firm_tonic(span, key):
            return None
        if span.key not in (key, before.key):
            break
    return key


def _is_short(head: Section, bars: int) -> bool:
    """Whether what lasts from the beginning to a section's end is short enough for an introduction."""
    return head.last + 1 <= max(4, bars // 5)


def _is_introduction(score: Score, spans: tuple[Span, ...], head: Section, bars: int) -> bool:
    """Whether the first section only prepares: short, not brought back, with no theme (or voice) at first."""
    size = head.last + 1
    if not _is_short(head, bars):
        return False
    sung = [note.measure for note in score.notes if note.lyrics]
    if sung:
        # What is played before the voice introduces it, whether or not it comes back between two verses.
        return min(sung) >= head.last
    if any(
        passage.old[0] <= head.last and passage.old[0] + 1 < size for passage in passages_of(score, spans)
    ):
        return False
    opening = {note.measure for note in texture_of(score, spans).melody if note.measure <= head.last}
    tempo = any(
        direction.kind == "tempo"
        and direction.onset > 0
        and score.measure_at(direction.onset).index == head.last + 1
        for direction in score.directions
    )
    return tempo or 0 not in opening


def _whole_bars(score: Score, section: Section) -> int:
    """Return how many bars a section has; an upbeat at the head of the piece is none."""
    upbeat = section.first == 0 and score.measures[0].offset > 0
    return max(1, section.last + 1 - section.first - upbeat)


def _told(score: Score, spans: tuple[Span, ...], sections: tuple[Section, ...]) -> tuple[Event, ...]:
    names = names_of(score, spans, sections)
    melody = texture_of(score, spans).melody
    events: list[Event] = []
    for number, (section, name) in enumerate(zip(sections, names, strict=True), start=1):
        start, end = score.measures[section.first].start, score.measures[section.last].end
        bars = _whole_bars(score, section)
        detail = SectionDetails(letter=name.letter, number=number, bars=bars, reasons=section.reasons)
        key = main_key(spans, start, min(end, start + 2 * score.measures[section.first].full_length))
        if key is not None:
            detail = replace(detail, key=key)
        if name.like >= 0:
            detail = replace(detail, like=score.measures[sections[name.like].first].start, alike=name.alike)
        tune = foretold(score) if name.label == "introduction" else None
        if tune is not None:
            detail = replace(detail, foretold=tune[0], entry=tune[1], entry_until=tune[2])
        notes = tuple(note.id for note in melody if note.measure == section.first)
        sure = section.confidence
        if number == 1 and len(sections) > 1:
            # Where the piece begins is no question; where its first section ends is.
            sure = sections[1].confidence
        events.append(SECTION.event(name.label, start, end, notes, round(sure, 3), detail))
    scheme = " ".join(
        name.letter if name.letter and name.label == "section" else name.label for name in names
    )
    confidence = round(float(np.mean([section.confidence for section in sections])), 3)
    whole = FORM.event(
        "scheme",
        score.measures[0].start,
        score.end,
        (),
        confidence,
        FormDetails(
            scheme=scheme,
            sections=len(sections),
            starts=tuple(score.measures[section.first].start for section in sections),
            form_name=_named(score, spans, sections, names),
        ),
    )
    return (whole, *events)


def _named(
    score: Score, spans: tuple[Span, ...], sections: Sequence[Section], names: Sequence[Name]
) -> str | None:
    pairs = zip(sections, names, strict=True)
    lettered = [(section, name.letter) for section, name in pairs if name.letter and name.label == "section"]
    other = next((section for section, letter in lettered if letter.rstrip("'") != lettered[0][1]), None)
    closed = other is not None and _closes_at_home(score, spans, other)
    return form_name(score, [letter for _, letter in lettered], closed) or None


def _closes_at_home(score: Score, spans: tuple[Span, ...], following: Section) -> bool:
    """Whether what comes before a section has ended in the key in which the piece begins."""
    before = [span for span in spans if span.start < score.measures[following.first].start]
    return bool(before) and before[-1].key.tonic == spans[0].key.tonic


FORM: Kind[FormDetails] = Kind(
    "form",
    FormDetails,
    find=find_form,
    weight=9.0,
    of_piece=True,
)


SECTION: Kind[SectionDetails] = Kind(
    "section",
    SectionDetails,
    weight=5.5,
    of_passage=True,
    lane=Lane(),
    searched={
        "coda": ("coda",),
    },
)
