"""Signs of printed pages that were misread and are told: carried to the next that says something else.

The outside reference is the score that verovio engraved: what is told wrongly is wrong from there on as far
as a sign lasts. How long clefs, keys and meters last: common practice, no source.
"""

from fractions import Fraction
from functools import cache

import pytest
from benchmarks.engraved import verovio_pdf
from tests.once import opening

from understave.score.reader import read_score
from understave.score.readers.page.bars import BarOnPage, Clef
from understave.score.readers.page.carried_signs import Carried
from understave.score.readers.page.page_reader import read_bars
from understave.score.readers.page.told_signs import Frame, Known, Place, Told, known_of

FROM = 4
"""The bar, by index, from which is told, in the first of three lines; six flats are printed at index 15."""


@cache
def pages():
    return verovio_pdf(read_score(opening(18)).source, "Leipzig")


def told(**values):
    place = read_bars(pages())[1][FROM].frame.middle
    return read_bars(pages(), told=[Told(place, **values)])


def test_every_bar_stands_in_a_frame_of_its_own():
    score, bars = read_bars(pages())
    assert len(bars) == len(score.measures)
    for k, bar in enumerate(bars):
        assert [j for j, other in enumerate(bars) if other.frame.holds(bar.frame.middle)] == [k]
    assert [b.frame.page for b in bars] == sorted(b.frame.page for b in bars)
    # Bars of one system stand beside each other, each bar within the page.
    assert all(0 <= b.frame.x0 < b.frame.x1 <= 1 and 0 <= b.frame.y0 < b.frame.y1 <= 1 for b in bars)


def test_a_frame_holds_notes_on_many_leger_lines():
    """In treble clef F5 is the top line, C8 nine spaces above it (common practice, no source)."""
    bars = "".join(
        f"<measure number='{k}'>{signs}<note><pitch><step>{step}</step><octave>{octave}</octave></pitch>"
        "<duration>4</duration><type>whole</type></note></measure>"
        for k, step, octave, signs in (
            (
                1,
                "C",
                8,
                "<attributes><divisions>1</divisions><time><beats>4</beats><beat-type>4</beat-type></time>"
                "<clef><sign>G</sign><line>2</line></clef></attributes>",
            ),
            (2, "F", 5, ""),
        )
    )
    music = (
        "<score-partwise version='4.0'><part-list><score-part id='P1'><part-name/></score-part></part-list>"
        f"<part id='P1'>{bars}</part></score-partwise>"
    )
    score, (high, usual) = read_bars(verovio_pdf(music.encode(), "Leipzig"))
    assert [n.written.name for n in score.notes] == ["C8", "F5"]
    assert usual.frame.y0 - high.frame.y0 > (9 - 5) / 14 * (usual.frame.y1 - usual.frame.y0)
    assert high.frame.y1 == usual.frame.y1


def test_a_key_is_carried_over_lines_to_the_next_change():
    plain, _ = read_bars(pages())
    score, _ = told(signature=2)
    assert [m.signature for m in plain.measures] == [-3] * 15 + [-6] * 3
    assert [m.signature for m in score.measures] == [-3] * FROM + [2] * (15 - FROM) + [-6] * 3
    here = [n for n in score.notes if n.measure == FROM and n.written.letter == "F"]
    assert all(n.written.alter == 1 for n in here)


def test_a_clef_is_carried_on_its_staff_alone():
    plain, _ = read_bars(pages())
    score, bars = told(clef=(2, 24))
    assert [b.clefs for b in bars] == [(30, 18)] * FROM + [(30, 24)] * (len(bars) - FROM)

    def steps(of, staff):
        return [
            n.written.diatonic for n in of.notes if n.staff == staff and n.measure >= FROM and not n.grace
        ]

    assert sorted(s + 6 for s in steps(plain, 2)) == sorted(steps(score, 2))
    assert steps(plain, 1) == steps(score, 1)


def test_a_clef_is_carried_to_the_next_that_is_another():
    """One staff, line by line: treble was read for alto, twice; after a bass clef treble is meant."""
    bar = BarOnPage(0, 100, None, None)
    told = [Known(clefs={1: 24}), Known(), Known()]
    carried = Carried()
    lines = [[Clef(5, 30)], [Clef(5, 30), Clef(50, 18), Clef(80, 30)], [Clef(5, 30)]]
    held = [carried.clefs_held([line], 0, [bar], [one])[0] for line, one in zip(lines, told, strict=True)]
    assert [[clef.bottom for clef in line if clef.x > 0] for line in held] == [[24], [24, 18, 30], [30]]


def test_a_meter_is_carried_and_the_bars_that_do_not_fit_it_are_named():
    score, _ = told(meter=(2, 4))
    assert [m.beats for m in score.measures] == [3] * FROM + [2] * (len(score.measures) - FROM)
    assert any("meter 2/4" in warning for warning in score.warnings)


@pytest.mark.parametrize(("length", "holds"), [(Fraction(7, 2), Fraction(7, 2)), (Fraction(0), Fraction(3))])
def test_a_bar_is_as_long_as_it_is_told(length, holds):
    score, bars = told(length=length, settled=True)
    assert score.measures[FROM].length == holds
    assert score.measures[FROM + 1].start == score.measures[FROM].start + holds
    assert bars[FROM].sure == 1


def test_the_latest_of_what_is_told_counts():
    frame = Frame(1, 0.2, 0.1, 0.4, 0.3)
    inside, beside = Place(1, 0.3, 0.2), Place(2, 0.3, 0.2)
    said = [
        Told(inside, signature=1, clef=(1, 30)),
        Told(inside, meter=(3, 4), clef=(2, 18)),
        Told(inside, signature=0, clef=(1, 24)),
        Told(beside, signature=5, settled=True),
    ]
    known = known_of(frame, said)
    assert (known.signature, known.meter, known.clefs, known.settled) == (0, (3, 4), {1: 24, 2: 18}, False)
