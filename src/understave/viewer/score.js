/**
 * `<stave-score>`: engraved music that lights up as it sounds.
 *
 * In: `layouts`, `bars` and `labels` (see `model.js`), set before or after it is on the page. Out: events
 *
 * - `pick`: a place was clicked, or a bar chosen by keyboard; detail is a `Pick`.
 * - `passage`: bars were dragged over, or set with Shift; detail is `{first, last}`.
 *
 * Attributes: `still` (nothing to pick: an excerpt to look at), `largest` (pixels to a millimetre at most),
 * `pick-labels` (chords can be picked one by one), `bare` (lanes and chord symbols keep their room and are not seen).
 */

import { make, plain } from "./elements.js";
import { KINDS, SIGN_STYLE, sign, unsign } from "./slip-signs.js";
import { fold, measured, systemsOf } from "./systems.js";
import { wordsOf } from "./words.js";

/**
 * @typedef {object} Pick
 * @property {number} bar
 * @property {string|null} note  the nearest note; null from the keyboard
 * @property {boolean} exact  whether the pointer was on that note
 * @property {number|null} label  the chord label under the pointer
 * @property {string|null} lane  the lane under the pointer
 *
 * @typedef {object} Shown  a system on the screen
 * @property {import("./systems.js").System} system
 * @property {import("./systems.js").Measured} extent
 * @property {HTMLElement} frame
 *
 * @typedef {"sounding"|"repeated"|"shown"} BarMark
 */

/** Pixels to a millimetre of paper under which the next narrower layout is taken: a staff of some 20 pixels. */
const LEGIBLE = 3.1;
/** Pixels at the foot of the window that a player may cover. */
const UNDER_PLAYER = 90;

const STYLE = `
  :host { display: block; position: relative; overflow-wrap: normal; }
  .systems { display: grid; gap: var(--system-gap, 1.5rem); justify-items: start; }
  .system { position: relative; max-width: 100%; break-inside: avoid; }
  .system > svg { display: block; width: 100%; height: auto; filter: var(--sheet-filter, none); overflow: visible; }
  .glyphs { position: absolute; width: 0; height: 0; }
  .lit { fill: var(--lit, #b3125a); color: var(--lit, #b3125a); }
  .lit > .notehead { stroke: var(--glow, #ff9dc6); stroke-width: 220; paint-order: stroke; stroke-linejoin: round; }
  .marked > .notehead { stroke: var(--marked, #f0b400); stroke-width: 110; paint-order: stroke; stroke-linejoin: round; }
${SIGN_STYLE}  .now { stroke: var(--now, #ffe08a); stroke-width: 120; paint-order: stroke; stroke-linejoin: round; }
  .now use { stroke: inherit; stroke-width: 260; paint-order: stroke; }
  button { position: absolute; margin: 0; padding: 0; border: 0; background: none; cursor: pointer; border-radius: 5px; }
  .bar { top: 0; height: 100%; touch-action: pan-y pinch-zoom; }
  .bar:hover { background: var(--hover, rgb(11 85 99 / 0.06)); }
  .bar.shown { background: var(--shown, rgb(240 180 0 / 0.14)); }
  .bar.repeated { background: var(--repeated, rgb(11 85 99 / 0.12)); }
  .bar.sounding { box-shadow: inset 0 -3px 0 var(--accent, #0b5563); }
  button:focus-visible { outline: 3px solid var(--focus, #0b5563); outline-offset: -2px; }
  :host([bare]) .lane { visibility: hidden; }
  @media print { .bar { display: none; } }
`;

export class StaveScore extends HTMLElement {
  /** @type {readonly import("./model.js").Layout[]} */
  #layouts = [];
  /** @type {readonly import("./model.js").Bar[]} */
  #bars = [];
  /** @type {readonly import("./model.js").Label[]} */
  #labels = [];
  /** @type {import("./model.js").Layout|null} */
  #layout = null;
  /** @type {readonly [number, number]|null} */
  #range = null;
  #steps = 0;
  /** @type {Shown[]} */
  #shown = [];
  /** @type {Set<string>} */
  #folded = new Set();
  /** @type {Map<string, Set<string>>} ids of notes by the class they wear */
  #worn = new Map();
  /** @type {Map<number, HTMLButtonElement>} */
  #buttons = new Map();
  /** @type {Map<BarMark, [number, number]>} */
  #marks = new Map();
  /** @type {Map<string, Element>} */
  #elements = new Map();
  #current = 0;
  #label = -1;
  #aimed = -1;
  #anchor = 0;
  #dragged = false;

