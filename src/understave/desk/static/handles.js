/**
 * The two handles at the chord that is looked at: dragging one moves where the chord begins or ends.
 *
 * In: the score on the screen and the reading. Out: `onMove(start, to)`, both exact moments.
 */

import { make } from "/viewer/elements.js";
import { value } from "./reading.js";
import { word } from "./words.js";

export class Handles {
  /**
   * @param {import("/viewer/score.js").StaveScore} score
   * @param {import("./reading.js").Reading} reading
   * @param {HTMLElement} sheet  the element that the score lies in, position relative
   * @param {(start: string, to: string) => void} onMove
   */
  constructor(score, reading, sheet, onMove) {
    this.score = score;
    this.reading = reading;
    this.sheet = sheet;
    this.onMove = onMove;
    this.handles = [0, 1].map((which) => {
      const handle = make("div", { class: "handle", "aria-hidden": "true", title: word(which ? "drag_end" : "drag_begin") });
      handle.addEventListener("pointerdown", (event) => this.#dragged(event, which, handle));
      return handle;
    });
    /**
     * Which handle is dragged, and to where so far; it stays there where the sheet is drawn anew meanwhile.
     *
     * @type {{which: number, goal: string} | null}
     */
    this.held = null;
    sheet.append(...this.handles);
  }

  /** Put the handles where the chord looked at stands. */
  place() {
    const { chosen, rows } = this.reading;
    [chosen, chosen + 1].forEach((index, which) => {
      const held = this.held?.which === which ? this.held.goal : rows[index]?.start;
      const at = chosen >= 0 && index > 0 && held !== undefined ? this.#spot(held) : null;
      const handle = this.handles[which];
      handle.hidden = at === null;
      if (!at) return;
      this.#put(handle, at);
      handle.style.height = `${at.bottom - at.top}px`;
    });
  }

  /**
   * Set a handle to a place on the screen. The sheet scrolls under it, and handles lie in what is scrolled.
   *
   * @param {HTMLElement} handle
   * @param {{x: number, top: number}} at
   */
  #put(handle, at) {
    const { sheet } = this;
    const box = sheet.getBoundingClientRect();
    handle.style.left = `${at.x - box.left - sheet.clientLeft + sheet.scrollLeft}px`;
    handle.style.top = `${at.top - box.top - sheet.clientTop + sheet.scrollTop}px`;
  }

  /**
   * Where a moment stands on the screen.
   *
   * @param {string} moment
   */
  #spot(moment) {
    const bar = this.#barAt(moment);
    const spots = bar ? this.#spots(bar) : [];
    const time = value(moment);
    const here = spots.find((s) => s.time >= time - 1e-9) ?? spots.at(-1);
    return here ?? null;
  }

  /** @param {string} moment */
  #barAt(moment) {
    const time = value(moment);
    return this.reading.bars.findLast((bar) => value(bar.moments[0].at) <= time);
  }

  /** @param {import("./reading.js").DeskBar} bar */
  #spots(bar) {
    const root = this.score.shadowRoot;
    const group = root?.getElementById(bar.id);
    const staves = [...(group?.querySelectorAll(":scope > .staff > path") ?? [])].map((p) => p.getBoundingClientRect());
    if (!group || staves.length === 0) return [];
    const [top, bottom] = [Math.min(...staves.map((s) => s.top)), Math.max(...staves.map((s) => s.bottom))];
    const [left, right] = [Math.min(...staves.map((s) => s.left)), Math.max(...staves.map((s) => s.right))];
    /** @type {Map<string, number>} */
    const xs = new Map();
    for (const note of group.querySelectorAll(".note")) {
      const onset = this.reading.onsets.get(note.id);
      const head = note.querySelector(".notehead")?.getBoundingClientRect();
      if (onset !== undefined && head) xs.set(onset, Math.min(head.left, xs.get(onset) ?? Infinity));
    }
    const times = bar.moments.map((m) => ({ at: m.at, time: value(m.at), x: xs.get(m.at) }));
    // A beat without a note stands between its neighbours.
    return times.map((m, i) => {
      if (m.x !== undefined) return { ...m, x: m.x, top, bottom };
      const before = times.slice(0, i).findLast((o) => o.x !== undefined);
      const after = times.slice(i + 1).find((o) => o.x !== undefined);
      const [a, b] = [before ?? { time: times[0].time, x: left }, after ?? { time: times[times.length - 1].time + 1, x: right }];
      const share = b.time > a.time ? (m.time - a.time) / (b.time - a.time) : 0;
      return { ...m, x: /** @type {number} */ (a.x) + share * (/** @type {number} */ (b.x) - /** @type {number} */ (a.x)), top, bottom };
    });
  }

  /** @param {PointerEvent} event @param {number} which @param {HTMLElement} handle */
  #dragged(event, which, handle) {
    const row = this.reading.rows[this.reading.chosen + which];
    if (!row || event.button !== 0) return;
    event.preventDefault();
    handle.setPointerCapture(event.pointerId);
    let goal = row.start;
    const moved = (/** @type {PointerEvent} */ e) => {
      const spots = this.reading.bars.flatMap((bar) => this.#near(bar, e));
      const best = spots.sort((a, b) => Math.abs(a.x - e.clientX) - Math.abs(b.x - e.clientX))[0];
      if (!best) return;
      goal = best.at;
      this.held = { which, goal };
      this.#put(handle, best);
    };
    const done = () => {
      this.held = null;
      handle.removeEventListener("pointermove", moved);
      if (goal !== row.start) this.onMove(row.start, goal);
      else this.place();
    };
    handle.addEventListener("pointermove", moved);
    handle.addEventListener("pointerup", done, { once: true });
  }

  /** @param {import("./reading.js").DeskBar} bar @param {PointerEvent} e */
  #near(bar, e) {
    const box = this.score.shadowRoot?.getElementById(bar.id)?.getBoundingClientRect();
    if (!box || e.clientY < box.top - 120 || e.clientY > box.bottom + 120 || e.clientX < box.left - 20 || e.clientX > box.right + 20) return [];
    return this.#spots(bar);
  }
}
