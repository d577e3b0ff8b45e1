"""How bars of a page are found and put in time: beams and beats, figures, heads that voices share, ties and
slurs, lines that are stems.

The pages are laid out here by hand, as engravers print them (common practice, no source).
"""

from __future__ import annotations

from fractions import Fraction

import pytest

from understave.score.readers.page.curves import ties_of
from understave.score.readers.page.events import Event, Head, events_of
from understave.score.readers.page.ink import Box, Line, Page
from understave.score.readers.page.layout import Sheet, Staff, Symbol, System, Word, bar_lines
from understave.score.readers.page.solving import Bar, Solution, solve
from understave.score.readers.page.tuplets import scalings

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


def test_what_stands_under_each_other_is_struck_together():
    # Two voices come in with the second quarter note, right under each other and under a beam.
    events = [_chord(0, Fraction(1), 1, 2), _chord(50, EIGHTH, -1, 4, beam=1), _chord(50, Fraction(1), 1, 11)]
    events += [_chord(50.5, HALF, -1, 0)]
    events += [_chord(76 + 26 * k, EIGHTH, -1, 4, beam=1) for k in range(3)] + [
        _chord(154, Fraction(1), 1, 4)
    ]
    found = _solved(events, 4)
    assert found.onsets[:4] == (0, 1, 1, 1)


def _curve(a: Event, b: Event, head: int) -> tuple[tuple[float, float], tuple[float, float], float]:
    y = a.heads[head].box.y + 6
    return (a.x + 8, y), (b.x - 8, y), y + 6


def _under_curves(
    two: tuple[Event, Event], curves: int, symbols: list[Symbol], words: list[Word]
) -> tuple[int, int]:
    """Return how many ties and slurs are read of curves between two chords."""
    system = System([Staff(-50, 400, 0, 40)], groups=[(0, 0)])
    drawn = [_curve(*two, head) for head in range(curves)]
    sheet = Sheet(Page(500, 200), SPACE, [system], symbols, words, [], [], drawn)
    found = ties_of(sheet, system, two)
    return len(found.before), len(found.slurs)


def _again(*positions: int) -> tuple[Event, Event]:
    pair = _chord(50, Fraction(1), 1, positions[0]), _chord(120, Fraction(1), 1, positions[0])
    for event in pair:
        event.heads += [_chord(event.x, Fraction(1), 1, position).heads[0] for position in positions[1:]]
    return pair


def _dot(event: Event) -> Symbol:
    y = event.heads[0].box.y - 10
    return Symbol("articStaccatoBelow", Box(event.x - 1, y - 1, event.x + 1, y + 1), y)


def _word(text: str, x: float) -> Word:
    box = Box(x - 8, -30, x + 8, -22)
    return Word(text, box, -30, 10, "Serif", ((text, box.x0, box.x1),))


def test_a_chord_that_comes_again_is_tied_at_all_its_heads_or_slurred():
    assert _under_curves(_again(3), 1, [], []) == (1, 0)
    assert _under_curves(_again(3, 5), 2, [], []) == (2, 0)
    assert _under_curves(_again(3, 5), 1, [], []) == (0, 1)
    changed = _again(3, 5)
    changed[1].heads[1].accidental = Symbol("accidentalSharp", Box(100, 20, 108, 30), 25)
    assert _under_curves(changed, 1, [], []) == (1, 0)


def test_notes_with_dots_under_a_curve_are_struck():
    a, b = _again(3)
    assert _under_curves((a, b), 1, [_dot(a), _dot(b)], []) == (0, 1)
    assert _under_curves((a, b), 1, [_dot(b)], []) == (1, 0)


def test_a_note_with_a_syllable_of_its_own_is_sung_anew():
    sung = [_word("don", 50), _word("ne", 120), _word("Et", 190)]
    notes = _again(3)
    last = _chord(190, Fraction(1), 1, 3)
    system = System([Staff(-50, 400, 0, 40), Staff(-50, 400, -140, -100)], groups=[(0, 0), (1, 1)])
    for words, ties in ((sung, 0), ([sung[0], sung[2]], 1)):
        sheet = Sheet(Page(500, 200), SPACE, [system], [], words, [], [], [_curve(*notes, 0)])
        assert len(ties_of(sheet, system, (*notes, last)).before) == ties


@pytest.mark.parametrize(("font", "read"), [("Serif-Italic", 3), ("Serif-Bold", 0)])
def test_a_slanted_figure_beside_the_heads_of_a_beam_is_a_tuplets(font, read):
    # Eighths on a beam below, a figure above the heads of the last three; an upright one is of fingers.
    events = [_chord(30 * k, EIGHTH, -1, 4 + k % 2, beam=1) for k in range(5)]
    for event in events:
        event.stem = Line(event.x - 6, -20, event.x - 6, event.y, 1)
    box = Box(87, 40, 93, 48)
    sheet = Sheet(
        Page(500, 200),
        SPACE,
        [System([Staff(-50, 400, 0, 40)])],
        [],
        [Word("3", box, 40, 10, font, (("3", box.x0, box.x1),))],
        [],
        [],
        [],
    )
    found = scalings(events, sheet, sheet.systems[0], Fraction(1), ())[0].values
    assert found == [EIGHTH] * (5 - read) + [Fraction(1, 3)] * read


@pytest.mark.parametrize(("reaches", "shared"), [(34, True), (62, False)])
def test_a_beam_that_reaches_to_a_longer_head_has_its_note_there(reaches, shared):
    # A half note with its stem up; a beam of eighths below it, on whose first note no stem of its own stands.
    low, high = 5.0, 45.0
    heads = [Symbol("noteheadHalf", Box(30, 15, 42, 25), 20)]
    heads += [Symbol("noteheadBlack", Box(x, 25, x + 12, 35), 30) for x in (60, 90, 120)]
    stems = [Line(42, 20, 42, high, 1), *(Line(x, low - 15, x, 30, 1) for x in (60, 90, 120))]
    beam = Line(reaches if shared else 60, low - 15, 120, low - 15, 5)
    system = System([Staff(0, 400, 0, 40)])
    sheet = Sheet(Page(500, 200), SPACE, [system], heads, [], stems, [beam], [])
    found = events_of(sheet, system, 1.2)
    values = sorted((event.x, event.value, event.beam is None) for event in found)
    eighths = [(x, EIGHTH, False) for x in (66, 96, 126)]
    assert values == [*([(36, EIGHTH, False)] if shared else []), (36, HALF, True), *eighths]
