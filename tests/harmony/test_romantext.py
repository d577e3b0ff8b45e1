"""RomanText read and written, against the published convention and music21's reader of it.

The convention: Tymoczko, Gotham, Cuthbert and Ariza, "The RomanText Format", ISMIR 2019.
"""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.partial import event as made

from understave.harmony.reading import Reading, Span
from understave.harmony.romantext import (
    Meter,
    bars_of,
    read_analysis,
    read_beat,
    read_romantext,
    write_beat,
    write_romantext,
)
from understave.score.model import Measure, Score
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral


def score(
    *bars: tuple[str, Fraction | int], meter: tuple[int, int] = (4, 4), pickup: Fraction | int = 0
) -> Score:
    """A score without notes: (printed number, length) for each measure, the first maybe a pickup."""
    measures, start = [], Fraction(0)
    for index, (number, length) in enumerate(bars):
        full = Fraction(4 * meter[0], meter[1])
        offset = full - Fraction(length) if index == 0 and pickup else Fraction(0)
        measures.append(Measure(f"m{index}", index, number, start, Fraction(length), *meter, 0, None, offset))
        start += Fraction(length)
    return Score("", "", (), tuple(measures), ())


def plain(count: int, meter: tuple[int, int] = (4, 4)) -> Score:
    """So many full bars, numbered from 1."""
    return score(*[(str(k + 1), Fraction(4 * meter[0], meter[1])) for k in range(count)], meter=meter)


def said(spans: tuple[Span, ...]) -> list[tuple[Fraction, str, str]]:
    return [(s.start, s.key.symbol, str(s.numeral)) for s in spans]


class TestBeats:
    @pytest.mark.parametrize(
        ("text", "beat"),
        [
            ("1", Fraction(1)),
            ("2.5", Fraction(5, 2)),
            ("1.66", Fraction(5, 3)),
            ("1.67", Fraction(5, 3)),
            ("1.667", Fraction(5, 3)),
            ("4.33", Fraction(13, 3)),
            ("3.75", Fraction(15, 4)),
            ("2.88", Fraction(23, 8)),
            ("2.12", Fraction(17, 8)),
            ("1.17", Fraction(7, 6)),
            ("2.83", Fraction(17, 6)),
            ("1.6", Fraction(5, 3)),
            ("4.0", Fraction(4)),
            # A second decimal counts within the smaller unit (Tymoczko et al. 2019).
            ("2.67.5", Fraction(17, 6)),
            ("1.66.5", Fraction(11, 6)),
        ],
    )
    def test_decimals_mean_simple_fractions(self, text: str, beat: Fraction) -> None:
        assert read_beat(text) == beat

    @given(
        st.integers(1, 12),
        st.integers(0, 400),
        st.sampled_from([1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 24, 32, 48, 64, 96]),
    )
    def test_written_beats_read_back(self, whole: int, top: int, bottom: int) -> None:
        beat = whole + Fraction(top % bottom, bottom)
        assert read_beat(write_beat(beat)) == beat

    @pytest.mark.parametrize(
        ("text", "beats", "length"),
        [
            ("4/4", 4, 1),
            ("C", 4, 1),
            ("C|", 2, 2),
            ("2/2", 2, 2),
            ("6/8", 2, Fraction(3, 2)),
            ("9/8", 3, Fraction(3, 2)),
            ("12/8", 4, Fraction(3, 2)),
            ("12/16", 4, Fraction(3, 4)),
            ("6/4", 2, 3),
            ("3/4", 3, 1),
            ("3/8", 1, Fraction(3, 2)),
            ("fast 3/8", 1, Fraction(3, 2)),
            ("slow 3/8", 3, Fraction(1, 2)),
            ("slow 6/8", 6, Fraction(1, 2)),
        ],
    )
    def test_a_signature_says_what_a_beat_is(self, text: str, beats: int, length: Fraction) -> None:
        meter = Meter.parse(text)
        assert meter is not None
        assert (meter.length / meter.beat_length, meter.beat_length) == (beats, length)
        assert Meter.parse(meter.text) == meter

    def test_beats_are_counted_as_music21_counts_them(self) -> None:
        """music21's meter module is the reference for the felt beat of plain signatures."""
        m21meter = pytest.importorskip("music21.meter")
        for text in ("2/4", "3/4", "4/4", "2/2", "3/2", "6/8", "9/8", "12/8", "6/4", "9/4", "3/8", "12/16"):
            meter = Meter.parse(text)
            assert meter is not None
            assert meter.length / meter.beat_length == m21meter.TimeSignature(text).beatCount, text


