"""What is in force for labels of a piece: the teacher's conventions, its home key, whether it has keys."""

from __future__ import annotations

from dataclasses import replace

from tests.once import EXAMPLES, read, read_score

from understave.findings.without_keys import without_keys
from understave.harmony.reading import Reading
from understave.interpretation.written_about import writing_about
from understave.theory.convention_choices import STANDARD, Conventions, following, in_force

MINE = Conventions(letters="german")


def test_it_is_that_of_the_piece():
    reading = read(read_score(EXAMPLES / "chain-ferry" / "score.musicxml"))
    # F minor: our own analysis of the example by hand.
    with following(MINE):
        with writing_about(reading):
            assert in_force() == (MINE, "minor", False)
        with writing_about(replace(reading, events=tuple(without_keys(reading.events))), STANDARD):
            assert in_force() == (STANDARD, "minor", True)
        assert in_force() == (MINE, None, False)
    with writing_about(Reading(())):
        assert in_force() == (STANDARD, None, False)
