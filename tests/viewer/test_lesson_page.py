"""The lesson page in a real browser: it is clicked, played, read by keyboard and checked for accessibility.

What should light up when is reckoned here from the plan's clock, not from the page. The accessibility check
is axe-core (Deque Systems), the rules of WCAG 2.2 levels A and AA.
"""

import re
import time
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from tests.in_browser import accessibility, running_browser, until
from tests.once import make_plan, opening, read, read_score

from understave.acoustics.files import audio_bytes
from understave.engraving import excerpt
from understave.interpretation.perform import clock, perform
from understave.media.page import Contrast, NamedSound, Side, Sound, lesson_page
from understave.media.webpage import PageOptions, lights, make_page

BARS = 12
"""Of our example: every kind of control and three stops stand on the page of these."""
RATE = 8000
SCORE = "document.querySelector('#score stave-score').shadowRoot"
LARGE, PHONE = {"width": 1920, "height": 1080}, {"width": 390, "height": 844}


@pytest.fixture(scope="module")
def browser():
    with running_browser() as running:
        yield running


def tones(performance):
    """A short tone for each key struck: quick to make, and long enough to play."""
    sound = np.zeros(int(RATE * (performance.length + 1)), np.float32)
    for s in performance.strikes:
        t = np.arange(int(RATE * 0.2)) / RATE
        first = int(RATE * s.start)
        sound[first : first + len(t)] += (
            0.05 * np.sin(2 * np.pi * 440 * 2 ** ((s.midi - 69) / 12) * t) * np.exp(-12 * t)
        )
    return audio_bytes(".wav", sound, RATE, gain=1.0), len(sound) / RATE


@pytest.fixture(scope="module")
def lesson(tmp_path_factory):
    score = read_score(opening(BARS))
    reading = read(score)
    plan = make_plan(score, reading)
    page = make_page(score, reading, plan, opening(BARS).name, PageOptions(sound=False))

    def sound(**bars):
        performance = perform(score, plan, **bars)
        data, length = tones(performance)
        return Sound(data, "audio/wav", length, lights(score, performance))

    first, last = 1, 3
    picture = excerpt(score, reading, first, last, width_mm=112)
    heard = sound(first=first, last=last)
    contrast = Contrast(
        "One <b>against</b> the other",
        "bars 2–4",
        "Listen.",
        (Side("One", picture, heard), Side("Two", picture, heard)),
    )
    stops = (
        replace(page.stops[0], sounds=(NamedSound("Once more", heard),), contrasts=(0,)),
        *page.stops[1:],
    )
    page = replace(page, sound=sound(), contrasts=(contrast,), stops=stops)
    path = tmp_path_factory.mktemp("page") / "page.html"
    path.write_text(lesson_page(page), encoding="utf-8")
    return score, page, clock(score, plan), path


@pytest.fixture(scope="module")
def window(browser):
    """The one page that all tests open the lesson in, and what it asked for and complained of.

    A page of its own for each, in a process of its own, takes twice as long.
    """
    requests, complaints = [], []
    page = browser.new_page()
    page.on("request", lambda r: requests.append(r.url))
    page.on("console", lambda m: complaints.append(m.text) if m.type in ("error", "warning") else None)
    page.on("pageerror", lambda e: complaints.append(str(e)))
    return page, requests, complaints


@pytest.fixture
def opened(window, lesson):
    """Open the page; at the end nothing may have been asked of the network and nothing complained of."""
    page, requests, complaints = window
    requests.clear()
    complaints.clear()

    def go(size=LARGE, color_scheme="null"):
        page.goto("about:blank")
        page.set_viewport_size(size)
        page.emulate_media(media="null", color_scheme=color_scheme)
        page.mouse.move(0, 0)
        page.goto(lesson[3].as_uri())
        until(page, "document.querySelector('#score stave-score')?.shadowRoot.querySelector('.bar')")
        until(page, "document.querySelector('stave-transport').audio.readyState >= 3")
        return page

    yield go
    page.goto("about:blank")
    asked = {u for u in requests if not u.startswith(("data:", "blob:", "about:"))}
    assert asked == {lesson[3].as_uri()}
    assert complaints == []


def player(page, what):
    return page.evaluate(
        f"(() => {{ const t = document.querySelector('stave-transport'); return {what}; }})()"
    )


def lit(page, where="#score stave-score"):
    """The second of the sound and the notes that are lit, in one moment right after a frame is drawn."""
    return page.evaluate(
        """(where) => new Promise((done) => requestAnimationFrame(() => setTimeout(() => done(
        [document.querySelector('stave-transport').second,
        [...document.querySelector(where).shadowRoot.querySelectorAll('.lit')].map((n) => n.id)]))))""",
        where,
    )


