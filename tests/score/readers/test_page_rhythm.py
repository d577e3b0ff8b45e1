"""How a bar of a page is put in time: beams and beats, heads that two voices share, lines that are stems.

The pages are laid out here by hand, as engravers print them (common practice, no source).
"""

from __future__ import annotations

from fractions import Fraction

from understave.score.readers.page.events import Event, Head
from understave.score.readers.page.ink import Box, Line
from understave.score.readers.page.layout import Staff, Symbol, System, bar_lines
from understave.score.readers.page.solving import Bar, Solution, solve

SPACE = 10.0
HALF, EIGHTH, SIXTEENTH = Fraction(2), Fraction(1, 2), Fraction(1, 4)


def _chord(x: float, value: Fraction, way: int, position: int, beam: int | None = None) -> Event:
    box = Box(x - 6, 5.0 * position - 5, x + 6, 5.0 * position + 5)
    head = Head(Symbol("noteheadBlack" if value < 2 else "noteheadHalf", box, box.y), 0, position, False)
    return Event(x, box.y, 0, value, way, [head], beam=beam, beams=int(beam is not None), box=box)


def _solved(events: list[Event], length: int) -> Solution:
    values = [event.value for event in events]
    return solve(Bar(events, values, Fraction(length), Fraction(1), (0,), SPACE))[0]


def test_a_beam_without_its_first_rest_ends_with_a_beat():
    # Under a half note an inner voice comes in after a sixteenth rest that nobody prints.
    events = [_chord(0, HALF, 1, 7)]
    events += [_chord(30 + 25 * k, SIXTEENTH, -1, 2, beam=1) for k in range(3)]
    events += [_chord(105 + 25 * k, SIXTEENTH, -1, 2, beam=2) for k in range(4)]
    found = _solved(events, 2)
    assert found.onsets == (0, *(Fraction(k, 4) for k in range(1, 8)))


def test_a_beam_over_a_beat_is_less_sure_than_one_within():
    within, over = (
        _solved([_chord(30 * k, EIGHTH, 1, 4, beam=1 if k in beamed else None) for k in range(4)], 2)
        for beamed in ((0, 1), (1, 2))
    )
    assert within.onsets == over.onsets
    assert within.cost < over.cost


def test_a_note_that_shares_a_longer_head_leaves_a_gap_in_its_beam():
    # The second eighth of the beam above is the head of the half note in the voice below.
    upper = [(0, 0), (60, 2), (90, 3), (120, 4), (150, 5)]
    events = [_chord(x, EIGHTH, 1, 8, beam=1) for x, _ in upper]
    events.insert(1, _chord(30, HALF, -1, 0))
    found = _solved(events, 3)
    assert found.onsets == (0, EIGHTH, 1, Fraction(3, 2), 2, Fraction(5, 2))
    assert len({found.voices[k] for k in (0, 2, 3, 4, 5)}) == 1
    assert found.voices[1] != found.voices[0]


def test_stems_that_stand_under_each_other_on_two_staves_are_no_bar_line():
    staves = [Staff(0, 400, 100, 140), Staff(0, 400, 0, 40)]
    system = System(staves)
    # Stems as high as a staff, each with a head at its end; then a bar line in one piece, and one in two.
    stems = [Line(200, 100, 200, 142, 1), Line(200, -3, 200, 40, 1)]
    heads = [
        Symbol("noteheadBlack", Box(188, 137, 200, 147), 142),
        Symbol("noteheadBlack", Box(200, -8, 212, 2), -3),
    ]
    bars = [Line(300, 0, 300, 140, 1), Line(400, 100, 400, 140, 1), Line(400, 0, 400, 40, 1)]
    assert [bar.x0 for bar in bar_lines(system, [*stems, *bars], heads, SPACE)] == [299.5, 399.5]
