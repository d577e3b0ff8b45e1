/** The desk: the score with its lanes in the middle, what can be done with it beside it, the player below. */

import { stretchAt } from "/viewer/clock.js";
import { make, setText } from "/viewer/elements.js";
import "/viewer/score.js";
import { signSlips } from "/viewer/slip-signs.js";
import "/viewer/transport.js";
import "./builder.js";
import "./checks.js";
import "./chord.js";
import "./conventions.js";
import "./elsewhere.js";
import "./habits.js";
import "./keys.js";
import "./pages.js";
import "./results.js";
import "./takes.js";
import "./second.js";
import { arePages, filesOf } from "./tray.js";
import { Handles } from "./handles.js";
import { address, follow, get, post, Refused, send, sound } from "./link.js";
import { Paging } from "./paging.js";
import { Reading } from "./reading.js";
import { word } from "./words.js";
import { tableOf } from "/viewer/words.js";

/** Pixels to a millimetre under which the music is set for a narrower page. */
const LEGIBLE = 4;
const LANES = tableOf("lanes");
const KEPT = "understave-desk";

/** @type {Record<string, any>} what this browser remembers of the look */
const look = (() => {
  try {
    return JSON.parse(localStorage.getItem(KEPT) ?? "{}");
  } catch {
    return {};
  }
})();
const keepLook = () => localStorage.setItem(KEPT, JSON.stringify(look));

const reading = new Reading();
const page = /** @type {HTMLElement} */ (document.getElementById("desk"));
const status = make("p", { class: "said", role: "status" });
const trouble = make("div", { class: "trouble", role: "alert" });

/** @param {unknown} error  shown until the next one, or until it is put away */
function complain(error) {
  const sentence = error instanceof Error ? error.message : String(error);
  trouble.replaceChildren(
    make("p", {}, sentence),
    make("button", { type: "button", "aria-label": word("put_away"), onclick: () => trouble.replaceChildren() }, "✕"),
  );
}
/** @param {string} sentence */
function say(sentence) {
  status.textContent = sentence;
}

// --- the parts -----------------------------------------------------------------------------------------------

const score = /** @type {import("/viewer/score.js").StaveScore} */ (document.createElement("stave-score"));
score.setAttribute("pick-labels", "");
score.setAttribute("role", "group");
score.setAttribute("aria-label", word("score_named"));
score.shadowRoot?.append(
  make(
    "style",
    {},
    `.belongs > .notehead { fill: var(--belongs, #0b6b4f); }
     .foreign > .notehead { fill: var(--foreign, #b3401a); }
     button.label:hover { background: var(--hover, rgb(11 85 99 / 0.1)); }
     button.label.chosen { background: rgb(240 180 0 / 0.25); box-shadow: 0 0 0 2px var(--focus, #0b5563); }`,
  ),
);
const transport = /** @type {import("/viewer/transport.js").StaveTransport} */ (document.createElement("stave-transport"));
const chord = /** @type {import("./chord.js").DeskChord} */ (document.createElement("desk-chord"));
const checks = /** @type {import("./checks.js").DeskChecks} */ (document.createElement("desk-checks"));
const habits = /** @type {import("./habits.js").DeskHabits} */ (document.createElement("desk-habits"));
const conventions = /** @type {import("./conventions.js").DeskConventions} */ (document.createElement("desk-conventions"));
const results = /** @type {import("./results.js").DeskResults} */ (document.createElement("desk-results"));
const takes = /** @type {import("./takes.js").DeskTakes} */ (document.createElement("desk-takes"));
const keys = /** @type {import("./keys.js").DeskKeys} */ (document.createElement("desk-keys"));
const pages = /** @type {import("./pages.js").DeskPages} */ (document.createElement("desk-pages"));
const happenings = make("ol", { class: "happenings" });
const second = /** @type {import("./second.js").DeskSecond} */ (document.createElement("desk-second"));
const builder = /** @type {import("./builder.js").DeskBuilder} */ (document.createElement("desk-builder"));
const elsewhere = /** @type {import("./elsewhere.js").DeskElsewhere} */ (document.createElement("desk-elsewhere"));
elsewhere.reading = reading;
const sheet = make("div", { class: "sheet main", "data-scrolls": true }, score);
const paging = new Paging(sheet, score);
const handles = new Handles(score, reading, sheet, (start, to) => wish({ what: "move", start, to }));

