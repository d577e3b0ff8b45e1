/**
 * Engraved pages taken apart into systems, each a picture of its own, so that lanes can fold and pages need not
 * fit the screen. In: SVG pages of `engraving.engrave` or an excerpt. Out: `System`s, their glyphs apart.
 */

const SVG = "http://www.w3.org/2000/svg";
/** Clear space around a system and under its notation, in units of its drawing (a staff space is 180). */
const MARGIN = 110;
const CLEAR = 150;

/**
 * @typedef {object} Lane
 * @property {string} name
 * @property {SVGGElement} group
 * @property {number} top
 * @property {number} bottom
 * @property {number} gap  white above it as engraved
 *
 * @typedef {object} System
 * @property {SVGSVGElement} picture
 * @property {SVGGElement} group
 * @property {number} millimetres  of one unit of its drawing
 *
 * @typedef {object} Measured  a system's extent, once it is on the screen
 * @property {number} left
 * @property {number} right
 * @property {number} top
 * @property {number} bottom  of the notation, without lanes
 * @property {Lane[]} lanes  from top to bottom
 */

/**
 * @param {readonly string[]} pages
 * @returns {{glyphs: SVGSVGElement, systems: System[]}}
 */
export function systemsOf(pages) {
  const glyphs = document.createElementNS(SVG, "svg");
  glyphs.setAttribute("class", "glyphs");
  glyphs.setAttribute("aria-hidden", "true");
  const definitions = glyphs.appendChild(document.createElementNS(SVG, "defs"));
  /** @type {Set<string>} */
  const known = new Set();
  /** @type {System[]} */
  const systems = [];
  for (const page of pages) {
    const drawing = new DOMParser().parseFromString(page, "image/svg+xml");
    const root = /** @type {SVGSVGElement} */ (/** @type {Element} */ (document.importNode(drawing.documentElement, true)));
    const scale = millimetresPerUnit(root);
    for (const glyph of root.querySelectorAll(":scope > defs > *")) {
      if (!known.has(glyph.id)) definitions.append(glyph);
      known.add(glyph.id);
    }
    for (const group of root.querySelectorAll("g.system")) {
      const g = /** @type {SVGGElement} */ (group);
      const shrink = Number(/scale\(([\d.]+)/.exec(g.getAttribute("transform") ?? "")?.[1] ?? 1);
      const around = /** @type {SVGGElement} */ (/** @type {Element} */ (g.parentNode).cloneNode(false));
      g.removeAttribute("transform");
      around.append(g);
      const picture = document.createElementNS(SVG, "svg");
      picture.setAttribute("aria-hidden", "true");
      picture.append(around);
      systems.push({ picture, group: g, millimetres: scale * shrink });
    }
  }
  return { glyphs, systems };
}

/** @param {SVGSVGElement} root */
function millimetresPerUnit(root) {
  const width = parseFloat(root.getAttribute("width") ?? "");
  const units = Number(root.getAttribute("viewBox")?.split(/[ ,]+/)[2]);
  return width > 0 && units > 0 ? width / units : 0.01;
}

/**
 * Measure a system that is being shown, all its lanes in their engraved places.
 *
 * @param {System} system
 * @returns {Measured}
 */
export function measured({ group }) {
  let [left, right, top, bottom] = [Infinity, -Infinity, Infinity, -Infinity];
  /** @type {Lane[]} */
  const lanes = [];
  for (const child of group.children) {
    if (!(child instanceof SVGGraphicsElement)) continue;
    const box = child.getBBox();
    if (box.width === 0 && box.height === 0) continue;
    [left, right] = [Math.min(left, box.x), Math.max(right, box.x + box.width)];
    if (child.classList.contains("lane") && !child.classList.contains("symbols")) {
      const name = child.classList[1] ?? "";
      const lane = { name, group: /** @type {SVGGElement} */ (child), top: box.y, bottom: box.y + box.height, gap: 0 };
      lanes.push(lane);
    } else {
      [top, bottom] = [Math.min(top, box.y), Math.max(bottom, box.y + box.height)];
    }
  }
  lanes.sort((a, b) => a.top - b.top);
  let above = -Infinity;
  for (const lane of lanes) {
    lane.gap = Math.max(CLEAR / 2, Math.min(2 * CLEAR, lane.top - above));
    above = lane.bottom;
  }
  return { left, right, top, bottom, lanes };
}

/**
 * Hide the folded lanes, move the others up, and crop the picture.
 *
 * @param {System} system
 * @param {Measured} m
 * @param {ReadonlySet<string>} folded
 * @param {number} left  of all systems
 * @param {number} right  of all systems
 * @returns {number} the height of the picture in units of its drawing
 */
export function fold({ picture, group }, m, folded, left, right) {
  for (const symbols of group.querySelectorAll(":scope > .lane.symbols")) {
    /** @type {SVGGElement} */ (symbols).style.display = folded.has("symbols") ? "none" : "";
  }
  let floor = -Infinity;
  let bottom = m.bottom;
  for (const lane of m.lanes) {
    const hidden = folded.has(lane.name);
    lane.group.style.display = hidden ? "none" : "";
    if (hidden) continue;
    // Numerals may stand between low notes; the other lanes stay under all of them.
    const least = lane.name === "numerals" ? lane.top : m.bottom + CLEAR;
    const top = Math.min(lane.top, Math.max(floor + lane.gap, least));
    lane.group.setAttribute("transform", `translate(0,${top - lane.top})`);
    floor = top + lane.bottom - lane.top;
    bottom = Math.max(bottom, floor);
  }
  const height = bottom - m.top + 2 * MARGIN;
  picture.setAttribute("viewBox", `${left - MARGIN} ${m.top - MARGIN} ${right - left + 2 * MARGIN} ${height}`);
  return height;
}