def bar_button(page, index):
    return page.locator(f"#score stave-score .bar[data-bar='{index}']")


def expected(lesson, second, slack):
    """Ids of the notes that must be lit at a second, and of those that may be."""
    rows = lesson[1].sound.notes
    must = {n for n, a, b in rows if a + slack <= second < b - slack}
    may = {n for n, a, b in rows if a - slack <= second < b + slack}
    return must, may


def test_every_bar_can_be_reached_and_is_told_in_words(opened, lesson):
    page = opened()
    score = lesson[0]
    buttons = page.locator("#score stave-score .bar")
    assert buttons.count() == len(score.measures)
    names = buttons.evaluate_all(
        "all => all.map((b) => [Number(b.dataset.bar), b.getAttribute('aria-label')])"
    )
    for index, name in names:
        assert name.startswith(f"bar {score.measures[index].number}: ")
    assert page.title() == lesson[1].title


def test_a_click_on_a_note_plays_from_it_and_the_light_moves_on(opened, lesson):
    score, _, time_of, _ = lesson
    page = opened()
    note = next(
        n for n in score.notes if n.measure == 2 and n.onset > score.measures[2].start and not n.grace
    )
    head = page.locator(f"#score stave-score [id='{note.id}'] .notehead").bounding_box()
    page.mouse.click(head["x"] + head["width"] / 2, head["y"] + head["height"] / 2)
    until(page, "document.querySelector('stave-transport').playing")
    second, ids = lit(page)
    assert time_of.at(note.onset) - 0.05 <= second < time_of.at(note.onset) + 1.5
    seen = []
    for _ in range(4):
        page.wait_for_timeout(450)
        second, ids = lit(page)
        must, may = expected(lesson, second, 0.12)
        assert must <= set(ids) <= may
        seen.append(frozenset(ids))
    assert len(set(seen)) > 1
    page.get_by_role("button", name="Pause").click()
    assert not player(page, "t.playing")


def test_bars_dragged_over_are_repeated(opened, lesson):
    _, shown, _, _ = lesson
    page = opened()
    boxes = [bar_button(page, i).bounding_box() for i in (1, 2)]
    middles = [(b["x"] + b["width"] / 2, b["y"] + b["height"] / 3) for b in boxes]
    page.mouse.move(*middles[0])
    page.mouse.down()
    page.mouse.move(*middles[1], steps=4)
    page.mouse.up()
    assert player(page, "t.passage") == [1, 2]
    assert page.get_by_role("checkbox", name="Repeat").is_checked()
    start, end = shown.bars[1].start, shown.bars[2].end
    player(page, f"t.seek({end - 0.4})")
    player(page, "t.play()")
    page.wait_for_timeout(1000)
    assert start - 0.05 <= player(page, "t.second") < start + 1.5
    page.get_by_role("checkbox", name="Repeat").uncheck()
    assert player(page, "t.passage") is None


def test_slower_keeps_the_pitch(opened):
    page = opened()
    page.get_by_label("Pace").fill("50")
    assert player(page, "[t.audio.playbackRate, t.audio.preservesPitch]") == [0.5, True]
    player(page, "t.play()")
    page.wait_for_timeout(400)
    started, began = player(page, "t.second"), time.monotonic()
    page.wait_for_timeout(1500)
    rate = (player(page, "t.second") - started) / (time.monotonic() - began)
    assert rate == pytest.approx(0.5, abs=0.12)


def test_hearing_a_stop_plays_its_bars_once(opened, lesson):
    _, shown, _, _ = lesson
    stop = shown.stops[0]
    page = opened()
    page.locator("#stop-1").get_by_role("button", name="Hear these bars").click()
    until(page, "document.querySelector('stave-transport').playing")
    assert shown.bars[stop.first].start - 0.05 <= player(page, "t.second") < shown.bars[stop.first].end
    page.wait_for_timeout(300)
    second, ids = lit(page, "#stop-1 stave-score")
    must, _ = expected(lesson, second, 0.12)
    # What the pedal holds from the bars before is heard, but does not stand in the picture of the stop.
    assert {i for i in must if page.locator(f"#stop-1 stave-score [id='{i}']").count()} <= set(ids)
    assert ids
    player(page, f"t.seek({shown.bars[stop.last].end - 0.3})")
    until(page, "!document.querySelector('stave-transport').playing")
    assert player(page, "t.passage") is None