/** @type {any} */
let lesson = null;
let width = 0;
let layingFor = "";
const instrument = make("select", { id: "instrument", onchange: () => void hear(true) });
const pedal = make("select", { id: "pedal", onchange: () => void hear(true) });
const soundSaid = make("span", { class: "sound-said", role: "status" });
const nowChord = make("output", { class: "chord", "aria-live": "off" });

// --- changing ------------------------------------------------------------------------------------------------

/** @param {Record<string, unknown>} what */
async function wish(what) {
  try {
    trouble.replaceChildren();
    await reading.edit(what);
    say(word(what.what === "undo" ? "undone" : what.what === "redo" ? "done_again" : "saved"));
  } catch (error) {
    if (error instanceof Refused && (error.stale || error.gone)) await begin();
    complain(error);
  }
}

for (const part of [chord, keys]) part.addEventListener("wish", (event) => wish(/** @type {CustomEvent} */ (event).detail));
chord.addEventListener("explained", (event) => {
  const told = /** @type {CustomEvent} */ (event).detail;
  belongs = [new Set(told.belongs), new Set(told.foreign.flatMap((/** @type {any} */ f) => f.ids))];
  wearBelongs();
});
/** The notes that belong to the chord looked at, and those that do not. @type {[Set<string>, Set<string>]} */
let belongs = [new Set(), new Set()];
function wearBelongs() {
  score.wear("belongs", belongs[0]);
  score.wear("foreign", belongs[1]);
}
chord.addEventListener("lit", (event) => {
  const notes = /** @type {CustomEvent<string[]|null>} */ (event).detail;
  score.light(new Set(notes ?? []));
  if (notes) for (const name of ["belongs", "foreign"]) score.wear(name, new Set());
  else if (reading.chosen >= 0) wearBelongs();
});
for (const part of [chord, keys, pages, second, builder, elsewhere, habits, conventions, results, takes]) part.addEventListener("trouble", (event) => complain(/** @type {CustomEvent} */ (event).detail));

reading.addEventListener("changed", (event) => {
  const message = /** @type {CustomEvent} */ (event).detail;
  const lanes = message.lanes[String(width)];
  const inside = score.shadowRoot?.activeElement;
  const focused = inside instanceof HTMLElement ? inside.dataset.label ?? null : null;
  if (lanes) {
    score.labels = labels();
    score.relane(new Map(Object.entries(lanes).map(([i, svg]) => [Number(i), String(svg)])), message.after, message.shift);
    if (focused !== null) {
      const again = score.shadowRoot?.querySelector(`button.label[data-label="${reading.chosen}"]`);
      if (again instanceof HTMLElement) again.focus({ preventScroll: true });
    }
    if (message.whole) drawLanes();
  }
  markChosen();
  drawTools();
  if (message.whole) {
    lesson.settled = message.settled;
    builder.renew();
    // The first sound is waited for; a later one only once no more is being changed.
    if (transport.sound) later(() => void hear(false));
    else void hear(false);
  } else stale = true;
});
reading.addEventListener("chosen", () => {
  markChosen();
  const row = reading.row;
  if (row) {
    bring(row.bar);
    // The list is walked through while it stays open.
    if (openPanel !== "keys" && (openPanel !== "checks" || !checks.contains(document.activeElement))) open("chord", false);
  }
});

let stale = true;
let waiting = 0;
/** @param {() => void} what  once nothing has changed for a while */
function later(what) {
  clearTimeout(waiting);
  waiting = window.setTimeout(what, 1200);
}

/** @param {number} bar */
function bring(bar) {
  if (paging.on) paging.show(bar);
  else score.reveal(bar);
}

function labels() {
  return reading.rows.map((row) => ({ start: row.from, end: row.to, words: row.keyName ? word(row.fixed ? "chord_set" : "chord_in", { numeral: row.numeral, key: row.keyName }) : row.parts.head }));
}

function markChosen() {
  for (const one of score.shadowRoot?.querySelectorAll(".chosen") ?? []) one.classList.remove("chosen");
  for (const one of score.shadowRoot?.querySelectorAll(`button.label[data-label="${reading.chosen}"]`) ?? []) one.classList.add("chosen");
  score.aim(reading.chosen);
  // Only what a chord wears is taken off: the slips of a take are worn in the same way.
  if (reading.chosen < 0 && belongs.some((notes) => notes.size > 0)) {
    belongs = [new Set(), new Set()];
    wearBelongs();
  }
  handles.place();
}

