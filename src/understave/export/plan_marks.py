"""The plan as marks in MusicXML, which can be taken out again.

In: MusicXML bytes of a Score (its `source`, or that with the harmony written in) and a `Plan`. Out: the
same with wedges, dynamics, pedal marks with their depth, the sostenuto pedal, and accents on the notes to
lean on. Each of these carries an id that begins with ``understave-plan-`` and a `<level>` that says it is a
proposal, as MusicXML 4.0 provides for editorial additions; what the composer printed is not touched.
`remove_plan` takes them out again and leaves every byte as it was.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from fractions import Fraction

from lxml import etree

from understave.errors import UnderstaveError
from understave.interpretation.plan import Hairpin, PedalMove, Plan, Sustained
from understave.score.model import Score
from understave.score.proposals import PLAN
from understave.score.write import Insertion, insert_all
from understave.score.xmltree import parse, to_bytes

PREFIX = PLAN.prefixes[0]
_LEVEL = "proposed"
_DYNAMICS = frozenset(
    (
        "p",
        "pp",
        "ppp",
        "pppp",
        "mp",
        "mf",
        "f",
        "ff",
        "fff",
        "ffff",
        "fp",
        "sf",
        "sfz",
        "sffz",
        "fz",
        "rf",
        "rfz",
    )
)
# Numbers 1 to 3 are what notation programs give the composer's own hairpins.
_WEDGE_NUMBERS = ("5", "6")
_MIDDLE = "6"
"""Number of the middle pedal, so that its stop does not end the right one."""
_ACCENTS = ("accent", "strong-accent", "soft-accent", "stress", "tenuto")
# What may stand after the notations of a note (MusicXML 4.0, note type).
_AFTER_NOTATIONS = ("lyric", "play", "listen")


def with_plan(xml: bytes, score: Score, plan: Plan) -> bytes:
    """Write a plan into the MusicXML of a score; marks that the composer printed are not repeated.

    `xml` may carry a plan already: it is replaced. Raises UnderstaveError if it is not a score with the
    notes and bars of `score`.
    """
    if not xml:
        raise UnderstaveError("This score cannot be written as MusicXML: no notation was kept on import.")
    root = parse(remove_plan(xml), score.title or "the score")
    top, bottom = score.parts[-1].first_staff, score.parts[-1].last_staff
    marks: list[tuple[Fraction, bool, int, etree._Element]] = []
    for k, mark in enumerate(plan.marks):
        if mark.origin == "proposed":
            inner = etree.Element("dynamics")
            name = mark.mark if mark.mark in _DYNAMICS else "other-dynamics"
            child = etree.SubElement(inner, name)
            if name == "other-dynamics":
                child.text = mark.mark
            marks.append((mark.moment, True, top, _direction(inner, f"dynamic-{k}")))
    open_until = [Fraction(-1)] * len(_WEDGE_NUMBERS)
    for k, hairpin in enumerate(plan.hairpins):
        if hairpin.origin == "proposed":
            free = next((n for n, t in enumerate(open_until) if t <= hairpin.start), None)
            if free is not None:
                open_until[free] = hairpin.end
                marks += [
                    (t, on, top, element) for t, on, element in _wedges(hairpin, k, _WEDGE_NUMBERS[free])
                ]
    marks += [(t, True, bottom, element) for t, element in _pedal_marks(plan.pedal)]
    marks += [(t, on, bottom, element) for t, on, element in _middle_pedal(plan.sustained)]
    # At one moment lines end before others begin.
    marks.sort(key=lambda m: (m[0], m[1]))
    insert_all(root, [_insertion(score, moment, staff, element) for moment, _, staff, element in marks])
    _accent(root, score, plan)
    PLAN.call_version_4(root)
    return to_bytes(root)


def remove_plan(xml: bytes) -> bytes:
    """Take everything that `with_plan` wrote out of MusicXML again; other bytes come back unchanged."""
    if PLAN.target.encode() not in xml:
        return xml
    root = parse(xml, "the score")
    PLAN.take_out(root)
    return to_bytes(root)


def _direction(inner: etree._Element, name: str, **sound: str) -> etree._Element:
    element = etree.Element("direction", placement="below", id=PREFIX + name)
    etree.SubElement(element, "direction-type").append(inner)
    etree.SubElement(element, "level", bracket="yes").text = _LEVEL
    if sound:
        etree.SubElement(element, "sound", {name.replace("_", "-"): value for name, value in sound.items()})
    return element


def _wedges(hairpin: Hairpin, index: int, number: str) -> Iterator[tuple[Fraction, bool, etree._Element]]:
    """The ends of a hairpin's wedges, each with its moment and whether it begins there."""
    for kind, start, end in (
        ("crescendo", hairpin.start, hairpin.loudest),
        ("diminuendo", hairpin.loudest, hairpin.end),
    ):
        if start < end:
            for what, moment in ((kind, start), ("stop", end)):
                wedge = etree.Element("wedge", type=what, number=number)
                yield moment, what != "stop", _direction(wedge, f"wedge-{index}-{kind[:3]}-{what[:4]}")


def _pedal_marks(moves: tuple[PedalMove, ...]) -> Iterator[tuple[Fraction, etree._Element]]:
    """Pedal marks of the proposed moves, each with the depth to press to in its sound element."""
    down = False
    for k, move in enumerate(moves):
        kind = ("change" if down else "start") if move.depth > 0 else "stop" if down else ""
        down = move.depth > 0
        if kind and move.origin == "proposed":
            pedal = etree.Element("pedal", type=kind, line="yes", sign="no")
            depth = f"{100 * max(0.0, min(1.0, move.depth)):.0f}"
            element = _direction(pedal, f"pedal-{k}", damper_pedal=depth)
            if move.flutter:
                words = etree.Element("direction-type")
                etree.SubElement(words, "words").text = "flutter ped."
                element.insert(1, words)
            yield move.moment, element


def _middle_pedal(sustained: Iterable[Sustained]) -> Iterator[tuple[Fraction, bool, etree._Element]]:
    """The ends of what the sostenuto pedal is to hold, each with its moment and whether it begins there."""
    for k, held in enumerate(sustained):
        for kind, moment, heard in (("sostenuto", held.start, "yes"), ("stop", held.end, "no")):
            pedal = etree.Element("pedal", type=kind, number=_MIDDLE, line="no", sign="yes")
            yield moment, kind != "stop", _direction(pedal, f"middle-{k}-{kind}", sostenuto_pedal=heard)


def _insertion(score: Score, moment: Fraction, staff: int, element: etree._Element) -> Insertion:
    measure = score.measure_at(moment)
    return Insertion(measure.index, min(moment, score.end) - measure.start, staff, element)


def _accent(root: etree._Element, score: Score, plan: Plan) -> None:
    """Put accents over the notes to lean on, unless the composer did; in notations of their own."""
    written = {element.get("id"): element for element in root.iter("note")}
    for voice in plan.voices:
        note = score.note_by_id.get(voice.note)
        element = written.get(note.id) if note is not None and voice.lean else None
        if note is None or element is None or any(a in _ACCENTS for a in note.articulations):
            continue
        box = etree.Element("notations", id=f"{PREFIX}accent-{note.id}")
        etree.SubElement(box, "level", bracket="yes").text = _LEVEL
        etree.SubElement(etree.SubElement(box, "articulations"), "accent")
        after = next((c for c in element if c.tag in _AFTER_NOTATIONS), None)
        if after is None:
            element.append(box)
        else:
            after.addprevious(box)
