/**
 * The line to the desk on this machine: questions and answers as JSON, and the messages that come by themselves.
 *
 * The token stands behind # in the address that the desk printed; it is kept for this tab and taken out of sight.
 */

import { word } from "./words.js";

const KEPT = "understave-token";

/** @returns {string} */
function token() {
  const written = location.hash.slice(1);
  if (written) {
    sessionStorage.setItem(KEPT, written);
    history.replaceState(null, "", location.pathname);
  }
  return sessionStorage.getItem(KEPT) ?? "";
}

const known = token();

/** The address at which another window of this desk can be opened. */
export const address = `${location.origin}/#${known}`;

export class Refused extends Error {
  /** @param {string} sentence @param {{stale?: boolean, empty?: boolean, lost?: boolean, gone?: boolean}} how */
  constructor(sentence, how = {}) {
    super(sentence);
    this.stale = how.stale === true;
    this.empty = how.empty === true;
    this.lost = how.lost === true;
    this.gone = how.gone === true;
  }
}

/**
 * @param {string} path
 * @param {RequestInit} [how]
 * @returns {Promise<Response>}
 */
async function request(path, how = {}) {
  let answer;
  try {
    answer = await fetch(path, { ...how, headers: { "x-understave-token": known, ...how.headers } });
  } catch {
    throw new Refused(word("no_answer"), { lost: true });
  }
  if (!answer.ok) {
    const { error = word("refused", { n: answer.status }), ...more } = await answer.json().catch(() => ({}));
    throw new Refused(error, more);
  }
  return answer;
}

/** @param {string} path @returns {Promise<any>} */
export async function get(path) {
  return (await request(path)).json();
}

/** @param {string} path @param {unknown} value @returns {Promise<any>} */
export async function post(path, value) {
  const how = { method: "POST", body: JSON.stringify(value), headers: { "content-type": "application/json" } };
  return (await request(path, how)).json();
}

/** @param {string} path @returns {Promise<Blob>} a picture or a sound */
export async function file(path) {
  return (await request(path)).blob();
}

/** @param {File[]} files  a score, or pictures of its pages in order @returns {Promise<any>} */
export async function send(files) {
  const query = new URLSearchParams(files.flatMap((file) => [["name", file.name], ["size", String(file.size)]]));
  return (await request(`/api/import?${query}`, { method: "POST", body: new Blob(files) })).json();
}

/** @param {string} stop @param {Blob} sound  a recording of the teacher's voice @returns {Promise<any>} */
export async function sendVoice(stop, sound) {
  return (await request(`/api/voice?stop=${encodeURIComponent(stop)}`, { method: "POST", body: sound })).json();
}

/** @param {File} file  a recording of the teacher's playing @param {string} bars @returns {Promise<any>} */
export async function sendTake(file, bars) {
  const query = new URLSearchParams({ name: file.name, bars });
  return (await request(`/api/takes?${query}`, { method: "POST", body: file })).json();
}

/**
 * A line of JSON, then a sound.
 *
 * @param {string} path
 * @param {Record<string, string>} query
 * @returns {Promise<[any, string]>} what the line holds, and the address of the sound
 */
async function sounding(path, query) {
  const bytes = new Uint8Array(await (await request(`${path}?${new URLSearchParams(query)}`)).arrayBuffer());
  const end = bytes.indexOf(10);
  const line = JSON.parse(new TextDecoder().decode(bytes.subarray(0, end)));
  return [line, URL.createObjectURL(new Blob([bytes.subarray(end + 1)], { type: "audio/flac" }))];
}

/**
 * The piece as it sounds, or its opening, which comes sooner: times and the address of the sound.
 *
 * @param {string} instrument
 * @param {string} pedal
 * @param {"opening"|"whole"} part
 * @returns {Promise<import("/viewer/model.js").Sound & {bars: [number, number][], partial: boolean}>}
 */
export async function sound(instrument, pedal, part) {
  const [times, source] = await sounding("/api/sound", { instrument, pedal, part });
  return { ...times, source };
}

/**
 * A chord of the reading, an alternative, or the chord and the next, as a sound; and the notes that belong to it.
 *
 * @param {string} start
 * @param {string} which  chord, next, or the number of an alternative from 0
 * @returns {Promise<{notes: string[], source: string}>}
 */
export async function chords(start, which) {
  const [{ notes }, source] = await sounding("/api/chords", { start, which });
  return { notes, source };
}

/**
 * Hear every message of the desk, from now on; after a break again.
 *
 * @param {(message: any) => void} hear
 * @param {(there: boolean) => void} connected
 */
export async function follow(hear, connected) {
  for (;;) {
    try {
      const body = (await request("/api/follow")).body;
      if (!body) return;
      connected(true);
      const reader = body.pipeThrough(new TextDecoderStream()).getReader();
      let rest = "";
      for (;;) {
        const { value, done } = await reader.read();
        if (done) break;
        const parts = (rest + value).split("\n\n");
        rest = parts.pop() ?? "";
        for (const part of parts) if (part.startsWith("data: ")) hear(JSON.parse(part.slice(6)));
      }
    } catch (error) {
      if (error instanceof Refused && !error.lost) throw error;
    }
    connected(false);
    await new Promise((wait) => setTimeout(wait, 1500));
  }
}
