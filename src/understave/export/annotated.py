"""The imported MusicXML with the reading written into it.

In: a Score (its `source` tree) and a Reading. Out: MusicXML 4.0 bytes. Everything of the original stays. Each
chord becomes a `<harmony>` with `<numeral>`, each change of key a text below the staff; with `chord_symbols`
each chord stands above the staff too, as a `<harmony>` with `<root>`: the specification has the two as either
or (W3C Music Notation Community Group, MusicXML 4.0, group harmony-chord). Where there are no keys to speak
of (`convention_choices.by_roots`) chords stand above alone, but for what the teacher has set. Their ids begin
as those of `score.proposals.HARMONY`, so that they can be taken out again, which `remove_harmony` and every
reading do.

How a numeral is written:

- `numeral-root` is the degree, `numeral-alter` its distance from the scale of the key. In minor
  `numeral-mode` says which scale that is: natural, or with raised seventh (harmonic), or with raised sixth
  and seventh (melodic), so that vii° and vi° need no alteration.
- `numeral-key` is given where the key differs from the signature or the signature names no mode. It is not
  printed: the text below the staff names the key.
- An applied chord is a chord on a chord (V of II is 5, then 2). The specification names no scale for the
  upper one; its alteration is the accidental printed.
- `text` holds what is to be seen. The figures stand in the kind's, which therefore speaks for inversion,
  degrees and the chord applied to as well; theirs is empty, as the specification asks where one text speaks
  for another element.
"""

from __future__ import annotations

from collections.abc import Iterator

from lxml import etree

from understave.errors import UnderstaveError
from understave.harmony.reading import Reading, Span
from understave.score.model import Measure, Part, Score
from understave.score.proposals import HARMONY
from understave.score.write import Insertion, insert_all
from understave.score.xmltree import parse, to_bytes
from understave.theory.chord import Chord, Quality
from understave.theory.chord_symbol import musicxml_degrees, musicxml_kind, symbol_chord, symbol_suffix
from understave.theory.key import Key
from understave.theory.names import key_name
from understave.theory.numeral_places import NUMERALS, RAISED, SCALE
from understave.theory.pitch import PitchClass
from understave.theory.roman import RomanNumeral
from understave.theory.vocabulary import Language

CHORD, SYMBOL, KEY = HARMONY.prefixes
"""How the ids of numerals, chord symbols and names of keys begin."""


def annotated_musicxml(
    score: Score, reading: Reading, chord_symbols: bool = False, language: Language = "en"
) -> bytes:
    """Return the score with its harmony written in; raise UnderstaveError if it has no MusicXML."""
    if not score.source:
        raise UnderstaveError("This score cannot be written as MusicXML: no notation was kept on import.")
    root = parse(score.source, score.title or "the score")
    HARMONY.take_out(root)
    part = labelled_part(score)
    insertions = []
    key: Key | None = None
    for span in reading.spans:
        measure = score.measure_at(span.start)
        below = []
        if span.in_a_key:
            below = [] if span.key == key else [_key_text(span, language)]
            below.append(_numeral_harmony(span, measure))
            key = span.key
        at = (measure.index, span.start - measure.start)
        if chord_symbols or not below:
            insertions.append(Insertion(*at, part.first_staff, _symbol_harmony(span)))
        insertions += [Insertion(*at, part.last_staff, element) for element in below]
    insert_all(root, insertions)
    HARMONY.call_version_4(root)
    return to_bytes(root)


def remove_harmony(xml: bytes) -> bytes:
    """Take what `annotated_musicxml` wrote out of MusicXML; other bytes come back unchanged."""
    if HARMONY.target.encode() not in xml:
        return xml
    root = parse(xml, "the score")
    HARMONY.take_out(root)
    return to_bytes(root)


def labelled_part(score: Score) -> Part:
    """Return the part under which chords are written: the lowest that is written as it sounds.

    In the part of a transposing instrument chords would be read as transposed with it.
    """
    transposing = {
        note.part
        for note in score.notes
        if (note.written.letter, note.written.alter) != (note.pitch.letter, note.pitch.alter)
    }
    plain = [part for k, part in enumerate(score.parts) if k not in transposing]
    return (plain or list(score.parts))[-1]


