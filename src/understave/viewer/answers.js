/** Answers of a student: whether one is right, and what of them is kept in this browser and saved as a file. */

/** @param {string} sealed @returns {import("./model.js").Answers} */
export function unsealed(sealed) {
  const bytes = Uint8Array.from(atob(sealed), (c) => c.charCodeAt(0));
  return JSON.parse(new TextDecoder().decode(bytes));
}

/**
 * What is typed as it is compared; `teaching/homework.py` makes its texts the same way.
 *
 * @param {string} text
 * @param {string} sign
 */
export function plainSign(text, sign) {
  const bare = text.replace(/♭/g, "b").replace(/♯/g, "#").replace(/–/g, "-").replace(/°/g, "o").replace(/[\s\u00a0]/g, "");
  return sign === "note" ? bare.toLowerCase() : bare;
}

/**
 * @typedef {object} Verdict
 * @property {boolean} right
 * @property {boolean} near  the right chord on another bass
 * @property {string} why  why it is wrong, where that is known
 * @property {number} shared  of the keys played, how many belong to the chord
 */

/**
 * @param {import("./model.js").Question} question
 * @param {number|string|readonly number[]} given  an index, a text, or MIDI numbers of keys
 * @returns {Verdict}
 */
export function judged(question, given) {
  const answers = unsealed(question.sealed);
  const verdict = { right: false, near: false, why: "", shared: 0 };
  if (question.way === "type") {
    const text = plainSign(String(given), question.sign);
    return { ...verdict, right: answers.accepted.includes(text), near: answers.nearly.includes(text) };
  }
  if (question.way === "play") {
    const keys = [.../** @type {readonly number[]} */ (given)].sort((a, b) => a - b);
    const classes = new Set(keys.map((key) => key % 12));
    const shared = keys.filter((key) => answers.keys.includes(key % 12)).length;
    const whole = classes.size === answers.keys.length && answers.keys.every((key) => classes.has(key));
    const right = whole && (!answers.low || keys[0] % 12 === answers.keys[0]);
    return { ...verdict, right, near: whole && !right, shared };
  }
  const index = Number(given);
  return { ...verdict, right: answers.right.includes(index), why: answers.whyNot[index] ?? "" };
}

/**
 * @typedef {object} Kept  what is known of one question
 * @property {string[]} tries  in words
 * @property {boolean} right
 * @property {boolean} shown  whether the answer was shown before it was found
 * @property {number} seconds  spent on it
 *
 * @typedef {{name: string, answers: Record<string, Kept>}} State
 */

/** What a student has done, kept in the browser where it can be kept, else as long as the page is open. */
export class Notebook {
  /** @param {string} id  of the homework */
  constructor(id) {
    this.id = id;
    this.place = `understave-answers-${id}`;
    /** Whether the browser keeps it. */
    this.lasting = true;
    /** @type {State} */
    this.state = { name: "", answers: {} };
    try {
      const kept = JSON.parse(localStorage.getItem(this.place) ?? "null");
      if (kept && typeof kept.name === "string" && typeof kept.answers === "object") this.state = kept;
      this.keep();
    } catch {
      this.lasting = false;
    }
  }

  /** @param {string} question @returns {Kept} */
  of(question) {
    return (this.state.answers[question] ??= { tries: [], right: false, shown: false, seconds: 0 });
  }

  keep() {
    try {
      localStorage.setItem(this.place, JSON.stringify(this.state));
    } catch {
      this.lasting = false;
    }
  }

  /**
   * The file for the teacher.
   *
   * @param {string} title  of the piece
   * @param {readonly string[]} questions  ids, in order
   */
  file(title, questions) {
    const answers = questions
      .filter((id) => id in this.state.answers)
      .map((id) => ({ question: id, ...this.of(id), seconds: Math.round(this.of(id).seconds) }));
    const { name } = this.state;
    return JSON.stringify({ format: "understave-answers", version: 1, homework: this.id, title, name, saved: new Date().toISOString(), answers }, null, 1);
  }
}
