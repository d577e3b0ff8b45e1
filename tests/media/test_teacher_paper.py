"""The teacher's paper: answers in place, times, how sure; in every format; a glossary of what it uses."""

from __future__ import annotations

import io
import re
from functools import cache
from itertools import pairwise
from pathlib import Path

import pytest
from pypdf import PdfReader
from tests.once import make_plan, propose_stops, read, read_score
from tests.page_text import page_texts

from understave.harmony.reading import Reading
from understave.interpretation.perform import clock
from understave.media import setting, student_papers, teacher_paper
from understave.score.model import Score
from understave.teaching import story
from understave.teaching.cues import cue_list
from understave.teaching.exercises import exercises
from understave.teaching.speech import RATE
from understave.teaching.stops import Timing
from understave.wording import phrasebook, tell
from understave.wording.numerals import numeral_table

ROOT = Path(__file__).parents[2]


@cache
def example(piece: str = "lock-water") -> tuple[Score, Reading]:
    score = read_score(ROOT / "examples" / piece / "score.musicxml")
    return score, read(score)


@cache
def made(piece: str, paper: str, level: str, language: str) -> bytes:
    score, reading = example(piece)
    plan = make_plan(score, reading)
    stops = propose_stops(score, reading, plan, minutes=10, level=level, language=language)
    look = student_papers.Look(paper, level, language)
    kept = student_papers.asked_exercises(score, stops, exercises(score, reading, level), language)
    asked = student_papers.questions(score, reading, stops, kept, look)
    drawn = student_papers.drawn(score, reading, asked, look)
    timing = Timing(clock(score, plan), RATE, {})
    taught = teacher_paper.TaughtStops(stops, cue_list(score, reading, stops, timing, language))
    return teacher_paper.teacher_pdf(score, reading, plan, taught, asked, drawn, "score.musicxml", look)


VARIANTS = [
    ("lock-water", "a4", "beginner", "en"),
    ("lock-water", "us-letter", "advanced", "de"),
    ("chain-ferry", "booklet", "intermediate", "de"),
    ("chain-ferry", "us-letter", "intermediate", "en"),
]


def _texts(pdf: bytes) -> tuple[str, ...]:
    """The words of each page, with spaces and hyphens as they are typed."""
    return tuple(" ".join(t.replace("\u00a0", " ").replace("\u2011", "-").split()) for t in page_texts(pdf))


def test_it_says_that_it_is_accessible():
    """PDF/UA-1 (ISO 14289-1) is declared in the XMP packet; typst wants each picture described."""
    root = PdfReader(io.BytesIO(made(*VARIANTS[0]))).trailer["/Root"]
    assert b"pdfuaid:part" in root["/Metadata"].get_object().get_data()


@cache
def words(variant: tuple[str, str, str, str]) -> tuple[str, ...]:
    """The words of each page, taken out once: that takes longer than to set them."""
    return _texts(made(*variant))


@pytest.mark.parametrize("variant", VARIANTS)
def test_it_is_a_pdf_on_the_paper_asked_for(variant):
    pdf = made(*variant)
    assert pdf.startswith(b"%PDF")
    # The same lesson made another day is the same file; the score tells no day.
    assert b"CreationDate" not in pdf or b"CreationDate(D:19700101000000Z)" in pdf
    # ISO 216 A4 (across for a booklet) and ANSI A, in points of 1/72 inch.
    sizes = {"a4": (595.28, 841.89), "us-letter": (612.0, 792.0), "booklet": (841.89, 595.28)}
    pages = PdfReader(io.BytesIO(pdf)).pages
    assert 5 <= len(pages) <= 18
    for page in pages:
        size = (float(page.mediabox.width), float(page.mediabox.height))
        assert size == pytest.approx(sizes[variant[1]], abs=0.5)
    assert min(len(text) for text in _texts(pdf)) > 60, "a page is nearly empty"


@pytest.mark.parametrize("variant", [v for v in VARIANTS if v[1] != "booklet"])
def test_its_pages_are_filled(variant):
    """The words of each page but the last reach its lower third: pictures give way, white stands between."""
    for page in PdfReader(io.BytesIO(made(*variant))).pages[:-1]:
        heights = []
        page.extract_text(
            visitor_text=lambda text, cm, tm, *_, to=heights: (
                to.append(cm[3] * tm[5] + cm[5]) if text.strip() else None
            )
        )
        foot = 18 / 25.4 * 72
        lowest = min(y for y in heights if y > foot)
        assert lowest < 0.33 * float(page.mediabox.height)


@pytest.mark.parametrize("variant", [v for v in VARIANTS if v[1] != "booklet"])
def test_it_holds_every_section_in_order(variant):
    language = variant[3]
    book = phrasebook(language)
    whole = "\n".join(_texts(made(*variant)))
    order = ("keys", "story", "points", "advice", "exercises", "check", "credits", "glossary")
    places = [whole.rindex(book.headings[h]) for h in order]
    assert places == sorted(places)
    for sentence in ("caution_practice", "copyright"):
        assert " ".join(book.phrases[sentence].split()[:6]) in whole
    assert "⟨" not in whole
    assert "‹" not in whole


