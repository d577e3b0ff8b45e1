"""The imported MusicXML with the reading written into it.

In: a Score (its `source` tree) and a Reading. Out: MusicXML 4.0 bytes. Everything of the original
stays; each chord becomes a `<harmony>` with `<root>`, `<bass>` and `<kind text=numeral>`, each
change of key a text below the staff. Their ids begin with ``understave-`` so that they can be taken
out again.
"""

from __future__ import annotations

from lxml import etree

from understave.errors import UnderstaveError
from understave.harmony.reading import Reading, Span
from understave.score.model import Score
from understave.score.write import Insertion, insert_all
from understave.score.xmltree import parse, to_bytes
from understave.theory.chord_symbol import musicxml_degrees, musicxml_kind
from understave.theory.key import Key
from understave.theory.names import key_name
from understave.theory.pitch import PitchClass

PREFIX = "understave-"


def annotated_musicxml(score: Score, reading: Reading) -> bytes:
    """Return the score with its harmony written in; raise UnderstaveError if it has no MusicXML."""
    if not score.source:
        raise UnderstaveError("This score cannot be written as MusicXML: no notation was kept on import.")
    root = parse(score.source, score.title or "the score")
    staff = score.parts[-1].last_staff
    insertions = []
    key: Key | None = None
    for span in reading.spans:
        measure = score.measure_at(span.start)
        elements = [_harmony(span)] if span.key == key else [_key_text(span), _harmony(span)]
        key = span.key
        insertions += [Insertion(measure.index, span.start - measure.start, staff, e) for e in elements]
    insert_all(root, insertions)
    root.set("version", "4.0")
    return to_bytes(root)


def _name(tag: str, pitch_class: PitchClass) -> etree._Element:
    element = etree.Element(tag)
    etree.SubElement(element, f"{tag}-step").text = pitch_class.letter
    if pitch_class.alter:
        etree.SubElement(element, f"{tag}-alter").text = str(pitch_class.alter)
    return element


def _harmony(span: Span) -> etree._Element:
    chord = span.numeral.chord(span.key)
    element = etree.Element("harmony", placement="below", id=f"{PREFIX}chord-{_at(span)}")
    element.append(_name("root", chord.root))
    etree.SubElement(element, "kind", text=str(span.numeral)).text = musicxml_kind(chord.quality)
    if chord.inversion:
        etree.SubElement(element, "inversion").text = str(chord.inversion)
        element.append(_name("bass", chord.bass))
    for degree in musicxml_degrees(chord):
        child = etree.SubElement(element, "degree")
        etree.SubElement(child, "degree-value").text = str(degree.value)
        etree.SubElement(child, "degree-alter").text = str(degree.alter)
        etree.SubElement(child, "degree-type").text = degree.type
    return element


def _key_text(span: Span) -> etree._Element:
    element = etree.Element("direction", placement="below", id=f"{PREFIX}key-{_at(span)}")
    words = etree.SubElement(etree.SubElement(element, "direction-type"), "words")
    words.text = key_name(span.key)
    return element


def _at(span: Span) -> str:
    return str(span.start).replace("/", "_")
