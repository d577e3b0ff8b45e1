"""What moves above a held bass, in settings of our own.

The progressions are those that handbooks name for pedal points: the dominant seventh and the leading-tone
seventh over the tonic, the dominant of the dominant over the dominant (Open Music Theory, "Embellishing
Tones"; common practice).
"""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path

import pytest
from build import build, spans_of

from understave.cli.program import main
from understave.desk import values
from understave.export.reading_data import reading_json
from understave.findings import find_events, read
from understave.findings.over_held import layer, with_layer, without_bass
from understave.findings.pedalpoints import PEDAL_POINT
from understave.harmony.reading import Reading
from understave.score.model import Score

FERRY = Path(__file__).parents[2] / "examples" / "chain-ferry" / "score.musicxml"
BARS = {
    "I": "C4+E4+G4:4",
    "IV": "C4+F4+A4:4",
    "V7": "B3+D4+F4+G4:4",
    "viio7": "B3+D4+F4+Ab4:4",
    "V": "B3+D4+G4:4",
    "viio7/V": "C4+Eb4+F#4+A4:4",
    "V7/V": "C4+D4+F#4+A4:4",
    "I64": "C4+E4+G4:4",
}


def over(bass: str, *chords: str) -> tuple[Score, Reading]:
    upper = " | ".join(BARS[c] for c in chords)
    score = build(upper, " | ".join(f"{bass}:4" for _ in chords))
    return score, read(score)


def named(reading: Reading) -> list[tuple[str, str, Fraction, Fraction]]:
    return [(str(a.numeral), a.over.pitch_class.name, a.start, a.end) for a in layer(reading.events)]


def test_sevenths_over_the_tonic_are_named_with_the_note_held():
    """The inversion is that above the bass; what holds the tonic itself needs no second name."""
    _, reading = over("C2", "I", "V7", "I", "viio7", "IV", "V7", "I")
    assert named(reading) == [("V65", "C", 4, 8), ("viio7", "C", 12, 16), ("V65", "C", 20, 24)]


def test_a_note_of_what_moves_above_is_no_non_chord_tone():
    """Bar 2 is a dominant seventh over C: F belongs to it, though a reading may name the bass's chord."""
    score = build("C4+E4+G4:4 | B3+D4+F4+G4:4 | B3+D4+F4+G4:4 | C4+E4+G4:4", "C2:4 | C2:4 | C2:4 | C2:4")
    spans = spans_of(score, "C: I:8 V7:4 I:4")
    found = find_events(score, spans)
    named = {
        e.get("pitch").pitch_class.name for e in found if e.kind == "non-chord tone" and 4 <= e.start < 8
    }
    assert "F" in named
    kept = [e for e in with_layer(score, spans, found) if e.kind == "non-chord tone" and 4 <= e.start < 8]
    assert not {e.get("pitch").pitch_class.name for e in kept} & {"B", "D", "F", "G"}


@pytest.mark.parametrize("applied", ["viio7/V", "V7/V"])
def test_dominants_of_the_dominant_over_the_dominant(applied):
    _, reading = over("G2", "V", applied, "V", "V7", applied, "V7", "V")
    found = named(reading)
    assert [(start, end, note) for _, note, start, end in found] == [(4, 8, "G"), (16, 20, "G")]
    wanted = frozenset({"viio7/V": (6, 9, 0, 3), "V7/V": (2, 6, 9, 0)}[applied])
    assert all(a.numeral.chord(a.key).semitones == wanted for a in layer(reading.events))


def test_nothing_is_named_where_no_bass_is_held():
    score = build(" | ".join(BARS[c] for c in ("I", "IV", "V7", "I")), "C2:4 | F2:4 | G2:4 | C2:4")
    assert layer(read(score).events) == ()


def test_two_notes_above_make_no_chord():
    score = build("C4+E4:4 | B3+F4:4 | C4+E4:4 | B3+F4:4 | C4+E4:4", "C2:4 | C2:4 | C2:4 | C2:4 | C2:4")
    assert layer(read(score).events) == ()


def test_the_bars_without_the_bass_keep_all_else_in_its_place():
    score, reading = over("C2", "I", "I", "V7", "I", "viio7", "IV", "V7", "I")
    pedal = next(e for e, found in PEDAL_POINT.all(reading.events) if found.place == "bass")
    part, since = without_bass(score, pedal)
    kept = {(n.id, n.onset + since, n.duration) for n in part.notes}
    bars = (part.measures[0].start + since, part.end + since)
    assert kept == {
        (n.id, n.onset, n.duration)
        for n in score.notes
        if n.id not in pedal.notes and n.onset < bars[1] and n.end > bars[0]
    }
    assert part.measures[0].start == 0
    assert [m.index for m in part.measures] == list(range(len(part.measures)))


def test_it_stands_in_the_json_at_the_desk_and_in_show(tmp_path, capsys):
    score, reading = over("C2", "I", "V7", "I", "viio7", "IV", "V7", "I")
    rows = json.loads(reading_json(score, reading))["above_held"]
    assert [(r["numeral"], r["over"], r["bass"], r["start"]["quarter"]) for r in rows] == [
        ("V65", "C", "B", "4"),
        ("viio7", "C", "B", "12"),
        ("V65", "C", "B", "20"),
    ]
    assert json.loads(reading_json(score, reading, (Fraction(8), Fraction(16))))["above_held"] == rows[1:2]
    span = reading.span_at(Fraction(12))
    told = [t["text"] for t in values.why(score, reading, span)["told"]]
    # The desk sets the numeral between its marks.
    assert told[0] == "⟨viio7⟩ over C"
    assert values.why(score, reading, span, "de")["told"][0]["text"] == "⟨viio7⟩ über C"
    # Our own piece holds its bass over chords that do not contain it.
    assert main(["show", str(FERRY)]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert " over " in shown
