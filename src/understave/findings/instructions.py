"""Score and spans -> printed instructions, read and explained, and what the printed pedal does to chords.

The words are read by `printed_words`; what terms mean stands with the words of each language.

Event: kind ``"instruction"``; `notes` are those struck at its moment in its staff; it lasts until the next
of its label (tempo and tempo change end each other), character and touch to the end of their bar unless
they print their own end. Labels by the first term that is more than a degree: ``"tempo"``,
``"tempo change"``, ``"character"``, ``"dynamic"``, ``"soft pedal"``, ``"pedal"``, ``"touch"``; ``"how much"``
where there are only degrees (poco, molto), ``"text"`` where nothing is known. Detail:

- ``text`` str: as printed, without the metronome mark. ``terms`` tuple of str: ids, in order.
  ``language`` str: ``"it"``, ``"fr"``, ``"de"`` or ``"en"``. ``unread`` str: words not known.
- ``per_minute`` float: quarter notes a minute (tempo). ``extreme`` str: ``"loudest"`` or ``"softest"``: the
  first mark of the piece's greatest or least level (dynamic). ``first`` int: 1 where none of its terms has
  been printed before.
- ``instrument`` str: id of the term that early and modern instruments take differently; ``source`` str:
  where that is known from.

Event: kind ``"pedal mark"``; printed pedal signs and the chords under them. Labels and detail:

- ``"with the harmony"``: one event over all of them. ``marks`` int: how often the pedal goes down;
  ``at_changes`` int: how many of these fall on a new chord; ``held_through`` int.
- ``"held through a change"``: one pedal over two chords or more. ``chords`` tuple of RomanNumeral, ``times``
  tuple of Fraction, ``key`` Key; ``bass`` str: ``"stays"`` (a pedal point: it bears a long pedal) or
  ``"moves"``; ``clashes`` int: pairs of notes a semitone apart (octaves aside) that the pedal mixes and no
  single chord contains; ``source`` str.
- ``"renewed within a chord"``: the pedal is changed while the chord stays. ``chord`` RomanNumeral, ``key``
  Key, ``marks`` int.

Sentences, one per label:

- tempo: "Andantino cullante: a light walking pace, rocking."
- tempo change: "Allargando: broader, slower and usually louder."
- character: "Lontano: as from far away."
- dynamic: "pp: very soft, the softest of the piece."
- soft pedal: "Una corda: on a piano of 1820 the shift may reach a single string; on yours it leaves two."
- pedal: "Con pedale: with the sustaining pedal, changed by ear."
- touch: "Legatissimo: notes joined as closely as can be."
- how much: "Sempre: from here on."
- text: "Printed words: lo stesso suono, un altro nome."
- with the harmony: "The printed pedal changes with the harmony nearly everywhere."
- held through a change: "One pedal holds V and I together; an early piano lets the first fade, a modern one
  needs a half change."
- renewed within a chord: "The pedal is renewed though the chord stays: to clear the melody."
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import combinations

from understave.findings.dissonance import pedal_stretches
from understave.findings.kinds import Kind
from understave.findings.printed_words import DICTIONARY, METRONOME, plain, read_text
from understave.findings.rhythm import Change, changes_of
from understave.findings.sounding_notes import Soundings, soundings
from understave.harmony.reading import Details, Event, Span
from understave.score.model import Direction, Note, Score
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral


@dataclass(frozen=True, slots=True, kw_only=True)
class InstructionDetails(Details):
    """What is printed and how it is read."""

    text: str
    terms: tuple[str, ...]
    language: str | None = None
    first: int | None = None
    extreme: str | None = None
    unread: str | None = None
    per_minute: float | None = None
    instrument: str | None = None
    source: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PedalMarkDetails(Details):
    """The printed pedal and the chords under it."""

    key: Key | None = None
    chord: RomanNumeral | None = None
    marks: int | None = None
    at_changes: int | None = None
    held_through: int | None = None
    chords: tuple[RomanNumeral, ...] | None = None
    times: tuple[Fraction, ...] | None = None
    bass: str | None = None
    clashes: int | None = None
    source: str | None = None


COMMON_PRACTICE = "common practice, no source"
_DEGREE = "how much"
_LEVELS = {
    "pppp": 0,
    "ppp": 1,
    "pianissimo": 2,
    "piano": 3,
    "mezzo-piano": 4,
    "mezzo-forte": 5,
    "forte": 6,
    "fortissimo": 7,
    "fff": 8,
}


def find_instructions(score: Score, spans: tuple[Span, ...]) -> tuple[Event, ...]:
    """Return the printed instructions and what the printed pedal does, sorted by start."""
    events = [*_instructions(score), *_pedal_marks(score, spans)]
    return tuple(sorted(events, key=lambda event: event.start))


# ---------------------------------------------------------------- words and signs


def _instructions(score: Score) -> list[Event]:
    struck: dict[tuple[Fraction, int], list[str]] = {}
    for note in score.notes:
        struck.setdefault((note.onset, note.staff), []).append(note.id)
    read = [
        (direction, *read_text(_text_of(direction)))
        for direction in score.directions
        if direction.kind in _READ and _text_of(direction)
    ]
    read.sort(key=lambda x: x[0].onset)
    levels = [
        _LEVELS[t]
        for direction, terms, _ in read
        for t in terms
        if direction.kind == "dynamic" and t in _LEVELS
    ]
    extremes = {max(levels): "loudest", min(levels): "softest"} if len(set(levels)) > 1 else {}
    found: list[tuple[Direction, str, InstructionDetails, float]] = []
    seen: set[tuple[Fraction, str]] = set()
    met: set[str] = set()
    for direction, terms, unread in read:
        # The same sign in both staves is one instruction.
        if (direction.onset, plain(direction.text)) in seen:
            continue
        seen.add((direction.onset, plain(direction.text)))
        main = next((t for t in terms if DICTIONARY[t].kind != _DEGREE), terms[0] if terms else None)
        label = DICTIONARY[main].kind if main is not None else "text"
        detail = InstructionDetails(text=_worded(direction), terms=terms)
        if main is not None:
            detail = replace(detail, language=DICTIONARY[main].language)
        if met.isdisjoint(terms):
            detail = replace(detail, first=1)
        met.update(terms)
        if unread:
            detail = replace(detail, unread=unread)
        if direction.kind == "tempo" and direction.value is not None:
            detail = replace(detail, per_minute=direction.value)
        level = (
            next((_LEVELS[t] for t in terms if t in _LEVELS), None) if direction.kind == "dynamic" else None
        )
        if level in extremes:
            detail = replace(detail, extreme=extremes.pop(level))
        instrument = next((t for t in terms if DICTIONARY[t].pianos_differ), None)
        if instrument is not None:
            detail = replace(detail, instrument=instrument, source=COMMON_PRACTICE)
        found.append((direction, label, detail, 0.95 if not unread else 0.7 if terms else 0.3))
    events = []
    for i, (direction, label, detail, belief) in enumerate(found):
        end = (
            direction.end
            if direction.end is not None and direction.end > direction.onset
            else _until(score, label, direction, found[i + 1 :])
        )
        notes = tuple(struck.get((direction.onset, direction.staff), ()))
        events.append(
            INSTRUCTION.event(label, direction.onset, max(end, direction.onset), notes, belief, detail)
        )
    return events


_READ = frozenset(("words", "tempo", "dynamic", "wedge", "fermata"))


def _text_of(direction: Direction) -> str:
    """Return the words of a direction; a hairpin says crescendo or diminuendo, a bare tempo nothing."""
    if direction.kind == "fermata":
        return "fermata"
    return _worded(direction) or (direction.text.strip() if direction.value is not None else "")


def _worded(direction: Direction) -> str:
    """Return a direction's words without a tempo in figures.

    Half a pair of an editor's brackets belongs to another direction.
    """
    text = METRONOME.sub(" ", direction.text)
    if text.count("[") != text.count("]"):
        text = text.replace("[", "").replace("]", "")
    return " ".join(text.split())


def _until(
    score: Score,
    label: str,
    direction: Direction,
    later: Sequence[tuple[Direction, str, InstructionDetails, float]],
) -> Fraction:
    """Return where an instruction without a printed end stops holding."""
    if label in ("character", "touch", "text", _DEGREE):
        return score.measure_at(direction.onset).end
    same = ("tempo", "tempo change") if label.startswith("tempo") else (label,)
    return next(
        (d.onset for d, other, _, _ in later if other in same and d.onset > direction.onset), score.end
    )


# ---------------------------------------------------------------- the printed pedal


def _pedal_marks(score: Score, spans: tuple[Span, ...]) -> Iterator[Event]:
    stretches = pedal_stretches(score)
    changes = changes_of(spans)
    if not stretches or not changes:
        return
    sounding = soundings(score)
    starts = [change.start for change in changes]
    held = [(down, up, _under(changes, starts, down, up)) for down, up in stretches]
    mixed = [(down, up, chords) for down, up, chords in held if len(chords) > 1]
    at_starts = set(starts)
    on_change = sum(1 for down, _ in stretches if down in at_starts)
    detail = PedalMarkDetails(marks=len(stretches), at_changes=on_change, held_through=len(mixed))
    if 2 * on_change >= len(stretches):
        yield PEDAL_MARK.event("with the harmony", stretches[0][0], stretches[-1][1], (), 0.9, detail)
    for down, up, chords in mixed:
        yield _held_through(sounding, down, up, chords)
    yield from _renewed(changes, stretches)


def _under(
    changes: Sequence[Change], starts: Sequence[Fraction], down: Fraction, up: Fraction
) -> tuple[Change, ...]:
    """Return the chords under a pedal; one that begins as it is lifted does not count."""
    first = max(0, bisect_right(starts, down) - 1)
    return tuple(change for change in changes[first : bisect_left(starts, up)] if change.end > down)


def _held_through(sounding: Soundings, down: Fraction, up: Fraction, chords: Sequence[Change]) -> Event:
    basses = [sounding.lowest(max(change.start, down), min(change.end, up)) for change in chords]
    tones = {note.midi % 12 for note in basses if note is not None}
    struck: list[Note] = list(
        {note.id: note for c in (sounding.at(down), *sounding.between(down, up)) for note in c}.values()
    )
    own = [change.span.numeral.chord(change.span.key).semitones for change in chords]
    present = sorted({note.midi % 12 for note in struck})
    clashes = sum(
        1
        for a, b in combinations(present, 2)
        if (b - a) % 12 in (1, 11) and not any(a in tones_ and b in tones_ for tones_ in own)
    )
    detail = PedalMarkDetails(
        key=chords[0].span.key,
        chords=tuple(change.span.numeral for change in chords),
        times=tuple(max(change.start, down) for change in chords),
        bass="stays" if len(tones) == 1 else "moves",
        clashes=clashes,
        source=COMMON_PRACTICE,
    )
    notes = tuple(note.id for note in basses if note is not None)
    belief = min(change.span.confidence for change in chords)
    return PEDAL_MARK.event(
        "held through a change", down, up, tuple(dict.fromkeys(notes)), round(belief, 3), detail
    )


def _renewed(changes: Sequence[Change], stretches: Sequence[tuple[Fraction, Fraction]]) -> Iterator[Event]:
    """Yield the chords within which the pedal is lifted and put down again."""
    downs = [float(down) for down, _ in stretches]
    for change in changes:
        inside = bisect_left(downs, float(change.end)) - bisect_right(downs, float(change.start))
        if inside <= 0:
            continue
        detail = PedalMarkDetails(key=change.span.key, chord=change.span.numeral, marks=inside)
        belief = round(change.span.confidence, 3)
        yield PEDAL_MARK.event("renewed within a chord", change.start, change.end, (), belief, detail)


def _weigh(base: float, event: Event, details: InstructionDetails) -> float:
    """What is printed for the first time, and the loudest and softest of all, matter most."""
    return base * (2 if details.extreme else 1 if details.first else 0.4)


INSTRUCTION: Kind[InstructionDetails] = Kind(
    "instruction",
    InstructionDetails,
    find=find_instructions,
    weight=1.7,
    labels={
        "tempo": 3.2,
        "tempo change": 2.0,
        "character": 2.4,
        "soft pedal": 2.6,
        "dynamic": 0.6,
        "how much": 0.3,
    },
    weigh=_weigh,
    of_passage=True,
)


PEDAL_MARK: Kind[PedalMarkDetails] = Kind(
    "pedal mark",
    PedalMarkDetails,
    weight=2.2,
    labels={
        "with the harmony": 3.0,
    },
)
