"""Bytes of a MusicXML file in, a safe partwise element tree out, and a tree back to bytes.

Entities are never resolved, nothing is fetched, and every failure is one clear sentence. Files whose
declared encoding is not the one they are written in are read by their byte order mark or as UTF-8.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from lxml import etree

from understave.errors import ScoreError
from understave.score.remarks import Remark

_DECLARATION = re.compile(r"^\s*<\?xml[^>]*\?>")
_DOCTYPE = re.compile(r"<!DOCTYPE[^>\[]*(\[.*?\]\s*)?>", re.DOTALL)
_MARKS = (
    (b"\xff\xfe\x00\x00", "utf-32"),
    (b"\x00\x00\xfe\xff", "utf-32"),
    (b"\xef\xbb\xbf", "utf-8-sig"),
    (b"\xff\xfe", "utf-16"),
    (b"\xfe\xff", "utf-16"),
    (b"<\x00", "utf-16-le"),
    (b"\x00<", "utf-16-be"),
)


def _parser(collect_ids: bool = True) -> etree.XMLParser:
    return etree.XMLParser(
        resolve_entities=False,
        no_network=True,
        huge_tree=False,
        load_dtd=False,
        dtd_validation=False,
        collect_ids=collect_ids,
    )


def decode(data: bytes) -> str:
    """Return the text of an XML or plain text file, trusting its byte order mark before its words.

    Without a mark it is UTF-8 where that fits, else what the declaration says, else Windows-1252.
    """
    for mark, encoding in _MARKS:
        if data.startswith(mark):
            return data.decode(encoding, errors="replace")
    declared = re.search(rb"encoding\s*=\s*[\"']([A-Za-z0-9._-]+)[\"']", data[:200])
    for encoding in ("utf-8", declared[1].decode("ascii") if declared else "cp1252"):
        try:
            return data.decode(encoding)
        except (UnicodeDecodeError, LookupError):
            continue
    return data.decode("cp1252", errors="replace")


def _clean(text: str) -> bytes:
    text = _DECLARATION.sub("", text.lstrip("\ufeff\x00 \t\r\n"), count=1)
    return _DOCTYPE.sub("", text, count=1).encode("utf-8", errors="replace")


def parse(data: bytes, name: str) -> etree._Element:
    """Return the root element of XML bytes; raise UnderstaveError if they are not well-formed XML.

    Bytes that do not parse as they are get a second try as decoded text without declaration and
    doctype: a wrong encoding, or an xml:id that is used twice, is then no obstacle.
    """
    try:
        return etree.fromstring(data, _parser())
    except (etree.XMLSyntaxError, ValueError) as error:
        line = error.lineno if isinstance(error, etree.XMLSyntaxError) else None
    try:
        # With a doctype, collect_ids=False would make the parser look for the DTD and fail.
        return etree.fromstring(_clean(decode(data)), _parser(collect_ids=False))
    except (etree.XMLSyntaxError, ValueError) as error:
        raise ScoreError(_damaged(name, line)) from error


def _damaged(name: str, line: int | None) -> Remark:
    if not line:
        return Remark(
            "xml_damaged",
            "{file} is cut short or damaged: its XML cannot be read; export it again from your "
            "notation program.",
            file=name,
        )
    return Remark(
        "xml_damaged_at",
        "{file} is cut short or damaged: its XML cannot be read (line {line}); export it again "
        "from your notation program.",
        file=name,
        line=line,
    )


def strip_namespaces(root: etree._Element) -> None:
    """Drop a default namespace that some writers put on MusicXML, so that plain names are found."""
    if not (isinstance(root.tag, str) and root.tag.startswith("{")):
        return
    space = root.tag[1:].split("}")[0]
    for element in root.iter(f"{{{space}}}*"):
        element.tag = etree.QName(element).localname
    etree.cleanup_namespaces(root)


def elements(parent: etree._Element) -> Iterator[etree._Element]:
    """Child elements only: no comments, processing instructions or entity references."""
    return (child for child in parent if isinstance(child.tag, str))


def _attributes(element: etree._Element) -> dict[str, str]:
    return {str(k): str(v) for k, v in element.attrib.items()}


def to_partwise(root: etree._Element) -> etree._Element:
    """Turn a score-timewise tree into score-partwise; a partwise tree is returned as it is."""
    if root.tag != "score-timewise":
        return root
    out = etree.Element("score-partwise", _attributes(root))
    parts: dict[str, etree._Element] = {}
    order: list[etree._Element] = []
    for child in list(root):
        if child.tag != "measure":
            out.append(child)
            continue
        for part in child.findall("part"):
            key = part.get("id", "")
            if key not in parts:
                parts[key] = etree.Element("part", {"id": key})
                order.append(parts[key])
            attributes = _attributes(child)
            if parts[key] is not order[0]:
                attributes.pop("id", None)
            measure = etree.SubElement(parts[key], "measure", attributes)
            measure.text = part.text
            measure.extend(list(part))
    out.extend(order)
    return out


def to_bytes(root: etree._Element) -> bytes:
    """Return UTF-8 bytes of a whole document: comments around the root and the doctype are kept.

    Of the doctype only the name and the identifiers stay; entities that it declares are gone, as
    nothing may resolve them.
    """
    info = root.getroottree().docinfo
    lines = [b'<?xml version="1.0" encoding="UTF-8"?>']
    if info.public_id and root.tag == "score-partwise":
        public = info.public_id.replace("Timewise", "Partwise")
        system = (info.system_url or "").replace("timewise", "partwise")  # type: ignore[attr-defined]
        quote = "'" if '"' in system else '"'
        lines.append(f'<!DOCTYPE score-partwise PUBLIC "{public}" {quote}{system}{quote}>'.encode())
    before = list(root.itersiblings(preceding=True))
    for node in (*reversed(before), root, *root.itersiblings()):
        lines.append(etree.tostring(node, encoding="UTF-8", with_tail=False).removeprefix(lines[0]).strip())
    return b"\n".join(lines) + b"\n"
