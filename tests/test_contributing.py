"""CONTRIBUTING.md: what it says to do is done word for word in a copy; what it names is there."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
GUIDE = ROOT / "CONTRIBUTING.md"
PIECE = ROOT / "tests" / "plugin_sample" / "horn-on-the-river.ferrytab"
"""In the format that the guide's example reads."""
GUIDES = ("CONTRIBUTING.md", "ARCHITECTURE.md", "training/README.md")
MADE_LATER = {
    "tables.json",
    "lesson.toml",
    "corrections.jsonl",
    "pages.jsonl",
    "exports/",
    "exports/made.json",
    "exports/kept/",
}
"""Files that the guides name and that a lesson or training makes."""
_BLOCK = re.compile(r"^( *)```\w+\n(.*?)^ *```$", re.DOTALL | re.MULTILINE)
_STEP = re.compile(
    r"(?:(?P<new>[Nn]ew file)|(?P<end>[Aa]t the end of)|\bof(?= `[^`]+`:)|[Ii]n) `(?P<file>[\w./-]+/[\w.-]+)`"
    r"|(?P<where>[Aa]fter|[Bb]efore|[Ii]nstead of) the line `(?P<line>[^`]+)`"
)
_COPY = re.compile(r"^ +cp (\S+) (\S+)$", re.MULTILINE)


def section(title: str) -> str:
    parts = re.split(r"^## ", GUIDE.read_text(encoding="utf-8"), flags=re.MULTILINE)
    (found,) = [p for p in parts if p.startswith(f"{title}\n")]
    return found


def follow(title: str, home: Path) -> None:
    """Do in `home` what a section says: new files, lines added to files, files copied."""
    text = section(title)
    for source, target in _COPY.findall(text):
        shutil.copy(home / source, home / target)
    at, file = 0, Path()
    for block in _BLOCK.finditer(text):
        said, at = " ".join(text[at : block.start()].split()), block.end()
        code = re.sub(rf"^{block[1]}", "", block[2], flags=re.MULTILINE)
        where, line = "end", ""
        for step in re.finditer(_STEP, said):
            if step["file"]:
                file, where = home / step["file"], "new" if step["new"] else "end"
            else:
                where, line = step["where"].lower(), step["line"].strip()
        _write(file, where, line, code)


def _write(file: Path, where: str, line: str, code: str) -> None:
    if where == "new":
        assert not file.exists(), f"{file} is said to be new"
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(code, encoding="utf-8")
        return
    lines = file.read_text(encoding="utf-8").splitlines(keepends=True)
    if where == "end":
        at, after = len(lines), len(lines)
        code = "\n" + code
    else:
        (at,) = [k for k, found in enumerate(lines) if found.strip() == line]
        at, after = {"before": (at, at), "after": (at + 1, at + 1), "instead of": (at, at + 1)}[where]
    file.write_text("".join([*lines[:at], code, *lines[after:]]), encoding="utf-8")


@pytest.fixture(scope="module")
def home(tmp_path_factory) -> Path:
    """A copy of what the guide changes, with all of it followed."""
    home = tmp_path_factory.mktemp("checkout")
    for folder in ("src", "tests/findings", "tests/plugin_sample"):
        shutil.copytree(ROOT / folder, home / folder)  # with what is compiled, which stays true
    for title in re.findall(r"^## (Add .*)$", GUIDE.read_text(encoding="utf-8"), flags=re.MULTILINE):
        follow(title, home)
    return home


