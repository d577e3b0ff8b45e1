"""Text from a file in, text that XML can hold out (XML 1.0, section 2.2: no control characters)."""

from __future__ import annotations

import re

_FORBIDDEN = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def printable(text: str) -> str:
    """Drop what XML does not allow: control characters, halves of surrogate pairs."""
    return _FORBIDDEN.sub("", text)
