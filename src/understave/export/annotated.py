"""The imported MusicXML with the reading written into it.

In: a Score (its `source` tree) and a Reading. Out: MusicXML 4.0 bytes. Everything of the original
stays; each chord becomes a `<harmony>` with `<root>`, `<bass>` and `<kind text=numeral>`, each
change of key a text below the staff. Their ids begin with ``understave-`` so that they can be taken
out again.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

from lxml import etree

from understave.errors import UnderstaveError
from understave.harmony.reading import Reading, Span
from understave.score.model import Score
from understave.theory.chord_symbol import musicxml_degrees, musicxml_kind
from understave.theory.names import key_name
from understave.theory.pitch import PitchClass

PREFIX = "understave-"


@dataclass(frozen=True, slots=True)
class _Slot:
    """A place in a measure where an element may stand, and the moment it means."""

    position: Fraction
    index: int


def annotated_musicxml(score: Score, reading: Reading) -> bytes:
    """Return the score with its harmony written in; raise UnderstaveError if it has no MusicXML."""
    if not score.source:
        raise UnderstaveError("This score cannot be written as MusicXML: no notation was kept on import.")
    root = etree.fromstring(score.source, etree.XMLParser(resolve_entities=False, no_network=True))
    part = root.findall("part")[-1]
    staff = score.parts[-1].last_staff - score.parts[-1].first_staff + 1
    starts = [m.start for m in score.measures]
    by_measure: dict[int, list[Span]] = {}
    for span in reading.spans:
        by_measure.setdefault(max(0, bisect_right(starts, span.start) - 1), []).append(span)
    new_keys = {s.start for s in reading.spans[:1]}
    new_keys |= {b.start for a, b in pairwise(reading.spans) if a.key != b.key}
    divisions = Fraction(1)
    for index, measure in enumerate(part.findall("measure")):
        slots, divisions_after = _slots(measure, divisions)
        # From the last span back, so that earlier slots keep their index.
        for span in reversed(by_measure.get(index, [])):
            position = span.start - score.measures[index].start
            slot = max((s for s in slots if s.position <= position), key=lambda s: (s.position, -s.index))
            local = _divisions_before(measure, slot.index, divisions)
            offset = (position - slot.position) * local
            elements = [_harmony(span, offset, staff)]
            if span.start in new_keys:
                elements.insert(0, _key_text(span, offset, staff))
            for element in reversed(elements):
                measure.insert(slot.index, element)
        divisions = divisions_after
    root.set("version", "4.0")
    doctype = (
        '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" '
        '"http://www.musicxml.org/dtds/partwise.dtd">'
    )
    data: bytes = etree.tostring(root, encoding="UTF-8", xml_declaration=True, doctype=doctype)
    return data


def _slots(measure: etree._Element, divisions: Fraction) -> tuple[list[_Slot], Fraction]:
    slots: list[_Slot] = []
    position = Fraction(0)
    for index, child in enumerate(measure):
        if child.tag == "attributes":
            divisions = Fraction(child.findtext("divisions") or divisions)
        elif child.tag == "note":
            if child.find("chord") is None:
                slots.append(_Slot(position, index))
                if child.find("grace") is None:
                    position += _duration(child, divisions)
        elif child.tag == "backup":
            position -= _duration(child, divisions)
        elif child.tag == "forward":
            position += _duration(child, divisions)
    if not any(s.position == 0 for s in slots):
        first = next(
            (i for i, c in enumerate(measure) if c.tag not in ("print", "attributes", "barline")),
            len(measure),
        )
        slots.insert(0, _Slot(Fraction(0), first))
    return slots, divisions


def _duration(element: etree._Element, divisions: Fraction) -> Fraction:
    return Fraction(element.findtext("duration") or 0) / divisions


def _divisions_before(measure: etree._Element, index: int, divisions: Fraction) -> Fraction:
    for child in list(measure)[:index]:
        if child.tag == "attributes":
            divisions = Fraction(child.findtext("divisions") or divisions)
    return divisions


def _name(tag: str, prefix: str, pitch_class: PitchClass) -> etree._Element:
    element = etree.Element(tag)
    etree.SubElement(element, f"{prefix}-step").text = pitch_class.letter
    if pitch_class.alter:
        etree.SubElement(element, f"{prefix}-alter").text = str(pitch_class.alter)
    return element


def _offset_and_staff(element: etree._Element, offset: Fraction, staff: int) -> None:
    if offset:
        whole = offset.denominator == 1
        etree.SubElement(element, "offset").text = str(offset) if whole else f"{float(offset):.6f}"
    etree.SubElement(element, "staff").text = str(staff)


def _harmony(span: Span, offset: Fraction, staff: int) -> etree._Element:
    chord = span.numeral.chord(span.key)
    element = etree.Element("harmony", placement="below", id=f"{PREFIX}chord-{_at(span)}")
    element.append(_name("root", "root", chord.root))
    etree.SubElement(element, "kind", text=str(span.numeral)).text = musicxml_kind(chord.quality)
    if chord.inversion:
        etree.SubElement(element, "inversion").text = str(chord.inversion)
        element.append(_name("bass", "bass", chord.bass))
    for degree in musicxml_degrees(chord):
        child = etree.SubElement(element, "degree")
        etree.SubElement(child, "degree-value").text = str(degree.value)
        etree.SubElement(child, "degree-alter").text = str(degree.alter)
        etree.SubElement(child, "degree-type").text = degree.type
    _offset_and_staff(element, offset, staff)
    return element


def _key_text(span: Span, offset: Fraction, staff: int) -> etree._Element:
    element = etree.Element("direction", placement="below", id=f"{PREFIX}key-{_at(span)}")
    words = etree.SubElement(etree.SubElement(element, "direction-type"), "words")
    words.text = key_name(span.key)
    _offset_and_staff(element, offset, staff)
    return element


def _at(span: Span) -> str:
    return str(span.start).replace("/", "_")
