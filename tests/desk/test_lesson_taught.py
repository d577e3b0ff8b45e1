"""A lesson taught from start to end in a real browser: imported, corrected, carried, heard, ordered, made,
shown on the wall, answered as homework, its results read; and how harmony is written, chosen at the desk.

Set ``UNDERSTAVE_FILM`` to a folder to have it filmed. The accessibility check is axe-core (Deque Systems),
the rules of WCAG 2.2 levels A and AA.
"""

from __future__ import annotations

import json
import os
from itertools import pairwise

import pytest
from benchmarks.teacher import PLANNED
from tests.desk.test_desk_in_browser import SHADOW, started, until
from tests.in_browser import accessibility, running_browser, until_so
from tests.page_text import page_texts

from understave.harmony.corrections import load, read_entries
from understave.lesson.chosen_conventions import conventions_of

PIECE = """X:1
T:Two Doors
C:Understave
M:3/4
L:1/4
K:F
%%score {1 | 2}
V:1
V:2 clef=bass
[V:1] A2 c | B2 G | A c f | e2 c |
[V:2] [F,,A,,C,]3 | [G,,B,,D,]3 | [A,,C,F,]3 | [C,E,G,]3 |
[V:1] A2 c | B2 G | A G E | F3 |]
[V:2] [F,,A,,C,]3 | [G,,B,,D,]3 | [C,,B,,E,]3 | [F,,A,,C,]3 |]
"""
"""Eight bars of our own, in which two come again note for note."""
FAKE_KEYBOARD = """
const input = { onmidimessage: null };
window.strike = (...keys) => {
  for (const k of keys) input.onmidimessage({ data: new Uint8Array([0x90, k, 80]) });
  for (const k of keys) input.onmidimessage({ data: new Uint8Array([0x80, k, 0]) });
};
navigator.requestMIDIAccess = async () => ({ inputs: new Map([["1", input]]) });
"""
DROP = """(files) => {
  const given = new DataTransfer();
  for (const [name, text] of files) given.items.add(new File([text], name));
  const drop = new DragEvent("drop", { dataTransfer: given, bubbles: true, cancelable: true });
  document.body.dispatchEvent(drop);
}"""


@pytest.fixture(scope="module")
def browser():
    microphone = ("--use-fake-device-for-media-stream", "--use-fake-ui-for-media-stream")
    with running_browser(["--autoplay-policy=no-user-gesture-required", *microphone]) as running:
        yield running


@pytest.fixture(scope="module")
def taught(browser, tmp_path_factory):
    """The desk with the piece dropped onto it, and the lesson's folder."""
    place = tmp_path_factory.mktemp("taught")
    (place / "two-doors.abc").write_text(PIECE, encoding="utf-8")
    film = os.environ.get("UNDERSTAVE_FILM")
    with started(place) as (address, home):
        context = browser.new_context(
            viewport={"width": 1280, "height": 800},
            accept_downloads=True,
            **({"record_video_dir": film} if film else {}),
        )
        context.add_init_script(FAKE_KEYBOARD)
        page = context.new_page()
        page.set_default_timeout(30_000)
        faults = []
        page.on("pageerror", lambda e: faults.append(str(e)))
        page.goto(address)
        page.set_input_files("#score-file", str(place / "two-doors.abc"))
        until(page, f"!!document.querySelector('stave-score') && {SHADOW}.querySelector('button.label')", 150)
        until(page, "document.querySelectorAll('.lanes label').length >= 6", 150)
        yield page, home / "two-doors-lesson"
        assert faults == []
        context.close()


def labels(page):
    lane = f"[...{SHADOW}.querySelectorAll('.lane.numerals > .numeral')]"
    return page.evaluate(
        f"{lane}.map((g) => g.getAttribute('aria-label').replace(', set by the teacher', '*'))"
    )


def shown(page, so, seconds=60):
    until_so(page, lambda: labels(page), so, seconds)


def choose(page, index):
    page.locator(f"stave-score button.label[data-label='{index}']").first.click()
    until(page, "!!document.querySelector('desk-chord .why .notes')")


