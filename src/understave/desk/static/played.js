/**
 * `<desk-played>`: a keyboard, drawn or a MIDI keyboard (Web MIDI), that names what is held in the key of a place.
 *
 * In: `start`, the moment of the chord looked at; `names` of the twelve keys from C. Out: the event `named` (detail the
 * numeral to set there), when a name is chosen or Enter is pressed.
 */

import { make, setText } from "/viewer/elements.js";
import "/viewer/keyboard.js";
import { get } from "./link.js";
import { word } from "./words.js";

export class DeskPlayed extends HTMLElement {
  start = "";
  /** @type {{text: string, parts: import("./reading.js").Parts, symbol: string}[]} */
  #found = [];
  #asked = "";
  #keys = /** @type {import("/viewer/keyboard.js").StaveKeys} */ (document.createElement("stave-keys"));
  #names = make("ol", { class: "others", "aria-label": word("played_names") });
  #said = make("p", { class: "hint", role: "status" }, word("played_hint"));
  #box = make("details", { class: "more", id: "played" }, make("summary", {}, word("played_enter")), this.#keys, this.#said, this.#names);

  constructor() {
    super();
    this.#keys.addEventListener("changed", () => void this.name());
    this.#box.addEventListener("keydown", (event) => {
      // A name that has the focus is chosen by Enter itself; on a key of the keyboard Enter takes the first name.
      if (event.key !== "Enter" || !this.#found[0] || this.#names.contains(document.activeElement)) return;
      event.preventDefault();
      this.#take(0);
    });
  }

  connectedCallback() {
    if (this.childElementCount === 0) this.append(this.#box);
  }

  set names(/** @type {readonly string[]} */ names) {
    this.#keys.names = names;
  }

  /** Whether keys are held that have a name, so that Enter means it. */
  get ready() {
    return this.#box.open && this.#found.length > 0;
  }

  takeFirst() {
    this.#take(0);
  }

  /** Forget what was held: another chord is looked at. */
  clear() {
    if (this.#keys.keys.length > 0) this.#keys.clear();
  }

  async name() {
    const keys = this.#keys.keys;
    const asked = (this.#asked = `${this.start} ${keys}`);
    if (keys.length < 3) return this.#draw([], word("played_hint"));
    const query = new URLSearchParams({ start: this.start, keys: keys.join(",") });
    const answer = await get(`/api/played?${query}`).catch(() => null);
    if (this.#asked !== asked || !answer) return;
    this.#draw(answer.names, answer.names.length > 0 ? word("played_in", { key: answer.keyName }) : word("played_none"));
  }

  /**
   * @param {any[]} found
   * @param {string} said
   */
  #draw(found, said) {
    this.#found = found;
    this.#said.textContent = said;
    this.#names.replaceChildren(
      ...found.map((name, i) =>
        make("li", {}, make("button", { type: "button", onclick: () => this.#take(i) }, i === 0 && make("kbd", {}, "↵"), make("span", { class: "name" }, setText("⟨x⟩", { "⟨x⟩": name.parts })), make("span", { class: "share" }, name.symbol.replace(/b/g, "♭").replace(/#/g, "♯")))),
      ),
    );
  }

  /** @param {number} index */
  #take(index) {
    const name = this.#found[index];
    if (!name) return;
    this.dispatchEvent(new CustomEvent("named", { detail: name.text, bubbles: true }));
    this.#keys.clear();
  }
}

customElements.define("desk-played", DeskPlayed);
