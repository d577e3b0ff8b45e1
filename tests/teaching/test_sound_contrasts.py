"""Contrasts of sound: same notes, two ways to play them, and that what the words claim is measured."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from tests.once import make_plan, read, read_score

from understave.acoustics.piano import EARLY, GRAND
from understave.acoustics.sound import render
from understave.interpretation.pedal_blur import pedal_blur
from understave.interpretation.perform import perform
from understave.interpretation.planning import PlanOptions
from understave.media import webpage
from understave.media.webpage import PageOptions, contrast_sides
from understave.teaching.sound_contrasts import LEAST_BLUR, all_contrasts, soundings

PIECE = Path(__file__).parents[2] / "examples" / "chain-ferry" / "score.musicxml"


@pytest.fixture(scope="module")
def piece():
    score = read_score(PIECE)
    reading = read(score)
    return score, reading, {c.label: c for c in soundings(score, reading)}


def test_the_pedal_is_held_where_it_blurs_most_and_the_words_name_notes_that_sound_there(piece) -> None:
    _, _, found = piece
    one = found["pedal"]
    assert one.written is one.other
    changed, held = (way.pedal for way in one.ways)
    assert len(held) == 1
    assert held[0].depth == 1.0
    assert held[0].moment == 0
    assert sum(m.depth > 0 for m in changed) > 1
    blurs = [
        pedal_blur(
            one.written, one.written_reading, m, tempo=make_plan(one.written, one.written_reading).tempo
        ).mean
        for m in (changed, held)
    ]
    assert blurs[1] >= blurs[0] + LEAST_BLUR
    sounding = {n.pitch for n in one.written.notes}
    assert one.details.old in sounding
    assert one.details.new in sounding
    # A clash is a second, octaves aside.
    assert (one.details.old.midi - one.details.new.midi) % 12 in (1, 2, 10, 11)


def test_the_early_piano_dies_away_sooner_and_blurs_less(piece) -> None:
    """That early pianos ring shorter: common practice, no source; measured on our own model of both."""
    _score, _, found = piece
    one = found["piano"]
    assert [w.piano for w in one.ways] == [GRAND.name, EARLY.name]
    assert all(EARLY.has_key(n.midi) for n in one.written.notes)
    assert one.details.bass.midi == min(n.midi for n in one.written.notes)
    plan = make_plan(one.written, one.written_reading)
    played = perform(one.written, plan)
    tail = []
    for piano in (GRAND, EARLY):
        sound = render(played, piano, 22_050)
        loud = np.sqrt(np.mean(sound**2))
        end = int(played.strikes[-1].end * 22_050)
        tail.append(float(np.sqrt(np.mean(sound[end - 4_000 : end] ** 2)) / loud))
    assert tail[1] < tail[0]
    held = found["pedal"].ways[1].pedal
    bars = found["pedal"]
    blurs = [pedal_blur(bars.written, bars.written_reading, held, instrument=i).mean for i in (GRAND, EARLY)]
    assert blurs[1] < blurs[0]


def test_the_page_has_both_sides_with_their_pedal_drawn_and_different_sound(piece) -> None:
    score, _, found = piece
    made = contrast_sides(score, found["pedal"], PageOptions())
    first, second = made.sides
    assert first.picture != second.picture
    assert first.sound.data != second.sound.data
    assert first.sound.notes == second.sound.notes
    assert "pedal" in made.heading


def test_they_stand_among_the_others_in_order_of_time(piece) -> None:
    score, reading, found = piece
    every = all_contrasts(score, reading, 4)
    assert {c.label for c in every} >= {"pedal", "piano"}
    assert len(every) == 6
    assert [c.first for c in every] == sorted(c.first for c in every)
    for c in found.values():
        at = c.details.at
        assert isinstance(at, Fraction)
        assert score.measures[c.first].start <= at < score.measures[c.last].end


def test_the_pedal_is_changed_as_the_chosen_piano_wants_it(piece) -> None:
    score, reading, found = piece
    (early,) = (c for c in all_contrasts(score, reading, 0, EARLY) if c.label == "pedal")
    plan = make_plan(early.written, early.written_reading, PlanOptions(instrument=EARLY))
    assert early.ways[0].pedal == plan.pedal
    grand = make_plan(early.written, early.written_reading)
    assert plan.pedal != grand.pedal
    assert early != found["pedal"]


def test_both_sides_are_planned_for_the_chosen_piano(piece, monkeypatch) -> None:
    score, _, found = piece
    asked = []

    def planned(written, reading, options):
        asked.append(options.instrument)
        return make_plan(written, reading, options)

    monkeypatch.setattr(webpage, "make_plan", planned)
    contrast_sides(score, found["piano"], PageOptions(instrument=EARLY))
    assert asked == [EARLY, EARLY]
