"""What joins two moments of a story by more than time: each link needs what it says.

What answers a question, keeps a promise or resolves a waiting is common practice of the trade, no source; the
music is ours.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from tests.wording.readings import analysed

from understave.findings.cadences import CADENCE
from understave.findings.keyplan import KEY
from understave.findings.pedalpoints import PEDAL_POINT
from understave.findings.returns import RETURN
from understave.harmony.reading import Event, Reading
from understave.score.model import Score
from understave.teaching.links import link_between
from understave.teaching.narrative import narrate
from understave.theory.pitch import Interval
from understave.wording.phrasebook import SPOKEN, phrasebook


def told(kind: str, label: str, score: Score, reading: Reading) -> list[Event]:
    return [event for event in reading.events if (event.kind, event.label) == (kind, label)]


@pytest.fixture(scope="module")
def piece() -> tuple[Score, Reading]:
    return analysed("lock-water")


def test_a_return_answers_the_half_close_before_it_and_no_other(piece):
    """Bar 15 ends on the dominant, bar 16 brings the opening back in minor (our analysis)."""
    score, reading = piece
    half = next(e for e in told("cadence", "half", score, reading) if score.measure_at(e.end).number == "16")
    back = next(e for e in reading.events if e in RETURN and score.measure_at(e.start).number == "16")
    assert link_between(score, reading, half, back) == "answer"
    late = replace(back, start=score.end - 4, end=score.end)
    assert link_between(score, reading, half, late) == ""
    assert link_between(score, reading, replace(half, label="perfect authentic"), back) != "answer"


def test_what_sounds_over_a_held_bass_is_told_as_over_it(piece):
    """The minor ninth of bar 26 stands over the B flat that the bass has held since bar 20 (our analysis)."""
    score, reading = piece
    ninths = told("sharp dissonance", "minor ninth", score, reading)
    ninth = next(e for e in ninths if score.measure_at(e.start).number == "26")
    held = next(
        e
        for e in reading.events
        if e in PEDAL_POINT and e.label == "dominant" and e.start <= ninth.start < e.end
    )
    assert link_between(score, reading, held, ninth) == "above"
    after = replace(ninth, start=held.end, end=held.end + 1)
    assert link_between(score, reading, held, after) == ""


def test_a_close_after_the_held_dominant_was_waited_for(piece):
    score, reading = piece
    held = next(e for e in reading.events if e in PEDAL_POINT and e.label == "dominant")
    full = next(e for e, _ in CADENCE.all(reading.events) if e.label == "perfect authentic")
    details = CADENCE.of(full)
    assert details is not None
    arrived = replace(full, start=held.end, end=held.end + 2, details=replace(details, arrival=held.end))
    assert link_between(score, reading, held, arrived) == "waited"
    early = replace(arrived, details=replace(details, arrival=held.start + 1))
    assert link_between(score, reading, held, early) != "waited"


def test_only_the_broken_promise_of_one_key_is_made_good_in_it(piece):
    score, reading = piece
    broken = told("cadence", "deceptive", score, reading)[0]
    full = next(e for e, _ in CADENCE.all(reading.events) if e.label == "perfect authentic")
    details = CADENCE.of(full)
    assert details is not None
    soon = replace(
        full, start=broken.end, end=broken.end + 2, details=replace(details, arrival=broken.end + 1)
    )
    assert link_between(score, reading, broken, soon) == "kept"
    elsewhere = replace(soon, details=replace(details, arrival=broken.end + 1, key=details.key.parallel))
    assert link_between(score, reading, broken, elsewhere) == ""


def test_this_time_is_said_of_what_was_not_there_before(piece):
    score, reading = piece
    back = next(e for e in reading.events if e in RETURN and score.measure_at(e.start).number == "31")
    details = RETURN.of(back)
    assert details is not None
    new = replace(told("chromatic chord", "borrowed chord", score, reading)[0], start=back.start + 2)
    new = replace(new, end=new.start + 2)
    # The bar sounds as it did at first, until one of its notes is another.
    assert link_between(score, reading, back, new) == "meanwhile"
    first = next(n for n in score.struck if n.onset == new.start)
    notes = tuple(replace(n, pitch=n.pitch + Interval.parse("A1")) if n is first else n for n in score.notes)
    changed = replace(score, notes=notes)
    assert link_between(changed, reading, back, new) == "this time"
    # Nor is it new where an inner voice only doubles a note that is there.
    keys = sorted(n.midi for n in score.struck if n.onset == new.start)
    inner = replace(first, id="inner", pitch=first.pitch + Interval.parse("P8"))
    while inner.midi >= keys[-1]:
        inner = replace(inner, pitch=inner.pitch - Interval.parse("P8"))
    doubled = replace(score, notes=tuple(sorted((*score.notes, inner), key=lambda n: n.onset)))
    assert link_between(doubled, reading, back, new) == "meanwhile"
    known = replace(new, start=details.from_start + 2, end=details.from_start + 4)
    also = replace(reading, events=(*reading.events, known))
    assert link_between(changed, also, back, new) == "meanwhile"


def test_the_way_back_is_told_from_where_it_begins():
    score, reading = analysed("chain-ferry")
    away, home = (
        next(e for e, _ in KEY.all(reading.events) if e.label == label) for label in ("modulation", "home")
    )
    assert link_between(score, reading, away, home) == "journey"
    assert link_between(score, reading, home, away) == ""


@pytest.mark.parametrize("language", SPOKEN)
def test_no_link_is_said_twice_in_a_story(language):
    links = phrasebook(language).told["link"]
    assert set(links) == set(phrasebook("en").told["link"])
    for name in ("lock-water", "chain-ferry"):
        text = " ".join(c.text for c in narrate(*analysed(name), "whole", language=language))
        assert all(text.count(words) < 2 for pool in links.values() for words in pool)


def after(event: Event, other: Event, beats: int = 0) -> Event:
    """An event of two beats so many beats after the end of another; a cadence arrives at its second beat."""
    start = other.end + beats
    details = CADENCE.of(event)
    moved = replace(event, start=start, end=start + 2)
    return moved if details is None else replace(moved, details=replace(details, arrival=start + 1))


def test_what_follows_a_close_at_once_or_comes_in_place_of_an_answer_is_joined_by_that(piece):
    score, reading = piece
    full = next(e for e, _ in CADENCE.all(reading.events) if e.label == "perfect authentic")
    half = told("cadence", "half", score, reading)[0]
    away = next(e for e, _ in KEY.all(analysed("chain-ferry")[1].events) if e.label == "modulation")
    shadow = told("chromatic chord", "borrowed chord", score, reading)[0]
    details = CADENCE.of(full)
    assert details is not None
    closed = replace(full, start=Fraction(0), end=Fraction(4), details=replace(details, arrival=Fraction(3)))
    asked = replace(half, start=Fraction(0), end=Fraction(4))
    for event in (away, shadow):
        assert link_between(score, reading, closed, after(event, closed)) == "hardly"
        assert link_between(score, reading, closed, after(event, closed, 20)) == ""
    assert link_between(score, reading, asked, after(away, asked)) == "instead"
    assert link_between(score, reading, asked, after(away, asked, 20)) == ""
    assert link_between(score, reading, asked, after(shadow, asked)) == ""


@pytest.mark.parametrize(
    ("kind", "label", "link"),
    [
        ("chromatic chord", "borrowed chord", "passed"),
        ("sharp dissonance", "minor ninth", "resolved"),
        ("non-chord tone", "suspension", "resolved"),
    ],
)
def test_a_close_follows_from_what_rubbed_or_darkened_before_it(piece, kind, label, link):
    score, reading = piece
    full = next(e for e, _ in CADENCE.all(reading.events) if e.label == "perfect authentic")
    home = KEY.all(reading.events)[0][1].home
    one = told(kind, label, score, reading)[0]
    one = replace(one, start=Fraction(0), end=Fraction(4), details=replace(one.details, key=home))
    assert link_between(score, reading, one, after(full, one)) == link
    assert link_between(score, reading, one, after(full, one, 20)) == ""
    other = replace(one, details=replace(one.details, key=home.parallel))
    assert link_between(score, reading, other, after(full, other)) == ""


def test_there_is_said_only_within_the_key_that_was_reached():
    score, reading = analysed("chain-ferry")
    away, found = next(x for x in KEY.all(reading.events) if x[0].label == "modulation")
    ninth = told("sharp dissonance", "minor ninth", score, reading)[0]
    there = replace(
        ninth, start=away.start + 1, end=away.start + 2, details=replace(ninth.details, key=found.key)
    )
    assert link_between(score, reading, away, there) == "there"
    assert link_between(score, reading, away, replace(there, start=away.end, end=away.end + 1)) == ""
    strange = replace(there, details=replace(there.details, key=found.key.parallel))
    assert link_between(score, reading, away, strange) == ""
