/**
 * `<desk-chord>`: one chord of the reading: why it is named so, what else it may be, and how to change it.
 *
 * In: `reading`. Out: the events `wish` (detail a wish for `Reading.edit`), `explained` (detail the answer of
 * the desk, with the notes that belong and those that do not), `lit` (detail the ids of the notes that belong to what
 * is heard, null when it is over) and `trouble` (detail a sentence).
 */

import { make, setText } from "/viewer/elements.js";
import "./carried.js";
import { troubled } from "./asking.js";
import { chords } from "./link.js";
import "./played.js";
import { word } from "./words.js";

/** How chords are typed, and what was typed. */
const ENTRIES = ["english", "german", "functions", "syllables"];
const KINDS = { numeral: "kind_numeral", "moving figures": "kind_moving", "chord symbol": "kind_symbol", function: "kind_function" };

/** @typedef {import("./reading.js").Reading} Reading */

const ENTRY = "understave-entry";

export class DeskChord extends HTMLElement {
  /** @type {Reading|null} */
  #reading = null;
  #asked = "";
  #field = make("input", { type: "text", id: "chord-field", autocomplete: "off", spellcheck: "false", maxlength: 60, "aria-describedby": "chord-field-help" });
  #key = make("input", { type: "text", id: "key-field", autocomplete: "off", spellcheck: "false", maxlength: 20, "aria-describedby": "key-field-help" });
  #entry = make("select", { id: "entry" }, ...ENTRIES.map((value) => make("option", { value }, word(`entry_${value}`))));
  #meant = { label: make("p", { class: "meant", "aria-live": "polite" }), key: make("p", { class: "meant", "aria-live": "polite" }) };
  /** The text that each field's notes are shown for. @type {Record<string, string>} */
  #shown = {};
  #waiting = 0;
  #main = make("div");
  #carried = /** @type {import("./carried.js").DeskCarried} */ (document.createElement("desk-carried"));
  #played = /** @type {import("./played.js").DeskPlayed} */ (document.createElement("desk-played"));
  #audio = new Audio();
  #heard = 0;

