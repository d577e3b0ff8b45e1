"""The papers of a student: what is asked and nothing that tells it; the answers with the same numbers."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
from lxml import etree
from pypdf import PdfReader
from tests.once import make_plan, propose_stops, read, read_score
from tests.page_text import page_texts

from understave.harmony.reading import Reading
from understave.media import student_papers as papers
from understave.media.booklet import page_count, sides
from understave.media.student_papers import empty_staves
from understave.media.worksheet import _readable, clef_changes
from understave.score.model import Score
from understave.teaching.exercises import exercises
from understave.teaching.stops import Stop
from understave.wording import LEVELS, phrasebook

ROOT = Path(__file__).parents[2]
VARIANTS = [
    ("lock-water", "a4", "beginner", "en"),
    ("lock-water", "booklet", "advanced", "de"),
    ("chain-ferry", "us-letter", "intermediate", "en"),
    ("chain-ferry", "a4", "beginner", "fr"),
]


@cache
def piece(name: str) -> tuple[Score, Reading]:
    score = read_score(ROOT / "examples" / name / "score.musicxml")
    return score, read(score)


@cache
def asked(name: str, paper: str, level: str, language: str):
    score, reading = piece(name)
    plan = make_plan(score, reading)
    stops = propose_stops(score, reading, plan, minutes=10, level=level, language=language)
    look = papers.Look(paper, level, language)
    kept = papers.asked_exercises(score, stops, exercises(score, reading, level), language)
    what = papers.questions(score, reading, stops, kept, look)
    return what, papers.drawn(score, reading, what, look), look


@cache
def made(*variant: str) -> tuple[bytes, bytes]:
    score, _ = piece(variant[0])
    what, drawn, look = asked(*variant)
    return papers.student_pdf(score, what, drawn, look), papers.answers_pdf(score, what, drawn, look)


def words(text: str) -> str:
    """A text with spaces, hyphens and quotes as they are typed."""
    return " ".join(text.replace("\u00a0", " ").replace("\u202f", " ").replace("\u2011", "-").split())


def text_of(pdf: bytes) -> str:
    return words(" ".join(page_texts(pdf)))


def leaks(text: str, what: papers.Questions, score: Score, language: str) -> list[str]:
    """Answers that a text holds, numerals left out, for they are set as figures one above the other."""
    answers = [s.answer for s in what.stops if s.question]
    answers += [e.answer(score, language) for e in what.exercises]
    told = [p for e in what.exercises for p in (e.prompt(score, language), *e.choice_words(score, language))]
    told += [s.question for s in what.stops]
    found = []
    for answer in answers:
        for part in re.split(r"⟨[^⟩]*⟩|[.;:]", answer):
            part = words(part).strip(" ,")
            # Less than three words is said in every paper: the name of a note, of a key.
            if len(part.split()) >= 3 and part in text and not any(part in words(t) for t in told):
                found.append(part)
    return found


@pytest.mark.parametrize("variant", VARIANTS)
def test_the_student_s_paper_tells_no_answer(variant):
    what, _, _ = asked(*variant)
    score, _ = piece(variant[0])
    text = text_of(made(*variant)[0])
    assert len(what.stops) >= 3
    assert len(what.exercises) >= 4
    assert leaks(text, what, score, variant[3]) == []
    book = phrasebook(variant[3])
    assert "%" not in text
    assert book.headings["check"] not in text
    assert words(book.phrases["check_intro"])[:30] not in text
    for s in what.stops:
        assert words(s.question) in text or "⟨" in s.question
    for sentence in ("caution_practice", "copyright"):
        assert words(book.phrases[sentence])[:30] in text


@pytest.mark.parametrize("where", ["play", "story"])
def test_a_planted_leak_is_caught(where):
    variant = VARIANTS[2]
    what, drawn, look = asked(*variant)
    score, _ = piece(variant[0])
    stop = next(s for s in what.stops if len(s.answer.split()) > 6 and "⟨" not in s.answer)
    if where == "play":
        planted = replace(what, plays={stop.id: stop.answer})
    else:
        line = replace(what.story[0].lines[0], text=stop.answer)
        planted = replace(what, story=(replace(what.story[0], lines=(line,)),))
    text = text_of(papers.student_pdf(score, planted, drawn, look))
    assert leaks(text, what, score, "en")


@pytest.mark.parametrize("variant", VARIANTS)
def test_the_answers_hold_every_answer_under_its_number(variant):
    what, _, _ = asked(*variant)
    score, _ = piece(variant[0])
    book = phrasebook(variant[3])
    text = text_of(made(*variant)[1])
    checked = 0
    for k, s in enumerate(what.stops, start=1):
        bars = book.bars(score.measures[s.first].number, score.measures[s.last].number)
        if "⟨" not in s.answer:
            assert f"{k} {bars[0].upper()}{bars[1:]}. {words(s.answer)}" in text
            checked += 1
    for e in what.exercises:
        letter = "" if e.correct is None else f"{'abcdefgh'[e.correct]}) "
        answer = e.answer(score, variant[3])
        if "⟨" not in answer:
            assert f"{e.step} {letter}{words(answer)}" in text
            checked += 1
    assert checked >= 8
    # Notes are named, not told by where they lie in a table or a file.
    assert not re.search(r"[xy] ?= ?\d|note-|\bm\d+\.", text)


@pytest.mark.parametrize("variant", VARIANTS)
def test_no_label_of_ours_stands_on_what_a_student_sees(variant):
    what, drawn, _ = asked(*variant)
    shown = [name for e in drawn.entries for name in e["pictures"]] + [f"stop-{s.id}.svg" for s in what.stops]
    assert len(shown) >= 6
    for name in shown:
        assert 'class="lane' not in drawn.pictures[name]
    # The answers do have labels: what is looked for above is really how they are drawn.
    solved = [name for e in drawn.entries for name in e["solutions"]]
    assert any('class="lane' in drawn.pictures[name] for name in solved)


def test_marks_show_the_place_and_not_the_note_asked_for():
    """All that sounds together is marked, also where the answer is one of these notes."""
    score, reading = piece("chain-ferry")
    what, _, look = asked(*VARIANTS[2])

    def sounding(moment):
        return [n.id for n in score.notes if n.onset <= moment < n.end and not n.grace]

    stop = next(s for s in what.stops if s.question and s.notes and len(sounding(s.moment)) > 1)
    halos = []
    for notes in (stop.notes, sounding(stop.moment)[:1]):
        only = papers.Questions((replace(stop, notes=tuple(notes)),), (), (), {})
        halos.append(papers.drawn(score, reading, only, look).pictures[f"stop-{stop.id}.svg"])
    assert halos[0] == halos[1]
    unmarked = papers.Questions((replace(stop, notes=()),), (), (), {})
    assert papers.drawn(score, reading, unmarked, look).pictures[f"stop-{stop.id}.svg"] != halos[0]


def test_printed_chord_symbols_do_not_answer(tmp_path):
    score, _ = piece("lock-water")
    path = tmp_path / "named.musicxml"
    chord = b"<harmony><root><root-step>E</root-step></root><kind>major</kind></harmony>"
    before, note, after = (ROOT / "examples/lock-water/score.musicxml").read_bytes().partition(b"<note")
    path.write_bytes(before + chord + note + after)
    named = read_score(path)
    assert b"<harmony" in named.source
    clean = papers.without_labels(named)
    assert b"<harmony" not in clean.source
    assert not [d for d in clean.directions if d.kind == "chord-symbol"]
    assert clean.notes == named.notes
    assert papers.without_labels(score) is score


SIZES = {"a4": (595.28, 841.89), "us-letter": (612.0, 792.0), "booklet": (841.89, 595.28)}
"""ISO 216 A4 upright and across, ANSI A, in points of 1/72 inch."""


@pytest.mark.parametrize("variant", VARIANTS)
def test_pages_have_the_size_asked_for_and_none_is_nearly_empty(variant):
    for pdf in made(*variant):
        assert b"CreationDate" not in pdf or b"CreationDate(D:19700101000000Z)" in pdf
        pages = PdfReader(io.BytesIO(pdf)).pages
        assert 1 <= len(pages) <= 16
        for page in pages:
            size = (float(page.mediabox.width), float(page.mediabox.height))
            assert size == pytest.approx(SIZES[variant[1]], abs=0.5)
        assert min(len(words(text)) for text in page_texts(pdf)) > 40


def test_no_page_is_left_to_the_sentence_on_copyright():
    """However many exercises there are, the last page has one of them, or its answer."""
    score, _ = piece("chain-ferry")
    what, drawn, look = asked(*VARIANTS[3])
    sentence = words(phrasebook(look.language).phrases["copyright"])
    for count in range(len(what.exercises) + 1):
        fewer = replace(what, exercises=what.exercises[:count])
        pictures = replace(drawn, entries=drawn.entries[:count])
        for make in (papers.student_pdf, papers.answers_pdf):
            last = words(page_texts(make(score, fewer, pictures, look))[-1])
            assert sentence.split()[-1] in last
            assert len(last) > len(sentence) + 60, (make.__name__, count, last)


@pytest.mark.parametrize("variant", [v for v in VARIANTS if v[1] == "a4"])
def test_the_paper_in_hand_is_short(variant):
    """Eight pages of A4 at most, the story on two at most."""
    student, _ = made(*variant)
    pages = [words(text) for text in page_texts(student)]
    assert len(pages) <= 8
    heading = phrasebook(variant[3]).headings["story"]
    told = asked(*variant)[0].story
    first = next(n for n, text in enumerate(pages) if heading in text)
    last = words(told[-1].lines[-1].text).split()[-3:]
    end = next(n for n, text in enumerate(pages) if n >= first and " ".join(last) in text)
    assert end - first < 2


def test_a_booklet_is_laid_out_to_be_folded():
    score, _ = piece("lock-water")
    what, drawn, look = asked(*VARIANTS[1])
    single = papers.student_pdf(score, what, drawn, replace(look, paper="booklet"))
    feet = [[int(n) for n, _ in re.findall(r"(\d+) / (\d+)", text)] for text in page_texts(single)]
    count = max(n for side in feet for n in side)
    assert len(feet) % 2 == 0
    assert 4 * len(feet) // 2 - count in (0, 1, 2, 3)
    whole = 2 * len(feet)
    # Folded once, the leaves read in order: outside left is the last page, right the first, and so inwards.
    for k, side in enumerate(feet):
        pair = (whole - k, k + 1) if k % 2 == 0 else (k + 1, whole - k)
        assert side == [n for n in pair if n <= count]


@pytest.mark.parametrize(
    ("count", "order"),
    [
        (1, [(0, 1), (0, 0)]),
        (4, [(4, 1), (2, 3)]),
        (6, [(0, 1), (2, 0), (6, 3), (4, 5)]),
        (8, [(8, 1), (2, 7), (6, 3), (4, 5)]),
    ],
)
def test_the_order_of_sides(count, order):
    """The imposition of a saddle-stitched booklet: common practice, no source."""
    assert list(sides(count)) == order


def test_words_are_the_same_without_the_strokes():
    """What these tests read of a page is what pypdf reads of it, strokes and all."""
    for pdf in made(*VARIANTS[0]):
        assert page_texts(pdf) == tuple(page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages)


def test_pages_are_counted_as_a_reader_counts_them():
    pdf = made(*VARIANTS[0])[0]
    assert page_count(pdf) == len(PdfReader(io.BytesIO(pdf)).pages) > 3


def test_a_hand_reads_one_change_of_clef_at_most():
    for name in ("lock-water", "chain-ferry"):
        score, _ = piece(name)
        for first in range(len(score.measures) - 2):
            bars = _readable(score, first, first + 2)
            assert clef_changes(*bars) <= max(1, clef_changes(score, first, first + 2) - 1)


@pytest.mark.parametrize(("staves", "clefs"), [(1, ["G"]), (2, ["G", "F"])])
def test_staves_to_write_on_have_the_usual_clefs(staves, clefs):
    """Treble above bass: common practice, no source. The shapes are SMuFL's gClef and fClef."""
    drawing = etree.fromstring(empty_staves(-4, staves, 150.0).encode())
    shapes = [use.get("{http://www.w3.org/1999/xlink}href", "")[1:5] for use in drawing.iter("{*}use")]
    assert [{"E050": "G", "E062": "F"}[s] for s in shapes if s in ("E050", "E062")] == clefs


