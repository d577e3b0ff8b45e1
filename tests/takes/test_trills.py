"""Trills that are not written: heard as two keys in quick turns, tied to the note that they adorn.

What a trill is: common practice, no source.
"""

from __future__ import annotations

import random

import numpy as np
import pytest

from understave.acoustics.performance import Performance, Strike
from understave.score.reader import read_score
from understave.takes import Recording, tie
from understave.takes.trills import QUICK, trills

LINE = "e4 g4 f2d2 e4 c4 d4 e2f2 c4"
BASS = (("C,", "E,", "G,"), ("B,,", "D,", "G,"), ("A,,", "D,", "F,"), ("C,", "E,", "G,")) * 2
TUNE = "X:1\nT:Two Sluices\nM:4/4\nL:1/4\nK:C\nV:1 clef=treble\nV:2 clef=bass\n[V:1] {}\n[V:2] {}\n".format(
    " | ".join(LINE.split()), " | ".join(" ".join([f"{a}/{b}/{c}/{b}/"] * 2) for a, b, c in BASS)
)
"""Our own, for these tests: long notes over a bass that goes on."""


@pytest.fixture(scope="module")
def score(tmp_path_factory):
    path = tmp_path_factory.mktemp("score") / "sluices.abc"
    path.write_text(TUNE, encoding="utf-8")
    return read_score(path)


def strikes_of(score, pace=0.6):
    return [Strike(n.midi, n.at * pace, float(n.end) * pace, 60.0, n.id) for n in score.notes]


def recorded(strikes):
    return Recording(
        Performance(tuple(sorted(strikes, key=lambda s: (s.start, s.midi)))), (), "midi", "a.mid"
    )


def times(*pairs):
    order = sorted(pairs, key=lambda p: p[1])
    return np.array([p[0] for p in order]), np.array([p[1] for p in order])


def test_turns_of_two_neighbours_are_a_trill_and_nothing_slower_or_wider():
    def turns(step, gap, count):
        return [(72 + step * (k % 2), gap * k) for k in range(count)]

    below = [(48 + 3 * k, 0.11 * k + 0.03) for k in range(5)]
    keys, starts = times(*turns(2, 0.1, 8), *below)
    (found,) = trills(keys, starts)
    assert [int(keys[i]) for i in found] == [72, 74] * 4
    assert trills(*times(*turns(1, 0.1, 3))) == []
    assert trills(*times(*turns(1, QUICK + 0.02, 8))) == []
    assert trills(*times(*turns(3, 0.1, 8))) == []
    assert trills(np.zeros(0, int), np.zeros(0)) == []


@pytest.mark.parametrize("share", [0.5, 1.0])
def test_trills_over_a_moving_bass_are_tied_and_no_bar_is_told_wrong(score, share):
    chance = random.Random(11)
    played, adorns = [], {}
    for s in strikes_of(score):
        if score.note_by_id[s.note].staff == 1 and chance.random() <= share:
            count = int((s.end - s.start) / 0.09)
            trill = [
                Strike(s.midi + 2 * (k % 2), s.start + 0.09 * k, s.start + 0.09 * k + 0.08, 60.0)
                for k in range(1, count)
            ]
            adorns[s.note] = trill
            played += trill
        played.append(s)
    recording = recorded(played)
    take = tie(score, recording)
    assert [(run.first, run.last) for run in take.runs] == [(0, len(score.measures) - 1)]
    assert {m.note for m in take.matches} == {n.id for n in score.notes}
    assert take.extra == ()
    assert take.wrong == ()
    there = recording.performance.strikes
    told = {o.note: [there[i] for i in o.strikes] for o in take.ornaments}
    assert told == {note: trill for note, trill in adorns.items() if trill}


def test_turns_that_are_written_out_are_notes_and_no_ornament(tmp_path):
    path = tmp_path / "written.abc"
    bars = (
        "c/4d/4c/4d/4 c/4d/4c/4d/4 e2 | g/4a/4g/4a/4 g/4a/4g/4a/4 f2 | e4 | d/4e/4d/4e/4 d/4e/4d/4e/4 c2 |]"
    )
    path.write_text(f"X:1\nT:Mill\nM:4/4\nL:1/4\nK:C\n{bars}\n", encoding="utf-8")
    score = read_score(path)
    take = tie(score, recorded(strikes_of(score, pace=0.5)))
    assert take.ornaments == ()
    assert {m.note for m in take.matches} == {n.id for n in score.notes}
