"""Rows in, CSV text out that a spreadsheet opens as text (RFC 4180).

A spreadsheet takes a cell that begins with ``=``, ``+``, ``-`` or ``@`` for a formula and computes it, and a
title or a stop's text may come from anywhere. Such a cell gets an apostrophe before it, as people write it by
hand; so does one that begins with a tab or a line's end ("CSV Injection", Open Worldwide Application Security
Project). A number stays a number.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Sequence

_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")
_NUMBER = re.compile(r"[+-]?[0-9]+([.,][0-9]+)?")


def csv_text(rows: Iterable[Sequence[object]], ending: str = "\n") -> str:
    """Return rows as CSV, each ended by `ending`."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator=ending)
    writer.writerows([_cell(value) for value in row] for row in rows)
    return out.getvalue()


def _cell(value: object) -> object:
    if isinstance(value, str) and value.startswith(_FORMULA) and not _NUMBER.fullmatch(value):
        return f"'{value}"
    return value
