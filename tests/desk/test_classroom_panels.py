"""What the desk's panels answer: where to carry to, chords to hear, keys to confirm, conventions, a class."""

from __future__ import annotations

import asyncio
import json
from dataclasses import replace
from fractions import Fraction

import pytest
from starlette.testclient import TestClient
from tests.desk.desk_lesson import OWN, app_for, desk_in, read_once

from understave import findings
from understave.desk import gestures, results_panel, work
from understave.desk.hearing import belonging, wanted
from understave.desk.sheet import lay_sheet
from understave.errors import DeskError, UnderstaveError
from understave.harmony.reading import Alternative, Reading
from understave.harmony.reread import Renewed
from understave.interpretation.planning import make_plan
from understave.lesson import chosen_conventions
from understave.theory.convention_choices import by_roots, home_mode, in_force
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral

ASKED = {
    "format": "understave-homework",
    "version": 1,
    "homework": "abc",
    "title": "Lock-Water",
    "language": "en",
    "questions": [
        {"id": "key-1", "way": "choose", "device": "keys", "prompt": "In which key?"},
        {"id": "six-2", "way": "type", "device": "six-fours", "prompt": "Name it."},
    ],
}


def saved(name, *rows):
    answers = [
        {"question": q, "tries": ["x"] * tries, "right": right, "shown": False, "seconds": 4.0}
        for q, tries, right in rows
    ]
    return json.dumps(
        {"format": "understave-answers", "version": 1, "homework": "abc", "name": name, "answers": answers}
    )


@pytest.fixture
def desk(tmp_path, monkeypatch):
    monkeypatch.setattr(chosen_conventions, "own_folder", lambda: tmp_path / "own")
    desk, lesson = desk_in(tmp_path)
    with TestClient(app_for(desk), headers=OWN, base_url="http://127.0.0.1:4711") as client:
        yield client, lesson
    lesson.give_up()


def test_a_class_is_counted_and_nothing_of_it_is_kept(desk):
    client, lesson = desk
    files = [
        {"name": "a.json", "text": saved("Anna", ("key-1", 1, True), ("six-2", 3, True))},
        {"name": "b.json", "text": saved("Ben", ("key-1", 2, False))},
        {"name": "c.txt", "text": "no answers"},
    ]
    missing = client.post("/api/results", json={"files": files})
    assert missing.status_code == 422
    assert "no questions yet; make it" in missing.json()["error"]
    lesson.folder.exports.mkdir(exist_ok=True)
    (lesson.folder.exports / "homework.json").write_text(json.dumps(ASKED), encoding="utf-8")
    found = client.post("/api/results", json={"files": files}).json()
    assert found["signs"] == [{"name": "Anna", "signs": ["✓", "3"]}, {"name": "Ben", "signs": ["✗", "–"]}]
    assert [(d["device"], d["at_once"], d["later"], d["not_found"]) for d in found["devices"]] == [
        ("keys", 1, 0, 1),
        ("six-fours", 0, 1, 0),
    ]
    assert found["notes"] == ["c.txt is not a file of answers, or it is damaged; it is left out."]
    assert found["picture"].startswith("<svg")
    assert not [p for p in lesson.folder.path.rglob("*") if p.is_file() and b"Anna" in p.read_bytes()]
    assert client.post("/api/results", json={"files": "all"}).status_code == 400
    many = {f"{n}.json": "" for n in range(results_panel.MOST_FILES + 1)}
    refused = client.post("/api/results", json={"files": [{"name": n, "text": t} for n, t in many.items()]})
    assert "400 files at most" in refused.json()["error"]


