/**
 * `<desk-pages>`: a score read from printed pages is checked bar by bar, the least sure first: the page's own picture
 * above what was read, its voices as lines to type in. A note is clicked to type it, or dragged up and down.
 *
 * Out: the events `trouble` (detail a sentence) and `show` (detail first, last and notes, for the score).
 */

import { make } from "/viewer/elements.js";
import { redraw, troubled } from "./asking.js";
import { lineControls, markForm } from "./bar-marks.js";
import { drawing, staffStep, stepped, wordAt } from "./typed-bar.js";
import { file, get, post, Refused } from "./link.js";
import { word } from "./words.js";

/**
 * @typedef {{index: number, number: string, page: number, sure: number, state: "read"|"right"|"typed", doubted: boolean}} Row
 * @typedef {{bars: Row[], last: number, undo: number, redo: number}} Listed
 * @typedef {{staff: number, voice: number, text: string, marks: [string, number, number][]}} Line
 * @typedef {{note: string, likelier: string, beat: string}} Odd  a note that the harmony finds unlikely
 * @typedef {Row & import("./bar-marks.js").Marked & {lines: Line[], key: number, meter: string, svg: string, odd: Odd[]}} Bar
 */

/** The clefs by their lowest line, counted in steps from C0. */
const CLEFS = { 30: "treble", 23: "treble_low", 37: "treble_high", 24: "alto", 22: "tenor", 28: "soprano", 18: "bass", 11: "bass_low" };

/** Refusals that are of no line of notes. */
const LINES_AND_MARKS = ["mark", "dynamic", "beat", "hairpin", "join", "split"];

export class DeskPages extends HTMLElement {
  #awake = false;
  #name = "";
  /** What is being done here, one thing after the other. @type {Promise<unknown>} */
  #turn = Promise.resolve();
  /** @type {Listed|null} */
  #listed = null;
  /** @type {Bar|null} */
  #bar = null;
  /** The order in which bars are walked through: as they stood when the list was first asked for. @type {number[]} */
  #order = [];
  #address = "";
  /** The text area in which was written last. @type {HTMLTextAreaElement|null} */
  #field = null;
  #count = make("p", { class: "hint name", role: "status" });
  #list = make("ol", { class: "doubtful" });
  #head = make("h3", { id: "pages-bar" });
  #told = make("p", { class: "hint" });
  /** What the harmony finds unlikely in the bar. */
  #odd = make("div", {});
  #seen = make("img", { alt: "" });
  /** The picture, and on it the bar line that is missing. */
  #onPage = make("div", { class: "on-page" }, this.#seen);
  #read = make("div", { class: "engraved" });
  #lines = make("form", { class: "bar-lines", onsubmit: (/** @type {Event} */ e) => (e.preventDefault(), void this.#set(false)) });
  #wrong = make("div", { class: "bar-wrong", role: "alert" });
  #signs = make("div", { class: "conditions" });
  #marks = make("div", {});
  #barLines = make("div", {});
  #undo = make("button", { type: "button", class: "small", id: "pages-undo", onclick: () => void this.#change({ what: "undo" }) }, word("undo"));
  #redo = make("button", { type: "button", class: "small", id: "pages-redo", onclick: () => void this.#change({ what: "redo" }) }, word("redo"));
  #work = make("div", { hidden: true });

