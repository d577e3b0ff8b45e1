"""Our own piece, played by its plan with deviations of our own (synthetic), tied back to its score.

The truth is how the deviations were made: which key was changed, left out, played again.
"""

from __future__ import annotations

import json
import os
import random
import re
import time
from dataclasses import replace
from datetime import datetime, timedelta
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from tests.findings.build import build

from understave.acoustics.midi_bytes import midi_bytes
from understave.acoustics.performance import Performance, Strike
from understave.cli import main
from understave.errors import UnderstaveError
from understave.findings import read
from understave.interpretation.perform import perform, velocities_of
from understave.interpretation.planning import make_plan
from understave.score.reader import read_score
from understave.takes import Recording, read_take, tie
from understave.takes.doubts import other_places
from understave.takes.following import follow
from understave.takes.kept import add_take, drop_take, kept_take, take_names
from understave.takes.paper import take_pdf
from understave.takes.picture import OWN, draw_take, phrases_of
from understave.takes.slips import signed
from understave.takes.told import Beside, spelled_beside, tell_take
from understave.takes.tying import rising, steady
from understave.takes.views import (
    as_played,
    damped,
    hesitations,
    loudness,
    melody_over_rest,
    pedal_blur,
    printed_alone,
    run_over,
)
from understave.takes.written import Written
from understave.theory.pitch import Pitch

PIECE = Path(__file__).resolve().parents[2] / "examples" / "chain-ferry" / "score.musicxml"


@pytest.fixture(scope="module")
def piece():
    score = read_score(PIECE)
    reading = read(score)
    plan = make_plan(score, reading)
    return score, reading, plan, perform(score, plan)


def recorded(strikes, pedal=()):
    strikes = tuple(sorted(strikes, key=lambda s: (s.start, s.midi)))
    return Recording(Performance(strikes, tuple(pedal)), tuple(pedal), "midi", "take.mid")


def moved(strike, seconds):
    return replace(strike, start=strike.start + seconds, end=strike.end + seconds)


def right_share(score, take, strikes):
    """Share of strikes whose match is the moment and key that they come from."""
    told = {m.strike: score.note_by_id[m.note] for m in take.matches}
    right = 0
    for i, s in enumerate(strikes):
        true = score.note_by_id.get(s.note)
        got = told.get(i)
        right += true is not None and got is not None and (got.at, got.midi) == (true.at, true.midi)
    return right / len(strikes)


def plain(performance, score):
    """Strikes that are written notes, without what adorns them."""
    return [s for s in performance.strikes if s.note and score.note_by_id[s.note].midi == s.midi]


def test_the_plan_s_own_playing_is_tied_note_by_note(piece):
    score, _, _, performance = piece
    take = tie(score, recorded(performance.strikes))
    assert len(take.runs) == 1
    assert right_share(score, take, take.recording.performance.strikes) > 0.97
    assert take.runs[0].first == 0
    assert take.runs[0].last == len(score.measures) - 1
    assert take.unsure == ()


def test_wrong_and_left_out_notes_are_found_and_paired(piece):
    score, _, _, performance = piece
    chance = random.Random(5)
    strikes = plain(performance, score)
    single = [i for i in range(20, len(strikes) - 20) if score.note_by_id[strikes[i].note].staff == 1]
    wrong, gone = chance.sample(single, 8)[:4], chance.sample(single, 12)[8:]
    gone = [i for i in gone if i not in wrong]
    played = [
        replace(s, midi=s.midi + 1) if i in wrong else s for i, s in enumerate(strikes) if i not in gone
    ]
    take = tie(score, recorded(played))
    paired = {w.note for w in take.wrong}
    lost = {strikes[i].note for i in wrong}
    assert len(paired & lost) >= 3
    missed = {note for _, note in take.missed}
    assert len({strikes[i].note for i in gone} - missed) <= 1
    # A strike is one thing only.
    taken = [m.strike for m in take.matches] + [w.strike for w in take.wrong] + list(take.extra)
    assert {*taken} | {s for o in take.ornaments for s in o.strikes} == set(range(len(played)))
    assert not {w.strike for w in take.wrong} & ({m.strike for m in take.matches} | set(take.extra))


def test_a_restart_is_a_run_of_its_own(piece):
    score, _, _, performance = piece
    strikes = performance.strikes
    stop = next(i for i, s in enumerate(strikes) if score.note_by_id[s.note].measure >= 12)
    again = next(i for i, s in enumerate(strikes) if score.note_by_id[s.note].measure >= 9)
    shift = strikes[stop].start + 1.2 - strikes[again].start
    played = [*strikes[:stop], *(moved(s, shift) for s in strikes[again:])]
    take = tie(score, recorded(played))
    assert len(take.runs) == 2
    assert take.runs[0].last in (11, 12)
    assert take.runs[1].first in (8, 9)


