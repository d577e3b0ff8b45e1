"""A song's phrases end where its sections do: the prelude of a song is over when the singer comes in.

Common practice of the strophic song, no source; the songs are ours. Figures against the marks of analysts are
in `benchmarks.cadences`.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from tests.findings.build import build, spans_of

from understave.findings import ended_sections
from understave.findings.cadences import find_phrases_and_cadences
from understave.findings.closes import find_closes
from understave.findings.ended_sections import endings_with_sections
from understave.findings.form import Section, sections_of
from understave.findings.phrases import PHRASE, endings_of, find_endings
from understave.score.model import Score

WORDS = ["Now", "the", "boat", "goes", "out", "at", "morning", "slow", "and", "still", "waits"]


def song() -> Score:
    """Three bars of a rocking piano that go on unchanged as the singer comes in, with a long even line."""
    rocking = "C3:1 G3 E3 G3"
    score = build(
        "r:4 | r:4 | r:4 | E5:1 E5 E5 E5 | E5:1 E5 E5 E5 | E5:1 E5 E5 E5 | E5:1 E5 D5 D5 | C5:4",
        "staff2 " + " | ".join([rocking] * 6) + " | G2:1 G3 F3 G3 | C3:4",
    )
    words = iter(WORDS)
    notes = [
        replace(note, part=0, lyrics=(next(words, "ah"),)) if note.staff == 1 else replace(note, part=1)
        for note in score.notes
    ]
    return replace(score, notes=tuple(notes))


SPANS = "C: I:24 V7:4 I:4"


def test_a_section_of_a_song_makes_the_end_before_it_surer():
    score = song()
    spans = spans_of(score, SPANS)
    assert [section.first for section in sections_of(score, spans)] == [0, 3]
    alone = {end.time: end.confidence for end in endings_of(score, spans)}
    told = {end.time: end.confidence for end in endings_with_sections(score, spans)}
    assert told[Fraction(12)] > 0.75 > 2 * alone[Fraction(12)]
    events = find_phrases_and_cadences(score, spans)
    assert next(event.confidence for event, _ in PHRASE.all(events)) == round(told[Fraction(12)], 3)


def test_where_a_section_begins_a_phrase_ends_though_nothing_else_says_so():
    score = song()
    closes = find_closes(spans_of(score, SPANS))
    assert Fraction(28) not in {end.time for end in find_endings(score, closes)}
    ends = {end.time: end.reasons for end in find_endings(score, closes, frozenset({7}))}
    assert ends[Fraction(28)] == ("new section",)


def test_only_a_song_asks_its_sections(monkeypatch):
    monkeypatch.setattr(
        ended_sections, "sections_of", lambda *_: (Section(0, 4, (), 1.0), Section(5, 7, (), 1.0))
    )
    score = song()
    spans = spans_of(score, SPANS)
    silent = replace(score, notes=tuple(replace(note, lyrics=()) for note in score.notes))
    assert Fraction(20) in {end.time for end in endings_with_sections(score, spans)}
    assert Fraction(20) not in {end.time for end in endings_with_sections(silent, spans)}
