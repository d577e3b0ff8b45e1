"""Performances: seconds, keys and pedal; checked against music21's seconds and the metronome's old dial."""

from __future__ import annotations

import sys
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from benchmarks.pedal import THRESHOLDS, changes

from understave.acoustics.piano import GRAND
from understave.acoustics.ringing import amplitudes, levels, string_table
from understave.acoustics.sound import strings_alone
from understave.errors import UnderstaveError
from understave.interpretation.perform import FERMATA, FLUTTER, clock, perform, velocities_of
from understave.interpretation.plan import Bend, Level, PedalMove, Plan, Voice
from understave.interpretation.tempo import BEATS, basic_tempo, printed_tempo, tempo_at
from understave.score.model import Direction, Score
from understave.score.passage import passage
from understave.score.reader import read_score

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "wording"))

from small_readings import score_of
from tests.wording.readings import EXAMPLES, ROOT, example

F = Fraction
STEADY = Plan(tempo=60.0)


def line(*names: str, length: Fraction | int = 1) -> Score:
    return score_of([(k * F(length), F(length), name) for k, name in enumerate(names)])


def with_notes(score: Score, **changes: dict[str, object]) -> Score:
    """Change notes by their ids."""
    return replace(score, notes=tuple(replace(n, **changes.get(n.id, {})) for n in score.notes))


def tempo(onset: int, text: str, value: float | None = None, end: int | None = None) -> Direction:
    kind = "tempo" if value else "words"
    return Direction(f"t{onset}", kind, F(onset), None if end is None else F(end), 1, text, value)


# --- the clock


def test_a_steady_tempo_counts_evenly():
    c = clock(line("C4", "D4", "E4", "F4"), Plan(tempo=120.0))
    assert [c.at(t) for t in range(5)] == pytest.approx([0, 0.5, 1, 1.5, 2])
    assert c.moment(1.25) == pytest.approx(2.5)


def test_the_clock_and_its_inverse_agree_under_bends():
    plan = Plan(tempo=80.0, timing=(Bend(F(0), 1.0), Bend(F(2), 0.6), Bend(F(4), 1.1)))
    c = clock(line("C4", "D4", "E4", "F4"), plan)
    for t in (0, 0.7, 2, 3.3, 4):
        assert c.moment(c.at(t)) == pytest.approx(t)
    assert all(a < b for a, b in pairwise(c.seconds))


def test_a_bend_that_falls_in_a_straight_line_takes_the_time_of_its_integral():
    # From tempo v to v/2 over one quarter note: the integral of 60 / (v (1 - x/2)) is 120 ln 2 / v.
    c = clock(line("C4", "D4"), Plan(tempo=60.0, timing=(Bend(F(0), 1.0), Bend(F(1), 0.5))))
    assert c.at(1) == pytest.approx(2 * 0.693147, rel=0.002)


def test_a_jump_of_the_tempo_is_taken_at_its_moment():
    bends = (Bend(F(0), 1.0), Bend(F(2), 1.0), Bend(F(2), 0.5), Bend(F(4), 0.5))
    c = clock(line("C4", "D4", "E4", "F4"), Plan(tempo=60.0, timing=bends))
    assert (c.at(2), c.at(4)) == pytest.approx((2, 6))


def test_a_fermata_waits_on_its_last_beat_and_all_wait_together():
    score = line("C4", "D4", "E4", "F4")
    held = score.notes[1].id
    c = clock(with_notes(score, **{held: {"fermata": True}}), STEADY)
    assert c.at(1) == pytest.approx(1)
    assert c.at(2) == pytest.approx(1 + FERMATA)
    assert c.at(3) == pytest.approx(2 + FERMATA)


def test_bars_and_tempo_on_request():
    score = line(*["C4"] * 8)
    c = clock(score, STEADY, first=1, last=1, tempo=120.0)
    assert (c.at(4), c.at(8)) == pytest.approx((0, 2))
    played = perform(score, STEADY, first=1, last=1, tempo=120.0)
    assert [s.start for s in played.strikes] == pytest.approx([0, 0.5, 1, 1.5])


@pytest.mark.parametrize(
    ("asked", "words"),
    [({"tempo": 3.0}, "tempo of 3"), ({"first": 1, "last": 7}, "not in a score of 2 bars")],
)
def test_what_cannot_be_played_is_said_in_one_sentence(asked, words):
    with pytest.raises(UnderstaveError, match=words):
        perform(line(*["C4"] * 8), STEADY, **asked)


# --- printed tempo


