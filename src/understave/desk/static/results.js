/**
 * `<desk-results>`: what a class answered on the lesson page: who found what, and what was hard.
 *
 * In: files that students saved, dropped on the desk or chosen here. Out: the event `trouble` (detail a sentence).
 * The files stay in this window: nothing of them is kept when it closes or another lesson is opened.
 */

import { make } from "/viewer/elements.js";
import { troubled } from "./asking.js";
import { post } from "./link.js";
import { word } from "./words.js";

/** @typedef {{at_once: number, later: number, not_found: number}} Counted */
/**
 * @typedef {{questions: (Counted & {id: string, prompt: string, device: string})[], devices: (Counted & {device: string})[],
 *   signs: {name: string, signs: string[]}[], notes: string[], picture: string}} Results
 */

export class DeskResults extends HTMLElement {
  /** @type {Map<string, string>} the texts of the files, by name */
  #files = new Map();
  #address = "";

  connectedCallback() {
    if (this.childElementCount === 0) this.#draw(null);
  }

  /** Another lesson lies on the desk: the answers before it are none to this one. */
  begin() {
    this.#files.clear();
    this.#draw(null);
  }

  /** @param {Iterable<File>} files */
  async take(files) {
    for (const file of files) {
      const text = await file.text();
      let name = file.name;
      // Two students without a name save files of one name: neither is dropped.
      for (let n = 2; (this.#files.get(name) ?? text) !== text; n++) name = file.name.replace(/(\.json)?$/i, ` (${n})$1`);
      this.#files.set(name, text);
    }
    await this.#count();
  }

  async #count() {
    const files = [...this.#files].map(([name, text]) => ({ name, text }));
    try {
      this.#draw(files.length > 0 ? await post("/api/results", { files }) : null);
    } catch (error) {
      this.#files.clear();
      this.#draw(null);
      troubled(this, error);
    }
  }

  /** @param {Results|null} found */
  #draw(found) {
    if (this.#address) URL.revokeObjectURL(this.#address);
    this.#address = found ? URL.createObjectURL(new Blob([found.picture], { type: "image/svg+xml" })) : "";
    const chosen = make("input", { type: "file", id: "results-files", multiple: true, accept: ".json,application/json", onchange: () => chosen.files && this.take([...chosen.files]) });
    this.replaceChildren(
      make(
        "div",
        {},
        make("p", { class: "hint" }, word("results_hint")),
        make("div", { class: "say" }, make("label", { for: "results-files" }, word("results_choose")), chosen),
        make("p", { role: "status" }, found ? word("results_students", { n: found.signs.length }) : ""),
        ...(found ? this.#tables(found) : []),
      ),
    );
  }

  /** @param {Results} found @returns {(HTMLElement|false)[]} */
  #tables(found) {
    const counts = (/** @type {Counted} */ c) => [c.at_once, c.later, c.not_found].map((n) => make("td", {}, String(n)));
    const heads = [word("results_at_once"), word("results_later"), word("results_missed")].map((t) => make("th", { scope: "col" }, t));
    const table = (/** @type {string} */ name, /** @type {HTMLElement} */ head, /** @type {HTMLElement[]} */ rows) =>
      make("div", { class: "wide", tabindex: 0, role: "group", "aria-label": name }, make("table", {}, make("caption", {}, name), make("thead", {}, head), make("tbody", {}, ...rows)));
    const some = found.signs.length > 0;
    return [
      found.notes.length > 0 && make("ul", { class: "notes-left", "aria-label": word("results_notes") }, ...found.notes.map((n) => make("li", {}, n))),
      some &&
        table(
          word("results_hard"),
          make("tr", {}, make("th", { scope: "col" }, word("results_about")), ...heads.map((h) => h.cloneNode(true))),
          found.devices.map((d) => make("tr", {}, make("th", { scope: "row" }, d.device), ...counts(d))),
        ),
      some &&
        table(
          word("results_who"),
          make("tr", {}, make("th", { scope: "col" }, word("results_student")), ...found.questions.map((_, k) => make("th", { scope: "col" }, String(k + 1)))),
          found.signs.map((s) => make("tr", {}, make("th", { scope: "row" }, s.name), ...s.signs.map((sign) => make("td", { class: "sign" }, sign)))),
        ),
      some && make("p", { class: "hint" }, word("results_legend")),
      some &&
        table(
          word("results_questions"),
          make("tr", {}, make("th", { scope: "col" }, "№"), make("th", { scope: "col" }, word("results_question")), ...heads),
          found.questions.map((q, k) => make("tr", {}, make("td", {}, String(k + 1)), make("th", { scope: "row" }, q.prompt.replace(/[⟨⟩]/g, "")), ...counts(q))),
        ),
      some && make("figure", { class: "seen", tabindex: 0, "aria-label": word("results_pictured") }, make("img", { src: this.#address, alt: word("results_pictured") })),
      some && make("p", {}, make("a", { href: this.#address, download: "results.svg" }, word("results_save"))),
      make("p", {}, make("button", { type: "button", id: "results-clear", onclick: () => this.begin() }, word("results_clear"))),
    ];
  }
}

customElements.define("desk-results", DeskResults);