def _numeral_harmony(span: Span, measure: Measure) -> etree._Element:
    """The chord as scale degrees: the chord itself first, then the chords it is applied to."""
    element = etree.Element("harmony", placement="below", id=CHORD + _at(span))
    chain = (span.numeral, *span.numeral.applied)
    chord = span.numeral.chord(span.key)
    for k, numeral in enumerate(chain):
        home = k == len(chain) - 1
        scale, alter = _in_key(numeral, span.key) if home else ("", _applied_alter(numeral))
        # What is altered in print too shows its accidental at the left, and its letters with the figures.
        accidental = k == 0 and not numeral.special and alter == numeral.alter != 0
        head = "" if k else _letters(numeral) if accidental or numeral.special else _plain_head(numeral)
        box = etree.SubElement(element, "numeral")
        root = etree.SubElement(box, "numeral-root", text="" if accidental else head)
        root.text = str(numeral.degree)
        if alter:
            hidden = {} if accidental else {"print-object": "no"}
            etree.SubElement(box, "numeral-alter", hidden).text = str(alter)
        if scale and (measure.signature, measure.mode) != (span.key.signature, scale):
            key = etree.SubElement(box, "numeral-key", {"print-object": "no"})
            etree.SubElement(key, "numeral-fifths").text = str(span.key.signature)
            etree.SubElement(key, "numeral-mode").text = scale
        text = "" if k else (head if accidental else "") + _figures(numeral)
        kind = etree.SubElement(element, "kind", text=text)
        kind.text = _kind(numeral, chord if k == 0 else numeral.chord(span.key))
        if k == 0:
            element.extend(_position(chord))
    return element


def _in_key(numeral: RomanNumeral, key: Key) -> tuple[str, int]:
    """The scale that a numeral stands in, as a numeral-mode, and its root's distance from that scale."""
    place = numeral.chord(key).root.fifths - key.tonic.fifths
    if key.mode == "minor" and place == RAISED.get(numeral.degree):
        return ("harmonic minor" if numeral.degree == 7 else "melodic minor"), 0
    return key.mode, (place - SCALE[key.mode][numeral.degree - 1]) // 7


def _applied_alter(numeral: RomanNumeral) -> int:
    """The alteration of a chord applied to another; an augmented sixth's root is raised, It and Ger alike."""
    if numeral.special in ("It", "Ger"):
        return 1
    return -1 if numeral.special == "N" else numeral.alter


def _letters(numeral: RomanNumeral) -> str:
    if numeral.special:
        return numeral.special
    letters = NUMERALS[numeral.degree - 1]
    return letters.lower() if numeral.style[0] else letters


def _plain_head(numeral: RomanNumeral) -> str:
    """The letters with the accidental that is printed without altering anything, such as the one of ♭VI."""
    return numeral.head.removesuffix(_sign(numeral))


def _sign(numeral: RomanNumeral) -> str:
    return "" if numeral.special else numeral.style[1].replace("o", "°")


def _figures(numeral: RomanNumeral) -> str:
    return _sign(numeral) + "".join(numeral.figures) + numeral.target


def _kind(numeral: RomanNumeral, chord: Chord) -> str:
    # That kind is the triad; with a seventh the chord says what it is by its own kind.
    if numeral.special == "N" and chord.quality is Quality.MAJOR:
        return "Neapolitan"
    return musicxml_kind(chord.quality)


def _position(chord: Chord) -> Iterator[etree._Element]:
    """Inversion and degrees; none is printed, the kind's text has their figures."""
    if chord.inversion:
        inversion = etree.Element("inversion", text="")
        inversion.text = str(chord.inversion)
        yield inversion
    for degree in musicxml_degrees(chord):
        element = etree.Element("degree", {"print-object": "no"})
        etree.SubElement(element, "degree-value").text = str(degree.value)
        etree.SubElement(element, "degree-alter").text = str(degree.alter)
        etree.SubElement(element, "degree-type").text = degree.type
        yield element


def _symbol_harmony(span: Span) -> etree._Element:
    """The chord as a chord symbol; an augmented sixth as the dominant seventh it sounds like."""
    element = etree.Element("harmony", placement="above", id=SYMBOL + _at(span))
    symbol = symbol_chord(span.numeral.chord(span.key))
    element.append(_name("root", symbol.root))
    text = symbol_suffix(symbol).replace("b", "♭").replace("#", "♯")
    etree.SubElement(element, "kind", text=text).text = musicxml_kind(symbol.quality)
    # The bass note tells the inversion; the degrees stand in the text.
    if symbol.bass != symbol.root:
        element.append(_name("bass", symbol.bass))
    element.extend(element for element in _position(symbol) if element.tag == "degree")
    return element


def _name(tag: str, pitch_class: PitchClass) -> etree._Element:
    element = etree.Element(tag)
    etree.SubElement(element, f"{tag}-step").text = pitch_class.letter
    if pitch_class.alter:
        etree.SubElement(element, f"{tag}-alter").text = str(pitch_class.alter)
    return element


def _key_text(span: Span, language: Language) -> etree._Element:
    element = etree.Element("direction", placement="below", id=KEY + _at(span))
    words = etree.SubElement(etree.SubElement(element, "direction-type"), "words")
    words.text = key_name(span.key, language)
    return element


def _at(span: Span) -> str:
    return str(span.start).replace("/", "_")
