"""What was corrected on printed pages: on the disk, taken back, in the score and in what is exported."""

import json
from fractions import Fraction
from functools import cache

import pytest
from benchmarks.engraved import verovio_pdf
from lxml import etree
from tests.once import opening

from understave.lesson import make
from understave.lesson.folder import create_folder
from understave.lesson.page_corrections import (
    FILE,
    Decision,
    add,
    digest_of,
    lesson_score,
    printed_in,
    read_entries,
    score_for,
    standing,
    take_back,
)
from understave.score.bar_text import lines_of
from understave.score.marked_anew import Mark, marks_of
from understave.score.reader import read_score
from understave.score.readers.page.told_signs import Place

BARS = 4


@cache
def pages():
    return verovio_pdf(read_score(opening(BARS)).source, "Leipzig")


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "piece.pdf").write_bytes(pages())
    return create_folder(tmp_path / "lesson", tmp_path / "piece.pdf", "Opening", "")


def typed(folder, index, **texts):
    """Type lines of a bar, named s1v1 and so on, for what stands there."""
    printed = printed_in(folder)
    lines = tuple(
        (x.staff, x.voice, texts.get(f"s{x.staff}v{x.voice}", x.text)) for x in lines_of(printed.score, index)
    )
    decision = Decision(printed.bars[index].frame.middle, "notes", lines)
    return add(folder.path, digest_of(pages()), decision)


def sounding(score, index):
    return sorted((n.onset, n.duration, str(n.pitch)) for n in score.notes if n.measure == index)


def test_a_typed_bar_takes_the_place_of_the_one_read_and_the_rest_stays(folder):
    before = lesson_score(folder)
    typed(folder, 1, s1v1="1/2 B4 1/4 D5_")
    after = lesson_score(folder)
    assert [str(n.pitch) for n in after.notes if n.measure == 1 and n.onset == 3 and n.voice == "1"] == ["B4"]
    assert [sounding(after, k) for k in (0, 2, 3)] == [sounding(before, k) for k in (0, 2, 3)]
    assert read_score_of(after) == sounding(after, 1)
    assert printed_in(folder).bars[1].sure == 1 > printed_in(folder).bars[0].sure


def read_score_of(score):
    """The same bar as its MusicXML has it."""
    from understave.score.readers.musicxml import read_musicxml

    return sounding(read_musicxml(score.source), 1)


def test_a_bar_that_is_longer_moves_all_after_it(folder):
    before = lesson_score(folder)
    printed = printed_in(folder)
    lines = tuple((x.staff, x.voice, "1/1 C4" if x.voice == 1 else "") for x in lines_of(printed.score, 1))
    add(folder.path, digest_of(pages()), Decision(printed.bars[1].frame.middle, "notes", lines))
    after = lesson_score(folder)
    assert after.measures[1].length == 4
    # Ties from the bar before have gone with its notes; all that begins later sounds a quarter later.
    assert [(o - 1, p) for o, _, p in sounding(after, 3)] == [(o, p) for o, _, p in sounding(before, 3)]


def decide(folder, index, what, value="", **more):
    place = printed_in(folder).bars[index].frame.middle
    return add(folder.path, digest_of(pages()), Decision(place, what, (), value, **more))


def test_two_bars_are_joined_and_parted_again_and_what_was_typed_before_holds_no_more(folder):
    """The music that was engraved is the outside reference: parted where its bar line is, it comes back."""
    before = lesson_score(folder)
    printed = printed_in(folder)
    line = printed.bars[1].frame.x1
    typed(folder, 1, s1v1="1/2. B4")
    decide(folder, 0, "right")
    joined = decide(folder, 1, "join")
    whole = lesson_score(folder)
    assert len(whole.measures) == BARS - 1
    assert sorted(str(n.pitch) for n in whole.notes if n.measure == 1) == sorted(
        str(n.pitch) for n in before.notes if n.measure in (1, 2)
    )
    now = printed_in(folder)
    assert [[d.what for d in now.decided.get(k, ())] for k in range(3)] == [["right"], ["join"], []]
    assert now.bars[0].sure == 1 > now.bars[1].sure
    decide(folder, 1, "split", f"{line:.5f}")
    parted = lesson_score(folder)
    assert [sounding(parted, k) for k in range(BARS)] == [sounding(before, k) for k in range(BARS)]
    # Taken back, the typed bar holds again.
    take_back(folder.path, standing(read_entries(folder.path))[-1].id)
    take_back(folder.path, joined.id)
    assert "B4" in [p for _, _, p in sounding(lesson_score(folder), 1)]


def test_the_last_bar_of_a_line_is_joined_with_none(folder):
    decide(folder, BARS - 1, "join")
    assert len(lesson_score(folder).measures) == BARS


