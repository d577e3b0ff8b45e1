"""Small piano scores written as files: chords as note names, all of one length, and a folder of them."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

from understave.score.model import Direction, Measure, Note, Part, Score
from understave.score.write import to_musicxml
from understave.theory.pitch import Interval, Pitch

CADENCE = "C3 G3 C4 E4 | F3 A3 C4 F4 | G2 D4 F4 B3 | C3 G3 C4 E4"
NEAPOLITAN = "C3 G3 C4 Eb4 | F3 Ab3 Db4 F4 | G2 G3 D4 B3 | C3 G3 C4 Eb4"
DECEPTIVE = "C3 G3 C4 E4 | F3 A3 D4 F4 | G2 D4 F4 B3 | A2 E4 C4 A3"
LAMENT = "C4 G4 C5 Eb5 | Bb3 G4 D5 | Ab3 C5 Eb5 | G3 B4 D5 G5"


def piano(  # noqa: PLR0913
    text: str,
    length: Fraction | int = 2,
    signature: int = 0,
    times: int = 1,
    up: str = "P1",
    tempo: float = 0,
    title: str = "",
    composer: str = "",
    apart: Fraction | int = 0,
) -> Score:
    """A piano score in 4/4 from chords ``"C3 E4 | G2 D4"``, below C4 in the lower staff.

    The whole text comes `times` over, moved up by an interval; `apart` strikes a chord's notes one by one.
    """
    move = Interval.parse(up)
    length = Fraction(length)
    notes: list[tuple[Fraction, Fraction, Pitch]] = []
    time = Fraction(0)
    for chord in text.split("|") * times:
        for k, name in enumerate(chord.split()):
            notes.append((time + k * apart, length - k * apart, Pitch.parse(name) + move))
        time += length
    bars = -(-time // 4)
    signature += move.fifths
    measures = tuple(
        Measure(f"m{i}", i, str(i + 1), Fraction(4 * i), Fraction(4), 4, 4, signature) for i in range(bars)
    )
    made = []
    for i, (onset, duration, pitch) in enumerate(sorted(notes, key=lambda n: (n[0], n[2].midi))):
        staff = 1 if (pitch + -move).midi >= 60 else 2
        made.append(
            Note(f"n{i}", onset, duration, pitch, pitch, staff, str(staff), 0, int(onset // 4), (f"n{i}",))
        )
    marks = (Direction("d1", "tempo", Fraction(0), None, 1, "", tempo),) if tempo else ()
    return Score(title, composer, (Part("P1", "Piano", 1, 2),), measures, tuple(made), marks)


def put(folder: Path, name: str, score: Score) -> Path:
    """Write a score into a folder."""
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(to_musicxml(score))
    return path


def folder_of_scores(folder: Path) -> Path:
    """A folder with eight small pieces, one of them in a folder of its own."""
    put(folder, "cadence.musicxml", piano(CADENCE, times=2, title="Cadence", composer="Schubert, Franz"))
    put(folder, "cadence-in-d.musicxml", piano(CADENCE, times=2, up="M2", title="In D"))
    put(folder, "deceptive.musicxml", piano(DECEPTIVE + " | " + CADENCE, title="Deceptive"))
    neapolitan = piano(NEAPOLITAN, times=2, signature=-3, title="Neapolitan", composer="Chopin, Frédéric")
    put(folder, "minor/neapolitan.musicxml", neapolitan)
    put(folder, "minor/neapolitan-in-e.musicxml", piano(NEAPOLITAN, times=2, signature=-3, up="M3"))
    put(folder, "minor/lament.musicxml", piano(LAMENT, times=2, signature=-3, title="Lament"))
    put(folder, "fast.musicxml", piano(CADENCE, Fraction(1, 2), times=8, tempo=160, title="Fast"))
    put(folder, "broken-chords.musicxml", piano(CADENCE, times=4, apart=Fraction(1, 2), title="Broken"))
    return folder
