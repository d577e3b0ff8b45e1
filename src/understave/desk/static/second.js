/**
 * `<desk-second>`: another reading beside the first: an analysis as text or an earlier state, and where they differ.
 *
 * In: `reading`. Out: the event `trouble` (detail a sentence).
 */

import { make } from "/viewer/elements.js";
import { troubled } from "./asking.js";
import { post } from "./link.js";
import { word } from "./words.js";

export class DeskSecond extends HTMLElement {
  /** @type {import("./reading.js").Reading|null} */
  #reading = null;

  set reading(reading) {
    this.#reading = reading;
    reading?.addEventListener("changed", () => this.show());
    this.show();
  }

  get reading() {
    return this.#reading;
  }

  show() {
    const reading = this.#reading;
    if (!reading) return;
    const file = make("input", { type: "file", id: "second-file", accept: ".txt,.rntxt,text/plain", onchange: () => this.#read(file) });
    const back = make("input", { type: "number", id: "second-back", min: 1, max: Math.max(1, reading.undo), value: Math.min(1, reading.undo) || 1 });
    const second = reading.second;
    this.replaceChildren(
      make(
        "div",
        {},
      make("p", { class: "hint" }, word("second_hint")),
      make("div", { class: "say" }, make("label", { for: "second-file" }, word("second_file")), file),
      make(
        "form",
        { class: "say", onsubmit: (/** @type {Event} */ e) => (e.preventDefault(), this.#ask({ name: word("steps_ago", { n: Number(back.value) }), back: Number(back.value) })) },
        make("label", { for: "second-back" }, word("second_back")),
        make("div", { class: "line" }, back, make("button", { type: "submit", disabled: reading.undo === 0 }, word("compare"))),
      ),
      second && make("h3", {}, second.name),
      second &&
        make("p", {}, second.differences.length === 0 ? word("same_throughout") : word("differ", { differing: second.differences.length, n: second.chords })),
      second &&
        make(
          "ol",
          { class: "differences", "aria-label": word("differences") },
          ...second.differences.map((/** @type {any} */ d) =>
            make("li", {}, make("button", { type: "button", onclick: () => d.start && reading.choose(reading.at(d.start)) }, make("span", { class: "where" }, d.place), make("span", {}, word("here", { label: d.ours })), make("span", { class: "theirs" }, word("there", { label: d.theirs })))),
          ),
        ),
      second && make("button", { type: "button", onclick: () => this.#ask({}) }, word("take_away")),
      ),
    );
  }

  /** @param {HTMLInputElement} input */
  async #read(input) {
    const file = input.files?.[0];
    if (file) await this.#ask({ name: file.name, text: await file.text() });
  }

  /** @param {Record<string, unknown>} wish */
  async #ask(wish) {
    try {
      const message = await post("/api/compare", wish);
      this.#reading?.hear(message);
    } catch (error) {
      troubled(this, error);
    }
  }
}

customElements.define("desk-second", DeskSecond);