def test_an_excerpt_is_found_or_its_bars_are_asked_for(piece):
    score, _, plan, _ = piece
    for first in (4, 20, 40):
        performance = perform(score, plan, first=first, last=first + 5)
        take = tie(score, recorded(s for s in performance.strikes))
        run = take.runs[0]
        assert run.could_be or abs(run.first - first) <= 1
        named = tie(score, recorded(performance.strikes), first, first + 5)
        assert first <= named.runs[0].first <= named.runs[-1].last <= first + 5


def test_a_bar_that_stands_twice_is_not_told_for_sure():
    score = read_score(PIECE)
    notes = [n for n in score.notes if n.measure < 4 and not n.grace and not n.cue]
    shift = score.measures[4].start - score.measures[0].start
    if score.measures[0].length != score.measures[4].length:
        shift = score.measures[5].start - score.measures[1].start
        notes = [n for n in notes if n.measure >= 1]
    copies = [
        replace(n, id=f"copy-{n.id}", ids=(f"copy-{n.id}",), onset=n.onset + shift, measure=n.measure + 4)
        for n in notes
    ]
    twice = replace(
        score,
        notes=tuple(
            sorted([*notes, *copies, *(n for n in score.notes if n.measure > 9)], key=lambda n: n.onset)
        ),
    )
    strikes = [Strike(n.midi, n.at * 0.5, n.at * 0.5 + 0.4, 60.0) for n in notes]
    take = tie(twice, recorded(strikes))
    assert take.unsure == (0,)


def test_repeats_may_be_taken_or_not():
    score = read_score(PIECE)
    bars = list(score.measures)
    end = next(m.index for m in bars if m.index >= 7)
    bars[end] = replace(bars[end], repeat_end=True)
    repeated = replace(score, measures=tuple(bars))
    first = [n for n in score.notes if n.measure <= end and not n.grace and not n.cue]
    rest = [n for n in score.notes if n.measure > end and not n.grace and not n.cue]
    length = float(bars[end].end) * 0.5
    once = [Strike(n.midi, n.at * 0.5, n.at * 0.5 + 0.3, 60.0, n.id) for n in first]
    then = [Strike(n.midi, n.at * 0.5, n.at * 0.5 + 0.3, 60.0, n.id) for n in rest]
    straight = tie(repeated, recorded([*once, *then]))
    assert len(straight.runs) == 1
    taken = tie(repeated, recorded([*once, *(moved(s, length) for s in [*once, *then])]))
    assert len(taken.runs) == 2
    assert taken.runs[1].first == 0


def plainly(notes, start=0.0, pace=0.5):
    """Strikes of notes one after another in time, the first at a second."""
    low = min(n.onset for n in notes)
    at = [start + float(n.onset - low) * pace for n in notes]
    return [Strike(n.midi, s, s + 0.3, 60.0, n.id) for n, s in zip(notes, at, strict=True)]


def of_bars(score, first, last):
    return [n for n in score.notes if first <= n.measure <= last and not n.grace and not n.cue]


def bars_told(take):
    return {k for run in take.runs if not run.could_be for k in range(run.first, run.last + 1)}


def test_no_bar_is_told_that_was_skipped_or_only_touched_at_a_jump(piece):
    # The truth is which bars were put one after another.
    score = piece[0]
    for first, last, on in ((0, 11, 14), (4, 20, 9), (30, 41, 43), (20, 30, 22)):
        before = plainly(of_bars(score, first, last))
        after = plainly(
            of_bars(score, on, on + 8), float(score.measures[last].end - score.measures[first].start) / 2
        )
        take = tie(score, recorded([*before, *after]))
        assert bars_told(take) <= {*range(first, last + 1), *range(on, on + 9)}
        assert len(bars_told(take)) > 0.9 * (last - first + 1)


def test_keys_struck_at_once_with_a_chord_lead_nowhere_else():
    # Nobody strikes two places of a score at one moment; common practice, no source.
    score = build("C3+E3+G3:4 | C5:1/2 D5 E5 F5 G5 A5 B5 C6 | D6:1/2 C6 B5 A5 G5 F5 E5 D5 | F#4:4")
    written = Written(score)
    first = [48, 52, 55]
    scale = [n.midi for n in score.notes if n.measure in (1, 2)]
    times = [0.0] * 3 + [1 + k / 4 for k in range(16)]
    for last, jumps in ([5.0] * 4, 0), ([5.0, 7.0, 7.0, 7.0], 1):
        path = follow(written, np.array([*first, *scale, 66, *first]), np.array([*times, *last]))
        assert path.jumped.sum() == jumps
        assert path.places[-3:].tolist() == ([0] * 3 if jumps else [len(written.times) - 1] * 3)


def test_what_is_struck_again_after_a_stop_is_not_late_but_begins_again():
    score = build("C4+C5:1 F4+F5 E4+E5 B3+B4 | G4+G5 C4+C5 E3+E4 A3+A4")
    keys = [n.midi for n in sorted(score.notes, key=lambda n: n.onset)]
    # Bar 1 begun, a stop, and bar 1 again.
    times = [*np.repeat(np.arange(6) * 0.5, 2), *np.repeat(4.2 + np.arange(4) * 0.5, 2)]
    path = follow(Written(score), np.array([*keys[:12], *keys[8:]]), np.array(times))
    assert np.flatnonzero(path.jumped).tolist() == [12]


