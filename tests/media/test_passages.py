"""Parallel passages: pairs, marks and how far they are moved, against the pieces' own analyses by hand."""

from __future__ import annotations

from tests.teaching.test_stops import example

from understave.media.passages import engraved, parallels, parallels_pdf
from understave.theory.pitch import Interval


def test_the_return_in_minor_marks_exactly_the_notes_that_have_no_equal():
    score, reading, _ = example("lock-water")
    found = next(p for p in parallels(score, reading) if p.event.label == "in the other mode")
    numbers = [score.measures[i].number for i in (*found.earlier, *found.later)]
    assert numbers == ["1", "5", "16", "20"]
    assert found.moved == Interval(0, 0)
    marked = {score.note_by_id[i].pitch.name for i in found.later_notes}
    # The minor's own notes are among them, and no note that stands unchanged at the same place is.
    assert any(name.startswith("G") for name in marked)
    start, there = score.measures[found.earlier[0]].start, score.measures[found.later[0]].start
    before = {(n.onset - start, n.pitch, n.duration) for n in score.notes}
    for i in found.later_notes:
        n = score.note_by_id[i]
        assert (n.onset - there, n.pitch, n.duration) not in before or n.grace


def test_a_return_in_another_key_is_compared_at_its_distance():
    score, reading, _ = example("chain-ferry")
    found = next(p for p in parallels(score, reading) if p.event.label == "in another key")
    # From F minor to D flat major: the melody stands a sixth away, up or down an octave.
    assert found.moved.semitones % 12 == found.event.get("semitones")
    assert len(found.later_notes) < sum(found.later[0] <= n.measure <= found.later[1] for n in score.notes)


def test_they_are_engraved_row_by_row_with_marks():
    score, reading, _ = example("lock-water")
    found = parallels(score, reading)
    rows = engraved(score, reading, found[0])
    assert len(rows) == len(found[0].rows)
    for row, (one, other) in zip(found[0].rows, rows, strict=True):
        assert (row.earlier is None) == (one == "")
        assert (row.later is None) == (other == "")
    assert parallels_pdf(score, reading, found[:1]).startswith(b"%PDF")