def test_conventions_are_kept_where_they_are_chosen(desk):
    client, lesson = desk
    version = lesson.version
    now = client.post("/api/conventions/change", json={"values": {"letters": "syllables"}}).json()
    assert now["here"]["letters"] == "syllables"
    assert now["for_all"]["letters"] == "english"
    assert now["own"] == ["letters"]
    assert lesson.version == version + 1
    told = client.get("/api/lesson").json()
    assert told["entry"] == "syllables"
    # The first chord of our example is E flat major (its analysis by hand).
    assert (told["rows"][0]["symbol"], told["rows"][0]["keyName"]) == ("Mib", "Mi♭ major")
    now = client.post("/api/conventions/change", json={"values": {"keys": "letters"}, "for_all": True}).json()
    assert now["for_all"]["keys"] == "letters"
    assert client.get("/api/lesson").json()["rows"][0]["keyName"] == "Mi♭"
    now = client.post("/api/conventions/change", json={"values": {}, "afresh": True}).json()
    assert (now["own"], now["here"]["letters"], now["here"]["keys"]) == ([], "english", "letters")
    # What is in force already engraves nothing anew.
    version = lesson.version
    client.post("/api/conventions/change", json={"values": {"keys": "letters"}})
    assert lesson.version == version
    wrong = client.post("/api/conventions/change", json={"values": {"letters": "runes"}})
    assert wrong.status_code == 422
    assert "'runes' is no choice" in wrong.json()["error"]


def test_a_chord_that_was_set_is_offered_where_its_bars_come_again(desk):
    """Bars 12 and 14 of our example are the same, a tone apart."""
    client, lesson = desk
    score, _, spans = read_once()
    bar = score.measures[11]
    span = next(s for s in spans if s.start >= bar.start)
    assert client.get("/api/carried", params={"start": str(span.start)}).json() == []
    other = next(n for n in ("IV", "ii", "vi") if n != str(span.numeral))
    asked = {"last": 0, "what": "label", "start": str(span.start), "text": other}
    assert client.post("/api/edit", json=asked).status_code == 200
    places = client.get("/api/carried", params={"start": str(span.start)}).json()
    offered = gestures.offered(score, lesson.reading.spans, span.start)
    assert [p["start"] for p in places] == [str(o.start) for o in offered]
    if places:
        assert (places[0]["number"], places[0]["moved"]) == ("14", True)
    with pytest.raises(DeskError, match="do not offer that chord any more"):
        gestures.carry(score, lesson.reading.spans, span.start, [score.measures[2].start])
    with pytest.raises(DeskError, match="Choose a place first"):
        gestures.carry(score, lesson.reading.spans, span.start, [])


def test_the_chords_to_hear_are_the_chord_its_alternatives_and_the_next():
    score, _, spans = read_once()
    other = Alternative(Key.parse("c"), RomanNumeral.parse("i"), 0.2)
    some = (replace(spans[0], alternatives=(other,)), *spans[1:])
    assert wanted(some, some[0].start, "chord")[1] == ((some[0].key, some[0].numeral),)
    assert wanted(some, some[0].start, "next")[1][1] == (some[1].key, some[1].numeral)
    assert wanted(some, some[0].start, "0")[1] == ((other.key, other.numeral),)
    assert len(wanted(some, some[-1].start, "next")[1]) == 1
    for start, which in ((some[0].start, "1"), (some[0].start, "-1"), (Fraction(1, 7), "chord")):
        with pytest.raises(DeskError):
            wanted(some, start, which)
    lit = [score.note_by_id[i] for i in belonging(score, some[0], other.key, other.numeral)]
    # C minor over the opening in E flat: E flat and G belong, B flat does not.
    assert {note.pitch.pitch_class.name for note in lit} <= {"C", "Eb", "G"}
    assert {"Eb", "G"} <= {note.pitch.pitch_class.name for note in lit}


def test_a_chord_sounds_near_the_bass_that_is_played(monkeypatch):
    struck = []

    def heard(performance, *_):
        struck.extend((s.midi, s.start) for s in performance.strikes)
        return [[0.0]]

    monkeypatch.setattr(work, "render", heard)
    monkeypatch.setattr(work, "audio_bytes", lambda *_: b"")
    work.play_chords([(Key.parse("C"), RomanNumeral.parse("V7"))], 43)
    alone = sorted(m for m, _ in struck)
    assert (alone[0], {m % 12 for m in alone}) == (43, {7, 11, 2, 5})
    assert alone[-1] - alone[1] < 12
    struck.clear()
    work.play_chords([(Key.parse("C"), RomanNumeral.parse(n)) for n in ("V7", "I")], 43)
    first = sorted(m for m, at in struck if at == 0.0)
    second = sorted(m for m, at in struck if at > 0.0)
    assert first[0] == 43
    # The seventh goes down and the leading tone up by step (common practice, no source).
    assert all(m - 1 in second or m - 2 in second for m in first if m % 12 == 5)
    assert all(m + 1 in second for m in first if m % 12 == 11)


