"""The teacher's own playing at the desk: given as a file, or recorded from a MIDI keyboard.

What is played is made from our own piece with slips of our own (synthetic). The keyboard is a fake: no
MIDI device is on the machines that test.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from starlette.testclient import TestClient
from tests.desk.desk_lesson import OWN, app_for, desk_in, read_once
from tests.desk.test_desk_in_browser import SHADOW, started, until
from tests.in_browser import accessibility, running_browser
from tests.once import opening

from understave.acoustics.files import RATE, audio_bytes
from understave.acoustics.midi_bytes import midi_bytes
from understave.acoustics.performance import Performance
from understave.acoustics.piano import GRAND
from understave.acoustics.sound import render
from understave.desk.takes_panel import count_in, midi_of
from understave.findings import read
from understave.interpretation.perform import perform
from understave.interpretation.planning import make_plan
from understave.score.reader import read_score
from understave.takes.kept import kept_take
from understave.takes.recorded import recording_of


@pytest.fixture(scope="module")
def playing():
    score = read_once()[0]
    return perform(score, make_plan(score, read(score)))


@pytest.fixture
def desk(tmp_path):
    desk, lesson = desk_in(tmp_path)
    with TestClient(app_for(desk), headers=OWN, base_url="http://127.0.0.1:4711") as client:
        yield client, lesson
    lesson.give_up()


def sent(performance):
    """What a keyboard sends for a playing: (seconds, status, key, velocity)."""
    rows = [(s.start, 0x90, s.midi, round(s.velocity)) for s in performance.strikes]
    rows += [(s.end, 0x80, s.midi, 64) for s in performance.strikes]
    return sorted([*rows, (0.2, 0xB0, 64, 80)])


def test_what_a_keyboard_sends_comes_back_from_the_file(playing):
    found = recording_of(midi_of(sent(playing)), "played.mid")
    there = sorted((s.midi, s.start, round(s.velocity)) for s in playing.strikes)
    back = sorted((s.midi, s.start, round(s.velocity)) for s in found.performance.strikes)
    assert [(m, v) for m, _, v in back] == [(m, v) for m, _, v in there]
    assert all(abs(a[1] - b[1]) < 0.002 for a, b in zip(back, there, strict=True))
    assert found.pedal == ((pytest.approx(0.2, abs=0.002), pytest.approx(80 / 127)),)


def test_a_file_is_kept_told_and_taken_out(desk, playing, tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    client, lesson = desk
    score = lesson.score
    wrong = next(i for i, s in enumerate(playing.strikes) if i > 20 and score.note_by_id[s.note].staff == 1)
    strikes = tuple(replace(s, midi=s.midi + (i == wrong)) for i, s in enumerate(playing.strikes))
    data = midi_bytes(Performance(strikes, playing.pedal))
    answer = client.post("/api/takes?name=mine.mid", content=data)
    assert answer.json() == {"name": "mine"}
    assert (lesson.folder.path / "takes" / "mine.mid").read_bytes() == data
    assert [t["name"] for t in client.get("/api/takes").json()["takes"]] == ["mine"]
    take = client.get("/api/takes/one?name=mine").json()
    assert "as written" in take["told"][0]
    assert any("pedal blurs about as much as planned" in line for line in take["told"])
    picture = client.get("/api/takes/picture")
    assert (picture.headers["content-type"], picture.text[:4]) == ("image/svg+xml", "<svg")
    assert playing.strikes[wrong].note in take["slips"]["wrong"]
    assert take["signs"].keys() == take["slips"].keys()
    # Where the dampers half lie is the instrument's: what is said of the pedal follows it, and it is kept.
    assert take["half"] == 0.5
    deep = client.post("/api/takes/half", json={"name": "mine", "half": 0.9}).json()
    assert deep["half"] == client.get("/api/takes/one?name=mine").json()["half"] == 0.9
    assert deep["told"] != take["told"]
    assert (
        "no depth of the pedal"
        in client.post("/api/takes/half", json={"name": "mine", "half": 1}).json()["error"]
    )
    times = client.get("/api/takes/over-time").json()
    assert [row[0] for row in times["rows"]] == ["mine"]
    assert times["told"] == []
    dropped = client.post("/api/takes/drop", json={"name": "mine"})
    assert (lesson.folder.path / dropped.json()["place"]).read_bytes() == data
    assert client.get("/api/takes").json()["takes"] == []
    assert "nothing to draw" in client.get("/api/takes/picture").json()["error"]


@pytest.mark.parametrize(
    ("meter", "per_beat", "count"),
    [
        ((3, 4), 1, {"beats": 3, "tempo": 54}),
        ((2, 4), 1, {"beats": 4, "tempo": 54}),
        ((6, 8), 1.5, {"beats": 4, "tempo": 54}),
        ((4, 4), 1, {"beats": 4, "tempo": 54}),
        ((1, 4), 1, {"beats": 3, "tempo": 54}),
        ((3, 4), 0.1, {"beats": 3, "tempo": 20}),
    ],
)
def test_a_count_in_is_a_bar_at_the_piece_s_tempo(monkeypatch, meter, per_beat, count):
    """Common practice, no source; two bars where one has fewer than three beats. 6/8 is beaten in dotted
    quarters.
    """
    score = read_once()[0]
    bar = replace(score.measures[0], beats=meter[0], beat_type=meter[1])
    monkeypatch.setattr("understave.desk.takes_panel.basic_tempo", lambda score: 54 * per_beat)
    assert count_in(replace(score, measures=(bar, *score.measures[1:]))) == count


def test_the_desk_counts_in_with_the_printed_tempo(desk):
    client, lesson = desk
    (printed, *_) = (d.value for d in lesson.score.directions if d.kind == "tempo" and d.value)
    bar = lesson.score.measures[0]
    count = client.get("/api/takes").json()["count"]
    assert count["tempo"] == round(printed / float(bar.beat_length))


def test_what_was_recorded_is_tied_and_kept(desk, playing):
    client, _ = desk
    name = client.post("/api/takes/record", json={"messages": sent(playing)}).json()["name"]
    assert name.startswith("played-")
    (take,) = client.get("/api/takes").json()["takes"]
    assert take["name"] == name
    assert client.get(f"/api/takes/one?name={name}").json()["slips"]["missed"] == []


@pytest.mark.parametrize(
    ("path", "content", "sentence"),
    [
        ("/api/takes?name=a.txt", b"x", "is no recording"),
        ("/api/takes?name=a.mid", b"x", "is no MIDI recording"),
        ("/api/takes?name=a.wav", b"x", "no sound that can be read"),
        ("/api/takes?name=a.mid&bars=999", b"x", "names bar '999'"),
        ("/api/takes/record", b'{"messages": []}', "no notes in it"),
        ("/api/takes/record", b'{"messages": [[0, 144, 60, 400]]}', "makes no sense"),
        ("/api/takes/record", b'{"messages": [[0, 192, 60, 64]]}', "makes no sense"),
        ("/api/takes/drop", b'{"name": "../score"}', "There is no take"),
    ],
)
def test_what_is_no_playing_is_refused_in_a_sentence_and_not_kept(desk, path, content, sentence):
    client, lesson = desk
    answer = client.post(path, content=content)
    assert answer.status_code in (400, 422)
    assert sentence in answer.json()["error"]
    assert not list((lesson.folder.path / "takes").glob("*.*"))


FAKE_KEYBOARD = """
const input = new EventTarget();
window.sent = (messages) => {
  const now = performance.now();
  for (const [second, ...data] of messages) {
    const event = new Event("midimessage");
    Object.defineProperty(event, "timeStamp", { value: now + 1000 * second });
    Object.assign(event, { data: new Uint8Array(data) });
    input.dispatchEvent(event);
  }
};
navigator.requestMIDIAccess = async () => ({ inputs: new Map(window.unplugged ? [] : [["1", input]]) });
"""
"""A keyboard that sends whatever it is given, with the time stamps of the playing (Web MIDI API, W3C)."""

ALL_THAT_IS_SAID = """() => {
  window.said = [];
  const keep = (all) => all.forEach((one) => one.addedNodes.forEach((n) => window.said.push(n.textContent)));
  new MutationObserver(keep).observe(document.querySelector("desk-takes [role=status]"), { childList: true });
}"""
"""Keeps each message, also one that the next replaces before the test looks."""


def said(page, words):
    """Wait until the panel has said `words`; what it said before that, since the last time."""
    until(page, "(words) => window.said.some((text) => text.includes(words))", argument=words)
    with_it = page.evaluate(
        "(words) => window.said.splice(0, 1 + window.said.findIndex((text) => text.includes(words)))", words
    )
    return with_it[:-1]


BARS = 8
"""Bars that the keyboard plays."""
HEARD, SILENT, QUICKER = 5, 1.4, 2
"""Bars that the microphone hears, seconds before them (the count-in, at its quickest), and how much quicker
they are played than planned, so that recording them does not take long."""


@pytest.fixture(scope="module")
def heard(tmp_path_factory):
    """What the microphone hears, again and again: our own piano, playing the plan (synthetic)."""
    score = read_score(opening(HEARD))
    planned = perform(score, make_plan(score, read(score)))
    strikes = tuple(replace(s, start=s.start / QUICKER, end=s.end / QUICKER) for s in planned.strikes)
    pedal = tuple((t / QUICKER, depth) for t, depth in planned.pedal)
    sound = render(replace(planned, strikes=strikes, pedal=pedal), GRAND).mean(axis=1)
    path = tmp_path_factory.mktemp("heard") / "heard.wav"
    path.write_bytes(audio_bytes(".wav", np.concatenate([np.zeros(round(SILENT * RATE)), sound]), RATE))
    return path, SILENT + len(sound) / RATE


@pytest.fixture(scope="module")
def browser(heard):
    microphone = ("--use-fake-device-for-media-stream", "--use-fake-ui-for-media-stream")
    file = f"--use-file-for-fake-audio-capture={heard[0]}"
    with running_browser(["--autoplay-policy=no-user-gesture-required", *microphone, file]) as running:
        yield running


def test_the_microphone_is_recorded_after_a_count_in_and_kept_or_dropped(browser, tmp_path, heard):
    with started(tmp_path) as (address, home):
        context = browser.new_context(viewport={"width": 1280, "height": 800}, permissions=["microphone"])
        page = context.new_page()
        page.set_default_timeout(60_000)
        faults = []
        page.on("pageerror", lambda e: faults.append(str(e)))
        page.goto(address)
        page.set_input_files("#score-file", str(opening(HEARD)))
        until(page, f"!!document.querySelector('stave-score') && {SHADOW}.querySelector('button.label')", 150)
        page.locator("#tab-takes").click()
        said = "document.querySelector('desk-takes [role=status]').textContent"
        # Slow enough that the count-in still runs when it is stopped.
        page.fill("#takes-tempo", "20")
        page.locator(".takes-listen").click()
        page.locator(".takes-stop").click()
        until(page, f"{said}.includes('nothing is kept')")
        page.fill("#takes-tempo", "240")
        page.locator(".takes-listen").click()
        until(page, f"{said} === 'Recording.'")
        page.locator(".takes-stop").click()
        until(page, f"{said}.includes('It is recorded')")
        page.locator(".takes-drop").click()
        assert not list(home.glob("*/takes/*.wav"))
        page.locator(".takes-listen").click()
        until(page, f"{said} === 'Recording.'")
        page.wait_for_timeout(1000 * (heard[1] - SILENT))
        page.locator(".takes-stop").click()
        until(page, f"{said}.includes('It is recorded')")
        page.locator(".takes-keep").click()
        page.locator(".take").wait_for()
        (kept,) = home.glob("*/takes/*.wav")
        score = read_score(opening(HEARD))
        take = kept_take(kept.parents[1], score, kept.stem)
        assert (take.runs[0].first, take.runs[-1].last) == (0, HEARD - 1)
        page.locator(".take summary").click()
        page.get_by_text("From sound only time").wait_for()
        assert faults == []
        context.close()


def test_a_keyboard_is_recorded_after_a_count_in_and_kept_or_dropped(browser, tmp_path):
    score = read_score(opening(BARS))
    playing = perform(score, make_plan(score, read(score)))
    strikes = playing.strikes
    wrong = next(i for i, s in enumerate(strikes) if i > 20 and score.note_by_id[s.note].staff == 1)
    rows = sent(
        replace(playing, strikes=tuple(replace(s, midi=s.midi + (i == wrong)) for i, s in enumerate(strikes)))
    )
    with started(tmp_path) as (address, home):
        context = browser.new_context(viewport={"width": 1280, "height": 800})
        context.add_init_script(FAKE_KEYBOARD)
        page = context.new_page()
        page.set_default_timeout(30_000)
        faults = []
        page.on("pageerror", lambda e: faults.append(str(e)))
        page.goto(address)
        page.set_input_files("#score-file", str(opening(BARS)))
        until(page, f"!!document.querySelector('stave-score') && {SHADOW}.querySelector('button.label')", 150)
        page.locator("#tab-takes").click()
        page.evaluate(ALL_THAT_IS_SAID)
        page.evaluate("window.unplugged = true")
        page.locator(".takes-record").click()
        said(page, "No MIDI keyboard")
        page.evaluate("window.unplugged = false")
        # Slow enough that the count-in still runs when it is stopped.
        page.fill("#takes-tempo", "20")
        page.locator(".takes-record").click()
        said(page, "3 beats")
        page.locator(".takes-stop").click()
        assert said(page, "nothing is kept") == []
        page.fill("#takes-tempo", "240")
        page.locator(".takes-record").click()
        said(page, "Recording.")
        page.evaluate("(m) => window.sent(m)", rows)
        page.locator(".takes-stop").click()
        page.locator(".takes-drop").click()
        assert not list(home.glob("*/takes/*.mid"))
        page.locator(".takes-record").click()
        said(page, "3 beats")
        page.evaluate("(m) => window.sent(m)", rows)
        # At the end of the count-in the button is drawn anew: a press just then clicks neither.
        said(page, "Recording.")
        page.locator(".takes-stop").click()
        page.locator(".takes-keep").click()
        page.locator(".take").wait_for()
        (kept,) = home.glob("*/takes/*.mid")
        found = recording_of(kept.read_bytes(), kept.name)
        begin = found.performance.strikes[0].start - strikes[0].start
        assert len(found.performance.strikes) == len(strikes)
        assert all(
            abs(a.start - b.start - begin) < 0.005
            for a, b in zip(found.performance.strikes, strikes, strict=True)
        )
        page.locator(".take summary").click()
        page.get_by_role("button", name="Show in the score").click()
        until(page, f"{SHADOW}.querySelectorAll('.note > .slip.wrong').length >= 1")
        # They stay where the score is drawn anew, as it is when the plan follows.
        page.evaluate("void document.querySelector('stave-score').dispatchEvent(new Event('shown'))")
        assert page.evaluate(f"{SHADOW}.querySelectorAll('.note > .slip.wrong').length") >= 1
        # The desk tells every window of a take, the one that kept it too: what is open stays open, its slips
        # coloured, the button in focus.
        before = page.locator("desk-take-list > div").element_handle()
        page.evaluate("void document.querySelector('desk-takes').renew()")
        until(page, "(one) => !one.isConnected", argument=before)
        until(page, "!!document.querySelector('.take').open && !!document.querySelector('.take li')")
        assert page.evaluate(f"{SHADOW}.querySelectorAll('.note > .slip.wrong').length") >= 1
        assert page.evaluate("document.activeElement.getAttribute('aria-pressed')") == "true"
        page.locator("desk-takes figure img").wait_for()
        assert accessibility(page)[1] == []
        # The slips of a take are not left in the score where it is closed.
        page.locator(".take summary").click()
        until(page, f"{SHADOW}.querySelectorAll('.note > .slip.wrong').length === 0")
        # A file that is given meanwhile takes nothing from what was recorded and is not kept yet.
        page.locator(".takes-record").click()
        said(page, "Recording.")
        page.evaluate("(m) => window.sent(m)", rows)
        page.locator(".takes-stop").click()
        said(page, "keys were struck")
        file = {"name": "another.mid", "mimeType": "audio/midi", "buffer": kept.read_bytes()}
        page.set_input_files("#takes-file", [file])
        said(page, "another.mid")
        said(page, "keys were struck")
        page.locator(".takes-keep").click()
        until(page, "document.querySelectorAll('.take').length === 3")
        page.locator(".takes-record").wait_for()
        assert faults == []
        context.close()
