"""The lesson page on the wall and as homework, in a real browser: walked through by keys, answered, saved.

Which keys a presenter's remote sends (Page Down, Page Up, a full stop or b for black, F5 and Escape) is
common practice, no source. Letters of 28 pixels on 1080 lines are our own measure. The accessibility check is
axe-core (Deque Systems), the rules of WCAG 2.2, levels A and AA; MIDI messages are those of MIDI 1.0, from
memory.
"""

import json
import time
from dataclasses import replace

import numpy as np
import pytest
from tests.in_browser import accessibility, running_browser, until
from tests.in_firefox import running_firefox
from tests.once import make_plan, once, opening, propose_stops, read, read_score

import understave.teaching.exercises
from understave.acoustics.files import audio_bytes
from understave.engraving import excerpt
from understave.interpretation.perform import clock
from understave.media.homework_data import homework_json
from understave.media.page import Contrast, Side, Sound, lesson_page
from understave.media.webpage import PageOptions, make_page
from understave.teaching.homework import homework
from understave.teaching.results import read_questions, results

exercises = once(understave.teaching.exercises.exercises)
BARS = 16
"""Of our example: every kind of question and four stops stand on the page of these."""
RATE = 4000
WALL = "document.querySelector('stave-projection')"
ROOM = "document.querySelector('stave-homework')"
LIT = f"[...{WALL}.querySelector('stave-score').shadowRoot.querySelectorAll('.lit')].map((n) => n.id)"
FAKE_KEYBOARD = """
const input = { onmidimessage: null };
window.strike = (...keys) => {
  for (const k of keys) input.onmidimessage({ data: new Uint8Array([0x90, k, 80]) });
  for (const k of keys) input.onmidimessage({ data: new Uint8Array([0x80, k, 0]) });
};
navigator.requestMIDIAccess = async () => ({ inputs: new Map([["1", input]]) });
"""
NO_FULL_SCREEN = """
Element.prototype.requestFullscreen = async () => { throw new TypeError("not here"); };
"""
FULL_SCREEN = """
let filled = null;
const change = async (to) => { filled = to; document.dispatchEvent(new Event("fullscreenchange")); };
Object.defineProperty(document, "fullscreenElement", { get: () => filled });
document.exitFullscreen = () => change(null);
Element.prototype.requestFullscreen = function () { return change(this); };
"""
NOTHING_KEPT = """
Object.defineProperty(window, "localStorage", { get() { throw new DOMException("no", "SecurityError"); } });
"""


@pytest.fixture(scope="module")
def lesson(tmp_path_factory):
    score = read_score(opening(BARS))
    reading = read(score)
    plan = make_plan(score, reading)
    stops = propose_stops(score, reading, plan)
    tasks = homework(score, reading, exercises(score, reading, "intermediate"), stops)
    page = make_page(
        score, reading, plan, "score.musicxml", PageOptions(sound=False, minutes=9), stops=stops, tasks=tasks
    )
    length = clock(score, plan).at(score.end) + 1
    silence = Sound(audio_bytes(".wav", np.zeros(int(RATE * length), np.float32), RATE), "audio/wav", length)
    sides = tuple(Side(n, excerpt(score, reading, 1, 3, width_mm=112), silence) for n in ("One", "Two"))
    contrast = Contrast("Against", "bars 2–4", "Listen.", sides)
    first = replace(page.stops[0], contrasts=(0,))
    page = replace(page, sound=silence, contrasts=(contrast,), stops=(first, *page.stops[1:]))
    path = tmp_path_factory.mktemp("wall") / "page.html"
    path.write_text(lesson_page(page), encoding="utf-8")
    return score, page, tasks, path


@pytest.fixture(scope="module")
def browser():
    with running_browser() as running:
        yield running