def test_tempo_words_lie_where_the_old_metronome_has_them():
    # The dial of the traditional metronome, from memory: largo 40-60 ... prestissimo 200-208.
    dial = {
        "largo": (40, 60),
        "larghetto": (60, 66),
        "adagio": (66, 76),
        "andante": (76, 108),
        "moderato": (108, 120),
        "allegro": (120, 168),
        "presto": (168, 200),
        "prestissimo": (200, 208),
    }
    for word, (low, high) in dial.items():
        assert low <= BEATS[word] <= high


def test_tempo_words_are_near_those_of_a_reference_library():
    tempo21 = pytest.importorskip("music21.tempo")
    # Its adagio (56) and grave lie lower than the dial's.
    for word in ("largo", "larghetto", "andante", "andantino", "moderato", "allegretto", "allegro", "presto"):
        assert BEATS[word] == pytest.approx(tempo21.defaultTempoValues[word], rel=0.2)


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_metronome_mark_of_an_example_is_its_tempo(name):
    score, _ = example(name)
    first = next(d for d in score.directions if d.kind == "tempo")
    assert basic_tempo(score) == first.value


def test_words_count_in_felt_beats_and_degrees_move_them():
    def pace(text: str, beats: int = 4, beat_type: int = 4) -> float:
        score = score_of([(F(0), F(6), "C4")], beats=beats, beat_type=beat_type)
        return basic_tempo(replace(score, directions=(tempo(0, text),)))

    assert pace("Andante", 6, 8) == pytest.approx(1.5 * pace("Andante"))
    assert pace("Allegro molto") > pace("Allegro") > pace("Allegro ma non troppo") > pace("Andante")
    assert pace("Molto adagio") < pace("Adagio")
    assert pace("Sehr langsam") < pace("Langsam") < pace("Lebhaft")


def test_a_ritardando_slows_until_a_tempo():
    score = line(*["C4"] * 16)
    marks = (tempo(0, "Allegro", 120.0), tempo(4, "rit."), tempo(8, "a tempo"))
    points = printed_tempo(replace(score, directions=marks))
    assert tempo_at(points, 4) == 120
    assert 80 < tempo_at(points, F(79, 10)) < 95
    assert tempo_at(points, 8) == tempo_at(points, 15) == 120


def test_later_tempi_keep_their_proportion_when_another_tempo_is_asked_for():
    marks = (tempo(0, "Allegro", 120.0), tempo(4, "Adagio", 60.0))
    score = replace(line(*["C4"] * 8), directions=marks)
    c = clock(score, Plan(tempo=120.0), tempo=60.0)
    assert (c.at(4), c.at(8)) == pytest.approx((4, 12))


def test_onsets_agree_with_a_reference_library():
    """Every struck note of a chorale, at its second, as music21 counts offsets."""
    music21 = pytest.importorskip("music21")
    sys.path.insert(0, str(ROOT))
    from benchmarks.corpora import chorale_score

    path = chorale_score(9)
    score = read_score(path)
    score = replace(score, notes=tuple(replace(n, fermata=False) for n in score.notes), directions=())
    ours = {(round(s.start, 3), s.midi) for s in perform(score, Plan(tempo=96.0), tempo=90.0).strikes}
    theirs = music21.converter.parse(path).stripTies().flatten().notes
    expected = {(round(float(n.offset) * 60 / 90, 3), p.midi) for n in theirs for p in n.pitches}
    assert len(expected) > 150
    assert ours == expected


# --- keys


def test_loudness_is_line_and_voice_and_printed_accents():
    score = with_notes(line("C4", "D4", "E4", "F4"), n1={"articulations": ("accent",)})
    score = replace(score, directions=(Direction("s", "dynamic", F(2), None, 1, "sf"),))
    plan = Plan(levels=(Level(F(0), 40.0), Level(F(4), 80.0)), voices=(Voice("n3", "inner", -12.0),))
    velocity = velocities_of(score, plan)
    assert velocity["n0"] == 40
    assert velocity["n1"] > 50 + 5
    assert velocity["n2"] > 60 + 5
    assert velocity["n3"] == pytest.approx(70 - 12)


def test_touch_by_articulation_and_slur():
    score = with_notes(
        line("C4", "D4", "E4", "F4"),
        n0={"articulations": ("staccato",)},
        n1={"articulations": ("slur-start",)},
        n2={"articulations": ("slur-stop",)},
        n3={"articulations": ("tenuto",)},
    )
    short, under, last, held = (s.end - s.start for s in perform(score, STEADY).strikes)
    assert short == pytest.approx(0.5)
    assert 1.0 < under < 1.1
    assert 0.7 < last < 0.95
    assert held == pytest.approx(1.0)


