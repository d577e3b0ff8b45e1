"""Every example: its analysis parses, covers the piece, and agrees with the notes it speaks of.

The limits are common practice, no source: nine tenths of the sounding time explained by chord tones, and
a floor for the engine well under what it reaches, so that a collapse shows.
"""

from __future__ import annotations

from fractions import Fraction
from functools import cache
from itertools import pairwise
from pathlib import Path

import pytest
from tests.once import read, read_score

from understave.harmony.romantext import Analysis, parse, read_analysis
from understave.score.model import Score

ROOT = Path(__file__).parents[2] / "examples"
PIECES = sorted(p.parent.name for p in ROOT.glob("*/score.musicxml"))
EXPLAINED = Fraction(9, 10)
AGREED = Fraction(8, 10)

pytestmark = pytest.mark.parametrize("piece", PIECES)


@cache
def score_of(piece: str) -> Score:
    return read_score(ROOT / piece / "score.musicxml")


@cache
def analysis_of(piece: str) -> Analysis:
    text = (ROOT / piece / "analysis.txt").read_text(encoding="utf-8")
    return read_analysis(text, score_of(piece))


def place(score: Score, time: Fraction) -> str:
    return f"m{score.measure_at(time).number} b{float(score.beat_at(time)):g}"


def test_it_has_its_three_files(piece):
    for name in ("score.musicxml", "analysis.txt", "about.md"):
        assert (ROOT / piece / name).stat().st_size > 0


def test_the_score_is_read_without_a_warning(piece):
    score = score_of(piece)
    assert score.warnings == ()
    assert score.title
    assert score.composer
    assert score.notes


def test_the_analysis_is_read_without_a_problem(piece):
    assert analysis_of(piece).problems == ()


def test_every_bar_of_the_analysis_is_a_bar_of_the_score(piece):
    printed = {m.number for m in score_of(piece).measures}
    written = {f"{bar.number}" for bar in parse((ROOT / piece / "analysis.txt").read_text("utf-8")).bars}
    assert written <= printed


def test_it_covers_the_piece_without_a_gap(piece):
    score, spans = score_of(piece), analysis_of(piece).spans
    assert spans[0].start <= min(n.onset for n in score.notes)
    for a, b in pairwise(spans):
        assert a.end == b.start, f"gap or overlap at {place(score, a.end)}"
    assert spans[-1].end == score.end


def test_chord_tones_explain_the_sounding_time(piece):
    score = score_of(piece)
    total = explained = Fraction(0)
    for span in analysis_of(piece).spans:
        members = set(span.numeral.chord(span.key).members)
        for note in score.notes:
            shared = min(span.end, note.end) - max(span.start, note.onset)
            if shared > 0:
                total += shared
                explained += shared if note.pitch.pitch_class in members else 0
    assert explained >= EXPLAINED * total, f"{float(explained / total):.3f} of the sounding time"


def test_each_span_holds_a_note_of_its_chord(piece):
    score = score_of(piece)
    for span in analysis_of(piece).spans:
        members = set(span.numeral.chord(span.key).members)
        sounding = {n.pitch.pitch_class for n in score.notes if n.onset < span.end and n.end > span.start}
        assert len(members & sounding) >= 2, f"{place(score, span.start)} {span.numeral}"


def test_agreement_with_the_reading(piece, capsys):
    """Print where the computed reading and the reference differ; most of the time they must agree.

    The reading may cut a span elsewhere, so that labels are compared over the time they share.
    """
    score = score_of(piece)
    reading = read(score)
    lines, total, keys, roots, full = [], Fraction(0), Fraction(0), Fraction(0), Fraction(0)
    for span in analysis_of(piece).spans:
        wanted = span.numeral.chord(span.key)
        answers = []
        for found in reading.spans:
            shared = min(span.end, found.end) - max(span.start, found.start)
            if shared <= 0:
                continue
            chord = found.numeral.chord(found.key)
            same_key = found.key == span.key
            same = same_key and str(found.numeral) == str(span.numeral)
            total += shared
            keys += shared * same_key
            roots += shared * (chord.root == wanted.root)
            full += shared * (same or (same_key and found.numeral.chord(found.key) == wanted))
            answers.append((same, f"{found.key}: {found.numeral} ({float(shared):g})"))
        if not all(same for same, _ in answers):
            lines.append(
                f"{place(score, span.start):>10}  {span.key}: {span.numeral!s:10} "
                f"reading {', '.join(text for _, text in answers)}"
            )
    with capsys.disabled():
        print(
            f"\n{piece}: of {float(total):g} quarters the key agrees in {100 * float(keys / total):.1f} %, "
            f"the root in {100 * float(roots / total):.1f} %, "
            f"key, root, quality and inversion in {100 * float(full / total):.1f} %"
        )
        print("\n".join(lines))
    assert full >= AGREED * total
