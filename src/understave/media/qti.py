"""Exercises as a package of questions: QTI 3.0 of 1EdTech, for any program that puts questions to students.

In: a Score, its Reading, its Exercises, pictures and sounds by path. Out: the bytes of a zip file:
``imsmanifest.xml``, a test, and an item for each exercise with its picture or sound.

What can be told right from wrong by a program is to be chosen: the chord, its notes, the foreign note,
what is heard. The wrong choices are of the key and differ in their notes from the right one. What has more
than one good answer (to resolve, to continue, to play) is free text; the answer stands there for who scores.
Names of elements and of the namespaces are from memory of the standard; no schema is at hand to check them.
"""

from __future__ import annotations

import hashlib
import io
import posixpath
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from lxml import etree

from understave.harmony.reading import Reading
from understave.score.model import Score
from understave.teaching.details import ChordToName, ChordToSpell, NoteToFind
from understave.teaching.exercises import Exercise
from understave.theory.roman import RomanNumeral
from understave.theory.vocabulary import Language
from understave.wording import in_a_line, phrasebook
from understave.wording.gaps import name_value

QTI = "http://www.imsglobal.org/xsd/imsqtiasi_v3p0"
PACKAGE = "http://www.imsglobal.org/xsd/qti/qtiv3p0/imscp_v1p1"
MATCH = "https://purl.imsglobal.org/spec/qti/v3p0/rptemplates/match_correct.xml"
_DEFAULT: dict[str, dict[str, str]] = {
    name: {None: name}  # type: ignore[dict-item]
    for name in (QTI, PACKAGE)
}
_WRONG = 3
"""Wrong choices beside the right one."""
_PLAIN = (
    ("I", "ii", "IV", "V", "vi", "I6", "ii6", "V6", "V7", "ii7"),
    ("i", "iio6", "iv", "V", "VI", "i6", "iv6", "V6", "V7", "III"),
)
"""Chords to choose from, in major and in minor."""


@dataclass(frozen=True, slots=True)
class Item:
    """A question; with `choices` the one at `correct` is right, without them `answer` is for who scores."""

    number: int
    prompt: str
    answer: str
    choices: tuple[str, ...] = ()
    correct: int = 0
    picture: str = ""
    sound: str = ""


def qti_package(  # noqa: PLR0913
    score: Score,
    reading: Reading,
    exercises: Sequence[Exercise],
    pictures: Mapping[int, str],
    sounds: Mapping[int, str],
    given: Mapping[str, bytes],
    language: Language = "en",
) -> bytes:
    """Return the package. `pictures` and `sounds` are paths by the step of an exercise, `given` the files."""
    items = [
        item_of(
            exercise, score, reading, language, pictures.get(exercise.step, ""), sounds.get(exercise.step, "")
        )
        for exercise in exercises
    ]
    word = phrasebook(language).headings["exercises"]
    title = f"{score.title}: {word}"
    made: dict[str, bytes] = {"imsmanifest.xml": _manifest(items, title), "test.xml": _test(items, title)}
    for item in items:
        made[_item_path(item)] = _item(item, f"{word} {item.number}", language)
        for path in filter(None, (item.picture, item.sound)):
            made[_media_path(path)] = given[path]
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as package:
        for path, data in made.items():
            # The same exercises on another day are the same file.
            package.writestr(zipfile.ZipInfo(path, (1980, 1, 1, 0, 0, 0)), data, zipfile.ZIP_DEFLATED)
    return out.getvalue()


# --- what is asked ---------------------------------------------------------------------------------------


def item_of(
    exercise: Exercise, score: Score, reading: Reading, language: Language, picture: str = "", sound: str = ""
) -> Item:
    """Return an exercise as an item."""
    prompt, answer = (
        in_a_line(t) for t in (exercise.prompt(score, language), exercise.answer(score, language))
    )
    if exercise.correct is not None:
        choices = tuple(in_a_line(c) for c in exercise.choice_words(score, language))
        return Item(exercise.step, prompt, answer, choices, exercise.correct, picture, sound)
    right, wrong = _offered(exercise, score, reading, language)
    wrong = [w for w in dict.fromkeys(wrong) if w != right][:_WRONG]
    if not right or not wrong:
        return Item(exercise.step, prompt, answer, (), 0, picture, sound)
    choices = tuple(
        sorted((right, *wrong), key=lambda c: hashlib.sha256(f"{exercise.start}{c}".encode()).hexdigest())
    )
    return Item(exercise.step, prompt, answer, choices, choices.index(right), picture, sound)


