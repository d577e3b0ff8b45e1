"""The talk: cues without gaps; captions and chapters read back by reference parsers.

WebVTT is read by `webvtt-py`, SubRip by `srt`, both from the Python package index; the limits on lines are
our own (common practice of subtitlers, no source).
"""

from __future__ import annotations

import csv
import io
from itertools import pairwise

import pytest
from tests.once import propose_stops
from tests.teaching.test_stops import example

from understave.interpretation.perform import clock
from understave.teaching import cues
from understave.teaching.stops import Timing

webvtt = pytest.importorskip("webvtt")
srt = pytest.importorskip("srt")


def talk(language="en", rate=130.0, minutes=15):
    score, reading, plan = example("chain-ferry")
    timing = Timing(clock(score, plan), rate)
    stops = propose_stops(score, reading, plan, minutes=minutes, language=language, rate=rate)
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


def test_the_speaking_rate_stretches_words_and_leaves_music():
    _, slow = talk(rate=100)
    _, fast = talk(rate=200)
    shared = {c.stop for c in slow} & {c.stop for c in fast} - {""}
    assert shared
    for stop in shared:
        for kind in ("music", "words"):
            a, b = (sum(c.length for c in t if c.stop == stop and c.kind == kind) for t in (slow, fast))
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
    assert [line.split(" ", 1)[1] for line in lines[1:]] == [s.title for s in stops]
    assert len(webvtt.from_string(cues.chapters_webvtt(found)).captions) == len(stops) + 1


def test_long_talks_have_hours():
    cue = cues.Cue(3725, 10, "words", "Late.", "Late", "s")
    assert cues.chapter_list([cue]) == "1:02:05 Late\n"
    assert "01:02:05.000 --> 01:02:15.000" in cues.webvtt([cue])
    assert next(iter(srt.parse(cues.srt([cue])))).start.total_seconds() == 3725


def test_the_cue_sheet_is_a_table():
    stops, found = talk()
    rows = list(csv.DictReader(io.StringIO(cues.cue_sheet(found))))
    assert {r["kind"] for r in rows} == {"words", "music", "thinking"}
    assert {r["stop"] for r in rows} == {"", *(s.id for s in stops)}
    assert [r for r in rows if r["sound"] == "piece"]