// --- hearing -------------------------------------------------------------------------------------------------

let playedBars = /** @type {[number, number][]} */ ([]);
let asked = "";
/** The piano that was heard last. */
let heardPiano = "";
/** Seconds from the beginning up to which another piano is worth hearing at once. */
const EARLY = 8;

/** @param {boolean} now  because another instrument or pedal was chosen */
async function hear(now) {
  if (!instrument.value) return;
  const wanted = `${lesson.ticket}\n${instrument.value}\n${pedal.value}\n${reading.version}`;
  if (asked === wanted) return;
  // While it plays, a changed reading waits; a chosen piano does not.
  if (!now && transport.playing) return later(() => void hear(false));
  asked = wanted;
  soundSaid.textContent = word(transport.sound ? "sound_anew" : "sound_made");
  try {
    const [piano, way] = [instrument.value, pedal.value];
    // The opening can be heard long before the rest is made; it takes no whole sound away from who listens.
    const opening = (now && transport.second < EARLY) || !transport.sound ? await sound(piano, way, "opening") : null;
    if (asked !== wanted) return;
    if (opening) put(opening);
    if (!opening || opening.partial) {
      const whole = await sound(piano, way, "whole");
      // What is being heard is not cut off for the same notes: the rest joins on where it runs out.
      const joins = opening !== null && transport.playing;
      while (joins && asked === wanted && transport.playing) await stopped();
      if (asked !== wanted) return URL.revokeObjectURL(whole.source);
      const ranOut = joins && transport.audio.ended;
      put(whole);
      if (ranOut) transport.play();
    }
    stale = false;
    heardPiano = piano;
    soundSaid.textContent = "";
  } catch (error) {
    // Another score, piano or reading has been asked for since: its own answer follows.
    if (asked !== wanted) return;
    asked = "";
    soundSaid.textContent = "";
    // What cannot be heard is not shown as chosen over what can.
    if (transport.sound && heardPiano) instrument.value = heardPiano;
    if (!(error instanceof Refused && error.gone)) complain(error);
  }
}

/** @param {Awaited<ReturnType<typeof sound>>} found  takes the place of the sound there is, at the same second */
function put(found) {
  const { second: at, playing } = transport;
  const before = transport.sound?.source;
  playedBars = found.bars;
  transport.bars = bars();
  score.bars = bars();
  transport.sound = found;
  if (at > 0) transport.seek(at);
  if (playing) transport.play();
  if (before) URL.revokeObjectURL(before);
  document.documentElement.classList.add("sounding");
}

/** The moment at which what sounds comes to a stop. */
function stopped() {
  return new Promise((done) => {
    for (const name of ["pause", "ended"]) transport.audio.addEventListener(name, done, { once: true });
  });
}

function bars() {
  return reading.bars.map((bar, i) => ({
    id: bar.id,
    number: bar.number,
    start: playedBars[i]?.[0] ?? bar.start,
    end: playedBars[i]?.[1] ?? bar.end,
    words: reading.rows.filter((r) => r.bar === i).map((r) => (r.keyName ? r.numeral : r.parts.head)).join(", "),
  }));
}

let [shownChord, shownBar] = [-2, -1];
transport.addEventListener("moment", (event) => {
  const { second: at, bar, playing, notes } = /** @type {CustomEvent<import("/viewer/transport.js").Moment>} */ (event).detail;
  const shows = playing || at > 0;
  score.light(shows ? notes : new Set());
  const now = shows ? stretchAt(reading.rows.map((r) => ({ start: r.from, end: r.to })), at + 1e-3) : -1;
  score.lightLabel(now);
  if (now !== shownChord) {
    const row = reading.rows[now];
    nowChord.replaceChildren(row ? setText("⟨x⟩", { "⟨x⟩": row.parts }) : "");
    if (row) nowChord.append(` ${row.keyName}`);
    shownChord = now;
  }
  score.mark("sounding", shows ? [bar, bar] : null);
  if (playing && bar !== shownBar) bring(bar);
  shownBar = bar;
});
transport.addEventListener("passage", (event) => {
  const passage = /** @type {CustomEvent<{first: number, last: number}|null>} */ (event).detail;
  score.mark("repeated", passage ? [passage.first, passage.last] : null);
});
score.addEventListener("pick", (event) => {
  const { bar, note, label } = /** @type {CustomEvent<import("/viewer/score.js").Pick>} */ (event).detail;
  if (label !== null) {
    reading.choose(label);
    return;
  }
  if (!transport.sound) return say(word("sound_still"));
  const passage = transport.passage;
  if (passage && (bar < passage[0] || bar > passage[1])) transport.release();
  transport.seek((note !== null ? transport.clock.start(note) : undefined) ?? bars()[bar].start);
  transport.play();
});
score.addEventListener("passage", (event) => {
  const { first, last } = /** @type {CustomEvent<{first: number, last: number}>} */ (event).detail;
  if (!transport.sound) return;
  transport.repeat(first, last);
  transport.toBar(first);
});
for (const part of [builder, pages])
  part.addEventListener("show", (event) => {
    const { first, last, notes } = /** @type {CustomEvent} */ (event).detail;
    score.mark("shown", [first, last]);
    score.wear("marked", new Set(notes));
    bring(first);
  });