def test_a_key_comes_up_before_it_is_struck_again():
    score = with_notes(line("C4", "C4", length=F(1, 4)), n0={"articulations": ("tenuto",)})
    first, second = perform(score, STEADY).strikes
    assert first.end < second.start


def test_grace_notes_come_before_the_beat():
    score = line("C4", "E4")
    grace = replace(score.notes[1], id="g", ids=("g",), grace=True, duration=F(0))
    score = replace(score, notes=(score.notes[0], grace, score.notes[1]))
    by_note = {s.note: s for s in perform(score, STEADY).strikes}
    assert 0.8 < by_note["g"].start < 1.0
    assert by_note[score.notes[2].id].start == pytest.approx(1.0)


def test_grace_notes_at_the_very_beginning_come_on_the_beat():
    score = line("C4", "E4")
    grace = replace(score.notes[0], id="g", ids=("g",), grace=True, duration=F(0))
    score = replace(score, notes=(grace, *score.notes))
    by_note = {s.note: s for s in perform(score, STEADY).strikes}
    assert by_note["g"].start == 0
    assert 0 < by_note["n0"].start < 0.15


def test_broken_chords_go_upwards_from_the_beat():
    score = score_of([(F(0), F(4), name) for name in ("C3", "G3", "E4", "C5")])
    score = replace(score, notes=tuple(replace(n, arpeggiated=True) for n in score.notes))
    starts = [s.start for s in sorted(perform(score, STEADY).strikes, key=lambda s: s.midi)]
    assert starts[0] == 0
    assert all(0.01 < b - a < 0.1 for a, b in pairwise(starts))


@pytest.mark.parametrize(
    ("ornament", "midis"),
    [
        ("mordent", [66, 64, 66]),
        ("inverted-mordent", [66, 67, 66]),
        ("turn", [67, 66, 64, 66]),
        ("inverted-turn", [64, 66, 67, 66]),
    ],
)
def test_ornaments_use_the_neighbours_of_the_key(ornament, midis):
    """In G major F sharp has E and G beside it. The signs as handbooks resolve them (common practice)."""
    score = score_of([(F(0), F(2), "F#4")], signature=1)
    score = with_notes(score, n0={"ornaments": (ornament,)})
    assert [s.midi for s in perform(score, STEADY).strikes] == midis


