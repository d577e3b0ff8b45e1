"""Rows in, CSV text out that a spreadsheet opens as text (RFC 4180).

A spreadsheet takes a cell that begins with ``=``, ``+``, ``-`` or ``@`` for a formula and computes it, and a
title or a stop's text may come from anywhere. Such a cell gets an apostrophe before it, as people write it by
hand; so does one that begins with a tab or a line's end ("CSV Injection", Open Worldwide Application Security
Project). A number stays a number.

A spreadsheet set to a language that writes 0,5 takes commas for decimal marks and semicolons for what parts
cells, reads 2.5 as the second of May, and takes UTF-8 for its own code page unless the file begins with a
byte order mark; CSV for such a language is written so (common practice of spreadsheets, no standard).
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Sequence
from decimal import Decimal

from understave.theory.vocabulary import Language
from understave.wording import phrasebook

_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")
_MARK = "\ufeff"
_NUMBER = re.compile(r"[+-]?[0-9]+([.,][0-9]+)?")


def decimal_mark(language: Language) -> str:
    """Return what a language writes before the decimals of a number: ``"."`` or ``","``."""
    return phrasebook(language).phrases["decimal"]


def csv_text(rows: Iterable[Sequence[object]], ending: str = "\n", language: Language = "en") -> str:
    """Return rows as CSV, each ended by `ending`, in the form that spreadsheets of a language open.

    Numbers that are to have the language's decimal mark come as float or Decimal; a text stays as it is.
    """
    mark = decimal_mark(language)
    comma = mark == ","
    out = io.StringIO()
    writer = csv.writer(out, delimiter=";" if comma else ",", lineterminator=ending)
    writer.writerows([_cell(value, mark) for value in row] for row in rows)
    return (_MARK if comma else "") + out.getvalue()


def _cell(value: object, mark: str) -> object:
    if isinstance(value, float | Decimal):
        return str(value).replace(".", mark)
    if isinstance(value, str) and value.startswith(_FORMULA) and not _NUMBER.fullmatch(value):
        return f"'{value}"
    return value
