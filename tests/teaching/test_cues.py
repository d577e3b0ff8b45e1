"""The talk: cues without gaps; captions and chapters read back by reference parsers.

WebVTT is read by `webvtt-py`, SubRip by `srt`, both from the Python package index; the limits on lines are
our own (common practice of subtitlers, no source).
"""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from dataclasses import replace
from itertools import pairwise

import pytest
from tests.once import propose_stops
from tests.teaching.test_stops import PIECES, example

from understave.interpretation.perform import clock
from understave.teaching import cues
from understave.teaching.spoken import name_aloud
from understave.teaching.stops import BEGINNING, Timing
from understave.wording import LEVELS, SPOKEN, phrasebook

webvtt = pytest.importorskip("webvtt")
srt = pytest.importorskip("srt")


def talk(language="en", rate=130.0, minutes=15, piece="chain-ferry", level="intermediate"):
    score, reading, plan = example(piece)
    timing = Timing(clock(score, plan), rate)
    stops = propose_stops(score, reading, plan, minutes=minutes, language=language, rate=rate, level=level)
    return stops, cues.cue_list(score, reading, stops, timing, language)


def test_cues_follow_each_other_and_stops_last_what_they_say():
    stops, found = talk()
    assert found[0].start == 0
    for a, b in pairwise(found):
        assert b.start == pytest.approx(a.end)
    assert found[-1].end <= 15 * 60
    for stop in stops:
        own = [c for c in found if c.stop == stop.id]
        assert sum(c.length for c in own) == pytest.approx(stop.seconds)


def test_the_words_of_a_stop_last_as_long_as_the_teachers_recording():
    score, reading, plan = example("chain-ferry")
    stops, before = talk()
    one = stops[1].id
    after = cues.cue_list(score, reading, stops, Timing(clock(score, plan), 130.0), "en", {one: 41.5})
    for a, b in pairwise(after):
        assert b.start == pytest.approx(a.end)
    for old, new in zip(before, after, strict=True):
        if not (new.stop == one and new.kind == "words"):
            assert new.length == old.length
    assert sum(c.length for c in after if c.stop == one and c.kind == "words") == pytest.approx(41.5)


def test_music_and_pointing_follow_the_teachers_playing_at_the_stops_they_play():
    score, reading, plan = example("chain-ferry")
    stops, before = talk()
    time = clock(score, plan)
    one = next(s for s in stops if any(c.points for c in before if c.stop == s.id))
    # Thrice as slow, and somewhere in a recording: a playing of our own.
    slower = replace(time, seconds=tuple(40 + 3 * s for s in time.seconds))
    after = cues.cue_list(score, reading, stops, Timing(time, 130.0, own={one.id: slower}), "en")
    for a, b in pairwise(after):
        assert b.start == pytest.approx(a.end)
    pointed = 0
    for old, new in zip(before, after, strict=True):
        if not (new.stop == one.id and new.kind == "music"):
            assert replace(new, start=old.start) == old
            continue
        assert new.length == pytest.approx(3 * old.length)
        # A word that is said beside a moment begins as long before it as it lasts.
        lasts = {p.text: p.seconds for p in one.spoken.points}
        for (at, text), (later, again) in zip(old.points, new.points[-len(old.points) :], strict=True):
            assert again == text
            assert later + lasts[text] == pytest.approx(3 * (at + lasts[text]), abs=0.01)
            pointed += 1
    assert pointed


def test_the_speaking_rate_stretches_words_and_leaves_music():
    _, slow = talk(rate=100)
    _, fast = talk(rate=200)
    shared = {c.stop for c in slow} & {c.stop for c in fast} - {""}
    assert shared
    for stop in shared:
        for kind in ("music", "words"):
            # What leads to a stop depends on the stops before it, which are others in the slower talk.
            said = [{c.text for c in t if c.stop == stop and c.kind == kind} for t in (slow, fast)]
            both = said[0] & said[1]
            a, b = (
                sum(c.length for c in t if c.stop == stop and c.kind == kind and c.text in both)
                for t in (slow, fast)
            )
            if kind == "music":
                assert a == pytest.approx(b)
            else:
                assert 1.6 < a / b < 2