class TestReading:
    def test_keys_beats_and_chords_that_hold_over_skipped_bars(self) -> None:
        spans = read_romantext("Time Signature: 4/4\nm1 G: I b3 V6\nm3 b2 e: i", plain(4))
        assert said(spans) == [(0, "G", "I"), (2, "G", "V6"), (9, "e", "i")]
        assert [s.end for s in spans] == [2, 9, 16]

    def test_a_pickup_counts_its_beats_from_the_missing_barline(self) -> None:
        piece = score(("0", 1), ("1", 3), ("2", 2), meter=(3, 4), pickup=1)
        spans = read_romantext("Time Signature: 3/4\nm0 b3 F: V\nm1 I b3 V\nm2 I", piece)
        assert [s.start for s in spans] == [0, 1, 3, 4]

    def test_compound_beats_are_dotted(self) -> None:
        spans = read_romantext("Time Signature: 6/8\nm1 Eb: I b1.67 V b2 I b2.667 V7", plain(1, (6, 8)))
        assert [s.start for s in spans] == [0, 1, Fraction(3, 2), Fraction(5, 2)]

    def test_beats_past_a_compound_bar_mean_the_written_unit(self) -> None:
        """Some published files count 3/8 in three without saying slow."""
        spans = read_romantext("Time Signature: 3/8\nm1 C: I b3 V\nm2 I", plain(2, (3, 8)))
        assert [s.start for s in spans] == [0, 1, Fraction(3, 2)]

    def test_copies_keep_the_key_in_force_until_they_name_one(self) -> None:
        text = "Time Signature: 4/4\nm1 C: I b3 V\nm2 G: I\nm3-4 = m1-2\nm5 = m1 ||"
        found = read_analysis(text, plain(5))
        assert said(found.spans)[2:] == [
            (4, "G", "I"),
            (8, "C", "I"),
            (10, "C", "V"),
            (12, "G", "I"),
            (16, "C", "I"),
            (18, "C", "V"),
        ]

    def test_a_copy_without_its_own_key_is_read_in_the_new_key(self) -> None:
        text = "Time Signature: 4/4\nm1 C: I\nm2 V7 b3 I\nm3 a: i\nm4 = m2"
        assert said(read_romantext(text, plain(4)))[-2:] == [(12, "a", "V7"), (14, "a", "I")]

    def test_a_pivot_chord_has_both_readings(self) -> None:
        (first, pivot, last) = read_romantext(
            "Time Signature: 2/4\nm1 C: I b2 vi || G: ii\nm2 V", plain(2, (2, 4))
        )
        assert (pivot.key.symbol, str(pivot.numeral)) == ("C", "vi")
        (other,) = pivot.alternatives
        assert (other.key.symbol, str(other.numeral)) == ("G", "ii")
        assert (first.alternatives, last.key.symbol) == ((), "G")

    def test_phrases_sections_pedals_notes_and_variants(self) -> None:
        text = """Composer: A. Nonymous
Time Signature: 4/4

Form: A
m1 ||: C: I b3 V
m2 I || b4 V :||
Form: B
Pedal: G m3 b1 m4 b3
m3 V
m3var1 V7
Note: taken from the second edition
m4 I
"""
        found = read_analysis(text, plain(4))
        assert found.phrase_ends == (7,)
        assert found.sections == ((0, "A"), (8, "B"))
        assert [(p.start, p.end, p.pitch.name) for p in found.pedals] == [(8, 14, "G")]
        assert found.notes == (("3", "m3var1 V7"), ("3", "taken from the second edition"))
        assert found.problems == ()
        assert [str(s.numeral) for s in found.spans] == ["I", "V", "I", "V", "V", "I"]

    def test_second_endings_are_found_by_letter(self) -> None:
        piece = score(("1", 4), ("2", 4), ("2", 4), ("3", 4))
        assert [b.name for b in bars_of(piece)] == ["1", "2a", "2b", "3"]
        spans = read_romantext("Time Signature: 4/4\nm1 C: I\nm2a V\nm2b I\nm3 IV", piece)
        assert [s.start for s in spans] == [0, 4, 8, 12]

    @pytest.mark.parametrize(
        ("printed", "names"),
        [
            (["1", "2", "2", "2", "3"], ["1", "2a", "2b", "2c", "3"]),
            (["1", "2", "2a", "3"], ["1", "2", "2a", "3"]),
            (["37", "38", "41"], ["37", "38", "41"]),
            (["1", "2", "1", "2"], ["1", "2", "3", "4"]),
            (["1", "", "2"], ["1", "2", "3"]),
        ],
    )
    def test_every_bar_has_a_name_of_its_own(self, printed: list[str], names: list[str]) -> None:
        assert [b.name for b in bars_of(score(*[(p, 4) for p in printed]))] == names

    def test_the_parts_of_a_split_measure_are_one_bar(self) -> None:
        parts = [("1", 4, 0), ("2", 3, 0), ("2", 1, 3), ("3", 4, 0)]
        measures, start = [], Fraction(0)
        for index, (number, length, offset) in enumerate(parts):
            measures.append(
                Measure(f"m{index}", index, number, start, Fraction(length), 4, 4, 0, None, Fraction(offset))
            )
            start += length
        piece = Score("", "", (), tuple(measures), ())
        assert [(b.name, b.start, b.end) for b in bars_of(piece)] == [("1", 0, 4), ("2", 4, 8), ("3", 8, 12)]
        spans = read_romantext("Time Signature: 4/4\nm1 C: I\nm2 V b4 V7\nm3 I", piece)
        assert [s.start for s in spans] == [0, 4, 7, 8]

    def test_published_spellings_of_numerals(self) -> None:
        text = "Time Signature: 4/4\nm1 c: V6/5 b2 vii/o4/3/V b3 -VI b4 V[no3][add4]"
        spans = read_romantext(text, plain(1))
        assert [str(s.numeral) for s in spans[:3]] == ["V65", "viiø43/V", "bVI"]
        assert spans[3].numeral.root(spans[3].key).name == "G"

    @pytest.mark.parametrize(
        ("text", "sentence"),
        [
            ("m9 C: I", "Line 1: the score has no bar 9."),
            ("m1 I", "Line 1: 'I' comes before any key."),
            ("m1 C: I b7 V", "Line 1: bar 1 has no beat 7."),
            ("m1 C: I b2 Q7", "Line 1: 'Q7' is not a Roman numeral"),
            ("what is this", "Line 1: 'what is this' is neither a bar nor a 'Name: text' line."),
            ("m1 C: I\nm2-3 = m7", "copies a different number of bars."),
            ("Time Signature: soon", "Line 1: 'soon' is not a time signature."),
        ],
    )
    def test_what_cannot_be_read_is_said_and_left_out(self, text: str, sentence: str) -> None:
        found = read_analysis(text, plain(3))
        assert any(sentence in p for p in found.problems), found.problems

    def test_a_bad_numeral_does_not_end_the_reading(self) -> None:
        assert said(read_romantext("m1 C: I b2 Q7 b3 V", plain(1))) == [(0, "C", "I"), (2, "C", "V")]


