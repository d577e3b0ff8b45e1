"""The opening of a piece, made before the rest: the same sound, at the same level."""

from __future__ import annotations

import numpy as np
import pytest

from understave.acoustics import sound
from understave.acoustics.files import common_gain
from understave.acoustics.performance import Performance, Strike
from understave.acoustics.piano import instruments
from understave.acoustics.ringing import contact_integral
from understave.acoustics.sound import BLOCK, CUT, opening, render

RATE = 22_050
SECONDS = 3.0


@pytest.fixture(scope="module")
def performance():
    """Twelve seconds, the ninth the loudest, with keys and a pedal that are held across the cut."""
    strikes = tuple(
        Strike(48 + 5 * (k % 7), 0.25 * k, 0.25 * k + 0.9, 120.0 if 32 <= k < 38 else 50.0 + k % 9)
        for k in range(48)
    )
    pedal = tuple(
        point
        for k in range(12)
        for point in ((k * 1.0 + 0.1, 1.0), (k * 1.0 + 0.85, 1.0), (k * 1.0 + 0.92, 0.0))
    )
    return Performance(strikes, pedal)


def test_an_opening_is_what_the_whole_begins_with_at_the_gain_of_the_whole(performance):
    piano = instruments()["upright"]
    whole = render(performance, piano, RATE)
    first, gain = opening(performance, piano, SECONDS, RATE)
    assert first.shape == (int(SECONDS * RATE), 2)
    same = first.shape[0] - int(CUT * RATE)
    assert np.abs(whole[:same]).max() > 0.01
    # Single precision: what differs is the length of the transforms.
    assert np.abs(first[:same] - whole[:same]).max() < 1e-5
    assert abs(first[-1]).max() < 1e-6
    # The loudest comes later: from the opening alone the gain would be higher by several dB.
    assert abs(20 * np.log10(gain / common_gain([whole]))) < 0.5
    assert 20 * np.log10(common_gain([first]) / common_gain([whole])) > 2


def test_of_a_note_no_more_is_looked_at_because_the_piece_goes_on(monkeypatch):
    """Seconds at which dampers are looked at: those in which two notes ring, not the minute between them."""
    looked = []

    def counted(pedal, key):
        lying = contact_integral(pedal, key)

        def contact(times):
            looked.append(np.size(times) * BLOCK / RATE)
            return lying(times)

        return contact

    monkeypatch.setattr(sound, "contact_integral", counted)
    strikes = (Strike(60, 0.0, 0.5, 80.0), Strike(67, 60.0, 60.5, 80.0))
    heard = sound.strings_alone(Performance(strikes, ()), instruments()["upright"], RATE)
    assert np.abs(heard[: 2 * RATE]).max() > 0.01 < np.abs(heard[-3 * RATE :]).max()
    assert 1 < sum(looked) < 40
