/**
 * `<desk-keys>`: the keys of the whole piece on one screen, to confirm, rename or join before any chord is looked at.
 *
 * In: `reading`. Out: the events `wish` (detail a wish for `Reading.edit`) and `trouble` (detail a sentence).
 */

import { make } from "/viewer/elements.js";
import { redraw, troubled } from "./asking.js";
import { get } from "./link.js";
import { word } from "./words.js";

/**
 * @typedef {{start: string, number: string, beat: string, last: string, key: string, keyName: string, sure: number,
 *   within: string[], settled: boolean}} Stretch
 */

export class DeskKeys extends HTMLElement {
  /** @type {import("./reading.js").Reading|null} */
  #reading = null;
  #awake = false;
  /** Beginnings of the stretches that are not to be confirmed. */
  #left = new Set();

  set reading(/** @type {import("./reading.js").Reading|null} */ reading) {
    this.#reading = reading;
    reading?.addEventListener("changed", () => void this.show());
    void this.show();
  }

  get reading() {
    return this.#reading;
  }

  /** Ask for the keys, from the first time they are looked at. */
  async wake() {
    this.#awake = true;
    await this.show();
  }

  async show() {
    if (!this.#awake || !this.#reading || this.closest("[hidden]")) return;
    const version = this.#reading.version;
    try {
      const found = await get("/api/keys");
      if (version === this.#reading.version) this.#draw(found);
    } catch (error) {
      troubled(this, error);
    }
  }

  /** @param {Stretch[]} stretches */
  #draw(stretches) {
    const open = stretches.filter((s) => !s.settled);
    const confirm = make("button", { type: "button", id: "keys-confirm", onclick: () => this.#wish({ what: "confirm keys", start: open[0]?.start, starts: chosen().map((s) => s.start) }) });
    const chosen = () => open.filter((s) => !this.#left.has(s.start));
    const count = () => {
      confirm.textContent = word("keys_confirm", { n: chosen().length });
      confirm.disabled = chosen().length === 0;
    };
    count();
    redraw(this, () => this.replaceChildren(
      make(
        "div",
        {},
        make("p", { class: "hint" }, word("keys_hint")),
        make("ol", { class: "keyplan", "aria-label": word("tab_keys") }, ...stretches.map((s, i) => this.#row(s, i, i + 1 < stretches.length, count))),
        open.length > 0 ? confirm : make("p", { role: "status" }, word("keys_settled")),
      ),
    ));
  }

  /** @param {Stretch} s @param {number} i @param {boolean} follows @param {() => void} count */
  #row(s, i, follows, count) {
    const box = make("input", { type: "checkbox", id: `keys-${i}`, checked: !this.#left.has(s.start), disabled: s.settled, onchange: () => (box.checked ? this.#left.delete(s.start) : this.#left.add(s.start), count()) });
    const name = make("input", { type: "text", id: `keys-name-${i}`, "aria-label": word("keys_rename", { key: s.keyName, bar: s.number }), placeholder: s.key, autocomplete: "off", spellcheck: "false", maxlength: 20, size: 6 });
    const where = s.number === s.last ? word("bar", { n: s.number }) : word("bars_from_to", { first: s.number, last: s.last });
    return make(
      "li",
      { "data-start": s.start },
      make("label", { for: box.id }, box, make("span", {}, make("strong", {}, s.keyName), ` ${where}, ${s.settled ? word("set_by_you") : word("sure", { n: Math.round(100 * s.sure) })}`, s.within.length > 0 && make("span", { class: "hint" }, ` ${word("keys_within", { keys: s.within.join(", ") })}`))),
      make(
        "form",
        { class: "line", onsubmit: (/** @type {Event} */ e) => (e.preventDefault(), name.value.trim() && this.#wish({ what: "rename key", start: s.start, text: name.value.trim() })) },
        name,
        make("button", { type: "submit", class: "small" }, word("set")),
        follows && make("button", { type: "button", class: "small", onclick: () => this.#wish({ what: "join key", start: s.start }) }, word("keys_join")),
        make("button", { type: "button", class: "small", onclick: () => this.#reading?.choose(this.#reading.at(s.start)) }, word("show")),
      ),
    );
  }

  /** @param {Record<string, unknown>} wish */
  #wish(wish) {
    this.dispatchEvent(new CustomEvent("wish", { detail: wish, bubbles: true }));
  }
}

customElements.define("desk-keys", DeskKeys);
