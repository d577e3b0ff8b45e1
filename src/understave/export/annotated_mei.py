"""The score as MEI with the reading written into it.

In: a Score and its Reading. Out: MEI bytes, made by verovio from the score's MusicXML, every id kept. Each
chord becomes a ``<harm>`` with the numeral as its text (its root and kind where there are no keys to speak of
and the teacher has not set it), each change of key a ``<dir>`` below the staff (MEI
Guidelines 5, chapters 4.3 and 8.3: a harmony indication is placed by ``tstamp``, its beat in the measure).
Their ids begin as those of `score.proposals.HARMONY`, so that every reading takes them out again.

The engraver declares the schema that is under way (6.0-dev), which no other program is bound to know. What it
writes of piano music keeps to the last released one, so that one is declared; `tests/export` holds the names
of elements and attributes it may use.
"""

from __future__ import annotations

import re
from fractions import Fraction

from lxml import etree

from understave.engraving.notation import MEI, XML_ID, to_mei
from understave.errors import UnderstaveError
from understave.export.annotated import CHORD, KEY, labelled_part
from understave.harmony.reading import Reading
from understave.score.model import Measure, Score
from understave.theory.chord_symbol import chord_symbol
from understave.theory.key import Key
from understave.theory.names import key_name

VERSION = "5.1"
"""The released version of MEI that is declared."""
_SCHEMA = f"https://music-encoding.org/schema/{VERSION}/mei-all.rng"
_HREF = re.compile(r'href="[^"]*"')


def annotated_mei(score: Score, reading: Reading) -> bytes:
    """Return the score as MEI with its harmony written in; raise UnderstaveError if it has no notation."""
    if not score.source:
        raise UnderstaveError("This score cannot be written as MEI: no notation was kept on import.")
    root = etree.fromstring(to_mei(score.source))
    # When it was converted is no part of the music: the same score always gives the same file.
    for application in root.iter(f"{{{MEI}}}application"):
        if "isodate" in application.attrib:
            del application.attrib["isodate"]
    measures = {element.get(XML_ID): element for element in root.iter(f"{{{MEI}}}measure")}
    staff = str(labelled_part(score).last_staff)
    key: Key | None = None
    for span in reading.spans:
        measure = score.measure_at(span.start)
        place = {"staff": staff, "tstamp": _tstamp(measure, span.start), "place": "below"}
        parent = measures.get(measure.id)
        if parent is None:
            raise UnderstaveError(
                f"Measure {measure.number} cannot be written as MEI: it has no counterpart in the notation."
            )
        at = str(span.start).replace("/", "_")
        if not span.in_a_key:
            harm = etree.SubElement(
                parent, f"{{{MEI}}}harm", {XML_ID: f"{CHORD}{at}", "type": "chord-symbol", **place}
            )
            harm.text = chord_symbol(span.numeral.chord(span.key))
            continue
        if span.key != key:
            words = etree.SubElement(parent, f"{{{MEI}}}dir", {XML_ID: f"{KEY}{at}", "type": "key", **place})
            words.text = key_name(span.key)
            key = span.key
        harm = etree.SubElement(
            parent, f"{{{MEI}}}harm", {XML_ID: f"{CHORD}{at}", "type": "roman-numeral", **place}
        )
        harm.text = str(span.numeral)
    _declare(root)
    made: bytes = etree.tostring(root.getroottree(), xml_declaration=True, encoding="UTF-8")
    return made


def _declare(root: etree._Element) -> None:
    """Say which version of MEI the file keeps to, and where its schema lies (W3C, "xml-model")."""
    root.set("meiversion", VERSION)
    for before in root.itersiblings(preceding=True):
        if isinstance(before, etree._ProcessingInstruction) and before.target == "xml-model":
            before.text = _HREF.sub(f'href="{_SCHEMA}"', before.text or "")


def _tstamp(measure: Measure, moment: Fraction) -> str:
    """The beat in the measure as MEI counts: from 1, in units of the meter's denominator."""
    beat = 1 + (moment - measure.start) * Fraction(measure.beat_type, 4)
    return f"{float(beat):.6f}".rstrip("0").rstrip(".")
