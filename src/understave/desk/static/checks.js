/**
 * `<desk-checks>`: the chords worth checking first, least certain first, to be walked through by keyboard alone;
 * and what happens in the piece. In: `reading`. Choosing an entry chooses its chord.
 */

import { make, setText } from "/viewer/elements.js";
import { word } from "./words.js";

export class DeskChecks extends HTMLElement {
  /** @type {import("./reading.js").Reading|null} */
  #reading = null;
  #place = 0;

  set reading(reading) {
    this.#reading = reading;
    reading?.addEventListener("changed", () => this.show());
    reading?.addEventListener("chosen", () => this.#mark());
    this.addEventListener("keydown", (event) => this.#keyed(event));
    this.show();
  }

  get reading() {
    return this.#reading;
  }

  /** @param {1|-1} way */
  step(way) {
    const list = this.#reading?.doubtful ?? [];
    if (list.length === 0) return;
    const at = list.findIndex(({ index }) => index === this.#reading?.chosen);
    // A chord that has just been settled is no longer in the list: the next one stands in its place.
    this.#place = at < 0 ? Math.min(this.#place, list.length - 1) : Math.max(0, Math.min(list.length - 1, at + way));
    this.#reading?.choose(list[this.#place].index);
  }

  show() {
    const list = this.#reading?.doubtful ?? [];
    const had = this.contains(document.activeElement);
    const entries = list.map(({ row, index }, i) =>
      make(
        "li",
        {},
        make(
          "button",
          { type: "button", "data-index": index, tabindex: i === Math.min(this.#place, list.length - 1) ? 0 : -1, onclick: () => this.#take(i) },
          make("span", { class: "where" }, word("bar_beat", { bar: row.number, beat: row.beat })),
          make("span", { class: "name" }, setText("⟨x⟩", { "⟨x⟩": row.parts }), row.keyName && make("span", { class: "in" }, word("in_key", { key: row.keyName }))),
          make("span", { class: "share" }, `${Math.round(100 * row.confidence)} %`),
          ...(row.twin ? [make("span", { class: "hint" }, row.twin)] : []),
        ),
      ),
    );
    this.replaceChildren(
      make("p", { class: "hint" }, list.length > 0 ? word("checks_hint") : word("checks_none")),
      make("ol", { class: "doubtful", "aria-label": word("checks") }, ...entries),
    );
    this.#mark();
    if (had) this.#button(this.#place)?.focus();
  }

  #mark() {
    for (const one of this.querySelectorAll("button[data-index]")) {
      const is = Number(one.getAttribute("data-index")) === this.#reading?.chosen;
      if (is) one.setAttribute("aria-current", "true");
      else one.removeAttribute("aria-current");
    }
  }

  /** @param {number} i */
  #take(i) {
    this.#place = i;
    const list = this.#reading?.doubtful ?? [];
    if (list[i]) this.#reading?.choose(list[i].index);
    this.dispatchEvent(new CustomEvent("looked", { bubbles: true }));
  }

  /** @param {number} i @returns {HTMLButtonElement|null} */
  #button(i) {
    return this.querySelectorAll("button")[i] ?? null;
  }

  /** @param {KeyboardEvent} event */
  #keyed(event) {
    const count = this.querySelectorAll("button[data-index]").length;
    /** @type {Record<string, number>} */
    const goals = { ArrowDown: this.#place + 1, ArrowUp: this.#place - 1, Home: 0, End: count - 1 };
    const goal = goals[event.key];
    if (goal === undefined || count === 0) return;
    event.preventDefault();
    event.stopPropagation();
    this.#button(this.#place)?.setAttribute("tabindex", "-1");
    this.#place = Math.max(0, Math.min(count - 1, goal));
    const button = this.#button(this.#place);
    button?.setAttribute("tabindex", "0");
    button?.focus();
    const list = this.#reading?.doubtful ?? [];
    this.#reading?.choose(list[this.#place].index);
  }
}

customElements.define("desk-checks", DeskChecks);
