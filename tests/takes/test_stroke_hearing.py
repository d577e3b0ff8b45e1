"""The network that hears which keys are struck: the trained one, tones of known pitch, known playing."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from understave.acoustics.performance import Performance, Strike
from understave.acoustics.piano import GRAND
from understave.acoustics.sound import render
from understave.takes import stroke_hearing
from understave.takes.stroke_hearing import (
    FILE,
    HOP,
    KEYS,
    LOWEST_KEY,
    RATE,
    SLOTS,
    THIRDS,
    filters,
    hear,
    judged,
    lateness,
    layout,
    strokes,
)

CHECK = Path(__file__).with_name("hearer-check.npz")
"""A layout, and what the trained network said of it in torch; `training.hearing` writes both."""


def test_it_says_what_the_trained_network_said():
    kept = np.load(CHECK)
    found = judged(kept["levels"].astype(np.float32))
    assert found == pytest.approx(1 / (1 + np.exp(-kept["says"])), abs=0.02)
    assert found.max() > 0.5 > np.median(found)


def test_sound_is_laid_out_as_it_was_in_training():
    # The sound of `training.hearing.export`: a silence, then a tone that dies away in noise.
    chance = np.random.default_rng(5)
    at = np.arange(RATE) / RATE
    tone = np.sin(2 * np.pi * 262 * at) * np.exp(-3 * at) + 0.01 * chance.standard_normal(RATE)
    found = layout(np.concatenate([np.zeros(RATE // 3), tone]).astype(np.float32))
    assert found == pytest.approx(np.load(CHECK)["levels"].astype(np.float32), abs=0.01)


def test_it_is_smaller_than_two_megabytes():
    assert FILE.stat().st_size < 2_000_000


@pytest.mark.parametrize("key", [33, 57, 69, 84, 100])
def test_a_tone_stands_at_its_key(key):
    # A4 = 440 Hz (ISO 16), equal temperament.
    tone = np.sin(2 * np.pi * 440 * 2 ** ((key - 69) / 12) * np.arange(RATE) / RATE)
    levels = layout(tone.astype(np.float32))
    assert levels.shape == (THIRDS + 1, 1 + RATE // HOP, SLOTS)
    if key >= 57:  # lower down the long window is wider than a third of a semitone
        assert int(levels[1, 25].argmax()) == key - LOWEST_KEY
    assert abs(int(levels[1, 25].argmax()) - (key - LOWEST_KEY)) <= 1


def test_an_instrument_out_of_tune_is_laid_out_as_one_in_tune():
    tone = np.sin(2 * np.pi * 440 * 2 ** (0.3 / 12) * np.arange(RATE) / RATE).astype(np.float32)
    place = 69 - LOWEST_KEY
    assert layout(tone, 0.3)[1, 25, place] > layout(tone)[1, 25, place]
    assert (
        int(layout(tone)[:THIRDS, 25, place].argmax()) == 2
    )  # the upper third, when nobody says it is sharp
    assert int(layout(tone, 0.3)[:THIRDS, 25, place].argmax()) == 1


def test_filters_weigh_every_pitch_alike():
    for size, bins in ((stroke_hearing.LONG, THIRDS), (stroke_hearing.SHORT, 1)):
        assert filters(size, bins).sum(axis=0) == pytest.approx(1, abs=1e-5)


def test_every_key_struck_is_heard_where_it_was():
    chance = np.random.default_rng(3)
    keys = [48, 60, 64, 67, 72, 55, 59, 62, 71, 79]
    seconds = 0.5 + 0.4 * np.arange(len(keys)) + chance.uniform(0, 0.05, len(keys))
    played = Performance(
        tuple(Strike(k, float(s), float(s) + 0.5, 70.0, "") for k, s in zip(keys, seconds, strict=True))
    )
    heard = strokes(hear(render(played, GRAND, RATE).mean(axis=1), 0.0))
    found = dict(zip(heard.keys.tolist(), heard.seconds.tolist(), strict=True))
    assert set(keys) <= set(found)
    assert len(heard.keys) <= len(keys) + 1
    assert max(abs(found[k] - s) for k, s in zip(keys, seconds, strict=True)) < 0.03


def test_long_sound_is_judged_in_pieces_without_a_seam(monkeypatch):
    chance = np.random.default_rng(4)
    levels = chance.random((THIRDS + 1, 400, SLOTS)).astype(np.float32)
    whole = judged(levels)
    monkeypatch.setattr(stroke_hearing, "PIECE", 120)
    assert judged(levels) == pytest.approx(whole, abs=1e-4)
    assert whole.shape == (400, KEYS)


def test_a_stroke_lies_between_frames_and_is_counted_once():
    likely = np.zeros((40, KEYS), np.float32)
    likely[10:13, 40] = 0.5, 0.9, 0.7  # leans to the later one
    likely[14, 40] = 0.8  # 50 ms later: the same stroke
    likely[30, 40] = 0.7
    likely[20, 5] = 0.6  # not likely enough
    found = strokes(likely)
    assert found.keys.tolist() == [40 + LOWEST_KEY] * 2
    assert 11 < found.seconds[0] * RATE / HOP < 11.5
    assert found.seconds[1] * RATE / HOP == pytest.approx(30)


def test_strokes_that_are_heard_late_are_known_by_the_sound():
    # Tones that begin at once, in noise 50 dB below; two strokes that nobody played.
    true = np.arange(1, 20) * 0.4 + 0.011 * (np.arange(1, 20) % 7)
    sound = 0.003 * np.random.default_rng(4).standard_normal(9 * RATE)
    for k, second in enumerate(true):
        at = np.arange(RATE // 3) / RATE
        first = round(second * RATE)
        tone = np.sin(2 * np.pi * 220 * 2 ** (k / 12) * at) * np.exp(-6 * at)
        sound[first : first + len(at)] += tone
    found = [
        lateness(sound.astype(np.float32), np.append(true + late, (0.55, 3.37))) for late in (0, 0.025, -0.02)
    ]
    assert found == pytest.approx([found[0], found[0] + 0.025, found[0] - 0.02], abs=0.003)
    assert abs(found[0]) < 0.015
    assert lateness(np.zeros(RATE, np.float32), np.zeros(0)) == 0
