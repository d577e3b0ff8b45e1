"""Our notes against those of two reference readers, partitura and music21, on scores of the music21 corpus.

Onset (bar, place in the bar, and moment from the start), duration with ties joined, spelling, octave
and staff must be the same for at least 99.5 % of the notes of every file. `python -m
benchmarks.score_agreement` does the same for whole sets and lists what disagrees.
"""

from __future__ import annotations

import sys
from importlib.util import find_spec
from pathlib import Path

import pytest

# Loading it takes seconds, and each worker of a run collects this file: it is loaded where it reads.
if find_spec("partitura") is None:
    pytest.skip("the package partitura is not installed", allow_module_level=True)
pytest.importorskip("music21")
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import music21
from benchmarks.score_agreement import agreement, compare, our_notes
from lxml import etree

from understave.score import xmltree
from understave.score.reader import read_score
from understave.score.readers import mxl
from understave.score.readers.musicxml import read_musicxml

PACKAGE = Path(music21.__file__).parent
CORPUS = PACKAGE / "corpus"
SUITE = PACKAGE / "musicxml" / "lilypondTestSuite"

FILES = (
    "bach/bwv66.6.mxl",
    "bach/bwv248.53-5.mxl",
    "bach/bwv17.7.mxl",
    "bach/bwv846.mxl",
    "cpebach/h186.mxl",
    "bach/bwv190.7-inst.mxl",
    "haydn/opus1no1/movement1.mxl",
    "haydn/opus1no1/movement3.mxl",
    "haydn/opus74no1/movement3.mxl",
    "johnson_j_r/lift_every_voice.mxl",
    "joplin/maple_leaf_rag.mxl",
    "haydn/opus1no1/movement5.mxl",
    "lusitano/allor_che_ignuda.mxl",
    "monteverdi/madrigal.4.2.mxl",
    "monteverdi/madrigal.5.1.mxl",
    "schoenberg/opus19/movement2.mxl",
    "schoenberg/opus19/movement6.mxl",
    "schubert/Lindenbaum.xml",
    "schumann_clara/opus17/movement3.xml",
    "schumann_clara/polonaise_op1n1.mxl",
    "schumann_robert/opus41no1/movement2.mxl",
    "schumann_robert/opus41no1/movement4.mxl",
    "trecento/PMFC_06-Jacopo-03b-Di_Novo.xml",
    "verdi/laDonnaEMobile.mxl",
    "webern/webern_dormi_jesu_op_16_no_2.mxl",
)


@pytest.mark.parametrize("reference", ["partitura", "music21"])
@pytest.mark.parametrize("name", FILES)
def test_notes_agree(name, reference):
    path = CORPUS / name
    if not path.exists():
        pytest.skip(f"{name} is not in this version of the corpus")
    tally, lines = agreement(path, reference, read_score(path))
    if tally.failed:
        pytest.skip(f"{reference} cannot read {name}: {lines[0]}")
    assert tally.ours > 20
    assert tally.agree >= 0.995 * tally.larger, "\n".join(lines[:20])
    # From the first bar on that the reference lets its parts begin at different moments, it has no
    # one moment to compare with.
    assert tally.onset + tally.classes["parts drift"] >= 0.995 * tally.larger, "\n".join(lines[:20])


def test_the_comparison_sees_differences():
    score = read_score(CORPUS / FILES[0])
    ours = our_notes(score)
    assert compare(ours, ours)[0].agree == len(ours)
    (mark, moment), *rest = ours
    for change, name in (
        ({"duration": mark.duration + 1}, "duration"),
        ({"staff": 4}, "staff"),
        ({"alter": mark.alter + 1}, "spelling"),
        ({"place": mark.place + 0.5}, "place in bar"),
    ):
        tally, lines = compare(ours, [(mark._replace(**change), moment), *rest])
        assert tally.agree == len(ours) - 1
        assert tally.classes[name] == 1
        assert len(lines) == 1


# The unofficial MusicXML test suite (R. Kainhofer and others), carried by the music21 package: what its
# own descriptions say, written out here as values.


def suite(name):
    path = SUITE / name
    if not path.exists():
        pytest.skip("this version of music21 does not carry the suite")
    return read_score(path)


def test_suite_transposing_instruments():
    # "Trumpet in Bb, Horn in Eb, Piano": all play the same notes, a C major scale at concert pitch.
    got = suite("72a-TransposingInstruments.xml")
    heard = [[n.pitch.midi % 12 for n in got.notes if n.part == p][:8] for p in range(3)]
    assert heard[0] == heard[1] == heard[2]
    assert got.measures[0].signature == 0


def test_suite_tuplets():
    # "3:2, 3:2, 3:2, 4:2, 4:1, 7:3, 6:2".
    got = suite("23a-Tuplets.xml")
    ratios = [
        (int(e.findtext("actual-notes")), int(e.findtext("normal-notes")))
        for e in etree.fromstring(got.source).iter("time-modification")
    ]
    assert {(3, 2), (4, 2), (4, 1), (7, 3), (6, 2)} == set(ratios)
    assert all(m.length == m.full_length for m in got.measures)


def test_suite_pickup_and_implicit_bars():
    # "A pickup measure, and a first measure split in two by implicit measures".
    got = suite("46d-PickupMeasure-ImplicitMeasures.xml")
    assert got.measures[0].offset + got.measures[0].length == got.measures[0].full_length
    assert got.warnings == ()


def test_suite_repeat_with_alternatives():
    got = suite("45b-RepeatWithAlternatives.xml")
    assert [m.ending for m in got.measures if m.ending][:2] == [(1,), (2,)]


def test_suite_octave_shifts():
    got = suite("33d-Spanners-OctaveShifts.xml")
    shifts = {d.text for d in got.directions if d.kind == "ottava"}
    assert shifts == {"15ma", "15mb", "8va", "8vb"}
    assert all(d.end is not None for d in got.directions if d.kind == "ottava")


def test_suite_compressed():
    assert len(suite("90a-Compressed-MusicXML.mxl").notes) == 4


def test_suite_chord_with_directions_in_between():
    # "A chord with another element in between its notes".
    got = suite("21f-Chord-ElementInBetween.xml")
    assert len({(n.onset, n.duration) for n in got.notes}) == 1


# Nothing of the original is lost ------------------------------------------------------------------------


@pytest.mark.parametrize("name", FILES[::3])
def test_the_source_is_the_original_with_ids(name):
    path = CORPUS / name
    if not path.exists():
        pytest.skip(f"{name} is not in this version of the corpus")
    data = path.read_bytes()
    data = mxl.unpack(data, name) if mxl.is_zip(data) else data
    before = xmltree.parse(data, name)
    got = read_musicxml(data, name)
    after = etree.fromstring(got.source)
    for e in after.iter("note", "measure", "direction", "harmony", "sound", "barline"):
        e.attrib.pop("id", None)
    assert etree.tostring(before, method="c14n") == etree.tostring(after, method="c14n")
    again = read_musicxml(got.source, name)
    assert again.notes == got.notes
    assert again.measures == got.measures
    assert again.directions == got.directions