@pytest.mark.parametrize("name", ["lock-water", "chain-ferry"])
def test_no_exercise_changes_the_clef_twice(name):
    score, reading = piece(name)
    for level in LEVELS:
        for one in exercises(score, reading, level):
            bars = (one.material, 0, len(one.material.measures) - 1) if one.material else None
            assert clef_changes(*_readable(*(bars or (score, one.first, one.last)))) <= 1


BARS = """<score-partwise version="4.0"><part-list><score-part id="P1"><part-name>P</part-name></score-part>
</part-list><part id="P1"><measure number="1"><attributes><divisions>1</divisions>
<key><fifths>0</fifths></key><time><beats>4</beats><beat-type>4</beat-type></time><clef><sign>G</sign><line>2</line></clef></attributes>{}
</measure></part></score-partwise>"""
NOTE = (
    "<note><pitch><step>{}</step><octave>4</octave></pitch><duration>1</duration><voice>1</voice>"
    "<type>quarter</type></note>"
)
CLEF = "<attributes><clef><sign>{}</sign><line>{}</line></clef></attributes>"


def test_clefs_that_change_at_every_note_are_written_anew(tmp_path):
    path = tmp_path / "clefs.musicxml"
    notes = [NOTE.format(s) for s in "CDEF"]
    path.write_text(
        BARS.format(notes[0] + CLEF.format("F", 4) + notes[1] + CLEF.format("G", 2) + notes[2] + notes[3])
    )
    score = read_score(path)
    assert clef_changes(score, 0, 0) == 2
    bars = _readable(score, 0, 0)
    assert clef_changes(*bars) == 0
    assert [n.pitch.name for n in bars[0].notes] == [n.pitch.name for n in score.notes]


@pytest.mark.parametrize("variant", [v for v in VARIANTS if v[1] != "booklet"])
def test_the_papers_say_that_they_are_accessible(variant):
    """PDF/UA-1 (ISO 14289-1) in the XMP packet; the pages of a booklet lie in another order and do not."""
    for pdf in made(*variant):
        root = PdfReader(io.BytesIO(pdf)).trailer["/Root"]
        assert b"pdfuaid:part" in root["/Metadata"].get_object().get_data()


def test_what_has_no_answer_asks_for_nothing():
    score, reading = piece("lock-water")
    own = Stop("mine", 0, 1, score.measures[0].start, "Cross the hands", dict.fromkeys(("beginner",), ""))
    what = papers.questions(score, reading, (own,), (), papers.Look())
    drawn = papers.drawn(score, reading, what, papers.Look())
    assert "Answers" in text_of(papers.answers_pdf(score, what, drawn, papers.Look()))
    assert "Bars 1–2" in text_of(papers.student_pdf(score, what, drawn, papers.Look()))
