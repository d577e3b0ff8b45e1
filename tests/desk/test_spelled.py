"""What is typed at the desk is shown as notes, and nothing is kept by asking; through the guarded app."""

from __future__ import annotations

from dataclasses import replace

import httpx
import pytest
from tests.desk.desk_lesson import OWN, PORT, app_for, desk_in, folder_in
from tests.findings.build import build, spans_of

from understave.desk import values
from understave.harmony.reading import Reading
from understave.lesson.chosen_conventions import choose


@pytest.fixture
def desk(tmp_path):
    return desk_in(tmp_path)


async def ask(desk, **query):
    transport = httpx.ASGITransport(app_for(desk[0]))
    async with httpx.AsyncClient(transport=transport, base_url=f"http://127.0.0.1:{PORT}") as client:
        return await client.get("/api/spelled", params=query, headers=OWN)


def asked(desk, **query):
    import asyncio

    found = asyncio.run(ask(desk, **query))
    return found.status_code, found.json()


def test_the_same_letters_are_shown_as_the_chosen_entry_reads_them(desk):
    start = str(desk[1].shown.spans[0].start)
    shown = {
        entry: asked(desk, start=start, what="label", text="C: D7", entry=entry)[1]
        for entry in ("english", "functions")
    }
    assert (shown["english"]["kind"], shown["english"]["chords"][0]["notes"]) == (
        "chord symbol",
        ["D", "F#", "A", "C"],
    )
    assert (shown["functions"]["kind"], shown["functions"]["chords"][0]["notes"]) == (
        "function",
        ["G", "B", "D", "F"],
    )
    keys = [
        asked(desk, start=start, what="key", text="B", entry=e)[1]["keyName"] for e in ("english", "german")
    ]
    assert keys[0] != keys[1]
    assert not desk[1].folder.corrections.exists()


def test_what_means_nothing_is_refused_in_a_sentence(desk):
    start = str(desk[1].shown.spans[0].start)
    for query in ({"text": "Q"}, {"text": "V6-65"}, {"text": "V", "entry": "french"}, {"text": "x" * 99}):
        code, said = asked(desk, start=start, what="label", **query)
        assert (code, said["error"][-1]) == (422, ".")


def test_the_desk_reads_and_shows_in_the_lesson_s_conventions(tmp_path, monkeypatch):
    """Capitals for all: II is the minor chord of the key, and stands as II; keys are letters."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "own"))
    choose({"numerals": "capital", "letters": "german", "keys": "letters"}, folder_in(tmp_path).path)
    desk = desk_in(tmp_path)
    start = str(desk[1].shown.spans[0].start)
    _, said = asked(desk, start=start, what="label", text="Bb: II", entry="english")
    (chord,) = said["chords"]
    assert (chord["parts"]["head"], chord["notes"], chord["keyName"]) == ("II", ["C", "Es", "G"], "B")
    _, said = asked(desk, start=start, what="label", text="Bb: vii", entry="english")
    assert (said["chords"][0]["parts"]["head"], said["chords"][0]["symbol"]) == ("VII", "Am")
    _, said = asked(desk, start=start, what="label", text="c: VII", entry="english")
    assert (said["chords"][0]["symbol"], said["chords"][0]["keyName"]) == ("B", "c")


def test_why_sets_numerals_and_lists_what_comes_again_once():
    score = build("C5:1/2 D5 C5 D5 C5:2", "E3:4", "C3:4")
    spans = spans_of(score, "C: I:4")
    own = tuple(note.id for note in score.struck if note.midi % 12 in (0, 4))
    strange = tuple(note.id for note in score.struck if note.midi % 12 == 2)
    span = replace(spans[0], notes=own, foreign=strange)
    told = values.why(score, Reading((span,), ()), span)
    assert told["sentence"]["text"].startswith("⟨I⟩ in C major")
    assert told["sentence"]["numerals"]["⟨I⟩"]["head"] == "I"
    assert [row["ids"] for row in told["foreign"]] == [list(strange)]
