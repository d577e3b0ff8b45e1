/**
 * `<desk-conventions>`: how harmony is written: for this lesson, or for all lessons that choose nothing else.
 *
 * In: nothing; it asks the desk. Out: the event `trouble` (detail a sentence).
 */

import { make } from "/viewer/elements.js";
import { get, post } from "./link.js";
import { word } from "./words.js";

/** @typedef {Record<string, string>} Chosen */
/** @typedef {{choices: Record<string, string[]>, here: Chosen, for_all: Chosen, own: string[]}} State */

export class DeskConventions extends HTMLElement {
  #awake = false;
  /** Whether what is chosen goes for all lessons. */
  #forAll = false;

  /** Ask what is chosen, from the first time it is looked at. */
  async wake() {
    this.#awake = true;
    await this.renew();
  }

  /** Another lesson, or another choice. */
  async renew() {
    if (this.#awake) await this.#after(get("/api/conventions"));
  }

  /** @param {Promise<State>} answer */
  async #after(answer) {
    try {
      this.#show(await answer);
    } catch (error) {
      this.dispatchEvent(new CustomEvent("trouble", { detail: error instanceof Error ? error.message : String(error), bubbles: true }));
    }
  }

  /** @param {Record<string, unknown>} what */
  #choose(what) {
    return this.#after(post("/api/conventions/change", { for_all: this.#forAll, ...what }));
  }

  /** @param {State} now */
  #show(now) {
    const held = document.activeElement instanceof HTMLElement && this.contains(document.activeElement) ? document.activeElement.id : "";
    const shown = this.#forAll ? now.for_all : now.here;
    const where = (/** @type {boolean} */ all) => {
      const box = make("input", { type: "radio", name: "conventions-for", id: all ? "conventions-all" : "conventions-here", checked: this.#forAll === all, onchange: () => ((this.#forAll = all), this.#show(now)) });
      return make("label", { for: box.id }, box, word(all ? "conventions_all" : "conventions_here"));
    };
    const rows = Object.entries(now.choices).flatMap(([name, values]) => {
      const select = make("select", { id: `convention-${name}`, onchange: () => this.#choose({ values: { [name]: select.value } }) }, ...values.map((value) => make("option", { value, selected: value === shown[name] }, word(`convention_${name}_${value.replace(/[ -]/g, "_")}`))));
      return [make("label", { for: select.id }, word(`convention_${name}`)), select];
    });
    this.replaceChildren(
      make(
        "div",
        {},
        make("p", { class: "hint" }, word("conventions_hint")),
        make("fieldset", { class: "where-for" }, make("legend", {}, word("conventions_for")), where(false), where(true)),
        make("div", { class: "written" }, ...rows),
        make("p", { role: "status" }, this.#forAll ? "" : now.own.length > 0 ? word("conventions_own") : word("conventions_as_all")),
        !this.#forAll && now.own.length > 0 && make("p", {}, make("button", { type: "button", id: "conventions-afresh", onclick: () => this.#choose({ values: {}, afresh: true }) }, word("conventions_afresh"))),
      ),
    );
    if (held) this.querySelector(/** @type {any} */ (`#${held}`))?.focus();
  }
}

customElements.define("desk-conventions", DeskConventions);