def test_keys_are_confirmed_renamed_and_joined(desk):
    client, lesson = desk
    score, _, spans = read_once()
    plan = client.get("/api/keys").json()
    assert plan[0]["keyName"] == "E flat major"
    assert [p["settled"] for p in plan] == [False] * len(plan)
    asked = {"last": 0, "what": "confirm keys", "start": "0", "starts": [plan[0]["start"]]}
    assert client.post("/api/edit", json=asked).status_code == 200
    assert client.get("/api/keys").json()[0]["settled"]
    assert len(lesson.standing) == 1
    with pytest.raises(DeskError, match="not as they were"):
        gestures.confirm_keys(score, spans, Fraction(0), [Fraction(1, 3)])
    (renamed, *_) = gestures.rename_key(score, spans, Fraction(0), "c")
    assert renamed.key == Key.parse("c")
    if len(plan) > 1:
        (joined, *_) = gestures.join_key(score, spans, Fraction(0))
        assert joined.key == Key.parse("Eb")
    with pytest.raises(UnderstaveError, match="No key begins there"):
        gestures.join_key(score, spans, Fraction(1, 3))


def test_what_is_played_is_set_as_it_is_named(desk):
    client, _ = desk
    named = client.get("/api/played", params={"start": "0", "keys": "46,56,62,65"}).json()
    assert named["names"][0]["text"] == "V7"
    assert client.get("/api/played", params={"start": "0", "keys": "46,56"}).json()["names"] == []
    assert client.get("/api/played", params={"start": "0", "keys": "46,x"}).status_code == 400
    message = client.post("/api/edit", json={"last": 0, "what": "name", "start": "0", "text": "V7"}).json()
    assert message["rows"][0]["numeral"] == "V7"
    refused = client.post("/api/edit", json={"last": 1, "what": "name", "start": "0", "text": "Q7"})
    assert refused.status_code == 422


def test_a_desk_started_in_a_language_speaks_it_of_the_lesson_too(tmp_path):
    desk, lesson = desk_in(tmp_path)
    desk.language = "fr"
    with TestClient(app_for(desk), headers=OWN, base_url="http://127.0.0.1:4711") as client:
        told = client.get("/api/lesson").json()
    lesson.give_up()
    assert (told["speaks"], told["rows"][0]["keyName"]) == ("fr", "mi bémol majeur")


def test_a_piece_without_keys_is_laid_anew_by_root_and_kind(desk):
    """Whether there are keys is known with the events; the windows then ask for everything again."""
    client, lesson = desk
    score, _, spans = read_once()
    told = asyncio.Queue()
    plan = make_plan(score, Reading(spans))

    async def rest(events):
        lesson.listeners.add(told)
        await asyncio.to_thread(lesson.show_rest, events, plan)
        lesson.tell(lesson._message(Renewed(spans, ()), True))
        lesson.listeners.clear()
        return [told.get_nowait()["type"] for _ in range(told.qsize())]

    lesson.sheets[180.0] = lay_sheet(score, lesson.reading, 180.0)
    assert client.portal.call(rest, ()) == ["reading", "opened"]
    assert lesson.sheets == {}
    row = client.get("/api/lesson").json()["rows"][0]
    assert (row["parts"]["head"], row["keyName"]) == ("Eb", "")
    found = findings.read(score)
    assert client.portal.call(rest, found.events) == ["reading", "opened"]
    assert client.get("/api/lesson").json()["rows"][0]["keyName"] == "E flat major"
    assert client.portal.call(rest, found.events) == ["reading"]


def test_stops_are_worded_about_the_home_key(desk):
    """A tonic six-four alone is small where home is minor: that is decided outside the sentence."""
    _, lesson = desk
    score, _, spans = read_once()
    lesson.shown = replace(
        lesson.shown, events=findings.read(score).events, plan=make_plan(score, Reading(spans))
    )
    with lesson.writing():
        assert (home_mode(), by_roots()) == ("major", False)
        seen = work.Workers().ask(in_force).result(60)
    assert seen == (lesson.conventions, "major", False)
