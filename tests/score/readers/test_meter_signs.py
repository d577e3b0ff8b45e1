"""Signs that stand for a meter: read from every format that has them, kept in excerpts, written again.

C is 4/4 and C with a stroke 2/2: MusicXML 4.0 (``time``, attribute ``symbol``), MEI 5 (``meter.sym``), the
Humdrum ``*met`` interpretation, the ABC standard 2.1, section 3.1.6.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from lxml import etree
from musicxml_text import attributes, bar, note, score

from understave.engraving.notation import to_mei
from understave.score.passage import passage
from understave.score.readers.abc import read_abc
from understave.score.readers.humdrum import read_humdrum
from understave.score.readers.mei import read_mei
from understave.score.readers.musicxml import read_musicxml

MEI = (
    '<mei xmlns="http://www.music-encoding.org/ns/mei" meiversion="5.0"><music><body><mdiv><score>'
    '<scoreDef {common}><staffGrp><staffDef n="1" lines="5"/></staffGrp></scoreDef><section>'
    "{bar}<scoreDef>{cut}</scoreDef>{bar}"
    '<scoreDef meter.count="4" meter.unit="4"/>{bar}</section></score></mdiv></body></music></mei>'
)
MEI_BAR = '<measure><staff n="1"><layer n="1"><note pname="c" oct="4" dur="1"/></layer></staff></measure>'


def musicxml():
    signed = [attributes().replace("<time>", f'<time symbol="{s}">') for s in ("common", "cut", "normal")]
    signed[1] = signed[1].replace("<beats>4</beats><beat-type>4", "<beats>2</beats><beat-type>2")
    bars = "".join(bar(a + note("C4", 16), str(k + 1)) for k, a in enumerate(signed))
    return read_musicxml(score(bars), "t.musicxml")


def mei(common, cut):
    return read_mei(MEI.format(common=common, cut=cut, bar=MEI_BAR).encode(), "t.mei")


def kern(*first):
    rows = (*first, "=1", "1c", "=2", "*M2/2", "*met(C|)", "1c", "=3", "*M4/4", "1c", "==", "*-")
    return read_humdrum("\n".join(("**kern", *rows)).encode(), "t.krn")


def abc():
    return read_abc(b"X:1\nM:C\nL:1/4\nK:C\nc4|[M:C|]c4|[M:4/4]c4|]\n", "t.abc")


SCORES = {
    "MusicXML": musicxml,
    "MEI, attributes": lambda: mei(
        'meter.count="4" meter.unit="4" meter.sym="common"', '<meterSig count="2" unit="2" sym="cut"/>'
    ),
    "MEI, signs alone": lambda: mei('meter.sym="common"', '<meterSig sym="cut"/>'),
    "Humdrum": lambda: kern("*M4/4", "*met(c)"),
    "Humdrum, the sign first": lambda: kern("*met(c)", "*M4/4"),
    "ABC": abc,
}


@pytest.mark.parametrize("name", SCORES)
def test_signs_are_read_and_written_again(name, schema):
    made = SCORES[name]()
    signs = [(m.beats, m.beat_type, m.symbol) for m in made.measures]
    assert signs == [(4, 4, "common"), (2, 2, "cut"), (4, 4, "")]
    # An excerpt is built anew; what it prints is what the piece prints.
    taken = passage(made, 0, 2)
    tree = etree.fromstring(taken.source)
    assert schema.validate(tree), schema.error_log.last_error
    assert [t.get("symbol") for t in tree.iter("time")] == ["common", "cut", None]
    assert [m.symbol for m in read_musicxml(taken.source).measures] == ["common", "cut", ""]
    assert re.findall(r'sym="(\w+)"', str(to_mei(taken.source))) == ["common", "cut"]


def test_a_sign_that_comes_back_after_figures_is_printed_again():
    made = read_abc(b"X:1\nM:4/4\nL:1/4\nK:C\nc4|[M:C]c4|c4|]\n", "t.abc")
    assert [m.symbol for m in made.measures] == ["", "common", "common"]
    times = [t.get("symbol") for t in etree.fromstring(made.source).iter("time")]
    assert times == [None, "common"]


@pytest.mark.parametrize(
    ("listed", "hidden"),
    [
        ('<part-name print-object="no">Part_1</part-name>', True),
        ("<part-name>Part_1</part-name>", False),
        ('<part-name print-object="no">Part_1</part-name><part-name-display/>', True),
        (
            '<part-name print-object="no">Part_1</part-name>'
            "<part-name-display><display-text>Soprano</display-text></part-name-display>",
            False,
        ),
        (
            '<part-name>Part_1</part-name><part-name-display print-object="no">'
            "<display-text>Part_1</display-text></part-name-display>",
            True,
        ),
    ],
)
def test_names_that_a_file_keeps_unprinted_stay_so_in_excerpts(listed, hidden, schema):
    music = bar(attributes() + note("C4", 16)) + bar(note("D4", 16), "2")
    text = score(music, music, names=("Part_1", "Bass"))
    made = read_musicxml(text.replace(b"<part-name>Part_1</part-name>", listed.encode()), "t.musicxml")
    assert [p.hidden for p in made.parts] == [hidden, False]
    taken = passage(made, 0, 1)
    assert schema.validate(etree.fromstring(taken.source)), schema.error_log.last_error
    assert ("Part_1" in str(to_mei(taken.source)).split("<section")[0]) is not hidden
    assert [p.hidden for p in read_musicxml(taken.source).parts] == [hidden, False]


def test_our_own_example_keeps_its_figures():
    made = read_musicxml(
        (Path(__file__).parents[3] / "examples" / "lock-water" / "score.musicxml").read_bytes()
    )
    assert {m.symbol for m in made.measures} == {""}
