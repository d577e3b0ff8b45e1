/**
 * The reading as this window knows it. In: what the desk tells. Out: events
 *
 * - `changed`: rows or lanes are different; detail is the message, with `shift` and `old` (rows before).
 * - `chosen`: another chord is looked at.
 *
 * @typedef {{head: string, figures: string[], target: string}} Parts
 * @typedef {{key: string, keyName: string, numeral: string, parts: Parts, symbol: string, confidence: number}} Other
 * @typedef {Other & {start: string, end: string, bar: number, number: string, beat: string, fixed: boolean, check: boolean, others: Other[], from: number, to: number, twin?: string}} Row
 * @typedef {{id: string, number: string, start: number, end: number, moments: {at: string, beat: string}[]}} DeskBar
 */

import { get, post, Refused } from "./link.js";
import { word } from "./words.js";

export class Reading extends EventTarget {
  /** @type {Row[]} */
  rows = [];
  /** @type {DeskBar[]} */
  bars = [];
  /** @type {{index: number, bar: number, number: string, name: string, text: string, numerals: Readonly<Record<string, Parts>>}[]} */
  events = [];
  /** @type {any} */
  second = null;
  /** @type {Map<string, string>} the moment at which a note begins, by its id */
  onsets = new Map();
  version = 0;
  last = 0;
  undo = 0;
  redo = 0;
  settled = false;
  /** @type {number} the chord looked at; -1 for none */
  chosen = -1;
  #queue = Promise.resolve();

  /** @param {any} lesson */
  begin(lesson) {
    this.rows = lesson.rows;
    this.bars = lesson.bars;
    this.events = lesson.events;
    this.second = lesson.second;
    this.onsets = new Map(Object.entries(lesson.onsets));
    this.#note(lesson);
    this.chosen = Math.min(this.chosen, this.rows.length - 1);
  }

  /** @param {any} state */
  #note(state) {
    ({ version: this.version, last: this.last, undo: this.undo, redo: this.redo, settled: this.settled } = state);
  }

  /**
   * Take in a message; one that is known already changes nothing.
   *
   * @param {any} message
   * @returns {boolean} false where something was missed, so that all must be asked for again
   */
  hear(message) {
    if (message.version <= this.version) return true;
    if (message.version !== this.version + 1) return false;
    const at = this.rows[this.chosen]?.start;
    this.rows.splice(message.first, message.before, ...message.rows);
    if (message.events) this.events = message.events;
    if ("second" in message) this.second = message.second;
    this.#note(message);
    if (at !== undefined) this.chosen = this.at(at);
    const detail = { ...message, shift: message.rows.length - message.before, after: message.first + message.before };
    this.dispatchEvent(new CustomEvent("changed", { detail }));
    return true;
  }

  /** @param {string} moment  exact @returns {number} the chord there */
  at(moment) {
    const time = value(moment);
    let found = -1;
    for (let i = 0; i < this.rows.length && value(this.rows[i].start) <= time; i++) found = i;
    return found;
  }

  get row() {
    return this.rows[this.chosen];
  }

  /** @param {number} index */
  choose(index) {
    this.chosen = Math.max(-1, Math.min(this.rows.length - 1, index));
    this.dispatchEvent(new CustomEvent("chosen"));
  }

  /** The chords worth checking first: the least certain, then those of bars whose notes are read in two ways. */
  get doubtful() {
    const open = this.rows.map((row, index) => ({ row, index })).filter(({ row }) => !row.fixed);
    const unsure = open.filter(({ row }) => row.check).sort((a, b) => a.row.confidence - b.row.confidence);
    return [...unsure, ...open.filter(({ row }) => row.twin && !row.check)];
  }

  /**
   * Ask for a change, one after the other; the answer is on the disk when it comes.
   *
   * @param {Record<string, unknown>} wish
   * @returns {Promise<void>}
   */
  edit(wish) {
    const done = this.#queue.then(async () => {
      const message = await post("/api/edit", { last: this.last, ...wish });
      if (!this.hear(message)) throw new Refused(word("missed"), { stale: true });
    });
    this.#queue = done.catch(() => {});
    return done;
  }

  /** @param {string} start */
  why(start) {
    return get(`/api/why?start=${encodeURIComponent(start)}`);
  }

  /**
   * What a typed text means, as notes; nothing is kept. Refused in a sentence where it means nothing.
   *
   * @param {Record<string, string>} typed  start, what (label or key), text, entry
   */
  spelled(typed) {
    return get(`/api/spelled?${new URLSearchParams(typed)}`);
  }

  /**
   * The moment at which a boundary can stand next, from one moment on.
   *
   * @param {string} moment
   * @param {1|-1} way
   * @returns {string|null}
   */
  beside(moment, way) {
    const all = this.bars.flatMap((bar) => bar.moments.map((m) => m.at));
    const time = value(moment);
    if (way > 0) return all.find((at) => value(at) > time) ?? null;
    return all.findLast((at) => value(at) < time) ?? null;
  }
}

/** @param {string} moment  such as "7/2" @returns {number} */
export function value(moment) {
  const [above, below = "1"] = moment.split("/");
  return Number(above) / Number(below);
}
