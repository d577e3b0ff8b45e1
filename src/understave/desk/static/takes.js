/**
 * `<desk-takes>`: the teacher's own playing: recorded from a MIDI keyboard (Web MIDI) with a count-in, or chosen as a
 * file; told, its slips coloured in the score, all takes drawn over one another.
 *
 * Out: the events `trouble` (detail a sentence) and `slips` (detail the ids of notes played and slipped, or null).
 */

import { make } from "/viewer/elements.js";
import { get, post, sendTake } from "./link.js";
import { word } from "./words.js";

/** @typedef {{name: string, added: string, told: string[], wrong: string[], missed: string[], played: string[]}} Take */

/** Beats of the count-in. */
const COUNT = 4;
/** Seconds that a click of the count-in lasts, and how loud it is (0 to 1): soft, since it may come through headphones. */
const [CLICK, LOUD] = [0.03, 0.15];

export class DeskTakes extends HTMLElement {
  /** @type {"idle"|"counts"|"records"|"done"} */
  #state = "idle";
  /** @type {[number, number, number, number][]} */
  #messages = [];
  #began = 0;
  #shown = "";
  #address = "";
  /** @type {any[]} */
  #inputs = [];
  #counting = 0;
  #tempo = make("input", { type: "number", id: "takes-tempo", min: 20, max: 240, value: "72", class: "small" });
  #bars = make("input", { type: "text", id: "takes-bars", size: 8, placeholder: "9-16" });
  #said = make("p", { class: "hint", role: "status" });
  #buttons = make("div", { class: "hear", role: "group", "aria-label": word("takes_record") });
  #list = make("div", {});

