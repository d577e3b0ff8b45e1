/**
 * What playing is recorded from: a MIDI keyboard (Web MIDI) or the microphone; and the count-in before it.
 *
 * `open()` asks for the device and gives a recorder, or null where there is none. `begin` is called with the count-in,
 * `counted` after it; `stop` gives what was recorded, or null where nothing was.
 *
 * @typedef {{said: string, keep: (bars: string) => Promise<any>}} Recorded  what to say of it, and how to send it
 * @typedef {{begin: () => void, counted: () => void, stop: () => Promise<Recorded|null>}} Recorder
 */

import { post, sendTake } from "./link.js";
import { wave } from "./voice.js";
import { word } from "./words.js";

/** Seconds that a click of the count-in lasts, and how loud it is (0 to 1): soft, since it may come through headphones. */
const [CLICK, LOUD] = [0.03, 0.15];
/** Seconds before the first click. */
const SOON = 0.1;

/**
 * Click some beats, then go on.
 *
 * @param {number} tempo  beats a minute
 * @param {number} beats
 * @param {() => void} then
 * @returns {() => void} what ends it early
 */
export function countIn(tempo, beats, then) {
  const beat = 60 / Math.min(240, Math.max(20, tempo || 72));
  const audio = new AudioContext();
  for (let k = 0; k < beats; k++) {
    const tone = new OscillatorNode(audio, { frequency: k === 0 ? 1320 : 990 });
    const level = new GainNode(audio, { gain: LOUD });
    tone.connect(level).connect(audio.destination);
    tone.start(audio.currentTime + SOON + k * beat);
    tone.stop(audio.currentTime + SOON + k * beat + CLICK);
  }
  const end = () => {
    clearTimeout(waiting);
    if (audio.state !== "closed") void audio.close();
  };
  const waiting = setTimeout(
    () => {
      end();
      then();
    },
    1000 * (SOON + beats * beat),
  );
  return end;
}

/** @returns {Promise<Recorder|null>} */
export async function openKeyboard() {
  /** @type {any[]} */
  let inputs = [];
  try {
    const access = await /** @type {any} */ (navigator).requestMIDIAccess();
    inputs = [...access.inputs.values()];
  } catch {
    // As where none is connected.
  }
  if (inputs.length === 0) return null;
  /** @type {[number, number, number, number][]} */
  const messages = [];
  let began = 0;
  const hear = (/** @type {{data: Uint8Array, timeStamp?: number}} */ { data, timeStamp }) => {
    // Notes and controllers (MIDI 1.0: 0x8n, 0x9n, 0xBn); clocks and active sensing are no playing.
    if (![0x80, 0x90, 0xb0].includes(data[0] & 0xf0)) return;
    messages.push([Math.max(0, ((timeStamp || performance.now()) - began) / 1000), data[0], data[1], data[2]]);
  };
  return {
    begin: () => {
      began = performance.now();
      // What is played into the count-in is an upbeat, and kept.
      for (const input of inputs) input.addEventListener("midimessage", hear);
    },
    counted: () => {},
    stop: async () => {
      for (const input of inputs) input.removeEventListener("midimessage", hear);
      const struck = messages.filter(([, status, , velocity]) => (status & 0xf0) === 0x90 && velocity > 0).length;
      return struck === 0 ? null : { said: word("takes_done", { n: struck }), keep: (bars) => post("/api/takes/record", { messages, bars }) };
    },
  };
}

/** @returns {Promise<Recorder|null>} */
export async function openMicrophone() {
  /** @type {MediaStream} */
  let stream;
  try {
    // What makes speech clearer spoils music.
    stream = await navigator.mediaDevices.getUserMedia({ audio: { echoCancellation: false, noiseSuppression: false, autoGainControl: false } });
  } catch {
    return null;
  }
  const recorder = new MediaRecorder(stream);
  /** @type {Blob[]} */
  const parts = [];
  recorder.addEventListener("dataavailable", (event) => parts.push(event.data));
  const stopped = new Promise((done) => recorder.addEventListener("stop", done));
  const close = () => stream.getTracks().forEach((track) => track.stop());
  return {
    begin: () => {},
    // Not before: the clicks would be heard in it.
    counted: () => recorder.start(),
    stop: async () => {
      if (recorder.state === "inactive") {
        close();
        return null;
      }
      recorder.stop();
      await stopped;
      close();
      const sound = await wave(new Blob(parts));
      const time = new Date().toLocaleString("sv").replace(/[^0-9]+/g, "-");
      return { said: word("takes_heard"), keep: (bars) => sendTake(new File([sound], `played-${time}.wav`), bars) };
    },
  };
}
