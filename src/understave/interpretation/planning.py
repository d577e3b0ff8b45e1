"""Score and Reading -> Plan: tension, loudness, voicing, timing and pedal, under one set of wishes."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from understave.acoustics.piano import GRAND, Instrument
from understave.harmony.reading import Reading
from understave.interpretation.dynamics import dynamics
from understave.interpretation.pedal import pedal
from understave.interpretation.plan import PedalStyle, Plan
from understave.interpretation.printed_pedal import printed_pedal
from understave.interpretation.sostenuto import sostenuto
from understave.interpretation.tempo import basic_tempo
from understave.interpretation.tension import tension
from understave.interpretation.timing import timing
from understave.interpretation.voicing import voicing
from understave.score.model import Score


@dataclass(frozen=True, slots=True)
class PlanOptions:
    """What the teacher asks of a plan.

    `style` and `blur` (0 clear .. 1 as much as can be borne) are for the pedal, `instrument` is what it is
    played on; `rubato` scales the bends of tempo, 0 for none; `tempo` is in quarter notes a minute, None for
    what the score asks for.
    """

    style: PedalStyle = "planned"
    blur: float = 0.5
    instrument: Instrument = GRAND
    rubato: float = 1.0
    tempo: float | None = None


def for_keyboard(score: Score) -> bool:
    """Whether a piece has a part for two hands: a keyboard's, or two parts that are all there is.

    Others, a string quartet say, are played on the piano to be heard; a pedal planned for them would be
    nobody's.
    """
    return len(score.parts) <= 2 or bool(score.keyboards)


def keyboard_staves(score: Score) -> frozenset[int]:
    """Return the staves of those who play a keyboard; of a piece without one all there are."""
    hands = [score.parts[i] for player in score.keyboards for i in player] or list(score.parts)
    return frozenset(k for part in hands for k in range(part.first_staff, part.last_staff + 1))


def for_hands(score: Score, ids: Iterable[str]) -> bool:
    """Whether a pianist's hands have any of these notes (a singer's are the singer's), or there are none."""
    if not for_keyboard(score):
        return False
    staves = keyboard_staves(score)
    notes = [note for note in (score.note_by_id.get(i) for i in ids) if note is not None]
    return not notes or any(note.staff in staves for note in notes)


def make_plan(score: Score, reading: Reading, options: PlanOptions = PlanOptions()) -> Plan:
    """Return the plan for playing a score as its reading says."""
    strain = tension(score, reading)
    levels, hairpins, marks = dynamics(score, reading, strain)
    pace = options.tempo if options.tempo is not None else basic_tempo(score)
    voices = voicing(score, reading)
    foot = (
        ()
        if options.style == "planned" and not for_keyboard(score)
        else pedal(
            score, reading, style=options.style, blur=options.blur, instrument=options.instrument, tempo=pace
        )
    )
    third = options.style == "planned" and options.instrument.sostenuto
    return Plan(
        tension=strain,
        levels=levels,
        hairpins=hairpins,
        marks=marks,
        voices=voices,
        timing=timing(score, reading, strain, options.rubato, voices),
        pedal=foot,
        tempo=pace,
        sustained=sostenuto(score, foot) if third and not printed_pedal(score).sustained else (),
    )