NUMERALS = [
    "I",
    "V7",
    "ii65",
    "viio7/V",
    "Ger65",
    "N6",
    "Cad64",
    "bVI",
    "iiø43",
    "V42/IV",
    "IV64",
    "i",
    "V65/V/V",
]
KEYS = ["C", "a", "F#", "eb", "Bb", "c#"]
METERS = [(4, 4), (3, 4), (6, 8), (9, 8), (3, 8), (2, 2), (6, 4), (5, 4), (12, 16)]


@st.composite
def readings(draw: st.DrawFn) -> tuple[Reading, Score]:
    meter = draw(st.sampled_from(METERS))
    full = Fraction(4 * meter[0], meter[1])
    pickup = draw(st.sampled_from([Fraction(0), full / 2]))
    count = draw(st.integers(1, 5))
    bars = [("0", pickup)] if pickup else []
    bars += [(str(k + 1), full) for k in range(count)]
    piece = score(*bars, meter=meter, pickup=pickup)
    steps = draw(st.sets(st.integers(0, int(piece.end * 12) - 1), min_size=1, max_size=12))
    starts = sorted(Fraction(s, 12) for s in steps)
    spans = [
        Span(
            start,
            end,
            Key.parse(draw(st.sampled_from(KEYS))),
            RomanNumeral.parse(draw(st.sampled_from(NUMERALS))),
            1.0,
        )
        for start, end in zip(starts, [*starts[1:], piece.end], strict=True)
    ]
    return Reading(tuple(spans)), piece


