"""The words of many lessons are read and counted: what a listener would stumble over stands in none of them.

Core: both demo pieces and small pieces of our own, with their talks. With the open songs (OpenScore Lieder
Corpus, CC0): the stories of thirty-six more, the shortest of as many composers, so that forty are read.
Bounds: a sentence of more than 30 words is hard to follow by ear (common practice of speakers, no source);
the others are our own.
"""

from __future__ import annotations

import re
import sys
from collections import Counter
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path

import pytest
from tests.teaching import test_what_a_listener_hears as small
from tests.wording.readings import ROOT, analysed

from understave.findings import read
from understave.harmony.reading import Reading
from understave.interpretation.perform import clock
from understave.score.model import Score
from understave.score.reader import read_score
from understave.teaching import cues
from understave.teaching.narrative import LENGTHS, narrate, variants
from understave.teaching.stops import Timing, propose_stops
from understave.wording.phrasebook import SPOKEN, phrasebook

sys.path.insert(0, str(ROOT))

LONGEST = 30
COMPOSERS = (
    *("arne", "boulanger", "brahms", "butterworth", "corder", "cornelius", "davies", "duchambge", "faisst"),
    *("farrenc", "franz", "freer", "gonzaga", "greger", "hensel", "jacobs", "kinkel", "kralik", "lang", "le"),
    *("lehmann", "mendelssohn", "paradis", "philp", "puget", "quilter", "reichardt", "satie", "schroter"),
    *("schubert", "schumann", "shield", "somervell", "tegner", "webern", "zumsteeg"),
)
"""Of whose songs the shortest are read, by the first word of their files' names."""
TERMS = {
    "en": r"(?i)\b(?:sub)?dominant|\btonic\b|semitone|diminished seventh|suspension|appoggiatura|cadence"
    r"|neapolitan|leading tone|relative key|pedal point|minor ninth|major seventh|augmented|enharmonic"
    r"|open fifth",
    "de": r"(?:Sub)?[Dd]ominant|Tonika|Halbton|verminderte\w* Septakk|Vorhalt|Kadenz|Leitton|Orgelpunkt"
    r"|leere Quinte",
    "fr": r"(?i)(?:sous-)?dominante|tonique|demi-ton|septième diminuée|retard\b|cadence|sensible\b"
    r"|quinte à vide",
}
"""Terms of the trade: each must be explained in the glossary that goes with the text."""


def sentences(text: str) -> list[str]:
    return [s for s in re.split(r"(?<=[.!?])\s+", text) if s]