def test_a_trill_alternates_and_ends_where_it_began():
    score = with_notes(score_of([(F(0), F(2), "B4")], signature=-1), n0={"ornaments": ("trill",)})
    strikes = perform(score, STEADY).strikes
    # B natural in a signature of one flat: its upper neighbour is C.
    assert [s.midi for s in strikes] == [71, 72] * (len(strikes) // 2) + [71]
    assert 11 <= len(strikes) <= 21
    assert all(a.end <= b.start + 1e-9 for a, b in pairwise(strikes))


def test_a_tremolo_repeats_at_its_written_speed():
    score = with_notes(score_of([(F(0), F(2), "C4")]), n0={"ornaments": ("tremolo-2",)})
    starts = [s.start for s in perform(score, STEADY).strikes]
    assert starts == pytest.approx([k / 4 for k in range(8)])


def test_notes_held_into_the_first_bar_are_struck_there():
    score = score_of([(F(2), F(4), "C3"), (F(4), F(2), "E4")])
    assert [(s.midi, s.start) for s in perform(score, STEADY, first=1).strikes] == [(48, 0.0), (64, 0.0)]


# --- tempo where none is printed


def test_short_values_are_written_for_a_slow_beat():
    slow, quick = (
        basic_tempo(score_of([(F(k) * length, length, "C4") for k in range(int(8 / length))]))
        for length in (F(1, 8), F(1))
    )
    assert slow < 70 < 100 < quick


def test_degrees_belong_to_the_word_beside_them():
    """Dictionary meanings; common practice, no source."""

    def tempo(text: str) -> float:
        score = line(*["C4"] * 8)
        return basic_tempo(replace(score, directions=(Direction("t", "words", F(0), None, 1, text),)))

    assert tempo("Sehr innig und nicht zu rasch") == tempo("nicht zu rasch") < tempo("rasch")
    assert tempo("Sehr rasch") > tempo("rasch")
    assert tempo("Allegro ma non troppo") < tempo("Allegro")
    assert tempo("Teneramente, non lento") > tempo("Lento")


def test_a_livelier_section_is_played_faster_and_the_first_tempo_comes_back():
    score = line(*["C4"] * 16)
    marks = (("Andante", 0), ("Etwas bewegter", 4), ("Erstes Tempo", 8))
    made = tuple(Direction(f"t{t}", "words", F(t), None, 1, text) for text, t in marks)
    points = printed_tempo(replace(score, directions=made))
    first, livelier, again = (tempo_at(points, F(t)) for t in (1, 5, 9))
    assert livelier >= 1.25 * first
    assert again == first


# --- pedal


def test_the_pedal_goes_up_with_the_new_harmony_and_down_just_after():
    moves = tuple(PedalMove(F(t), d, "proposed") for t, d in ((0, 1.0), (2, 1.0), (3, 0.0)))
    pedal = perform(line("C4", "D4", "E4", "F4"), replace(STEADY, pedal=moves)).pedal
    seconds, depths = zip(*pedal, strict=True)

    def depth(t: float) -> float:
        return float(np.interp(t, seconds, depths))

    assert depth(1) == 1
    # The dampers are falling as the new harmony is struck, as 22 pianists have it (`training.playing`).
    assert depth(1.9) == pytest.approx(1)
    assert 0.2 < depth(2.0) < 0.5
    assert depth(2.05) == 0
    assert depth(2.1) == 0
    assert depth(2.4) == 1
    assert depth(3.1) == 0
    assert all(a[0] <= b[0] for a, b in pairwise(pedal))


def test_a_late_release_comes_all_the_way_up():
    moves = (PedalMove(F(0), 1.0, "proposed"), PedalMove(F(2), 0.0, "proposed", late=True))
    pedal = perform(line("C4", "D4", "E4", "F4"), replace(STEADY, pedal=moves)).pedal
    assert [depth for _, depth in pedal][-2:] == [1.0, 0.0]
    assert 2.0 < pedal[-1][0] < 3.0


def test_a_late_change_comes_after_the_harmony_and_does_not_clear_all():
    moves = tuple(PedalMove(F(t), 1.0, "proposed", late=t > 0) for t in (0, 2))
    pedal = perform(line("C4", "D4", "E4", "F4"), replace(STEADY, pedal=moves)).pedal
    seconds, depths = zip(*pedal, strict=True)
    assert float(np.interp(2.15, seconds, depths)) == 1
    dip = min(d for s, d in pedal if 1.5 < s < 3)
    assert 0.2 < dip < 0.5


def test_a_melting_change_is_heard_old_and_new_together():
    """What "melting" asks for: the old bass still rings when a plain change has long stopped it."""
    score = line("C3", "D4", "E4", "F4")
    old = []
    for late in (True, False):
        moves = tuple(PedalMove(F(t), 1.0, "proposed", late=late and t > 0) for t in (0, 2))
        played = perform(score, replace(STEADY, pedal=moves))
        table = string_table(played.strikes[:1])
        old.append(levels(amplitudes(table, played.pedal, [2.1, 2.3]))[0])
    assert old[0][0] > old[1][0] + 3
    assert old[0][1] > old[1][1] + 9


def test_what_stands_under_una_corda_is_struck_with_the_soft_pedal():
    score = line("C4", "D4", "E4", "F4", "G4", "A4", "B4", "C5")
    words = (
        Direction("w1", "words", F(2), None, 1, "una corda"),
        Direction("w2", "words", F(5), None, 1, "tre corde"),
    )
    strikes = perform(replace(score, directions=words), STEADY).strikes
    assert [s.soft for s in strikes] == [False, False, True, True, True, False, False, False]


def test_the_pedal_held_into_the_first_bar_is_down_from_the_start():
    plan = replace(STEADY, pedal=(PedalMove(F(3), 1.0, "proposed"),))
    pedal = perform(line(*["C4"] * 8), plan, first=1).pedal
    assert pedal[0] == (0.0, 1.0)
    assert pedal[-1][1] == 0.0


def test_another_pedal_takes_the_place_of_the_plans():
    plan = replace(STEADY, pedal=(PedalMove(F(0), 1.0, "proposed"),))
    assert perform(line("C4"), plan, pedal=()).pedal == ()


@pytest.mark.parametrize("name", EXAMPLES)
def test_a_whole_piece_is_played_every_note_once(name):
    score, reading = example(name)
    make = pytest.importorskip("understave.interpretation.planning")
    plan = make.make_plan(score, reading)
    played = perform(score, plan)
    assert {s.note for s in played.strikes} >= {n.id for n in score.notes if not n.cue and not n.grace}
    assert all(s.end > s.start >= 0 and 1 <= s.velocity <= 127 for s in played.strikes)
    assert list(played.strikes) == sorted(played.strikes, key=lambda s: (s.start, s.midi))
    slow = perform(score, plan, tempo=plan.tempo / 2)
    assert slow.length == pytest.approx(2 * played.length, rel=0.01)
    c = clock(score, plan)
    onset = {n.id: n.onset for n in score.notes}
    plain = [s for s in played.strikes if not score.note_by_id[s.note].arpeggiated]
    assert sum(abs(s.start - c.at(onset[s.note])) < 0.2 for s in plain) > 0.95 * len(plain)


@pytest.mark.parametrize("words", ["ten.", "Ten.", "dolce", "sf", "con espressione", "8va"])
def test_the_speed_of_one_word_is_not_the_tempo_from_there_on(words):
    """MusicXML 4.0: <sound tempo> may stand in any direction, whatever its words say."""
    marks = (tempo(0, "Allegro", 120.0), tempo(4, words, 24.0))
    score = replace(line(*["C4"] * 16), directions=marks)
    points = printed_tempo(score)
    assert [tempo_at(points, t) for t in (0, 4, 8, 15)] == [120.0] * 4
    assert basic_tempo(replace(score, directions=(tempo(0, words, 24.0),))) != 24.0


@pytest.mark.parametrize(
    "words", ["", "quarter = 66", "Adagio", "adagio", "Trio", "Innig", "neu quarter = 66"]
)
def test_a_tempo_mark_or_a_heading_holds_from_there_on(words):
    marks = (tempo(0, "Allegro", 120.0), tempo(4, words, 66.0))
    points = printed_tempo(replace(line(*["C4"] * 16), directions=marks))
    assert [tempo_at(points, t) for t in (0, 4, 15)] == [120.0, 66.0, 66.0]


def test_a_passage_begins_in_the_standing_tempo():
    marks = (tempo(0, "Allegro", 120.0), tempo(2, "ten.", 24.0))
    part = passage(replace(line(*["C4"] * 16), directions=marks), 2, 3)
    assert basic_tempo(part) == 120.0


def test_a_fluttering_foot_goes_between_half_and_a_quarter_and_is_no_change():
    """How deep: from memory, Banowetz, "The Pianist's Guide to Pedaling", 1985. What counts as a change of
    pedal: `benchmarks.pedal`, thresholds around the 64 of the MIDI 1.0 Detailed Specification.
    """
    score = line(*["C4"] * 12)

    def foot(depth: float, flutter: bool) -> tuple[tuple[float, float], ...]:
        moves = (PedalMove(F(0), 1.0, "proposed"), PedalMove(F(4), depth, "proposed", flutter=flutter))
        moves = (*moves, PedalMove(F(8), 1.0, "proposed"))
        return perform(score, replace(STEADY, pedal=moves)).pedal

    pedal = foot(FLUTTER, True)
    inside = [depth for t, depth in pedal if 4.2 < t < 7.8]
    low, high = sorted(set(inside))
    assert 0.2 < low < 0.3
    assert 0.45 < high < 63.5 / 127
    assert inside[:4] in ([low, high, low, high], [high, low, high, low])
    assert 4 * 4 * 2 < 2 * len(inside) < 4 * 8 * 2 * 2  # four to eight times a second
    assert all(a[0] <= b[0] for a, b in pairwise(pedal))
    assert pedal[-1] == (pytest.approx(12.1, abs=0.05), 0.0)
    for off, on in THRESHOLDS:
        limits = off / 127, on / 127
        assert len(changes(pedal, *limits)) == len(changes(foot(0.25, False), *limits)) == 1


def test_flutter_is_heard_between_half_and_a_quarter():
    """A short note that the pedal has: the more it is damped, the less is left."""
    score = score_of([(F(0), F(1, 2), "C5"), (F(3), F(1), "C5")])
    left = []
    for depth, flutter in ((0.5, False), (FLUTTER, True), (0.25, False)):
        plan = replace(STEADY, pedal=(PedalMove(F(0), depth, "proposed", flutter=flutter),))
        sound = strings_alone(perform(score, plan), GRAND).astype(float)
        left.append(float((sound[40_000:60_000] ** 2).mean()))
    assert left[0] > 2 * left[1] > 4 * left[2]
