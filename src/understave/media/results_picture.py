"""The answers of a class as a picture: who found what at once, later or not, and what was hard.

In: `Results` and a language. Out: an SVG document. Each state has a sign as well as a colour.
"""

from __future__ import annotations

from xml.sax.saxutils import escape

from understave.engraving.palette import INK, SOFT
from understave.teaching.results import Answer, Count, Results
from understave.theory.vocabulary import Language
from understave.wording import phrasebook

_ROW, _CELL, _LEFT, _TOP = 30, 40, 230, 96
_WIDTH = 1000
_BAR = 330
_GOOD, _LATER, _MISSED, _NONE = "#CFE5D6", "#F5E3B5", "#F2CDC4", "#FFFFFF"
"""Pale, so that the dark signs on them have 4.5 : 1 and more (WCAG 2.2, 1.4.3)."""


def results_picture(found: Results, language: Language = "en") -> str:
    """Return a table of students and questions, and below it how hard each thing asked about was."""
    said = phrasebook(language).phrases
    asked = found.questions.asked
    shapes = [
        _text(20, 34, found.questions.title, 22, INK, "600"),
        _text(20, 60, said["results_legend"], 14, SOFT),
    ]
    for k in range(len(asked)):
        shapes.append(_text(_LEFT + k * _CELL + _CELL / 2, _TOP - 10, str(k + 1), 14, INK, anchor="middle"))
    for row, student in enumerate(found.students):
        y = _TOP + row * _ROW
        shapes.append(_text(20, y + 20, _short(student.name, 26), 15, INK))
        for k, question in enumerate(asked):
            colour, sign = _cell(student.answer(question.id))
            x = _LEFT + k * _CELL
            shapes.append(
                f'<rect x="{x}" y="{y}" width="{_CELL - 3}" height="{_ROW - 3}" rx="4" fill="{colour}" '
                'stroke="#C9C9C9"/>'
            )
            shapes.append(_text(x + (_CELL - 3) / 2, y + 19, sign, 15, INK, anchor="middle"))
    y = _TOP + len(found.students) * _ROW + 46
    shapes.append(_text(20, y, said["results_hard"], 17, INK, "600"))
    for count in found.by_device:
        y += _ROW
        shapes += _bar(count, y)
    y += 50
    shapes.append(_text(20, y, said["results_questions"], 17, INK, "600"))
    for k, question in enumerate(asked, start=1):
        y += 24
        shapes.append(_text(20, y, _short(f"{k}  {question.prompt}", 118), 14, INK))
    width = max(_WIDTH, _LEFT + len(asked) * _CELL + 20)
    height = y + 24
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" '
        f'height="{height}" font-family="sans-serif"><title>{escape(found.questions.title)}</title>'
        f'<rect width="100%" height="100%" fill="#FFFFFF"/>{"".join(shapes)}</svg>\n'
    )


def sign_of(answer: Answer | None) -> str:
    """Return a sign for an answer: ``✓`` found at once, the number of tries, ``✗`` not found, ``–`` none."""
    if answer is None or not (answer.tried or answer.shown or answer.right):
        return "–"
    if not answer.right:
        return "✗"
    return "✓" if answer.at_once else str(len(answer.tried))


def _cell(answer: Answer | None) -> tuple[str, str]:
    sign = sign_of(answer)
    return {"✓": _GOOD, "✗": _MISSED, "–": _NONE}.get(sign, _LATER), sign


def _bar(count: Count, y: float) -> list[str]:
    shapes = [_text(20, y + 5, _short(count.name, 34), 15, INK)]
    x = _LEFT + 60.0
    for number, colour in ((count.at_once, _GOOD), (count.later, _LATER), (count.missed, _MISSED)):
        wide = _BAR * number / count.answered
        if number:
            shapes.append(
                f'<rect x="{x:.1f}" y="{y - 13}" width="{wide:.1f}" height="24" fill="{colour}" '
                'stroke="#C9C9C9"/>'
            )
            shapes.append(_text(x + wide / 2, y + 5, str(number), 14, INK, anchor="middle"))
        x += wide
    return shapes


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else f"{text[: most - 1].rstrip()}…"


def _text(  # noqa: PLR0913 - the attributes of one element
    x: float, y: float, text: str, size: int, colour: str, weight: str = "400", anchor: str = "start"
) -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size}" font-weight="{weight}" text-anchor="{anchor}" '
        f'fill="{colour}">{escape(text)}</text>'
    )
