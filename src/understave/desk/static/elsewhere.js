/**
 * `<desk-elsewhere>`: where else something happens, in the scores that were indexed.
 *
 * In: `reading`, whose chosen chord and the next can be taken as a progression. Out: the event `trouble` (a sentence).
 * Places are engraved one after the other once they are found, and played when asked.
 */

import { make } from "/viewer/elements.js";
import { troubled } from "./asking.js";
import { file, get, post } from "./link.js";
import { word } from "./words.js";

/**
 * @typedef {{piece: string, path: string, title: string, composer: string, difficulty: number, what: string, key: string,
 *   bar: number, last_bar: number, bar_number: string, last_bar_number: string, confidence: number}} Place
 */

/** @param {string} id @param {string} words @param {HTMLElement} field */
const row = (id, words, field) => [make("label", { for: id }, words), field];

/** @param {string} id @param {Record<string, unknown>} [more] */
const text = (id, more = {}) => make("input", { type: "text", id, autocomplete: "off", spellcheck: "false", maxlength: 200, ...more });

export class DeskElsewhere extends HTMLElement {
  /** @type {import("./reading.js").Reading|null} */
  reading = null;
  #awake = false;
  /** Which question the pictures that still come belong to. */
  #asked = 0;
  /** @type {string[]} addresses of pictures and sounds that are shown now */
  #shown = [];
  #said = make("p", { class: "hint", role: "status" });
  #places = make("ol", { class: "places", "aria-label": word("places") });

  #bar = make("progress", { max: 1, value: 0, "aria-label": word("indexing") });
  #read = make("p", { class: "hint", role: "status" });
  /** Where the folder is typed, or how far reading it is. */
  #index = make("div", {});
  #folder = "";

