/**
 * `<desk-second>`: another reading beside the first: a RomanText file or an earlier state, and where they differ.
 *
 * In: `reading`. Out: the event `trouble` (detail a sentence).
 */

import { make } from "/viewer/elements.js";
import { post } from "./link.js";

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
      make("p", { class: "hint" }, "Lay another reading under this one. What differs is coloured and underlined in the score."),
      make("div", { class: "say" }, make("label", { for: "second-file" }, "An analysis as a RomanText file"), file),
      make(
        "form",
        { class: "say", onsubmit: (/** @type {Event} */ e) => (e.preventDefault(), this.#ask({ name: `${back.value} steps ago`, back: Number(back.value) })) },
        make("label", { for: "second-back" }, "Or this reading as it was so many steps ago"),
        make("div", { class: "line" }, back, make("button", { type: "submit", disabled: reading.undo === 0 }, "Compare")),
      ),
      second && make("h3", {}, second.name),
      second &&
        make("p", {}, second.differences.length === 0 ? "Both say the same throughout." : `${second.differences.length} of its ${second.chords} chords differ.`),
      second &&
        make(
          "ol",
          { class: "differences", "aria-label": "Differences" },
          ...second.differences.map((/** @type {any} */ d) =>
            make("li", {}, make("button", { type: "button", onclick: () => d.start && reading.choose(reading.at(d.start)) }, make("span", { class: "where" }, d.place), make("span", {}, `here ${d.ours}`), make("span", { class: "theirs" }, `there ${d.theirs}`))),
          ),
        ),
      second && make("button", { type: "button", onclick: () => this.#ask({}) }, "Take it away"),
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
      this.dispatchEvent(new CustomEvent("trouble", { detail: error instanceof Error ? error.message : String(error), bubbles: true }));
    }
  }
}

customElements.define("desk-second", DeskSecond);
