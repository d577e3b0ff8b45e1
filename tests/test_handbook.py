"""The handbook: links are really followed, and what would be fetched from elsewhere is told."""

import re
import struct

import pytest
from benchmarks.desk_in_browser import own_browser
from handbook.build import (
    EXAMPLES,
    PAGES,
    broken_links,
    build,
    commands_page,
    findings_page,
    stories_page,
    words_page,
)
from handbook.own_playing import PICTURES, playing_page
from handbook.screens import SCREENS, make_screens, without_missing
from tests.once import opening

from understave.cli.completion import commands_of
from understave.cli.program import parser
from understave.cli.tools import TOOLS
from understave.export.exporters import EXPORTERS
from understave.findings.catalogue import finders
from understave.score.formats import OWN_NAMES
from understave.wording import SPOKEN
from understave.wording.phrasebook import phrasebook


def test_links_that_lead_nowhere_and_things_fetched_are_told(tmp_path):
    (tmp_path / "b.html").write_text('<h2 id="here">x</h2>')
    links = ("b.html#here", "b.html#gone", "c.html", "https://example.org/")
    page = "".join(f'<a href="{link}">x</a>' for link in links)
    (tmp_path / "a.html").write_text(page + '<script src="https://example.org/x.js"></script>')
    said = list(broken_links(tmp_path))
    assert len(said) == 3
    assert [word for word in ("b.html#gone", "c.html", "x.js") if not any(word in s for s in said)] == []


def test_generated_pages_are_complete():
    commands = commands_page()
    assert all(f"## understave {c.name}" in commands for c in commands_of(parser()))
    for language in ("en", "de"):
        page = words_page(language)
        assert all(f"**{g.term}**" in page for g in phrasebook(language).glosses)
    findings = findings_page()
    assert findings.count("\n## ") >= len({f.__module__ for f in finders()})
    assert {"\n## Non-chord tones\n", "\n## Texture\n", "\n## The plan of keys\n"} <= set(
        re.findall("\n## .*\n", findings)
    )


def test_tables_and_lists_of_docstrings_are_tables_and_lists():
    """The table of non-chord tones has one cell on two lines and two that run over columns."""
    page = findings_page()
    assert "| label | comes | leaves |\n| --- | --- | --- |\n| passing tone | by step |" in page
    assert (
        "| held, repeated, or a bass struck with its chord | stays until it fits again, or is a bass" in page
    )
    assert "| free tone | none of these; most often a chord member that the label leaves out |  |" in page
    assert "===" not in page
    assert "\n\n- ``metric`` str" in page or "\n- ``metric`` str" in page
    assert "text\n- ``" not in page


def test_every_format_is_named_where_people_ask_for_it():
    how_to = (PAGES / "how-to.md").read_text(encoding="utf-8")
    read_from = [TOOLS["read_score"].properties["score"]["description"], how_to]
    read_from += [phrasebook(language).desk["drop_here"] for language in SPOKEN]
    missing = [(name, text[:30]) for name in OWN_NAMES for text in read_from if name not in text]
    assert missing == []
    export = next(c for c in commands_of(parser()) if c.name == "export")
    helps = " ".join(option.help for option in export.options)
    assert [e.suffix for e in EXPORTERS if e.suffix not in helps or f"`{e.suffix}`" not in how_to] == []


@pytest.fixture(scope="module")
def stories():
    return stories_page()


def test_the_stories_of_both_examples_and_of_six_pieces_are_told(stories):
    page = stories
    assert page.count("### In a minute") == page.count("### In five minutes") == 2 + 6
    assert "## Lock-Water" in page
    minutes = [part.partition("### In five")[0] for part in page.split("### In a minute")[1:]]
    assert all(60 < len(text.split()) < 160 for text in minutes)


def test_the_guide_to_own_playing_tells_the_deviations_that_were_put_in(tmp_path):
    page = playing_page(EXAMPLES[0], "{told}", tmp_path)
    assert page.count("did not sound") == 1
    assert page.count(" for ") == 1
    assert "Bar 8, beat 3: this beat takes" in page
    assert "Stop if anything hurts" in page.splitlines()[-1]
    assert all((tmp_path / name).read_text(encoding="utf-8").startswith("<svg") for name in PICTURES)


def test_the_handbook_is_built_and_no_link_of_it_is_broken(tmp_path, monkeypatch, stories):
    """Every page that is named in the menu is there, and nothing on any would be fetched from elsewhere.

    What takes longest is made once or of less: the stories as they were told, the screens of ten bars.
    """
    pytest.importorskip("material", reason="mkdocs-material builds the handbook (the extra docs)")
    monkeypatch.setattr("handbook.build.stories_page", lambda: stories)
    monkeypatch.setattr("handbook.build.make_screens", lambda _, folder: make_screens(opening(10), folder))
    assert build(tmp_path / "site") == []
    for page in (
        "index",
        "data-card",
        "model-card",
        "erste-stunde",
        "outputs",
        "questions",
        "accessibility",
        "own-playing",
    ):
        assert (tmp_path / "site" / f"{page}.html").exists()
    pictures = tmp_path / "site" / "pictures"
    assert (pictures / "reading.svg").exists()
    if own_browser():
        assert "pictures/desk.png" in (tmp_path / "site" / "how-to.html").read_text(encoding="utf-8")
        for name in ("desk.png", "wall.png", "homework.png"):
            # The size of the window, from the header of the PNG (ISO/IEC 15948): nothing is cut off.
            assert struct.unpack(">II", (pictures / name).read_bytes()[16:24]) == (1280, 800)


def test_pictures_that_cannot_be_made_here_are_on_no_page():
    page = "One.\n\n![A](pictures/wall.png)\n\nTwo.\n\n![B](pictures/desk.png)\n\n![C](pictures/papers.png)\n"
    assert without_missing(page, SCREENS) == page
    left = without_missing(page, ("desk.png",))
    assert left == "One.\n\nTwo.\n\n![B](pictures/desk.png)\n\n![C](pictures/papers.png)\n"
    shown = set(re.findall(r"pictures/(\w+\.png)", (PAGES / "how-to.md").read_text(encoding="utf-8")))
    assert set(SCREENS) <= shown
