"""A take as a PDF: what is told of it, its lanes beside the plan, the bars it plays with its slips marked."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import wrap
from xml.sax.saxutils import escape

from understave.engraving import Options, excerpt, to_pdf
from understave.engraving.palette import INK
from understave.engraving.standards import date_of
from understave.score.model import Score
from understave.takes.picture import draw_take
from understave.takes.take import Take
from understave.takes.told import Beside, tell_take
from understave.theory.vocabulary import Language

_WIDTH_MM, _LINE_MM, _LETTERS = 180.0, 6.0, 100


def take_pdf(score: Score, take: Take, beside: Beside, language: Language = "en") -> bytes:
    """Return the PDF: a page of words, a page of lanes, a page of score; each page of its own size."""
    slips = slipped(take)
    told = tell_take(score, take, language, beside)
    pages = [
        _words(" · ".join(filter(None, (score.title, take.recording.media))), told),
        draw_take(score, (take,), beside, language),
    ]
    if slips:
        first, last = min(run.first for run in take.runs), max(run.last for run in take.runs)
        look = Options(language=language, legend=False, tension=False, dynamics=False)
        pages.append(
            excerpt(score, beside.reading, first, last, highlight=slips, options=look, width_mm=_WIDTH_MM)
        )
    return to_pdf(pages, language, date_of(score))


def slipped(take: Take) -> tuple[str, ...]:
    """Return the ids of the notes for which another key or none was struck."""
    return tuple(dict.fromkeys([*(slip.note for slip in take.wrong), *(note for _, note in take.missed)]))


def _words(title: str, lines: Sequence[str]) -> str:
    """Return sentences as a page, broken into lines."""
    broken = [part for line in lines for part in (*wrap(line, _LETTERS, subsequent_indent="  "), "")]
    height = _LINE_MM * (len(broken) + 4)
    rows = "".join(
        f'<text x="6" y="{_LINE_MM * (k + 3.5):.1f}" font-size="3.6" fill="{INK}" xml:space="preserve">'
        f"{escape(text)}</text>"
        for k, text in enumerate(broken)
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{_WIDTH_MM:g}mm" height="{height:g}mm" '
        f'viewBox="0 0 {_WIDTH_MM:g} {height:g}" font-family="sans-serif"><title>{escape(title)}</title>'
        f'<rect width="100%" height="100%" fill="#FFF"/>'
        f'<text x="6" y="{2 * _LINE_MM:g}" font-size="5" fill="{INK}">{escape(title)}</text>{rows}</svg>\n'
    )
