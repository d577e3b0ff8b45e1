"""How long words take to say, and how a text is spoken.

In: a text with its numerals between ⟨ and ⟩, and a rate in words a minute. Out: words, seconds.
"""

from __future__ import annotations

import re

from understave.errors import UnderstaveError

RATE = 130.0
"""Words a minute of a teacher who explains; a talk is spoken at 100 to 160 (common practice, no source)."""
SLOWEST_SPEECH, FASTEST_SPEECH = 40.0, 300.0
SENTENCE_PAUSE = 0.35
"""Seconds of breath after a sentence."""

_NUMERAL = re.compile("⟨([^⟩]*)⟩")
_SENTENCE_END = re.compile(r"[.?!…](?=\s|$)")


def check_rate(rate: float) -> float:
    """Return a speaking rate; raise UnderstaveError for one at which nobody speaks."""
    if not SLOWEST_SPEECH <= rate <= FASTEST_SPEECH:
        raise UnderstaveError(
            f"Nobody speaks {rate:g} words a minute; "
            f"give a rate from {SLOWEST_SPEECH:g} to {FASTEST_SPEECH:g}."
        )
    return rate


def spoken_words(text: str) -> int:
    """Return how many words are heard; a numeral counts one for each sign: "five six five of five"."""
    signs = sum(len(re.findall(r"[A-Za-z]+|\d|[/#ø°]", m[1])) for m in _NUMERAL.finditer(text))
    rest = _NUMERAL.sub(" ", text)
    return signs + len(re.findall(r"\w[\w’'-]*", rest))


def speaking_seconds(text: str, rate: float = RATE) -> float:
    """Return the seconds that a text takes at a rate in words a minute, with a breath after each sentence."""
    return 60 * spoken_words(text) / check_rate(rate) + SENTENCE_PAUSE * len(_SENTENCE_END.findall(text))