builder.addEventListener("play", (event) => {
  const { first, last } = /** @type {CustomEvent} */ (event).detail;
  if (transport.sound) transport.playBars(first, last);
});

// --- the look ------------------------------------------------------------------------------------------------

const lanes = make("fieldset", { class: "lanes" }, make("legend", {}, word("under_staves")));
function drawLanes() {
  const there = score.lanes.filter((lane) => lane in LANES);
  const before = [...lanes.querySelectorAll("input")].map((i) => i.value);
  if (there.join() === before.join()) return;
  lanes.replaceChildren(/** @type {Node} */ (lanes.firstChild));
  for (const lane of there) {
    const folded = look.folded?.includes(lane) ?? false;
    const box = make("input", { type: "checkbox", value: lane, checked: !folded, onchange: () => foldLane(lane, !box.checked) });
    lanes.append(make("label", {}, box, make("span", {}, String(LANES[lane]))));
    if (folded) score.fold(lane, true);
  }
}
/** @param {string} lane @param {boolean} folded */
function foldLane(lane, folded) {
  score.fold(lane, folded);
  look.folded = (look.folded ?? []).filter((/** @type {string} */ l) => l !== lane).concat(folded ? [lane] : []);
  keepLook();
  again();
}
function again() {
  paging.lay();
  markChosen();
}
score.addEventListener("shown", () => {
  drawLanes();
  again();
  markChosen();
});

/** @param {number} steps */
function zoom(steps) {
  look.zoom = Math.max(-3, Math.min(3, (look.zoom ?? 0) + steps));
  keepLook();
  void lay();
}

/** The width in millimetres that suits the window and the zoom. */
function suits() {
  const widths = /** @type {number[]} */ (lesson.widths);
  const fits = widths.findIndex((w) => score.clientWidth / w >= LEGIBLE);
  const index = (fits < 0 ? widths.length - 1 : fits) + (look.zoom ?? 0);
  return widths[Math.max(0, Math.min(widths.length - 1, index))];
}

async function lay() {
  if (!lesson || score.clientWidth === 0) return;
  const wanted = suits();
  if (wanted === width && layingFor === "") return;
  const name = (layingFor = `${wanted} ${lesson.ticket}`);
  if (width === 0) say(word("engraving"));
  try {
    let found;
    // It may have been drawn before an edit that is heard of already: then it is asked for again.
    do {
      found = await get(`/api/sheet/${wanted}`);
      if (layingFor !== name) return;
    } while (found.version < reading.version);
    layingFor = "";
    width = wanted;
    score.layouts = [{ width: found.width, pages: found.pages }];
    say("");
    sheet.removeAttribute("aria-busy");
  } catch (error) {
    if (layingFor !== name) return;
    layingFor = "";
    if (!(error instanceof Refused && error.gone)) complain(error);
  }
}
new ResizeObserver(() => {
  void lay();
  again();
}).observe(sheet);

const dark = make("button", { type: "button", "aria-pressed": "false", onclick: () => setDark(!document.documentElement.classList.contains("dark")) }, word("dark"));
/** @param {boolean} on */
function setDark(on) {
  document.documentElement.classList.toggle("dark", on);
  dark.setAttribute("aria-pressed", String(on));
  look.dark = on;
  keepLook();
}
setDark(look.dark ?? matchMedia("(prefers-color-scheme: dark)").matches);
const paged = make("button", { type: "button", "aria-pressed": "false", onclick: () => setPaged(!paging.on) }, word("pages"));
/** @param {boolean} on */
function setPaged(on) {
  paging.set(on);
  paged.setAttribute("aria-pressed", String(on));
  look.paged = on;
  keepLook();
  handles.place();
}

