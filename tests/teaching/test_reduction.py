"""The reduction of both examples and of chorales: chords, voice leading, hands, keys, engraving."""

from __future__ import annotations

from fractions import Fraction
from itertools import combinations, pairwise

import pytest
from lxml import etree
from tests.wording.readings import EXAMPLES, NAMES, piece

from understave.engraving import excerpt
from understave.errors import UnderstaveError
from understave.teaching.reduction import faults_of, reduce, reduced, voices_of
from understave.theory.key import Key
from understave.theory.pitch import Interval


@pytest.mark.parametrize("name", EXAMPLES)
@pytest.mark.parametrize("fifths", [0, 1, -4, 6])
def test_music21_finds_no_parallels_in_the_examples_in_any_key(name, fifths):
    music21 = pytest.importorskip("music21")
    score, reading = piece(name)
    home = reading.spans[0].key
    made = reduce(score, reading, key=Key(home.tonic.shift(fifths), home.mode).simplest)
    chords = [v for _, v in voices_of(made)]
    assert len(chords) >= 40
    for one, two in pairwise(chords):
        for low, high in combinations(range(4), 2):
            quartet = music21.voiceLeading.VoiceLeadingQuartet(
                *(
                    music21.note.Note(p.name.replace("b", "-"))
                    for p in (one[high], two[high], one[low], two[low])
                )
            )
            assert not quartet.parallelFifth(), (one, two)
            assert not quartet.parallelUnisonOrOctave(), (one, two)


@pytest.mark.parametrize("name", EXAMPLES)
def test_no_rule_is_broken_in_the_examples(name):
    made, reading = reduced(*piece(name))
    assert faults_of(made, reading) == ()


@pytest.mark.parametrize("name", NAMES)
def test_every_chord_is_the_one_read_and_lies_in_two_hands(name):
    score, reading = piece(name)
    made = reduce(score, reading)
    for span in reading.spans:
        chord = span.numeral.chord(span.key)
        here = [n for n in made.notes if span.start <= n.onset < span.end]
        assert here
        assert {n.pitch.pitch_class for n in here} <= set(chord.members)
        assert min(here, key=lambda n: n.midi).pitch.pitch_class == chord.bass
    by_hand: dict[tuple[Fraction, int], list[int]] = {}
    for n in made.notes:
        by_hand.setdefault((n.onset, n.staff), []).append(n.midi)
    for (_, staff), keys in by_hand.items():
        assert len(keys) == 2
        assert max(keys) - min(keys) <= (12 if staff == 1 else 14)


@pytest.mark.parametrize("name", NAMES)
def test_faults_are_rare_in_any_reading(name):
    """A reading may hold chords that no voice leading joins well; such places are told, and few."""
    made, reading = reduced(*piece(name))
    found = faults_of(made, reading)
    assert len(found) <= 0.04 * len(voices_of(made)), found
    assert not {f.rule for f in found} & {
        "parallel fifths",
        "parallel octaves",
        "crossing",
        "foreign",
        "bass",
    }


def test_another_key_moves_every_note_alike():
    score, reading = piece("lock-water")
    plain = reduce(score, reading, first=8, last=14)
    moved, carried = reduced(score, reading, key=Key.parse("A"), first=8, last=14)
    assert {
        Interval.between(a.pitch, b.pitch).fifths % 12 for a, b in zip(plain.notes, moved.notes, strict=True)
    } == {6}
    assert [m.signature for m in moved.measures] == [3] * 7
    assert [str(s.key) for s in carried.spans] == ["A"] * len(carried.spans)
    assert all(not s.foreign for s in carried.spans)
    assert [m.number for m in moved.measures] == [str(n) for n in range(9, 16)]


def test_it_is_engraved_with_its_labels_and_valid_musicxml(schema):
    score, reading = piece("chain-ferry")
    made, carried = reduced(score, reading, first=20, last=32)
    svg = excerpt(made, carried, 0, 12)
    assert all(f'id="{i}"' in svg for n in made.notes for i in n.ids)
    assert schema.validate(etree.fromstring(made.source)), schema.error_log


def test_a_key_of_the_other_mode_is_refused_in_one_sentence():
    score, reading = piece("chain-ferry")
    with pytest.raises(UnderstaveError, match="choose a minor key"):
        reduce(score, reading, key=Key.parse("C"))
    with pytest.raises(UnderstaveError, match="last measure is 85"):
        reduce(score, reading, first=80, last=90)