def test_a_moment_that_comes_with_the_one_before_it_is_left_out():
    # A beat that comes a twentieth of a second after another is part of its chord; a pause is none.
    written = Written(build("C4:1 D4 E4 F4 | G4 A4 B4 C5"))
    at, seconds = np.arange(8), np.array([0.0, 0.05, 2.0, 3.0, 4.0, 6.0, 7.0, 8.0])
    kept, when = steady(written, at, seconds)
    assert kept.tolist() == [0, *range(2, 8)]
    assert when.tolist() == [0.0, *seconds[2:]]
    assert steady(written, at[:2], seconds[:2])[0].tolist() == [0, 1]


def test_a_bar_of_one_note_between_bars_passed_over_is_not_told():
    # The truth is which bars were put one after another, with a silence in time between.
    score = build(
        "C5:1/2 D5 | E5 F5 | G5 A5 | B5 C6 | D6 B5 | G5 E5 | C4+E4+G4+C5:1 | A3 | D4+G4+B4+D5 "
        "| F5:1/2 A5 | C6 B5 | A5 G5 | D5 B4 | E5 C5 | D5 G4",
        meter="1/4",
    )
    before, after = plainly(of_bars(score, 0, 5), 0, 0.25), plainly(of_bars(score, 9, 14), 9 * 0.25, 0.25)
    assert bars_told(tie(score, recorded([*before, *after]))) == {*range(6), *range(9, 15)}


def test_bars_played_otherwise_are_not_told_of_another_place(piece):
    score = piece[0]
    bars = score.measures
    # In time, but two bars hold what is written thirty bars later.
    strikes = plainly(of_bars(score, 0, 11))
    other = plainly(of_bars(score, 40, 41), float(bars[12].start) / 2)
    again = plainly(of_bars(score, 14, 24), float(bars[14].start) / 2)
    take = tie(score, recorded([*strikes, *other, *again]))
    assert bars_told(take) <= set(range(25))
    assert {*range(12), *range(15, 25)} <= bars_told(take)


def other_edition(score, first, last, elsewhere, spoilt):
    """The score with every so many notes of some bars an octave off; elsewhere these bars as they were."""
    bars = score.measures
    inside = of_bars(score, first, last)
    octave = {n.id: n for k, n in enumerate(inside) if k % spoilt == 0}
    there = [n for n in score.notes if not elsewhere <= n.measure <= elsewhere + last - first]
    notes = [
        replace(n, pitch=replace(n.pitch, octave=n.pitch.octave + 1)) if n.id in octave else n for n in there
    ]
    by, on = bars[elsewhere].start - bars[first].start, elsewhere - first
    for n in inside:
        name = f"there-{n.id}"
        notes.append(replace(n, id=name, ids=(name,), onset=n.onset + by, measure=n.measure + on))
    return replace(score, notes=tuple(sorted(notes, key=lambda n: (n.onset, not n.grace, n.midi))))


@pytest.mark.parametrize(
    ("first", "last", "spoilt", "runs"),
    [
        (0, 1, 2, [(40, 41, (0,)), (2, 24, ())]),
        (12, 13, 2, [(0, 11, ()), (40, 41, (12,)), (14, 24, ())]),
        (12, 15, 3, [(0, 24, ())]),
        (0, 3, 4, [(4, 24, ())]),
    ],
)
def test_bars_of_another_edition_are_not_told_of_where_they_fit_better(piece, first, last, spoilt, runs):
    # The truth is that bars 0 to 24 were played in time; some of them are written so elsewhere only.
    written = other_edition(piece[0], first, last, 40, spoilt)
    take = tie(written, recorded(plainly(of_bars(piece[0], 0, 24))))
    assert [(run.first, run.last, run.could_be) for run in take.runs] == runs


def test_bars_skipped_and_begun_again_that_come_out_in_time_stay_what_was_played(piece):
    # Bars 12 and 13 skipped, 14 and 15 played twice: as long as going on, but nothing else fits it.
    score = piece[0]
    end = float(score.measures[14].start) / 2
    strikes = [
        *plainly(of_bars(score, 0, 11)),
        *plainly(of_bars(score, 14, 15), float(score.measures[12].start) / 2),
    ]
    strikes += plainly(of_bars(score, 14, 24), end)
    take = tie(score, recorded(strikes))
    assert [(run.first, run.last) for run in take.runs] == [(0, 11), (14, 15), (14, 24)]