class TestWriting:
    @given(readings())
    def test_a_written_reading_reads_back_the_same(self, made: tuple[Reading, Score]) -> None:
        reading, piece = made
        found = read_analysis(write_romantext(reading, piece), piece)
        assert found.problems == ()
        assert found.spans == reading.spans

    def test_the_text_looks_as_the_convention_has_it(self) -> None:
        piece = score(("0", 1), ("1", 4), ("2", 4), ("3", 4), pickup=1)
        spans = [
            Span(Fraction(0), Fraction(1), Key.parse("G"), RomanNumeral.parse("V"), 1.0),
            Span(Fraction(1), Fraction(3), Key.parse("G"), RomanNumeral.parse("I"), 1.0),
            Span(Fraction(3), Fraction(9), Key.parse("e"), RomanNumeral.parse("viio65/V"), 1.0),
            Span(Fraction(9), Fraction(13), Key.parse("e"), RomanNumeral.parse("i"), 1.0),
        ]
        cadence = made("cadence", "half", Fraction(3), Fraction(9), (), 1.0)
        text = write_romantext(Reading(tuple(spans), (cadence,)), piece)
        assert text.split("\n\n")[-1] == "m0 b4 G: V\nm1 I b3 e: viio65/V ||\nm3 i\n"
        assert "Time Signature: 4/4" in text
        assert read_analysis(text, piece).phrase_ends == (9,)

    def test_numbers_that_start_again_are_counted(self) -> None:
        piece = score(("1", 4), ("2", 4), ("1", 4), ("2", 4))
        spans = tuple(
            Span(Fraction(4 * k), Fraction(4 * k + 4), Key.parse("C"), RomanNumeral.parse(n), 1.0)
            for k, n in enumerate(["I", "IV", "V7", "vi"])
        )
        text = write_romantext(Reading(spans), piece)
        assert "m4 vi" in text
        assert read_romantext(text, piece) == spans


