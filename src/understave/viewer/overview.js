/**
 * `<stave-overview>`: the whole piece on one strip: its keys, the tension, the stops, and where the sound is.
 *
 * In: `lesson` (see `model.js`) and `second`. Out: the event `seek`, detail a second. A picture for the eye and the
 * mouse: everything on it is also in the player and in the score, where keyboards and screen readers find it.
 */

import { make } from "./elements.js";

const SVG = "http://www.w3.org/2000/svg";

export class StaveOverview extends HTMLElement {
  #head = make("div", { class: "head" });
  #length = 1;

  /** @param {import("./model.js").Lesson} lesson */
  show(lesson) {
    const { keys, tension, stops, bars } = lesson;
    this.#length = bars.at(-1)?.end || 1;
    const share = (/** @type {number} */ second) => `${(100 * second) / this.#length}%`;
    const names = new Map([...new Set(keys.map((k) => k.name))].map((name, i) => [name, i]));
    const strip = keys.map((key) => {
      const piece = make("div", { class: "key", title: key.name, "data-hue": (names.get(key.name) ?? 0) % 6 }, make("span", {}, key.short));
      piece.style.left = share(key.start);
      piece.style.width = share(key.end - key.start);
      return piece;
    });
    const flags = stops.map((stop, i) => {
      const flag = make("div", { class: "flag" }, make("span", {}, String(i + 1)));
      flag.style.left = share(bars[stop.first].start);
      return flag;
    });
    this.setAttribute("aria-hidden", "true");
    this.replaceChildren(
      make("div", { class: "flags" }, ...flags),
      make("div", { class: "keys" }, ...strip),
      make("div", { class: "tension" }, tension.length > 1 && curve(tension, this.#length)),
      this.#head,
    );
    this.#spread();
    this.onclick = (event) => {
      const box = this.getBoundingClientRect();
      const second = (this.#length * (event.clientX - box.left)) / box.width;
      this.dispatchEvent(new CustomEvent("seek", { detail: second }));
    };
  }

  /** Numbers that would lie upon each other stand side by side, as near to their lines as there is room. */
  #spread() {
    const flags = /** @type {HTMLElement[]} */ ([...this.querySelectorAll(".flag")]).sort((a, b) => a.offsetLeft - b.offsetLeft);
    const apart = (flags[0]?.firstElementChild?.clientWidth ?? 0) + 1;
    const places = flags.map((flag) => flag.offsetLeft);
    for (let i = 1; i < places.length; i++) places[i] = Math.max(places[i], places[i - 1] + apart);
    let most = this.clientWidth;
    for (let i = places.length - 1; i >= 0; i--) {
      places[i] = Math.min(places[i], most);
      most = places[i] - apart;
    }
    flags.forEach((flag, i) => (/** @type {HTMLElement} */ (flag.firstElementChild).style.left = `${places[i] - flag.offsetLeft}px`));
  }

  connectedCallback() {
    new ResizeObserver(() => this.#spread()).observe(this);
  }

  /** @param {number} second */
  set second(second) {
    this.#head.style.left = `${Math.min(100, (100 * second) / this.#length)}%`;
  }
}

/**
 * @param {readonly [number, number][]} points
 * @param {number} length
 */
function curve(points, length) {
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("viewBox", "0 0 1000 100");
  svg.setAttribute("preserveAspectRatio", "none");
  const path = svg.appendChild(document.createElementNS(SVG, "path"));
  // From the calmest moment of the piece to its tensest: the strip is low, and the shape is what matters.
  const values = points.map(([, v]) => v);
  const [least, most] = [Math.min(...values), Math.max(...values)];
  const height = (/** @type {number} */ v) => 94 - (88 * (v - least)) / (most - least || 1);
  const line = points.map(([s, v]) => `${((1000 * s) / length).toFixed(1)} ${height(v).toFixed(1)}`).join(" L");
  path.setAttribute("d", `M0 100 L${line} L1000 100 Z`);
  return svg;
}

customElements.define("stave-overview", StaveOverview);