def test_a_bar_passed_over_is_made_up_for_by_one_that_lasts_too_long():
    # Bar 4 is played as bar 5 is, but the edition has other notes there: bar 5 is not where bar 4 was played.
    before = "C5:1/2 D5 E5 F5 | G5 A5 B5 C6 | D6 B5 G5 E5 | F5 A5 C6 A5"
    after = "C4+E5:2 | D5:1/2 G4 B4 D5 | E5 C5 A4 F4 | D4 E4 F#4 G4 | A4 B4 C5 D5 | G4:2"
    played = build(f"{before} | C4+E5:2 | {after}", meter="2/4")
    take = tie(build(f"{before} | C#4+F#5:2 | {after}", meter="2/4"), recorded(plainly(played.notes)))
    assert bars_told(take) == {*range(4), *range(6, 11)}


def test_a_bar_skipped_before_a_slow_one_is_at_most_a_doubt():
    # The left hand repeats, so that two thirds of what is struck fit going on; all fits what was played.
    tops = ("C6 E6", "A5 F5", "G5 D6", "B5 E5", "F6 D5", "A6 G6", "B6 C5", "D6 F6", "E5 G5", "C6 A5")
    pairs = (top.split() for top in tops)
    score = build(" | ".join(f"{a}+C3:1/2 G3 {b}+C3 G3" for a, b in pairs), meter="2/4")
    slow = plainly(of_bars(score, 5, 5), 4.0, pace=1.0)
    strikes = [*plainly(of_bars(score, 0, 3)), *slow, *plainly(of_bars(score, 6, 9), 6.0)]
    take = tie(score, recorded(strikes))
    assert right_share(score, take, recorded(strikes).performance.strikes) == 1.0
    assert any(run.first <= 5 <= run.last for run in take.runs)


def test_two_bars_between_jumps_are_in_doubt_unless_they_are_practised(piece):
    score = piece[0]
    for order, doubted in (((0, 11), (8, 9), (30, 44)), {8}), (((0, 11), (11, 11), (11, 24)), set()):
        strikes, now = [], 0.0
        for first, last in order:
            strikes += plainly(of_bars(score, first, last), now)
            now += 1 + float(score.measures[last].end - score.measures[first].start) / 2
        take = tie(score, recorded(strikes))
        assert [(run.first, run.last) for run in take.runs] == list(order)
        assert {run.first for run in take.runs if run.could_be} == doubted


def test_a_passage_that_going_on_would_nearly_explain_is_unsure(piece):
    score = piece[0]
    notes = [n.id for n in of_bars(score, 3, 4)]
    by_id = score.note_by_id
    shift = score.measures[8].start - score.measures[3].start
    copies = [
        replace(
            by_id[i],
            id=f"copy-{i}",
            ids=(f"copy-{i}",),
            onset=by_id[i].onset + shift,
            measure=by_id[i].measure + 5,
        )
        for k, i in enumerate(notes)
        if k % 5
    ]
    alike = replace(score, notes=tuple(sorted([*of_bars(score, 0, 7), *copies], key=lambda n: n.onset)))
    assert other_places(alike, notes) == ()
    assert other_places(alike, notes, (8,)) == (8,)


def test_an_unwritten_trill_is_an_ornament(piece):
    score, _, _, performance = piece
    strikes = plain(performance, score)
    home = next(
        i
        for i, s in enumerate(strikes)
        if s.end - s.start > 1.0
        and not score.note_by_id[s.note].ornaments
        and score.note_by_id[s.note].staff == 1
    )
    s = strikes[home]
    trill = [
        Strike(s.midi + (2 if k % 2 else 0), s.start + 0.1 * k, s.start + 0.1 * k + 0.09, 60.0)
        for k in range(1, 9)
    ]
    take = tie(score, recorded([*strikes, *trill]))
    (ornament,) = [o for o in take.ornaments if o.note == s.note]
    assert len(ornament.strikes) >= 7


def test_a_chord_that_is_found_in_two_halves_is_whole(piece):
    score, _, _, performance = piece
    strikes = plain(performance, score)
    of = [score.note_by_id[s.note].onset for s in strikes]
    first = next(k for k, moment in enumerate(of) if moment >= 30 and of.count(moment) > 2)
    late = [*strikes[: first + 1], *(moved(s, 2.5) for s in strikes[first + 1 :])]
    assert right_share(score, tie(score, recorded(late)), late) == right_share(
        score, tie(score, recorded(strikes)), strikes
    )


def test_another_key_another_piece_and_noise_are_refused_in_a_sentence(piece):
    score, _, _, performance = piece
    higher = [replace(s, midi=s.midi + 3) for s in performance.strikes]
    with pytest.raises(UnderstaveError, match=r"take\.mid is not tied: only \d+ % .*"):
        tie(score, recorded(higher))
    chance = random.Random(3)
    noise = [Strike(chance.randrange(36, 90), k * 0.2, k * 0.2 + 0.2, 60.0) for k in range(300)]
    with pytest.raises(UnderstaveError, match="is not tied"):
        tie(score, recorded(noise))
    other = read_score(PIECE.parents[1] / "lock-water" / "score.musicxml")
    with pytest.raises(UnderstaveError, match="is not tied"):
        tie(other, recorded(performance.strikes))
    with pytest.raises(UnderstaveError, match="12 semitones too low"):
        tie(score, recorded([replace(s, midi=s.midi - 12) for s in performance.strikes]))
    with pytest.raises(UnderstaveError, match="fewer than 5 notes"):
        tie(score, recorded(performance.strikes[:4]))


