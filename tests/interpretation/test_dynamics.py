"""Loudness: what is printed is kept, phrases swell, tension is louder; hairpins and marks have their reasons.

64 between mp and mf: MIDI 1.0 Detailed Specification, 1996, "Note On". The rest is common practice, no
source.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from tests.findings.build import build, spans_of
from tests.partial import event as made

from understave.harmony.reading import Reading
from understave.interpretation.dynamics import (
    _clashes_most,
    _climbs_on,
    _fades_against_print,
    _goes_on_in_print,
    _leads_up,
    _Line,
    _phrase_ends,
    _reason,
    _stress,
    _swell,
    dynamics,
    level_at,
)
from understave.interpretation.plan import Hairpin
from understave.interpretation.printed import MARKS, VELOCITIES, nearest_mark, printed_loudness
from understave.interpretation.tension import tension
from understave.score.model import Direction, Score
from understave.wording import LEVELS, SPOKEN, say

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "wording"))

from small_readings import read_as, score_of
from tests.wording.readings import EXAMPLES, example

F = Fraction
# A melody that climbs and sinks again over plain chords, one phrase.
MUSIC = (
    "C3 G3 E4 C5 | F3 A3 F4 D5 | G3 B3 D4 G5 | C3 G3 E4 A5 | "
    "F3 A3 D4 F5 | G3 B3 F4 D5 | C3 G3 E4 C5 | C3 G3 E4 C5"
)
LABELS = "C: I | IV6 | V | vi | ii | V7 | I | I"


def mark(onset: int, text: str, kind: str = "dynamic", end: int | None = None) -> Direction:
    return Direction(f"d{onset}{text}", kind, F(onset), None if end is None else F(end), 1, text)


def piece(*directions: Direction) -> tuple[Score, Reading]:
    score, reading = read_as(MUSIC, LABELS, 2)
    events = (made("phrase", "phrase", F(0), score.end, (), 1.0),)
    return replace(score, directions=directions), Reading(reading.spans, events)


def test_marks_are_in_order_round_the_middle_that_midi_sets():
    assert [VELOCITIES[m] for m in MARKS] == sorted(VELOCITIES.values())
    assert VELOCITIES["mp"] < 64 < VELOCITIES["mf"]
    assert all(nearest_mark(v) == m for m, v in VELOCITIES.items())
    assert all(1 <= v <= 127 for v in VELOCITIES.values())


def test_without_print_the_line_is_level_at_mezzo_forte():
    printed = printed_loudness(piece()[0])
    assert printed.marks == ()
    assert printed.at(F(0)) == printed.at(F(9)) == VELOCITIES["mf"]


def test_a_mark_holds_from_its_moment_until_the_next():
    printed = printed_loudness(piece(mark(0, "p"), mark(8, "ff"))[0])
    assert printed.at(0) == printed.at(7.9) == VELOCITIES["p"]
    assert printed.at(8) == printed.at(12) == VELOCITIES["ff"]


def test_a_hairpin_leads_to_the_mark_at_its_end():
    printed = printed_loudness(piece(mark(0, "p"), mark(4, "crescendo", "wedge", 8), mark(8, "f"))[0])
    assert printed.at(4) == VELOCITIES["p"]
    assert printed.at(6) == pytest.approx((VELOCITIES["p"] + VELOCITIES["f"]) / 2)
    assert printed.at(8) == VELOCITIES["f"]


def test_a_hairpin_without_a_goal_moves_a_step_and_never_more_than_two():
    wedges = [mark(t, "crescendo", "wedge", t + 2) for t in range(2, 14, 2)]
    printed = printed_loudness(piece(mark(0, "p"), *wedges)[0])
    assert printed.at(4) == VELOCITIES["mp"]
    assert printed.at(15) == VELOCITIES["mf"]


@pytest.mark.parametrize(("way", "first", "last"), [("crescendo", "p", "ff"), ("diminuendo", "f", "pp")])
def test_no_hairpin_turns_back_however_far_another_has_gone(way, first, last):
    """Two hairpins before one mark: the first may have come to it, the second does not turn back."""
    hairpins = mark(1, way, "wedge", 3), mark(4, way, "wedge", 6)
    printed = printed_loudness(piece(mark(0, first), *hairpins, mark(6, last))[0])
    assert [s.kind for s in printed.swells] == [way, way]
    grown = [s.after - s.before for s in printed.swells]
    assert min(grown) >= 0 if way == "crescendo" else max(grown) <= 0


def test_words_swell_until_the_next_mark():
    printed = printed_loudness(piece(mark(0, "mf"), mark(4, "dim.", "words"), mark(10, "pp"))[0])
    (swell,) = printed.swells
    assert (swell.kind, swell.start, swell.end, swell.words) == ("diminuendo", 4, 10, True)
    assert printed.at(7) == pytest.approx((VELOCITIES["mf"] + VELOCITIES["pp"]) / 2)


def test_words_that_parts_have_one_after_the_other_are_one_swell_while_their_dashes_run():
    words = mark(4, "cresc.", "words", 11), mark(6, "cresc.", "words", 8)
    printed = printed_loudness(piece(mark(0, "p"), *words, mark(10, "f"))[0])
    assert [(s.start, s.end) for s in printed.swells] == [(4, 10)]


def test_sudden_accents_are_no_level_and_forte_piano_goes_on_softly():
    printed = printed_loudness(piece(mark(0, "mf"), mark(4, "sf"), mark(8, "fp"))[0])
    assert printed.at(5) == VELOCITIES["mf"]
    assert printed.at(9) == VELOCITIES["p"]
    assert [(a.moment, a.text) for a in printed.accents] == [(4, "sf"), (8, "fp")]


def test_the_line_rises_to_the_height_of_the_phrase_and_falls():
    score, reading = piece()
    levels, hairpins, _ = dynamics(score, reading, tension(score, reading))
    middle = max(level_at(levels, t) for t in range(3, 9))
    assert middle > level_at(levels, 0) + 5
    assert middle > level_at(levels, 15) + 5
    (swell,) = [h for h in hairpins if h.kind == "swell"]
    assert swell.origin == "proposed"
    assert swell.start < swell.peak < swell.end
    # Between the melody's height and the last dominant.
    assert 4 <= swell.peak <= 12


def tunes(*notes: str) -> tuple[Score, Reading]:
    """A tune, bar by bar, over the chords of the piece above."""
    chords = [bar.split()[:3] for bar in MUSIC.split("|")]
    bars = [" ".join([*c, n]) for c, n in zip(chords, notes, strict=True)]
    score, reading = read_as(" | ".join(bars), LABELS, 2)
    return score, Reading(reading.spans, (made("phrase", "phrase", F(0), score.end, (), 1.0),))


@pytest.mark.parametrize("peak", range(1, 7))
def test_a_swell_goes_to_the_highest_note_and_comes_back_from_it(peak):
    heights = ["C5", "D5", "E5", "F5", "E5", "D5", "C5", "C5"]
    heights[peak] = "C6"
    score, reading = tunes(*heights)
    hairpins = dynamics(score, reading, tension(score, reading))[1]
    for h in hairpins:
        top = h.peak or (h.end if h.kind == "crescendo" else h.start)
        sung = {n.onset: n.midi for n in score.notes if n.midi >= 72 and h.start <= n.onset <= h.end}
        assert sung[top] == max(sung.values())
        assert h.kind == "diminuendo" or sung[min(sung)] < sung[top]
        assert h.kind == "crescendo" or sung[max(sung)] < sung[top]


def test_a_melody_that_stands_still_or_rests_has_no_swell():
    score, reading = tunes(*["C5"] * 8)
    tense = tension(score, reading)
    assert dynamics(score, reading, tense)[1] == ()
    climbing, reading = piece()
    broken = [n for n in climbing.notes if not 2 <= n.onset < 4]
    resting = replace(climbing, notes=tuple(broken))
    assert all(not h.start < 3 < h.end for h in dynamics(resting, reading, tension(resting, reading))[1])


def test_tense_harmony_is_louder_than_the_same_without_tension():
    score, reading = piece()
    plain, _, _ = dynamics(score, reading, ())
    strain = tension(score, reading)
    tense, _, _ = dynamics(score, reading, strain)
    mean = sum(t.value * float(t.end - t.start) for t in strain) / float(score.end)
    high = max(strain, key=lambda t: t.value)
    low = min(strain, key=lambda t: t.value)
    assert high.value > mean > low.value
    assert level_at(tense, high.start) > level_at(plain, high.start)
    assert level_at(tense, low.start + F(1, 2)) < level_at(plain, low.start + F(1, 2))


def test_printed_marks_and_hairpins_are_kept_and_nothing_is_proposed_against_them():
    score, reading = piece(mark(0, "p"), mark(4, "diminuendo", "wedge", 8), mark(8, "pp"))
    levels, hairpins, marks = dynamics(score, reading, tension(score, reading))
    assert [(m.mark, m.moment, m.origin) for m in marks] == [("p", 0, "printed"), ("pp", 8, "printed")]
    printed = [h for h in hairpins if h.origin == "printed"]
    assert [(h.start, h.end, h.kind) for h in printed] == [(4, 8, "diminuendo")]
    # The melody climbs to its height at 4 and stays high: the line falls there all the same.
    along = [level_at(levels, F(t, 2)) for t in range(8, 16)]
    assert all(b <= a + 1e-6 for a, b in pairwise(along))
    for h in hairpins:
        assert h.origin == "printed" or h.end <= 4 or h.start >= 8
    for t in range(16):
        assert abs(level_at(levels, t) - printed_loudness(score).at(t)) <= 2 * (
            VELOCITIES["f"] - VELOCITIES["mf"]
        )


@pytest.mark.parametrize(
    ("printed", "told"),
    [
        # A hairpin and the next that goes straight on.
        ((("crescendo", "wedge", 2, 4), ("crescendo", "wedge", 4, 8)), [("crescendo", 2, 8)]),
        # The same hairpin of voice and piano, begun one after the other.
        ((("crescendo", "wedge", 2, 9), ("crescendo", "wedge", 3, 8)), [("crescendo", 2, 9)]),
        # A word that a hairpin takes up.
        ((("dim.", "words", 2, None), ("diminuendo", "wedge", 4, 8)), [("diminuendo", 2, 8)]),
        # Swelling and fading stay two.
        (
            (("crescendo", "wedge", 2, 4), ("diminuendo", "wedge", 4, 8)),
            [("crescendo", 2, 4), ("diminuendo", 4, 8)],
        ),
        # A mark between them is an aim of its own.
        (
            (("crescendo", "wedge", 2, 4), ("f", "dynamic", 4, None), ("crescendo", "wedge", 4, 8)),
            [("crescendo", 2, 4), ("crescendo", 4, 8)],
        ),
    ],
)
def test_a_printed_swell_is_told_to_where_it_ends(printed, told):
    score, reading = piece(
        mark(0, "p"), *(mark(start, text, kind, end) for text, kind, start, end in printed)
    )
    hairpins = [h for h in dynamics(score, reading)[1] if h.origin == "printed"]
    assert [(h.kind, h.start, h.end) for h in hairpins] == told


@pytest.mark.parametrize(("way", "kept"), [("crescendo", False), ("diminuendo", True)])
def test_nothing_is_said_to_grow_to_where_the_print_begins_to_grow(way, kept):
    """The line climbs to 6, where a hairpin is printed: a crescendo goes on there, a diminuendo turns it."""
    score, reading = piece(mark(0, "p"), mark(6, way, "wedge", 10))
    proposed = [h for h in dynamics(score, reading)[1] if h.origin == "proposed" and h.end == 6]
    assert bool(proposed) is kept
    assert all(h.kind == "crescendo" for h in proposed)


@pytest.mark.parametrize(
    ("way", "at", "against"),
    [("crescendo", 6, True), ("crescendo", 9, True), ("crescendo", 10, False), ("diminuendo", 7, False)],
)
def test_nothing_grows_right_before_the_print_does(way, at, against):
    """A crescendo printed within a bar is still to come."""
    score, _ = piece(mark(0, "pp"), mark(at, way, "wedge", 12))
    grown = Hairpin(F(2), None, F(6), "crescendo", "proposed", None)
    assert _goes_on_in_print(score, grown, printed_loudness(score)) is against


def test_a_printed_jump_stays_a_jump():
    score, reading = piece(mark(0, "p"), mark(8, "ff"))
    levels, _, _ = dynamics(score, reading)
    jump = VELOCITIES["ff"] - VELOCITIES["p"]
    assert level_at(levels, 8) - level_at(levels, F(8) - F(1, 100)) == pytest.approx(jump, abs=4)


def test_where_a_mark_stands_the_line_is_nearest_to_it():
    score, reading = piece(mark(0, "p"), mark(8, "mf"))
    levels, _, _ = dynamics(score, reading, tension(score, reading))
    assert nearest_mark(level_at(levels, 0)) == "p"
    assert nearest_mark(level_at(levels, 8)) == "mf"


def test_a_score_without_marks_gets_one_to_begin_with():
    score, reading = piece()
    _, _, marks = dynamics(score, reading, tension(score, reading))
    assert marks[0].moment == 0
    assert marks[0].origin == "proposed"
    assert marks[0].why.label == "opening"


@pytest.mark.parametrize("name", EXAMPLES)
def test_a_whole_piece_is_planned_in_range_in_order_and_in_words(name):
    score, reading = example(name)
    levels, hairpins, marks = dynamics(score, reading, tension(score, reading))
    assert all(a.moment <= b.moment for a, b in pairwise(levels))
    assert all(1 <= level.velocity <= 127 for level in levels)
    assert len(levels) < 6 * len(score.measures)
    for h in hairpins:
        assert h.start < h.end
        assert h.peak is None or h.start < h.peak < h.end
    for event in [h.why for h in hairpins] + [m.why for m in marks]:
        for language in SPOKEN:
            for level in LEVELS:
                assert say(event, score, level, language)
    wedges = {(d.onset, d.end) for d in score.directions if d.kind == "wedge"}
    told = [(h.start, h.end) for h in hairpins if h.origin == "printed"]
    assert all(any(s <= start and end <= e for s, e in told) for start, end in wedges)


def test_silence_and_an_empty_score_have_no_line():
    score, _ = piece()
    empty = replace(score, notes=(), measures=())
    assert dynamics(empty, Reading(())) == ((), (), ())


def test_nothing_is_said_to_grow_to_a_note_that_the_line_climbs_past():
    """The peak of a line is its highest note (common practice, no source): A at 6, not G at 4."""
    grown = [h.why.get("peak") for h in dynamics(*piece())[1]]
    assert grown == [6]
    cut = piece(mark(0, "p"), mark(5, "diminuendo", "wedge", 7))
    assert not [h for h in dynamics(*cut)[1] if h.origin == "proposed" and h.kind == "crescendo"]


@pytest.mark.parametrize(
    ("upbeat", "downbeat", "told"),
    [
        ("A5:1/2 G5", "B5:1 A5", ("crescendo", 4)),
        ("A5:1/2 G5", "F5:1 E5", ("swell", 3)),
        ("A5:1/2 G5", "r:1 B5", ("swell", 3)),
        ("A5:1/2 F5", "A5:1 G5", ("swell", 3)),
    ],
)
def test_a_swell_does_not_turn_on_an_upbeat_that_leads_into_a_higher_downbeat(upbeat, downbeat, told):
    """An upbeat strives to its downbeat (Riemann, Musikalische Dynamik und Agogik, 1884; from memory)."""
    score = build(f"C5:1 D5 E5 {upbeat} | {downbeat} G5 F5", "C3:4 | C3:4")
    reading = Reading(spans_of(score, "C: I:4 | I:4"), ())
    moments = tuple(F(k, 2) for k in (0, 2, 4, 6, 7, 8, 10, 12, 14))
    added = np.array([0.0, 1, 3, 8, 1.5, 7, 5, 4, 3])
    line = _Line(moments, np.zeros(9), np.full(9, 20.0), {"height": added})
    hairpin = _swell(score, reading, line, added, np.arange(9))
    assert (hairpin.kind, hairpin.why.get("peak")) == told


def test_a_line_is_followed_in_its_own_voice_where_another_takes_the_melody(monkeypatch):
    """F leads up to A on the next downbeat, whoever has the melody by then."""
    score = build("C5:1 D5 E5 F5 | A5:1 G5 F5 E5", "C3:4 | C3:4")
    line = tuple(score.note_by_id[f"v1n{k}"] for k in range(1, 5))
    monkeypatch.setattr(
        "understave.interpretation.dynamics.texture_of", lambda *_: SimpleNamespace(melody=line)
    )
    assert _leads_up(score, (), line[3])
    assert _climbs_on(score, (), line[3], F(3)) == 4


def test_nothing_grows_into_a_softer_mark():
    """The height is at 6: with a p printed there after f, the line may grow before it, not to it."""
    for text, peaks in (("f", {6}), ("p", set())):
        marked = piece(mark(0, "mf"), mark(6, text))
        grown = {h.why.get("peak") for h in dynamics(*marked)[1] if h.kind != "diminuendo" and h.start < 6}
        assert (grown & {6}) == peaks


@pytest.mark.parametrize(
    ("loud", "kinds"),
    [(None, ["swell"]), (16, ["swell"]), (13, ["swell"]), (11, ["crescendo"]), (9, ["crescendo"])],
)
def test_nothing_fades_within_a_bar_of_a_louder_mark(loud, kinds):
    """The print drives on to ff: it is no place to let the sound fall back (common practice, no source)."""
    score, reading = tunes("C5", "C6", "A5", "C5", "C4", "C4", "C4", "C4")
    phrases = [made("phrase", "phrase", F(a), F(b), (), 1.0) for a, b in ((0, 8), (8, 16))]
    marks = (mark(0, "p"), *((mark(loud, "ff"),) if loud else ()))
    found = dynamics(replace(score, directions=marks), Reading(reading.spans, tuple(phrases)))[1]
    assert [h.kind for h in found if h.start < 8] == kinds


@pytest.mark.parametrize(("struck", "kinds"), [(None, ["swell"]), (5, ["crescendo"]), (1, ["swell"])])
def test_nothing_fades_over_a_printed_accent(struck, kinds):
    """Where fz stands the sound is struck anew (common practice, no source)."""
    score, reading = tunes("C5", "C6", "A5", "C5", "C4", "C4", "C4", "C4")
    phrases = [made("phrase", "phrase", F(a), F(b), (), 1.0) for a, b in ((0, 8), (8, 16))]
    marks = (mark(0, "p"), *((mark(struck, "fz"),) if struck else ()))
    found = dynamics(replace(score, directions=marks), Reading(reading.spans, tuple(phrases)))[1]
    assert [h.kind for h in found if h.start < 8] == kinds


@pytest.mark.parametrize(("before", "kinds"), [("mf", ["crescendo"]), ("fff", ["diminuendo"])])
def test_nothing_fades_on_the_very_mark_that_is_louder(before, kinds):
    """An ff on the highest note has just been reached: it is not where the sound falls back."""
    score, reading = piece(mark(0, before), mark(6, "ff"))
    assert [h.kind for h in dynamics(score, reading)[1]] == kinds


@pytest.mark.parametrize(("later", "reason"), [(3.0, "tension"), (4.3, "phrase")])
def test_harmony_is_called_tensest_only_where_it_is(later, reason):
    """Beside the third moment, at which the sound is loudest, a later one pulls less, or a little more."""
    moments = tuple(Fraction(k) for k in range(5))
    line = _Line(moments, np.zeros(5), np.ones(5), {"tension": np.array([0.0, 2.0, 4.0, later, 0.0])})
    assert _reason(line, np.arange(5.0), 0.0, 2.0, 4.0) == reason


@pytest.mark.parametrize(
    ("first", "peak", "last", "most"),
    [(0, 2, 4, True), (0, 1, 4, False), (0, 2, 2, True), (2, 2, 3, True), (0, 1, 1, False), (0, 0, 2, False)],
)
def test_a_swell_of_harmony_has_its_peak_where_most_clashes(first, peak, last, most):
    """B and C on the third beat, thirds and an octave beside them."""
    notes = [(0, "E5"), (1, "F5"), (2, "B4"), (3, "C5"), (4, "C5")]
    low = [(0, "C4"), (1, "D4"), (2, "C4"), (3, "C4"), (4, "C4")]
    score = score_of([(Fraction(at), Fraction(1), name) for at, name in (*notes, *low)])
    assert _clashes_most(score, Fraction(first), Fraction(peak), Fraction(last)) is most


@pytest.mark.parametrize(
    ("words", "at", "against"),
    [
        ("sempre f", 12, True),
        ("sempre ff", 6, True),
        ("sempre più forte", 12, True),
        ("sempre più ff", 12, True),
        ("immer fff", 12, True),
        ("sempre f", 20, False),
        ("sempre p", 12, False),
        ("sempre legato", 12, False),
    ],
)
def test_nothing_fades_where_print_stays_loud(words, at, against):
    """*Sempre*: always, throughout (any handbook of terms)."""
    music = " | ".join(["C3 G3 C4 E4"] * 6)
    score, _ = read_as(music, "C: " + " | ".join(["I"] * 6))
    score = replace(score, directions=(Direction("d1", "words", Fraction(at), None, 1, words),))
    fade = Hairpin(Fraction(2), None, Fraction(6), "diminuendo", "proposed", None)
    assert _fades_against_print(score, fade, printed_loudness(score)) is against


@pytest.mark.parametrize(
    ("text", "at", "against"), [("f", 4, True), ("ff", 5, True), ("f", 2, False), ("mf", 4, False)]
)
def test_nothing_fades_in_the_bar_that_is_printed_loud(text, at, against):
    """What is set to *f* anew stays there for a bar, though the mark before was no softer."""
    score, _ = read_as(" | ".join(["C3 G3 C4 E4"] * 6), "C: " + " | ".join(["I"] * 6))
    score = replace(score, directions=(mark(0, "f"), mark(at, text)))
    fade = Hairpin(Fraction(6), None, Fraction(10), "diminuendo", "proposed", None)
    assert _fades_against_print(score, fade, printed_loudness(score)) is against


@pytest.mark.parametrize(
    ("tune", "end", "detail", "sure", "ends"),
    [
        ("G4:1 A4 B4 G4 | G4 F4 E4 D4", 4, {"rest": F(1)}, 0, True),
        ("G4:1 A4 B4 G4 | G4 F4 E4 D4", 4, {"rest": F(1, 4)}, 0, False),
        ("G4:1 A4 B4 G4 | G4 F4 E4 D4", 4, {"long_note": F(2)}, 0, True),
        ("G4:1 A4 B4 G4 | G4 F4 E4 D4", 6, {"long_note": F(2)}, 0, True),
        ("G4:1 A4 B4 G4 | G4 F4 E4 D4", 8, {"long_note": F(2)}, 0, False),
        ("G4:1 A4 B4 G4 | G4 F4 E4 D4", 4, {}, 0.9, True),
        ("G4:1 A4 B4 G4 | G4 F4 E4 D4", 4, {}, 0.3, False),
        ("G4:1 A4 B4 G4 | G4 A4 B4 G4", 4, {"rest": F(1)}, 0.9, False),
        ("G4:1 A4 B4 G4 | C5 D5 E5 C5", 4, {"long_note": F(2)}, 0.9, False),
        ("G4:2 E4 | G4 E4", 4, {"long_note": F(2)}, 0.9, True),
    ],
)
def test_a_phrase_comes_to_its_end_where_it_stops_and_is_not_taken_up_again(tune, end, detail, sure, ends):
    """It ends with a rest, a long note or a cadence (common practice, no source)."""
    score = build(tune, "C3:4 | C3:4")
    phrase = made("phrase", "phrase", F(0), F(end), detail=detail.items())
    close = made("cadence", "half", F(0), F(end), confidence=sure, detail=[("phrase_end", F(end))])
    assert _phrase_ends(score, Reading(spans_of(score, "C: I:8"), (phrase, close)), F(4)) is ends


@pytest.mark.parametrize(("detail", "reason"), [({}, "height"), ({"long_note": F(2)}, "phrase")])
def test_what_falls_where_no_phrase_ends_sinks_with_its_melody(detail, reason):
    score, reading = tunes(*["E5"] * 5, *["D5"] * 3)
    phrase = made("phrase", "phrase", F(0), score.end, detail=detail.items())
    (fall,) = dynamics(score, Reading(reading.spans, (phrase,)))[1]
    assert (fall.kind, fall.why.get("reason")) == ("diminuendo", reason)


@pytest.mark.parametrize(
    ("music", "accented", "peak"),
    [
        ("G5:1 E5 G5:1/2 F5 E5:1", 0, 0),
        ("G5:1 E5 G5:1/2 F5 E5:1", None, 0),
        ("G5:1 E5:1/2 G5 F5:1 E5", None, 0),
        ("G5:1 E5 F5 G5", None, 3),
        ("G5:1 E5 A5 G5", 0, 2),
    ],
)
def test_of_notes_as_high_the_peak_is_the_one_that_weighs_most(music, accented, peak):
    """An accent, a beat, length: what marks a note in a line (common practice, no source)."""
    score = build(music)
    if accented is not None:
        notes = list(score.notes)
        notes[accented] = replace(notes[accented], articulations=("accent",))
        score = replace(score, notes=tuple(notes))
    assert max(score.notes, key=lambda note: _stress(score, note)).onset == peak
