"""What a listener would point out in a piece is found and told near the top.

Small pieces of our own, each made around one device; what is told of it is compared with how the piece was
made. That these are what a listener points out is common practice of concert talks, no source.
"""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from tests.findings.build import build, spans_of

from understave.findings import find_events
from understave.findings.melody import find_melody
from understave.harmony.reading import Reading
from understave.score.model import Score
from understave.teaching.narrative import _moments, entry_of, filled, narrate
from understave.teaching.telling_order import foremost, ranked
from understave.teaching.threads import idea_of
from understave.theory.key import Key
from understave.wording.phrasebook import SPOKEN, phrasebook


def heard(labels: str, *voices: str, signature: int = 0) -> tuple[Score, Reading]:
    score = build(*voices, signature=signature)
    spans = spans_of(score, labels)
    return score, Reading(spans, find_events(score, spans))


def minute(piece: tuple[Score, Reading]) -> str:
    return " ".join(c.text for c in narrate(*piece, "minute"))


def first_idea(piece: tuple[Score, Reading]) -> str:
    return str(foremost(ranked(*piece))[0].idea[0])


FIGURE = "C3:1/2 G3 E4 G3 C3 G3 E4 G3"
FIGURE_ON_G = "B2:1/2 G3 F4 G3 B2 G3 F4 G3"
FIGURE_ON_F = "C3:1/2 A3 F4 A3 C3 A3 F4 A3"


def bare_ninth(ending: str = "F#5:1 G5") -> tuple[Score, Reading]:
    """In bar 3 A flat stands over G alone and goes past G before it comes to it."""
    return heard(
        "c: i:4 iv:4 V:4 i:4 iv:4 V:4 i:4 V7:4 i:4",
        f"G5:2 Eb5 | F5:2 C5 | Ab5:2 {ending} | G5:4 | F5:2 C5 | D5:4 | Eb5:4 | D5:2 B4 | C5:4",
        "Eb4:4 | Ab4:4 | r:4 | Eb4:4 | Ab4:4 | G4:4 | G4:4 | F4:4 | Eb4:4",
        "C3:4 | F3:4 | G3:4 | C3:4 | F3:4 | G3:4 | C3:4 | G2:4 | C3:4",
        signature=-3,
    )


def test_a_bare_minor_ninth_that_goes_past_its_resolution():
    piece = bare_ninth()
    assert first_idea(piece) == "sharp dissonance"
    text = minute(piece)
    assert "G and A flat" in text
    assert "with nothing else sounding" in text
    assert "A flat gives way to G, though only after going past it, to F sharp" in text
    assert "the clash of G against A flat" in text  # what to listen for at the piano


def test_one_that_resolves_at_once_goes_past_nothing():
    text = minute(bare_ninth("G5:2"))
    assert "A flat gives way to G." in text
    assert "past its goal" not in text


def test_a_filled_one_is_not_bare():
    score, reading = bare_ninth()
    filled = heard(
        "c: V:4 i:4", "Ab5:2 F#5:1 G5 | G5:4", "B4:4 | C5:4", "D4:4 | Eb4:4", "G3:4 | C3:4", signature=-3
    )
    bare = {
        e.get("bare") for _, r in ((score, reading), filled) for e in r.events if e.label == "minor ninth"
    }
    assert bare == {1, None}


def test_a_third_that_turns_major_inside_a_bar():
    """Bar 6: E flat for two beats, then E, over the same C and G."""
    piece = heard(
        "C: I:4 V7:4 I:4 IV:4 vi:4 c: i:2 C: I:2 V7:4 I:4",
        "E5:2 G5 | F5:4 | E5:4 | A5:4 | C5:4 | Eb5:2 E5:2 | D5:4 | C5:4",
        "G4:4 | B4:4 | C5:4 | F4:4 | A4:4 | C5:4 | F4:4 | E4:4",
        "C3:4 | G3:4 | C3:4 | F3:4 | A3:4 | C3+G3:4 | G3+B3:4 | C3+G3:4",
    )
    assert first_idea(piece) == "mode"
    assert "C minor clears to C major: E instead of E flat" in minute(piece)


