"""Annotated MusicXML: valid, nothing of the original lost, read alike by a reference library."""

from collections import Counter
from pathlib import Path

import pytest
from lxml import etree
from music21 import converter, harmony

from understave.errors import UnderstaveError
from understave.export.annotated import PREFIX, annotated_musicxml
from understave.harmony import read
from understave.harmony.reading import Reading
from understave.score.model import Score
from understave.score.reader import read_score

EXAMPLES = sorted((Path(__file__).resolve().parents[2] / "examples").glob("*/score.musicxml"))


@pytest.fixture(scope="module", params=EXAMPLES, ids=lambda p: p.parent.name)
def made(request):
    score = read_score(request.param)
    reading = read(score)
    return request.param, score, reading, annotated_musicxml(score, reading)


def test_it_is_valid_musicxml_4(made, schema):
    tree = etree.fromstring(made[3])
    assert schema.validate(tree), schema.error_log.last_error


def test_taking_our_elements_out_leaves_the_original(made):
    _, score, _, data = made
    tree = etree.fromstring(data)
    for element in tree.xpath(f"//*[starts-with(@id, '{PREFIX}')]"):
        element.getparent().remove(element)
    original = etree.fromstring(score.source)
    assert Counter(e.tag for e in tree.iter()) == Counter(e.tag for e in original.iter())
    assert [e.attrib.get("id") for e in tree.iter("note")] == [
        e.attrib.get("id") for e in original.iter("note")
    ]


def test_it_reads_back_to_the_same_notes(made, tmp_path):
    _, score, _, data = made
    (tmp_path / "a.musicxml").write_bytes(data)
    assert read_score(tmp_path / "a.musicxml").notes == score.notes


def test_music21_finds_each_chord_where_the_reading_says(made, tmp_path):
    _, score, reading, data = made
    (tmp_path / "a.musicxml").write_bytes(data)
    found = [
        (h.measureNumber, float(h.getOffsetInHierarchy(part)), h.root().name.replace("-", "b"))
        for part in converter.parse(tmp_path / "a.musicxml").parts
        for h in part.recurse().getElementsByClass(harmony.ChordSymbol)
    ]
    wanted = [
        (int(score.measure_at(s.start).number), float(s.start), s.numeral.chord(s.key).root.name)
        for s in reading.spans
    ]
    assert [f[1] for f in found] == [w[1] for w in wanted]
    # music21 names the root of an augmented sixth by its own rule; all others must agree.
    plain = [i for i, s in enumerate(reading.spans) if not s.numeral.special]
    assert [found[i][2] for i in plain] == [wanted[i][2] for i in plain]


def test_a_score_without_notation_is_refused():
    empty = Score("", "", (), (), ())
    with pytest.raises(UnderstaveError, match="no notation"):
        annotated_musicxml(empty, Reading(()))