def test_each_stop_has_its_answer_its_time_and_how_sure_it_is():
    score, reading = example("chain-ferry")
    stops = propose_stops(score, reading, make_plan(score, reading), minutes=10)
    whole = " ".join(_texts(made(*VARIANTS[3])))
    assert len(stops) >= 3
    for s in stops:
        assert s.title in whole
        if s.question and "⟨" not in s.question + s.answer:
            asked, answered = whole.index(s.question), whole.index(s.answer, whole.index(s.question))
            assert answered - asked < len(s.question) + 10
    times = re.findall(r"From (\d+):(\d\d) to (\d+):(\d\d) of the lesson", whole)
    assert len(times) == len(stops)
    spans = [(60 * int(a) + int(b), 60 * int(c) + int(d)) for a, b, c, d in times]
    assert all(begin < end for begin, end in spans)
    assert all(a[1] <= b[0] + 1 for a, b in pairwise(spans))
    sure = [reading.span_at(s.moment) for s in stops]
    shown = [int(n) for n in re.findall(r"(\d+) % sure(?! *\))", whole)]
    assert [round(100 * s.confidence) for s in sure if s is not None and not s.fixed] == shown[: len(sure)]


def test_advice_gives_each_reason_once_and_leaves_out_what_is_printed():
    score, reading = example("chain-ferry")
    plan = make_plan(score, reading)
    advice = teacher_paper.playing_advice(score, plan, "intermediate", "en")
    assert [aspect for aspect, _ in advice] == ["dynamics", "voicing", "timing", "pedal"]
    for _, items in advice:
        assert 1 <= len(items) <= 4
        assert len({a.reason for a in items}) == len(items)
        assert [a.moment for a in items] == sorted(a.moment for a in items)
        assert all(a.why and "(printed)" not in a.what for a in items)


def test_the_picture_of_keys_covers_the_piece():
    score, reading = example("chain-ferry")
    keys = teacher_paper._keys(score, reading, "en")
    assert keys[0]["start"] == 0
    assert keys[-1]["end"] == pytest.approx(1)
    assert all(a["end"] == b["start"] for a, b in pairwise(keys))
    by_name = {k["name"]: k for k in keys}
    # Circle of fifths: the relative key shares the signature, the parallel major has three flats less.
    assert by_name["F minor"]["home"]
    assert (by_name["F minor"]["height"], by_name["A flat major"]["height"]) == (0, 0)
    assert by_name["F major"]["height"] == 3
    assert by_name["D flat major"]["height"] == -1
    assert [t["number"] for t in teacher_paper._bar_ticks(score)][:3] == ["1", "8", "16"]


def test_new_terms_are_marked_once():
    book = phrasebook("en")
    known = set()
    plain = [s.text for p in tell(*example(), "intermediate", "en") for s in p.sentences]
    text = " ".join(teacher_paper._marked(said, known, book) for said in plain)
    marked = [m.split("›")[0].lower() for m in text.split("‹")[1:]]
    assert len(marked) == len(set(marked)) > 5
    assert text.replace("‹", "").replace("›", "") == " ".join(plain)


def test_the_glossary_holds_the_terms_used_and_those_of_their_meanings():
    book = phrasebook("en")
    found = [g.term for g in story.glossary(["A half cadence in F minor."], book)]
    assert "half cadence" in found
    # "a phrase that stops on the dominant" asks for two terms more, and the dominant for the tonic.
    assert {"phrase", "dominant", "tonic"} <= set(found)
    assert "Neapolitan sixth" not in found
    assert found == sorted(found, key=str.casefold)


def test_umlauts_are_sorted_among_their_letters():
    terms = ("Tonika", "übermäßiger Sextakkord", "Umspielung", "Vorhalt")
    assert sorted(terms, key=story._alphabetical) == [terms[0], terms[1], terms[2], terms[3]]


def test_numerals_are_set_with_stacked_figures():
    table = numeral_table("From ⟨V65/V⟩ to ⟨viio7⟩.")
    assert table["⟨V65/V⟩"]["figures"] == ("6", "5")
    assert table["⟨V65/V⟩"]["head"] == "V"
    assert table["⟨V65/V⟩"]["target"] == "/V"
    assert table["⟨viio7⟩"]["head"] == "vii°"


@pytest.mark.parametrize(
    ("key", "language", "short"),
    [("Ab", "en", "A♭"), ("f#", "en", "f♯"), ("Bb", "de", "B"), ("b", "de", "h"), ("eb", "de", "es")],
)
def test_short_names_of_keys(key, language, short):
    from understave.theory.key import Key

    assert story.short_key(Key.parse(key), language) == short


def test_names_of_keys_do_not_break():
    assert setting.unbroken("in A flat major or es-Moll") == "in A\u00a0flat\u00a0major or es\u2011Moll"


def test_brackets_of_a_teachers_own_are_set_as_they_stand():
    assert numeral_table("⟨my word⟩") == {"⟨my word⟩": {"head": "⟨my word⟩", "figures": (), "target": ""}}
