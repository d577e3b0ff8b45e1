"""The handbook: links are really followed, and what would be fetched from elsewhere is told."""

from handbook.build import broken_links, commands_page, findings_page, words_page

from understave.cli.completion import commands_of
from understave.cli.program import parser
from understave.findings.catalogue import finders
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
    assert findings_page().count("\n## ") >= len({f.__module__ for f in finders()})
