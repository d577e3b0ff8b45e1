"""Of music that does not go by keys only what presupposes none is told; the demo stands for such music."""

from __future__ import annotations

from dataclasses import replace

from tests.once import EXAMPLES, read, read_score

from understave.findings.cadences import CADENCE
from understave.findings.keyplan import KEY
from understave.findings.motives import MOTIVE
from understave.findings.pedalpoints import PEDAL_POINT
from understave.findings.phrases import PHRASE
from understave.findings.without_keys import NEED_THE_CHORD, keyed_fields, without_keys
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral

SONG = EXAMPLES / "chain-ferry" / "score.musicxml"


def test_events_that_need_keys_are_left_out_and_no_other_names_one():
    whole = read(read_score(SONG))
    reading = replace(whole, events=tuple(without_keys(whole.events)))
    for kind in (CADENCE, KEY, PEDAL_POINT):
        assert kind.all(whole.events)
        assert not kind.all(reading.events)
    for kind in (*NEED_THE_CHORD, PHRASE):
        assert len(kind.all(reading.events)) == len(kind.all(whole.events)) > 0
    assert MOTIVE.all(reading.events)
    others = [e for e in reading.events if not any(e in kind for kind in NEED_THE_CHORD)]
    named = [value for e in others for _, value in e.details.as_pairs()]
    assert not [value for value in named if isinstance(value, Key | RomanNumeral)]


def test_fields_that_hold_keys_are_known_by_their_type():
    assert keyed_fields(MOTIVE.details) == {"key": True, "from_key": True}
    assert keyed_fields(CADENCE.details)["key"] is False
    assert keyed_fields(CADENCE.details)["leader"] is True
    assert keyed_fields(PHRASE.details) == {}