@pytest.fixture
def opened(browser, lesson):
    """Open the page; at the end nothing may have been asked of the network and nothing complained of."""
    contexts, requests, complaints = [], [], []

    def go(place, script="", width=1280, height=720, **kwargs):
        context = browser.new_context(viewport={"width": width, "height": height}, **kwargs)
        contexts.append(context)
        if script:
            context.add_init_script(script)
        page = context.new_page()
        page.on("request", lambda r: requests.append(r.url))
        page.on("console", lambda m: complaints.append(m.text) if m.type in ("error", "warning") else None)
        page.on("pageerror", lambda e: complaints.append(str(e)))
        page.goto(lesson[3].as_uri() + place)
        until(page, "document.querySelector('#score stave-score')?.shadowRoot.querySelector('.bar')")
        return page

    yield go
    for context in contexts:
        context.close()
    outside = {u.partition("#")[0] for u in requests if not u.startswith(("data:", "blob:"))}
    assert outside == {lesson[3].as_uri()}
    assert complaints == []


def sees(page):
    """The stop on the wall, and whether its answer can be seen."""
    place = page.locator("stave-projection .place").inner_text()
    return int(place.split()[1]), page.locator("stave-projection .told").is_visible()


def test_the_wall_fills_the_screen_and_goes_with_it(opened):
    page = opened("", FULL_SCREEN)
    page.keyboard.press("p")
    assert sees(page) == (1, False)
    page.keyboard.press("PageDown")
    assert page.evaluate("document.fullscreenElement === document.documentElement")
    page.evaluate("document.exitFullscreen()")  # as a browser does at Escape, which the page does not hear
    assert page.evaluate(f"{WALL}.hidden")
    page.keyboard.press("p")
    assert sees(page) == (1, True)  # where one was
    page.keyboard.press("Escape")
    assert page.evaluate(f"{WALL}.hidden && !document.fullscreenElement")


def test_a_presenter_s_remote_leads_through_the_stops(opened, lesson):
    page = opened("", NO_FULL_SCREEN)
    assert page.evaluate(f"{WALL}.hidden")
    page.keyboard.press("p")
    assert sees(page) == (1, False)
    asked = page.locator("stave-projection h2").inner_text()
    assert asked == lesson[1].stops[0].question.replace("⟨", "").replace("⟩", "")
    walked = []
    for key in ("PageDown", "PageDown", "Space", "ArrowRight", "PageUp", "PageUp", "ArrowDown", "ArrowUp"):
        page.keyboard.press(key)
        walked.append(sees(page))
    assert walked == [
        (1, True), (2, False), (2, True), (3, False), (2, True), (2, False), (3, False), (2, False)
    ]  # fmt: skip
    page.keyboard.press("End")
    page.keyboard.press("PageDown")
    page.keyboard.press("PageDown")
    assert sees(page) == (len(lesson[1].stops), True)
    page.keyboard.press("Home")
    assert sees(page) == (1, False)

    # The numerals are told with the answer; until then they keep their room, so that nothing moves.
    lane = (
        f"getComputedStyle({WALL}.querySelector('stave-score').shadowRoot.querySelector('.lane')).visibility"
    )
    box = page.locator("stave-projection stave-score").bounding_box()
    assert page.evaluate(lane) == "hidden"
    page.keyboard.press("a")
    assert page.evaluate(lane) == "visible"
    assert page.locator("stave-projection stave-score").bounding_box() == box

    page.keyboard.press(".")
    assert not page.locator("stave-projection h2").is_visible()
    page.keyboard.press("PageDown")
    assert sees(page) == (1, True)
    assert page.locator("stave-projection h2").is_visible()

    page.keyboard.press("c")
    assert page.locator("stave-projection stave-contrast").is_visible()
    page.keyboard.press("2")
    versions = page.locator("stave-projection .version")
    until(page, f"{WALL}.querySelectorAll('.version')[1].getAttribute('aria-pressed') === 'true'")
    assert versions.first.get_attribute("aria-pressed") == "false"
    page.keyboard.press("PageDown")
    assert sees(page) == (1, True)
    page.keyboard.press("h")
    until(page, "document.querySelector('stave-transport').playing")

    dark = page.evaluate("document.documentElement.classList.contains('dark')")
    page.keyboard.press("d")
    assert page.evaluate("document.documentElement.classList.contains('dark')") != dark
    page.keyboard.press("Escape")
    until(page, f"{WALL}.hidden")
    assert not page.evaluate("document.querySelector('stave-transport').playing")
    assert not page.evaluate("document.querySelector('#page').inert")
    page.keyboard.press("F5")
    assert sees(page) == (1, True)
    assert page.locator("stave-projection .clock").inner_text().endswith("/ 9:00")


