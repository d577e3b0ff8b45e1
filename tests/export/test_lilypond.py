"""LilyPond engraves what is written for it, and plays the notes that the score has.

LilyPond itself (2.24, Debian's package) is the judge: it must take the text without a warning, and the MIDI
file that it writes beside the page is compared with the notes of the score, moment by moment.
"""

from __future__ import annotations

import shutil
import subprocess
from fractions import Fraction
from pathlib import Path

import mido
import pytest
from tests.once import opening, read, read_score

from understave.cli import main
from understave.export.lilypond import lilypond
from understave.score.passage import passage
from understave.theory.convention_choices import STANDARD, following

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "examples" / "chain-ferry" / "score.musicxml"
needs_lilypond = pytest.mark.skipif(not shutil.which("lilypond"), reason="lilypond is not installed")


def corpus(name: str) -> Path:
    music21 = pytest.importorskip("music21")
    return Path(music21.__file__).parent / "corpus" / name


def complaints(folder: Path, *texts: str) -> str:
    """What LilyPond complains of in the texts, which one start of it engraves; it writes them beside.

    It engraves whole pages; as PostScript it writes them in a third of the time.
    """
    names = [f"bars-{number}.ly" for number in range(len(texts))]
    for name, text in zip(names, texts, strict=True):
        (folder / name).write_text(text, encoding="utf-8")
    done = subprocess.run(
        ["lilypond", "-l", "WARN", "--ps", *names], cwd=folder, capture_output=True, text=True, timeout=300
    )
    assert done.returncode == 0, done.stderr
    assert len(list(folder.glob("*.ps"))) == len(texts)
    return done.stderr.strip()


def played_by_lilypond(folder: Path) -> set[tuple[Fraction, int]]:
    """The moments (in quarter notes) and keys of the notes that LilyPond plays."""
    played = mido.MidiFile(next(folder.glob("*.mid*")))
    found = set()
    for track in played.tracks:
        tick = 0
        for message in track:
            tick += message.time
            if message.type == "note_on" and message.velocity:
                found.add((Fraction(tick, played.ticks_per_beat), message.note))
    return found


@needs_lilypond
@pytest.mark.parametrize(
    ("name", "first", "last"),
    [
        ("chain-ferry", 0, 30),
        ("lock-water", 0, 20),
        ("bach/bwv66.6.mxl", 0, 8),
        ("schumann_clara/polonaise_op1n1.mxl", 0, 39),
    ],
)
def test_lilypond_plays_the_notes_of_the_score(tmp_path, name, first, last):
    score = read_score(corpus(name) if "/" in name else ROOT / "examples" / name / "score.musicxml")
    reading = read(score)
    assert complaints(tmp_path, lilypond(score, reading, first, last)) == ""
    played = played_by_lilypond(tmp_path)
    bars = passage(score, first, last)
    # Grace notes take their time where LilyPond likes.
    graces = {n.midi for n in bars.notes if n.grace}
    expected = {(n.onset, n.midi) for n in bars.notes if not n.grace}
    assert expected - played == set()
    assert {midi for _, midi in played - expected} <= graces


def test_the_harmony_stands_with_its_keys_where_it_begins():
    score = read_score(DEMO)
    text = lilypond(score, read(score), 8, 15)
    assert 's1*3/4-\\markup "f: i" s1*3/4-\\markup "Ab: V65"' in text
    assert "\\set Score.currentBarNumber = #9" in text
    assert 'title = "The Chain Ferry: Barcarolle"' in text


def test_music_without_keys_has_its_chords_by_root_and_kind():
    score = read_score(DEMO)
    with following(STANDARD, roots=True):
        text = lilypond(score, read(score), 8, 15)
    # The chords that the demo's own analysis calls i in f and V65 in A flat.
    assert 's1*3/4-\\markup "Fm" s1*3/4-\\markup "Eb7/G"' in text
    assert ": " not in text.partition("\\new Dynamics")[2]


SIGNATURES = {
    "<fifths>-4</fifths><mode>minor</mode>": "\\key f \\minor",
    "<fifths>-4</fifths><mode>major</mode>": "\\key af \\major",
    # B flat, E flat, A flat, D flat: steps from C (LilyPond Internals Reference, keyAlterations).
    "<fifths>-4</fifths>": "\\set Staff.keyAlterations = #`((6 . ,FLAT) (2 . ,FLAT) (5 . ,FLAT) (1 . ,FLAT))",
    "<fifths>2</fifths>": "\\set Staff.keyAlterations = #`((3 . ,SHARP) (0 . ,SHARP))",
    "<fifths>0</fifths><mode>none</mode>": "\\set Staff.keyAlterations = #`()",
}


@pytest.fixture(scope="module")
def signed(tmp_path_factory) -> dict[str, str]:
    """The first bars of the demo for LilyPond, under each signature."""
    before, _, rest = opening(2, "chain-ferry").read_text(encoding="utf-8").partition("<fifths>")
    path = tmp_path_factory.mktemp("signed") / "score.musicxml"
    found = {}
    for said in SIGNATURES:
        path.write_text(before + said + rest[rest.index("</key>") :], encoding="utf-8")
        score = read_score(path)
        found[said] = lilypond(score, read(score), 0, 1)
    return found


@pytest.mark.parametrize("said", SIGNATURES)
def test_a_signature_is_a_key_only_where_its_mode_is_known(signed, said):
    assert SIGNATURES[said] in signed[said]


@needs_lilypond
def test_lilypond_takes_every_signature(signed, tmp_path):
    assert complaints(tmp_path, *signed.values()) == ""


def test_an_excerpt_is_written_for_lilypond(tmp_path, capsys):
    out = tmp_path / "bars.ly"
    assert main(["excerpt", str(DEMO), "--bars", "9-16", "--out", str(out)]) == 0
    score = read_score(DEMO)
    assert out.read_text() == lilypond(score, read(score), 8, 15)
    assert main(["excerpt", str(DEMO), "--bars", "9-16", "--out", str(out), "--plan"]) == 2
    assert "--plan" in capsys.readouterr().err