  connectedCallback() {
    if (this.childElementCount > 0) return;
    const chosen = make("input", { type: "file", id: "takes-file", accept: ".mid,.midi,.wav,.flac,.mp3,.ogg,.opus,.m4a,.mp4,.mov", onchange: () => chosen.files?.[0] && void this.take(chosen.files[0]) });
    this.append(
      make("p", { class: "hint" }, word("takes_hint")),
      make("div", { class: "say" }, make("label", { for: "takes-tempo" }, word("takes_tempo")), this.#tempo),
      this.#buttons,
      make("div", { class: "say" }, make("label", { for: "takes-file" }, word("takes_choose")), chosen),
      make("div", { class: "say" }, make("label", { for: "takes-bars" }, word("takes_bars")), this.#bars),
      this.#said,
      this.#list,
    );
    this.#draw();
  }

  /** Another lesson lies on the desk, or its takes have changed. */
  async begin() {
    const found = await get("/api/takes").catch(() => null);
    if (found) this.#show(found);
  }

  /** @param {File} file */
  async take(file) {
    this.#said.textContent = word("takes_follows", { name: file.name });
    await this.#after(sendTake(file, /** @type {HTMLInputElement} */ (this.#bars).value));
  }

  #draw() {
    const button = (/** @type {string} */ name, /** @type {() => void} */ does) => make("button", { type: "button", class: `small takes-${name}`, onclick: does }, word(`takes_${name}`));
    this.#buttons.replaceChildren(
      ...{
        idle: () => [button("record", () => void this.#record())],
        counts: () => [button("stop", () => this.#stop())],
        records: () => [button("stop", () => this.#stop())],
        done: () => [
          button("keep", () => void this.#after(post("/api/takes/record", { messages: this.#messages, bars: /** @type {HTMLInputElement} */ (this.#bars).value }))),
          button("drop", () => this.#to("idle", "")),
        ],
      }[this.#state](),
    );
  }

  /** @param {"idle"|"counts"|"records"|"done"} state @param {string} said */
  #to(state, said) {
    this.#state = state;
    this.#said.textContent = said;
    this.#draw();
  }

  async #record() {
    try {
      const access = await /** @type {any} */ (navigator).requestMIDIAccess();
      this.#inputs = [...access.inputs.values()];
    } catch {
      this.#inputs = [];
    }
    if (this.#inputs.length === 0) {
      this.#to("idle", word("takes_no_keyboard"));
      return;
    }
    const beat = 60 / Math.min(240, Math.max(20, Number(/** @type {HTMLInputElement} */ (this.#tempo).value) || 72));
    const audio = new AudioContext();
    for (let k = 0; k < COUNT; k++) {
      const tone = new OscillatorNode(audio, { frequency: k === 0 ? 1320 : 990 });
      const level = new GainNode(audio, { gain: LOUD });
      tone.connect(level).connect(audio.destination);
      tone.start(audio.currentTime + 0.1 + k * beat);
      tone.stop(audio.currentTime + 0.1 + k * beat + CLICK);
    }
    this.#messages = [];
    this.#began = performance.now();
    // What is played into the count-in is an upbeat, and kept.
    for (const input of this.#inputs) input.addEventListener("midimessage", this.#hear);
    this.#to("counts", word("takes_counts"));
    this.#counting = setTimeout(
      () => {
        void audio.close();
        if (this.#state === "counts") this.#to("records", word("takes_records"));
      },
      1000 * (0.1 + COUNT * beat),
    );
  }

  #hear = (/** @type {{data: Uint8Array, timeStamp?: number}} */ { data, timeStamp }) => {
    // Notes and controllers (MIDI 1.0: 0x8n, 0x9n, 0xBn); clocks and active sensing are no playing.
    if (![0x80, 0x90, 0xb0].includes(data[0] & 0xf0)) return;
    const second = Math.max(0, ((timeStamp || performance.now()) - this.#began) / 1000);
    this.#messages.push([second, data[0], data[1], data[2]]);
  };

  #stop() {
    clearTimeout(this.#counting);
    for (const input of this.#inputs) input.removeEventListener("midimessage", this.#hear);
    const struck = this.#messages.filter(([, status, , velocity]) => (status & 0xf0) === 0x90 && velocity > 0).length;
    if (struck === 0) this.#to("idle", word("takes_nothing"));
    else this.#to("done", word("takes_done", { n: struck }));
  }

  /** @param {Promise<any>} answer */
  async #after(answer) {
    try {
      await answer;
      this.#to("idle", "");
      await this.begin();
    } catch (error) {
      // What was recorded stays until it is kept or dropped: the bars can be named and it be tried again.
      this.#said.textContent = "";
      this.dispatchEvent(new CustomEvent("trouble", { detail: error instanceof Error ? error.message : String(error), bubbles: true }));
    }
  }

  /** @param {{takes: Take[], picture: string}} found */
  #show({ takes, picture }) {
    if (this.#address) URL.revokeObjectURL(this.#address);
    this.#address = picture ? URL.createObjectURL(new Blob([picture], { type: "image/svg+xml" })) : "";
    const whole = make(
      "div",
      {},
      ...takes.map((take) => {
        const slips = make("button", { type: "button", class: "small", "aria-pressed": String(this.#shown === take.name), onclick: () => this.#colour(take, slips) }, word("takes_slips"));
        return make(
          "details",
          { class: "more take", "data-take": take.name },
          make("summary", {}, `${take.name} `, make("span", { class: "where" }, take.added)),
          make("ul", {}, ...take.told.map((line) => make("li", {}, line))),
          make("div", { class: "hear" }, take.wrong.length + take.missed.length > 0 && slips, make("button", { type: "button", class: "small", onclick: () => void this.#after(post("/api/takes/drop", { name: take.name })) }, word("takes_remove"))),
        );
      }),
      takes.length === 0 && make("p", { class: "hint" }, word("takes_none")),
      this.#address && make("figure", { class: "seen", tabindex: 0, "aria-label": word("takes_pictured") }, make("img", { src: this.#address, alt: word("takes_pictured") })),
      this.#address && make("p", {}, make("a", { href: this.#address, download: "takes.svg" }, word("takes_save"))),
    );
    this.#list.replaceChildren(whole);
  }

  /** @param {Take} take @param {HTMLElement} button */
  #colour(take, button) {
    const shows = this.#shown !== take.name;
    this.#shown = shows ? take.name : "";
    for (const one of this.#list.querySelectorAll("[aria-pressed]")) one.setAttribute("aria-pressed", String(shows && one === button));
    this.dispatchEvent(new CustomEvent("slips", { detail: shows ? { right: take.played, slipped: [...take.wrong, ...take.missed] } : null }));
  }
}

customElements.define("desk-takes", DeskTakes);