def test_a_correction_is_carried_seen_and_taken_back_at_once(taught):
    page, folder = taught
    choose(page, 1)
    page.fill("#chord-field", "ii7")
    page.keyboard.press("Enter")
    shown(page, lambda now: now[1] == "ii 7*")
    assert labels(page)[5] == "ii"
    places = page.locator(".carry li")
    places.first.wait_for()
    assert [text.split(":")[0] for text in places.all_inner_texts()] == ["bar 6, beat 1"]
    assert "the same notes" in places.first.inner_text()
    until(page, "document.querySelector('.carry img').naturalWidth > 100", 90)
    page.locator("#carry-none").click()
    assert page.locator("#carry-take").is_disabled()
    page.locator("#carry-all").click()
    page.locator("#carry-take").click()
    shown(page, lambda now: (now[1], now[5]) == ("ii 7*", "ii 7*"))
    # The button that was pressed has gone: keys go on from the panel and write into no field.
    until(page, "document.querySelector('.carry') === null")
    page.keyboard.press("x")
    assert page.locator("#chord-field").input_value() == ""
    assert len(load(folder / "corrections.jsonl")) == 2
    page.get_by_role("button", name="Undo", exact=True).click()
    shown(page, lambda now: (now[1], now[5]) == ("ii 7*", "ii"))
    # Left as they are: they are not offered again for this chord.
    page.locator("#carry-leave").click()
    assert page.locator(".carry").count() == 0
    assert len(load(folder / "corrections.jsonl")) == 1
    assert len(read_entries(folder / "corrections.jsonl")) == 3


def test_the_chords_are_one_tab_stop_that_arrows_lead_on_from(taught):
    """Roving focus: WAI-ARIA Authoring Practices 1.2, "Keyboard navigation inside components"."""
    page, _ = taught
    all_of_them = f"[...{SHADOW}.querySelectorAll('button.label')]"
    stops = f"{all_of_them}.filter((b) => b.tabIndex === 0).map((b) => b.dataset.label)"
    assert page.evaluate(stops) == ["1"]
    page.evaluate(f"{SHADOW}.querySelector('button.label[data-label=\"1\"]').focus()")
    page.keyboard.press("ArrowRight")
    until(page, f"{SHADOW}.activeElement?.dataset.label === '2'")
    assert page.evaluate(stops) == ["2"]
    page.keyboard.press("ArrowLeft")
    until(page, f"{SHADOW}.activeElement?.dataset.label === '1'")


def test_the_drawn_labels_stay_when_the_sound_comes(taught):
    """The sound of the corrected piece brings other seconds for the bars; it once drew the labels before."""
    page, _ = taught
    until(page, "document.querySelector('stave-transport').sound?.partial === false", 200)
    assert labels(page)[1] == "ii 7*"


def test_what_is_named_is_heard_and_what_is_played_is_named(taught):
    page, _ = taught
    choose(page, 1)
    page.keyboard.press("h")
    until(page, f"{SHADOW}.querySelectorAll('.lit').length > 0", 60)
    # G minor with its seventh in bar 2: B flat, G; G, B flat, D.
    assert page.evaluate(f"{SHADOW}.querySelectorAll('.note.lit').length") == 5
    until(page, f"{SHADOW}.querySelectorAll('.lit').length === 0", 30)

    page.locator("#played summary").click()
    page.get_by_role("button", name="Use a MIDI keyboard").click()
    until(page, "document.querySelector('stave-keys [role=status]').textContent.includes('together')")
    page.evaluate("window.strike(46, 55, 62)")
    page.locator("desk-played .others button").first.wait_for()
    assert "Gm/B♭" in page.locator("desk-played .others").inner_text()
    page.locator("desk-played summary").focus()
    page.keyboard.press("Enter")
    shown(page, lambda now: now[1] == "ii 6*")
    page.get_by_role("button", name="Undo", exact=True).click()
    shown(page, lambda now: now[1] == "ii 7*")


