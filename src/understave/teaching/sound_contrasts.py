"""Contrasts of sound: the same bars with the pedal changed and held, on a modern and on an early piano.

In: a Score and its Reading. Out: `Contrast` values whose two sides have the same notes and differ in how they
are played (`contrasts.Way`). Labels, with their details beside ``key`` and ``at``:

- ``"pedal"``: as the plan changes it, and held down through. It is given where holding blurs most, by the
  measure of `acoustics.blur` (``old`` and ``new`` are the notes that clash then).
- ``"piano"``: a modern concert grand and an early piano, where most low notes sound (``bass`` the lowest).
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from understave.acoustics.piano import EARLY, GRAND, Instrument
from understave.harmony.reading import Reading
from understave.interpretation.pedal_blur import pedal_blur
from understave.interpretation.pedal_reasons import PEDALLING
from understave.interpretation.plan import PedalMove, Plan
from understave.interpretation.planning import PlanOptions, make_plan
from understave.score.model import Score
from understave.score.passage import passage
from understave.teaching.carried import carry, reading_of
from understave.teaching.contrasts import Contrast, Way, contrasts, in_order
from understave.teaching.details import OtherPiano, PedalHeld
from understave.theory.pitch import Pitch

BARS = 3
"""Bars of such a contrast."""
LEAST_BLUR = 0.05
"""How much more a held pedal must blur than a changed one, to be worth hearing (1: C with C sharp)."""
_TRIES = 3
"""Places at which holding the pedal is measured, those with most clashing changes first."""
_LOW = 52
"""Keys below this one count as bass."""


def all_contrasts(
    score: Score,
    reading: Reading,
    at_most: int,
    instrument: Instrument = GRAND,
    plan: Plan | None = None,
) -> tuple[Contrast, ...]:
    """Return the contrasts of a piece, at most so many of notes, and those of sound, in order of time.

    `plan` is that of the piece for the instrument, where it has been made.
    """
    return in_order((*contrasts(score, reading, at_most), *soundings(score, reading, instrument, plan)))


def soundings(
    score: Score, reading: Reading, instrument: Instrument = GRAND, plan: Plan | None = None
) -> tuple[Contrast, ...]:
    """Return the contrasts of sound that a piece gives occasion for, pedalled for an instrument."""
    if not score.measures or not reading.spans:
        return ()
    options = PlanOptions(instrument=instrument)
    planned = plan or make_plan(score, reading, options)
    found = (_pedal(score, reading, options, planned.pedal), _piano(score, reading))
    return tuple(contrast for contrast in found if contrast is not None and contrast.is_so(score, reading))


def _windows(score: Score) -> Iterator[tuple[int, int, Fraction, Fraction]]:
    """First and last measure, start and end of all stretches of `BARS` bars."""
    count = len(score.measures)
    for first in range(max(1, count - BARS + 1)):
        last = min(first + BARS, count) - 1
        yield first, last, score.measures[first].start, score.measures[last].end


def _clashing(move: PedalMove) -> tuple[Pitch, Pitch] | None:
    """The notes that a change of pedal keeps apart."""
    found = None if move.why is None else PEDALLING.of(move.why)
    if found is None or found.old is None or found.new is None:
        return None
    return found.old, found.new


def _pedal(
    score: Score, reading: Reading, options: PlanOptions, planned: tuple[PedalMove, ...]
) -> Contrast | None:
    moves = [move for move in planned if move.depth > 0 and _clashing(move) is not None]
    counted = [
        (sum(start <= move.moment < end for move in moves), w)
        for w in _windows(score)
        for start, end in [w[2:]]
    ]
    likely = sorted((c for c in counted if c[0] > 0), key=lambda c: (-c[0], c[1][0]))[:_TRIES]
    best: tuple[float, Contrast] | None = None
    for _, (first, last, start, _) in likely:
        written, own = _excerpt(score, reading, first, last)
        plan = make_plan(written, own, options)
        clash = next(((move, c) for move in plan.pedal if (c := _clashing(move)) is not None), None)
        if clash is None:
            continue
        held = (PedalMove(Fraction(0), 1.0, "proposed"),)
        blurs = [
            pedal_blur(written, own, m, instrument=options.instrument, tempo=plan.tempo, most=0).mean
            for m in (plan.pedal, held)
        ]
        more = blurs[1] - blurs[0]
        if more >= LEAST_BLUR and (best is None or more > best[0]):
            move, (old, new) = clash
            ways = (Way(plan.pedal), Way(held))
            details = PedalHeld(at=start + move.moment, key=own.spans[0].key, old=old, new=new)
            best = more, _contrast("pedal", (first, last), details, (written, own), ways)
    return best[1] if best is not None else None


def _piano(score: Score, reading: Reading) -> Contrast | None:
    def bass(window: tuple[int, int, Fraction, Fraction]) -> Fraction:
        _, _, start, end = window
        low = (note for note in score.notes if note.midi < _LOW and note.onset < end and note.end > start)
        return sum((min(note.end, end) - max(note.onset, start) for note in low), Fraction(0))

    def playable(window: tuple[int, int, Fraction, Fraction]) -> bool:
        _, _, start, end = window
        return all(EARLY.has_key(note.midi) for note in score.notes if note.onset < end and note.end > start)

    best = max(filter(playable, _windows(score)), key=lambda w: (bass(w), -w[0]), default=None)
    if best is None or bass(best) == 0:
        return None
    first, last, start, end = best
    lowest = min(
        (note for note in score.notes if note.onset < end and note.end > start), key=lambda note: note.midi
    )
    ways = (Way(piano=GRAND.name), Way(piano=EARLY.name))
    written, own = _excerpt(score, reading, first, last)
    details = OtherPiano(at=start, key=own.spans[0].key, bass=lowest.pitch)
    return _contrast("piano", (first, last), details, (written, own), ways)


def _excerpt(score: Score, reading: Reading, first: int, last: int) -> tuple[Score, Reading]:
    written = passage(score, first, last)
    start, end = score.measures[first].start, score.measures[last].end
    return written, reading_of(written, carry(reading.spans, written, start, end))


def _contrast(
    label: str,
    bars: tuple[int, int],
    details: PedalHeld | OtherPiano,
    excerpt: tuple[Score, Reading],
    ways: tuple[Way, Way],
) -> Contrast:
    written, own = excerpt
    return Contrast(
        label,
        *bars,
        details,
        written,
        own,
        written,
        own,
        (),
        (),
        shows=label,
        ways=ways,
    )
