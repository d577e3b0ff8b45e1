/** When notes sound: rows of a sound in; which notes sound at a second, and where a note begins, out. */

export class SoundClock {
  /** @param {readonly import("./model.js").Sounding[]} rows */
  constructor(rows) {
    this.rows = [...rows].sort((a, b) => a[1] - b[1]);
    this.longest = rows.reduce((most, [, start, end]) => Math.max(most, end - start), 0);
    /** @type {Map<string, number>} */
    this.starts = new Map();
    for (const [note, start] of this.rows) {
      if (!this.starts.has(note)) this.starts.set(note, start);
    }
  }

  /**
   * @param {number} second
   * @returns {Set<string>} the ids of the notes that sound
   */
  at(second) {
    const found = new Set();
    for (let i = this.#after(second) - 1; i >= 0; i--) {
      const [note, start, end] = this.rows[i];
      if (start < second - this.longest) break;
      if (second < end) found.add(note);
    }
    return found;
  }

  /**
   * @param {string} note
   * @returns {number|undefined} the second at which it begins
   */
  start(note) {
    return this.starts.get(note);
  }

  /** @param {number} second @returns {number} how many rows have begun */
  #after(second) {
    let low = 0;
    let high = this.rows.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (this.rows[middle][1] <= second) low = middle + 1;
      else high = middle;
    }
    return low;
  }
}

/**
 * @template {{start: number, end: number}} T
 * @param {readonly T[]} stretches in order
 * @param {number} second
 * @returns {number} the index of the stretch that holds a second, -1 before the first, the last after the end
 */
export function stretchAt(stretches, second) {
  let low = 0;
  let high = stretches.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (stretches[middle].start <= second) low = middle + 1;
    else high = middle;
  }
  return low - 1;
}