def test_conventions_are_chosen_at_the_desk(taught):
    page, folder = taught
    page.locator("#tab-conventions").click()
    page.select_option("#convention-functions", "beside")
    shown(page, lambda now: now[3] == "V, D")
    page.select_option("#convention-bass_figures", "below")
    until(page, f"{SHADOW}.querySelectorAll('.lane.figures > .figure').length === 3")
    assert conventions_of(folder).functions == "beside"
    assert 'bass_figures = "below"' in (folder / "lesson.toml").read_text(encoding="utf-8")

    page.locator("#conventions-all").check()
    page.select_option("#convention-numerals", "capital")
    shown(page, lambda now: now[1].startswith("II 7"))
    kept = next((folder.parent / "state").rglob("conventions.toml"))
    assert 'numerals = "capital"' in kept.read_text(encoding="utf-8")
    assert 'functions = "beside"' not in kept.read_text(encoding="utf-8")
    page.select_option("#convention-numerals", "capital and small")
    page.locator("#conventions-here").check()
    page.locator("#conventions-afresh").click()
    shown(page, lambda now: now[3] == "V")
    assert "bass_figures" not in (folder / "lesson.toml").read_text(encoding="utf-8")


def test_music_comes_first_on_a_phone_and_nothing_wraps_beside_the_player(taught):
    """A phone of 390 by 844 pixels; a staff of 24 pixels is 6.3 mm high at 96 to the inch (CSS Values 4), as
    large as printed parts have it (6 to 7.5 mm: common practice, no source).
    """
    page, _ = taught
    page.set_viewport_size({"width": 390, "height": 844})
    until(page, "!document.querySelector('details.look').open")
    until(page, "document.querySelector('.sheet').getBoundingClientRect().width < 390")
    music = page.locator(".sheet").bounding_box()
    dock = page.locator(".dock").bounding_box()
    assert (dock["y"] - music["y"]) / 844 > 0.7
    staff = f"(() => {{ const s = {SHADOW}.querySelector('.staff'); return"
    lines = (
        "[...s.querySelectorAll(':scope > path')].slice(0, 5).map((p) => p.getBoundingClientRect().y); })()"
    )
    until(page, f"(() => {{ const y = {staff} {lines}; return Math.max(...y) - Math.min(...y) >= 24; }})()")
    until(page, "document.documentElement.classList.contains('sounding')", 200)
    page.locator("details.look > summary").click()
    assert page.locator(".lanes input").first.is_visible()
    page.locator("details.how > summary").click()
    assert page.locator("stave-transport .pace").is_visible()
    page.set_viewport_size({"width": 1280, "height": 720})
    until(page, "document.querySelector('details.look').open")
    assert page.locator("details.look > summary").is_hidden()
    buttons, again = (page.locator(f"stave-transport {c}").bounding_box() for c in (".buttons", ".again"))
    assert again["height"] <= buttons["height"]


NAMED = {
    *("button", "checkbox", "combobox", "link", "progressbar", "radio", "slider", "spinbutton", "tab"),
    *("tabpanel", "tablist", "textbox", "region", "image", "DisclosureTriangle"),
}
SILENT = {"none", "generic", "InlineTextBox", "StaticText", "LineBreak", "ListMarker"}


def tree(page):
    """What a screen reader is given: depth, role, name and properties of each node, from Chromium itself."""
    session = page.context.new_cdp_session(page)
    nodes = session.send("Accessibility.getFullAXTree")["nodes"]
    session.detach()
    known = {node["nodeId"]: node for node in nodes}
    found = []

    def walk(node, depth):
        role = node.get("role", {}).get("value", "")
        if not node["ignored"] and role not in SILENT:
            properties = {p["name"]: p["value"].get("value") for p in node.get("properties", ())}
            found.append((depth, role, node.get("name", {}).get("value", ""), properties))
            depth += 1
        for child in node.get("childIds", ()):
            walk(known[child], depth)

    walk(nodes[0], 0)
    return found


def printed(found):
    for depth, role, name, properties in found:
        live = f" [{properties['live']}]" if properties.get("live", "off") != "off" else ""
        chosen = " (selected)" if properties.get("selected") else ""
        print(f"{'  ' * depth}{role}{live}{chosen}: {name[:90]}")


