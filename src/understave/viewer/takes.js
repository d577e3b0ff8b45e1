/** The teacher's takes on the page: over time, and each in words, its slips to be marked in the score. */

import { make } from "./elements.js";
import { explained, signSlips } from "./slip-signs.js";

/**
 * What became of slips from take to take, and a table of the takes.
 *
 * @param {import("./model.js").TakesOverTime} times
 * @param {string} name
 * @returns {HTMLElement[]}
 */
export function timesOf({ told, headings, rows }, name) {
  return [
    make("h3", {}, name),
    ...(told.length > 0 ? [make("ul", {}, ...told.map((line) => make("li", {}, line)))] : []),
    make(
      "div",
      { class: "takes-table", tabindex: 0, role: "region", "aria-label": name },
      make("table", {}, make("thead", {}, make("tr", {}, ...headings.map((one) => make("th", { scope: "col" }, one)))), make("tbody", {}, ...rows.map((row) => make("tr", {}, ...row.map((one, k) => (k ? make("td", {}, one) : make("th", { scope: "row" }, one))))))),
    ),
  ];
}

/**
 * @param {import("./model.js").Playing} playing
 * @param {import("./score.js").StaveScore} score
 * @param {Readonly<Record<string, string>>} words
 * @returns {HTMLElement[]}
 */
export function takesOf(playing, score, words) {
  /** @type {HTMLElement[]} */
  const buttons = [];
  /** @param {import("./model.js").Slips} slips  @param {HTMLElement|null} pressed */
  const mark = (slips, pressed) => {
    signSlips(score, slips);
    for (const one of buttons) one.setAttribute("aria-pressed", String(one === pressed));
  };
  /** @param {import("./model.js").Playing["takes"][number]} take */
  const told = ({ told, slips }) => {
    const signs = explained(slips, playing.signs);
    const button = make("button", { type: "button", "aria-pressed": "false", onclick: () => (button.getAttribute("aria-pressed") === "true" ? mark({}, null) : mark(slips, button)) }, words.ownPlayingSlips);
    if (signs.length > 0) buttons.push(button);
    return [make("ul", {}, ...told.map((line) => make("li", {}, line))), ...(signs.length > 0 ? [button, ...signs] : [])];
  };
  const { takes, times } = playing;
  return [
    ...(times.rows.length > 1 ? timesOf(times, words.ownPlayingTimes) : []),
    ...(takes.length > 1 ? takes.map((take, k) => make("details", { class: "take", open: k === 0 }, make("summary", {}, take.name), ...told(take))) : told(takes[0])),
  ];
}
