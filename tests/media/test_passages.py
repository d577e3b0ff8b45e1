"""Parallel passages: pairs, marks and how far they are moved, against the pieces' own analyses by hand."""

from __future__ import annotations

import io

import pytest
import typst
from PIL import Image
from tests.teaching.test_stops import example

from understave.media import passages
from understave.media.passages import engraved, parallels, parallels_pdf
from understave.theory.pitch import Interval


def test_the_return_in_minor_marks_exactly_the_notes_that_have_no_equal():
    score, reading, _ = example("lock-water")
    found = next(p for p in parallels(score, reading) if p.event.label == "in the other mode")
    numbers = [score.measures[i].number for i in (*found.earlier, *found.later)]
    assert numbers == ["1", "5", "16", "20"]
    assert found.moved == Interval(0, 0)
    marked = {score.note_by_id[i].pitch.name for i in found.later_notes}
    # The minor's own notes are among them, and no note that stands unchanged at the same place is.
    assert any(name.startswith("G") for name in marked)
    start, there = score.measures[found.earlier[0]].start, score.measures[found.later[0]].start
    before = {(n.onset - start, n.pitch, n.duration) for n in score.notes}
    for i in found.later_notes:
        n = score.note_by_id[i]
        assert (n.onset - there, n.pitch, n.duration) not in before or n.grace


def test_a_return_in_another_key_is_compared_at_its_distance():
    score, reading, _ = example("chain-ferry")
    found = next(p for p in parallels(score, reading) if p.event.label == "in another key")
    # From F minor to D flat major: the melody stands a sixth away, up or down an octave.
    assert found.moved.semitones % 12 == found.event.get("semitones")
    assert len(found.later_notes) < sum(found.later[0] <= n.measure <= found.later[1] for n in score.notes)


def test_they_are_engraved_row_by_row_with_marks():
    score, reading, _ = example("lock-water")
    found = parallels(score, reading)
    rows = engraved(score, reading, found[0])
    assert len(rows) == len(found[0].rows)
    for row, (one, other) in zip(found[0].rows, rows, strict=True):
        assert (row.earlier is None) == (one == "")
        assert (row.later is None) == (other == "")
    made = parallels_pdf(score, reading, found[:1])
    assert made.startswith(b"%PDF")
    assert b"pdfuaid:part" in made  # PDF/UA-1 (ISO 14289-1)


def bar_of(height_mm):
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="82mm" height="{height_mm}mm" viewBox="0 0 82 '
        f'{height_mm}"><rect width="82" height="{height_mm}"/></svg>'
    )


@pytest.mark.parametrize(("paper", "size"), [("a4", (210, 297)), ("us-letter", (215.9, 279.4))])
@pytest.mark.parametrize("heights", [(90, 90, 90, 90), (400,), (120, 20, 120, 20, 120)])
def test_rows_never_run_over_the_footer(paper, size, heights, monkeypatch):
    """Between the rows and the foot of a page there is nothing, however tall the rows are."""
    pages = []
    compile_pages = typst.compile

    def compiled(source, **how):
        made = compile_pages(source, **{**how, "pdf_standards": None}, format="png", ppi=25.4)
        pages.extend([made] if isinstance(made, bytes) else made)
        return b"%PDF"

    monkeypatch.setattr(passages, "engraved", lambda *_: [(bar_of(h), bar_of(h)) for h in heights])
    monkeypatch.setattr(typst, "compile", compiled)
    score, reading, _ = example("lock-water")
    parallels_pdf(score, reading, parallels(score, reading)[:1], paper)
    black = 0
    for data in pages:
        picture = Image.open(io.BytesIO(data)).convert("L")  # one pixel a millimetre
        assert picture.size == pytest.approx(size, abs=1)
        width, height = picture.size
        foot = picture.crop((0, height - 19, width, height))
        # The title and the page number stand at the sides; nothing in between, nothing above them.
        assert foot.crop((width // 3, 0, 2 * width // 3, 19)).getextrema()[0] > 200
        assert foot.crop((0, 0, width, 3)).getextrema()[0] > 200
        black += sum(picture.histogram()[:100])
    # All rows are there, a page high at most, and none is torn.
    assert black > 2 * 70 * sum(min(h, 190) for h in heights) * 0.5
