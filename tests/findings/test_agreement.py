"""What one finder claims and another refutes, in worked examples.

That a cadence needs a bass that moves to its goal, and that the chords of a sequence are no cadences, follows
Caplin, Classical Form (1998), chapters 2 and 3, from memory. The settings are our own.
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest
from build import build, spans_of
from tests.partial import event as made

from understave.findings import find_events
from understave.findings.agreement import settle
from understave.harmony.reading import Detail, Event
from understave.harmony.romantext import read_romantext
from understave.score.reader import read_score
from understave.theory.key import Key

F = Fraction
EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
FIFTHS = spans_of(
    build("C5:4 C5 B4 B4 A4 A4 G4", "A2:4 D3 G2 C3 F2 B2 E3", meter="4/4"),
    "a: i:4 iv7:4 VII7:4 III7:4 VI7:4 iiø7:4 V7:4",
)
SEQUENCE = made("sequence", "descending fifths", F(0), F(28), (), 0.95, (("pattern", "down a fifth"),))


def cadence(start: int, arrival: int, end: int, *more: tuple[str, Detail]) -> Event:
    """Return an authentic cadence in C major that ends a phrase."""
    detail = (("key", Key.parse("C")), ("arrival", F(arrival)), ("ends_phrase", 1), *more)
    return made("cadence", "imperfect authentic", F(start), F(end), (), 0.6, detail)


def test_a_sequence_that_leads_on_has_no_cadence_inside() -> None:
    """The third chord of a sequence by fifths falls to the fourth as a dominant would, and leads on."""
    assert settle((SEQUENCE, cadence(8, 12, 16)), FIFTHS) == (SEQUENCE,)


def test_a_sequence_may_end_in_a_cadence() -> None:
    """The last two chords of a sequence may close a phrase."""
    last = cadence(20, 24, 28)
    assert settle((SEQUENCE, last), FIFTHS) == (SEQUENCE, last)


def test_over_a_pedal_point_no_authentic_cadence() -> None:
    """A dominant above the held tonic leads home, but the bass does not move."""
    held = made("pedal point", "tonic", F(0), F(28), (), 0.9, (("place", "bass"),))
    plagal = made("cadence", "plagal", F(8), F(16), (), 0.6, (("arrival", F(12)),))
    assert settle((held, cadence(8, 12, 16), plagal), FIFTHS) == (held, plagal)


def test_a_cadence_may_arrive_on_a_pedal_point() -> None:
    """The dominant comes before the tonic begins to be held."""
    held = made("pedal point", "tonic", F(12), F(28), (), 0.9, (("place", "bass"),))
    told = cadence(8, 12, 16)
    assert told in settle((told, held), FIFTHS)


def test_a_key_inside_a_sequence_is_touched_only() -> None:
    """The relative key that a sequence passes through is no modulation and has no pivot chord."""
    c, a = Key.parse("C"), Key.parse("a")
    key = made("key", "modulation", F(4), F(20), (), 0.8, (("key", c), ("cadence", F(12))))
    into = made("pivot chord", "common chord", F(4), F(8), (), 0.7, (("key", a), ("new_key", c)))
    out = made("pivot chord", "common chord", F(20), F(24), (), 0.7, (("key", c), ("new_key", a)))
    sequence, touched = settle((SEQUENCE, key, into, out), FIFTHS)
    assert (sequence, touched.label) == (SEQUENCE, "tonicization")
    assert touched.get("cadence") is None


@pytest.mark.parametrize(
    ("weak", "arrival"), [((), 12), (("melody not on the tonic",), 12), (("dominant inverted",), None)]
)
def test_a_key_is_confirmed_by_a_rooted_cadence_alone(weak: tuple[str, ...], arrival: int | None) -> None:
    """The bass must leap from dominant to tonic; where the melody ends does not matter."""
    key = made("key", "modulation", F(4), F(20), (), 0.8, (("key", Key.parse("C")), ("cadence", F(12))))
    settled = settle((key, cadence(8, 12, 16, ("weak", weak))), FIFTHS)
    assert settled[0].get("cadence") == arrival


def test_a_tone_of_one_standing_chord_is_no_drone() -> None:
    """A low note under one chord and the next belongs to them."""
    short = made("drone", "single tone", F(0), F(8), ("v2n1",), 0.8, ())
    longer = made("drone", "single tone", F(0), F(12), ("v2n1",), 0.8, ())
    assert settle((short, longer), FIFTHS) == (longer,)


def test_a_pedal_point_tells_of_its_own_tone() -> None:
    """The same notes are not told twice, as pedal point and as drone."""
    held = made("pedal point", "tonic", F(0), F(28), ("v2n1",), 0.9, (("place", "bass"),))
    drone = made("drone", "single tone", F(0), F(28), ("v2n1",), 0.9, ())
    assert settle((drone, held), FIFTHS) == (held,)


def test_examples_claim_only_cadences_that_their_notes_name() -> None:
    """Against the pieces' own notes: no close in a bar of the sequence or over the held bass.

    In The Chain Ferry the half cadence of bar 57 ends its phrase, so the tonic of bar 59 closes nothing.
    """
    for name, bars in (("chain-ferry", {"22", "23", "24", "25", "26", "59"}), ("lock-water", {"24", "40"})):
        score = read_score(EXAMPLES / name / "score.musicxml")
        spans = read_romantext((EXAMPLES / name / "analysis.txt").read_text(encoding="utf-8"), score)
        events = find_events(score, tuple(getattr(spans, "spans", spans)))
        closed = [e for e in events if e.kind == "cadence" and "authentic" in e.label]
        arrivals = [e.get("arrival") for e in closed] + [e.get("cadence") for e in events if e.kind == "key"]
        told = {score.measure_at(m).number for m in arrivals if isinstance(m, Fraction)}
        assert told
        assert not told & bars