/** Where there is no room, what is chosen seldom is folded, so that the music comes first. */
const roomy = matchMedia("(min-width: 901px)");
roomy.addEventListener("change", () => {
  for (const part of page.querySelectorAll("details.folding")) /** @type {HTMLDetailsElement} */ (part).open = roomy.matches;
});

const undo = make("button", { type: "button", title: word("undo_title"), onclick: () => wish({ what: "undo" }) }, word("undo"));
const redo = make("button", { type: "button", title: word("redo_title"), onclick: () => wish({ what: "redo" }) }, word("redo"));
const count = make("p", { class: "count saved" });
function drawTools() {
  undo.disabled = reading.undo === 0;
  redo.disabled = reading.redo === 0;
  count.textContent = reading.undo === 0 ? word("no_corrections") : word("steps_saved", { n: reading.undo });
}

// --- panels --------------------------------------------------------------------------------------------------

const PANELS = /** @type {[string, string, HTMLElement][]} */ ([
  ["chord", word("tab_chord"), chord],
  ["keys", word("tab_keys"), keys],
  ["checks", word("checks"), checks],
  ["events", word("tab_events"), happenings],
  ["second", word("second_reading"), second],
  ["lesson", word("tab_lesson"), builder],
  ["elsewhere", word("tab_elsewhere"), elsewhere],
  ["habits", word("tab_habits"), habits],
  ["conventions", word("tab_conventions"), conventions],
  ["takes", word("tab_takes"), takes],
  ["results", word("tab_results"), results],
  ["pages", word("tab_pages"), pages],
]);
const tabs = make("div", { class: "tabs", role: "tablist", "aria-label": word("work_on") });
const panels = make("div", { class: "panels" });
for (const [name, words, content] of PANELS) {
  const tab = make("button", { type: "button", role: "tab", id: `tab-${name}`, "aria-controls": `panel-${name}`, "aria-selected": "false", tabindex: -1, onclick: () => open(name, false) }, words);
  tabs.append(tab);
  panels.append(make("div", { role: "tabpanel", id: `panel-${name}`, "aria-labelledby": `tab-${name}`, "data-panel": name, hidden: true, tabindex: 0 }, make("h2", { class: "unseen" }, words), content));
}
tabs.addEventListener("keydown", (event) => {
  const way = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
  if (!way) return;
  event.preventDefault();
  event.stopPropagation();
  const there = PANELS.map(([name]) => name).filter((name) => !document.getElementById(`tab-${name}`)?.hidden);
  const at = there.findIndex((name) => `tab-${name}` === document.activeElement?.id);
  open(there[(at + way + there.length) % there.length], true);
});
let openPanel = "";
/** @param {string} name @param {boolean} focus  on its tab */
function open(name, focus) {
  openPanel = name;
  for (const [other] of PANELS) {
    const tab = /** @type {HTMLElement} */ (document.getElementById(`tab-${other}`));
    const is = other === name;
    tab.setAttribute("aria-selected", String(is));
    tab.tabIndex = is ? 0 : -1;
    /** @type {HTMLElement} */ (document.getElementById(`panel-${other}`)).hidden = !is;
    if (is && focus) tab.focus();
  }
  if (name === "lesson") void builder.wake();
  if (name === "elsewhere") void elsewhere.wake();
  if (name === "keys") void keys.wake();
  if (name === "pages") void pages.wake();
  if (name === "habits") void habits.wake();
  if (name === "takes") void takes.wake();
  if (name === "conventions") void conventions.wake();
  if (name === "events") drawEvents();
}
function drawEvents() {
  happenings.replaceChildren(
    ...reading.events.map((e) =>
      make("li", {}, make("button", { type: "button", onclick: () => (score.mark("shown", [e.bar, e.bar]), bring(e.bar)) }, make("span", { class: "where" }, word("bar", { n: e.number })), make("strong", {}, e.name), make("span", {}, setText(e.text, e.numerals)))),
    ),
    ...(reading.events.length === 0 ? [make("li", { class: "hint" }, word("looked_for"))] : []),
  );
}
checks.addEventListener("looked", () => {
  open("chord", false);
  document.getElementById("chord-field")?.focus({ preventScroll: true });
});

// --- keys ----------------------------------------------------------------------------------------------------