def chain(bass: str) -> tuple[Score, Reading]:
    return heard(
        "c: i:4 iv:4 vii°7/V:2 vii°7:2 vii°7/iv:2 vii°7/V:2 V7:4 i:4",
        "Eb5:4 | Ab5:4 | C6:2 B5 | Bb5:2 A5 | G5:4 | G5:4",
        "C5:4 | C5:4 | A5:2 Ab5 | G5:2 F#5 | F5:4 | Eb5:4",
        "G4:4 | F4:4 | F#5:2 F5 | E5:2 Eb5:2 | B4:4 | C5:4",
        f"staff2 C3:4 | F3:4 | {bass} | G2:4 | C3:4",
        signature=-3,
    )


def test_a_chain_of_diminished_sevenths_over_a_held_dominant():
    piece = chain("G2:2 G2 | G2:2 G2")
    assert first_idea(piece) == "chain"
    assert "none of them lets go, while the bass does not leave G" in minute(piece)
    moving = minute(chain("F#2:2 B2 | E3:2 A2"))
    assert "none of them lets go." in moving


def test_a_suspended_fourth_before_the_seventh():
    """Bar 3: C stands over G and D until B comes, with the seventh F."""
    piece = heard(
        "C: I:4 IV:4 V:2 V7:2 I:4 vi:4 ii:4 V7:4 I:4",
        "E5:4 | C5:4 | C5:2 B4:2 | C5:4 | C5:4 | D5:4 | B4:4 | C5:4",
        "G4:4 | A4:4 | G4:2 F4:2 | E4:4 | A4:4 | F4:4 | F4:4 | E4:4",
        "C3:4 | F3:4 | G3+D4:4 | C3+G3:4 | A3:4 | D3:4 | G3:4 | C3:4",
    )
    text = minute(piece)
    assert re.search(r"\bC (is left over|will not leave)[^.]*\bsink to B\b", text)
    assert text.endswith("listen for the note that stays too long.")


def test_one_repeated_note_is_the_tune_and_later_the_bass():
    piece = heard(
        "C: I:4 V7:4 I:4 IV:4 V7:4 I:4 V64:4 V7:4 V7:4 I:4",
        "G5:1 G5 G5 G5 | G5:1 G5 G5 G5 | G5:1 G5 G5 G5 | A5:4 | F5:2 D5 | E5:4 | C5:2 E5 | B4:2 D5 | D5:2 F5 "
        "| E5:4",
        "C5+E5:4 | B4+F5:4 | C5+E5:4 | C5+F5:4 | B4:4 | C5:4 | G4:4 | F4:4 | B4:4 | C5:4",
        "C4:4 | D4:4 | C4:4 | F3:4 | G3:4 | C3:4 | G2:1 G2 G2 G2 | G2:1 G2 G2 G2 | G2:1 G2 G2 G2 | C3:4",
    )
    assert first_idea(piece) == "staying note"
    text = minute(piece)
    assert text.index("the tune stays on G") < text.index("the bass repeats G")
    assert "It is the very note that stayed in bar 1" in text


TUNE = "G5:2 E5:1 F5 | D5:2 F5 | E5:3 G5:1 | A5:2 C6 | B5:2 G5 | E5:4 | D5:2 B4 | C5:4"
UNDER_TUNE = [FIGURE, FIGURE_ON_G, FIGURE, FIGURE_ON_F, FIGURE_ON_G, FIGURE, FIGURE_ON_G, "C3:4"]


def test_an_introduction_of_figures_without_a_tune():
    piece = heard(
        "C: I:8 I:4 V7:4 I:4 IV:4 V7:4 I:4 V7:4 I:4",
        f"r:4 | r:4 | {TUNE}",
        "staff2 " + " | ".join([FIGURE, FIGURE, *UNDER_TUNE]),
    )
    assert first_idea(piece) == "introduction"
    assert "the tune enters, and only now do you notice that there was none before, just two bars" in minute(
        piece
    )


@pytest.mark.parametrize(("before", "entries"), [("G4:2 E4:1 F4", 0), ("C4:2 E4:1 C4", 1)])
def test_a_tune_that_the_introduction_plays_does_not_enter_after_figures(before, entries):
    """A piano introduction often begins with the tune of the song (common practice, no source)."""
    piece = heard(
        "C: I:8 I:4 V7:4 I:4 IV:4 V7:4 I:4 V7:4 I:4",
        f"r:4 | r:4 | {TUNE}",
        f"staff2 {before} | C4:4 | " + " | ".join(["r:4"] * 8),
        "staff2 " + " | ".join([FIGURE, FIGURE, *UNDER_TUNE]),
    )
    assert len([e for e in piece[1].events if e.label == "enters"]) == entries