  static observedAttributes = ["still", "largest", "pick-labels"];

  constructor() {
    super();
    const root = this.attachShadow({ mode: "open" });
    root.append(make("style", {}, STYLE));
    this.systems = root.appendChild(make("div", { class: "systems" }));
    this.systems.addEventListener("click", (event) => this.#clicked(event));
    this.systems.addEventListener("keydown", (event) => this.#keyed(event));
    this.systems.addEventListener("pointerdown", (event) => this.#pressed(event));
    this.observer = new ResizeObserver(() => this.#show());
  }

  connectedCallback() {
    this.observer.observe(this);
    this.#show();
  }

  attributeChangedCallback() {
    if (this.#shown.length > 0) this.#arrange();
  }

  disconnectedCallback() {
    this.observer.disconnect();
  }

  /** Layouts, widest first; the one that suits the width is shown. */
  set layouts(layouts) {
    this.#layouts = layouts;
    this.#layout = null;
    this.#show();
  }

  get layouts() {
    return this.#layouts;
  }

  set bars(bars) {
    const same = this.#shown.length > 0 && bars.length === this.#bars.length && bars.every((bar, i) => bar.id === this.#bars[i].id);
    this.#bars = bars;
    // Other seconds and words for the same bars: what is drawn stays, with the lanes that were drawn since.
    if (same) {
      for (const [bar, button] of this.#buttons) button.setAttribute("aria-label", this.#saidOf(bar));
      return;
    }
    this.#layout = null;
    this.#show();
  }

  get bars() {
    return this.#bars;
  }

  set labels(labels) {
    this.#labels = labels;
  }

  get labels() {
    return this.#labels;
  }

  /** Bars, both included: only systems that have one of them are shown; null shows all. */
  set range(range) {
    this.#range = range;
    this.#layout = null;
    this.#show();
  }

  get range() {
    return this.#range;
  }

  /** @param {number} steps  how many layouts larger (narrower) than the width asks for; negative is smaller */
  resize(steps) {
    this.#steps = steps;
    this.#show();
  }

  /** The lanes that the music has, by name, from top to bottom. */
  get lanes() {
    const names = this.#shown.flatMap(({ system }) =>
      [...system.group.querySelectorAll(":scope > .lane")].map((g) => g.classList[1]),
    );
    return [...new Set(names)];
  }

  /**
   * Hide a lane and close the gap, or show it again.
   *
   * @param {string} lane
   * @param {boolean} folded
   */
  fold(lane, folded) {
    if (folded) this.#folded.add(lane);
    else this.#folded.delete(lane);
    this.#arrange();
  }

  /** @param {ReadonlySet<string>} notes  ids of the notes that sound now */
  light(notes) {
    this.wear("lit", notes);
  }

  /**
   * Give notes a look, and take it from those that had it.
   *
   * @param {"lit"|"marked"|string} look  a class name; the kinds of slips get their signs too (`slip-signs.js`)
   * @param {ReadonlySet<string>} notes
   */
  wear(look, notes) {
    const before = this.#worn.get(look) ?? new Set();
    for (const id of before) if (!notes.has(id)) this.#undress(id, look);
    for (const id of notes) if (!before.has(id)) this.#dress(id, look);
    this.#worn.set(look, new Set(notes));
  }

  /** @param {string} id @param {string} look */
  #dress(id, look) {
    const note = this.#element(id);
    note?.classList.add(look);
    const kind = KINDS.find((one) => one === look);
    if (note && kind) sign(note, kind);
  }

  /** @param {string} id @param {string} look */
  #undress(id, look) {
    const note = this.#element(id);
    note?.classList.remove(look);
    const kind = KINDS.find((one) => one === look);
    if (note && kind) unsign(note, kind);
  }

  /** @param {number} index  the chord that sounds now; -1 for none */
  lightLabel(index) {
    if (index === this.#label) return;
    for (const one of this.systems.querySelectorAll(".now")) one.classList.remove("now");
    for (const one of this.systems.querySelectorAll(`.numeral[data-index="${index}"]`)) one.classList.add("now");
    this.#label = index;
  }

  /**
   * Mark bars, both ends included; null takes the mark away.
   *
   * @param {BarMark} mark
   * @param {[number, number]|null} bars
   */
  mark(mark, bars) {
    const before = this.#marks.get(mark);
    if (before?.[0] === bars?.[0] && before?.[1] === bars?.[1]) return;
    if (bars) this.#marks.set(mark, bars);
    else this.#marks.delete(mark);
    this.#drawMarks();
  }

  /**
   * Bring a bar into view, in the nearest element with `data-scrolls`; the window itself stays where the reader put
   * it, unless `wholly` asks for the score to be brought up too.
   *
   * @param {number} bar
   * @param {boolean} [wholly]
   */
  reveal(bar, wholly = false) {
    const frame = this.#buttons.get(bar)?.parentElement;
    if (!frame) return;
    const behavior = matchMedia("(prefers-reduced-motion: reduce)").matches ? "auto" : "smooth";
    const scroller = this.closest("[data-scrolls]");
    if (!scroller) {
      frame.scrollIntoView({ block: "center", behavior });
      return;
    }
    const box = frame.getBoundingClientRect();
    const view = scroller.getBoundingClientRect();
    // Only what is on the screen counts, unless the score is off it altogether.
    let [top, bottom] = [Math.max(0, view.top), Math.min(innerHeight - UNDER_PLAYER, view.bottom)];
    if (bottom - top < box.height) [top, bottom] = [view.top, view.bottom];
    if (box.top < top || box.bottom > bottom) {
      const down = (box.top + box.bottom) / 2 - (top + bottom) / 2;
      scroller.scrollTo({ top: scroller.scrollTop + down, behavior });
    }
    if (wholly) scroller.scrollIntoView({ block: "start", behavior });
  }

  /**
   * Draw the lanes of some systems anew; their notes stay as they are.
   *
   * @param {ReadonlyMap<number, string>} lanes  by system, from 0: an SVG document with the lanes alone
   * @param {number} [from]  the first label whose number has changed
   * @param {number} [by]  by how much
   */
  relane(lanes, from = 0, by = 0) {
    if (by !== 0) {
      this.#shown.forEach(({ system, frame }, i) => {
        if (lanes.has(i)) return;
        for (const one of [...system.group.querySelectorAll(".lane.numerals > .numeral, .lane.keys > .key"), ...frame.querySelectorAll("button.label")]) {
          const name = one instanceof HTMLElement ? "data-label" : "data-index";
          const index = Number(one.getAttribute(name));
          if (index >= from) one.setAttribute(name, String(index + by));
        }
      });
    }
    /** @type {Shown[]} */
    const renewed = [];
    for (const [i, drawing] of lanes) {
      const shown = this.#shown[i];
      if (!shown) continue;
      const root = new DOMParser().parseFromString(drawing, "image/svg+xml").documentElement;
      const known = this.systems.querySelector(":scope > .glyphs > defs");
      for (const glyph of root.querySelectorAll(":scope > defs > *")) {
        if (!this.shadowRoot?.getElementById(glyph.id)) known?.append(document.importNode(glyph, true));
      }
      for (const old of shown.system.group.querySelectorAll(":scope > .lane")) old.remove();
      for (const lane of root.querySelectorAll("g.system > .lane")) shown.system.group.append(document.importNode(lane, true));
      shown.extent = measured(shown.system);
      renewed.push(shown);
    }
    this.#arrange(renewed);
    const lit = this.#label;
    this.#label = -1;
    this.lightLabel(lit);
  }

  // --- showing -------------------------------------------------------------------------------------------

  #show() {
    if (this.#layouts.length === 0 && this.#shown.length > 0) {
      this.#elements.clear();
      this.#shown = [];
      this.systems.replaceChildren();
    }
    if (!this.isConnected || this.#layouts.length === 0 || this.clientWidth === 0) return;
    const fits = this.#layouts.findIndex((l) => this.clientWidth / l.width >= LEGIBLE);
    const suits = (fits < 0 ? this.#layouts.length - 1 : fits) + this.#steps;
    const layout = this.#layouts[Math.max(0, Math.min(this.#layouts.length - 1, suits))];
    if (layout === this.#layout) return;
    this.#layout = layout;
    const { glyphs, systems } = systemsOf(layout.pages);
    this.#elements.clear();
    this.#shown = [];
    this.systems.replaceChildren(glyphs);
    for (const system of systems.filter((one) => this.#holds(one))) {
      const frame = this.systems.appendChild(make("div", { class: "system" }));
      frame.append(system.picture);
      this.#shown.push({ system, extent: measured(system), frame });
    }
    this.#arrange();
    for (const [look, notes] of this.#worn) {
      for (const id of notes) this.#dress(id, look);
    }
    this.#label = -1;
    this.dispatchEvent(new CustomEvent("shown"));
  }

  /** @param {import("./systems.js").System} system */
  #holds({ group }) {
    if (!this.#range) return true;
    const [first, last] = this.#range;
    const ids = new Set(this.#bars.slice(first, last + 1).map((bar) => bar.id));
    return [...group.querySelectorAll(":scope > .measure")].some((one) => ids.has(one.id));
  }

  /** @param {readonly Shown[]} [some]  those that have changed; all of them if left out */
  #arrange(some = this.#shown) {
    const left = Math.min(...this.#shown.map((s) => s.extent.left));
    const right = Math.max(...this.#shown.map((s) => s.extent.right));
    for (const { system, extent, frame } of some) {
      fold(system, extent, this.#folded, left, right);
      // An excerpt is not blown up to the full width; the score fills it.
      const natural = (right - left) * system.millimetres;
      const largest = Number(this.getAttribute("largest") ?? Infinity);
      frame.style.width = largest < Infinity ? `min(100%, ${(natural * largest).toFixed(0)}px)` : "100%";
    }
    this.#layButtons(some);
  }

  /** @param {readonly Shown[]} some */
  #layButtons(some) {
    const index = new Map(this.#bars.map((bar, i) => [bar.id, i]));
    if (some === this.#shown) this.#buttons.clear();
    for (const { system, frame } of some) {
      for (const old of frame.querySelectorAll("button")) old.remove();
      if (this.hasAttribute("still")) continue;
      const whole = system.picture.getBoundingClientRect();
      for (const group of system.group.querySelectorAll(":scope > .measure")) {
        const bar = index.get(group.id);
        if (bar === undefined || this.#buttons.get(bar)?.isConnected) continue;
        const lines = [...group.querySelectorAll(":scope > .staff > path")].map((p) => p.getBoundingClientRect());
        if (lines.length === 0 || whole.width === 0) continue;
        const left = Math.min(...lines.map((l) => l.left)) - whole.left;
        const width = Math.max(...lines.map((l) => l.right)) - whole.left - left;
        const button = make("button", { type: "button", class: "bar", "data-bar": bar, tabindex: -1 });
        button.setAttribute("aria-label", this.#saidOf(bar));
        button.style.left = `${(100 * left) / whole.width}%`;
        button.style.width = `${(100 * width) / whole.width}%`;
        frame.append(button);
        this.#buttons.set(bar, button);
      }
      if (this.hasAttribute("pick-labels")) this.#layLabelButtons(system, frame, whole);
    }
    const first = Math.min(...this.#buttons.keys());
    if (!this.#buttons.has(this.#current)) this.#current = first;
    this.#buttons.get(this.#current)?.setAttribute("tabindex", "0");
    this.aim(this.#aimed);
    this.#drawMarks();
  }

  /**
   * Let one chord's label be reached by Tab, in place of all: arrow keys lead on from it.
   *
   * @param {number} label  the first one where there is no such label
   */
  aim(label) {
    this.#aimed = label;
    const labels = /** @type {HTMLElement[]} */ ([...this.systems.querySelectorAll("button.label")]);
    const wanted = labels.find((one) => Number(one.dataset.label) === label) ?? labels[0];
    for (const one of labels) one.tabIndex = one === wanted ? 0 : -1;
  }

  /**
   * @param {import("./systems.js").System} system
   * @param {HTMLElement} frame
   * @param {DOMRect} whole
   */
  #layLabelButtons(system, frame, whole) {
    for (const group of system.group.querySelectorAll(":scope > .lane.numerals > .numeral")) {
      const box = group.getBoundingClientRect();
      const label = group.getAttribute("data-index") ?? "";
      const words = this.#labels[Number(label)]?.words ?? group.getAttribute("aria-label") ?? "";
      const button = make("button", { type: "button", class: "label", "data-label": label, "aria-label": plain(words), tabindex: -1 });
      const [x, y] = [box.left + box.width / 2 - whole.left, box.top + box.height / 2 - whole.top];
      const [width, height] = [Math.max(24, box.width + 6), Math.max(24, box.height + 6)];
      button.style.left = `${(100 * (x - width / 2)) / whole.width}%`;
      button.style.top = `${(100 * (y - height / 2)) / whole.height}%`;
      button.style.width = `${(100 * width) / whole.width}%`;
      button.style.height = `${(100 * height) / whole.height}%`;
      frame.append(button);
    }
  }

  #drawMarks() {
    for (const [bar, button] of this.#buttons) {
      for (const mark of /** @type {BarMark[]} */ (["sounding", "repeated", "shown"])) {
        const range = this.#marks.get(mark);
        button.classList.toggle(mark, range !== undefined && range[0] <= bar && bar <= range[1]);
      }
    }
  }

  /** @param {number} bar */
  #saidOf(bar) {
    const { number, words } = this.#bars[bar];
    const name = wordsOf().bar(number);
    return words ? `${name}: ${plain(words)}` : name;
  }

  /** @param {string} id */
  #element(id) {
    let found = this.#elements.get(id);
    if (!found) {
      found = this.shadowRoot?.getElementById(id) ?? undefined;
      if (found) this.#elements.set(id, found);
    }
    return found;
  }

  // --- choosing ------------------------------------------------------------------------------------------

  /** @param {MouseEvent} event */
  #clicked(event) {
    const button = event.target instanceof Element ? event.target.closest("button") : null;
    if (!button || this.#dragged) return;
    const byKey = event.detail === 0;
    if (button.dataset.label !== undefined) {
      const label = Number(button.dataset.label);
      const at = this.#barUnder(event.clientX, event.clientY) ?? this.#current;
      this.#pick({ bar: at, note: null, exact: false, label, lane: "numerals" });
      return;
    }
    const bar = Number(button.dataset.bar);
    if (event.shiftKey) this.#passage(this.#anchor, bar);
    else {
      this.#anchor = bar;
      this.#pick(byKey ? { bar, note: null, exact: false, label: null, lane: null } : this.#under(bar, event));
    }
    this.#move(bar, false);
  }

  /** @param {Pick} detail */
  #pick(detail) {
    this.dispatchEvent(new CustomEvent("pick", { detail, bubbles: true, composed: true }));
  }

  /** @param {number} a @param {number} b */
  #passage(a, b) {
    const detail = { first: Math.min(a, b), last: Math.max(a, b) };
    this.dispatchEvent(new CustomEvent("passage", { detail, bubbles: true, composed: true }));
  }

  /**
   * What lies under the pointer in a bar.
   *
   * @param {number} bar
   * @param {MouseEvent} event
   * @returns {Pick}
   */
  #under(bar, { clientX: x, clientY: y }) {
    const group = this.#element(this.#bars[bar].id);
    const system = group?.closest(".system");
    /** @param {Element} one @param {number} slack */
    const touches = (one, slack) => {
      const b = one.getBoundingClientRect();
      return b.left - slack <= x && x <= b.right + slack && b.top - slack <= y && y <= b.bottom + slack;
    };
    let [nearest, note, exact] = [Infinity, /** @type {string|null} */ (null), false];
    for (const one of group?.querySelectorAll(".note") ?? []) {
      const head = (one.querySelector(".notehead") ?? one).getBoundingClientRect();
      const across = Math.abs(x - head.left - head.width / 2);
      const down = Math.abs(y - head.top - head.height / 2);
      // What sounds at the place matters more than which of its notes is meant.
      const distance = across + down / 1000;
      const on = touches(one.querySelector(".notehead") ?? one, 3);
      if (on ? !exact || distance < nearest : !exact && distance < nearest) {
        [nearest, note, exact] = [distance, one.id, exact || on];
      }
    }
    const label = [...(system?.querySelectorAll(".numeral") ?? [])].find((one) => touches(one, 5));
    const lane = [...(system?.querySelectorAll(":scope > .lane") ?? [])].find((one) => touches(one, 2));
    return {
      bar,
      note,
      exact,
      label: label ? Number(label.getAttribute("data-index")) : null,
      lane: lane?.classList[1] ?? null,
    };
  }

  /**
   * The notes that stand above one another nearest to a point of the window; none away from the music.
   *
   * @param {number} x
   * @param {number} y
   * @returns {string[]} ids
   */
  notesNear(x, y) {
    const under = this.#shown.find(({ frame }) => {
      const box = frame.getBoundingClientRect();
      return box.left <= x && x <= box.right && box.top <= y && y <= box.bottom;
    });
    const heads = [...(under?.system.group.querySelectorAll(".note") ?? [])].map((note) => {
      const box = (note.querySelector(".notehead") ?? note).getBoundingClientRect();
      return { id: note.id, middle: box.left + box.width / 2, width: box.width };
    });
    const away = (/** @type {{middle: number}} */ head) => Math.abs(head.middle - x);
    const nearest = heads.reduce((best, head) => (away(head) < away(best) ? head : best), heads[0]);
    // Heads of a second stand side by side.
    return heads.filter((head) => Math.abs(head.middle - nearest.middle) < 0.7 * nearest.width).map(({ id }) => id);
  }

  /** @param {number} x @param {number} y @returns {number|null} */
  #barUnder(x, y) {
    for (const one of this.shadowRoot?.elementsFromPoint(x, y) ?? []) {
      if (one instanceof HTMLElement && one.dataset.bar !== undefined) return Number(one.dataset.bar);
    }
    return null;
  }

  /** @param {PointerEvent} event */
  #pressed(event) {
    this.#dragged = false;
    const from = this.#barUnder(event.clientX, event.clientY);
    // A finger that moves is scrolling.
    if (from === null || event.button !== 0 || event.pointerType === "touch" || event.shiftKey) return;
    let last = from;
    const moved = (/** @type {PointerEvent} */ e) => {
      const to = this.#barUnder(e.clientX, e.clientY);
      if (to === null || to === last) return;
      last = to;
      this.#dragged = true;
      this.mark("repeated", [Math.min(from, to), Math.max(from, to)]);
    };
    const done = () => {
      removeEventListener("pointermove", moved);
      if (this.#dragged) this.#passage(from, last);
      // The click that ends a drag comes after this; it is no choice of a place.
      setTimeout(() => (this.#dragged = false), 0);
    };
    addEventListener("pointermove", moved);
    addEventListener("pointerup", done, { once: true });
  }

  /** @param {KeyboardEvent} event */
  #keyed(event) {
    if (event.altKey || event.ctrlKey || event.metaKey) return;
    const all = [...this.#buttons.keys()].sort((a, b) => a - b);
    const at = all.indexOf(this.#current);
    /** @type {Record<string, number>} */
    const goals = { ArrowLeft: at - 1, ArrowRight: at + 1, Home: 0, End: all.length - 1 };
    goals.ArrowUp = this.#acrossSystem(all, at, -1);
    goals.ArrowDown = this.#acrossSystem(all, at, 1);
    const goal = goals[event.key];
    if (goal === undefined || !(event.target instanceof HTMLElement) || event.target.dataset.bar === undefined) return;
    event.preventDefault();
    event.stopPropagation();
    const bar = all[Math.max(0, Math.min(all.length - 1, goal))];
    this.#move(bar, true);
    if (event.shiftKey) this.#passage(this.#anchor, bar);
    else this.#anchor = bar;
  }

  /**
   * The place, in the list of bars, of the first bar of the next system, or of the one before.
   *
   * @param {number[]} all
   * @param {number} at
   * @param {1|-1} way
   */
  #acrossSystem(all, at, way) {
    const frameOf = (/** @type {number} */ i) => this.#buttons.get(all[i])?.parentElement;
    let i = at;
    while (all[i] !== undefined && frameOf(i) === frameOf(at)) i += way;
    if (all[i] === undefined) return at;
    while (i > 0 && frameOf(i - 1) === frameOf(i)) i -= 1;
    return i;
  }

  /** @param {number} bar @param {boolean} focus */
  #move(bar, focus) {
    this.#buttons.get(this.#current)?.setAttribute("tabindex", "-1");
    this.#current = bar;
    const button = this.#buttons.get(bar);
    button?.setAttribute("tabindex", "0");
    if (focus) button?.focus();
  }
}

customElements.define("stave-score", StaveScore);
