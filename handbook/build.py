"""Build the documentation site, pictures and generated pages included, and check every link of it.

    python -m handbook.build [FOLDER]

Needs the extra ``understave[docs]``; with playwright and a Chromium, and pdftoppm, there are pictures of the
tool at work too. Nothing on the pages is fetched from elsewhere. What can be known from
the package (words, findings, commands, functions, schemas) is written from it; pictures are engraved here.
"""

from __future__ import annotations

import argparse
import contextlib
import importlib
import inspect
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from urllib.parse import unquote, urldefrag, urlsplit

import understave
from handbook.own_playing import playing_page
from handbook.screens import make_screens, without_missing
from understave import errors
from understave.cli.completion import commands_of
from understave.cli.program import parser
from understave.export.schemas import NAMES, schema
from understave.findings import with_events
from understave.findings.catalogue import finders
from understave.harmony.adopted import read_as
from understave.harmony.corrections import append_step
from understave.harmony.key_length import USUAL, trust_for
from understave.lesson.folder import CORRECTIONS, create_folder
from understave.score.reader import read_score
from understave.teaching.narrative import LENGTHS, narrate
from understave.wording.phrasebook import phrasebook

ROOT = Path(__file__).resolve().parents[1]
PAGES = Path(__file__).parent / "pages"
DEMO = ROOT / "examples" / "chain-ferry"
EXAMPLES = (ROOT / "examples" / "lock-water", DEMO)
_CONFIGURATION = """\
site_name: Understave
docs_dir: pages
site_dir: made
use_directory_urls: false
strict: true
theme: {name: material, font: false, features: [content.code.copy], language: en}
extra: {generator: false}
extra_css: [pages.css]
plugins: [search]
markdown_extensions: [tables, toc, admonition, pymdownx.superfences, attr_list]
validation: {nav: {omitted_files: warn}, links: {anchors: warn, absolute_links: warn}}
nav:
  - Start: index.md
  - First lesson: first-lesson.md
  - Erste Stunde (Deutsch): erste-stunde.md
  - How to: how-to.md
  - Your own playing: own-playing.md
  - What it tells of a piece: stories.md
  - Installing: installing.md
  - Commands: commands.md
  - What the words mean: words.md
  - Wortschatz (Deutsch): words-de.md
  - How things are found: findings.md
  - From Python: python.md
  - JSON: schemas.md
  - What is written: outputs.md
  - How right it is: how-right.md
  - Model card: model-card.md
  - Data card: data-card.md
  - Many scores: million-scores.md
  - Accessibility: accessibility.md
  - Questions: questions.md
"""


_STYLE = """\
/* Commands and signatures are read whole on narrow screens. */
.md-typeset pre > code { white-space: pre-wrap; overflow-wrap: anywhere; }
/* A file's name is not broken within a word: a table too wide for the screen is moved sideways. */
.md-typeset td code { white-space: nowrap; }
@media (max-width: 30em) {
  .md-typeset table:not([class]) th, .md-typeset table:not([class]) td { min-width: 0; padding: 0.6em 0.5em; }
}
"""


def words_page(language: str) -> str:
    """Return the glossary of a language as a page."""
    book = phrasebook(language)
    lines = [f"# {'Was die Wörter bedeuten' if language == 'de' else 'What the words mean'}", ""]
    for gloss in sorted(book.glosses, key=lambda g: g.term.casefold()):
        lines += [f"**{gloss.term}**: {_plain(gloss.meaning)}", ""]
    return "\n".join(lines)


def _plain(text: str) -> str:
    return text.replace("⟨", "").replace("⟩", "")


def findings_page() -> str:
    """Return how each finding is found, in the words of the module that finds it, with its source."""
    lines = [
        "# How things are found",
        "",
        "What each module of `understave.findings` says of itself, with the source of its rules.",
        "",
    ]
    for module in dict.fromkeys(find.__module__ for find in finders()):
        text = inspect.getdoc(importlib.import_module(module)) or ""
        # Its first line says what goes in and what comes out.
        found = re.split("[:,.]", text.partition(" -> ")[2])[0]
        title = found[:1].upper() + found[1:]
        lines += [f"## {title}", "", _as_paragraphs(text), ""]
    return "\n".join(lines)


def _as_paragraphs(text: str) -> str:
    """Return a docstring as Markdown: paragraphs, lists and tables; what else is indented, as it stands."""
    out = []
    for paragraph in text.split("\n\n"):
        lines = paragraph.splitlines()
        if paragraph.startswith("==="):
            out.append(_as_table(lines))
        elif any(line.startswith(" ") for line in lines) and not paragraph.startswith("- "):
            out.append(f"```text\n{paragraph}\n```")
        else:
            out.append(paragraph.replace("<", "&lt;"))
    return "\n\n".join(out)


