"""The lesson page as text: nothing in it asks for anything outside, and no text breaks out of its place."""

import gzip
import json
import re
from base64 import b64decode, b64encode
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from understave.media.page import (
    Bar,
    Contrast,
    Layout,
    NamedSound,
    Page,
    Side,
    Sound,
    Stop,
    bundled,
    lesson_page,
    lesson_page_files,
    lesson_values,
    style,
)

NASTY = "</script><script>alert('1')</script> & <b>\u2028⟨V7⟩"
SVG = '<svg xmlns="http://www.w3.org/2000/svg" width="10mm" viewBox="0 0 1000 1000"/>'


@pytest.fixture
def page():
    whole = Sound(b"whole", "audio/mpeg", 2.0, (("n1", 0.0, 0.51234),))
    part = Sound(b"part", "audio/ogg", 1.0)
    return Page(
        title=NASTY,
        composer=NASTY,
        language="en",
        layouts=(Layout(180.0, (SVG,)),),
        bars=(Bar("m1", "1", 0.0, 2.0, NASTY),),
        sound=whole,
        stops=(Stop(0, 0, NASTY, NASTY, (NASTY,), excerpt=SVG, sounds=(NamedSound("again", part),)),),
        contrasts=(Contrast("x", "bar 1", "y", (Side("a", SVG, whole), Side("b", SVG, part))),),
    )


class Elements(HTMLParser):
    def __init__(self, text):
        super().__init__()
        self.tags, self.texts, self.attributes = [], {}, []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.texts.setdefault(self.tags[-1] if self.tags else "", []).append(data)


def test_texts_stay_texts(page):
    read = Elements(lesson_page(page))
    # The words, the lesson, its two sounds, and the only one that is executed.
    kinds = [a.get("type") for tag, a in read.attributes if tag == "script"]
    assert kinds == ["application/json", "application/gzip", "text/plain", "text/plain", "module"]
    assert "b" not in read.tags
    lesson = lesson_values(lesson_page(page))
    assert lesson["title"] == NASTY
    assert lesson["stops"][0]["words"] == [NASTY]
    assert lesson["sound"]["notes"] == [["n1", 0.0, 0.512]]


def test_nothing_is_fetched(page):
    text = lesson_page(page)
    for tag, attributes in Elements(text).attributes:
        assert tag not in ("img", "iframe", "object")
        for name in ("src", "href"):
            assert (attributes.get(name) or "data:").startswith("data:")
    # The names of XML languages look like addresses and are none.
    addresses = set(re.findall(r"https?://[^\s\"'\\)]+", text)) - {"http://www.w3.org/2000/svg"}
    assert not addresses
    assert "url(" not in style()
    assert "@import" not in style()
    assert "default-src 'none'" in text


def test_sounds_can_lie_beside_the_page(page):
    files = lesson_page_files(page)
    assert {name: data for name, data in files.items() if name != "page.html"} == {
        "sounds/1.mp3": b"whole",
        "sounds/2.opus": b"part",
    }
    lesson = lesson_values(files["page.html"])
    assert lesson["sound"]["source"] == "sounds/1.mp3"
    assert lesson["stops"][0]["sounds"][0]["sound"]["source"] == "sounds/2.opus"
    assert "base64" not in files["page.html"]


def test_a_sound_that_is_heard_in_two_places_travels_once(page):
    text = lesson_page(page)
    held = [a["id"] for tag, a in Elements(text).attributes if a.get("type") == "text/plain"]
    assert held == ["sound-1", "sound-2"]
    lesson = lesson_values(text)
    assert lesson["sound"]["source"] == lesson["contrasts"][0]["sides"][0]["sound"]["source"] == "#sound-1"
    assert lesson["contrasts"][0]["sides"][1]["sound"]["source"] == "#sound-2"
    assert f'id="sound-2">data:audio/ogg;base64,{b64encode(b"part").decode()}<' in text


def test_sounds_made_apart_that_are_the_same_travel_once(page):
    """Parts of a lesson are made in processes of their own: what is the same is not the same object."""
    (contrast,) = page.contrasts
    there = contrast.sides[1]
    copied = replace(there.sound, data=bytes(bytearray(there.sound.data)))
    assert copied.data is not there.sound.data
    again = replace(contrast, sides=(contrast.sides[0], replace(there, sound=copied)))
    doubled = replace(page, contrasts=(contrast, again))
    for made in (lesson_page(doubled), lesson_page_files(doubled)["page.html"]):
        first, second = (c["sides"][1]["sound"]["source"] for c in lesson_values(made)["contrasts"])
        assert first == second
    assert len(lesson_page_files(doubled)) == len(lesson_page_files(page))


def test_a_shape_that_several_pictures_draw_travels_once(page):
    shape = "M0 0" + "".join(f"l{7 * i % 97} {-(i % 89)}" for i in range(400)) + "z"
    others = [f"M{i} 1" + "h1v-1" * 20 for i in range(2)]
    drawn = [
        f"<svg><defs><g><path transform='scale(1,-1)' d='{shape}'/></g></defs><path d='{other}'/></svg>"
        for other in others
    ]
    (contrast,) = page.contrasts
    sides = tuple(replace(side, picture=picture) for side, picture in zip(contrast.sides, drawn, strict=True))
    text = lesson_page(replace(page, contrasts=(replace(contrast, sides=sides),)))
    packed = re.search(r'id="lesson">([^<]*)<', text)
    assert packed
    lines = gzip.decompress(b64decode(packed[1])).decode()
    assert lines.count(shape) == 1
    assert json.loads(lines.split("\n")[0]) == [shape]
    pictures = [side["picture"] for side in lesson_values(text)["contrasts"][0]["sides"]]
    assert pictures == drawn


def test_the_lesson_in_a_page_can_be_read_by_others_and_is_the_same_on_any_day(page):
    """Python's `gzip` and `base64` (RFC 1952, RFC 4648)."""
    text = lesson_page(page)
    assert text == lesson_page(page)
    with pytest.raises(ValueError, match="no lesson page"):
        lesson_values("<html></html>")


def test_the_script_has_each_module_once_after_what_it_needs():
    script = bundled()
    assert not re.search(r"^\s*(import|export)\b(?! ?\()", script, re.MULTILINE)
    for name in ("stave-score", "stave-transport", "stave-contrast", "stave-question", "stave-overview"):
        assert script.count(f'customElements.define("{name}"') == 1
    assert (
        script.index("class SoundClock") < script.index("class StaveTransport") < script.index("showLesson(")
    )
    names = [
        n for found in re.findall(r"^const \{ ([^}]*)\} = ", script, re.MULTILINE) for n in found.split(",")
    ]
    exported = [n.strip() for n in names if n.strip()]
    assert len(exported) == len(set(exported)) > 8