def test_an_easier_edition_is_asked_about(piece):
    score, _, _, performance = piece
    easier = [s for k, s in enumerate(plain(performance, score)) if k % 4]
    assert any("it may be another edition" in line for line in tell_take(score, tie(score, recorded(easier))))
    one_hand = [s for s in plain(performance, score) if score.note_by_id[s.note].staff == 1]
    assert not any("another edition" in line for line in tell_take(score, tie(score, recorded(one_hand))))


@pytest.mark.parametrize(
    ("data", "sentence"),
    [
        (b"RIFF....WAVE", "no MIDI recording"),
        (b"", "bad.mid is empty"),
        (b"MThd\0\0\0\6\0\0\0\1\1\xe0MTrk\0\0\0\4\0\xff\x2f\0", "no notes in it"),
        (b"MThd\0\0\0\6\0\0\0\1\1", "cut short"),
    ],
)
def test_bad_files_get_one_sentence(tmp_path, data, sentence):
    path = tmp_path / "bad.mid"
    path.write_bytes(data)
    with pytest.raises(UnderstaveError, match=sentence):
        read_take(path)
    with pytest.raises(UnderstaveError, match="cannot be read"):
        read_take(tmp_path / "absent.mid")


def test_keys_and_pedal_come_back_from_a_file(tmp_path):
    path = tmp_path / "two.mid"
    performance = Performance(
        (Strike(60, 0.5, 1.0, 64.0), Strike(64, 1.25, 2.0, 80.0)), ((0.4, 0.0), (0.6, 1.0))
    )
    path.write_bytes(midi_bytes(performance))
    found = read_take(path)
    assert [(s.midi, round(s.start, 2), round(s.end, 2), s.velocity) for s in found.performance.strikes] == [
        (60, 0.5, 1.0, 64.0),
        (64, 1.25, 2.0, 80.0),
    ]
    assert found.pedal[-1] == (pytest.approx(0.6, abs=0.01), 1.0)
    assert len(found.sha256) == 64


def test_a_hesitation_is_told_where_it_was(piece):
    score, _, _, performance = piece
    home = score.measures[17].start
    played = [moved(s, 1.4) if score.note_by_id[s.note].onset >= home else s for s in performance.strikes]
    take = tie(score, recorded(played))
    moments = [h.moment for h in hesitations(score, take.runs[0])]
    beat = float(score.measures[17].beat_length)
    assert any(abs(m - float(home) + beat) <= beat for m in moments)


def test_the_same_loudness_has_the_same_shape(piece):
    score, _, plan, performance = piece
    take = tie(score, recorded(replace(s, velocity=min(127.0, s.velocity + 9)) for s in performance.strikes))
    rows = loudness(score, plan, take)
    assert sum(abs(own - planned) < 1.5 for _, own, planned in rows) > 0.9 * len(rows)
    over = melody_over_rest(score, take)
    assert over is not None
    louder = {max(g, key=lambda s: s.midi) for g in chords(performance.strikes)}
    up = tie(
        score,
        recorded(replace(s, velocity=s.velocity + (10 if s in louder else 0)) for s in performance.strikes),
    )
    assert (melody_over_rest(score, up) or 0.0) > over + 4


def test_who_plays_as_printed_is_nearer_to_print_than_to_the_plan(piece):
    score, _, plan, performance = piece
    printed = printed_alone(score)
    there = velocities_of(score, printed)
    take = tie(score, recorded(replace(s, velocity=there[s.note]) for s in performance.strikes))
    apart = [sum(abs(own - wanted) for _, own, wanted in loudness(score, p, take)) for p in (printed, plan)]
    assert apart[0] == pytest.approx(0, abs=1e-6)
    assert apart[1] > 100
    assert printed_alone(replace(score, directions=())) is None


def chords(strikes):
    groups = {}
    for s in strikes:
        groups.setdefault(round(s.start, 3), []).append(s)
    return groups.values()


def test_what_is_held_beyond_an_excerpt_ends_with_it(piece):
    """As where the tool plays the bars; an excerpt's pedal would else hold everything till then."""
    score, _, _, performance = piece
    last = {n.id for n in score.notes if n.measure == 11}
    late = [replace(s, end=s.end + 9) if s.note in last else s for s in performance.strikes]
    own, time = as_played(score, tie(score, recorded(late, ((0.0, 1.0),))), 0, 8, 11)
    assert max(s.end for s in own.strikes) <= time.seconds[-1] + 0.1
    assert own.pedal[-1][0] <= time.seconds[-1] + 0.3
    assert all(s.end > s.start for s in own.strikes)
    assert max(s.end for s in as_played(score, tie(score, recorded(late)), 0)[0].strikes) > time.seconds[-1]


