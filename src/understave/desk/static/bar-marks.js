/**
 * What is corrected of a printed bar besides its notes: its marks as rows to fill in, and its bar lines.
 *
 * In: a bar as the desk tells it, and what to do with a change. Out: elements; nothing is kept here.
 */

import { make } from "/viewer/elements.js";
import { word } from "./words.js";

/**
 * @typedef {{kind: string, text: string, at: string, until: string, staff: number}} Mark
 * @typedef {{marks: Mark[], clefs: number[], repeat: string, ending: string, goes_on: boolean}} Marked
 * @typedef {(what: Record<string, unknown>) => void} Change
 */

const HAIRPINS = ["crescendo", "diminuendo"];
const KINDS = ["dynamic", ...HAIRPINS, "words", "tempo"];
const REPEATS = ["none", "begin", "end", "both"];

/** The rows of a bar's marks, in a form that is sent as a whole. @param {Marked} bar @param {Change} change */
export function markForm(bar, change) {
  const rows = make("div", { class: "mark-rows" }, ...bar.marks.map((mark) => markRow(mark, bar.clefs.length)));
  const last = bar.marks.at(-1);
  const add = () => {
    const row = markRow({ kind: "dynamic", text: "", at: last?.at ?? "1", until: "", staff: last?.staff ?? 1 }, bar.clefs.length);
    rows.append(row);
    row.querySelector("select")?.focus();
  };
  const set = (/** @type {Event} */ event) => {
    event.preventDefault();
    change({ what: "marks", marks: [...rows.children].map(read).filter((mark) => HAIRPINS.includes(mark.kind) || mark.text) });
  };
  return make("form", { onsubmit: set }, rows, make("div", { class: "hear" }, make("button", { type: "submit", id: "pages-marks-set" }, word("set")), make("button", { type: "button", class: "small", id: "pages-marks-add", onclick: add }, word("pages_mark_add"))));
}

/** @param {Mark} mark @param {number} staves */
function markRow(mark, staves) {
  const field = (/** @type {string} */ name, /** @type {string} */ value, /** @type {number} */ size) =>
    make("input", { type: "text", name, value, size, maxlength: name === "text" ? 80 : 20, autocomplete: "off", spellcheck: "false", "aria-label": word(`pages_mark_${name}`), title: word(`pages_mark_${name}`) });
  const text = field("text", mark.text, 10);
  const until = make("span", { class: "until" }, "– ", field("until", mark.until, 3));
  const kind = make("select", { name: "kind", "aria-label": word("pages_mark_kind"), onchange: () => fit() }, ...KINDS.map((k) => make("option", { value: k, selected: k === mark.kind }, word(`pages_mark_${k}`))));
  const staff = make("select", { name: "staff", "aria-label": word("pages_mark_staff"), hidden: staves < 2 });
  for (let n = 1; n <= staves; n++) staff.append(make("option", { value: n, selected: n === mark.staff }, word("pages_mark_on", { n })));
  const gone = make("button", { type: "button", class: "small", "aria-label": word("pages_mark_gone"), title: word("pages_mark_gone"), onclick: () => row.remove() }, "×");
  const row = make("div", { class: "mark-row" }, kind, text, make("span", {}, word("pages_mark_beat"), " ", field("at", mark.at, 3)), until, staff, gone);
  const fit = () => {
    const hairpin = HAIRPINS.includes(kind.value);
    [text.hidden, until.hidden] = [hairpin, !hairpin];
  };
  fit();
  return row;
}

/** @param {Element} row @returns {Mark} */
function read(row) {
  const of = (/** @type {string} */ name) => /** @type {HTMLInputElement|HTMLSelectElement} */ (row.querySelector(`[name="${name}"]`)).value.trim();
  return { kind: of("kind"), text: of("text"), at: of("at"), until: of("until"), staff: Number(of("staff")) };
}

/**
 * The bar lines: repeats, the ending, one that is none, and one that is missing, put on the page's picture.
 *
 * @param {Marked} bar @param {HTMLElement} picture  in which the missing line is shown @param {Change} change
 */
export function lineControls(bar, picture, change) {
  const repeat = make("select", { id: "pages-repeat", onchange: () => change({ what: "repeat", value: repeat.value }) }, ...REPEATS.map((r) => make("option", { value: r, selected: r === bar.repeat }, word(`pages_repeat_${r}`))));
  const ending = make("input", { type: "text", id: "pages-ending", value: bar.ending, size: 4, maxlength: 20, autocomplete: "off", onchange: () => change({ what: "ending", value: ending.value }) });
  const join = make("button", { type: "button", class: "small", id: "pages-join", disabled: !bar.goes_on, onclick: () => change({ what: "join" }) }, word("pages_join"));
  const line = make("div", { class: "missing-line", hidden: true });
  const place = make("input", { type: "range", id: "pages-split", min: 0, max: 1000, value: 500 });
  const split = make("button", { type: "button", class: "small", id: "pages-split-set", disabled: true, onclick: () => change({ what: "split", value: Number(place.value) / 1000 }) }, word("pages_split_set"));
  const show = () => {
    [line.hidden, split.disabled] = [false, false];
    line.style.left = `${Number(place.value) / 10}%`;
  };
  place.addEventListener("input", show);
  picture.querySelector(".missing-line")?.remove();
  picture.append(line);
  return [
    make("div", { class: "conditions" }, make("label", { for: repeat.id }, word("pages_repeat")), repeat, make("label", { for: ending.id }, word("pages_ending")), ending, make("label", { for: place.id }, word("pages_split")), place),
    make("div", { class: "hear" }, split, join),
  ];
}
