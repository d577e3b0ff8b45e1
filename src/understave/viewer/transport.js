/**
 * `<stave-transport>`: plays the sound of a piece: from anywhere, slower, some bars again and again.
 *
 * In: `sound` and `bars` (see `model.js`). Out: the event `moment` (detail `Moment`) whenever the place changes,
 * many times a second while it plays, and `passage` (detail `{first, last}` or null) when the repeated bars change.
 */

import { clockTime, make, plain } from "./elements.js";
import { SoundClock, stretchAt } from "./clock.js";
import { hush, sounds } from "./hush.js";
import { wordsOf } from "./words.js";

/** @typedef {{second: number, bar: number, playing: boolean, notes: Set<string>}} Moment */

const SLOWEST = 30;
const FASTEST = 130;

export class StaveTransport extends HTMLElement {
  /** @type {import("./model.js").Sound|null} */
  #sound = null;
  /** @type {readonly import("./model.js").Bar[]} */
  #bars = [];
  /** @type {[number, number]|null} */
  #passage = null;
  #once = false;
  #frame = 0;
  #built = false;
  clock = new SoundClock([]);
  audio = new Audio();

  constructor() {
    super();
    this.audio.preload = "auto";
    this.audio.preservesPitch = true;
    for (const name of ["play", "pause", "seeked", "ended", "loadedmetadata"]) {
      this.audio.addEventListener(name, () => this.#changed());
    }
    this.audio.addEventListener("play", () => sounds(this.audio));
  }

  connectedCallback() {
    this.#build();
  }

  disconnectedCallback() {
    this.audio.pause();
  }

  /** The sound; where it was playing it goes on at the same bar, so that pianos can be compared. */
  set sound(sound) {
    const at = this.#sound ? this.bar : -1;
    const was = this.playing;
    this.#sound = sound;
    this.clock = new SoundClock(sound?.notes ?? []);
    if (sound) this.audio.src = sound.source;
    this.#build();
    if (at > 0) this.toBar(at);
    if (was) this.play();
  }

  get sound() {
    return this.#sound;
  }

  set bars(bars) {
    this.#bars = bars;
    this.#build();
  }

  get bars() {
    return this.#bars;
  }

  get playing() {
    return !this.audio.paused;
  }

  get second() {
    return this.audio.currentTime;
  }

  /** The bar that sounds. */
  get bar() {
    return Math.max(0, stretchAt(this.#bars, this.second + 1e-3));
  }

  /** The bars being repeated, or null. */
  get passage() {
    return this.#passage;
  }

  play() {
    hush(this.audio);
    this.audio.play().catch((error) => {
      // Pausing before the sound has begun is no fault.
      if (!(error instanceof DOMException && error.name === "AbortError")) throw error;
    });
  }

  pause() {
    this.audio.pause();
  }

  toggle() {
    if (this.playing) this.pause();
    else this.play();
  }

  /** @param {number} second */
  seek(second) {
    this.audio.currentTime = Math.max(0, Math.min(this.#sound?.length ?? 0, second));
    this.#changed();
  }

  /** @param {number} bar */
  toBar(bar) {
    const found = this.#bars[Math.max(0, Math.min(this.#bars.length - 1, bar))];
    if (found) this.seek(found.start);
  }

  /**
   * Play some bars, once or again and again.
   *
   * @param {number} first
   * @param {number} last
   * @param {{again?: boolean}} [how]
   */
  playBars(first, last, { again = false } = {}) {
    this.repeat(first, last);
    this.#once = !again;
    this.#drawPassage();
    this.toBar(first);
    this.play();
  }

  /**
   * Repeat bars, both ends included, from now on.
   *
   * @param {number} first
   * @param {number} last
   */
  repeat(first, last) {
    this.#once = false;
    this.#passage = [Math.min(first, last), Math.max(first, last)];
    this.#drawPassage();
    this.#tellPassage();
  }

  /** Go on to the end instead of repeating. */
  release() {
    if (!this.#passage) return;
    this.#passage = null;
    this.#once = false;
    this.#drawPassage();
    this.#tellPassage();
  }

  /** @param {number} percent of the tempo; the pitch stays */
  pace(percent) {
    this.audio.defaultPlaybackRate = this.audio.playbackRate = percent / 100;
    if (this.parts) {
      this.parts.pace.value = String(percent);
      this.parts.paceSaid.value = wordsOf().percent(percent);
    }
  }

  // --- inside --------------------------------------------------------------------------------------------

  #tellPassage() {
    const [first, last] = this.#passage ?? [];
    const detail = first === undefined ? null : { first, last };
    this.dispatchEvent(new CustomEvent("passage", { detail, bubbles: true }));
  }

  #changed() {
    cancelAnimationFrame(this.#frame);
    this.#tick();
  }

  #tick() {
    this.#keepToPassage();
    this.#draw();
    const { second, bar, playing } = this;
    /** @type {Moment} */
    const detail = { second, bar, playing, notes: this.clock.at(second) };
    this.dispatchEvent(new CustomEvent("moment", { detail, bubbles: true }));
    if (playing) this.#frame = requestAnimationFrame(() => this.#tick());
  }

  #keepToPassage() {
    if (!this.#passage || !this.playing) return;
    const [from, to] = [this.#bars[this.#passage[0]].start, this.#bars[this.#passage[1]].end];
    const ended = this.second >= to - 0.01;
    if (ended && this.#once) {
      this.pause();
      this.audio.currentTime = from;
      this.release();
    } else if (ended || this.second < from - 0.05) {
      this.audio.currentTime = from;
    }
  }

  #build() {
    if (!this.isConnected) return;
    const words = wordsOf();
    this.setAttribute("role", "region");
    this.setAttribute("aria-label", words.player);
    if (!this.#sound) {
      this.replaceChildren(make("p", { class: "hint" }, words.noSound));
      return;
    }
    const length = this.#sound.length;
    const choices = () => this.#bars.map((bar, i) => make("option", { value: i }, bar.number));
    this.parts = {
      play: make("button", { type: "button", class: "play", onclick: () => this.toggle() }),
      position: make("input", {
        type: "range", min: 0, max: length.toFixed(2), step: 0.05, value: 0, "aria-label": words.position,
        oninput: () => this.seek(Number(this.parts?.position.value)),
      }),
      place: make("output", { class: "place", "aria-live": "off" }),
      pace: make("input", {
        type: "range", min: SLOWEST, max: FASTEST, step: 5, value: Math.round(this.audio.playbackRate * 100),
        "aria-label": words.pace, oninput: () => this.pace(Number(this.parts?.pace.value)),
      }),
      paceSaid: make("output", {}, words.percent(Math.round(this.audio.playbackRate * 100))),
      again: make("input", { type: "checkbox", onchange: () => this.#againChosen() }),
      from: make("select", { "aria-label": words.from, onchange: () => this.#endsChosen() }, ...choices()),
      to: make("select", { "aria-label": words.to, onchange: () => this.#endsChosen() }, ...choices()),
    };
    const { play, position, place, pace, paceSaid, again, from, to } = this.parts;
    const step = (/** @type {string} */ name, /** @type {number} */ by, /** @type {string} */ sign) =>
      make("button", { type: "button", class: "step", "aria-label": name, title: name, onclick: () => this.toBar(this.bar + by) }, sign);
    this.replaceChildren(
      make("div", { class: "where" }, position, place),
      make("div", { class: "buttons" }, step(words.barBack, -1, "‹"), play, step(words.barOn, 1, "›")),
      make("label", { class: "pace" }, make("span", {}, words.pace), pace, paceSaid),
      make(
        "div",
        { class: "again" },
        make("label", {}, again, " ", words.repeat),
        make("span", { class: "ends" }, words.from, " ", from, " ", words.to, " ", to),
      ),
    );
    this.#built = true;
    this.#drawPassage();
    this.#draw();
  }

  #againChosen() {
    if (!this.parts?.again.checked) this.release();
    else if (!this.#passage || this.#once) {
      const [first, last] = this.#passage ?? [this.bar, Math.min(this.#bars.length - 1, this.bar + 3)];
      this.repeat(first, last);
    }
  }

  #endsChosen() {
    if (!this.parts) return;
    this.repeat(Number(this.parts.from.value), Number(this.parts.to.value));
  }

  #drawPassage() {
    if (!this.#built || !this.parts) return;
    const { again, from, to } = this.parts;
    again.checked = this.#passage !== null && !this.#once;
    const [first, last] = this.#passage ?? [Number(from.value), Math.max(Number(to.value), this.#bars.length - 1)];
    from.value = String(first);
    to.value = String(last);
  }

  #draw() {
    if (!this.#built || !this.parts) return;
    const words = wordsOf();
    const { play, position, place } = this.parts;
    const name = this.playing ? words.pause : words.play;
    if (play.getAttribute("aria-label") !== name) {
      play.setAttribute("aria-label", name);
      play.title = name;
      play.textContent = this.playing ? "❚❚" : "▶";
    }
    position.value = String(this.second);
    position.style.setProperty("--done", `${(100 * this.second) / (this.#sound?.length || 1)}%`);
    const bar = this.#bars[this.bar];
    const said = `${bar ? words.bar(bar.number) : ""} · ${clockTime(this.second)}`;
    if (place.value !== said) {
      place.value = said;
      position.setAttribute("aria-valuetext", plain(said));
    }
  }
}

customElements.define("stave-transport", StaveTransport);