addEventListener("keydown", (event) => {
  if (event.defaultPrevented || !lesson) return;
  const target = event.composedPath()[0];
  const writing = target instanceof HTMLElement && target.matches("input:not([type=checkbox], [type=range]), textarea, select");
  const key = event.key.toLowerCase();
  if ((event.ctrlKey || event.metaKey) && !writing && (key === "z" || key === "y")) {
    event.preventDefault();
    void wish({ what: key === "y" || event.shiftKey ? "redo" : "undo" });
    return;
  }
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  if (writing) {
    if (event.key === "Escape" && target instanceof HTMLElement) target.blur();
    return;
  }
  const onButton = target instanceof HTMLElement && target.matches("button, summary, a, [role=tab], input");
  const onLabel = target instanceof HTMLElement && target.matches("button.label");
  const row = reading.row;
  const begin = row?.start;
  const before = reading.rows[reading.chosen - 1];
  const move = (/** @type {1|-1} */ way) => {
    const to = begin && reading.beside(begin, way);
    if (to && before) void wish({ what: "move", start: begin, to });
  };
  if (event.key === " " && !onButton) transport.sound && transport.toggle();
  else if (event.key === "ArrowRight" && (onLabel || !onButton)) walk(1, onLabel);
  else if (event.key === "ArrowLeft" && (onLabel || !onButton)) walk(-1, onLabel);
  else if (event.key === "PageDown" && paging.turn(1)) handles.place();
  else if (event.key === "PageUp" && paging.turn(-1)) handles.place();
  else if (openPanel === "pages" && pages.press(key)) event.preventDefault();
  else if (key === "n") checks.step(1);
  else if (key === "p") checks.step(-1);
  else if (!row) return;
  else if (key === "h") void chord.hear(event.shiftKey ? "next" : "chord");
  else if (event.shiftKey && /^Digit[1-9]$/.test(event.code) && row.others[Number(event.code[5]) - 1]) void chord.hear(String(Number(event.code[5]) - 1));
  else if (event.key === "Enter" && !onButton && chord.takePlayed()) event.preventDefault();
  else if (/^[1-9]$/.test(key) && row.others[Number(key) - 1]) void wish({ what: "take", start: begin, index: Number(key) - 1 });
  else if (key === "0" && !row.fixed) void wish({ what: "take", start: begin, index: -1 });
  else if (key === "[") move(-1);
  else if (key === "]") move(1);
  else if (key === "j") void wish({ what: "join", start: begin });
  else if (key === "s") {
    const at = reading.beside(row.start, 1);
    if (at) void wish({ what: "split", start: begin, at });
  } else if (key === "e") (open("chord", false), chord.write());
  else if (key === "k") (open("chord", false), chord.writeKey());
  else return;
  event.preventDefault();
});
/** @param {1|-1} way @param {boolean} focus */
function walk(way, focus) {
  reading.choose(Math.max(0, reading.chosen + way));
  const label = score.shadowRoot?.querySelector(`button.label[data-label="${reading.chosen}"]`);
  if (focus && label instanceof HTMLElement) label.focus({ preventScroll: true });
}

/** Fold the menu of lessons; the writing mark goes back to it if it was inside. */
function closeMenu() {
  const menu = document.querySelector("details.files");
  if (!(menu instanceof HTMLDetailsElement) || !menu.open) return;
  const inside = menu.contains(document.activeElement);
  menu.open = false;
  if (inside) menu.querySelector("summary")?.focus();
}
addEventListener("pointerdown", (event) => {
  if (!event.composedPath().some((e) => e instanceof Element && e.matches("details.files"))) closeMenu();
});
addEventListener("keydown", (event) => event.key === "Escape" && closeMenu());

// --- files ---------------------------------------------------------------------------------------------------

const input = make("input", { type: "file", id: "score-file", class: "unseen", multiple: true, onchange: () => take([...(input.files ?? [])]) });
const tray = /** @type {import("./tray.js").DeskTray} */ (document.createElement("desk-tray"));
document.body.append(tray);
tray.addEventListener("read", (event) => void bringIn(/** @type {CustomEvent<File[]>} */ (event).detail));

/** Bring in a score, or put pictures of pages in order first. @param {File[]} files */
function take(files) {
  input.value = "";
  if (arePages(files) || tray.holds) {
    closeMenu();
    trouble.replaceChildren();
    tray.add(files);
  } else if (files.length > 1) complain(word("tray_mixed"));
  else if (files[0]) void bringIn(files);
}