@pytest.mark.parametrize("number", [1, 3, 6, 12, 19])
def test_chorale_analyses_are_read_as_music21_reads_them(number: int) -> None:
    """Same moments, keys, roots and basses as music21 finds in its own corpus (Jones, Tymoczko et al.)."""
    music21 = pytest.importorskip("music21")
    from pathlib import Path

    home = Path(music21.__file__).parent / "corpus" / "bach" / "choraleAnalyses"
    path = home / f"riemenschneider{number:03d}.rntxt"
    stream = music21.converter.parse(path, format="romanText")
    measures = list(stream.recurse().getElementsByClass("Measure"))
    piece = _score_of(measures)
    ours = read_romantext(path.read_text(encoding="utf-8"), piece)
    starts = {s.start for s in ours}
    pivots = {(s.start, a.key.symbol) for s in ours for a in s.alternatives}
    met = set()
    for roman in stream.recurse().getElementsByClass("RomanNumeral"):
        moment = Fraction(roman.getOffsetInHierarchy(stream)).limit_denominator(48)
        key = roman.key.tonicPitchNameWithCase.replace("-", "b")
        if (moment, key) in pivots:
            continue
        # music21 repeats a chord that holds over a barline; ours goes on.
        (span,) = [s for s in ours if s.start <= moment < s.end]
        assert span.key.symbol == key
        chord = span.numeral.chord(span.key)
        assert chord.bass.name == roman.bass().name.replace("-", "b"), (moment, roman.figure)
        if not span.numeral.special:
            assert span.numeral.root(span.key).name == roman.root().name.replace("-", "b"), (
                moment,
                roman.figure,
            )
        met.add(moment)
    assert len(met) > 25
    assert starts - {t for t, _ in pivots} <= met


def _score_of(measures: list[object]) -> Score:
    """An empty score with the bars of a music21 stream."""
    out, start = [], Fraction(0)
    meter = (4, 4)
    for index, m in enumerate(measures):
        if m.timeSignature is not None:  # type: ignore[attr-defined]
            meter = (m.timeSignature.numerator, m.timeSignature.denominator)  # type: ignore[attr-defined]
        full = Fraction(4 * meter[0], meter[1])
        padding = Fraction(m.paddingLeft).limit_denominator(48)  # type: ignore[attr-defined]
        length = full - padding
        out.append(
            Measure(f"m{index}", index, str(m.measureNumber), start, length, *meter, 0, None, padding)  # type: ignore[attr-defined]
        )
        start += length
    return Score("", "", (), tuple(out), ())


@pytest.mark.parametrize("meter", [(4, 4), (3, 4), (6, 8), (9, 8), (3, 8), (2, 2), (6, 4), (12, 8)])
def test_music21_reads_what_we_write(meter: tuple[int, int]) -> None:
    """A written reading, pickup and all, means the same to music21: moments, keys, basses, roots."""
    music21 = pytest.importorskip("music21")
    full = Fraction(4 * meter[0], meter[1])
    piece = score(("0", full / 2), ("1", full), ("2", full), ("3", full), meter=meter, pickup=1)
    step = Fraction(4, meter[1])
    labels = ["V7", "i", "iio6", "Cad64", "V65/V", "viio43", "VI", "N6", "Ger65", "V", "I"]
    starts = [k * step for k in range(0, int(piece.end / step), 2)][: len(labels)]
    spans = tuple(
        Span(a, b, Key.parse("f#" if k < 6 else "d"), RomanNumeral.parse(labels[k]), 1.0)
        for k, (a, b) in enumerate(zip(starts, [*starts[1:], piece.end], strict=True))
    )
    stream = music21.converter.parse(write_romantext(Reading(spans), piece), format="romanText")
    found = [
        (Fraction(r.getOffsetInHierarchy(stream)).limit_denominator(48), r)
        for r in stream.recurse().getElementsByClass("RomanNumeral")
    ]
    assert {s.start for s in spans} <= {t for t, _ in found}
    for moment, roman in found:
        (span,) = [s for s in spans if s.start <= moment < s.end]
        assert roman.key.tonicPitchNameWithCase == span.key.symbol
        chord = span.numeral.chord(span.key)
        assert roman.bass().name.replace("-", "b") == chord.bass.name, roman.figure
        assert {p.name.replace("-", "b") for p in roman.pitches} == {p.name for p in chord.members}, (
            roman.figure
        )
