/**
 * `<desk-voice>`: the teacher's voice for a stop: recorded with the microphone, heard, taken away.
 *
 * In: `stop`, its id, and `there`, whether a recording is kept. Out: the event `trouble` (detail a sentence). The desk
 * tells every window of a change.
 */

import { make } from "/viewer/elements.js";
import { troubled } from "./asking.js";
import { file, post, sendVoice } from "./link.js";
import { word } from "./words.js";

/** Milliseconds of a recording at most: a little less than the desk takes. */
const LONGEST = 590_000;

export class DeskVoice extends HTMLElement {
  stop = "";
  there = false;
  /** @type {MediaRecorder|null} */
  #recorder = null;
  #audio = new Audio();
  #said = make("span", { class: "hint", role: "status" });

  connectedCallback() {
    this.#draw();
  }

  disconnectedCallback() {
    this.#audio.pause();
    if (this.#recorder?.state === "recording") this.#recorder.stop();
  }

  #draw() {
    const records = this.#recorder !== null;
    const button = (/** @type {string} */ name, /** @type {() => void} */ does, /** @type {string} */ words) => make("button", { type: "button", class: `small ${name}`, onclick: does }, words);
    this.replaceChildren(
      make(
        "div",
        { class: "hear", role: "group", "aria-label": word("voice") },
        records ? button("voice-stop", () => this.#recorder?.stop(), `■ ${word("voice_stop")}`) : button("voice-record", () => void this.#record(), `● ${word(this.there ? "voice_again" : "voice_record")}`),
        this.there && !records && button("voice-hear", () => void this.#hear(), `▶ ${word("voice_hear")}`),
        this.there && !records && button("voice-remove", () => void this.#after(post("/api/voice/remove", { stop: this.stop })), word("voice_remove")),
        this.#said,
      ),
    );
  }

  async #record() {
    this.#said.textContent = word("voice_asks");
    try {
      const stream = await navigator.mediaDevices.getUserMedia({ audio: true });
      const recorder = (this.#recorder = new MediaRecorder(stream));
      /** @type {Blob[]} */
      const parts = [];
      recorder.addEventListener("dataavailable", (event) => parts.push(event.data));
      recorder.addEventListener("stop", () => {
        for (const track of stream.getTracks()) track.stop();
        this.#recorder = null;
        this.#said.textContent = "";
        this.#draw();
        void this.#after(wave(new Blob(parts)).then((sound) => sendVoice(this.stop, sound)));
      });
      recorder.start();
      setTimeout(() => recorder.state === "recording" && recorder.stop(), LONGEST);
      this.#said.textContent = word("voice_records");
    } catch {
      this.#recorder = null;
      this.#said.textContent = "";
      troubled(this, word("voice_refused", { folder: "voice" }));
    }
    this.#draw();
  }

  async #hear() {
    try {
      this.#audio.src = URL.createObjectURL(await file(`/api/voice?stop=${encodeURIComponent(this.stop)}`));
      await this.#audio.play();
    } catch (error) {
      troubled(this, error);
    }
  }

  /** @param {Promise<{voice: boolean}>} answer */
  async #after(answer) {
    try {
      this.there = (await answer).voice;
    } catch (error) {
      troubled(this, error);
    }
    if (this.isConnected) this.#draw();
  }
}

/**
 * What the browser has recorded, in whatever it records in, as a WAV file: 16 bits, one channel (RIFF, from memory).
 *
 * @param {Blob} recording
 * @returns {Promise<Blob>}
 */
export async function wave(recording) {
  const audio = new AudioContext();
  const sound = await audio.decodeAudioData(await recording.arrayBuffer());
  await audio.close();
  const samples = sound.getChannelData(0);
  const view = new DataView(new ArrayBuffer(44 + 2 * samples.length));
  const text = (/** @type {number} */ at, /** @type {string} */ letters) => [...letters].forEach((c, i) => view.setUint8(at + i, c.charCodeAt(0)));
  text(0, "RIFF");
  view.setUint32(4, 36 + 2 * samples.length, true);
  text(8, "WAVEfmt ");
  view.setUint32(16, 16, true);
  view.setUint16(20, 1, true);
  view.setUint16(22, 1, true);
  view.setUint32(24, sound.sampleRate, true);
  view.setUint32(28, 2 * sound.sampleRate, true);
  view.setUint16(32, 2, true);
  view.setUint16(34, 16, true);
  text(36, "data");
  view.setUint32(40, 2 * samples.length, true);
  samples.forEach((s, i) => view.setInt16(44 + 2 * i, Math.round(32767 * Math.max(-1, Math.min(1, s))), true));
  return new Blob([view.buffer], { type: "audio/wav" });
}

customElements.define("desk-voice", DeskVoice);