  /** Look what can be asked for, once. */
  async wake() {
    if (this.#awake) return;
    this.#awake = true;
    try {
      const there = await get("/api/elsewhere");
      this.#folder = there.folder;
      this.#drawIndex(there.indexing !== null);
      if (there.indexing) this.indexed({ far: there.indexing });
      if (there.pieces === 0) {
        this.#awake = false;
        this.replaceChildren(make("p", {}, there.why ?? word("no_piece")), make("div", {}, this.#index, this.#read));
        return;
      }
      this.#draw(there);
    } catch (error) {
      this.#awake = false;
      troubled(this, error);
    }
  }

  /** @param {boolean} reads */
  #drawIndex(reads) {
    if (reads) {
      const stop = make("button", { type: "button", id: "index-stop", onclick: () => post("/api/elsewhere/index/stop", {}).catch((e) => troubled(this, e)) }, word("stop"));
      this.#index.replaceChildren(make("div", { class: "line" }, this.#bar, stop));
      return;
    }
    const field = text("index-folder", { value: this.#folder, maxlength: 1000 });
    const start = async () => {
      this.#bar.value = 0;
      this.#read.textContent = word("index_begins");
      this.#drawIndex(true);
      try {
        await post("/api/elsewhere/index", { folder: field.value });
        this.#folder = field.value;
      } catch (error) {
        this.#read.textContent = "";
        this.#drawIndex(false);
        troubled(this, error);
      }
    };
    this.#index.replaceChildren(
      make(
        "form",
        { class: "say", onsubmit: (/** @type {Event} */ e) => (e.preventDefault(), void start()) },
        make("label", { for: "index-folder" }, word("index_folder")),
        make("div", { class: "line" }, field, make("button", { type: "submit", id: "index-start" }, word("index_start"))),
        make("p", { class: "hint" }, word("index_hint")),
      ),
    );
  }

  /**
   * How far a folder is indexed, or how it ended.
   *
   * @param {{far?: any, done?: {n: number, failed: number}, stopped?: boolean, error?: string}} message
   */
  indexed({ far, done, stopped, error }) {
    if (far) {
      if (far.total === undefined) return;
      if (!this.#index.querySelector("progress")) this.#drawIndex(true);
      this.#bar.value = far.done / Math.max(1, far.total);
      this.#read.textContent = word("index_far", { done: far.done, total: far.total, minutes: Math.max(1, Math.round(far.seconds_left / 60)) });
      return;
    }
    this.#drawIndex(false);
    if (error) troubled(this, error);
    this.#read.textContent = stopped ? word("index_stopped") : done ? [word("index_done", { n: done.n - done.failed }), done.failed > 0 && word("index_failed", { n: done.failed })].filter(Boolean).join(" ") : "";
    if (done) {
      this.#awake = false;
      if (this.offsetParent !== null) void this.wake();
    }
  }

  /** @param {{pieces: number, devices: string[], textures: string[], texture_names: Record<string, string>, periods: string[], sides: string[]}} there */
  #draw(there) {
    const choose = (/** @type {string} */ id, /** @type {string[]} */ names, /** @type {Record<string, string>} */ called = {}) =>
      make("select", { id }, make("option", { value: "" }, word("any")), ...names.map((n) => make("option", { value: n }, called[n] ?? n)));
    const number = (/** @type {string} */ id, /** @type {string} */ label, /** @type {number} */ max) =>
      make("input", { type: "number", id, min: 0, max, step: "any", "aria-label": label });
    const form = make(
      "form",
      { class: "ask", onsubmit: (/** @type {Event} */ e) => (e.preventDefault(), void this.#ask()) },
      make("p", { class: "hint" }, word("in_pieces", { n: there.pieces })),
      make(
        "div",
        { class: "conditions" },
        ...row("else-device", word("device"), text("else-device", { list: "else-devices", placeholder: word("device_example") })),
        make("datalist", { id: "else-devices" }, ...there.devices.map((name) => make("option", { value: name }))),
        ...row("else-progression", word("chords"), text("else-progression", { placeholder: "ii|IV ? V I" })),
        make("span", {}),
        make(
          "div",
          { class: "line" },
          make("label", {}, make("input", { type: "checkbox", id: "else-inversions" }), word("inversions_count")),
          make("button", { type: "button", class: "small", onclick: () => this.#take() }, word("as_chosen")),
        ),
        ...row("else-bass", word("bass"), text("else-bass", { placeholder: "1 b7 b6 5" })),
        make("span", {}, word("difficulty")),
        make("div", { class: "line" }, number("else-easiest", word("difficulty_from"), 10), word("up_to"), number("else-hardest", word("difficulty_to"), 10), make("span", { class: "hint" }, word("of_ten"))),
      ),
      make(
        "details",
        { class: "more" },
        make("summary", {}, word("more_conditions")),
        make(
          "div",
          { class: "conditions" },
          ...row("else-plan", word("keys_of_piece"), text("else-plan", { placeholder: "I V * I" })),
          ...row("else-key", word("key_of_place"), text("else-key", { placeholder: word("key_example") })),
          ...row("else-texture", word("texture"), choose("else-texture", there.textures, there.texture_names)),
          ...row("else-period", word("period"), choose("else-period", there.periods)),
          make("span", {}, word("chords_a_bar")),
          make("div", { class: "line" }, number("else-slowest", word("chords_a_bar_from"), 99), word("up_to"), number("else-fastest", word("chords_a_bar_to"), 99)),
        ),
      ),
      make("button", { type: "submit" }, word("search")),
    );
    const more = make("details", { class: "more" }, make("summary", {}, word("index_another")), this.#index, this.#read);
    more.open = this.#read.textContent !== "";
    this.replaceChildren(form, this.#said, this.#places, more);
    form.addEventListener("keydown", (event) => event.key !== "Escape" && event.stopPropagation());
  }

  /** @param {string} id */
  #value(id) {
    return /** @type {HTMLInputElement} */ (this.querySelector(`#else-${id}`)).value.trim();
  }

  /** @param {string} low @param {string} high @param {number} most */
  #range(low, high, most) {
    const [from, to] = [this.#value(low), this.#value(high)];
    return from || to ? [Number(from || 0), Number(to || most)] : null;
  }

  #take() {
    const { rows = [], chosen = -1 } = this.reading ?? {};
    if (chosen < 0) {
      this.#said.textContent = word("choose_first");
      return;
    }
    const field = /** @type {HTMLInputElement} */ (this.querySelector("#else-progression"));
    field.value = rows.slice(chosen, chosen + 2).map((r) => r.numeral).join(" ");
    field.focus();
  }

  async #ask() {
    const asked = ++this.#asked;
    this.#said.textContent = word("searching");
    try {
      const answer = await post("/api/elsewhere/search", {
        device: this.#value("device"),
        progression: this.#value("progression"),
        inversions: /** @type {HTMLInputElement} */ (this.querySelector("#else-inversions")).checked,
        bass: this.#value("bass"),
        key_plan: this.#value("plan"),
        key: this.#value("key"),
        texture: this.#value("texture"),
        period: this.#value("period"),
        difficulty: this.#range("easiest", "hardest", 10),
        pace: this.#range("slowest", "fastest", 99),
      });
      if (asked !== this.#asked) return;
      this.#show(answer);
      this.#said.scrollIntoView({ block: "start" });
      for (const item of [...this.#places.children]) {
        if (asked !== this.#asked || !this.isConnected) return;
        await /** @type {any} */ (item).engrave();
      }
    } catch (error) {
      if (asked !== this.#asked) return;
      this.#said.textContent = "";
      troubled(this, error);
    }
  }

  /** @param {{count: number, pieces: number, places: Place[]}} answer */
  #show({ count, pieces, places }) {
    for (const address of this.#shown.splice(0)) URL.revokeObjectURL(address);
    this.#said.textContent =
      count === 0 ? word("nothing_found") : word("found", { count, n: pieces, shown: places.length });
    this.#places.replaceChildren(...places.map((place) => this.#item(place)));
  }

  /** @param {Place} place */
  #item(place) {
    const whole = place.bar_number === "";
    const bars = whole ? word("whole_piece") : place.bar_number === place.last_bar_number ? word("bar", { n: place.bar_number }) : word("bars_from_to", { first: place.bar_number, last: place.last_bar_number });
    const query = new URLSearchParams({ piece: place.piece, bar: String(place.bar), last: String(place.last_bar) });
    const seen = make("div", { class: "seen", "aria-busy": "true" });
    const heard = make("div", { class: "heard" });
    const hear = make("button", { type: "button", class: "small", "aria-label": word("hear_place", { bars, title: place.title }), onclick: () => void play() }, word("hear"));
    const play = async () => {
      hear.disabled = true;
      hear.textContent = word("sound_made");
      try {
        const audio = make("audio", { controls: true, src: await this.#bring(`/api/elsewhere/sound?${query}`), "aria-label": word("bars_of", { bars, title: place.title }) });
        audio.addEventListener("keydown", (event) => event.stopPropagation());
        // One place at a time.
        audio.addEventListener("play", () => {
          for (const other of this.querySelectorAll("audio")) if (other !== audio) other.pause();
        });
        heard.replaceChildren(audio);
        audio.focus();
        await audio.play().catch(() => {});
      } catch (error) {
        hear.disabled = false;
        hear.textContent = word("hear");
        troubled(this, error);
      }
    };
    heard.append(hear);
    const item = make(
      "li",
      {},
      make("div", {}, make("strong", {}, place.what), word("found_in", { key: place.key, bars })),
      make("div", { class: "where" }, place.composer ? `${place.title}, ${place.composer}` : place.title),
      make("div", { class: "where" }, `${word("difficulty_is", { n: place.difficulty })}${whole ? "" : `, ${word("sure", { n: Math.round(100 * place.confidence) })}`}, ${place.path}`),
      seen,
      heard,
    );
    const engrave = async () => {
      try {
        seen.replaceChildren(make("img", { src: await this.#bring(`/api/elsewhere/picture?${query}`), alt: word("bars_engraved", { bars, title: place.title }) }));
      } catch (error) {
        seen.replaceChildren(make("p", { class: "hint" }, error instanceof Error ? error.message : String(error)));
      }
      seen.removeAttribute("aria-busy");
    };
    return Object.assign(item, { engrave });
  }

  /** @param {string} path @returns {Promise<string>} an address of what the desk made */
  async #bring(path) {
    const address = URL.createObjectURL(await file(path));
    this.#shown.push(address);
    return address;
  }
}

customElements.define("desk-elsewhere", DeskElsewhere);