  connectedCallback() {
    if (this.childElementCount > 0) return;
    const button = (/** @type {string} */ name, /** @type {string} */ key, /** @type {() => void} */ does) =>
      make("button", { type: "button", id: `pages-${name}`, "aria-keyshortcuts": key, onclick: does }, word(`pages_${name}`), make("kbd", {}, key));
    this.#work.append(
      make("div", { class: "bar-head" }, this.#head, this.#told),
      this.#odd,
      make("figure", { class: "seen", tabindex: 0, "aria-label": word("pages_page") }, make("figcaption", {}, word("pages_page")), this.#onPage),
      make("figure", { class: "seen", tabindex: 0, "aria-label": word("pages_read") }, make("figcaption", {}, word("pages_read")), this.#read),
      make("div", { class: "hear" }, button("right", "R", () => void this.#right()), button("before", "P", () => void this.step(-1)), button("next", "N", () => void this.step(1))),
      make("details", { class: "more", id: "pages-bar-lines" }, make("summary", {}, word("pages_lines")), make("p", { class: "hint" }, word("pages_lines_how")), this.#barLines),
      make("h4", {}, word("pages_voices")),
      this.#wrong,
      this.#lines,
      make("details", { class: "more" }, make("summary", {}, word("pages_how")), make("p", { class: "hint" }, word("pages_written")), make("p", { class: "hint" }, word("pages_notes"))),
      make("details", { class: "more", id: "pages-marks" }, make("summary", {}, word("pages_marks")), make("p", { class: "hint" }, word("pages_marks_how")), this.#marks),
      make("details", { class: "more" }, make("summary", {}, word("pages_signs")), make("p", { class: "hint" }, word("pages_carried")), this.#signs),
    );
    this.append(
      make("p", { class: "hint" }, word("pages_hint")),
      make("div", { class: "bar-head" }, this.#count, this.#undo, this.#redo),
      this.#work,
      make("details", { class: "more" }, make("summary", {}, word("pages_all")), this.#list),
      make("p", { class: "hint" }, word("pages_copyright")),
    );
  }

  /** It is looked at: what there is is asked for from now on. */
  async wake() {
    this.#awake = true;
    await this.renew();
  }

  /** A lesson lies on the desk: the same that was read anew, or another. @param {string} name */
  async begin(name) {
    if (name === this.#name) return;
    this.#name = name;
    [this.#listed, this.#bar, this.#order] = [null, null, []];
    await this.renew();
  }

  /** Something has changed. */
  async renew() {
    if (!this.#awake || this.closest("[hidden]")) return;
    await this.#inTurn(async () => {
      this.#draw(await get("/api/pages"));
      await this.#open(this.#bar?.index ?? this.#order[0], false);
    });
  }

  /** Another window has changed the pages. @param {number} last */
  async hear(last) {
    // What was changed here is answered first.
    await this.#turn;
    if (this.#listed && this.#listed.last !== last) await this.renew();
  }

  /** What a key does here, where nothing is being written. @param {string} key @returns {boolean} whether it does anything */
  press(key) {
    if (!this.#bar) return false;
    if (key === "n") void this.step(1);
    else if (key === "p") void this.step(-1);
    else if (key === "r") void this.#right();
    else return false;
    return true;
  }

  /** @param {1|-1} way */
  async step(way) {
    await this.#inTurn(() => this.#walk(way));
  }

  /** @param {1|-1} way */
  async #walk(way) {
    const at = this.#order.indexOf(this.#bar?.index ?? -1) + way;
    if (at >= 0 && at < this.#order.length) await this.#open(this.#order[at], true);
  }

  /** @param {Listed|null} listed */
  #draw(listed) {
    this.#listed = listed;
    this.#work.hidden = listed === null;
    this.#undo.disabled = !listed || listed.undo === 0;
    this.#redo.disabled = !listed || listed.redo === 0;
    if (!listed) {
      this.#count.textContent = word("pages_none");
      this.#list.replaceChildren();
      return;
    }
    if (this.#order.length !== listed.bars.length) this.#order = listed.bars.map((row) => row.index);
    const done = listed.bars.filter((row) => row.state !== "read").length;
    this.#count.textContent = word("pages_count", { done, n: listed.bars.length });
    const rows = new Map(listed.bars.map((row) => [row.index, row]));
    this.#list.replaceChildren(
      ...this.#order.map((index) => {
        const row = /** @type {Row} */ (rows.get(index));
        const now = this.#bar?.index === index;
        return make("li", {}, make("button", { type: "button", "aria-current": now ? "true" : null, onclick: () => void this.#inTurn(() => this.#open(index, true)) }, make("span", { class: "name" }, word("pages_bar", { n: row.number, page: row.page })), make("span", { class: "share" }, this.#sure(row))));
      }),
    );
  }

  /** @param {Row} row */
  #sure(row) {
    if (row.state !== "read") return word(`pages_state_${row.state}`);
    const sure = word("sure", { n: Math.round(100 * row.sure) });
    return row.doubted ? `${sure}, ${word("pages_doubted")}` : sure;
  }

  /** @param {number} index @param {boolean} show  it in the score too */
  async #open(index, show) {
    if (!this.#listed) return;
    const bar = /** @type {Bar} */ (await get(`/api/pages/bar?index=${index}`));
    const before = this.#bar;
    const same = before?.index === index;
    this.#bar = bar;
    this.#draw(this.#listed);
    this.#head.textContent = word("pages_bar", { n: bar.number, page: bar.page });
    this.#told.textContent = this.#sure(bar);
    this.#odd.replaceChildren(...bar.odd.map((one) => make("p", { class: "hint" }, word("pages_odd", one))));
    this.#wrong.replaceChildren();
    // What is being dragged or typed stays, where the bar has not become another.
    const alike = same && JSON.stringify(before?.lines) === JSON.stringify(bar.lines);
    if (!alike || before?.svg !== bar.svg) this.#drawRead(bar);
    if (!alike) this.#drawLines(bar);
    this.#drawSigns(bar);
    if (!same || JSON.stringify(before?.marks) !== JSON.stringify(bar.marks)) this.#drawMarks(bar);
    this.#drawBarLines(bar);
    if (show) this.dispatchEvent(new CustomEvent("show", { detail: { first: index, last: index, notes: [] }, bubbles: true }));
    // Nothing waits for the picture; until it is there, that of another bar is not shown in its place.
    if (!same) this.#seen.style.visibility = "hidden";
    if (this.#seen.style.visibility) void this.#after(() => this.#picture(bar));
  }

  /** @param {Bar} bar */
  async #picture({ index, number, page }) {
    const picture = await file(`/api/pages/picture?index=${index}`);
    if (this.#bar?.index !== index) return;
    if (this.#address) URL.revokeObjectURL(this.#address);
    this.#address = URL.createObjectURL(picture);
    this.#seen.src = this.#address;
    this.#seen.style.visibility = "";
    this.#seen.alt = word("pages_pictured", { n: number, page });
  }

  /** @param {Bar} bar */
  #drawRead(bar) {
    const svg = drawing(bar.svg);
    svg.setAttribute("aria-label", word("pages_engraved", { n: bar.number }));
    svg.setAttribute("role", "img");
    this.#read.replaceChildren(svg);
    for (const line of bar.lines)
      for (const [id, from, to] of line.marks) {
        const note = svg.querySelector(`[id="${CSS.escape(id)}"]`);
        if (note instanceof SVGElement) this.#hold(note, svg, line, from, to);
      }
  }

  /** Let a note be clicked, to type it, and dragged. @param {SVGElement} note @param {SVGElement} svg @param {Line} line @param {number} from @param {number} to */
  #hold(note, svg, line, from, to) {
    note.classList.add("held-note");
    note.addEventListener("pointerdown", (event) => {
      event.preventDefault();
      const { step, unit } = staffStep(svg);
      let steps = 0;
      const released = new AbortController();
      const move = (/** @type {PointerEvent} */ e) => {
        steps = Math.round((event.clientY - e.clientY) / step);
        note.style.translate = steps === 0 ? "" : `0 ${-steps * step * unit}px`;
      };
      const end = () => {
        released.abort();
        note.style.translate = "";
        const field = this.#fieldOf(line.staff, line.voice);
        if (!field) return;
        if (steps !== 0 && field.value === line.text) {
          field.setRangeText(stepped(field.value.slice(from, to), steps, this.#bar?.key ?? 0), from, to, "select");
          void this.#set(false);
          return;
        }
        field.focus();
        // What was typed since stands elsewhere: then only the line is found.
        if (field.value === line.text) field.setSelectionRange(from, to);
      };
      // Followed in the whole window: a note that captures the pointer loses it when the desk is drawn anew around it.
      const follow = (/** @type {"pointermove"|"pointerup"|"pointercancel"} */ what, /** @type {(e: PointerEvent) => void} */ does) =>
        addEventListener(what, (e) => void (e.pointerId === event.pointerId && does(e)), { signal: released.signal });
      follow("pointermove", move);
      follow("pointerup", end);
      follow("pointercancel", () => ((steps = 0), end()));
    });
  }

  /** @param {number} staff @param {number} voice @returns {HTMLTextAreaElement|null} */
  #fieldOf(staff, voice) {
    return this.#lines.querySelector(`textarea[data-line="${staff}.${voice}"]`);
  }

  /** @param {Bar} bar */
  #drawLines(bar) {
    const lines = bar.lines.slice();
    for (let staff = 1; staff <= bar.clefs.length; staff++) if (!lines.some((l) => l.staff === staff)) lines.push({ staff, voice: 1, text: "", marks: [] });
    lines.sort((a, b) => a.staff - b.staff || a.voice - b.voice);
    const add = bar.clefs.map((_, i) =>
      make("button", { type: "button", class: "small", id: `pages-add-${i + 1}`, onclick: () => this.#addVoice(i + 1) }, word("pages_add", { n: i + 1 })),
    );
    redraw(this.#lines, () => this.#lines.replaceChildren(...lines.map((line) => this.#line(line)), make("div", { class: "hear" }, make("button", { type: "submit", id: "pages-set" }, word("set"), make("kbd", {}, "↵")), ...add)));
  }

  /** @param {{staff: number, voice: number, text: string}} line */
  #line(line) {
    const id = `pages-line-${line.staff}-${line.voice}`;
    const field = make("textarea", { id, rows: 2, spellcheck: "false", autocomplete: "off", autocapitalize: "off", maxlength: 2000, "data-line": `${line.staff}.${line.voice}`, onkeydown: (/** @type {KeyboardEvent} */ e) => this.#key(e, field), onfocus: () => (this.#field = field) });
    field.value = line.text;
    return make("div", { class: "bar-line" }, make("label", { for: id }, word("pages_voice", { staff: line.staff, n: line.voice })), field);
  }

  /** @param {number} staff */
  #addVoice(staff) {
    const there = [...this.#lines.querySelectorAll("textarea")].map((f) => String(f.dataset.line).split(".").map(Number));
    const voice = Math.max(0, ...there.filter(([s]) => s === staff).map(([, v]) => v)) + 1;
    if (voice > 4) return;
    const line = this.#line({ staff, voice, text: "" });
    this.#lines.insertBefore(line, this.#lines.lastElementChild);
    line.querySelector("textarea")?.focus();
  }

  /** @param {KeyboardEvent} event @param {HTMLTextAreaElement} field */
  #key(event, field) {
    if (event.key === "Enter" && !event.isComposing) {
      event.preventDefault();
      void this.#set(false);
    } else if (event.altKey && (event.key === "ArrowUp" || event.key === "ArrowDown")) {
      event.preventDefault();
      const [from, to] = wordAt(field.value, field.selectionStart);
      const by = (event.key === "ArrowUp" ? 1 : -1) * (event.shiftKey ? 7 : 1);
      field.setRangeText(stepped(field.value.slice(from, to), by, this.#bar?.key ?? 0), from, to, "select");
    }
  }

  /** @param {Bar} bar */
  #drawSigns(bar) {
    const key = make("select", { id: "pages-key", onchange: () => void this.#change({ what: "key", value: key.value }) });
    for (let n = -7; n <= 7; n++) key.append(make("option", { value: n, selected: n === bar.key }, n === 0 ? word("pages_no_signs") : word(n < 0 ? "pages_flats" : "pages_sharps", { n: Math.abs(n) })));
    const meter = make("input", { type: "text", id: "pages-meter", value: bar.meter, maxlength: 7, size: 6, autocomplete: "off", onchange: () => void this.#change({ what: "meter", value: meter.value.trim() }) });
    const clefs = bar.clefs.flatMap((now, i) => {
      const clef = make("select", { id: `pages-clef-${i + 1}`, onchange: () => void this.#change({ what: "clef", value: clef.value, staff: i + 1 }) });
      const known = Object.keys(CLEFS).map(Number);
      if (!known.includes(now)) clef.append(make("option", { value: now, selected: true }, "?"));
      for (const [step, name] of Object.entries(CLEFS)) clef.append(make("option", { value: step, selected: Number(step) === now }, word(`pages_clef_${name}`)));
      return [make("label", { for: clef.id }, word("pages_clef", { n: i + 1 })), clef];
    });
    redraw(this.#signs, () => this.#signs.replaceChildren(make("label", { for: "pages-key" }, word("pages_key")), key, make("label", { for: "pages-meter" }, word("pages_meter")), meter, ...clefs));
  }

  /** @param {Bar} bar */
  #drawMarks(bar) {
    redraw(this.#marks, () => this.#marks.replaceChildren(markForm(bar, (what) => void this.#change(what))));
  }

  /** @param {Bar} bar */
  #drawBarLines(bar) {
    redraw(this.#barLines, () => this.#barLines.replaceChildren(...lineControls(bar, this.#onPage, (what) => void this.#change(what))));
  }

  /** It is right as it was read: ticked off, and on to the next. */
  async #right() {
    const seen = this.#bar?.index;
    await this.#inTurn(async () => {
      // Pressed twice it says nothing of the next bar, which nobody has looked at.
      if (this.#bar?.index === seen && (await this.#made(seen, { what: "right" }))) await this.#walk(1);
    });
  }

  /** @param {boolean} free  though it does not add up */
  async #set(free) {
    const lines = [...this.#lines.querySelectorAll("textarea")].map((field) => {
      const [staff, voice] = String(field.dataset.line).split(".").map(Number);
      return { staff, voice, text: field.value };
    });
    await this.#change({ what: "notes", lines, free });
  }

  /** @param {Record<string, unknown>} what  of the bar that is looked at now */
  async #change(what) {
    const seen = this.#bar?.index;
    await this.#inTurn(() => this.#made(seen, what));
  }

  /** @param {number|undefined} index @param {Record<string, unknown>} what @returns {Promise<boolean>} whether it was taken */
  async #made(index, what) {
    if (!this.#listed || index === undefined) return false;
    this.#wrong.replaceChildren();
    const found = await post("/api/pages", { ...what, index, last: this.#listed.last });
    if (found.refused) {
      this.#refuse(found.refused);
      return false;
    }
    this.#draw(found);
    await this.#open(index, false);
    return true;
  }

  /** @param {{name: string, values: Record<string, string>}} refused */
  #refuse({ name, values }) {
    const free = (name === "over" || name === "under") && make("button", { type: "button", class: "small", id: "pages-free", onclick: () => void this.#set(true) }, word("pages_free"));
    this.#wrong.replaceChildren(make("p", {}, word(`pages_wrong_${name}`, values)), free || "");
    this.#wrong.scrollIntoView({ block: "nearest" });
    if (name === "meter" && this.#bar) this.#drawSigns(this.#bar);
    else if (name === "ending" && this.#bar) this.#drawBarLines(this.#bar);
    else if (!LINES_AND_MARKS.includes(name)) this.#field?.focus({ preventScroll: true });
  }

  /** Do something once all before it is done: it is made on what that has left. @param {() => Promise<unknown>} does */
  #inTurn(does) {
    return (this.#turn = this.#turn.then(() => this.#after(does)));
  }

  /** @param {() => Promise<unknown>} does */
  async #after(does) {
    try {
      await does();
    } catch (error) {
      if (error instanceof Refused && error.stale) void this.renew();
      troubled(this, error);
    }
  }
}

customElements.define("desk-pages", DeskPages);
