"""A take as a PDF: what is told of it, its lanes beside the plan, the bars it plays with its slips marked."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import wrap
from xml.sax.saxutils import escape

from understave.engraving import Options, excerpt, to_pdf
from understave.engraving.palette import INK
from understave.engraving.standards import date_of
from understave.score.model import Score
from understave.takes.over_time import table, tell_over_time
from understave.takes.picture import draw_take
from understave.takes.slips import signed
from understave.takes.take import Take
from understave.takes.told import Beside, tell_take
from understave.theory.vocabulary import Language
from understave.wording.phrasebook import phrasebook

_WIDTH_MM, _LINE_MM, _LETTERS = 180.0, 6.0, 100


def take_pdf(score: Score, takes: Sequence[Take], beside: Beside, language: Language = "en") -> bytes:
    """Return the PDF of one take or several, the oldest first: of several a page over time; for each a page
    of words; a page of lanes, all takes over one another; for each the score with its slips. Each page has
    its own size.
    """
    names = [take.recording.media for take in takes]
    pages = []
    if len(takes) > 1:
        headings, rows = table(score, list(zip(names, takes, strict=True)), language)
        lines = [
            *tell_over_time(score, takes, language),
            *(" · ".join(f"{h}: {v}" for h, v in zip(headings, row, strict=True) if v) for row in rows),
        ]
        title = phrasebook(language).phrases["take_over_time"]
        pages.append(_words(" · ".join(filter(None, (score.title, title))), lines))
    for take in takes:
        title = " · ".join(filter(None, (score.title, take.recording.media)))
        pages.append(_words(title, tell_take(score, take, language, beside)))
    pages.append(draw_take(score, takes, beside, language))
    pages += [drawn for take in takes if (drawn := slips_drawn(score, take, beside, language))]
    return to_pdf(pages, language, date_of(score))


def slips_drawn(score: Score, take: Take, beside: Beside, language: Language = "en") -> str:
    """Return the bars of a take as SVG, each kind of slip with its sign, and what the signs say; "" where
    it has no slips.
    """
    signs = signed(take)
    if not any(signs.values()):
        return ""
    first, last = min(run.first for run in take.runs), max(run.last for run in take.runs)
    look = Options(language=language, legend=False, tension=False, dynamics=False)
    return excerpt(score, beside.reading, first, last, signs=signs, options=look, width_mm=_WIDTH_MM)


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