def test_an_introduction_before_a_singer_is_told_once():
    """That figures come first, as a part of the form, and that the tune then enters is one thing."""
    score = build(
        " | ".join(["r:4"] * 4 + [TUNE] * 2),
        "staff2 " + " | ".join([FIGURE] * 4 + UNDER_TUNE * 2),
    )
    sung = (
        replace(note, lyrics=("la",)) if note.staff == 1 and note.duration else note for note in score.notes
    )
    score = replace(score, notes=tuple(sung))
    spans = spans_of(score, "C: I:16" + " I:4 V7:4 I:4 IV:4 V7:4 I:4 V7:4 I:4" * 2)
    reading = Reading(spans, find_events(score, spans))
    thread = next(t for t in ranked(score, reading) if t.idea == ("introduction",))
    assert sorted(told.event.kind for told in thread.places) == ["melody", "section"]
    assert len(_moments(score, thread, 5, set())) == 1


def test_a_tune_that_enters_on_the_upbeat_has_that_bar_of_figures_before_it_too():
    piece = heard(
        "C: I:12 I:4 V7:4 I:4 IV:4 V7:4 I:4 V7:4 I:4",
        f"r:4 | r:4 | r:3 G5:1 | {TUNE}",
        "staff2 " + " | ".join([FIGURE, FIGURE, FIGURE, *UNDER_TUNE]),
    )
    (entry,) = [e for e in piece[1].events if e.label == "enters"]
    assert entry.get("bars") == 3
    assert "just three bars of figures" in " ".join(c.text for c in narrate(*piece, "whole"))


def test_an_upbeat_of_figures_is_no_bar_before_the_tune():
    score = build(
        f"r:1 | r:4 | r:3 G5:1 | {TUNE}",
        "staff2 " + " | ".join(["C3:1", FIGURE, FIGURE, *UNDER_TUNE]),
        pickup=1,
    )
    (entry,) = [
        event
        for event in find_melody(score, spans_of(score, "C: I:9 I:4 V7:4 I:4 IV:4 V7:4 I:4 V7:4 I:4"))
        if event.label == "enters"
    ]
    assert entry.get("bars") == 2


def test_a_tune_at_once_does_not_enter():
    _, reading = heard("C: I:4 V7:4 I:4 IV:4 V7:4 I:4 V7:4 I:4", TUNE, "staff2 " + " | ".join(UNDER_TUNE))
    assert "enters" not in {e.label for e in reading.events}


def test_the_opening_is_back_in_the_home_key_after_a_wandering_middle():
    top = "E5:2 G5 | F5:1 E5 D5:2 | E5:2 C5 | D5:4 | E5:2 G5 | A5:2 F5 | D5:2 B4 | C5:4"
    inner = "G4:4 | B4:4 | G4:4 | B4:4 | G4:4 | C5:4 | F4:4 | E4:4"
    low = "C4:4 | G3:4 | C4:4 | G3:4 | C4:4 | F3:4 | G3:4 | C3:4"
    chords = "C: I:4 V7:4 I:4 V:4 I:4 IV:4 V7:4 I:4"
    piece = heard(
        f"{chords} Eb: I:4 ii:4 V7:4 I:4 d: V7:4 i:4 iv:4 V7:4 {chords}",
        f"{top} | Bb5:2 G5 | Ab5:2 F5 | D5:2 F5 | Eb5:4 | E5:2 G5 | F5:2 D5 | Bb5:2 G5 | A5:2 G5 | {top}",
        f"{inner} | Eb4:4 | C4:4 | Ab4:4 | G4:4 | C#5:4 | A4:4 | Bb4:4 | C#5:4 | {inner}",
        f"{low} | Eb3+Bb3:4 | F3+Ab3:4 | Bb2:4 | Eb3:4 | A2:4 | D3:4 | G3+D4:4 | A3+E4:4 | {low}",
    )
    assert first_idea(piece) == "return"
    assert "the opening comes back unchanged, and the home key with it" in minute(piece)