def stumbles(text: str, language: str) -> Iterator[str]:
    """Say what in a text one would stumble over."""
    told = sentences(text)
    for s in told:
        if len(re.findall(r"\w[\w’'-]*", s)) > LONGEST:
            yield f"too long: {s}"
        ours = re.sub("“[^”]*”", "“”", s)  # what is printed in a score may be in any language
        if language == "en" and re.search(r"\ba [aeioAEIO8]|\ban (?!hour)[^aeiouAEFHILMNORSX8\s]", ours):
            yield f"article: {s}"
        if s.startswith("Another"):
            yield f"another: {s}"
        if re.search(r"[{}\[\]|⟨]| {2}| \.|\.\.(?!\.)|,,|\b(\w{3,}) \1\b", s):
            yield f"signs: {s}"
    yield from (f"said twice: {s}" for s, n in Counter(told).items() if n > 1)
    openings = Counter(" ".join(s.split()[:2]).casefold() for s in told)
    most = max(3, len(told) // 10)
    yield from (f"opens so {n} times: {o}" for o, n in openings.items() if n > most)
    spans = [(a, b) for a, b, _ in phrasebook(language).terms_in(text)]
    for m in re.finditer(TERMS[language], text):
        if not any(a < m.end() and m.start() < b for a, b in spans):
            yield f"not explained: {m[0]}"


def stories(score: Score, reading: Reading, language: str) -> Iterator[str]:
    for length in LENGTHS:
        chapters = narrate(score, reading, length, language=language)
        # No fact is told in two places of one story.
        told = Counter(
            (e.kind, e.label, e.start)
            for c in chapters
            for e in {line.events[0] for line in c.lines if line.events and line.role == "heard"}
        )
        assert not [fact for fact, n in told.items() if n > 1]
        yield " ".join(c.text for c in chapters)


@cache
def pieces() -> dict[str, tuple[Score, Reading]]:
    return {
        "lock-water": analysed("lock-water"),
        "chain-ferry": analysed("chain-ferry"),
        "bare ninth": small.bare_ninth(),
        "chain": small.chain("G2:2 G2 | G2:2 G2"),
    }


@pytest.mark.parametrize("language", SPOKEN)
@pytest.mark.parametrize("name", ["lock-water", "chain-ferry", "bare ninth", "chain"])
def test_nothing_in_the_stories_makes_one_stumble(name, language):
    for text in stories(*pieces()[name], language):
        assert not list(stumbles(text, language))


@pytest.mark.parametrize("language", SPOKEN)
@pytest.mark.parametrize("level", ["beginner", "advanced"])
@pytest.mark.parametrize("name", ["lock-water", "chain-ferry"])
def test_nothing_in_the_talks_makes_one_stumble(name, level, language):
    from tests.once import make_plan

    score, reading = analysed(name)
    plan = make_plan(score, reading)
    stops = propose_stops(score, reading, plan, minutes=10, level=level, language=language)
    talk = cues.cue_list(score, reading, stops, Timing(clock(score, plan)), language)
    text = " ".join(c.text for c in talk if c.kind == "words")
    # What is said while the bars come again may be said again in a long lesson; terms are the teacher's.
    known = {f"said twice: {s}" for s in phrasebook(language).talk["once_more"]}
    assert not {s for s in stumbles(text, language) if not s.startswith("not explained")} - known


NOT_PLAIN = {
    "en": r"dominant|\btonics?\b|semitone|cadence|suspension|appoggiatura|neapolitan|leading tone|\bmode\b"
    r"|relative|pedal point|\bthirds?\b|\bfifths?\b|seventh|\bninth|enharmonic|six-four|diminished|augmented"
    r"|degree|\broots?\b|invers|chromatic|parallel|triad|interval",
    "de": r"dominant|tonika|halbton|kadenz|vorhalt|neapolit|leitton|tongeschlecht|orgelpunkt|\bterz|quint"
    r"|septim|\bnone\b|enharmon|quartsext|sequenz|vermindert|übermäßig|stufe|grundton|umkehr|chromat|parallel"
    r"|dreiklang|intervall|dissonan",
    "fr": r"dominante|tonique|demi-ton|cadence|retard\b|appog|napolit|sensible|\bmode\b|\btierce|\bquinte"
    r"|septième|neuvième|enharmon|sixte|diminu|augment|degré|fondamental|renvers|chromat|parallèle"
    r"|accord parfait|intervalle|dissonan",
}
"""What a beginner does not know yet: terms that are said aloud to nobody without being explained."""
EXPLAINED = {
    "en": "the note that leads home most strongly, the dominant,",
    "de": "der Ton, der am stärksten heimführt, die Dominante,",
    "fr": "la note qui ramène le plus fort à la maison, la dominante,",
}


def said_aloud(language: str) -> Iterator[str]:
    """Every template from which a talk, its questions and answers for the ear, and its titles are made."""
    book = phrasebook(language)
    for entry in (e for labels in book.told["events"].values() for e in labels.values()):
        yield entry.get("aloud", entry.get("hear", ""))
        yield from (t for part in ("why", "hands", "next") for t in variants(entry, part))
    yield from book.stop_titles.values()
    for question in book.questions.values():
        yield from (question.get(f"{part}_aloud", question[part]) for part in ("ask",))
        yield question.get("aloud", question["answer"])
    waiting: list[object] = [book.talk]
    while waiting:
        found = waiting.pop()
        if isinstance(found, str):
            yield found
        else:
            waiting += found.values() if isinstance(found, Mapping) else found


@pytest.mark.parametrize("language", SPOKEN)
def test_what_is_said_aloud_needs_no_terms(language):
    """Beginners hear, sing and are told in plain words (common practice of first lessons, no source)."""
    count = 0
    for template in said_aloud(language):
        plain = re.sub(r"\{[^}]*\}|\[[^|\]]*\|", " ", template).replace(EXPLAINED[language], "")
        assert not re.search(NOT_PLAIN[language], plain, re.IGNORECASE), template
        count += 1
    assert count > 300


@pytest.mark.corpus
def test_nothing_in_thirty_six_songs_makes_one_stumble():
    from benchmarks import corpora

    try:
        folder = corpora.data_folder() / "songs"
    except corpora.NoDataError as error:
        pytest.skip(str(error))
    shortest: dict[str, Path] = {}
    for file in sorted(folder.glob("*.mxl"), key=lambda file: (file.stat().st_size, file.name)):
        shortest.setdefault(file.name.split("-")[0], file)
    files = [file for name, file in shortest.items() if name in COMPOSERS]
    found: list[str] = []
    for file in files:
        score = read_score(file)
        reading = read(score)
        for language in SPOKEN:
            for text in stories(score, reading, language):
                found += [f"{file.stem}: {fault}" for fault in stumbles(text, language)]
    assert len(files) == 36
    assert not found


def test_what_one_stumbles_over_is_found():
    """Each kind of fault, planted in a text."""
    for fault, text in (
        ("too long", "One " + "two " * 31 + "end."),
        ("article", "There is a apple."),
        ("another", "Another chord comes."),
        ("signs", "It goes to {pitch}."),
        ("signs", "It goes goes home."),
        ("said twice", "It goes home. It goes home."),
        ("opens so", "Let it be. Let it go. Let it stay. Let it in."),
    ):
        assert any(s.startswith(fault) for s in stumbles(text, "en")), fault
