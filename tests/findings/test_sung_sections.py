"""What the singer tells of a song's sections: common practice of strophic songs, no source; the song is ours.

The tests of figures against analysts' sections are in `benchmarks.form`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.findings.build import build, spans_of

from understave.findings.form import sections_of
from understave.findings.sung_sections import NAMES, is_song, sung_evidence
from understave.score.model import Score

_TUNE = "G5:1 E5 F5 G5 | A5:2 F5 | D5:1 E5 F5 D5 | C5:3 r:1"
_FIRST = "Now the boat goes out at morning, slow and still waits."
_SECOND = "Then the bell calls home the ferry, soft and far, nobody."


def song(between: str = "r:4 | r:4", second: str = _SECOND, again: str = _TUNE) -> Score:
    """Two bars of prelude, a verse of four bars, what stands between, and a verse of four bars."""
    prelude = "C3:1 G3 E3 G3 | D3:1 A3 F3 A3"
    verse = "C3:2 E3:2 | F3:2 A3:2 | G3:2 B3:2 | C3:2 C3:2"
    score = build(
        f"r:4 | r:4 | {_TUNE} | {between} | {again}", f"staff2 {prelude} | {verse} | {prelude} | {verse}"
    )
    words = iter([*_FIRST.split(), *second.split()])
    notes = [
        replace(note, part=0, lyrics=(next(words, "ah"),)) if note.staff == 1 else replace(note, part=1)
        for note in score.notes
    ]
    return replace(score, notes=tuple(notes))


def told(score: Score, name: str) -> list[int]:
    return [int(bar) for bar in np.nonzero(sung_evidence(score)[:, NAMES.index(name)] > 0.5)[0]]


@pytest.mark.parametrize(
    ("name", "bars"),
    [
        ("first entry", [2]),
        ("entry after a rest", [8]),
        ("sentence ends", [8]),
        ("tune returns", [8]),
        ("prelude returns", [6]),
    ],
)
def test_a_verse_begins_where_the_singer_says_so(name, bars):
    assert told(song(), name) == bars


@pytest.mark.parametrize(
    ("again", "same"), [("D5:1 B4 A4 B4 | C5:3 r:1", True), ("E5:1 E5 F5 D5 | C5:3 r:1", False)]
)
def test_a_tune_is_known_again_by_its_first_seven_notes(again, same):
    """A second verse may end in another way (common practice, no source)."""
    score = song(again=f"G5:1 E5 F5 G5 | A5:2 F5 | {again}")
    column = sung_evidence(score)[:, NAMES.index("tune returns")]
    assert bool(column[8] == 1) is same


def test_the_length_of_an_interlude_counts():
    column = sung_evidence(song())[:, NAMES.index("interlude")]
    assert column[6] == pytest.approx(2.25 / 4, abs=0.01)


def test_the_same_words_again_count_but_not_right_after_the_first():
    assert told(song(second=_FIRST), "words return") == [8]
    assert told(song(), "words return") == []


def test_prelude_and_verses_become_sections():
    score = song()
    spans = spans_of(score, "C: I:4 ii:4 I:4 IV:4 V:4 I:4 I:4 ii:4 I:4 IV:4 V:4 I:4")
    starts = {section.first for section in sections_of(score, spans)}
    assert 2 in starts
    assert starts & {6, 8}
    silent = replace(score, notes=tuple(replace(note, lyrics=()) for note in score.notes))
    assert not is_song(silent)
    assert 2 not in {section.first for section in sections_of(silent, spans)}
