/**
 * `<desk-conventions>`: how harmony is written: for this lesson, or for all lessons that choose nothing else.
 *
 * In: nothing; it asks the desk. Out: the event `trouble` (detail a sentence).
 */

import { make } from "/viewer/elements.js";
import { AskingPanel } from "./asking.js";
import { post } from "./link.js";
import { word } from "./words.js";

/** @typedef {Record<string, string>} Chosen */
/** @typedef {{choices: Record<string, string[]>, here: Chosen, for_all: Chosen, own: string[]}} State */

/** @extends {AskingPanel<State>} */
export class DeskConventions extends AskingPanel {
  /** Whether what is chosen goes for all lessons. */
  #forAll = false;

  constructor() {
    super("/api/conventions");
  }

  /** @param {Record<string, unknown>} what */
  #choose(what) {
    return this.display(post("/api/conventions/change", { for_all: this.#forAll, ...what }));
  }

  /** @override @param {State} now */
  drawn(now) {
    const shown = this.#forAll ? now.for_all : now.here;
    const where = (/** @type {boolean} */ all) => {
      const box = make("input", { type: "radio", name: "conventions-for", id: all ? "conventions-all" : "conventions-here", checked: this.#forAll === all, onchange: () => ((this.#forAll = all), void this.display(Promise.resolve(now))) });
      return make("label", { for: box.id }, box, word(all ? "conventions_all" : "conventions_here"));
    };
    const rows = Object.entries(now.choices).flatMap(([name, values]) => {
      const select = make("select", { id: `convention-${name}`, onchange: () => this.#choose({ values: { [name]: select.value } }) }, ...values.map((value) => make("option", { value, selected: value === shown[name] }, word(`convention_${name}_${value.replace(/[ -]/g, "_")}`))));
      return [make("label", { for: select.id }, word(`convention_${name}`)), select];
    });
    return make(
      "div",
      {},
      make("p", { class: "hint" }, word("conventions_hint")),
      make("fieldset", { class: "where-for" }, make("legend", {}, word("conventions_for")), where(false), where(true)),
      make("div", { class: "written" }, ...rows),
      make("p", { role: "status" }, this.#forAll ? "" : now.own.length > 0 ? word("conventions_own") : word("conventions_as_all")),
      !this.#forAll && now.own.length > 0 && make("p", {}, make("button", { type: "button", id: "conventions-afresh", onclick: () => this.#choose({ values: {}, afresh: true }) }, word("conventions_afresh"))),
    );
  }
}

customElements.define("desk-conventions", DeskConventions);
