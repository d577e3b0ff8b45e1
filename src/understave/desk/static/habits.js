/**
 * `<desk-habits>`: what was learnt of how the teacher labels, in words; switched off and on, saved, taken from a file.
 *
 * In: nothing; it asks the desk. Out: the event `trouble` (detail a sentence).
 */

import { make } from "/viewer/elements.js";
import { AskingPanel } from "./asking.js";
import { file, post } from "./link.js";
import { word } from "./words.js";

/**
 * @typedef {{learnt: {habit: string, more: boolean, gain: number|null}[], pieces: number, corrected: number,
 *   needed: number, on: boolean, learning: boolean, here: boolean|null, by_hand: boolean}} Habits
 */

/** @extends {AskingPanel<Habits>} */
export class DeskHabits extends AskingPanel {
  constructor() {
    super("/api/habits");
  }

  /** @override @param {Habits} now */
  drawn(now) {
    const on = make("input", { type: "checkbox", id: "habits-on", checked: now.on, onchange: () => this.display(post("/api/habits/change", { on: on.checked })) });
    const taken = make("input", { type: "file", id: "habits-file", accept: ".json,application/json", onchange: () => this.#take(taken) });
    return make(
      "div",
      {},
      make("p", { class: "hint" }, word("habits_hint", { n: now.needed })),
      make("p", { role: "status" }, this.#state(now)),
      now.learnt.length > 0 &&
        make(
          "ul",
          { class: "learnt", "aria-label": word("tab_habits") },
          ...now.learnt.map(({ habit, more, gain }) =>
            make("li", {}, word(`habit_${habit}_${more ? "more" : "less"}`), gain !== null && make("span", { class: "hint" }, ` ${word("habits_gain", { gain: gain.toFixed(1) })}`)),
          ),
        ),
      make("p", {}, make("label", { for: "habits-on" }, on, word("habits_on"))),
      this.#here(now),
      make("div", { class: "line" }, make("button", { type: "button", id: "habits-save", disabled: now.learnt.length === 0, onclick: () => this.#save() }, word("habits_save"))),
      make("div", { class: "say" }, make("label", { for: "habits-file" }, word("habits_take")), taken),
    );
  }

  /** @param {Habits} now */
  #state(now) {
    if (now.learning) return word("habits_learning");
    if (now.learnt.length > 0) return word("habits_from", { n: now.pieces });
    return now.pieces > 0 ? word("habits_none", { n: now.pieces }) : word("habits_counted", { n: now.corrected });
  }

  /** @param {Habits} now */
  #here(now) {
    if (now.by_hand) return make("p", {}, word("habits_by_hand"));
    if (now.learnt.length === 0 || now.here === null || !now.on) return false;
    if (now.here) return make("p", {}, word("habits_here"));
    return make("p", {}, make("button", { type: "button", id: "habits-here", onclick: () => this.display(post("/api/habits/change", { here: true })) }, word("habits_read_now")));
  }

  async #save() {
    try {
      const address = URL.createObjectURL(await file("/api/habits/file"));
      make("a", { href: address, download: "habits.json" }).click();
      setTimeout(() => URL.revokeObjectURL(address), 10_000);
    } catch (error) {
      await this.display(Promise.reject(error));
    }
  }

  /** @param {HTMLInputElement} input */
  async #take(input) {
    const chosen = input.files?.[0];
    if (chosen) await this.display(post("/api/habits/change", { take: await chosen.text(), name: chosen.name }));
  }
}

customElements.define("desk-habits", DeskHabits);
