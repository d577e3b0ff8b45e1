"""The order of telling: surprise from counts over analyses, exposure from the notes, kinship by idea."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from tests.findings.build import build, spans_of
from tests.partial import event as made
from tests.wording.readings import analysed, chorale

from understave.findings import find_events
from understave.findings.applied import APPLIED_CHORD
from understave.findings.chromatic import COMMON_TONE
from understave.harmony.reading import Event, Reading, Span
from understave.interpretation.tension import home_of
from understave.teaching.surprise import MOST_BITS, chord_bits, rarity
from understave.teaching.telling_order import (
    Thread,
    Told,
    Weighing,
    _is_everyday,
    candidates,
    exposure,
    foremost,
    ranked,
    spread,
)
from understave.teaching.threads import idea_of
from understave.theory.key import Key
from understave.theory.pitch import Pitch
from understave.theory.roman import RomanNumeral

C, F_MINOR = Key.parse("C"), Key.parse("f")


def span(numeral: str, key: Key = C, confidence: float = 1.0) -> Span:
    return Span(Fraction(0), Fraction(1), key, RomanNumeral.parse(numeral), confidence)


@pytest.mark.parametrize(
    ("before", "usual", "strange"),
    [
        ("V7", "I", "bVI"),
        ("ii", "V", "iii"),
        ("I", "IV", "bII"),
        ("V7/V", "V", "vi"),
    ],
)
def test_what_handbooks_call_usual_surprises_less(before, usual, strange):
    """Table of usual root progressions: Piston, Harmony (1941), chapter 3, from memory."""
    common, rare = chord_bits(span(before), span(usual)), chord_bits(span(before), span(strange))
    assert 0 <= common < rare <= MOST_BITS


def test_a_doubted_chord_surprises_less():
    sure, unsure = (chord_bits(span("V7"), span("bVI", confidence=c)) for c in (1.0, 0.4))
    assert unsure == pytest.approx(0.4 * sure)


def test_what_every_song_has_is_no_surprise():
    """Passing tones stand in nearly every bar, augmented sixths in few pieces (common practice)."""
    everyday = [rarity("non-chord tone.passing tone"), rarity("instruction.dynamic")]
    rare = [rarity("chromatic chord.german sixth"), rarity("picardy third.picardy third")]
    assert max(everyday) < min(rare)
    assert rarity("never heard of") == MOST_BITS


def event(kind: str, label: str, **detail) -> Event:
    return made(kind, label, Fraction(0), Fraction(1), (), 1.0, detail.items())


def test_relatives_are_one_idea():
    neapolitan = event("chromatic chord", "neapolitan", key=F_MINOR)
    as_key = event("key", "modulation", key=Key.parse("Gb"))
    as_note = event(
        "non-chord tone", "appoggiatura", key=F_MINOR, pitch=Pitch.parse("Gb5"), metric="accented"
    )
    other_note = event(
        "non-chord tone", "appoggiatura", key=F_MINOR, pitch=Pitch.parse("G5"), metric="accented"
    )
    assert len({idea_of(e, F_MINOR) for e in (neapolitan, as_key, as_note)}) == 1
    assert idea_of(other_note, F_MINOR) != idea_of(neapolitan, F_MINOR)
    there, back = event("mode switch", "major to minor"), event("mode switch", "minor to major")
    assert idea_of(there, C) == idea_of(back, C) == idea_of(event("key", "parallel", key=C.parallel), C)
    tune = event("repeated note", "melody note", pitch=Pitch.parse("G4"))
    bass = event("pedal point", "dominant", pitch=Pitch.parse("G2"))
    elsewhere = event("pedal point", "tonic", pitch=Pitch.parse("C2"))
    assert idea_of(tune, C) == idea_of(bass, C) != idea_of(elsewhere, C)
    one, two = event("motive", "statement", number=1), event("motive", "inverted", number=2)
    assert idea_of(one, C) != idea_of(two, C)


def test_what_the_demo_is_about_comes_first():
    """Our own description of the pieces (`examples/*/about.md` and the analyses by hand)."""
    score, reading = analysed("lock-water")
    first = [t.idea for t in spread(score, ranked(score, reading), 3)]
    assert ("mode",) in first
    score, reading = analysed("chain-ferry")
    first = [t.idea[0] for t in spread(score, ranked(score, reading), 5)]
    assert {"augmented sixth", "lowered second"} <= set(first)


@pytest.mark.parametrize("number", [1, 7, 20])
def test_the_usual_is_told_last_or_not_at_all(number):
    """Passing tones and the key of the beginning happen in every chorale."""
    score, reading = chorale(number)
    top = [t.lead.event for t in spread(score, ranked(score, reading), 5)]
    assert not any(e.label in ("passing tone", "neighbour tone") or e.kind == "texture" for e in top)
    assert not any(e.kind == "key" and e.get("came_from") is None for e in top)


def test_places_stand_in_order_and_the_lead_is_the_best():
    score, reading = analysed("chain-ferry")
    threads = ranked(score, reading)
    assert [t.worth for t in threads] == sorted((t.worth for t in threads), reverse=True)
    for t in threads:
        starts = [p.event.start for p in t.places]
        assert starts == sorted(starts)
        assert t.lead.worth == max(p.worth for p in t.places)
        assert {idea_of(p.event, home_of(reading)) for p in t.places} == {t.idea}
    assert sum(len(t.places) > 1 for t in threads) > 3


def test_kinship_and_exposure_count():
    score, reading = analysed("lock-water")
    alone = {t.idea: t.worth for t in ranked(score, reading, "en", Weighing(kinship=0.0))}
    related = {t.idea: t.worth for t in ranked(score, reading, "en", Weighing(kinship=0.5))}
    assert related[("mode",)] > alone[("mode",)]
    flat = {t.idea: t.lead.worth for t in ranked(score, reading, "en", Weighing(exposure=0.0))}
    assert any(
        flat[i] != pytest.approx(w.lead.worth) for i, w in ((t.idea, t) for t in ranked(score, reading))
    )


def test_outer_long_and_accented_is_heard_best():
    score, _reading = chorale(7)
    bar = score.measures[4]
    struck = [n for n in score.notes if n.onset == bar.start]
    top = max(struck, key=lambda n: n.midi)
    inner = sorted(struck, key=lambda n: n.midi)[1]
    on, inside = (Event("x", "x", bar.start, bar.start + 1, (n.id,), 1.0) for n in (top, inner))
    assert exposure(score, on) > exposure(score, inside)
    longer = replace(on, end=bar.start + 3)
    assert exposure(score, longer) > exposure(score, on)


@pytest.mark.parametrize("open_end", [True, False])
def test_an_open_end_is_no_usual_close(open_end):
    """Pieces end on their tonic (handbook); one that does not is told of before what every piece has."""
    about = (("arrival", Fraction(8)), ("ends_phrase", 1), *((("ends_piece", 1),) if open_end else ()))
    half = made("cadence", "half", Fraction(4), Fraction(12), (), 1.0, about)
    motive = made("motive", "statement", Fraction(0), Fraction(4), (), 1.0)
    threads = tuple(
        Thread((event.kind,), told, (told,), told.worth)
        for event, worth in ((half, 1.0), (motive, 0.5))
        for told in (Told(event, 3.0, 1.0, worth),)
    )
    assert (foremost(threads) == threads) == open_end


def test_a_chord_that_only_colours_is_not_told_as_pointing_elsewhere():
    """Between two C major chords C sharp goes back to C (Open Music Theory, part V, from memory)."""
    score = build("E5:4 | E5:4 | E5:4", "C3+G3+C4:4 | C#3+G3+Bb3:4 | C3+G3+C4:4")
    spans = spans_of(score, "C: I:4 viio7/ii:4 I:4")
    events = find_events(score, spans)
    applied = next(e for e in events if e in APPLIED_CHORD)
    told = [one.event for one in candidates(score, Reading(spans, events))]
    assert applied in told
    colour = made("chromatic chord", COMMON_TONE, applied.start, applied.end, applied.notes, 1.0)
    told = [one.event for one in candidates(score, Reading(spans, (*events, colour)))]
    assert applied not in told


def test_that_the_voice_enters_is_told_in_a_song_after_what_only_it_has():
    """Nearly every song has bars before the voice (common practice, no source); a piano piece seldom has."""
    way_in = made("section", "introduction", Fraction(0), Fraction(8), (), 1.0)
    motive = made("motive", "statement", Fraction(8), Fraction(12), (), 1.0)
    threads = tuple(
        Thread((event.label,), told, (told,), told.worth)
        for event, worth in ((way_in, 1.0), (motive, 0.5))
        for told in (Told(event, 3.0, 1.0, worth),)
    )
    assert foremost(threads) == threads
    assert foremost(threads, sung=True) == threads[::-1]


def test_a_second_of_a_kind_waits_until_each_kind_was_told():
    """Common practice of teaching, no source: a handful of things told first are of several kinds."""
    events = [
        made("key", label, Fraction(at), Fraction(at + 4), (), 1.0) for at, label in ((0, "a"), (8, "b"))
    ]
    events += [made("motive", "statement", Fraction(4), Fraction(6), (), 1.0)]
    one, two, other = (
        Thread((event.kind, event.label), told, (told,), told.worth)
        for event, worth in zip(events, (1.0, 0.9, 0.8), strict=True)
        for told in (Told(event, 3.0, 1.0, worth),)
    )
    assert foremost((one, two, other)) == (one, other, two)
    assert foremost((one, two, replace(other, worth=0.1))) == (one, two, replace(other, worth=0.1))


@pytest.mark.parametrize(("start", "everyday"), [(8, True), (24, False)])
def test_what_a_repeat_sign_could_do_is_not_told(start, everyday):
    """A repeat that is written out is heard as one (common practice, no source)."""
    about = (("from_start", Fraction(0)), ("from_end", Fraction(8)))
    back = made("return", "literal", Fraction(start), Fraction(start + 8), (), 1.0, about)
    assert _is_everyday(back) is everyday
