"""The package of questions: QTI 3.0 of 1EdTech, its names from memory; no package carries the schema.

So what is checked is what a schema and an importer ask for in any case: well-formed XML, identifiers, a right
answer among the choices, every resource there and nothing else.
"""

from __future__ import annotations

import io
import posixpath
import re
import zipfile
from functools import cache
from pathlib import Path

import pytest
from lxml import etree
from tests.once import read, read_score

from understave.media.qti import PACKAGE, QTI, item_of, qti_package
from understave.teaching.exercises import exercises
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral

SCORE = Path(__file__).resolve().parents[2] / "examples" / "chain-ferry" / "score.musicxml"
NAME = re.compile(r"[A-Za-z_][\w.-]*")
"""An NCName in ASCII: Namespaces in XML 1.0, production 4."""
LANGUAGES = [("en", "intermediate"), ("de", "beginner"), ("fr", "advanced")]


@cache
def package(language: str, level: str):
    score = read_score(SCORE)
    reading = read(score)
    found = exercises(score, reading, level)
    pictures = {e.step: f"cards/exercise-{e.step}.svg" for e in found if e.kind != "hear and choose"}
    sounds = {e.step: f"sounds/exercise-{e.step}.mp3" for e in found if e.kind == "hear and choose"}
    given = dict.fromkeys((*pictures.values(), *sounds.values()), b"of a file")
    data = qti_package(score, reading, found, pictures, sounds, given, language)
    assert data == qti_package(score, reading, found, pictures, sounds, given, language)
    return score, reading, found, zipfile.ZipFile(io.BytesIO(data))


def q(name: str, space: str = QTI) -> str:
    return f"{{{space}}}{name}"


@pytest.mark.parametrize("variant", LANGUAGES)
def test_every_resource_is_there_and_nothing_else(variant):
    _, _, found, files = package(*variant)
    manifest = etree.fromstring(files.read("imsmanifest.xml"))
    assert manifest.tag == q("manifest", PACKAGE)
    listed = [f.get("href") for f in manifest.iter(q("file", PACKAGE))]
    assert sorted(listed) == sorted(set(files.namelist()) - {"imsmanifest.xml"})
    resources = list(manifest.iter(q("resource", PACKAGE)))
    names = [r.get("identifier") for r in resources]
    assert len(set(names)) == len(names) == len(found) + 1
    assert all(NAME.fullmatch(n) for n in (*names, manifest.get("identifier")))
    assert {d.get("identifierref") for d in manifest.iter(q("dependency", PACKAGE))} == set(names) - {"test"}
    for r in resources:
        assert r.get("href") in [f.get("href") for f in r.iter(q("file", PACKAGE))]
    test = etree.fromstring(files.read("test.xml"))
    asked = [(i.get("identifier"), i.get("href")) for i in test.iter(q("qti-assessment-item-ref"))]
    assert asked == [(r.get("identifier"), r.get("href")) for r in resources[1:]]


@pytest.mark.parametrize("variant", LANGUAGES)
def test_every_item_has_its_right_answer_among_the_choices(variant):
    _, _, _, files = package(*variant)
    chosen = free = 0
    for path in files.namelist():
        if not path.startswith("items/"):
            continue
        item = etree.fromstring(files.read(path))
        assert item.tag == q("qti-assessment-item")
        assert item.get("identifier") == Path(path).stem
        declared = item.find(q("qti-response-declaration"))
        interaction = next(e for e in item.iter() if etree.QName(e).localname.endswith("-interaction"))
        assert interaction.get("response-identifier") == declared.get("identifier") == "RESPONSE"
        right = [v.text for v in declared.iter(q("qti-value"))]
        offered = [c.get("identifier") for c in interaction.iter(q("qti-simple-choice"))]
        if offered:
            chosen += 1
            texts = [c.text for c in interaction.iter(q("qti-simple-choice"))]
            assert len(set(texts)) == len(set(offered)) == len(texts) >= 2
            assert len(right) == 1
            assert right[0] in offered
            assert declared.get("base-type") == "identifier"
            assert item.find(q("qti-response-processing")).get("template").endswith("match_correct.xml")
        else:
            free += 1
            assert right == []
            assert declared.get("base-type") == "string"
            assert item.find(q("qti-outcome-declaration")).get("external-scored") == "human"
            assert next(item.iter(q("qti-rubric-block"))).get("view") == "scorer"
        for media in (*item.iter(q("img")), *item.iter(q("audio"))):
            assert posixpath.normpath(posixpath.join("items", media.get("src"))) in files.namelist()
        text = "".join(item.itertext())
        assert not set("⟨⟩{}") & set(text)
    assert chosen >= 6
    assert free >= 2


@pytest.mark.parametrize("variant", LANGUAGES)
def test_what_is_offered_beside_the_right_choice_is_wrong(variant):
    score, reading, found, _ = package(*variant)
    for e in found:
        item = item_of(e, score, reading, variant[0])
        if e.kind == "find the foreign note":
            span = reading.span_at(e.start)
            assert item.choices[item.correct].casefold() in item.answer.casefold()
            members = {p.semitone for p in span.numeral.chord(span.key).members}
            assert e.details.pitch.pitch_class.semitone not in members
        if e.kind == "name the chord" and e.level != "beginner":
            key = e.details.key
            assert isinstance(key, Key)
            right = e.details.chord.chord(key).semitones
            plain = [RomanNumeral.parse(t) for t in ("I", "ii", "IV", "V", "V7", "i", "iv", "VI")]
            assert item.choices[item.correct] not in [
                c for k, c in enumerate(item.choices) if k != item.correct
            ]
            same = [str(n) for n in plain if n.chord(key).semitones == right and n != e.details.chord]
            assert not set(same) & set(item.choices)
        if e.correct is not None:
            assert item.correct == e.correct
