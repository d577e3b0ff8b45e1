/**
 * `<stave-keys>`: two octaves to play a chord on, drawn, or a MIDI keyboard where the browser lets one in (Web MIDI).
 *
 * In: `names` of the twelve keys from C. Out: `keys`, the MIDI numbers that are down, and the event `changed`.
 */

import { make } from "./elements.js";
import { wordsOf } from "./words.js";

const LOWEST = 48;
const COUNT = 25;
const BLACK = new Set([1, 3, 6, 8, 10]);
/** Loudness of a drawn key, of 1: soft, since nobody has set it. */
const SOFT = 0.12;

export class StaveKeys extends HTMLElement {
  /** @type {readonly string[]} */
  names = [];
  /** @type {Set<number>} */
  #down = new Set();
  /** @type {Set<number>} keys of the MIDI keyboard that are held */
  #held = new Set();
  /** @type {Map<number, HTMLButtonElement>} */
  #buttons = new Map();
  /** @type {AudioContext|null} */
  #audio = null;
  #told = make("p", { class: "hint", role: "status" });

  get keys() {
    return [...this.#down].sort((a, b) => a - b);
  }

  connectedCallback() {
    const words = wordsOf();
    const row = make("div", { class: "keyrow", role: "group", "aria-label": words.keyboard });
    for (let key = LOWEST; key < LOWEST + COUNT; key++) {
      const name = `${this.names[key % 12] ?? key} ${Math.floor(key / 12) - 1}`;
      const button = make("button", {
        type: "button", class: BLACK.has(key % 12) ? "black" : "white", "aria-label": name, "aria-pressed": "false", "data-key": key,
        onclick: () => this.#toggled(key),
      });
      this.#buttons.set(key, button);
      row.append(button);
    }
    this.replaceChildren(
      make("div", { class: "keybox", tabindex: 0, role: "group", "aria-label": words.keyboard }, row),
      make(
        "div",
        { class: "hear" },
        make("button", { type: "button", onclick: () => this.clear() }, words.clearKeys),
        make("button", { type: "button", class: "connect", onclick: () => void this.#connect() }, words.connectKeyboard),
      ),
      this.#told,
    );
  }

  clear() {
    this.#down.clear();
    this.#changed();
  }

  /** @param {number} key */
  #toggled(key) {
    if (this.#down.delete(key)) this.#changed();
    else {
      this.#down.add(key);
      this.#sound(key);
      this.#changed();
    }
  }

  #changed() {
    for (const [key, button] of this.#buttons) button.setAttribute("aria-pressed", String(this.#down.has(key)));
    this.dispatchEvent(new CustomEvent("changed"));
  }

  /** @param {number} key */
  #sound(key) {
    const audio = (this.#audio ??= new AudioContext());
    const [tone, level] = [audio.createOscillator(), audio.createGain()];
    tone.type = "triangle";
    tone.frequency.value = 440 * 2 ** ((key - 69) / 12);
    level.gain.setValueAtTime(SOFT, audio.currentTime);
    level.gain.exponentialRampToValueAtTime(0.001, audio.currentTime + 0.9);
    tone.connect(level).connect(audio.destination);
    tone.start();
    tone.stop(audio.currentTime + 1);
  }

  async #connect() {
    const words = wordsOf();
    this.#told.textContent = words.keyboardNone;
    const asked = /** @type {any} */ (navigator).requestMIDIAccess;
    if (!asked) return;
    try {
      const access = await asked.call(navigator);
      const inputs = [...access.inputs.values()];
      for (const input of inputs) input.onmidimessage = (/** @type {{data: Uint8Array}} */ { data }) => this.#message(data);
      if (inputs.length > 0) this.#told.textContent = words.keyboardReady;
    } catch {
      // Refused by the student or by the browser: the sentence stands already.
    }
  }

  /** @param {Uint8Array} data  MIDI 1.0: 0x9n note on, 0x8n note off; a note on without velocity is an off */
  #message([status, key, velocity]) {
    const kind = status & 0xf0;
    if (kind === 0x90 && velocity > 0) {
      // Another chord begins when all keys of the one before are up.
      if (this.#held.size === 0) this.#down.clear();
      this.#held.add(key);
      this.#down.add(key);
      this.#changed();
    } else if (kind === 0x80 || kind === 0x90) this.#held.delete(key);
  }
}

customElements.define("stave-keys", StaveKeys);
