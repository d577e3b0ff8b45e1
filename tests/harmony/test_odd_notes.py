"""Notes whose accidental the harmony finds unlikely.

That the dominant of a minor key has a major third: common practice, no source.
The piece is our own: what stands in it is right.
"""

import pytest
from tests.findings.build import build
from tests.once import opening

from understave.harmony.odd_notes import Evidence, chance_of, odd_notes
from understave.harmony.trained import judge_score, read_judged
from understave.score.reader import read_score


def spans_of(score):
    return read_judged(score, judge_score(score)).spans


def test_a_lost_sharp_is_found_and_the_likelier_pitch_named():
    """In A minor a G over the dominant seventh, whose third is G sharp, was read without its sign."""
    line = "A5:1 B5 C6 A5 | B5:1 A5 {third} B5 | C6:1 B5 A5 G#5 | A5:4"
    chords = "A3+C4+E4:4 | E3+G#3+D4:4 | A3+C4+E4:2 E3+G#3+D4:2 | A3+C4+E4:4"
    right = build(line.format(third="G#5"), chords)
    assert odd_notes(right, spans_of(right), 0.3) == ()
    wrong = build(line.format(third="G5"), chords)
    (odd,) = odd_notes(wrong, spans_of(wrong), 0.5)
    assert next(n.pitch.name for n in wrong.notes if n.id == odd.id) == "G5"
    assert odd.likelier.name == "G#5"
    assert odd_notes(wrong, ()) == ()


def test_our_own_piece_has_no_odd_notes():
    score = read_score(opening(18))
    assert odd_notes(score, spans_of(score)) == ()


@pytest.mark.parametrize("kind", ["chord", "key", "around", "steps"])
def test_each_kind_of_evidence_speaks_for_a_mistake(kind):
    none = Evidence(0, 0, 0, 0, 0, 0)
    assert chance_of(none._replace(**{kind: 1.0})) > chance_of(none)