def test_a_pedal_held_throughout_blurs_more_than_the_plan_s(piece):
    score, reading, plan, _ = piece
    performance = perform(score, plan, first=8, last=15)
    held = tie(score, recorded(performance.strikes, ((0.0, 1.0),)), 8, 15)
    blur = pedal_blur(score, plan, reading, held, 0)
    assert blur is not None
    assert blur.own > 1.3 * blur.planned
    assert pedal_blur(score, plan, reading, tie(score, recorded(performance.strikes), 8, 15), 0) is None


def test_bars_of_a_take_are_cut_out_as_they_were_played(piece):
    score, _, _, performance = piece
    take = tie(score, recorded((moved(s, 7.0) for s in performance.strikes), ((7.0, 1.0),)))
    own, time = as_played(score, take, run_over(score, take, 8, 11), 8, 11)
    assert (time.moments[0], time.moments[-1]) == (score.measures[8].start, score.measures[11].end)
    assert own.strikes[0].start == pytest.approx(0.0, abs=0.15)
    assert own.pedal[0] == (0.0, 1.0)
    bars = {score.note_by_id[s.note].measure for s in own.strikes if s.note}
    assert bars == {8, 9, 10, 11}
    with pytest.raises(UnderstaveError, match="does not play"):
        run_over(
            score, tie(score, recorded(perform(score, piece[2], first=8, last=15).strikes), 8, 15), 30, 31
        )


def test_a_wrong_note_is_named_on_the_letter_of_the_written_one(piece):
    # B natural for B flat: the trade's way to say it (common practice, no source).
    assert spelled_beside(71, Pitch("B", -1, 4)) == Pitch("B", 0, 4)
    assert spelled_beside(66, Pitch("F", 0, 4)) == Pitch("F", 1, 4)
    assert spelled_beside(62, Pitch("C", 0, 4)) == Pitch("D", 0, 4)
    assert spelled_beside(59, Pitch("C", 0, 4)) == Pitch("B", 0, 3)


def test_what_went_well_is_said_first_and_the_caution_last(piece):
    score, _, _, performance = piece
    strikes = plain(performance, score)
    flat = next(i for i, s in enumerate(strikes) if score.note_by_id[s.note].pitch.alter == -1 and i > 30)
    note = score.note_by_id[strikes[flat].note]
    played = [replace(s, midi=s.midi + 1) if i == flat else s for i, s in enumerate(strikes)]
    take = tie(score, recorded(played))
    lines = tell_take(score, take)
    assert "as written" in lines[0]
    assert "Stop if anything hurts" in lines[-1]
    assert any(f"{note.pitch.letter} natural for {note.pitch.letter} flat" in line for line in lines)
    for language in ("de", "fr"):
        assert len(tell_take(score, take, language)) == len(lines)


def test_a_lesson_keeps_takes_unaltered(tmp_path, piece):
    score, _, _, performance = piece
    source = tmp_path / "My take.mid"
    source.write_bytes(midi_bytes(performance))
    folder = tmp_path / "lesson"
    name, take = add_take(folder, score, source)
    assert (folder / "takes" / f"{name}.mid").read_bytes() == source.read_bytes()
    assert add_take(folder, score, source)[0] == name
    assert kept_take(folder, score, name) == replace(
        take, recording=replace(take.recording, media=f"{name}.mid")
    )
    other = tmp_path / "sub" / "My take.mid"
    other.parent.mkdir()
    other.write_bytes(midi_bytes(replace(performance, strikes=performance.strikes[:200])))
    assert add_take(folder, score, other)[0] != name
    data = json.loads((folder / "takes" / f"{name}.tie.json").read_text())
    assert data["sha256"] == take.recording.sha256
    # A damaged tie is made again from the copy.
    (folder / "takes" / f"{name}.tie.json").write_text("{")
    assert kept_take(folder, score, name).matches == take.matches
    place = drop_take(folder, name)
    assert place.read_bytes() == source.read_bytes()
    assert name not in take_names(folder)
    with pytest.raises(UnderstaveError, match="There is no take"):
        drop_take(folder, name)


@pytest.mark.parametrize("staff", [1, 2])
def test_one_hand_alone_is_tied_and_the_other_is_not_missed(piece, staff):
    score, _, _, performance = piece
    strikes = [s for s in plain(performance, score) if score.note_by_id[s.note].staff == staff]
    take = tie(score, recorded(strikes))
    assert right_share(score, take, strikes) > 0.97
    assert {score.note_by_id[note].staff for _, note in take.missed} <= {staff}
    assert tell_take(score, take)[1] == f"Staff {staff} alone, counted from the top."
    assert "alone" not in tell_take(score, tie(score, recorded(performance.strikes)))[1]