def _as_table(lines: Sequence[str]) -> str:
    """Return a table drawn with equals signs (reStructuredText, "Simple Tables") as one of Markdown.

    A line without a first cell goes on in the row before; one that runs over the columns is its row's second
    cell.
    """
    spans = [found.span() for found in re.finditer("=+", lines[0])]
    rows: list[list[str]] = []
    for line in lines:
        if line.startswith("==="):
            continue
        cells = [line[start:end].strip() for start, end in (*spans[:-1], (spans[-1][0], None))]
        if any(line[end:start].strip() for (_, end), (start, _) in pairwise(spans)):
            cells = [cells[0], line[spans[1][0] :].strip(), *("" for _ in spans[2:])]
        if cells[0]:
            rows.append(cells)
        else:
            rows[-1] = [" ".join(filter(None, pair)) for pair in zip(rows[-1], cells, strict=True)]
    head, *rest = (f"| {' | '.join(row)} |" for row in rows)
    return "\n".join([head, "|" + " --- |" * len(spans), *rest])


def stories_page() -> str:
    """Return the page with the stories of both examples and of six pieces by others, in two lengths."""
    told = ["# What it tells of a piece", *_ABOUT_STORIES]
    for example in EXAMPLES:
        score = read_score(example / "score.musicxml")
        analysis = (example / "analysis.txt").read_text(encoding="utf-8")
        reading = with_events(score, read_as(score, (), analysis)[0], keyed=True)
        told.append(f"## {score.title}")
        for length, heading in zip(LENGTHS, ("In a minute", "In five minutes"), strict=False):
            told.append(f"### {heading}")
            for chapter in narrate(score, reading, length):
                told.append(f"*{chapter.bars}:* {chapter.text}" if chapter.bars else chapter.text)
    others = (ROOT / "docs" / "stories-of-six-pieces.md").read_text(encoding="utf-8")
    return "\n\n".join(told) + "\n\n" + others


_ABOUT_STORIES = (
    "Two pieces written for Understave, told from the reading that was corrected by hand: what the page and "
    "the papers of a lesson begin with. `understave explain FOLDER --minute`, `--five`, or without either "
    "prints the same of your own piece. Below them stand the stories of six pieces by others.",
    "What is told first is decided by how surprising it is, how clearly it is heard and what it is akin to; "
    "every sentence is checked against the notes before it is told ([how right it is](how-right.md)).",
)


def commands_page() -> str:
    """Return every command with its options, as the parser has them, and the exit codes."""
    lines = ["# Commands", ""]
    for command in commands_of(parser()):
        lines += [f"## understave {command.name}", "", f"{command.help}.", ""]
        lines += ["| option | what it does |", "| --- | --- |"]
        for o in command.options:
            values = f" ({', '.join(o.values)})" if o.values else ""
            lines.append(f"| `{', '.join(o.names)}`{values.replace('|', '/')} | {o.help.replace('|', '/')} |")
        lines.append("")
    lines += ["## Exit codes", "", "| code | meaning |", "| --- | --- |"]
    lines += [f"| {code} | {what} |" for code, what in _EXIT_CODES]
    return "\n".join(lines) + "\n"


_EXIT_CODES = (
    ("0", "done"),
    ("1", "done, and what was examined is not in order (`doctor`)"),
    ("2", "the input or an option is wrong; one sentence on standard error says what and where"),
    ("70", "a fault of ours; the log has the details"),
    ("130", "stopped with Ctrl-C; nothing was changed half way"),
    ("141", "nobody read standard output on, as with `understave show SCORE | head`"),
)


def python_page() -> str:
    """Return the public names with their signatures and docstrings."""
    lines = ["# From Python", ""]
    lines += ["The notebook `examples/tutorial.ipynb` of the source goes through a piece step by step.", ""]
    lines += ["```text", inspect.getdoc(understave) or "", "```", ""]
    lines += ["## When something is wrong", "", "```text", inspect.getdoc(errors) or "", "```", ""]
    for name in understave.__all__:
        value = getattr(understave, name)
        lines += [f"## {name}", ""]
        if inspect.isroutine(value) or inspect.isclass(value):
            with contextlib.suppress(ValueError):
                lines += ["```python", f"{name}{inspect.signature(value)}", "```", ""]
            lines += ["```text", inspect.getdoc(value) or "", "```", ""]
        else:
            lines += [f"`{type(value).__name__}` with {', '.join(value)}.", ""]
    return "\n".join(lines)


def schemas_page() -> str:
    """Return the JSON schemas, whole."""
    import json

    lines = [
        "# JSON",
        "",
        "The published schemas (JSON Schema 2020-12), as the records in `understave/export` say;",
        "`python -m understave.export.schemas NAME` prints one.",
        "",
    ]
    for name in NAMES:
        lines += [f"## {name}", "", "```json", json.dumps(schema(name), indent=1), "```", ""]
    return "\n".join(lines)