def test_repeats_and_endings_are_told_and_go_into_the_export(folder):
    """In MusicXML 4.0 a repeat stands in a barline as ``direction``, an ending as ``number``."""
    decide(folder, 0, "repeat", "begin")
    decide(folder, 1, "ending", "1")
    decide(folder, 1, "repeat", "end")
    decide(folder, 2, "ending", "2")
    score = lesson_score(folder)
    assert [(m.repeat_start, m.repeat_end, m.ending) for m in score.measures] == [
        (True, False, ()),
        (False, True, (1,)),
        (False, False, (2,)),
        (False, False, ()),
    ]
    lines = etree.fromstring(score.source).findall("part[1]/measure/barline")
    assert [r.get("direction") for b in lines for r in b.findall("repeat")] == ["forward", "backward"]
    assert {e.get("number") for b in lines for e in b.findall("ending")} == {"1", "2"}
    decide(folder, 1, "repeat", "none")
    decide(folder, 2, "ending", "none")
    assert [m.repeat_end for m in lesson_score(folder).measures] == [False] * BARS
    assert lesson_score(folder).measures[2].ending == ()


def test_marks_take_the_place_of_those_read_and_a_damaged_one_is_passed_over(folder):
    before = lesson_score(folder)
    others = [d for d in before.directions if before.measure_at(d.onset).index != 1]
    marks = (
        Mark("dynamic", "sf", Fraction(1, 2), None, 1),
        Mark("crescendo", "", Fraction(1), Fraction(4), 2),
        Mark("words", "dolce", Fraction(2), None, 1),
    )
    entry = decide(folder, 1, "marks", marks=marks)
    score = lesson_score(folder)
    assert marks_of(score, 1) == marks
    assert [(d.kind, d.text, d.onset) for d in score.directions if score.measure_at(d.onset).index != 1] == [
        (d.kind, d.text, d.onset) for d in others
    ]
    root = etree.fromstring(score.source)
    assert root.find("part/measure[2]/direction/direction-type/dynamics/sf") is not None
    wedges = root.findall("part/measure/direction/direction-type/wedge")
    assert [w.get("type") for w in wedges if w.get("type") != "stop"][-1] == "crescendo"
    take_back(folder.path, entry.id)
    assert lesson_score(folder).source == before.source
    file = folder.path / FILE
    wrong = file.read_text().splitlines()[0].replace('"id": 1', '"id": 9').replace('"sf"', '"loud"')
    file.write_text(f"{file.read_text()}{wrong}\n")
    assert [e.id for e in read_entries(folder.path)] == [1, 2]


def test_what_is_taken_back_comes_again_and_nothing_is_lost(folder):
    before = lesson_score(folder).source
    first = typed(folder, 1, s1v1="1/2. B4")
    with_it = lesson_score(folder).source
    back = take_back(folder.path, first.id)
    assert lesson_score(folder).source == before != with_it
    take_back(folder.path, back.id)
    assert lesson_score(folder).source == with_it
    assert [entry.id for entry in standing(read_entries(folder.path))] == [first.id]
    assert len((folder.path / FILE).read_text().splitlines()) == 3


def test_damaged_lines_are_passed_over_and_stay(folder):
    path = folder.path / FILE
    cut = '{"id": 2, "of": "'
    kept = json.dumps({"id": 1, "of": digest_of(pages()), "page": 1, "x": 0.1, "y": 0.1, "what": "right"})
    wrong = json.dumps({"id": 3, "of": digest_of(pages()), "page": 1, "x": 0.1, "y": 0.1, "what": "meter"})
    path.write_text(f"{kept}\n{wrong}\n{cut}")
    assert [entry.id for entry in read_entries(folder.path)] == [1]
    typed(folder, 0)
    assert [entry.id for entry in read_entries(folder.path)] == [1, 2]
    assert cut in path.read_text().splitlines()


def test_what_belongs_to_other_pages_is_kept_and_said(folder):
    add(folder.path, "0123456789abcdef", Decision(Place(1, 0.3, 0.1), "key", (), "2"))
    add(folder.path, digest_of(pages()), Decision(Place(7, 0.3, 0.1), "right"))
    score = lesson_score(folder)
    assert score.warnings[0].startswith("2 entries in pages.jsonl belong to bars of other pages")
    assert score.source == read_score(folder.score).source
    # Another score in the same place is read as it is.
    assert score_for(folder.path, opening(BARS)).source == read_score(opening(BARS)).source


def test_a_lesson_is_remembered_only_until_a_bar_is_corrected(folder):
    def made_from():
        return make._reading_of(folder.score, "piece.pdf", folder.path, None)

    before = made_from()
    entry = typed(folder, 1, s1v1="1/2. B4")
    assert made_from() != before
    take_back(folder.path, entry.id)
    assert lesson_score(folder).source == read_score(folder.score).source
