"""What was corrected on printed pages: on the disk, taken back, in the score and in what is exported."""

import json
from functools import cache

import pytest
from benchmarks.engraved import verovio_pdf
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