@pytest.mark.parametrize(
    "panel", ["chord", "keys", "checks", "lesson", "elsewhere", "conventions", "results"]
)
def test_the_tree_that_a_screen_reader_walks(taught, panel):
    """Roles and landmarks of WAI-ARIA 1.2; names, WCAG 2.2 criterion 4.1.2; run with -s to read it."""
    page, _ = taught
    page.set_viewport_size({"width": 1280, "height": 800})
    page.locator(f"#tab-{panel}").click()
    if panel == "chord":
        choose(page, 1)
    page.wait_for_timeout(500)
    found = tree(page)
    print(f"\n--- {panel}")
    printed(found)
    roles = [role for _, role, _, _ in found]
    for landmark in ("banner", "main", "complementary", "contentinfo"):
        assert roles.count(landmark) == 1, landmark
    assert [(role, name) for _, role, name, _ in found if role in NAMED and not name.strip()] == []
    assert sum(role == "tab" and p.get("selected", False) for _, role, _, p in found) == 1
    assert roles.count("tabpanel") == 1
    labels_read = [name for _, role, name, _ in found if role == "button" and " in F major" in name]
    assert "ii7 in F major, set by you" in labels_read
    # Headings go down one step at a time, so that they can be walked through.
    levels = [p["level"] for _, role, _, p in found if role == "heading"]
    assert levels[0] == 1
    assert all(b <= a + 1 for a, b in pairwise(levels)), levels
    live = [p.get("live") for _, role, _, p in found if role in ("status", "alert")]
    assert {"polite", "assertive"} <= set(live)


def test_what_happens_is_said_by_itself(taught):
    """Status messages: WCAG 2.2 success criterion 4.1.3."""
    page, _ = taught
    choose(page, 2)
    said = "[...document.querySelectorAll('[role=status]')].map((s) => s.textContent)"
    page.keyboard.press("0")
    until(page, f"{said}.includes('Saved.')")
    page.get_by_role("button", name="Undo", exact=True).click()
    until(page, f"{said}.includes('Undone.')")
    page.fill("#chord-field", "VIIII")
    page.keyboard.press("Enter")
    until(page, "document.querySelector('[role=alert]').textContent.includes('VIIII')")
    assert [name for _, role, name, p in tree(page) if role == "alert" and p["live"] == "assertive"]
    page.keyboard.press("Escape")
    page.locator(".trouble button").click()