  constructor() {
    super();
    this.#played.addEventListener("named", (event) => {
      const row = this.#reading?.row;
      if (row) this.#wish({ what: "name", start: row.start, text: /** @type {CustomEvent} */ (event).detail });
    });
    this.#audio.addEventListener("ended", () => this.#over());
    this.#entry.value = keptEntry() ?? ENTRIES[0];
    this.#entry.addEventListener("change", () => {
      keepEntry(this.#entry.value);
      void this.#spell("label", this.#field);
      void this.#spell("key", this.#key);
    });
    for (const [what, field] of /** @type {const} */ ([["label", this.#field], ["key", this.#key]])) {
      field.addEventListener("input", () => {
        clearTimeout(this.#waiting);
        this.#waiting = setTimeout(() => void this.#spell(what, field), 150);
      });
    }
  }

  set reading(reading) {
    this.#reading = reading;
    reading?.addEventListener("chosen", () => this.show());
    reading?.addEventListener("changed", () => this.show());
    this.show();
  }

  get reading() {
    return this.#reading;
  }

  /** Put the writing mark into the field for the chord. */
  write() {
    this.#field.focus();
    this.#field.select();
  }

  /** Put the writing mark into the field for the key. */
  writeKey() {
    this.#key.focus();
    this.#key.select();
  }

  /** The names of the twelve keys of a keyboard, and how chords are typed where the browser has kept nothing. */
  begin(/** @type {readonly string[]} */ keys, /** @type {string} */ entry) {
    this.#played.names = keys;
    this.#entry.value = keptEntry() ?? entry;
  }

  /**
   * Let the chord be heard that is looked at; the notes that belong to it light up meanwhile.
   *
   * @param {string} which  chord, next, or the number of an alternative from 0
   */
  async hear(which) {
    const row = this.#reading?.row;
    if (!row) return;
    const heard = ++this.#heard;
    try {
      const { notes, source } = await chords(row.start, which);
      if (heard !== this.#heard) return URL.revokeObjectURL(source);
      this.#over();
      this.#audio.src = source;
      this.dispatchEvent(new CustomEvent("lit", { detail: notes }));
      await this.#audio.play();
    } catch (error) {
      if (heard !== this.#heard) return;
      this.#over();
      troubled(this, error);
    }
  }

  #over() {
    this.#audio.pause();
    if (this.#audio.src) URL.revokeObjectURL(this.#audio.src);
    this.#audio.removeAttribute("src");
    this.dispatchEvent(new CustomEvent("lit", { detail: null }));
  }

  /** Take what is held on the keyboard; false where nothing is. */
  takePlayed() {
    if (!this.#played.ready) return false;
    this.#played.takeFirst();
    return true;
  }

  show() {
    if (this.#main.parentNode !== this) this.replaceChildren(this.#main);
    const reading = this.#reading;
    const row = reading?.row;
    if (!reading || !row) {
      this.#main.replaceChildren(make("p", { class: "hint" }, word("chord_hint")));
      return;
    }
    if (this.#played.start !== row.start) this.#played.clear();
    this.#played.start = row.start;
    void this.#carried.look(row, reading.version);
    const typing = this.#main.contains(document.activeElement) ? document.activeElement : null;
    const focused = typing instanceof HTMLElement ? typing.dataset.place ?? typing.id : "";
    this.#field.value = this.#field === typing ? this.#field.value : "";
    this.#field.placeholder = row.numeral;
    this.#key.placeholder = row.key;
    for (const [what, field] of /** @type {const} */ ([["label", this.#field], ["key", this.#key]])) {
      if (field === typing) void this.#spell(what, field);
      else this.#meant[what].replaceChildren();
    }
    const index = reading.chosen;
    const before = reading.rows[index - 1];
    const after = reading.rows[index + 1];
    const inside = reading.bars.flatMap((bar) => bar.moments.map((m) => ({ ...m, number: bar.number }))).filter((m) => inOrder(row.start, m.at, row.end));
    const place = make("select", { id: "split-at", "aria-label": word("part_it_at") }, ...inside.map((m) => make("option", { value: m.at }, word("bar_beat", { bar: m.number, beat: m.beat }))));
    const beginsKey = before && before.key !== row.key;
    const act = (/** @type {string} */ text, /** @type {Record<string, unknown>|null} */ wish, /** @type {string} */ key = "") =>
      make("button", { type: "button", disabled: wish === null, "data-place": text, onclick: () => wish && this.#wish(wish) }, text, key && " ", key && make("kbd", {}, key));
    const move = (/** @type {1|-1} */ way) => {
      const to = before && reading.beside(row.start, way);
      return to && inOrder(before.start, to, row.end) ? { what: "move", start: row.start, to } : null;
    };
    this.#main.replaceChildren(
      make(
        "div",
        {},
      make(
        "div",
        { class: "hear steps" },
        make("button", { type: "button", "data-place": "before", disabled: !before, onclick: () => reading.choose(index - 1) }, word("chord_before")),
        make("button", { type: "button", "data-place": "after", disabled: !after, onclick: () => reading.choose(index + 1) }, word("chord_next")),
      ),
      make(
        "div",
        { class: "chord-head" },
        make("p", { class: "count" }, `${word("bar_beat", { bar: row.number, beat: row.beat })}${row.keyName && ` · ${row.keyName}`}`),
        make("h3", {}, setText("⟨x⟩", { "⟨x⟩": row.parts }), make("span", { class: "symbol" }, row.symbol.replace(/b/g, "♭").replace(/#/g, "♯"))),
        make("p", { class: "sure" }, row.fixed ? word("set_by_you") : word("sure", { n: Math.round(100 * row.confidence) }), meter(row)),
      ),
      make(
        "div",
        { class: "hear" },
        make("button", { type: "button", "data-place": "hear", onclick: () => this.hear("chord") }, word("hear_chord"), " ", make("kbd", {}, "H")),
        make("button", { type: "button", "data-place": "hear next", disabled: !after, onclick: () => this.hear("next") }, word("hear_next"), " ", make("kbd", {}, "⇧H")),
      ),
      make("div", { class: "why", "aria-live": "polite" }, make("p", { class: "hint" }, word("looking"))),
      make("h4", {}, word("may_also_be")),
      make(
        "ol",
        { class: "others" },
        ...row.others.map((other, i) =>
          make(
            "li",
            {},
            make("button", { type: "button", class: "hear-other", "data-place": `hear ${i}`, "aria-label": word("hear_other", { n: i + 1 }), title: word("hear_other", { n: i + 1 }), onclick: () => this.hear(String(i)) }, "♪"),
            make(
              "button",
              { type: "button", "data-place": `other ${i}`, onclick: () => this.#wish({ what: "take", start: row.start, index: i }) },
              make("kbd", {}, String(i + 1)),
              " ",
              make("span", { class: "name" }, setText("⟨x⟩", { "⟨x⟩": other.parts }), other.key !== row.key && make("span", { class: "in" }, word("in_key", { key: other.keyName }))),
              make("span", { class: "share" }, other.confidence < 0.01 ? word("under_one") : `${Math.round(100 * other.confidence)} %`),
            ),
          ),
        ),
        row.others.length === 0 && make("li", { class: "hint" }, row.fixed ? word("settled") : word("nothing_likely")),
      ),
      !row.fixed && act(word("right_as_is"), { what: "take", start: row.start, index: -1 }, "0"),
      make(
        "form",
        { class: "say", onsubmit: (/** @type {Event} */ e) => this.#submitted(e, { what: "label", start: row.start }, this.#field) },
        make("label", { for: "chord-field" }, word("name_it")),
        make("div", { class: "line" }, this.#field, make("button", { type: "submit" }, word("set"))),
        this.#meant.label,
        make("p", { class: "hint", id: "chord-field-help" }, word(`help_${this.#entry.value}`)),
        make("div", { class: "line" }, make("label", { for: "entry" }, word("i_write")), this.#entry),
      ),
      this.#carried,
      this.#played,
      make("h4", {}, word("where_begins")),
      make(
        "div",
        { class: "hear" },
        act(word("begin_earlier"), move(-1), "["),
        act(word("begin_later"), move(1), "]"),
        act(word("join_next"), after ? { what: "join", start: row.start } : null, "J"),
      ),
      inside.length > 0 &&
        make("div", { class: "line" }, make("span", {}, `${word("part_it_at")} `), place, make("button", { type: "button", "data-place": "split", onclick: () => this.#wish({ what: "split", start: row.start, at: place.value }) }, word("part"), " ", make("kbd", {}, "S"))),
      make("h4", {}, word("the_key")),
      make(
        "form",
        { class: "say", onsubmit: (/** @type {Event} */ e) => this.#submitted(e, { what: "key", start: row.start }, this.#key) },
        make("label", { for: "key-field" }, word("from_here")),
        make("div", { class: "line" }, this.#key, make("button", { type: "submit" }, word("set"))),
        this.#meant.key,
        make("p", { class: "hint", id: "key-field-help" }, word("key_help")),
      ),
      beginsKey &&
        make(
          "div",
          { class: "hear" },
          act(word("key_earlier"), index > 1 && before ? { what: "move key", start: row.start, to: before.start } : null),
          act(word("key_later"), after && after.key === row.key ? { what: "move key", start: row.start, to: after.start } : null),
        ),
      ),
    );
    if (focused) {
      const again = [...this.querySelectorAll("[data-place], input, select")].find((e) => e instanceof HTMLElement && (e.dataset.place ?? e.id) === focused);
      const there = again instanceof HTMLButtonElement && again.disabled ? null : again;
      // Where it has gone or can no longer be pressed, keys such as N go on from the panel, not into a field.
      const next = there ?? this.closest("[role=tabpanel]");
      if (next instanceof HTMLElement) next.focus({ preventScroll: true });
    }
    void this.#explain(row.start);
  }

  /** @param {string} start */
  async #explain(start) {
    const asked = (this.#asked = `${start} ${this.#reading?.version}`);
    const told = await this.#reading?.why(start).catch(() => null);
    const place = this.querySelector(".why");
    if (!told || !place || this.#asked !== asked) return;
    place.replaceChildren(
      make("p", {}, setText(told.sentence.text, told.sentence.numerals)),
      make("ul", { class: "notes", "aria-label": word("notes_of_chord") }, ...told.members.map((/** @type {any} */ m) => make("li", { class: m.sounds ? "" : "silent" }, pretty(m.name), !m.sounds && make("span", { class: "unseen" }, word("not_sounding"))))),
      ...told.foreign.length > 0 ? [make("ul", { class: "foreign", "aria-label": word("notes_foreign") }, ...told.foreign.slice(0, 8).map((/** @type {any} */ f) => make("li", {}, make("strong", {}, pretty(f.name)), `${word("colon")}${f.what}`)))] : [],
      ...told.told.map((/** @type {any} */ t) => make("p", { class: "told" }, setText(t.text, t.numerals))),
    );
    this.dispatchEvent(new CustomEvent("explained", { detail: told }));
  }

  /** @param {Record<string, unknown>} wish */
  #wish(wish) {
    this.dispatchEvent(new CustomEvent("wish", { detail: wish, bubbles: true }));
  }

  /**
   * Show as notes what a field says, before it is kept.
   *
   * @param {"label"|"key"} what
   * @param {HTMLInputElement} field
   */
  async #spell(what, field) {
    const text = field.value.trim();
    const place = this.#meant[what];
    const help = this.querySelector("#chord-field-help");
    if (help) help.textContent = word(`help_${this.#entry.value}`);
    const row = this.#reading?.row;
    if (!text || !row) return place.replaceChildren();
    const asked = (this.#shown[what] = `${row.start} ${this.#entry.value} ${text}`);
    /** @type {(Node|string)[]} */
    let said;
    try {
      const meant = await this.#reading?.spelled({ start: row.start, what, text, entry: this.#entry.value });
      said = what === "key" ? [`${meant.keyName}${word("colon")}${meant.notes.map(pretty).join(" ")}`] : chordsMeant(meant);
    } catch (error) {
      said = [error instanceof Error ? error.message : String(error)];
    }
    if (this.#shown[what] === asked) place.replaceChildren(...said);
  }

  /**
   * @param {Event} event
   * @param {Record<string, unknown>} wish
   * @param {HTMLInputElement} field
   */
  async #submitted(event, wish, field) {
    event.preventDefault();
    const text = field.value.trim();
    if (!text) return;
    clearTimeout(this.#waiting);
    await this.#spell(wish.what === "key" ? "key" : "label", field);
    this.#wish({ ...wish, text, entry: this.#entry.value });
    field.select();
  }
}

/** @returns {string|null} what was chosen in this browser */
function keptEntry() {
  try {
    const kept = localStorage.getItem(ENTRY);
    return kept !== null && ENTRIES.includes(kept) ? kept : null;
  } catch {
    return null;
  }
}

/** @param {string} entry */
function keepEntry(entry) {
  try {
    localStorage.setItem(ENTRY, entry);
  } catch {
    // A browser that keeps nothing asks again next time.
  }
}

/** @param {any} meant @returns {(Node|string)[]} */
function chordsMeant(meant) {
  const several = meant.chords.length > 1;
  return meant.chords.flatMap((/** @type {any} */ chord, /** @type {number} */ i) => [
    i === 0 ? `${word(KINDS[/** @type {keyof typeof KINDS} */ (meant.kind)])}${word("colon")}` : word("then"),
    setText("⟨x⟩", { "⟨x⟩": chord.parts }),
    `${word("in_key", { key: chord.keyName })}, ${chord.notes.map(pretty).join(" ")}`,
    several ? ` (${chord.place})` : "",
  ]);
}

/** @param {import("./reading.js").Row} row */
function meter(row) {
  const bar = make("span", { class: "meter", "aria-hidden": "true" }, make("span", {}));
  const inner = /** @type {HTMLElement} */ (bar.firstChild);
  inner.style.width = `${row.fixed ? 100 : Math.round(100 * row.confidence)}%`;
  return bar;
}

/** @param {string} name  a note's, in letters or syllables; in words it stays as it is */
function pretty(name) {
  return name.replace(/^([A-G]|Do|R[eé]|Mi|Fa|Sol|La|Si)([b#]+)(?![a-z])/, (_, letter, bend) => letter + bend.replace(/b/g, "♭").replace(/#/g, "♯"));
}

/** @param {string} a @param {string} b @param {string} c @returns {boolean} whether b lies strictly between */
function inOrder(a, b, c) {
  const [x, y, z] = [a, b, c].map((m) => m.split("/").map(Number)).map(([p, q = 1]) => p / q);
  return x < y && y < z;
}

customElements.define("desk-chord", DeskChord);