def test_another_instrument_in_a_take_is_asked_about(piece):
    score, _, _, performance = piece
    chance = random.Random(4)
    other = [Strike(chance.randrange(80, 96), 0.7 * k, 0.7 * k + 0.6, 60.0) for k in range(120)]
    strikes = plain(performance, score)
    take = tie(score, recorded([*strikes, *other]))
    (asked,) = [line for line in tell_take(score, take) if "another instrument" in line]
    count, struck = int(asked.split()[0]), int(asked.split()[2])
    assert struck == len(strikes) + 120
    assert count == pytest.approx(120, abs=15)
    assert not any("another instrument" in line for line in tell_take(score, tie(score, recorded(strikes))))


@pytest.mark.parametrize("name", ["song.kar", "song.MIDI", "song"])
def test_a_take_of_any_ending_is_found_again(tmp_path, piece, name):
    score, _, _, performance = piece
    source = tmp_path / name
    source.write_bytes(midi_bytes(performance))
    folder = tmp_path / "lesson"
    kept, take = add_take(folder, score, source)
    assert add_take(folder, score, source)[0] == kept
    assert take_names(folder) == (kept,)
    assert kept_take(folder, score, kept).matches == take.matches


def test_what_cannot_be_tied_is_not_kept(tmp_path, piece):
    score, _, _, performance = piece
    source = tmp_path / "other.mid"
    source.write_bytes(
        midi_bytes(Performance(tuple(replace(s, midi=s.midi + 3) for s in performance.strikes)))
    )
    with pytest.raises(UnderstaveError, match="is not tied"):
        add_take(tmp_path / "lesson", score, source)
    assert take_names(tmp_path / "lesson") == ()


def test_takes_are_drawn_over_one_another(piece):
    score, reading, plan, performance = piece
    one = tie(score, recorded(performance.strikes, performance.pedal))
    two = tie(score, recorded((moved(s, 3.0) for s in performance.strikes), ((0.0, 1.0),)))
    from lxml import etree

    beside = Beside(plan, reading)
    picture = draw_take(score, (one, two), beside)
    root = etree.fromstring(picture.encode())
    lines = root.findall(".//{*}polyline")
    # Two takes, the plan, and what is printed.
    assert len({line.get("stroke") for line in lines}) == 4
    assert "··· print" in picture
    assert "nan" not in picture
    bare = replace(score, directions=())
    assert "··· print" not in draw_take(bare, (one,), beside)


def test_lanes_hold_what_the_takes_know_and_names_wrap(piece):
    score, reading, plan, performance = piece
    take = tie(score, recorded(performance.strikes, performance.pedal))
    from lxml import etree

    def drawn(*takes):
        return etree.fromstring(draw_take(score, takes, Beside(plan, reading)).encode())

    picture = drawn(take)
    assert phrases_of(reading)
    assert len(picture.findall(".//{*}path[@class='phrase']")) == len(phrases_of(reading))
    # What is down is low, as pedal lines are printed (common practice, no source): y grows downwards in SVG.
    (line,) = picture.findall(f".//{{*}}polyline[@class='pedal'][@stroke='{OWN[0]}']")
    heights = [float(point.split(",")[1]) for point in line.get("points").split()]
    deepest = max(range(len(heights)), key=lambda k: performance.pedal[k][1])
    assert heights[deepest] == max(heights)
    # Without pedal messages nothing is known of a pedal; of sound, of loudness neither.
    bare = tie(score, recorded(performance.strikes))
    heard = replace(bare, matches=(), recording=replace(bare.recording, kind="sound"))
    kinds = [{line.get("class") for line in drawn(t).findall(".//{*}polyline")} for t in (bare, heard)]
    assert kinds == [{"loudness", "tempo"}, {"tempo"}]
    # The plan's loudness stands beside the take that has keys, wherever that is among those of sound.
    (line,) = drawn(heard, take).findall(".//{*}polyline[@class='loudness'][@stroke-dasharray='6 4']")
    assert len(line.get("points").split()) > 10
    long = replace(take, recording=replace(take.recording, media="a" * 90 + ".mid"))
    names = drawn(take, *[long] * 4).findall(".//{*}text[@class='whose']")
    # There are four colours: the oldest of five is left out.
    assert sum("…" in name.text for name in names) == len(OWN) == len(names) - 2
    assert len({name.get("y") for name in names}) > 2
    assert all(float(name.get("x")) + 11 * len(name.text) < 1200 for name in names)


def test_pedal_and_melody_are_told_beside_the_plan(piece):
    score, reading, plan, _ = piece
    performance = perform(score, plan, first=8, last=15)
    beside = Beside(plan, reading)

    def told(strikes, pedal, language="en"):
        return " ".join(tell_take(score, tie(score, recorded(strikes, pedal), 8, 15), language, beside)[:-1])

    strikes = performance.strikes
    assert "as played blurs more" in told(strikes, ((0.0, 1.0),))
    assert "about as much as planned" in told(strikes, performance.pedal)
    # A share above 0 is written with a comma in German and French (CLDR, decimal sign).
    for language in ("de", "fr"):
        assert re.search(r" 0,\d\d ", told(strikes, ((0.0, 1.0),), language))
    without = told(strikes, ())
    assert "No pedal was sent" in without
    assert "harder than the notes with it" in without
    upside_down = [replace(s, velocity=127 - s.velocity) for s in strikes]
    assert "softer than the notes with it" in told(upside_down, ())


