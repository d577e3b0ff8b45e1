"""An analysis written by hand, and a reading -> the corrections that bring the reading to say the same.

Only where the two differ does the analysis become corrections; what they agree on stays the tool's own, and
what the teacher has corrected already stays as it is.
"""

from __future__ import annotations

from understave.errors import AnalysisError
from understave.harmony.model.decoding import TRUST, Trust
from understave.harmony.reading import Correction, Reading, Span
from understave.harmony.romantext import read_romantext
from understave.harmony.trained import read_trained
from understave.score.model import Score

MOST_ROUNDS = 6


def adopt(score: Score, reading: Reading, analysis: str, note: str = "") -> tuple[Correction, ...]:
    """Return what the teacher would have to correct, in order, so that the reading says what `analysis` says.

    `analysis` is RomanText (Tymoczko et al., ISMIR 2019). Raises UnderstaveError where it is none, or fits
    no bar of the score.
    """
    try:
        wanted = _joined(read_romantext(analysis, score))
    except ValueError as error:
        raise AnalysisError(f"The analysis cannot be read: {error}") from error
    if not wanted:
        raise AnalysisError(
            "The analysis names no chord in a bar of this score; write lines such as 'm1 C: I'."
        )
    return tuple(
        Correction(
            *score.anchor(span.start), *score.anchor(min(span.end, score.end)), span.key, span.numeral, note
        )
        for span in wanted
        if any(not s.fixed and (s.key, s.numeral) != (span.key, span.numeral) for s in _over(reading, span))
    )


def read_as(
    score: Score,
    decided: tuple[Correction, ...],
    analysis: str,
    note: str = "",
    trust: Trust = TRUST,
) -> tuple[Reading, tuple[Correction, ...]]:
    """Read a score so that it says what `analysis` says; return its spans and the corrections that took.

    A correction changes the reading around it, so that more may differ after the first; a few rounds do.
    """
    found = read_trained(score, decided, trust)
    added: tuple[Correction, ...] = ()
    for _ in range(MOST_ROUNDS):
        more = adopt(score, found, analysis, note)
        if not more:
            break
        added += more
        found = read_trained(score, (*decided, *added), trust)
    return found, added


def _over(reading: Reading, span: Span) -> list[Span]:
    return [s for s in reading.spans if s.start < span.end and s.end > span.start]


def _joined(spans: tuple[Span, ...]) -> list[Span]:
    joined: list[Span] = []
    for span in spans:
        last = joined[-1] if joined else None
        if last and (last.key, last.numeral, last.end) == (span.key, span.numeral, span.start):
            joined[-1] = Span(last.start, span.end, last.key, last.numeral, 1.0)
        else:
            joined.append(span)
    return joined
