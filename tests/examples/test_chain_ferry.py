"""The barcarolle in examples/chain-ferry: playable, complete, and containing what its analysis says.

The score and the RomanText analysis are read by music21, not by this project's own readers.
Playing limits (a tenth in one hand, range of the piano, full bars) are common practice, no source.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from itertools import pairwise
from pathlib import Path

import pytest

music21 = pytest.importorskip("music21")

FOLDER = Path(__file__).parents[2] / "examples" / "chain-ferry"
BAR = Fraction(3)
BEAT = Fraction(3, 2)
TENTH = 16
RIGHT, LEFT = 1, 2


@dataclass(frozen=True)
class Sounding:
    """A note as sounded, ties joined; times in quarter notes from the start."""

    start: Fraction
    end: Fraction
    pitch: music21.pitch.Pitch
    staff: int
    voice: str

    @property
    def midi(self) -> int:
        return int(self.pitch.midi)


@dataclass(frozen=True)
class Label:
    """One Roman numeral of the analysis with its stretch of time."""

    start: Fraction
    end: Fraction
    key: str
    figure: str
    names: frozenset[str]
    bass: str
    root: str


@cache
def score() -> music21.stream.Score:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return music21.converter.parse(FOLDER / "score.musicxml", forceSource=True)


def voices(measure: music21.stream.Measure) -> list[tuple[str, music21.stream.Stream]]:
    return [(str(v.id), v) for v in measure.voices] or [("1", measure)]


@cache
def notes() -> tuple[Sounding, ...]:
    found: list[Sounding] = []
    for staff, part in enumerate(score().parts, start=1):
        tied: dict[str, tuple[Fraction, str]] = {}
        for measure in part.getElementsByClass("Measure"):
            for voice, stream in voices(measure):
                for element in stream.notes:
                    start = Fraction(measure.offset + element.offset)
                    end = start + Fraction(element.quarterLength)
                    for note in element.notes if element.isChord else [element]:
                        name = note.pitch.nameWithOctave
                        tie = note.tie.type if note.tie else ""
                        if tie in ("stop", "continue"):
                            begun, voice = tied.pop(name)
                        else:
                            begun = start
                        if tie in ("start", "continue"):
                            tied[name] = (begun, voice)
                        else:
                            found.append(Sounding(begun, end, note.pitch, staff, voice))
        assert not tied, f"ties that never end: {tied}"
    return tuple(sorted(found, key=lambda n: (n.start, n.midi)))


@cache
def labels() -> tuple[Label, ...]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        parsed = music21.converter.parse(FOLDER / "analysis.txt", format="romantext")
    numerals = sorted(
        parsed.recurse().getElementsByClass("RomanNumeral"), key=lambda r: r.getOffsetInHierarchy(parsed)
    )
    starts = [Fraction(r.getOffsetInHierarchy(parsed)) for r in numerals]
    ends = [*starts[1:], max(n.end for n in notes())]
    return tuple(
        Label(
            start,
            end,
            r.key.tonicPitchNameWithCase,
            r.figure,
            frozenset(p.name for p in r.pitches),
            r.bass().name,
            r.root().name,
        )
        for r, start, end in zip(numerals, starts, ends, strict=True)
    )


def at(bar: int, beat: Fraction | int = 1) -> Fraction:
    return (bar - 1) * BAR + (Fraction(beat) - 1) * BEAT


def label(bar: int, beat: int = 1) -> Label:
    return next(x for x in labels() if x.start <= at(bar, beat) < x.end)


def sounding(time: Fraction, staff: int | None = None) -> list[Sounding]:
    return [n for n in notes() if n.start <= time < n.end and staff in (None, n.staff)]


def within(bar: int, last: int, staff: int | None = None) -> list[Sounding]:
    return [n for n in notes() if at(bar) <= n.start < at(last + 1) and staff in (None, n.staff)]


def top_line(bar: int, last: int) -> list[tuple[Fraction, str]]:
    upper = within(bar, last, RIGHT)
    times = sorted({n.start for n in upper})
    return [
        (t - at(bar), max((n for n in upper if n.start == t), key=lambda n: n.midi).pitch.nameWithOctave)
        for t in times
    ]


def foreign(n: Sounding) -> Label | None:
    """Return the first label under which the note sounds without belonging to its chord."""
    for x in labels():
        if n.start < x.end and n.end > x.start and n.pitch.name not in x.names:
            return x
    return None


def second(a: Sounding, b: Sounding) -> bool:
    return abs(a.pitch.diatonicNoteNum - b.pitch.diatonicNoteNum) == 1


def neighbours_in_voice(n: Sounding) -> tuple[list[Sounding], list[Sounding]]:
    line = [m for m in notes() if (m.staff, m.voice) == (n.staff, n.voice) and m is not n]
    before = [m for m in line if m.end <= n.start]
    after = [m for m in line if m.start >= n.end]
    last = max((m.end for m in before), default=None)
    first = min((m.start for m in after), default=None)
    return [m for m in before if m.end == last], [m for m in after if m.start == first]


# --- can it be played, is it complete ---------------------------------------------------------


def test_length_and_signature() -> None:
    part = score().parts[0]
    assert 60 <= len(part.getElementsByClass("Measure")) <= 90
    meters = list(part.recurse().getElementsByClass("TimeSignature"))
    assert [m.ratioString for m in meters] == ["6/8"]
    assert part.recurse().getElementsByClass("KeySignature")[0].sharps == -4


def test_every_voice_fills_every_bar() -> None:
    for part in score().parts:
        for measure in part.getElementsByClass("Measure"):
            for voice, stream in voices(measure):
                total = sum(Fraction(e.quarterLength) for e in stream.notesAndRests)
                assert total == BAR, f"bar {measure.number} voice {voice}: {total}"


def test_range_of_the_piano() -> None:
    assert all(21 <= n.midi <= 108 for n in notes())


def test_a_tenth_at_most_in_one_hand() -> None:
    for time in {n.start for n in notes()}:
        for staff in (RIGHT, LEFT):
            keys = [n.midi for n in sounding(time, staff)]
            if keys:
                assert max(keys) - min(keys) <= TENTH, f"bar {time / BAR + 1}"
                assert len(keys) <= 5
                assert len(set(keys)) == len(keys), f"two voices on one key in bar {time / BAR + 1}"


def test_hands_do_not_collide() -> None:
    for time in {n.start for n in notes()}:
        left, right = sounding(time, LEFT), sounding(time, RIGHT)
        if left and right:
            assert max(n.midi for n in left) < min(n.midi for n in right), f"bar {time / BAR + 1}"


# --- does the analysis fit the notes ------------------------------------------------------------


def test_analysis_covers_the_piece() -> None:
    assert labels()[0].start == 0
    assert all(x.start < x.end for x in labels())


def test_each_label_has_its_chord_and_its_bass() -> None:
    for x in labels():
        inside = [n for n in notes() if n.start < x.end and n.end > x.start]
        where = f"{x.figure} in {x.key}, bar {int(x.start / BAR) + 1}"
        names = {n.pitch.name for n in inside}
        if x.start == at(35):
            assert names == {"F"}  # the common tone alone, under the tonic that went before
            continue
        assert x.names <= names, f"{where}: not every tone sounds"
        lowest = min(inside, key=lambda n: n.midi).pitch.name
        drone = x.start == at(75)
        assert lowest == ("F" if drone else x.bass), f"{where}: bass {lowest}"


def test_every_other_note_has_a_name() -> None:
    """Passing, neighbour, suspension, appoggiatura: each foreign note is left by step, or is the drone."""
    for n in notes():
        x = foreign(n)
        if x is None or (n.start == at(75) and n.pitch.nameWithOctave == "F2"):
            continue
        _, after = neighbours_in_voice(n)
        assert any(second(n, m) for m in after), f"{n.pitch} in bar {n.start / BAR + 1} under {x.figure}"


# --- what the piece promises --------------------------------------------------------------------


def test_rocking_left_hand() -> None:
    rocking = 0
    for bar in range(1, 87):
        low = within(bar, bar, LEFT)
        onsets = {n.start - at(bar) for n in low}
        keys = [n.midi for n in low]
        if len(onsets) >= 6 and max(keys) - min(keys) >= 9:
            rocking += 1
    assert rocking >= 0.8 * 86


def test_melody_moves_into_thirds() -> None:
    for bar in (13, 14, 15, 16):
        starts = {n.start for n in within(bar, bar, RIGHT)}
        for time in starts:
            pair = sorted(sounding(time, RIGHT), key=lambda n: n.midi)
            assert [b.pitch.diatonicNoteNum - a.pitch.diatonicNoteNum for a, b in pairwise(pair)] == [2]


def test_melody_goes_to_the_left_hand() -> None:
    for bar in range(37, 45):
        right = within(bar, bar, RIGHT)
        assert [n.end - n.start for n in right] == [Fraction(1, 2)] * 6
    tenor = [n for n in within(37, 38, LEFT) if n.voice == "5"]
    assert [n.pitch.name for n in tenor] == ["B-", "A-", "F", "A-", "G-", "E-"]


def test_suspensions() -> None:
    """Held from a chord it belongs to into one where it does not, and down a step."""
    bars = set()
    for n in notes():
        for x in labels():
            if n.start < x.start < n.end and n.pitch.name not in x.names:
                _, after = neighbours_in_voice(n)
                if any(n.pitch.diatonicNoteNum - m.pitch.diatonicNoteNum == 1 for m in after):
                    bars.add(int(x.start / BAR) + 1)
    assert {8, 12, 14, 16, 19, 40, 48, 62, 78, 83} <= bars


def test_sequence_by_fifths() -> None:
    roots = [music21.pitch.Pitch(label(bar).root) for bar in range(21, 28)]
    falls = [(b.diatonicNoteNum - a.diatonicNoteNum) % 7 for a, b in pairwise(roots)]
    assert falls == [3] * 6  # up a fourth or down a fifth
    model = top_line(21, 22)
    steps = [music21.pitch.Pitch(name).diatonicNoteNum for _, name in model]
    for first, lower in ((23, 1), (25, 2)):
        copy = top_line(first, first + 1)
        assert [t for t, _ in copy] == [t for t, _ in model]
        assert [music21.pitch.Pitch(name).diatonicNoteNum + lower for _, name in copy] == steps


def test_german_sixth_to_cadential_six_four() -> None:
    for bar in (30, 55):
        assert (label(bar).figure, label(bar + 1).figure) == ("Ger65", "Cad64")
        assert label(bar + 2).figure == "V7"
        chord = within(bar, bar)
        low = min(chord, key=lambda n: n.midi)
        sixth = next(n for n in chord if n.pitch.name == "B")
        assert music21.interval.Interval(low.pitch, sixth.pitch).simpleName == "A6"
        following = within(bar + 1, bar + 1)
        assert min(following, key=lambda n: n.midi).pitch.name == "C"
        assert any(n.pitch.nameWithOctave == "C5" for n in following if n.start == at(bar + 1))


def test_deceptive_cadence() -> None:
    assert (label(27).figure, label(28).figure) == ("V7", "VI")


def test_common_tone_to_the_flat_submediant() -> None:
    assert {n.pitch.nameWithOctave for n in sounding(at(35))} == {"F4"}
    assert label(35).key == "f"
    assert (label(36).key, label(36).figure) == ("D-", "I")
    assert "F4" in {n.pitch.nameWithOctave for n in sounding(at(36))}


def test_enharmonic_pivot() -> None:
    before, after = label(54), label(55)
    assert (before.key, before.figure) == ("D-", "V7/IV")
    assert (after.key, after.figure) == ("f", "Ger65")
    assert sorted(n.midi for n in within(54, 54)) == sorted(n.midi for n in within(55, 55))
    assert {n.pitch.name for n in within(54, 54)} ^ {n.pitch.name for n in within(55, 55)} == {"C-", "B"}


def test_neapolitan_at_the_climax() -> None:
    highest = max(notes(), key=lambda n: n.midi)
    assert highest.start == at(69)
    assert label(69).figure == "N6"
    loud = [d for d in score().parts[0].recurse().getElementsByClass("Dynamic") if d.value == "ff"]
    assert [d.getContextByClass("Measure").number for d in loud] == [69]
    assert label(68, 2).figure == "V42/bII"


def test_tonic_drone() -> None:
    for bar in range(73, 81):
        low = min(within(bar, bar), key=lambda n: n.midi)
        assert low.pitch.name == "F"
        assert low.start == at(bar)
    assert any("F" not in label(bar).names for bar in range(73, 81))


def test_return_goes_on_differently() -> None:
    assert top_line(59, 59) == top_line(5, 5)
    assert top_line(61, 63) == top_line(7, 9)
    assert [label(b).figure for b in range(59, 64)] == [label(b).figure for b in range(5, 10)]
    assert label(64).figure != label(10).figure
    assert within(64, 73, RIGHT) != within(10, 19, RIGHT)


def test_plagal_close_with_picardy_third() -> None:
    assert [label(bar).figure for bar in range(81, 87)] == ["iv", "iv", "I", "I", "I", "I"]
    assert {label(bar).key for bar in range(81, 87)} == {"f"}
    final = sounding(at(86))
    assert {n.pitch.name for n in final} == {"F", "A", "C"}
    assert min(final, key=lambda n: n.midi).pitch.name == "F"
