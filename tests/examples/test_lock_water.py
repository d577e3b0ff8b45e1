"""The slow study, read by music21 alone: playable, complete, and with every device it was written for.

Reference: music21 (its MusicXML and RomanText readers, its spelling of Roman numerals). The limits
of a hand and of the keyboard are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cache
from itertools import pairwise
from pathlib import Path

import pytest

music21 = pytest.importorskip("music21")

PIECE = Path(__file__).parents[2] / "examples" / "lock-water"
BARS = 40
TENTH = 16


@dataclass(frozen=True)
class Sounding:
    """One tie-merged note: hand 0 is the right one; times are quarter notes from the start."""

    hand: int
    voice: str
    start: Fraction
    end: Fraction
    pitch: object

    @property
    def step(self) -> int:
        """Position on the staff, so that a second is one step however it is altered."""
        return self.pitch.diatonicNoteNum


@dataclass(frozen=True)
class Label:
    """One span of the reference analysis."""

    bar: int
    start: Fraction
    end: Fraction
    key: str
    figure: str
    names: tuple[str, ...]


@cache
def _score():
    return music21.converter.parse(PIECE / "score.musicxml", forceSource=True)


def _voices(measure):
    return list(measure.voices) or [measure]


@cache
def notes() -> tuple[Sounding, ...]:
    found = []
    for hand, part in enumerate(_score().parts):
        open_ties: dict[tuple[str, int], int] = {}
        for measure in part.getElementsByClass("Measure"):
            for voice in _voices(measure):
                name = str(voice.id) if measure.voices else "alone"
                for element in voice.notes:
                    start = Fraction(measure.offset) + Fraction(element.offset)
                    end = start + Fraction(element.quarterLength)
                    for note in element.notes if element.isChord else [element]:
                        at = (name, note.pitch.midi)
                        if note.tie is not None and note.tie.type in ("stop", "continue"):
                            first = open_ties.pop(at)
                            old = found[first]
                            found[first] = Sounding(old.hand, old.voice, old.start, end, old.pitch)
                            index = first
                        else:
                            found.append(Sounding(hand, name, start, end, note.pitch))
                            index = len(found) - 1
                        if note.tie is not None and note.tie.type in ("start", "continue"):
                            open_ties[at] = index
        assert not open_ties, f"ties left open: {open_ties}"
    return tuple(sorted(found, key=lambda n: (n.start, -n.pitch.midi)))


@cache
def labels() -> tuple[Label, ...]:
    analysis = music21.converter.parse(PIECE / "analysis.txt", format="romanText", forceSource=True)
    found = []
    for part in analysis.parts:
        for roman in part.recurse().getElementsByClass("RomanNumeral"):
            start = Fraction(roman.getOffsetInHierarchy(part))
            end = start + Fraction(roman.quarterLength)
            key, names = roman.key.tonicPitchNameWithCase, tuple(p.name for p in roman.pitches)
            if found and (found[-1].key, found[-1].figure) == (key, roman.figure):
                found[-1] = replace(found[-1], end=end)  # the reader repeats a label in each bar it fills
            else:
                found.append(Label(roman.measureNumber, start, end, key, roman.figure, names))
    return tuple(found)


def at(time: Fraction, *, hand: int | None = None) -> list[Sounding]:
    return [n for n in notes() if n.start <= time < n.end and hand in (None, n.hand)]


def after(note: Sounding) -> Sounding:
    """Return the note with which the same voice goes on."""
    return next(n for n in notes() if (n.hand, n.voice) == (note.hand, note.voice) and n.start == note.end)


def label(bar: int) -> Label:
    return next(x for x in labels() if x.bar == bar)


def test_every_bar_is_full_in_every_voice():
    assert len(_score().parts) == 2
    for part in _score().parts:
        measures = list(part.getElementsByClass("Measure"))
        assert [m.number for m in measures] == list(range(1, BARS + 1))
        for measure in measures:
            for voice in _voices(measure):
                assert sum(Fraction(e.quarterLength) for e in voice.notesAndRests) == 3, measure.number


def test_each_hand_reaches_what_it_plays():
    for time in sorted({n.start for n in notes()}):
        for hand in (0, 1):
            sounding = [n.pitch.midi for n in at(time, hand=hand)]
            if sounding:
                assert max(sounding) - min(sounding) <= TENTH, f"bar {time // 3 + 1}"
                assert len(sounding) <= 5


def test_the_keyboard_has_every_note():
    assert min(n.pitch.midi for n in notes()) >= music21.pitch.Pitch("A0").midi
    assert max(n.pitch.midi for n in notes()) <= music21.pitch.Pitch("C8").midi


def test_no_parallel_fifths_or_octaves_between_voices_that_sound_alone():
    # Common practice, no source. Bars where a voice plays a chord are left out for that voice.
    lines: dict[tuple[int, str], list[Sounding]] = {}
    for n in notes():
        lines.setdefault((n.hand, n.voice), []).append(n)
    faults = []
    names = list(lines)
    for i, first in enumerate(names):
        for second in names[i + 1 :]:
            before = None
            for time in sorted({n.start for n in lines[first] + lines[second]}):
                pair = [[n for n in lines[name] if n.start <= time < n.end] for name in (first, second)]
                if [len(p) for p in pair] != [1, 1]:
                    before = None
                    continue
                now = (pair[0][0].pitch.midi, pair[1][0].pitch.midi)
                if (
                    before is not None
                    and now[0] != before[0]
                    and now[1] != before[1]
                    and (now[0] - now[1]) % 12 in (0, 7)
                    and (now[0] - now[1] - before[0] + before[1]) % 12 == 0
                    and (now[0] > before[0]) == (now[1] > before[1])
                ):
                    faults.append((first, second, f"bar {time // 3 + 1}"))
                before = now
    assert faults == []


def test_the_analysis_covers_the_piece_without_gaps():
    assert labels()[0].start == 0
    assert all(a.end == b.start for a, b in pairwise(labels()))
    assert labels()[-1].end == 3 * BARS


def test_every_chord_of_the_analysis_is_complete_in_the_notes():
    for span in labels():
        heard = {n.pitch.name for n in notes() if n.start < span.end and n.end > span.start}
        assert set(span.names) <= heard, (span.bar, span.figure)


def test_the_bass_is_the_one_named_except_over_a_pedal_point():
    for span in labels():
        bass = min(
            (n for n in notes() if n.start < span.end and n.end > span.start), key=lambda n: n.pitch.midi
        )
        if span.names[0] != bass.pitch.name:
            pedal = {21: "B-", 24: "B-", 25: "B-", 39: "E-"}
            assert pedal.get(span.bar) == bass.pitch.name, (span.bar, span.figure)
            above = min(
                (
                    n
                    for n in notes()
                    if n.start < span.end and n.end > span.start and n.pitch.name != bass.pitch.name
                ),
                key=lambda n: n.pitch.midi,
            )
            assert above.pitch.name == span.names[0], (span.bar, span.figure)


def test_every_other_note_is_a_suspension_a_neighbour_a_passing_note_or_a_pedal_point():
    for span in labels():
        for n in notes():
            if n.start >= span.end or n.end <= span.start or n.pitch.name in span.names:
                continue
            if n.hand == 1:
                assert (span.bar, n.pitch.name) in {(21, "B-"), (24, "B-"), (25, "B-"), (39, "E-")}
                continue
            leaving = after(n).step - n.step
            assert abs(leaving) == 1, (span.bar, n.pitch.nameWithOctave)
            if n.start < span.start:
                continue  # held over: a suspension, or a retardation where it rises
            before = next(x for x in notes() if (x.hand, x.voice) == (n.hand, n.voice) and x.end == n.start)
            assert abs(n.step - before.step) == 1, (span.bar, n.pitch.nameWithOctave)
            assert n.end - n.start <= 1


@pytest.mark.parametrize("chain", [(9, 10, 11, 12, 13, 14, 15), (34, 35, 36, 37)])
def test_chains_of_suspended_sevenths(chain):
    for bar in chain:
        span = label(bar)
        root = music21.roman.RomanNumeral(span.figure, span.key).root().name
        held = [
            n
            for n in at(span.start, hand=0)
            if n.start < span.start and (n.step - music21.pitch.Pitch(root).diatonicNoteNum) % 7 == 6
        ]
        assert held, f"bar {bar}: no seventh above {root} is held over"
        for seventh in held:
            assert seventh.pitch.name in span.names
            assert after(seventh).step == seventh.step - 1, f"bar {bar}: the seventh does not fall by step"


def test_the_chain_ends_a_semitone_lower_than_its_key_would_have_it_and_turns_to_the_parallel_minor():
    last = label(15)
    assert (last.key, label(16).key) == ("E-", "e-")
    seventh = next(n for n in at(last.start, hand=0) if n.pitch.name == "A-")
    assert after(seventh).pitch.nameWithOctave == "G-4"
    assert {x.key for x in labels() if 16 <= x.bar <= 28} == {"e-"}
    assert (label(29).key, label(29).figure) == ("E-", "Cad64")


def test_diminished_sevenths_over_the_dominant_pedal():
    for span in (x for x in labels() if 21 <= x.bar <= 30):
        assert min(at(span.start), key=lambda n: n.pitch.midi).pitch.name == "B-", span.bar
    for bar in (21, 23, 25):
        chord = music21.chord.Chord(label(bar).names)
        assert chord.isDiminishedSeventh(), bar
        heard = {n.pitch.name for n in notes() if n.start // 3 + 1 == bar}
        assert set(label(bar).names) | {"B-"} == heard


def test_the_sharp_ninth_waits_overshoots_and_resolves():
    ninth = next(n for n in notes() if n.pitch.nameWithOctave == "C-6")
    assert ninth.start == label(26).start
    assert ninth.end - ninth.start > 3, "it waits beyond its bar"
    clash = next(n for n in at(ninth.start) if n.pitch.nameWithOctave == "B-4")
    assert music21.interval.Interval(clash.pitch, ninth.pitch).name == "m9"
    assert ninth.pitch.midi == max(n.pitch.midi for n in notes())
    overshoot = after(ninth)
    assert overshoot.pitch.nameWithOctave == "A-5"
    assert after(overshoot).pitch.nameWithOctave == "B-5"


def test_printed_pedal_is_down_throughout_for_two_bars_each_at_first_then_with_every_harmony():
    # The score writes a change as a release and a new press at the same moment, MusicXML 4.0 <pedal>.
    from lxml import etree

    tree = etree.parse(str(PIECE / "score.musicxml"))
    presses, releases = [], []
    start = Fraction(0)
    for measure in tree.iter("measure"):
        time = start
        for element in measure:
            if element.tag == "note" and element.find("chord") is None:
                time += Fraction(int(element.findtext("duration")), 2)
            elif element.tag == "backup":
                time -= Fraction(int(element.findtext("duration")), 2)
            elif element.tag == "direction":
                for mark in element.iter("pedal"):
                    {"start": presses, "stop": releases}[mark.get("type")].append(time)
        start += 3
    assert releases == [*presses[1:], Fraction(3 * BARS)]
    assert presses == [0, 6, 12, 18, *(x.start for x in labels() if x.bar >= 9)]