def test_an_answer_is_hidden_until_it_is_asked_for(opened, lesson):
    page = opened()
    stop = page.locator("#stop-1")
    answer = stop.locator("details p")
    assert not answer.is_visible()
    stop.get_by_text("Show the answer").click()
    assert answer.is_visible()
    assert answer.inner_text() == lesson[1].stops[0].answer


def test_a_folded_lane_leaves_no_gap(opened):
    page = opened()
    height = f"[...{SCORE}.querySelectorAll('div.system')].map((s) => s.clientHeight)"
    before = page.evaluate(height)
    page.get_by_role("checkbox", name="tension").uncheck()
    folded = page.evaluate(height)
    assert all(f < b for f, b in zip(folded, before, strict=True))
    lane = page.locator("#score stave-score .tension-lane").first
    assert not lane.is_visible()
    page.get_by_role("checkbox", name="tension").check()
    assert page.evaluate(height) == before


def test_versions_are_heard_at_the_same_place_and_one_at_a_time(opened):
    page = opened()
    player(page, "t.play()")
    one, two = (page.get_by_role("button", name=name, exact=True) for name in ("One", "Two"))
    one.click()
    page.wait_for_timeout(900)
    assert not player(page, "t.playing")
    assert one.get_attribute("aria-pressed") == "true"
    lit_there = (
        "[...document.querySelectorAll('stave-contrast stave-score')]"
        ".map((s) => s.shadowRoot.querySelectorAll('.lit').length)"
    )
    assert page.evaluate(lit_there)[0] > 0
    assert page.evaluate(lit_there)[1] == 0
    two.click()
    page.wait_for_timeout(300)
    assert [b.get_attribute("aria-pressed") for b in (one, two)] == ["false", "true"]
    two.click()
    assert [b.get_attribute("aria-pressed") for b in (one, two)] == ["false", "false"]


def test_a_version_that_is_slower_goes_on_at_the_same_place(opened):
    page = opened()
    page.evaluate(
        """() => {
          const plain = window.Audio;
          window.made = [];
          window.Audio = function () { const audio = new plain(); window.made.push(audio); return audio; };
          const old = document.querySelector("stave-contrast");
          const lasts = [6, 3];
          const sides = old.contrast.sides.map((side, i) => ({ ...side, lasts: lasts[i] }));
          window.slower = document.createElement("stave-contrast");
          window.slower.contrast = { ...old.contrast, sides };
          old.after(window.slower);
        }"""
    )
    page.evaluate("window.slower.choose(0)")
    until(page, "window.made[0].currentTime > 1")
    before, after = page.evaluate(
        "() => { const at = window.made[0].currentTime; window.slower.choose(1);"
        " return [at, window.made[1].currentTime]; }"
    )
    assert after == pytest.approx(before / 2, abs=0.05)


def test_the_browser_draws_the_shapes_that_were_engraved(opened, lesson):
    """They travel apart from the pictures, which name them by number."""
    page = opened()
    drawn = page.evaluate(
        """[...document.querySelector('#score stave-score').shadowRoot.querySelectorAll('path')]
        .map((path) => path.getAttribute('d'))"""
    )
    engraved = {
        shape
        for layout in lesson[1].layouts
        for picture in layout.pages
        for shape in re.findall(r'<path[^>]* d="([^"]*)"', picture)
    }
    assert max(map(len, drawn)) > 100
    assert set(drawn) <= engraved


def test_text_is_never_taken_for_markup(opened):
    page = opened()
    assert page.locator("stave-contrast h3").first.inner_text().startswith("One <b>against</b> the other")


def test_the_keyboard_alone_is_enough(opened, lesson):
    _, shown, _, _ = lesson
    page = opened()
    page.locator("body").press("Space")
    until(page, "document.querySelector('stave-transport').playing")
    page.locator("body").press("Space")
    assert not player(page, "t.playing")
    bar_button(page, 0).focus()
    for _ in range(3):
        page.keyboard.press("ArrowRight")
    assert page.evaluate("document.activeElement.shadowRoot.activeElement.dataset.bar") == "3"
    page.keyboard.press("Enter")
    until(page, "document.querySelector('stave-transport').playing")
    assert player(page, "t.second") == pytest.approx(shown.bars[3].start, abs=0.6)
    page.keyboard.press("Shift+ArrowRight")
    assert player(page, "t.passage") == [3, 4]
    # One stop of the Tab key for the whole score, not one for each bar.
    assert page.locator("#score stave-score .bar[tabindex='0']").count() == 1


