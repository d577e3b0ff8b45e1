"""The desk in a real browser, end to end: import, correct, undo, play, export, reload; by mouse and by keys.

The accessibility check is axe-core (Deque Systems), the rules of WCAG 2.2 levels A and AA.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path

import pytest
from tests.in_browser import accessibility, running_browser, until, until_so
from tests.once import opening

from understave.harmony.corrections import load, read_entries
from understave.media.page import lesson_values

BARS = 20
"""Of our example: enough to scroll to, and a lesson with all its sounds is made of them in half the time."""
SIZES = {"phone": (390, 844), "laptop": (1366, 768), "projector": (1920, 1080)}
SHADOW = "document.querySelector('stave-score').shadowRoot"


@pytest.fixture(scope="module")
def browser():
    with running_browser(["--autoplay-policy=no-user-gesture-required"]) as running:
        yield running


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    """A desk started as a teacher starts it, with nothing on it; its address and its folder."""
    with started(tmp_path_factory.mktemp("desk")) as found:
        yield found


@contextmanager
def started(place):
    env = {
        **os.environ,
        "XDG_STATE_HOME": str(place / "state"),
        "PYTHONUNBUFFERED": "1",
        "UNDERSTAVE_SOUNDFONT": str(place / "none.sf2"),
    }
    source = str(Path(__file__).parents[2] / "src")
    env["PYTHONPATH"] = os.pathsep.join([source, env.get("PYTHONPATH", "")])
    running = subprocess.Popen(
        [sys.executable, "-m", "understave", "open", "--no-browser"],
        cwd=place,
        env=env,
        stdout=subprocess.PIPE,
        text=True,
    )
    line = running.stdout.readline()
    address = re.search(r"http://127\.0\.0\.1:\d+/#\S+", line)
    assert address, line
    try:
        yield address[0], place
    finally:
        running.terminate()
        running.wait(20)


def new_page(browser, size="laptop"):
    width, height = SIZES[size]
    page = browser.new_page(viewport={"width": width, "height": height})
    page.set_default_timeout(15_000)
    page.faults = []
    page.on("pageerror", lambda e: page.faults.append(str(e)))
    page.on(
        "console",
        lambda m: page.faults.append(m.text) if m.type == "error" and "status of 4" not in m.text else None,
    )
    return page


def labels(page):
    return page.evaluate(
        f"[...{SHADOW}.querySelectorAll('.lane.numerals > .numeral')].map(g => g.getAttribute('aria-label'))"
    )


def shown(page, so, seconds=60):
    """Wait until the labels on the score are so; they are drawn again right after an edit is saved."""
    until_so(page, lambda: labels(page), so, seconds)


@pytest.fixture(scope="module")
def page(browser, desk):
    """The desk with our example dropped onto it."""
    page = new_page(browser)
    page.goto(desk[0])
    page.set_input_files("#score-file", str(opening(BARS)))
    until(
        page,
        f"!!document.querySelector('stave-score') && {SHADOW}.querySelectorAll('button.label').length > 12",
        150,
    )
    # Events and plan follow by themselves.
    until(page, "[...document.querySelectorAll('.lanes input')].length >= 6", 90)
    yield page
    assert page.faults == []
    page.close()


@pytest.fixture
def folder(desk):
    return desk[1] / f"{opening(BARS).stem}-lesson"


def at_rest(page, steps):
    until(page, f"document.querySelector('.saved').textContent.startsWith('{steps or 'No'}')")


def planned(page):
    """Wait for the plan: it is made anew behind the reading after an edit, and its lanes move the staves."""
    until(page, "document.querySelectorAll('.lanes label').length === 6", 200)


def choose(page, index):
    page.locator(f"stave-score button.label[data-label='{index}']").first.click()
    until(page, "!!document.querySelector('desk-chord .why .notes')")


def test_an_imported_score_shows_its_reading(page, folder):
    assert (folder / "lesson.toml").is_file()
    assert page.locator("h1").inner_text() != ""
    assert page.evaluate(f"{SHADOW}.querySelectorAll('.note').length") > 100
    lanes = page.locator(".lanes label").all_inner_texts()
    assert [t.strip() for t in lanes] == ["chords", "keys", "events", "tension", "dynamics", "pedal"]


def test_the_token_is_out_of_sight(page, desk):
    token = desk[0].split("#")[1]
    assert token not in page.url
    assert token not in page.evaluate("document.cookie")


def test_a_chord_is_explained_corrected_and_brought_back(page, folder):
    before = labels(page)
    choose(page, 6)
    words = page.locator("desk-chord .why").inner_text()
    assert "belong" in words
    # Numerals in sentences are set as on papers and page, with their figures above each other.
    assert page.locator("desk-chord .why p:first-child .roman").count() == 1
    assert "⟨" not in words
    page.keyboard.press("1")
    at_rest(page, 1)
    assert len(load(folder / "corrections.jsonl")) == 1
    shown(page, lambda now: any("set by the teacher" in t for t in now))
    page.locator("body").press("Control+z")
    at_rest(page, 0)
    assert load(folder / "corrections.jsonl") == ()
    plain = [t.replace(", uncertain", "") for t in before]
    shown(page, lambda now: [t.replace(", uncertain", "") for t in now] == plain)
    page.locator("body").press("Control+Shift+z")
    at_rest(page, 1)
    page.locator("text=Undo").first.click()
    at_rest(page, 0)


def test_a_chord_symbol_and_a_key_can_be_typed(page, folder):
    choose(page, 8)
    page.keyboard.press("e")
    page.keyboard.type("Eb7/G")
    page.keyboard.press("Enter")
    at_rest(page, 1)
    numeral = load(folder / "corrections.jsonl")[-1]
    assert numeral.numeral.chord(numeral.key).bass.name == "G"
    page.keyboard.press("Control+a")
    page.keyboard.type("nonsense")
    page.keyboard.press("Enter")
    until(page, "document.querySelector('.trouble').innerText.includes('nonsense')")
    page.locator(".trouble button").click()
    page.locator("#key-field").fill("Db")
    page.locator("#key-field").press("Enter")
    at_rest(page, 2)
    page.locator("h1").click()
    for left in (1, 0):
        page.locator("body").press("Control+z")
        at_rest(page, left)


def test_boundaries_move_by_keys_and_by_dragging(page, folder):
    choose(page, 5)
    page.locator("h1").click()
    page.keyboard.press("]")
    at_rest(page, 1)
    assert len(load(folder / "corrections.jsonl")) == 2
    page.locator("body").press("Control+z")
    at_rest(page, 0)
    choose(page, 5)
    handle = page.locator(".handle").first
    box = handle.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    start = page.evaluate("document.querySelector('desk-chord .count').textContent")
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 25, y, steps=4)
    page.mouse.move(x + 45, y, steps=4)
    page.mouse.up()
    at_rest(page, 1)
    assert page.evaluate("document.querySelector('desk-chord .count').textContent") != start
    page.locator("body").press("Control+z")
    at_rest(page, 0)


def label_and_handles(page, index):
    """Return the boxes of a label and of the two handles, of one moment: the score may be drawn anew."""
    return page.wait_for_function(
        f"""(index) => {{
          const label = {SHADOW}.querySelector(`button.label[data-label="${{index}}"]`);
          const shown = [label, ...document.querySelectorAll('.handle')].filter((e) => e?.checkVisibility());
          return shown.length === 3 && shown.map((e) => e.getBoundingClientRect().toJSON());
        }}""",
        arg=index,
    ).json_value()


def test_handles_stand_at_the_chord_where_the_sheet_is_scrolled_and_can_be_dragged(page, folder):
    planned(page)
    # The last chord with room before the next in its line, so that its end can be moved on.
    last = page.evaluate(
        f"""(() => {{
          const at = new Map([...{SHADOW}.querySelectorAll('button.label')].map(
            (b) => [Number(b.dataset.label), b.getBoundingClientRect()]));
          return Math.max(...[...at.keys()].filter((i) => at.has(i - 1) && at.has(i + 1) &&
            Math.abs(at.get(i + 1).y - at.get(i).y) < 9 && at.get(i + 1).x - at.get(i).x > 120 &&
            Math.abs(at.get(i - 1).y - at.get(i).y) < 9));
        }})()"""
    )
    choose(page, last)
    scrolled = page.evaluate("document.querySelector('#the-score .sheet').scrollTop")
    assert scrolled > 300
    label, first, second = label_and_handles(page, last)
    # Over the staves whose numeral this is, the one for the beginning by the numeral, the other after it.
    for box in (first, second):
        assert 0 < label["y"] - (box["y"] + box["height"]) + box["height"] / 2 < 250
    middle = first["x"] + first["width"] / 2
    assert abs(middle - label["x"]) < 40
    place = page.evaluate("document.querySelector('desk-chord .count').textContent")
    y = first["y"] + first["height"] / 2
    page.mouse.move(middle, y)
    page.mouse.down()
    page.mouse.move(middle + 30, y, steps=4)
    page.mouse.move(middle + 60, y, steps=4)
    # While it is dragged it stays at the height of its staves and under the pointer, as far as beats go.
    for _ in range(50):  # where the machine is busy it comes after
        held = page.locator(".handle").first.bounding_box()
        if abs(held["x"] + held["width"] / 2 - middle - 60) < 60:
            break
        page.wait_for_timeout(100)
    # A page that is drawn meanwhile, or the plan's lanes, may move the staves: the handle goes with them, and
    # stays where it was dragged to.
    page.evaluate("document.querySelector('stave-score').dispatchEvent(new CustomEvent('shown'))")
    moved, held, _ = label_and_handles(page, last)
    assert abs((held["y"] - moved["y"]) - (first["y"] - label["y"])) < 2
    assert abs(held["x"] + held["width"] / 2 - middle - 60) < 60
    page.mouse.up()
    at_rest(page, 1)
    assert page.evaluate("document.querySelector('desk-chord .count').textContent") != place
    # What is moved is the chord at the end of the piece, not one a screenful above.
    bars = {int(c.measure) for c in load(folder / "corrections.jsonl")}
    assert bars
    assert min(bars) >= int(re.search(r"bar (\d+)", place)[1]) - 1
    page.locator("body").press("Control+z")
    at_rest(page, 0)


def test_what_is_worth_checking_is_walked_through_by_keyboard_alone(page):
    page.locator("#tab-checks").focus()
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    page.keyboard.press("Tab")
    first = page.evaluate("document.activeElement.innerText")
    assert "%" in first
    page.keyboard.press("ArrowDown")
    assert page.evaluate("document.activeElement.innerText") != first
    assert page.evaluate("document.activeElement.getAttribute('aria-current')") == "true"
    shares = page.locator("desk-checks .share").all_inner_texts()
    numbers = [int(t.split()[0]) for t in shares]
    assert numbers == sorted(numbers)
    page.keyboard.press("Enter")
    until(page, "document.activeElement.id === 'chord-field'")
    page.keyboard.press("Escape")
    page.keyboard.press("0")
    at_rest(page, 1)
    page.locator("body").press("Control+z")
    at_rest(page, 0)


def test_two_windows_show_the_same(page, browser, desk):
    other = new_page(browser)
    other.goto(desk[0])
    until(
        other,
        f"!!document.querySelector('stave-score') && {SHADOW}.querySelectorAll('button.label').length > 12",
    )
    other.wait_for_timeout(500)
    choose(page, 4)
    page.locator("#chord-field").fill("Ger65")
    page.locator("#chord-field").press("Enter")
    at_rest(page, 1)
    at_rest(other, 1)
    shown(other, lambda now: any("Ger" in t for t in now))
    shown(page, lambda now: now == labels(other))
    other.locator("body").press("Control+z")
    at_rest(page, 0)
    shown(page, lambda now: not any("Ger" in t for t in now))
    assert other.faults == []
    other.close()


def test_it_plays_follows_and_goes_on_on_another_piano(page):
    until(page, "document.documentElement.classList.contains('sounding')", 200)
    page.locator("stave-score button.bar[data-bar='3']").click(position={"x": 30, "y": 40})
    until(page, "!document.querySelector('stave-transport').audio.paused", 200)
    until(page, f"{SHADOW}.querySelectorAll('.lit').length > 0")
    assert page.evaluate("document.querySelector('stave-transport').bar") >= 3
    page.select_option("#instrument", "early piano")
    source = page.evaluate("document.querySelector('stave-transport').sound.source")
    until(page, "s => document.querySelector('stave-transport').sound.source !== s", 200, source)
    where = page.evaluate("document.querySelector('stave-transport').second")
    assert where > 3
    until(page, "!document.querySelector('stave-transport').audio.paused", 200)
    page.evaluate("document.querySelector('stave-transport').pause()")
    # A piano whose samples are not there says so, and what was heard stays chosen.
    until(page, "document.querySelector('.sound-said')?.textContent === ''", 200)
    page.select_option("#instrument", "sampled piano")
    until(page, "/sampled piano|soundfont/.test(document.querySelector('.trouble').textContent)", 200)
    assert page.evaluate("document.querySelector('#instrument').value") == "early piano"
    page.locator(".trouble button").click()


def test_a_sheet_that_was_drawn_before_an_edit_does_not_hide_it(page):
    """The sheet for another size is held back on its way while a chord is set, and comes after that."""
    planned(page)
    held = []
    width = page.evaluate("document.querySelector('stave-score').layouts[0].width")
    page.route("**/api/sheet/**", lambda route: held.append((route, route.fetch())), times=1)
    page.locator(".sizes button").first.click()
    until(page, "true")
    while not held:
        page.wait_for_timeout(60)
    choose(page, 6)
    page.keyboard.press("1")
    at_rest(page, 1)
    # Nothing more is said of the edit after its plan.
    until(page, "document.querySelector('desk-chord').reading.settled", 200)
    route, drawn_before = held.pop()
    route.fulfill(response=drawn_before)
    until(page, f"document.querySelector('stave-score').layouts[0].width !== {width}", 20)
    shown(page, lambda now: any("set by the teacher" in t for t in now), 20)
    page.locator("body").press("Control+z")
    at_rest(page, 0)
    page.locator(".sizes button").nth(1).click()
    planned(page)


def test_lanes_fold_and_pages_turn(page):
    planned(page)
    page.locator(".lanes label", has_text="pedal").click()
    assert page.evaluate(f"{SHADOW}.querySelector('.lane.pedal-lane').style.display") == "none"
    page.locator(".lanes label", has_text="pedal").click()
    page.get_by_role("button", name="Pages").click()
    assert page.evaluate("document.querySelector('.sheet.main').classList.contains('paged')")
    page.get_by_role("button", name="Pages").click()


def test_a_second_reading_is_laid_beside(page, tmp_path):
    analysis = tmp_path / "other.txt"
    analysis.write_text(
        "Composer: x\nTitle: y\nTime Signature: 3/4\n\nm1 b1 C: I\nm2 b1 V7\nm3 b1 I\nm4 b1 IV\n"
    )
    page.locator("#tab-second").click()
    page.set_input_files("#second-file", str(analysis))
    until(page, "!!document.querySelector('desk-second .differences li')")
    assert page.evaluate(f"{SHADOW}.querySelectorAll('.lane.second > .second').length") >= 3
    page.get_by_role("button", name="Take it away").click()
    until(page, f"{SHADOW}.querySelectorAll('.lane.second').length === 0")


def test_the_lesson_is_built_and_exported_and_can_be_stopped(page, folder):
    page.locator("#tab-lesson").click()
    until(page, "document.querySelectorAll('.stop-card').length > 1", 90)
    asked = []
    page.route("**/api/stops", lambda route: asked.append((route, route.fetch())), times=1)
    page.evaluate("document.querySelector('desk-builder').renew()")
    until(page, "true")
    while not asked:
        page.wait_for_timeout(60)
    first, second = page.evaluate("[...document.querySelectorAll('.stop-card')].map(c => c.dataset.stop)")[:2]
    card = page.locator(f".stop-card[data-stop='{first}']")
    card.locator("summary").click()
    card.locator("textarea").nth(1).fill("Words of my own.")
    card.locator("textarea").nth(1).press("Tab")
    page.keyboard.type("And a question?")
    until(page, "document.querySelectorAll('.yours').length > 0", 90)
    assert "Words of my own." in (folder / "lesson.toml").read_text()
    # Stops as they were before the edit come after it, and what is being written meanwhile is not taken away.
    route, stops_before = asked.pop()
    with page.expect_response("**/api/stops"):
        route.fulfill(response=stops_before)
    page.wait_for_timeout(200)
    assert card.locator("textarea").nth(1).input_value() == "Words of my own."
    assert "And a question?" in card.locator("textarea").nth(2).input_value()
    assert page.evaluate("document.activeElement.id") == f"{first}-question"
    page.locator("h1").click()
    until(page, "document.querySelectorAll('.yours').length > 1", 90)
    assert "And a question?" in (folder / "lesson.toml").read_text()

    # Under a finger and while a voice is recorded nothing is drawn anew, nor asked for; after it all that was
    # missed is.
    page.route("**/api/stops", lambda route: asked.append(route.continue_()))
    builder = "document.querySelector('desk-builder')"
    records = "Object.assign(document.createElement('i'), { className: 'voice-stop' })"
    for hand, done in (
        (
            f"{builder}.querySelector('desk-voice').append({records})",
            f"{builder}.querySelector('i').remove()",
        ),
        (f"{builder}.dispatchEvent(new PointerEvent('pointerdown'))", ""),
    ):
        page.evaluate(hand)
        page.evaluate(f"{builder}.renew()")
        page.wait_for_timeout(200)
        assert not asked
        page.evaluate(done)
    with page.expect_response("**/api/stops"):
        page.evaluate("document.dispatchEvent(new PointerEvent('pointerup'))")
    page.unroute("**/api/stops")
    card = page.locator(f".stop-card[data-stop='{second}']")
    card.locator("summary").click()
    card.get_by_role("button", name="Leave out").click()
    until(page, "n => !document.querySelector(`.stop-card[data-stop='${n}']`)", 90, second)
    assert f'leave_out = ["{second}"]' in (folder / "lesson.toml").read_text()

    page.get_by_role("button", name="Make everything").click()
    until(page, "!!document.querySelector('.stop-making')")
    page.get_by_role("button", name="Stop", exact=True).click()
    until(page, "document.querySelector('.making').innerText.includes('Stopped')", 60)
    page.get_by_role("button", name="Make everything").click()
    until(page, "document.querySelector('progress')?.value > 0.05", 200)
    until(page, "document.querySelector('.making').innerText.includes('The lesson is made')", 500)
    assert (folder / "exports" / "student.pdf").is_file()
    exported = lesson_values((folder / "exports" / "page.html").read_text(encoding="utf-8"))
    assert any("Words of my own." in stop["words"] for stop in exported["stops"])
    with page.context.expect_page() as shown:
        page.get_by_role("link", name="Look at the lesson page").click()
    lesson = shown.value
    lesson.wait_for_selector("stave-score")
    # What was exported runs as a stranger: it can ask the desk for nothing.
    assert lesson.evaluate("origin") == "null"
    lesson.close()


def test_a_reload_shows_what_was_saved(page, folder):
    choose(page, 7)
    page.locator("#chord-field").fill("N6")
    page.locator("#chord-field").press("Enter")
    at_rest(page, 1)
    page.reload()
    until(
        page,
        f"!!document.querySelector('stave-score') && {SHADOW}.querySelectorAll('button.label').length > 12",
    )
    at_rest(page, 1)
    shown(page, lambda now: any(t.startswith("N 6") and "set by the teacher" in t for t in now))
    assert read_entries(folder / "corrections.jsonl")[-1].correction is not None


def test_a_bad_file_gets_a_sentence_on_the_page(page, tmp_path):
    bad = tmp_path / "bad.musicxml"
    bad.write_text("<score-partwise>")
    page.locator(".files summary").click()
    page.set_input_files("#score-file", str(bad))
    until(page, "document.querySelector('.trouble').innerText.length > 20")
    page.locator(".trouble button").click()
    assert page.locator("h1").inner_text() != "Understave"


def test_the_notes_of_the_score_before_never_stand_under_the_title_of_this_one(browser, tmp_path):
    with started(tmp_path) as (address, _):
        tunes = []
        for name in ("Morning", "Evening"):
            tunes.append(tmp_path / f"{name}.abc")
            tunes[-1].write_text(f"X:1\nT:{name}\nM:3/4\nL:1/4\nK:D\nDFA|dAF|GEC|D3|]\n")
        page = new_page(browser)
        page.goto(address)
        notes = f"document.querySelector('stave-score') && {SHADOW}.querySelectorAll('.note').length > 5"
        page.set_input_files("#score-file", str(tunes[0]))
        until(page, f"document.querySelector('h1').textContent === 'Morning' && {notes}", 120)
        held, free = [], False
        page.route("**/api/sheet/**", lambda route: route.continue_() if free else held.append(route))
        # The sound of the first is still being made, or has just been.
        page.locator(".files summary").click()
        page.set_input_files("#score-file", str(tunes[1]))
        until(page, "document.querySelector('h1').textContent === 'Evening'", 120)
        until(page, "true")
        assert not page.evaluate(notes)
        assert page.evaluate("document.querySelector('.sheet').getAttribute('aria-busy')") == "true"
        for _ in range(100):
            if held:
                break
            page.wait_for_timeout(50)
        free = True
        while held:
            held.pop().continue_()
        until(page, notes, 60)
        assert page.locator(".trouble").inner_text() == ""
        assert page.faults == []
        page.close()


def test_without_the_token_the_page_tells_nothing(browser, desk):
    page = browser.new_page()
    page.goto(desk[0].split("#")[0])
    until(page, "document.body.innerText.includes('earlier start')")
    assert page.evaluate("document.querySelectorAll('stave-score').length") == 0
    page.close()


def test_every_chord_can_be_reached_by_buttons_of_full_size(page):
    choose(page, 4)
    place = "document.querySelector('desk-chord .count').textContent"
    first = page.evaluate(place)
    page.get_by_role("button", name="Next chord →").click()
    until(page, f"f => {place} !== f", 10, first)
    page.get_by_role("button", name="← Chord before").click()
    until(page, f"f => {place} === f", 10, first)
    box = page.get_by_role("button", name="Next chord →").bounding_box()
    assert min(box["width"], box["height"]) >= 24


# One size after the other: the score is laid out anew for each.
@pytest.mark.parametrize("panel", ["chord", "checks", "events", "second", "lesson"])
@pytest.mark.parametrize("size", SIZES)
def test_no_serious_finding_and_nothing_off_the_screen(page, size, panel):
    width, height = SIZES[size]
    page.set_viewport_size({"width": width, "height": height})
    page.locator(f"#tab-{panel}").click()
    if panel == "lesson":
        until(page, "document.querySelectorAll('.stop-card').length > 1", 90)
    page.wait_for_timeout(400)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    # Chords stand as close as the music has them; "Chord before", "Next chord" and the list do the same.
    # The score is the same beside every panel, and looked at beside the first.
    _, found = accessibility(page, crowded="stave-score", crowd_seen=panel != "chord")
    serious = [
        (v["id"], [n["target"] for n in v["nodes"]][:3], v["nodes"][0].get("failureSummary", "")[:300])
        for v in found
    ]
    assert serious == []
    if os.environ.get("UNDERSTAVE_SCREENSHOTS"):
        page.screenshot(path=str(Path(os.environ["UNDERSTAVE_SCREENSHOTS"]) / f"desk-{size}-{panel}.png"))
