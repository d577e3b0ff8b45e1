"""How long words take to say, and how a text is spoken.

In: a text with its numerals between ⟨ and ⟩, and a rate in words a minute. Out: words, seconds.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction

from understave.errors import UnderstaveError

RATE = 130.0
"""Words a minute of a teacher who explains; a talk is spoken at 100 to 160 (common practice, no source)."""
SLOWEST_SPEECH, FASTEST_SPEECH = 40.0, 300.0
SENTENCE_PAUSE = 0.35
"""Seconds of breath after a sentence."""


@dataclass(frozen=True, slots=True)
class Pointing:
    """Something said while bars sound: so many `seconds` before the moment (in quarter notes) it is about."""

    moment: Fraction
    seconds: float
    text: str


@dataclass(frozen=True, slots=True)
class Spoken:
    """What is said at a stop, in this order, for the ear: it names no bar and no numeral.

    `lead` brings one there, `told` is what was heard and why it moves us, `hands` how to play it, `sing` what
    the listener does, `compare` is said before other sounds, `again` before the bars sound once more; then
    `points` are said into them.
    """

    lead: str = ""
    question: str = ""
    answer: str = ""
    told: str = ""
    hands: str = ""
    compare: str = ""
    sing: str = ""
    again: str = ""
    points: tuple[Pointing, ...] = ()

    @property
    def texts(self) -> tuple[str, ...]:
        """All that is said outside the music, in order."""
        every = (
            self.lead,
            self.question,
            self.answer,
            self.told,
            self.hands,
            self.compare,
            self.sing,
            self.again,
        )
        return tuple(t for t in every if t)


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


def sentences(text: str) -> list[str]:
    """Return the sentences of a text, each with its sign."""
    return [s for s in re.split(r"(?<=[.?!…])\s+", text.strip()) if s]


def speaking_seconds(text: str, rate: float = RATE) -> float:
    """Return the seconds that a text takes at a rate in words a minute, with a breath after each sentence."""
    return 60 * spoken_words(text) / check_rate(rate) + SENTENCE_PAUSE * len(_SENTENCE_END.findall(text))