def test_a_phone_gets_a_layout_of_its_own(opened, lesson):
    widths = []
    for size in (LARGE, PHONE):
        page = opened(size)
        assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
        bars = page.locator("#score stave-score .system").first.locator(".bar").count()
        lines = f"[...{SCORE}.querySelector('.staff').querySelectorAll(':scope > path')]"
        tops = page.evaluate(f"{lines}.map((p) => p.getBoundingClientRect().top)")
        staff = max(tops) - min(tops)
        widths.append((bars, staff))
    (many, large), (few, small) = widths
    assert few < many
    assert small >= 18
    assert large >= 24


def test_on_paper_the_answers_stand_by_themselves(opened, lesson):
    page = opened()
    page.emulate_media(media="print")
    assert page.locator("#answers").is_visible()
    assert page.locator("#answers li").count() == sum(bool(s.answer) for s in lesson[1].stops)
    assert not page.locator(".dock").is_visible()
    assert not page.locator("#stop-1 details").is_visible()


def test_numbers_of_stops_that_lie_close_stand_side_by_side(opened):
    page = opened(LARGE)
    page.evaluate("document.querySelectorAll('stave-overview .flag').forEach((f) => (f.style.left = '99%'))")
    page.set_viewport_size(PHONE)
    page.wait_for_timeout(300)
    boxes = [f.bounding_box() for f in page.locator("stave-overview .flag span").all()]
    assert len(boxes) > 1
    assert all(a["x"] + a["width"] <= b["x"] for a, b in pairwise(sorted(boxes, key=lambda b: b["x"])))
    assert max(b["x"] + b["width"] for b in boxes) <= PHONE["width"]


@pytest.mark.parametrize("size", [LARGE, PHONE], ids=["1920", "390"])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_serious_finding_of_accessibility(opened, size, scheme):
    page = opened(size, color_scheme=scheme)
    page.locator("#stop-1").get_by_text("Show the answer").click()
    passes, serious = accessibility(page, colours_only=scheme == "dark", drawn=scheme == "light")
    assert len(passes) > (0 if scheme == "dark" else 15)
    assert [(v["id"], [n["html"][:120] for n in v["nodes"][:3]]) for v in serious] == []


def test_a_phone_shows_music_before_the_story(opened):
    page = opened(PHONE)
    music = page.locator("#score .sheet").bounding_box()
    summary = page.locator(".summary")
    assert music["y"] + 100 < page.locator(".dock").bounding_box()["y"]
    assert summary.bounding_box()["y"] > music["y"] + music["height"]
    page.set_viewport_size(LARGE)
    until(page, "!!document.querySelector('header .summary')")
    assert summary.bounding_box()["y"] < page.locator("#score .sheet").bounding_box()["y"]


def test_chords_can_be_picked_one_by_one_where_that_is_asked_for(opened, lesson):
    page = opened()
    page.evaluate("document.querySelector('#score stave-score').setAttribute('pick-labels', '')")
    buttons = page.locator("#score stave-score button.label")
    assert buttons.count() == len(lesson[1].labels)
    page.evaluate(f"{SCORE}.host.addEventListener('pick', (e) => (window.picked = e.detail))")
    name = lesson[1].labels[2].words.replace("⟨", "").replace("⟩", "")
    button = page.locator("#score stave-score button.label[data-label='2']")
    assert button.get_attribute("aria-label") == name
    button.click()
    assert page.evaluate("window.picked.label") == 2


def test_a_stop_leads_to_the_contrasts_that_belong_to_it(opened):
    page = opened()
    page.locator("#stop-1 .differences a").click()
    assert page.evaluate("location.hash") == "#contrast-1"
    assert page.locator("stave-contrast:target").count() == 1


def test_a_sound_of_a_stop_stops_the_others(opened):
    page = opened()
    player(page, "t.play()")
    button = page.locator("#stop-1").get_by_role("button", name="Once more")
    button.click()
    page.wait_for_timeout(400)
    assert button.get_attribute("aria-pressed") == "true"
    assert not player(page, "t.playing")


def test_hearing_a_stop_on_a_phone_does_not_scroll_away_from_it(opened, lesson):
    page = opened(PHONE)
    page.evaluate("document.querySelector('#stop-2').scrollIntoView({behavior: 'instant'})")
    before = page.evaluate("scrollY")
    page.locator("#stop-2").get_by_role("button", name="Hear these bars").dispatch_event("click")
    page.wait_for_timeout(1500)
    assert page.evaluate("scrollY") == before
    bar = bar_button(page, player(page, "t.bar")).bounding_box()
    sheet = page.locator("#score .sheet").bounding_box()
    assert sheet["y"] <= bar["y"] + 1
    assert bar["y"] + bar["height"] <= sheet["y"] + sheet["height"] + 1