def _offered(exercise: Exercise, score: Score, reading: Reading, language: Language) -> tuple[str, list[str]]:
    """Return the right choice and wrong ones; no right one where free text is asked for."""
    book = phrasebook(language)

    def named(value: object, way: str = "") -> str:
        return in_a_line(name_value(value, "choice", way, "", score, book, "exercise"))  # type: ignore[arg-type]

    details = exercise.details
    if isinstance(details, NoteToFind):
        span, pitch = reading.span_at(exercise.start), details.pitch
        assert span is not None
        around = {score.note_by_id[i].pitch for i in span.notes if i in score.note_by_id}
        near = sorted(around, key=lambda p: (abs(p.midi - pitch.midi), p.midi))
        others = [p for p in near if p.pitch_class != pitch.pitch_class]
        return named(pitch, "octave"), [named(pitch, "octave") for pitch in others]
    if not isinstance(details, ChordToName | ChordToSpell):
        return "", []
    key, chord, spelled = details.key, details.chord, isinstance(details, ChordToSpell)

    def shown(numeral: RomanNumeral) -> str:
        sounding = numeral.chord(key)
        if spelled and exercise.level == "beginner":
            return named(sounding.members)
        if spelled:
            low = sounding.members.index(sounding.bass)
            return ", ".join(named(tone) for tone in (*sounding.members[low:], *sounding.members[:low]))
        if exercise.level == "beginner":
            return f"{named(sounding.root)}: {named(sounding.quality)}"
        return named(numeral)

    right = chord.chord(key).semitones
    unlike = []
    for text in _PLAIN[key.mode == "minor"]:
        numeral = RomanNumeral.parse(text)
        notes = numeral.chord(key).semitones
        # A chord that is part of the other would be half right.
        if not (notes <= right or right <= notes):
            unlike.append(numeral)
    unlike.sort(key=lambda numeral: hashlib.sha256(f"{exercise.start}{numeral}".encode()).hexdigest())
    return shown(chord), [shown(numeral) for numeral in unlike]


# --- as XML ----------------------------------------------------------------------------------------------


def _item_path(item: Item) -> str:
    return f"items/exercise-{item.number}.xml"


def _media_path(path: str) -> str:
    return f"media/{posixpath.basename(path)}"


def _item(item: Item, title: str, language: Language) -> bytes:
    free = not item.choices
    root = etree.Element(f"{{{QTI}}}qti-assessment-item", nsmap=_DEFAULT[QTI])
    root.set("identifier", f"exercise-{item.number}")
    root.set("title", title)
    root.set("adaptive", "false")
    root.set("time-dependent", "false")
    root.set("{http://www.w3.org/XML/1998/namespace}lang", language)
    asked = _sub(root, "qti-response-declaration", identifier="RESPONSE", cardinality="single")
    asked.set("base-type", "string" if free else "identifier")
    if not free:
        _sub(_sub(asked, "qti-correct-response"), "qti-value", f"choice-{item.correct + 1}")
    outcome = _sub(root, "qti-outcome-declaration", identifier="SCORE", cardinality="single")
    outcome.set("base-type", "float")
    if free:
        outcome.set("external-scored", "human")
    _sub(_sub(outcome, "qti-default-value"), "qti-value", "0")
    body = _sub(root, "qti-item-body")
    if free:
        rubric = _sub(body, "qti-rubric-block", use="scoring", view="scorer")
        _sub(_sub(rubric, "qti-content-body"), "p", item.answer)
    if item.picture:
        _sub(_sub(body, "p"), "img", src=f"../{_media_path(item.picture)}", alt=title)
    if item.sound:
        _sub(_sub(body, "p"), "audio", src=f"../{_media_path(item.sound)}", controls="controls")
    name = "qti-extended-text-interaction" if free else "qti-choice-interaction"
    interaction = _sub(body, name)
    interaction.set("response-identifier", "RESPONSE")
    if not free:
        interaction.set("max-choices", "1")
        interaction.set("shuffle", "false")
    _sub(interaction, "qti-prompt", item.prompt)
    for k, choice in enumerate(item.choices, start=1):
        _sub(interaction, "qti-simple-choice", choice, identifier=f"choice-{k}")
    if not free:
        _sub(root, "qti-response-processing", template=MATCH)
    return _written(root)


def _test(items: Sequence[Item], title: str) -> bytes:
    root = etree.Element(
        f"{{{QTI}}}qti-assessment-test", nsmap=_DEFAULT[QTI], identifier="exercises", title=title
    )
    part = _sub(root, "qti-test-part", identifier="part-1")
    part.set("navigation-mode", "nonlinear")
    part.set("submission-mode", "individual")
    section = _sub(part, "qti-assessment-section", identifier="section-1", title=title, visible="true")
    for item in items:
        _sub(section, "qti-assessment-item-ref", identifier=f"exercise-{item.number}", href=_item_path(item))
    return _written(root)


def _manifest(items: Sequence[Item], title: str) -> bytes:
    root = etree.Element(f"{{{PACKAGE}}}manifest", nsmap=_DEFAULT[PACKAGE])
    root.set("identifier", f"exercises-{hashlib.sha256(title.encode()).hexdigest()[:16]}")
    about = _sub(root, "metadata")
    _sub(about, "schema", "QTI Package")
    _sub(about, "schemaversion", "3.0.0")
    _sub(root, "organizations")
    resources = _sub(root, "resources")
    test = _sub(resources, "resource", identifier="test", type="imsqti_test_xmlv3p0", href="test.xml")
    _sub(test, "file", href="test.xml")
    for item in items:
        _sub(test, "dependency", identifierref=f"exercise-{item.number}")
    for item in items:
        path = _item_path(item)
        one = _sub(
            resources, "resource", identifier=f"exercise-{item.number}", type="imsqti_item_xmlv3p0", href=path
        )
        _sub(one, "file", href=path)
        for media in filter(None, (item.picture, item.sound)):
            _sub(one, "file", href=_media_path(media))
    return _written(root)


def _sub(parent: etree._Element, name: str, text: str = "", **attributes: str) -> etree._Element:
    element = etree.SubElement(parent, f"{{{etree.QName(parent).namespace}}}{name}", attributes)
    if text:
        element.text = text
    return element


def _written(root: etree._Element) -> bytes:
    return etree.tostring(root, xml_declaration=True, encoding="UTF-8", pretty_print=True)