def test_the_pointer_lights_all_that_sounds_and_nothing_else(opened, lesson):
    score, shown, _, _ = lesson
    stop = shown.stops[0]
    page = opened("#projection")
    inside = [n for n in score.notes if stop.first <= n.measure <= stop.last and not n.grace]
    for note in (inside[2], inside[len(inside) // 2], inside[-1]):
        head = page.locator(f"stave-projection [id='{note.id}'] .notehead").bounding_box()
        page.mouse.move(head["x"] + head["width"] / 2, head["y"] + head["height"] / 2)
        sounding = {i for n in score.notes if n.onset <= note.onset < n.end for i in n.ids}
        there = {i for i in sounding if page.locator(f"stave-projection [id='{i}']").count()}
        assert set(page.evaluate(LIT)) == there
        assert note.id in there
    page.mouse.move(2, 2)
    assert page.evaluate(LIT) == []
    page.keyboard.press("Shift+ArrowRight")
    first = min(n.onset for n in score.notes if n.end > score.measures[stop.first].start)
    assert {score.note_by_id[i].onset for i in page.evaluate(LIT) if i in score.note_by_id} >= {first}


def test_the_wall_is_filled_and_can_be_read_from_afar(opened, lesson):
    page = opened("#projection")
    overflow = (
        f"[...{WALL}.querySelectorAll('*')].filter((e) => {{ const r = e.getBoundingClientRect();"
        "return r.width && (r.right > innerWidth + 1 || r.bottom > innerHeight + 1 || r.left < -1); })"
        ".map((e) => e.className)"
    )
    letters = (
        f"[...{WALL}.querySelectorAll('.place, .clock span, h2, .told p, button')]"
        ".map((e) => parseFloat(getComputedStyle(e).fontSize))"
    )
    fills = (
        f"(() => {{ const s = {WALL}.querySelector('.screen').getBoundingClientRect();"
        f"const m = {WALL}.querySelector('stave-score').getBoundingClientRect();"
        "return [m.width / s.width, m.height / s.height]; })()"
    )
    for width, height in ((1920, 1080), (1280, 720), (1024, 768)):
        page.set_viewport_size({"width": width, "height": height})
        page.keyboard.press("Home")
        for _ in range(len(lesson[1].stops)):
            page.keyboard.press("a")
            page.wait_for_timeout(30)
            assert page.evaluate(overflow) == []
            assert min(page.evaluate(letters)) >= 28 * height / 1080
            assert max(page.evaluate(fills)) > 0.8
            assert not page.evaluate(f"{WALL}.querySelector('.said').classList.contains('long')")
            page.keyboard.press("ArrowDown")


def test_no_serious_finding_of_accessibility(opened, lesson):
    page = opened("#projection", reduced_motion="reduce")  # no colour is caught half way to another
    page.keyboard.press("a")
    found = [accessibility(page, crowded="stave-projection stave-score")]
    page.keyboard.press("d")
    found.append(accessibility(page, colours_only=True))
    page.keyboard.press("Escape")
    page.get_by_role("button", name="Homework").click()
    for kind in ("bar", "note", "numeral", "play"):
        page.locator(".tasknav button").nth(numbered(lesson[2], kind)).click()
        page.locator(".give").click()
        # The score is the same at every task.
        found.append(accessibility(page, crowded="stave-homework stave-score", crowd_seen=kind != "bar"))
    for passes, serious in found:
        assert passes
        assert [(v["id"], [n["html"][:120] for n in v["nodes"][:3]]) for v in serious] == []


def numbered(tasks, begin):
    return next(k for k, t in enumerate(tasks) if t.id.startswith(begin))


def verdict(page):
    return page.locator("stave-homework .verdict").inner_text()


def test_homework_is_answered_told_kept_and_counted(opened, lesson, tmp_path):
    score, shown, tasks, _ = lesson
    page = opened("", FAKE_KEYBOARD, accept_downloads=True)
    page.get_by_role("button", name="Homework").click()
    page.get_by_label("Your name or a nickname").fill("Ada <b>")

    def go(begin):
        at = numbered(tasks, begin)
        page.locator(".tasknav button").nth(at).click()
        return tasks[at]

    # None of it names the answer before it is found: neither the words of the bars nor the lanes.
    task = go("kind")
    text = page.evaluate(f"{ROOM}.innerText")
    assert task.reason.replace("⟨", "").replace("⟩", "") not in text
    assert page.evaluate(f"{ROOM}.querySelector('stave-score').lanes.length") > 0
    hidden = f"[...{ROOM}.querySelector('stave-score').shadowRoot.querySelectorAll('.lane')]"
    assert page.evaluate(f"{hidden}.every((l) => l.style.display === 'none')")
    names = page.locator("stave-homework .bar").evaluate_all(
        "all => all.map((b) => b.getAttribute('aria-label'))"
    )
    assert all(":" not in name for name in names)

    wrong = next(k for k in range(len(task.choices)) if k not in task.right)
    page.locator("stave-homework input[type=radio]").nth(wrong).check()
    page.get_by_role("button", name="Check").click()
    assert task.why_not[wrong] in verdict(page)
    page.locator("stave-homework input[type=radio]").nth(task.right[0]).check()
    page.get_by_role("button", name="Check").click()
    assert verdict(page).startswith("Right.")

    go("numeral")
    box = page.get_by_label("Your answer")
    for typed, begin in (("iv", "Not that"), ("ii65", "The chord is right"), ("Fm 7", "Right.")):
        box.fill(typed)
        box.press("Enter")
        assert verdict(page).startswith(begin), typed

    task = go("note")
    note = score.note_by_id[task.spots[task.right[0]][1][0]]
    head = page.locator(f"stave-homework [id='{note.id}'] .notehead").bounding_box()
    page.mouse.click(head["x"] + head["width"] / 2, head["y"] + head["height"] / 2)
    assert verdict(page).startswith("Right.")
    task = go("chord")
    wrong = next(k for k in range(len(task.spots)) if k not in task.right)
    page.get_by_label("Or choose from the list").select_option(str(wrong))
    assert verdict(page).startswith("Not that")

    task = go("bar")
    page.locator(f"stave-homework .bar[data-bar='{task.right[0]}']").click()
    assert verdict(page).startswith("Right.")

    task = go("play")
    lowest = [48 + k for k in task.keys]
    for key in lowest:
        page.locator(f"stave-keys [data-key='{key}']").click()
    page.get_by_role("button", name="Check").click()
    # V7 of E flat from its lowest note up: B flat, D, F, A flat; drawn from C the lowest is D.
    assert verdict(page).startswith("Right." if min(lowest) == lowest[0] else "The chord is right")
    page.get_by_role("button", name="Use a MIDI keyboard").click()
    until(page, f"{ROOM}.querySelector('stave-keys [role=status]').textContent.includes('together')")
    rising = [36 + task.keys[0]]
    for k in task.keys[1:]:
        rising.append(rising[-1] + (k - rising[-1]) % 12)
    page.evaluate("(keys) => window.strike(...keys)", rising)
    page.get_by_role("button", name="Check").click()
    assert verdict(page).startswith("Right.")

    with page.expect_download() as saving:
        page.get_by_role("button", name="Save my answers").click()
    saved = tmp_path / "ada.json"
    saving.value.save_as(saved)
    assert saving.value.suggested_filename.startswith("Ada-b-")
    asked = read_questions(homework_json(score, tasks, "en"), "homework.json")
    found = results(asked, ["ada.json"], lambda _: saved.read_bytes())
    assert found.notes == ()
    tries = {a.question.split("-")[0]: (len(a.tried), a.right) for a in found.students[0].answers}
    assert found.students[0].name == "Ada <b>"
    assert tries["kind"] == (2, True)
    assert tries["numeral"] == (3, True)
    assert tries["chord"] == (1, False)
    assert tries["bar"] == tries["note"] == (1, True)
    assert json.loads(saved.read_text(encoding="utf-8"))["title"] == shown.title

    page.reload()
    until(page, "document.querySelector('#score stave-score')?.shadowRoot.querySelector('.bar')")
    page.get_by_role("button", name="Homework").click()
    assert page.get_by_label("Your name or a nickname").input_value() == "Ada <b>"
    go("numeral")
    assert verdict(page).startswith("Right.")


def test_where_the_browser_keeps_nothing_it_says_so_and_answers_all_the_same(opened, lesson):
    page = opened("#homework", NOTHING_KEPT, width=390, height=844)
    # On the page below no button lies over the title.
    tools, title = (page.locator(f"#page {one}").bounding_box() for one in (".tools", "h1"))
    assert tools["y"] + tools["height"] <= title["y"] + 1
    assert tools["x"] >= 0
    assert page.locator(".unkept").is_visible()
    assert page.evaluate(f"{ROOM}.scrollWidth") <= 390
    page.locator(".tasknav button").nth(numbered(lesson[2], "key")).click()
    page.locator(".give").click()
    assert verdict(page).startswith("The answer:")
    page.locator(".tasknav button").nth(numbered(lesson[2], "play")).click()
    page.evaluate("delete Navigator.prototype.requestMIDIAccess")
    page.get_by_role("button", name="Use a MIDI keyboard").click()
    assert "no Web MIDI" in page.locator("stave-keys [role=status]").inner_text()
    page.keyboard.press("Escape")
    assert page.evaluate(f"{ROOM}.hidden")


def test_homework_is_answered_and_saved_in_firefox(lesson, tmp_path):
    """Right and wrong answers, kept over a reload, and the file that the teacher counts."""
    score, _, tasks, path = lesson
    with running_firefox(tmp_path) as firefox:
        firefox.open(path.as_uri())
        firefox.until("!!document.querySelector('#score stave-score')?.shadowRoot.querySelector('.bar')")
        firefox.press_button("Homework")
        firefox.type("stave-homework input[type=text]", "Ada")
        at = numbered(tasks, "kind")
        task = tasks[at]
        choices = "stave-homework input[type=radio]"
        go = f"document.querySelectorAll('.tasknav button')[{at}].click()"
        firefox.evaluate(go)
        wrong = next(k for k in range(len(task.choices)) if k not in task.right)
        for k, begin in ((wrong, "Not that"), (task.right[0], "Right.")):
            firefox.evaluate(f"document.querySelectorAll('{choices}')[{k}].click()")
            firefox.press_button("Check")
            assert firefox.evaluate("document.querySelector('.verdict').textContent").startswith(begin)
        # Kept in this browser: there after the page has been opened again.
        firefox.do("WebDriver:Refresh")
        firefox.until("!!document.querySelector('#score stave-score')?.shadowRoot.querySelector('.bar')")
        firefox.press_button("Homework")
        assert firefox.evaluate(f"document.querySelectorAll('.tasknav button')[{at}].textContent").endswith(
            "✓"
        )
        # Web MIDI is there only with the user's leave, or not at all: then a sentence says so.
        play = numbered(tasks, "play")
        firefox.evaluate(f"document.querySelectorAll('.tasknav button')[{play}].click()")
        firefox.evaluate("document.querySelector('stave-keys .connect').click()")
        assert firefox.evaluate("document.querySelector('stave-keys [role=status]').textContent") != ""
        firefox.press_button("Save my answers")
        end = time.monotonic() + 30
        # The browser makes an empty file first and fills it when all has come.
        while not (saved := [f for f in (tmp_path / "downloads").glob("Ada-*.json") if f.stat().st_size]):
            assert time.monotonic() < end, list((tmp_path / "downloads").iterdir())
            time.sleep(0.1)
        asked = read_questions(homework_json(score, tasks, "en"), "homework.json")
        found = results(asked, ["ada.json"], lambda _: saved[0].read_bytes())
        assert found.notes == ()
        (answer,) = found.students[0].answers
        assert (answer.question, len(answer.tried), answer.right) == (task.id, 2, True)
