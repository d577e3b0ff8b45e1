/**
 * `<stave-contrast>`: the same bars in two versions to hear against each other, at one loudness.
 *
 * In: `contrast` and `numerals` (see `model.js`); the attribute `largest` is that of its scores. Going over to the other version keeps the place. Notes light up.
 */

import { make, setText } from "./elements.js";
import { SoundClock } from "./clock.js";
import { hush, sounds } from "./hush.js";
import { wordsOf } from "./words.js";

export class StaveContrast extends HTMLElement {
  /** @type {import("./model.js").Contrast|null} */
  #contrast = null;
  /** @type {{audio: HTMLAudioElement, clock: SoundClock, button: HTMLButtonElement, score: import("./score.js").StaveScore, lasts: number}[]} */
  #sides = [];
  #frame = 0;
  /** @type {Readonly<Record<string, import("./model.js").NumeralParts>>} */
  numerals = {};

  set contrast(contrast) {
    this.#contrast = contrast;
    this.#build();
  }

  get contrast() {
    return this.#contrast;
  }

  connectedCallback() {
    this.#build();
  }

  disconnectedCallback() {
    for (const { audio } of this.#sides) audio.pause();
  }

  #build() {
    const contrast = this.#contrast;
    if (!contrast || !this.isConnected || this.#sides.length > 0) return;
    const words = wordsOf();
    const panes = contrast.sides.map((side, i) => {
      const audio = new Audio();
      audio.preload = "auto";
      audio.src = side.sound.source;
      const button = make(
        "button",
        { type: "button", class: "version", "aria-pressed": "false", onclick: () => this.choose(i) },
        make("span", { class: "letter", "aria-hidden": "true" }, String.fromCharCode(65 + i)),
        make("span", {}, side.name),
        make("span", { class: "state", "aria-hidden": "true" }, "▶"),
      );
      const score = /** @type {import("./score.js").StaveScore} */ (document.createElement("stave-score"));
      score.setAttribute("still", "");
      score.setAttribute("largest", this.getAttribute("largest") ?? "6.5");
      score.setAttribute("role", "img");
      score.setAttribute("aria-label", `${side.name}, ${contrast.place}`);
      score.layouts = [{ width: 100, pages: [side.picture] }];
      for (const name of ["play", "pause", "seeked", "ended"]) audio.addEventListener(name, () => this.#tick());
      audio.addEventListener("play", () => sounds(audio));
      this.#sides.push({ audio, clock: new SoundClock(side.sound.notes), button, score, lasts: side.lasts });
      return make("div", { class: "side" }, button, make("div", { class: "sheet" }, score));
    });
    this.replaceChildren(
      make("h3", {}, setText(contrast.heading, this.numerals), " ", make("span", { class: "where" }, contrast.place)),
      make("p", { class: "listen" }, make("strong", {}, `${words.listen}: `), setText(contrast.listen, this.numerals)),
      make("div", { class: "sides", role: "group", "aria-label": words.switchWhile }, ...panes),
    );
  }

  /**
   * Play a version from its beginning, go over to it where the other one plays, or stop it if it plays.
   *
   * @param {number} index
   */
  choose(index) {
    const { audio: chosen, lasts } = this.#sides[index];
    if (!chosen.paused) {
      chosen.pause();
      return;
    }
    const other = this.#sides.find(({ audio }) => !audio.paused);
    const slower = other && lasts && other.lasts ? lasts / other.lasts : 1;
    chosen.currentTime = other ? Math.min(slower * other.audio.currentTime, chosen.duration || Infinity) : 0;
    hush(chosen);
    chosen.play().catch((error) => {
      if (!(error instanceof DOMException && error.name === "AbortError")) throw error;
    });
  }

  #tick() {
    cancelAnimationFrame(this.#frame);
    let running = false;
    for (const { audio, clock, button, score } of this.#sides) {
      const plays = !audio.paused && !audio.ended;
      running ||= plays;
      button.setAttribute("aria-pressed", String(plays));
      const state = button.querySelector(".state");
      if (state) state.textContent = plays ? "❚❚" : "▶";
      score.light(plays ? clock.at(audio.currentTime) : new Set());
    }
    if (running) this.#frame = requestAnimationFrame(() => this.#tick());
  }
}

customElements.define("stave-contrast", StaveContrast);