def run(home: Path, *command: str) -> str:
    paths = os.pathsep.join(str(home / p) for p in ("src", "tests/findings"))
    done = subprocess.run(
        [sys.executable, *command],
        cwd=home,
        env={**os.environ, "PYTHONPATH": paths},
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    return done.stdout


def test_the_kind_of_finding_is_found_shown_and_told_in_every_language(home, tmp_path):
    run(home, "-m", "pytest", "-q", "-p", "no:cacheprovider", "tests/findings/test_octaves.py")
    asked = """
from build import build, spans_of
from understave.engraving.event_lane import event_name
from understave.findings import find_events
from understave.wording.sentences import say
score = build("C5:1 D5 E5 D5 | C5:1 E5 G5:2 | C5:4", "C3:1 D3 E3 D3 | C3:1 E3 G3:2 | C3:4")
spans = spans_of(score, "C: I:4 | I:4 | I:4")
(event,) = [e for e in find_events(score, spans) if e.kind == "octaves"]
for language in ("en", "de", "fr"):
    print(say(event, score, "intermediate", language), event_name(event, language))
"""
    told = run(home, "-c", asked).splitlines()
    assert told == [
        "Both hands play one line in octaves for two bars. octaves",
        "Beide Hände spielen eine Linie in Oktaven, zwei Takte lang. Oktaven",
        "Les deux mains jouent une seule ligne en octaves pendant deux mesures. octaves",
    ]


def test_the_format_is_read(home):
    assert "The Horn on the River" in run(home, "-P", "-m", "understave", "show", str(PIECE))


def test_the_language_is_there_and_what_it_lacks_is_listed(home):
    asked = "from understave.wording.lacking import main; main(['it'])"
    lacks = run(home, "-c", asked).splitlines()
    assert re.fullmatch(r"it: \d+ lacking", lacks[0])
    assert "  events" in lacks
    assert not [line for line in lacks if "plurals" in line or "mode switch" in line]
    told = run(home, "-P", "-m", "understave", "explain", str(PIECE), "--language", "it", "--minute")
    assert "do maggiore" in told


def test_the_instrument_has_its_names_and_sounds(home):
    asked = """
from understave.acoustics.piano import INSTRUMENTS
from understave.wording import phrasebook
book = phrasebook("en")
print(INSTRUMENTS["square piano"].a4, book.values["piano"]["square piano"])
"""
    assert run(home, "-c", asked) == "425.0 a square piano\n"


def test_the_part_of_the_lesson_is_made(home, tmp_path):
    asked = f"""
from pathlib import Path
from understave import LessonOptions
from understave.lesson import make
every = make._plain_parts
make._plain_parts = lambda *given: [part for part in every(*given) if part.name == "keys"]
make._further_parts = lambda *given: []
make.make_lesson(Path({str(PIECE)!r}), Path({str(tmp_path / "lesson")!r}), LessonOptions(sound=False))
"""
    run(home, "-c", asked)
    (made,) = tmp_path.rglob("keys.txt")
    assert made.read_text(encoding="utf-8") == "1: C major\n"


@pytest.mark.parametrize("guide", GUIDES)
def test_every_file_and_name_that_a_guide_gives_is_there(guide):
    """Code spans with a suffix or a slash at the end are files; words of all others stand in the source."""
    text = (ROOT / guide).read_text(encoding="utf-8")
    new = {Path(m["file"]).as_posix() for m in _STEP.finditer(" ".join(text.split())) if m["new"]}
    prose = re.sub(r"^ {4,}.*$", "", _BLOCK.sub("", text), flags=re.MULTILINE)
    spans = set(re.findall(r"`([^`]+)`", prose))
    files = {s for s in spans if re.fullmatch(r"[\w*./-]+(/|\.(py|toml|js|typ|md|yaml|json|jsonl|txt))", s)}
    assert len(files) > 3
    assert sorted(f for f in files - new - MADE_LATER if not _is_there(f, ROOT / guide)) == []
    words = {w for s in spans - files for w in re.findall(r"[A-Za-z_]{4,}", s)}
    assert len(words) > 3
    ours = {Path(f).stem for f in new}
    assert sorted(words - ours - _words_of_the_source()) == []


def _is_there(name: str, guide: Path) -> bool:
    """Whether a file is there: from the root, beside the guide, in the package, or by the end of its path."""
    package = ROOT / "src" / "understave"
    if any((base / name).exists() for base in (ROOT, guide.parent, package.parent) if "*" not in name):
        return True
    return any(True for _ in package.glob(f"**/{name.rstrip('/')}"))


def _words_of_the_source() -> set[str]:
    folders = ("src", "training", "benchmarks", "tests", "handbook")
    kinds = (".py", ".js", ".toml", ".typ")
    files = [
        p
        for folder in folders
        for p in (ROOT / folder).rglob("*")
        if p.suffix in kinds and p != Path(__file__)
    ]
    files += [ROOT / "pyproject.toml", ROOT / "run-tests", ROOT / ".ci" / "run"]
    words = {w for f in files for w in re.findall(r"[A-Za-z_]+", f.read_text(encoding="utf-8"))}
    return words | {part for f in files for part in re.split(r"[/.\W]", f.relative_to(ROOT).as_posix())}
