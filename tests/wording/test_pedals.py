"""Ways to pedal compared, in words and in small curves."""

from functools import cache

import pytest
from tests.wording.readings import EXAMPLES, example

from understave.acoustics.piano import INSTRUMENTS
from understave.interpretation.pedal_blur import compare_pedals
from understave.wording import LEVELS, SPOKEN
from understave.wording.pedals import drawn, tell_comparison


def test_a_curve_rises_with_what_it_draws():
    assert drawn([0.0, 0.125, 0.5, 1.0, 2.0], 1.0) == " ▁▄██"


@cache
def comparison():
    score, reading = example(EXAMPLES[0])
    return score, compare_pedals(score, reading, first=0, last=11)


@pytest.mark.parametrize("language", SPOKEN)
@pytest.mark.parametrize("level", LEVELS)
def test_every_way_is_told_on_every_piano(language, level):
    score, compared = comparison()
    stretch = score.measures[0].start, score.measures[11].end
    pianos, top = tell_comparison(score, compared, stretch, level, language, width=24)
    assert len({p.piano for p in pianos}) == len(INSTRUMENTS)
    for piano in pianos:
        assert all(len(way.curve) == 24 for way in piano.ways)
        assert len({way.names for way in piano.ways}) == len(piano.ways)
    highest = max(max(c.by_time(*stretch, 24)) for c in compared)
    assert top == max(0.5, highest)
    assert any(way.worst for piano in pianos for way in piano.ways)
