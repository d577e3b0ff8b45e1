/** The typed lines of a bar: notes moved by steps, words found; and the engraved bar they belong to. */

const LETTERS = "CDEFGAB";
/** Letters in the order in which signatures sharpen them; flats come from the other end. */
const SHARPENED = "FCGDAEB";
const NOTE = /^(_?)([A-Ga-g])(?:##?|bb?|x|♯|♭|𝄪|𝄫|♮)?([0-9])(.*)$/u;

/** @param {string} letter @param {number} key  in fifths @returns {string} its accidental in the signature */
function signed(letter, key) {
  const place = SHARPENED.indexOf(letter);
  if (key > 0) return place < key ? "#" : "";
  return 6 - place < -key ? "b" : "";
}

/**
 * A word of a line moved by steps of the staff; every note of a chord moves, and takes the accidental of the key.
 *
 * @param {string} text @param {number} steps @param {number} key  in fifths @returns {string} as it was where it is no note
 */
export function stepped(text, steps, key) {
  const inside = /^\((.*)\)$/.exec(text);
  if (inside) return `(${stepped(inside[1], steps, key)})`;
  return text
    .split("+")
    .map((part) => {
      const found = NOTE.exec(part);
      if (!found) return part;
      const [, back, letter, octave, rest] = found;
      const at = 7 * Number(octave) + LETTERS.indexOf(letter.toUpperCase()) + steps;
      if (at < 0 || at >= 70) return part;
      const name = LETTERS[at % 7];
      return `${back}${name}${signed(name, key)}${Math.floor(at / 7)}${rest}`;
    })
    .join("+");
}

/** @param {string} text @param {number} at @returns {[number, number]} where the word at a place begins and ends */
export function wordAt(text, at) {
  const from = text.slice(0, at).search(/\S*$/);
  const rest = text.slice(from).search(/\s|$/);
  return [from, from + rest];
}

/** @param {string} text @returns {SVGSVGElement} */
export function drawing(text) {
  const read = new DOMParser().parseFromString(text, "image/svg+xml").documentElement;
  return /** @type {SVGSVGElement} */ (/** @type {unknown} */ (document.importNode(read, true)));
}

/** @param {SVGElement} svg @returns {{step: number, unit: number}} a step of the staff in pixels of the screen, and a pixel in units of the drawing */
export function staffStep(svg) {
  const [first, second] = [...svg.querySelectorAll(".staff > path")].map((line) => line.getBoundingClientRect());
  const step = first && second ? (second.y - first.y) / 2 : 4;
  const group = svg.querySelector(".note");
  const matrix = group instanceof SVGGraphicsElement ? group.getScreenCTM() : null;
  return { step, unit: matrix ? 1 / matrix.d : 1 };
}
