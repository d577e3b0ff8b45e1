/**
 * Signs of slips at the heads of notes, each kind by shape as well as colour: as `engraving/slip_signs.py` draws them.
 *
 * Another key struck: a filled diamond behind the head; none struck: a broken ring around it; one struck besides: a
 * cross beside it.
 */

import { make } from "./elements.js";

/**
 * @typedef {"wrong"|"missed"|"extra"} Kind
 * @typedef {import("./model.js").Slips} Slips
 */

/** @type {readonly Kind[]} */
export const KINDS = ["wrong", "missed", "extra"];

const SVG = "http://www.w3.org/2000/svg";
/** How far a sign reaches beyond the head, and half of the cross, in widths of a head (set by eye). */
const [AROUND, ARM] = [0.45, 0.45];

/** @param {Kind} kind @param {DOMRect} head  in the coordinates of the note */
function pathOf(kind, { x, y, width, height }) {
  const [middle, level] = [x + width / 2, y + height / 2];
  const [wide, high] = [width * (0.5 + AROUND), height / 2 + width * AROUND];
  if (kind === "wrong") return `M${middle} ${level - 1.25 * high}l${1.25 * wide} ${1.25 * high}l${-1.25 * wide} ${1.25 * high}l${-1.25 * wide} ${-1.25 * high}Z`;
  if (kind === "missed") return `M${middle - wide} ${level}a${wide} ${high} 0 1 0 ${2 * wide} 0a${wide} ${high} 0 1 0 ${-2 * wide} 0`;
  const [right, over, arm] = [x + width * (1 + ARM), y - 0.6 * ARM * width, ARM * width];
  return `M${right - arm} ${over}h${2 * arm}M${right} ${over - arm}v${2 * arm}`;
}

/**
 * Put a sign at each head of a note.
 *
 * @param {Element} note
 * @param {Kind} kind
 */
export function sign(note, kind) {
  for (const head of note.querySelectorAll(":scope > .notehead")) {
    const path = document.createElementNS(SVG, "path");
    path.setAttribute("d", pathOf(kind, /** @type {SVGGraphicsElement} */ (head).getBBox()));
    path.setAttribute("class", `slip ${kind}`);
    if (kind === "extra") note.append(path);
    else note.prepend(path);
  }
}

/** @param {Element} note @param {Kind} kind */
export function unsign(note, kind) {
  for (const path of note.querySelectorAll(`:scope > .slip.${kind}`)) path.remove();
}

/**
 * Sign slips in the score, and none but these.
 *
 * @param {import("./score.js").StaveScore} score
 * @param {Slips} slips
 */
export function signSlips(score, slips) {
  for (const kind of KINDS) score.wear(kind, new Set(slips[kind] ?? []));
}

/**
 * What the signs of slips say, each drawn as it stands in the score; nothing where there are none.
 *
 * @param {Slips} slips
 * @param {Readonly<Record<string, string>>} words  by kind
 * @returns {HTMLElement[]}
 */
export function explained(slips, words) {
  const kinds = KINDS.filter((kind) => slips[kind]?.length);
  if (kinds.length === 0) return [];
  const signs = make(
    "p",
    { class: "hint slip-signs" },
    ...kinds.map((kind) => {
      const picture = document.createElementNS(SVG, "svg");
      picture.setAttribute("viewBox", "-12 -14 36 28");
      picture.setAttribute("aria-hidden", "true");
      const path = document.createElementNS(SVG, "path");
      path.setAttribute("d", pathOf(kind, new DOMRect(0, -5, 12, 10)));
      path.setAttribute("class", `slip ${kind}`);
      picture.append(path);
      return make("span", {}, picture, ` ${words[kind]}`);
    }),
  );
  return [make("style", {}, SIGN_STYLE), signs];
}

/** How the signs look, in the score and where they are explained. */
export const SIGN_STYLE = `
  .slip { fill: none; stroke-width: 1.6px; vector-effect: non-scaling-stroke; }
  .slip.wrong { stroke: var(--wrong, #b04b00); fill: var(--wrong-ground, #fce3d2); }
  .slip.missed { stroke: var(--missed, #00598b); stroke-dasharray: 4px 3px; }
  .slip.extra { stroke: var(--extra, #7d3f66); stroke-width: 2.4px; }
`;
