"""What we wrote into a tree of notation: told by its ids, and taken out so that no trace is left.

In: the root of a MusicXML (partwise or timewise) or MEI tree. Out: the same tree with what its composer
printed, and no more. There are two layers, each with its own ids: the plan (dynamics, pedal, accents) and the
harmony (numerals, chord symbols, keys). In MusicXML a processing instruction keeps, for each layer, which
version the file had called itself before it was written in.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import cast

from lxml import etree

from understave.score.remarks import Remark
from understave.stored import Stored


@dataclass(frozen=True)
class Layer(Stored):
    """Elements of ours: how their ids begin, and the target of the processing instruction beside them."""

    target: str
    prefixes: tuple[str, ...]

    @cached_property
    def _find(self) -> etree.XPath:
        # Looked for among the attributes, as most elements have none.
        tests = " or ".join(f"starts-with(., '{p}')" for p in self.prefixes)
        return etree.XPath(f"descendant-or-self::*/@*[(name() = 'id' or name() = 'xml:id') and ({tests})]/..")

    def elements(self, root: etree._Element) -> list[etree._Element]:
        """Return the elements of this layer in a tree."""
        return cast(list[etree._Element], self._find(root))

    def take_out(self, root: etree._Element) -> int:
        """Take the layer out of a tree, in place; return how many elements it had."""
        ours = self.elements(root)
        notes = [
            element
            for element in root
            if isinstance(element, etree._ProcessingInstruction) and element.target == self.target
        ]
        for element in ours:
            _take_out(element)
        for note in notes:
            version = note.get("version") or "none"
            if version == "none":
                root.attrib.pop("version", "")
            else:
                root.set("version", version)
            _take_out(note)
        return len(ours)

    def call_version_4(self, root: etree._Element) -> None:
        """Call a MusicXML tree version 4.0, and keep what it was called before beside it."""
        before = root.get("version", "none")
        root.insert(0, etree.ProcessingInstruction(self.target, f'version="{before}"'))
        root.set("version", "4.0")


PLAN = Layer("understave-plan", ("understave-plan-",))
HARMONY = Layer("understave-harmony", ("understave-chord-", "understave-symbol-", "understave-key-"))


def take_out_proposals(root: etree._Element) -> tuple[str, ...]:
    """Take all that we wrote out of a tree, in place; return what there is to say of it.

    Marks of a plan are proposals, made again from the score; labels may have been changed by hand in another
    program, which is then said.
    """
    PLAN.take_out(root)
    labels = HARMONY.take_out(root)
    if not labels:
        return ()
    return (
        Remark(
            "file_labels",
            "The {count} chord and key labels that Understave had written into this file were left out; "
            "a label changed in another program has to be given as a correction.",
            count=labels,
        ),
    )


def _take_out(element: etree._Element) -> None:
    parent = element.getparent()
    if parent is None:
        return
    if element.tail:
        before = element.getprevious()
        if before is None:
            parent.text = (parent.text or "") + element.tail
        else:
            before.tail = (before.tail or "") + element.tail
    parent.remove(element)