/** @param {File[]} files  one, or the pages of a piece */
async function bringIn(files) {
  closeMenu();
  trouble.replaceChildren();
  say(word("file_read", { name: files[0].name }));
  page.setAttribute("aria-busy", "true");
  try {
    const read = send(files);
    await Promise.all([read, tray.follow(read)]);
    if ((await read).stopped) return say(word("tray_stopped"));
    await begin();
  } catch (error) {
    say("");
    complain(error);
  } finally {
    page.removeAttribute("aria-busy");
  }
}
addEventListener("dragover", (event) => {
  if (!event.dataTransfer?.types.includes("Files")) return;
  event.preventDefault();
  document.documentElement.classList.add("dropping");
});
addEventListener("dragleave", (event) => event.relatedTarget === null && document.documentElement.classList.remove("dropping"));
/** Sound and films can only be playing; a MIDI file may be a score and is brought in as one. */
const PLAYED = /\.(wav|flac|mp3|ogg|opus|m4a|mp4|mov)$/i;
addEventListener("drop", async (event) => {
  event.preventDefault();
  document.documentElement.classList.remove("dropping");
  const files = event.dataTransfer ? await filesOf(event.dataTransfer) : [];
  const answers = files.filter((file) => file.name.toLowerCase().endsWith(".json"));
  if (lesson && answers.length > 0) {
    open("results", false);
    void results.take(answers);
  } else if (lesson && files[0] && PLAYED.test(files[0].name)) {
    open("takes", false);
    void takes.take(files[0]);
  } else take(files);
});
takes.addEventListener("slips", (event) => {
  const { detail } = /** @type {CustomEvent<import("/viewer/model.js").Slips|null>} */ (event);
  signSlips(score, detail ?? {});
});

/** @param {HTMLElement} place */
async function drawRecent(place) {
  const lessons = await get("/api/recent").catch(() => []);
  place.replaceChildren(
    ...lessons.map((/** @type {any} */ l, /** @type {number} */ number) =>
      make("li", {}, make("button", { type: "button", onclick: () => openRecent(number) }, make("strong", {}, l.title), make("span", { class: "where" }, l.place))),
    ),
    ...(lessons.length === 0 ? [make("li", { class: "hint" }, word("none_yet"))] : []),
  );
}
/** @param {number} number */
async function openRecent(number) {
  closeMenu();
  say(word("lesson_read"));
  try {
    await post("/api/open", { number });
    await begin();
  } catch (error) {
    complain(error);
  }
}

// --- the page ------------------------------------------------------------------------------------------------

function drawStart() {
  const recent = make("ul", { class: "recent" });
  page.replaceChildren(
    make(
      "main",
      { class: "start" },
      make("h1", {}, "Understave"),
      make("p", {}, word("drop_here")),
      make("label", { class: "choose", for: "score-file" }, word("choose_score")),
      input,
      make("h2", {}, word("recent")),
      recent,
      status,
      trouble,
    ),
  );
  void drawRecent(recent);
}

function drawDesk() {
  const recent = make("ul", { class: "recent" });
  const files = make(
    "details",
    { class: "files", ontoggle: () => files.open && drawRecent(recent) },
    make("summary", {}, word("lessons")),
    make("div", { class: "menu" }, make("label", { class: "choose", for: "score-file" }, word("bring_in")), input, make("h2", {}, word("recent")), recent, make("p", {}, make("a", { href: address, target: "_blank", rel: "noopener" }, word("second_window")))),
  );
  const folding = (/** @type {string} */ name, /** @type {string} */ words, /** @type {Node} */ inside) =>
    make("details", { class: `folding ${name}`, open: roomy.matches }, make("summary", {}, words), inside);
  const size = (/** @type {string} */ name, /** @type {number} */ by, /** @type {string} */ sign) =>
    make("button", { type: "button", "aria-label": name, title: name, onclick: () => zoom(by) }, sign);
  page.replaceChildren(
    make("a", { class: "skip", href: "#the-score" }, word("to_score")),
    make(
      "header",
      { class: "desk-head" },
      make("div", { class: "titles" }, make("h1", {}, lesson.title || lesson.folder), make("p", { class: "composer" }, lesson.composer)),
      make("div", { class: "tools" }, count, undo, redo, files),
    ),
    trouble,
    make(
      "main",
      { class: "desk-main" },
      make(
        "section",
        { id: "the-score", "aria-label": word("score"), tabindex: -1 },
        folding("look", word("look_of_score"), make("div", { class: "choices" }, lanes, make("div", { class: "sizes", role: "group", "aria-label": word("look_of_score") }, size(word("smaller"), -1, "A−"), size(word("larger"), 1, "A+"), paged, dark))),
        sheet,
      ),
      make("aside", { class: "beside", "aria-label": word("work_on") }, tabs, panels),
    ),
    make(
      "footer",
      { class: "dock" },
      make("div", { class: "dock-left" }, nowChord, status),
      folding("how", word("how_it_sounds"), make("div", { class: "piano" }, make("label", { for: "instrument" }, word("piano")), instrument, make("label", { for: "pedal" }, word("pedal")), pedal)),
      soundSaid,
      transport,
    ),
  );
  setPaged(look.paged ?? false);
}