def figures_of_the_middle(back: str = "") -> tuple[Score, Reading]:
    """The figures of bars 9 to 12 are left at bar 13 and come back from bar 17 on, or others do."""
    up, on_f, on_g = (
        "C3:1/2 E3 G3 C4 E4 C4 G3 E3",
        "F3:1/2 A3 C4 F4 A4 F4 C4 A3",
        "G3:1/2 B3 D4 G4 B4 G4 D4 B3",
    )
    return heard(
        "C: I:4 IV:4 V7:4 I:4 I:4 V7:4 IV:4 V:4 I:4 IV:4 V:4 I:4 I:4 IV:4 V7:4 I:4 I:4 IV:4 I:4 I:4",
        "E5:4 | F5:4 | D5:4 | E5:4 | G5:4 | F5:4 | A5:4 | G5:4 | G5:4 | A5:4 | B5:4 | C6:4 "
        "| E5:4 | F5:4 | D5:4 | C5:4 | C5:4 | A4:4 | G4:4 | G4:4",
        "G4:4 | A4:4 | B4:4 | G4:4 | C5:4 | B4:4 | C5:4 | B4:4 | r:4 | r:4 | r:4 | r:4 "
        "| G4:4 | A4:4 | B4:4 | G4:4 | r:4 | r:4 | r:4 | E4:4",
        "staff2 C3:4 | F3:4 | G3:4 | C3:4 | C3+E3:4 | G3:4 | F3:4 | G3:4 | "
        + " | ".join([up, on_f, on_g, up])
        + " | C3:4 | F3:4 | G3:4 | C3:4 | "
        + " | ".join([back or up, on_f, back or up])
        + " | C3:4",
    )


def test_arpeggios_of_the_middle_come_back_at_the_end():
    piece = figures_of_the_middle()
    assert first_idea(piece) == "texture"
    text = minute(piece)
    assert text.index("begins to rock up and down") < text.index("the figures of bar 9 are back")


def test_only_a_figure_is_remembered():
    """Long notes and runs come everywhere (our own rule): that they come at the end again is no return."""
    score, reading = figures_of_the_middle()
    held = tuple(replace(e, label="held notes") if e.label == "rocking" else e for e in reading.events)
    assert first_idea((score, replace(reading, events=held))) != "texture"


def test_other_figures_are_not_back():
    """A figure is its rhythm and its contour (Open Music Theory, "Motive"); another rocking is a new one."""
    piece = figures_of_the_middle("C3:1/2 E3 G3 C4 E4:1 C4:1")
    rocking = [e for e in piece[1].events if e.kind == "texture" and e.label == "rocking"]
    assert len(rocking) == 2
    assert "are back" not in minute(piece)


@pytest.mark.parametrize(("line", "sigh"), [("C4:2 A4:1 G4 | C5:4", True), ("C5:2 F4:1 G4 | C5:4", False)])
def test_only_what_sinks_is_a_sigh(line, sigh):
    """A sigh falls (Türk, "Klavierschule", 1789, from memory); what rises is none."""
    score, reading = heard("C: I:4 I:4", line, "staff2 C3+E3+G3:4 | C3+E3+G3:4")
    (found,) = (e for e in reading.events if e.label == "appoggiatura")
    book = phrasebook("en")
    why = entry_of(found, book)["why"]
    assert bool(filled(score, found, why, book)) == sigh
    assert idea_of(found, Key.parse("C"))[2] == ("upper" if sigh else "lower")


def test_figures_that_are_told_of_late_do_not_begin_there():
    """The same piece told without its bars 9 to 12, which another idea may have taken."""
    score, reading = figures_of_the_middle()
    figures = [t for t in ranked(score, reading) if t.idea[0] == "texture" and len(t.places) > 1]
    thread = next(t for t in figures if score.measure_at(t.places[0].event.start).number == "9")
    (moment,) = _moments(score, thread, 0, {8})
    assert score.measure_at(moment.start).number == "17"
    assert moment.before is not None
    assert score.measure_at(moment.before.event.start).number == "9"


@pytest.mark.parametrize("language", SPOKEN)
def test_all_of_it_can_be_told_in_every_language(language):
    score, reading = bare_ninth()
    text = " ".join(c.text for c in narrate(score, reading, "minute", language=language))
    assert {"en": "F sharp", "de": "Fis", "fr": "fa dièse"}[language] in text
