"""What every page set by typst needs of its texts: numerals taken apart, names that do not break.

In: texts in which numerals stand between ⟨ and ⟩. Out: values for the templates (``*.typ``) beside this file.
"""

from __future__ import annotations

import json
import re
import tempfile
from collections.abc import Mapping
from importlib.resources import files
from pathlib import Path
from typing import Any

import typst

from understave.engraving.standards import declared
from understave.wording.numerals import numeral_table

_SHARED = "shared.typ"


def set_pages(template: str, data: Mapping[str, Any], pictures: Mapping[str, str], dated: int) -> bytes:
    """Return the PDF that ``template``.typ makes of `data`; `pictures` are SVG documents by file name and
    `dated` is the document's date in seconds from 1970 on.

    The template reads ``template``.json. Its ``numerals`` are those of all texts in `data`.
    """
    with tempfile.TemporaryDirectory(prefix="understave-") as folder:
        root = Path(folder)
        for name, svg in pictures.items():
            (root / name).write_text(svg, encoding="utf-8")
        numerals = numeral_table(json.dumps(data, ensure_ascii=False))
        text = unbroken(json.dumps({**data, "numerals": numerals}, ensure_ascii=False))
        (root / f"{template}.json").write_text(text, encoding="utf-8")
        source = files("understave.media").joinpath(f"{template}.typ").read_bytes()
        (root / f"{template}.typ").write_bytes(source)
        (root / _SHARED).write_bytes(files("understave.media").joinpath(_SHARED).read_bytes())
        return accessible_pdf(root, f"{template}.typ", dated)


def accessible_pdf(root: Path, template: str, dated: int) -> bytes:
    """Return the PDF of a template in a folder, tagged and dated, declaring what `standards` says.

    Only the fonts that travel with typst are used: pages look alike everywhere.
    """

    def compiled(standards: Any) -> bytes | list[bytes]:
        return typst.compile(
            root / template,
            root=root,
            ignore_system_fonts=True,
            pdf_standards=standards,
            timestamp=dated,
        )

    return declared(compiled)


def unbroken(text: str) -> str:
    """Keep the names of notes and keys on one line: ``A flat major``, ``Es-Dur`` with what does not break."""
    name = r"\b[A-G](?: (?:double|flat|sharp|major|minor)\b)+"
    text = re.sub(name, lambda m: m[0].replace(" ", "\u00a0"), text)
    return re.sub(r"\b([A-Ha-h](?:is|es|s)?)-(Dur|Moll)\b", "\\1\u2011\\2", text)