@pytest.mark.parametrize("language", ["en", "de"])
def test_captions_are_read_back_by_reference_parsers(language):
    _, found = talk(language)
    text = cues.webvtt(found)
    vtt = webvtt.from_string(text)
    subtitles = list(srt.parse(cues.srt(found), ignore_errors=False))
    assert len(vtt.captions) == len(subtitles) == len(cues.captions(found)) > 40
    for a, b in zip(vtt.captions, subtitles, strict=True):
        assert a.start_in_seconds == int(b.start.total_seconds())
        assert len(b.content.split("\n")) <= cues.LINES
        assert b.end > b.start
        assert "⟨" not in b.content
    for a, b in pairwise(subtitles):
        assert a.end <= b.start
    # Nothing that is said is lost on the way.
    said = " ".join(cues.in_a_line(c.text) for c in found if c.kind == "words").split()
    shown = " ".join(s.content for s in subtitles if "♪" not in s.content).split()
    assert shown == said


@pytest.mark.parametrize("language", ["en", "de"])
def test_lines_of_captions_are_short(language):
    _, found = talk(language)
    lines = [line for _, _, text in cues.captions(found) for line in text.split("\n")]
    assert max(map(len, lines)) <= cues.LINE


def test_signs_of_the_format_in_a_text_are_escaped():
    cue = cues.Cue(0, 4, "words", "First & second --> <i>third</i>.", "x")
    read_back = webvtt.from_string(cues.webvtt([cue])).captions
    assert len(read_back) == 1
    assert "--&gt;" in cues.webvtt([cue])


def test_chapters_begin_with_the_opening_and_name_every_stop():
    stops, found = talk()
    lines = cues.chapter_list(found).splitlines()
    assert lines[0] == "0:00 Opening"
    assert [line.split(" ", 1)[1] for line in lines[1:]] == [*(s.title for s in stops), "The end"]
    assert len(webvtt.from_string(cues.chapters_webvtt(found)).captions) == len(stops) + 2


def test_long_talks_have_hours():
    cue = cues.Cue(3725, 10, "words", "Late.", "Late", "s")
    assert cues.chapter_list([cue]) == "1:02:05 Late\n"
    assert "01:02:05.000 --> 01:02:15.000" in cues.webvtt([cue])
    assert next(iter(srt.parse(cues.srt([cue])))).start.total_seconds() == 3725


def test_the_cue_sheet_is_a_table():
    stops, found = talk()
    rows = list(csv.DictReader(io.StringIO(cues.cue_sheet(found))))
    assert {r["kind"] for r in rows} == {"words", "music", "thinking", "said into it"}
    assert {r["stop"] for r in rows} == {"", *(s.id for s in stops)}
    assert [r for r in rows if r["sound"] == "beginning"]
    assert [r["start"] for r in rows] == sorted(r["start"] for r in rows)


# --- for the ear ---------------------------------------------------------------------------------------

BARS = re.compile(r"\b(?:bars?|beat|Takte?|Schlag|mesures?|temps)\s+\d|\d\s*%")


@pytest.mark.parametrize("language", SPOKEN)
@pytest.mark.parametrize("piece", PIECES)
@pytest.mark.parametrize("level", LEVELS)
def test_no_bar_and_no_numeral_is_read_aloud(piece, level, language):
    _, found = talk(language, piece=piece, level=level)
    said = [t for c in found if c.kind == "words" for t in (c.text,)] + [
        t for c in found for _, t in c.points
    ]
    assert len(said) > 20
    assert not [t for t in said if BARS.search(t) or "⟨" in t or "{" in t or "  " in t]
    # Bars stand in the margin instead.
    assert all(c.place for c in found if c.kind == "music")