def make_pictures(folder: Path) -> None:
    """Engrave the pictures of the pages from the demo piece, corrected by its own analysis."""
    from understave.cli import main

    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as made:
        lesson = Path(made) / "lesson"
        # A lesson's folder with what the analysis decides; its papers, which are on no page, are not made.
        source = DEMO / "score.musicxml"
        score = read_score(source)
        analysis = (DEMO / "analysis.txt").read_text(encoding="utf-8")
        _, added = read_as(score, (), analysis, "from analysis.txt", trust_for(score, USUAL))
        create_folder(lesson, source, score.title, score.composer)
        append_step(lesson / CORRECTIONS, added)
        for name, bars, more in (("reading", "1-8", []), ("plan", "1-6", ["--plan"])):
            out = ["--out", str(folder / f"{name}.svg")]
            if main(["excerpt", str(lesson), "--bars", bars, *more, *out]):
                raise SystemExit(f"{name} could not be engraved")
    for picture in (ROOT / "docs").glob("*.png"):
        shutil.copy(picture, folder / picture.name)


def build(out: Path) -> list[str]:
    """Build the site into a folder and return what is wrong with its links."""
    with tempfile.TemporaryDirectory() as work:
        pages = Path(work) / "pages"
        shutil.copytree(PAGES, pages)
        made = {
            "pages.css": _STYLE,
            "words.md": words_page("en"),
            "words-de.md": words_page("de"),
            "findings.md": findings_page(),
            "stories.md": stories_page(),
            "commands.md": commands_page(),
            "python.md": python_page(),
            "schemas.md": schemas_page(),
            "model-card.md": (ROOT / "MODEL_CARD.md").read_text(encoding="utf-8"),
            "million-scores.md": (ROOT / "docs" / "million-scores.md").read_text(encoding="utf-8"),
        }
        for name, text in made.items():
            (pages / name).write_text(text, encoding="utf-8")
        make_pictures(pages / "pictures")
        there = make_screens(EXAMPLES[0] / "score.musicxml", pages / "pictures")
        how_to = pages / "how-to.md"
        how_to.write_text(without_missing(how_to.read_text(encoding="utf-8"), there), encoding="utf-8")
        playing = pages / "own-playing.md"
        text = playing.read_text(encoding="utf-8")
        playing.write_text(playing_page(EXAMPLES[0], text, pages / "pictures"), encoding="utf-8")
        shutil.copy(ROOT / "docs" / "reliability.png", pages / "reliability.png")
        model = pages / "model-card.md"
        model.write_text(model.read_text(encoding="utf-8").replace("docs/", ""), encoding="utf-8")
        (Path(work) / "mkdocs.yml").write_text(_CONFIGURATION, encoding="utf-8")
        call = [sys.executable, "-m", "mkdocs", "build", "--strict", "--site-dir", str(out.resolve())]
        subprocess.run(call, cwd=work, check=True)
    return list(broken_links(out))


class _Links(HTMLParser):
    """Collects what a page refers to, what it loads, and the places in it that can be referred to."""

    def __init__(self) -> None:
        super().__init__()
        self.links: list[str] = []
        self.loaded: list[str] = []
        self.ids: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Take one element in."""
        values = {name: value or "" for name, value in attrs}
        self.ids |= {values[n] for n in ("id", "name") if n in values}
        if tag == "a" and "href" in values:
            self.links.append(values["href"])
        elif tag == "link" and values.get("rel") not in ("canonical", "next", "prev"):
            self.loaded.append(values.get("href", ""))
        elif tag in ("script", "img", "iframe", "source", "audio", "video") and "src" in values:
            self.loaded.append(values["src"])


def broken_links(site: Path) -> Iterator[str]:
    """Say of every page which links lead nowhere, and what it would fetch from elsewhere."""
    pages = {}
    for path in site.rglob("*.html"):
        links = _Links()
        links.feed(path.read_text(encoding="utf-8"))
        pages[path.resolve()] = links
    for path, links in pages.items():
        for target in (*links.links, *links.loaded):
            parts = urlsplit(target)
            if parts.scheme in ("data", "mailto") or (parts.scheme and target not in links.loaded):
                continue
            if parts.scheme or parts.netloc:
                yield f"{path.name} would fetch {target}"
                continue
            if path.name == "404.html":  # its links are meant from the root of a host
                continue
            plain, place = urldefrag(target)
            there = (path.parent / unquote(plain)).resolve() if plain else path
            there = there / "index.html" if there.is_dir() else there
            if not there.exists():
                yield f"{path.name} refers to {target}, which is not there"
            elif place and there in pages and unquote(place) not in pages[there].ids and place != "__skip":
                yield f"{path.name} refers to {target}, a place that is not on that page"


def main(arguments: Sequence[str] | None = None) -> int:
    """Build, say where the site lies, and end with 1 where a link is broken."""
    reader = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    reader.add_argument("folder", nargs="?", type=Path, default=Path(__file__).parent / "made")
    folder = reader.parse_args(arguments).folder
    wrong = build(folder)
    for line in wrong:
        print(line, file=sys.stderr)
    print(f"{folder / 'index.html'}: {len(list(folder.rglob('*.html')))} pages, {len(wrong)} broken links.")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