/** Ask for everything and show it. */
async function begin() {
  try {
    const found = await get("/api/lesson");
    const other = !lesson || lesson.ticket !== found.ticket;
    lesson = found;
    // Another window has chosen another language, or another lesson has one.
    if (found.speaks !== document.documentElement.lang) return location.reload();
    reading.begin(found);
    document.title = `${found.title || found.folder} · Understave`;
    if (other) {
      reading.chosen = -1;
      playedBars = [];
      asked = "";
      width = 0;
      layingFor = "";
      transport.pause();
      transport.sound = null;
      // Never the notes of the score before under the title of this one.
      score.layouts = [];
      sheet.setAttribute("aria-busy", "true");
      soundSaid.textContent = "";
      heardPiano = "";
      document.documentElement.classList.remove("sounding");
      instrument.replaceChildren(...found.instruments.map((/** @type {[string, string]} */ [value, name]) => make("option", { value }, name)));
      pedal.replaceChildren(...found.pedals.map((/** @type {[string, string]} */ [value, name]) => make("option", { value }, name)));
      // Whoever types while the harmony of a corrected page is read anew goes on typing.
      const held = document.activeElement;
      const scrolled = [...panels.children].map((panel) => panel.scrollTop);
      drawDesk();
      for (const [i, panel] of [...panels.children].entries()) panel.scrollTop = scrolled[i];
      if (held instanceof HTMLElement && held.isConnected) held.focus({ preventScroll: true });
      const printed = /** @type {HTMLElement} */ (document.getElementById("tab-pages"));
      printed.hidden = !found.printed;
      if (!found.printed && openPanel === "pages") open("checks", false);
      void pages.begin(`${found.folder} ${found.title}`);
      if (!openPanel) open(found.printed ? "pages" : "checks", false);
      results.begin();
      void takes.begin();
      builder.begin(found.ticket, found.exports);
      for (const warning of found.warnings.slice(0, 1)) complain(word("note", { warning }));
    } else {
      width = 0;
    }
    score.labels = labels();
    score.bars = bars();
    transport.bars = bars();
    chord.begin(found.keys, found.entry);
    for (const part of [chord, keys, checks, second]) part.reading === reading ? part.show() : (part.reading = reading);
    drawTools();
    void habits.renew();
    void conventions.renew();
    await lay();
    if (found.settled) void hear(false);
  } catch (error) {
    if (error instanceof Refused && error.empty) {
      lesson = null;
      drawStart();
      say("");
      return;
    }
    page.replaceChildren(make("main", { class: "start" }, make("h1", {}, "Understave"), trouble));
    complain(error);
  }
}

/** @param {any} message */
function heard(message) {
  if (message.type === "reading") {
    if (!reading.hear(message)) void begin();
  } else if (message.type === "opened") void begin();
  else if (message.type === "hello") {
    if (message.version !== reading.version) void begin();
  } else if (message.type === "stops") builder.renew();
  else if (message.type === "pages") void pages.hear(message.last);
  else if (message.type === "takes") void takes.renew();
  else if (message.type === "export") builder.exported(message);
  else if (message.type === "index") elsewhere.indexed(message);
  else if (message.type === "habits") void habits.renew();
  else if (message.type === "conventions") void conventions.renew();
  else if (message.type === "trouble") complain(message.error);
}

page.replaceChildren(make("main", { class: "start" }, make("h1", {}, "Understave"), make("p", { role: "status" }, word("score_read")), trouble));
await begin();
/** Listening begins once a lesson lies on the desk. */
async function listen() {
  while (!lesson) await new Promise((wait) => setTimeout(wait, 300));
  await follow(heard, (there) => !there && lesson && complain(word("no_answer")));
}
listen().catch(complain);
