"""How sure a bar is: more signs of trouble never make it surer, and the doubtful bars are named.

That values must fill the bar: common practice, no source.
"""

from fractions import Fraction

import pytest
from benchmarks import engraved, pages
from musicxml_text import attributes, bar, note, score

from understave.score.readers.musicxml import read_musicxml
from understave.score.readers.page.certainty import DOUBTFUL, Signs, confidence, signs_of
from understave.score.readers.page.page_reader import read_with_signs
from understave.score.readers.page.solving import Solution

QUARTERS = (Fraction(0), Fraction(1), Fraction(2), Fraction(3))
NONE = Signs(0, 0, 0, 0, 0)


def solution(cost=0.0, onsets=QUARTERS, voices=(0, 0, 0, 0), length=4, values=(1, 1, 1, 1)):
    return Solution(onsets, voices, Fraction(length), cost, tuple(map(Fraction, values)))


def test_a_bar_without_signs_is_sure():
    signs = signs_of(solution(), None, Fraction(4), small=False)
    assert signs[2:] == (0, 0, 0)
    assert signs.cost == 0
    assert confidence(signs) > 0.95 > DOUBTFUL


@pytest.mark.parametrize("sign", range(5))
def test_each_sign_makes_a_bar_less_sure(sign):
    worse = NONE._replace(**{Signs._fields[sign]: 1.0})
    assert confidence(worse) < confidence(NONE)


@pytest.mark.parametrize(("ahead", "doubtful"), [(0.0, True), (10.0, False)])
def test_a_second_reading_as_good_makes_an_uneven_bar_doubtful(ahead, doubtful):
    second = solution(cost=4.0 + ahead, onsets=(*QUARTERS[:3], Fraction(7, 2)))
    signs = signs_of(solution(4.0), second, Fraction(4), small=False)
    assert (confidence(signs) < DOUBTFUL) == doubtful


def test_voices_that_do_not_fill_and_lengths_that_are_odd_are_seen():
    onsets = (*QUARTERS[:2], Fraction(0), Fraction(1))
    two = solution(voices=(0, 0, 1, 1), onsets=onsets, length=3, values=(1, 1, 1, 2))
    signs = signs_of(two, None, Fraction(4), small=False)
    assert (signs.unfilled, signs.odd) == (1, 1)


def test_more_bars_than_are_listed_are_counted_and_the_sure_ones_left_out():
    full = "".join(note(p, 4, "quarter") for p in ("C5", "D5", "E5", "F5"))
    over = full + note("G5", 4, "quarter")
    clef = "<clef><sign>G</sign><line>2</line></clef>"
    bars = "".join(
        bar((attributes(more=clef) if k == 1 else "") + (full if k % 2 else over), str(k))
        for k in range(1, 47)
    )
    read, signs = read_with_signs(engraved.verovio_pdf(score(bars), "Leland"))
    sure = sorted((confidence(bar_signs), k) for k, bar_signs in enumerate(signs))
    doubtful = [read.measures[k].number for certainty, k in sure if certainty < DOUBTFUL]
    assert 20 < len(doubtful) < len(signs)
    [named] = [w for w in read.warnings if "add up" in w]
    listed, more = named.split("otherwise: ")[1].split(" and ")
    assert more == f"{len(doubtful) - 20} more; look at them first."
    assert sorted(listed.split(", ")) == sorted(doubtful[:20])


def test_bars_that_are_missing_or_too_many_are_wrong_too():
    """One bar is read that is not on the page, then one of the page is not read."""

    def of(*pitches):
        bars = [bar((attributes() if k == 0 else "") + note(p, 4), str(k + 1)) for k, p in enumerate(pitches)]
        return read_musicxml(score("".join(bars)))

    trouble = [NONE, Signs(8, 1, 3, 1, 1), NONE, NONE]
    row = pages.compare(
        of("C5", "G4", "D5", "E5"), of("C5", "D5", "E5"), pages.Row("Leland", "ours"), trouble
    )
    assert (row.bars, row.bars_right, row.wrong) == (3, 3, 1)
    assert (row.doubtful, row.named) == (1, 1)
    row = pages.compare(of("C5", "E5"), of("C5", "D5", "E5"), pages.Row("Leland", "ours"), trouble)
    assert (row.bars, row.bars_right, row.wrong, row.named) == (3, 2, 1, 0)
