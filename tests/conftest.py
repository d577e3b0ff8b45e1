"""Shared by all tests.

The schema is the MusicXML 4.0 XSD (W3C Music Notation Community Group) as the `musicxml` package on the
Python package index carries it; the two schemas it imports are replaced by the few attributes of
them that MusicXML uses.
"""

import gc
import importlib.metadata
import os
import shutil
import sys
import tempfile
from functools import lru_cache
from pathlib import Path

import pytest
from lxml import etree

XLINK = "href role title show actuate"
ATTRIBUTES = "".join(f'<xs:attribute name="{name}" type="xs:string"/>' for name in XLINK.split())
HEAD = '<xs:schema xmlns:xs="http://www.w3.org/2001/XMLSchema" targetNamespace="{}">'
XLINK_SCHEMA = (
    HEAD.format("http://www.w3.org/1999/xlink")
    + ATTRIBUTES
    + '<xs:attribute name="type" type="xs:string" fixed="simple"/></xs:schema>'
)
XML_SCHEMA = (
    HEAD.format("http://www.w3.org/XML/1998/namespace")
    + '<xs:attribute name="lang" type="xs:language"/>'
    + '<xs:attribute name="space" type="xs:NCName"/></xs:schema>'
)


FOLDER = "UNDERSTAVE_TESTS_ONCE"  # named here too: what `once` imports loads numeric libraries

# Workers already use every core: more threads in each, and in what they start, only wait for one another.
# Set before any numeric library is loaded; the networks (`harmony.model.network`) heed the first as well.
for _library in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_library, "1")


# What is imported and collected stays to the end: it is looked through for rubbish neither while it is made
# nor in the tests, where half a million objects would be looked at again and again.
gc.disable()

TESTS = Path(__file__).resolve().parent
DEAREST = (
    *("desk/test_desk_in_browser.py", "viewer/test_lesson_page.py", "viewer/test_wall_and_homework.py"),
    *("desk/test_takes_at_desk.py", "reference/test_formats_kern.py", "takes/test_takes_in_lessons.py"),
    *("test_planted.py", "test_guests.py", "reference/test_score_agreement.py", "cli/test_cli.py"),
    *("media/test_own_picture.py", "desk/test_elsewhere.py", "repertoire/test_indexing.py"),
    *("repertoire/test_cluster.py", "teaching/test_words_of_lessons.py", "engraving/test_collisions.py"),
    *("lesson/test_chosen_conventions.py", "teaching/test_worked_examples.py", "lesson/test_make.py"),
    *("media/test_clips.py", "reference/test_formats_midi.py", "reference/test_chromatic_chorales.py"),
    *("teaching/test_stops.py", "media/test_teacher_paper.py", "claims/test_claims.py"),
    *("cli/test_as_a_filter.py", "interpretation/test_pedal.py", "export/test_played.py"),
    *("test_windows_rules.py", "lesson/test_memory.py", "cli/test_cli_playing.py", "test_handbook.py"),
    *("engraving/test_planned.py", "reference/test_formats_abc.py", "desk/test_killed.py"),
    "export/test_lilypond.py",
)
"""The files whose tests take longest, the longest first (`--durations`); the order of the others is free."""


def pytest_collection_modifyitems(items):
    """Begin with the dearest files: one that begins late keeps one worker busy when all others have ended."""
    rank = {TESTS / name: place for place, name in enumerate(DEAREST)}
    items.sort(key=lambda item: rank.get(item.path, len(rank)))


def pytest_collection_finish():
    gc.freeze()
    gc.enable()


def pytest_configure(config):
    """Make the folder in which the workers of a run share what takes long to make."""
    if FOLDER not in os.environ:
        os.environ[FOLDER] = config.made_here = tempfile.mkdtemp(prefix="understave-tests-")
    # Nothing that the user's own lessons taught is read, and nothing is written among it.
    os.environ["XDG_STATE_HOME"] = str(Path(os.environ[FOLDER]) / "state")


def pytest_unconfigure(config):
    if hasattr(config, "made_here"):
        shutil.rmtree(config.made_here, ignore_errors=True)
        del os.environ[FOLDER]


@pytest.fixture(scope="session", autouse=True)
def drawn_once():
    """The engraver draws the same notation the same way: what it drew for one test is there for all."""
    if (notation := sys.modules.get("understave.engraving.notation")) is None:
        yield
        return
    from tests.once import on_disk

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(notation, "_drawn", lru_cache(maxsize=8)(on_disk(notation._drawn.__wrapped__)))
        yield


@pytest.fixture(scope="session")
def schema(tmp_path_factory):
    try:
        package = importlib.metadata.distribution("musicxml")
    except importlib.metadata.PackageNotFoundError:
        pytest.skip("the package that carries the MusicXML schema is not installed")
    source = Path(str(package.locate_file("musicxml/generate_classes/musicxml_4_0.xsd")))
    folder = tmp_path_factory.mktemp("schema")
    (folder / "xlink.xsd").write_text(XLINK_SCHEMA, encoding="utf-8")
    (folder / "xml.xsd").write_text(XML_SCHEMA, encoding="utf-8")
    text = source.read_text(encoding="utf-8").replace("http://www.musicxml.org/xsd/", "")
    assert "Version 4.0" in text[:1500]
    (folder / "musicxml.xsd").write_text(text, encoding="utf-8")
    return etree.XMLSchema(etree.parse(str(folder / "musicxml.xsd")))
