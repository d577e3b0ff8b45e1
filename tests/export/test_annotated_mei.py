"""Annotated MEI: well placed, nothing of the notes lost, read alike by our reader and by verovio.

The schema of MEI is in no package of the registries, so the elements added are checked against the
Guidelines' own words (MEI 5: ``harm`` and ``dir`` are control events, in a measure, placed by ``tstamp``) and
against what verovio, the reference implementation, draws.
"""

from __future__ import annotations

import re
from fractions import Fraction
from pathlib import Path

import pytest
from lxml import etree
from tests.once import read, read_score

from understave.engraving.notation import MEI, XML_ID, to_mei
from understave.errors import UnderstaveError
from understave.export.annotated_mei import annotated_mei
from understave.harmony.reading import Reading
from understave.jobs.notation_worker import shared_worker
from understave.score.model import Score

EXAMPLES = sorted((Path(__file__).resolve().parents[2] / "examples").glob("*/score.musicxml"))


@pytest.fixture(scope="module", params=EXAMPLES, ids=lambda p: p.parent.name)
def made(request):
    score = read_score(request.param)
    reading = read(score)
    return score, reading, annotated_mei(score, reading)


def test_each_chord_stands_at_its_beat(made):
    score, reading, data = made
    root = etree.fromstring(data)
    found = []
    for measure in root.iter(f"{{{MEI}}}measure"):
        start = next(m.start for m in score.measures if m.id == measure.get(XML_ID))
        unit = next(m for m in score.measures if m.id == measure.get(XML_ID)).beat_type
        for harm in measure.findall(f"{{{MEI}}}harm"):
            moment = start + (Fraction(harm.get("tstamp")).limit_denominator(960) - 1) * Fraction(4, unit)
            found.append((moment, harm.text))
    assert sorted(found) == [(s.start, str(s.numeral)) for s in reading.spans]
    keys = [d.text for d in root.iter(f"{{{MEI}}}dir") if d.get("type") == "key"]
    changes = [
        s.key for a, s in zip((None, *reading.spans), reading.spans, strict=False) if not a or a.key != s.key
    ]
    assert len(keys) == len(changes)


def test_ids_are_unique_and_refer_to_something(made):
    root = etree.fromstring(made[2])
    ids = [e.get(XML_ID) for e in root.iter() if e.get(XML_ID)]
    assert len(ids) == len(set(ids))
    assert all(re.fullmatch(r"[A-Za-z_][\w.-]*", i) for i in ids)  # NCName, as xml:id has to be
    for e in root.iter():
        for name in ("startid", "endid"):
            assert not e.get(name) or e.get(name)[1:] in set(ids)


def test_taking_our_elements_out_leaves_what_verovio_wrote(made):
    score, _, data = made
    root = etree.fromstring(data)
    for element in root.xpath("//*[starts-with(@xml:id, 'understave-')]"):
        element.getparent().remove(element)
    original = etree.fromstring(to_mei(score.source))
    for application in original.iter(f"{{{MEI}}}application"):
        application.attrib.pop("isodate")
    flat = lambda r: [(e.tag, dict(e.attrib)) for e in r.iter() if isinstance(e.tag, str)]  # noqa: E731
    assert flat(root) == flat(original)


def test_our_own_reader_finds_the_same_notes(made, tmp_path):
    score, _, data = made
    (tmp_path / "a.mei").write_bytes(data)
    again = read_score(tmp_path / "a.mei")
    notes = lambda s: [(n.id, n.onset, n.duration, n.pitch, n.staff) for n in s.notes]  # noqa: E731
    assert notes(again) == notes(score)
    assert [m.number for m in again.measures] == [m.number for m in score.measures]


def test_verovio_draws_every_numeral(made):
    _, reading, data = made
    options = {"breaks": "none", "adjustPageWidth": True, "pageWidth": 100_000, "pageHeight": 60_000}
    svg = shared_worker().ask(data.decode(), [("renderToSVG", [1])], options, "The score")[0]
    drawn = re.findall(r'<g id="(understave-chord-[^"]+)" class="harm', svg)
    assert len(drawn) == len(reading.spans)


def test_the_same_score_gives_the_same_file(made):
    score, reading, data = made
    to_mei.cache_clear()
    assert annotated_mei(score, reading) == data


def test_a_score_without_notation_is_refused():
    with pytest.raises(UnderstaveError, match="no notation was kept"):
        annotated_mei(Score("", "", (), (), ()), Reading(()))
