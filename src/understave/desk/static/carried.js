/**
 * `<desk-carried>`: where the bars of a chord that was just set come again, to set it there too: all, some or none.
 *
 * In: `look`, with the row that is looked at. Out: the event `wish` (detail a wish for `Reading.edit`).
 */

import { make, setText } from "/viewer/elements.js";
import { file, get } from "./link.js";
import { word } from "./words.js";

/**
 * @typedef {{start: string, bar: number, last: number, number: string, beat: string, moved: boolean, keyName: string,
 *   parts: import("./reading.js").Parts, now: import("./reading.js").Parts[]}} Place
 */

export class DeskCarried extends HTMLElement {
  #asked = "";
  #told = "";
  /** @type {Set<string>} chords whose places are to stay as they are */
  #left = new Set();
  /** @type {string[]} */
  #shown = [];

  /** @param {import("./reading.js").Row|undefined} row  @param {number} version  of the reading */
  async look(row, version) {
    const asked = row?.fixed ? `${row.start} ${row.key} ${row.numeral} ${version}` : "";
    if (asked === this.#asked) return;
    this.#asked = asked;
    const name = row ? `${row.start} ${row.key} ${row.numeral}` : "";
    this.ariaBusy = "true";
    const places = asked && !this.#left.has(name) ? await get(`/api/carried?start=${encodeURIComponent(/** @type {any} */ (row).start)}`).catch(() => []) : [];
    if (this.#asked !== asked) return;
    this.ariaBusy = null;
    // One edit brings several versions; the same places keep what is ticked among them.
    const told = JSON.stringify([name, places]);
    if (told === this.#told) return;
    this.#told = told;
    this.#draw(row, places, name);
  }

  /** @param {import("./reading.js").Row|undefined} row @param {Place[]} places @param {string} name */
  #draw(row, places, name) {
    for (const address of this.#shown.splice(0)) URL.revokeObjectURL(address);
    if (!row || places.length === 0) return this.#clear();
    const boxes = places.map((p) => make("input", { type: "checkbox", value: p.start, checked: true, onchange: () => count() }));
    const take = make("button", { type: "button", id: "carry-take", onclick: () => this.#wish({ what: "carry", start: row.start, to: boxes.filter((b) => b.checked).map((b) => b.value) }) });
    const count = () => {
      const n = boxes.filter((b) => b.checked).length;
      take.textContent = word("carry_take", { n });
      take.disabled = n === 0;
    };
    const all = (/** @type {boolean} */ on) => {
      for (const box of boxes) box.checked = on;
      count();
    };
    const pictures = places.map((p) => make("img", { alt: word("carry_pictured", { bar: p.number }), hidden: true }));
    count();
    this.replaceChildren(
      make(
        "section",
        { class: "carry", "aria-label": word("carry_again") },
        make("h4", {}, word("carry_again")),
        make(
          "ol",
          { class: "carry-places" },
          ...places.map((p, i) =>
            make(
              "li",
              {},
              make(
                "label",
                {},
                boxes[i],
                make(
                  "span",
                  {},
                  `${word("bar_beat", { bar: p.number, beat: p.beat })}${word("colon")}`,
                  setText("⟨x⟩", { "⟨x⟩": p.parts }),
                  ` ${word(p.moved ? "carry_moved" : "carry_same", { key: p.keyName })} `,
                  make("span", { class: "in" }, word("carry_now"), " ", ...p.now.flatMap((n, k) => [k > 0 ? " " : "", setText("⟨x⟩", { "⟨x⟩": n })])),
                ),
              ),
              make("div", { class: "seen" }, pictures[i]),
            ),
          ),
        ),
        make(
          "div",
          { class: "hear" },
          take,
          make("button", { type: "button", id: "carry-all", onclick: () => all(true) }, word("carry_all")),
          make("button", { type: "button", id: "carry-none", onclick: () => all(false) }, word("carry_none")),
          make("button", { type: "button", id: "carry-leave", onclick: () => (this.#left.add(name), this.#clear()) }, word("carry_leave")),
        ),
        make("p", { class: "hint" }, word("carry_undo")),
      ),
    );
    this.scrollIntoView({ block: "nearest" });
    void this.#engrave(places, pictures, this.#told);
  }

  /** Offer nothing; what was pressed has gone, and keys go on from the panel. */
  #clear() {
    const held = this.contains(document.activeElement);
    this.replaceChildren();
    const panel = this.closest("[role=tabpanel]");
    if (held && panel instanceof HTMLElement) panel.focus({ preventScroll: true });
  }

  /** @param {Place[]} places @param {HTMLImageElement[]} pictures @param {string} told */
  async #engrave(places, pictures, told) {
    for (const [i, place] of places.entries()) {
      const query = new URLSearchParams({ bar: String(place.bar), last: String(place.last) });
      const picture = await file(`/api/carried/picture?${query}`).catch(() => null);
      if (this.#told !== told) return;
      if (!picture) continue;
      const address = URL.createObjectURL(picture);
      this.#shown.push(address);
      pictures[i].src = address;
      pictures[i].hidden = false;
    }
  }

  /** @param {Record<string, unknown>} wish */
  #wish(wish) {
    this.dispatchEvent(new CustomEvent("wish", { detail: wish, bubbles: true }));
  }
}

customElements.define("desk-carried", DeskCarried);