@pytest.mark.parametrize("language", SPOKEN)
@pytest.mark.parametrize("piece", PIECES)
def test_no_sentence_of_the_talk_is_said_twice(piece, language):
    stops, found = talk(language, piece=piece)
    sentences = [s for c in found if c.kind == "words" for s in re.split(r"(?<=[.?!])\s+", c.text)]
    twice = {s for s, n in Counter(sentences).items() if n > 1}
    assert twice <= set(phrasebook(language).talk["once_more"])
    assert len({s.spoken.question for s in stops}) == len(stops)
    for a, b in pairwise(stops):
        assert a.spoken.lead != b.spoken.lead
        assert a.spoken.again != b.spoken.again
    assert max(len(s.split()) for s in sentences) <= 30


def test_one_is_asked_waits_and_is_shown():
    stops, found = talk()
    for stop in stops:
        own = [c for c in found if c.stop == stop.id]
        texts = [c.text for c in own]
        asked, answered = texts.index(stop.spoken.question), texts.index(stop.spoken.answer)
        between = [c.kind for c in own[asked + 1 : answered]]
        assert "music" in between
        assert between[-1] == "thinking"
        assert own[-2].kind == "music"


def test_one_points_when_the_note_sounds():
    score, _, plan = example("chain-ferry")
    stops, found = talk()
    time = clock(score, plan)
    pointed = 0
    for stop in stops:
        last = [c for c in found if c.stop == stop.id and c.kind == "music"][-1]
        start = time.at(score.measures[stop.first].start)
        for at, text in last.points:
            assert 0 <= at <= last.length
            if text in phrasebook("en").talk["there"]:
                assert start + at == pytest.approx(time.at(stop.moment), abs=0.01)
                pointed += 1
    assert pointed >= 4


def test_the_opening_makes_a_promise_that_a_stop_and_the_close_keep():
    book = phrasebook("en").talk
    seen = set()
    for piece in PIECES:
        stops, found = talk(piece=piece)
        name = next(n for n, all_of in book["curious"].items() if any(t in found[0].text for t in all_of))
        assert name != "plain"
        assert book["kept"][name] in found[-1].text
        promised = [t.format(when="") for t in book["promised"]]
        assert sum(any(s.spoken.lead.endswith(p) for p in promised) for s in stops) == 1
        seen.add((found[0].text, found[-1].text))
        # Nothing long is played before the first word about it.
        assert found[2].kind == "music"
        assert found[2].length <= BEGINNING[1]
    assert len(seen) == len(PIECES)


def test_beginners_have_five_stops_and_sing():
    stops, _ = talk(level="beginner")
    assert len(stops) <= 5
    assert all(s.spoken.sing for s in stops)
    assert not [s for s in stops if "⟨" in s.question + s.answer + s.say["beginner"] + s.title]


def test_no_advice_gives_the_answer_away_or_repeats_a_form():
    for piece in PIECES:
        stops, _ = talk(piece=piece)
        told = [s.play for s in stops if s.play]
        assert len(told) > len(stops) / 2
        assert len({t.split(". ", 1)[-1] for t in told}) == len(told)
        forms = [form for s in stops for form, text in s.ways if text == s.play]
        assert len(set(forms)) == len(forms)
        for s in stops:
            notes = re.findall(r"[A-G](?: flat| sharp)?\b", s.answer)
            asked = set(re.findall(r"[A-G](?: flat| sharp)?\b", s.question))
            if s.why in ("rare chord", "sharp dissonance", "pedal point"):
                assert not set(notes) - asked & set(re.findall(r"[A-G](?: flat| sharp)?\b", s.play)), s.play


@pytest.mark.parametrize(
    ("printed", "said"),
    [
        ("Franz Peter Schubert (1797–1828)", "Franz Peter Schubert"),
        ("Fanny (Mendelssohn) Hensel", "Fanny Mendelssohn Hensel"),
        ("J.S. Bach", "J.S. Bach"),
        ("(1835) Clara Wieck [1819-96]", "Clara Wieck"),
        ("", ""),
    ],
)
def test_a_composer_is_named_without_years_and_brackets(printed, said):
    assert name_aloud(printed) == said