def test_the_command_tells_and_gives_json(tmp_path, piece, capsys):
    score, _, plan, _ = piece
    source = tmp_path / "bars.mid"
    source.write_bytes(midi_bytes(perform(score, plan, first=0, last=11)))
    picture = tmp_path / "take.svg"
    assert main(["take", str(PIECE), str(source), "--picture", str(picture)]) == 0
    said = capsys.readouterr().out
    assert "as written" in said
    assert picture.read_text().startswith("<svg")
    assert main(["take", str(PIECE), str(source), "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["runs"][0]["first"] == 0
    assert data["blur"]["own"] == pytest.approx(data["blur"]["planned"], rel=0.5)
    assert main(["take", str(PIECE), "--show", "x"]) == 2


def test_a_longest_rising_part():
    assert rising([1.0, 3.0, 2.0, 2.5, 9.0, 4.0]) == [0, 2, 3, 5]


def test_moments_are_exact_fractions(piece):
    score = piece[0]
    _, time = as_played(score, tie(score, recorded(piece[3].strikes)), 0)
    assert all(isinstance(m, Fraction) for m in time.moments)


@pytest.mark.skipif(os.name == "nt", reason="a time zone for one program, as POSIX has it")
def test_takes_are_listed_over_time(tmp_path, piece, capsys, monkeypatch):
    from understave.lesson.folder import create_folder

    score, _, _, performance = piece
    folder = create_folder(tmp_path / "lesson", PIECE, score.title, score.composer).path
    strikes = plain(performance, score)
    lost = next(i for i, s in enumerate(strikes) if i > 30 and score.note_by_id[s.note].staff == 1)
    slower = [replace(s, start=2 * s.start, end=2 * s.end) for k, s in enumerate(strikes) if k != lost]
    for name, played in (("first", slower), ("second", strikes)):
        (tmp_path / f"{name}.mid").write_bytes(midi_bytes(Performance(tuple(played))))
        add_take(folder, score, tmp_path / f"{name}.mid")
    assert take_names(folder) == ("first", "second")
    assert main(["take", str(folder), "--json"]) == 0
    one, two = json.loads(capsys.readouterr().out)
    assert (one["name"], two["name"]) == ("first", "second")
    assert one["right"] == one["written"] - 1
    assert two["right"] == two["written"]
    assert two["tempo"] == pytest.approx(2 * one["tempo"], rel=0.02)
    # Kept in UTC, told on the clock of this computer.
    monkeypatch.setenv("TZ", "UTC-5")
    time.tzset()
    assert main(["take", str(folder)]) == 0
    told = capsys.readouterr().out
    monkeypatch.undo()
    time.tzset()
    assert "second" in told
    assert f"{datetime.fromisoformat(one['added']) + timedelta(hours=5):%Y-%m-%d %H:%M}" in told


def test_a_pdf_has_the_words_and_the_slips_in_the_score(tmp_path, piece):
    import pypdf

    score, reading, plan, _ = piece
    strikes = plain(perform(score, plan, first=0, last=7), score)
    wrong = next(i for i, s in enumerate(strikes) if i > 20 and score.note_by_id[s.note].staff == 1)
    take = tie(
        score, recorded(replace(s, midi=s.midi + 1) if i == wrong else s for i, s in enumerate(strikes))
    )
    assert strikes[wrong].note in signed(take)["wrong"]
    path = tmp_path / "take.pdf"
    dated = replace(score, metadata={**score.metadata, "encoding-date": "2024-05-17"})
    path.write_bytes(take_pdf(dated, (take,), Beside(plan, reading)))
    assert f"{pypdf.PdfReader(path).metadata.creation_date:%Y-%m-%d}" == "2024-05-17"
    pages = pypdf.PdfReader(path).pages
    assert len(pages) == 3
    text = " ".join(pages[0].extract_text().split())
    assert "are as written" in text
    assert "Stop if anything hurts" in text


def test_where_half_is_changes_what_a_raw_depth_means():
    # The two ends stay; at the depth named the dampers half lie.
    assert damped(((0.0, 0.0), (1.0, 0.3), (2.0, 0.65), (3.0, 1.0)), 0.3) == (
        (0.0, 0.0),
        (1.0, pytest.approx(0.5)),
        (2.0, pytest.approx(0.75)),
        (3.0, 1.0),
    )


def test_a_half_pedal_that_is_set_deeper_blurs_less(piece):
    score, reading, plan, _ = piece
    performance = perform(score, plan, first=8, last=15)
    take = tie(score, recorded(performance.strikes, ((0.0, 0.5),)), 8, 15)
    usual, deep = (
        pedal_blur(score, plan, reading, replace(take, recording=replace(take.recording, half=half)), 0)
        for half in (0.5, 0.9)
    )
    assert usual is not None
    assert deep is not None
    assert deep.own < usual.own