def test_the_lesson_is_ordered_made_shown_answered_and_its_results_are_read(taught, tmp_path):
    page, folder = taught
    page.locator("#tab-lesson").click()
    until(page, "document.querySelectorAll('.stop-card').length > 1", 120)
    first, second = page.evaluate(
        "[...document.querySelectorAll('.stop-card')].slice(0, 2).map((c) => c.dataset.stop)"
    )
    card = page.locator(f".stop-card[data-stop='{first}']")
    card.locator("summary").click()
    card.get_by_role("button", name="Later").click()
    until(page, "(n) => document.querySelector('.stop-card').dataset.stop === n", 60, second)
    # Chromium's own fake microphone beeps once a second.
    spoken = page.locator(f".stop-card[data-stop='{first}']")
    if spoken.get_attribute("open") is None:
        spoken.locator("summary").click()
    spoken.locator(".voice-record").click()
    spoken.locator(".voice-stop").wait_for()
    page.wait_for_timeout(2500)
    spoken.locator(".voice-stop").click()
    spoken.locator(".voice-hear").wait_for()
    assert (folder / "voice" / f"{first}.flac").stat().st_size > 1000

    page.get_by_role("button", name="Make everything").click()
    until(page, "document.querySelector('.making').innerText.includes('The lesson is made')", 400)

    # The papers: the student's shows no answer that the teacher's gives.
    assert "Two Doors" in page_texts((folder / "exports" / "student.pdf").read_bytes())[0]
    assert (folder / "exports" / "teacher.pdf").stat().st_size > 10_000

    pupil = page.context.new_page()
    pupil.goto((folder / "exports" / "page.html").as_uri() + "#projection")
    until(pupil, "document.querySelector('stave-projection:not([hidden]) h2')")
    pupil.keyboard.press("PageDown")
    assert pupil.locator("stave-projection .told").is_visible()
    pupil.keyboard.press("Escape")
    pupil.get_by_role("button", name="The teacher’s voice").click()
    captioned = (
        "[...document.querySelectorAll('.caption')].some((c) => !c.hidden && c.textContent.length > 10)"
    )
    until(pupil, captioned)
    pupil.get_by_role("button", name="Homework").click()
    pupil.get_by_label("Your name or a nickname").fill("Ada")
    pupil.locator(".tasknav button").first.click()
    if pupil.locator("stave-homework input[type=radio]").count():
        pupil.locator("stave-homework input[type=radio]").first.check()
        pupil.get_by_role("button", name="Check").click()
    pupil.locator(".give").click()
    with pupil.expect_download() as saving:
        pupil.get_by_role("button", name="Save my answers").click()
    saving.value.save_as(tmp_path / "ada.json")
    pupil.close()

    answers = (tmp_path / "ada.json").read_text(encoding="utf-8")
    other = json.dumps({**json.loads(answers), "name": "Ben"})
    page.evaluate(DROP, [["ada.json", answers], ["ben.json", other], ["notes.json", "{"]])
    page.locator("desk-results table").first.wait_for()
    said = page.locator("desk-results").inner_text()
    assert "The answers of 2 students." in said
    assert "notes.json is not a file of answers, or it is damaged; it is left out." in said
    assert page.locator("desk-results tbody th", has_text="Ada").count() == 1
    until(page, "document.querySelector('desk-results img').naturalWidth > 300")
    with page.expect_download() as picture:
        page.get_by_role("link", name="Save the picture").click()
    picture.value.save_as(tmp_path / "results.svg")
    assert "Ada" in (tmp_path / "results.svg").read_text(encoding="utf-8")
    page.locator("#tab-lesson").click()
    spoken.locator(".voice-remove").click()
    until(page, "document.querySelectorAll('.voice-remove').length === 0")
    assert list((folder / "voice").iterdir()) == []
    # Nothing of the students is written beside the lesson.
    assert not [p for p in folder.rglob("*.json") if "Ada" in p.read_text(encoding="utf-8")]


def test_the_new_panels_can_be_used_by_everyone(taught):
    page, _ = taught
    for width, dark in ((1280, False), (390, True)):
        page.set_viewport_size({"width": width, "height": 844})
        page.evaluate("(on) => document.documentElement.classList.toggle('dark', on)", dark)
        for panel in ("chord", "conventions", "results"):
            page.locator(f"#tab-{panel}").click()
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), panel
            passed, broken = accessibility(
                page, crowded="stave-score, stave-keys", crowd_seen=True, colours_only=dark
            )
            assert passed
            assert broken == [], panel


def test_the_simulated_teacher_knows_a_plan_without_a_pedal(browser, tmp_path):
    """Three parts of one staff each are nobody's pedal: five lanes are all that come."""
    trio = PIECE.replace("%%score {1 | 2}", "%%score 1 2 3").replace("V:2 clef=bass", "V:2\nV:3 clef=bass")
    trio = trio.replace("[V:2] [F,,", "[V:2] F3 | D3 | F3 | E3 |\n[V:3] [F,,", 1)
    trio = trio.replace("\n[V:2] [F,,", "\n[V:2] F3 | D3 | E3 | C3 |]\n[V:3] [F,,")
    (tmp_path / "trio.abc").write_text(trio, encoding="utf-8")
    with started(tmp_path) as (address, _):
        page = browser.new_page()
        page.goto(address)
        page.set_input_files("#score-file", str(tmp_path / "trio.abc"))
        until(page, f"!!document.querySelector('stave-score') && {SHADOW}.querySelector('button.label')", 150)
        until(page, PLANNED, 150)
        lanes = page.locator(".lanes label").all_inner_texts()
        assert "tension" in [t.strip() for t in lanes]
        assert "pedal" not in [t.strip() for t in lanes]
        page.close()
