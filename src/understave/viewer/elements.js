/** Elements and texts: small functions from values to DOM. */

/** @typedef {Node|string|null|undefined|false} Child */

/**
 * Make an element. Attributes that are null or false are left out, true ones are empty; `on...` are listeners.
 *
 * @template {keyof HTMLElementTagNameMap} K
 * @param {K} name
 * @param {Record<string, unknown>} [attributes]
 * @param {Child[]} children
 * @returns {HTMLElementTagNameMap[K]}
 */
export function make(name, attributes = {}, ...children) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (key.startsWith("on")) element.addEventListener(key.slice(2), /** @type {EventListener} */ (value));
    else if (value === true) element.setAttribute(key, "");
    else if (value !== false && value !== null && value !== undefined) element.setAttribute(key, String(value));
  }
  for (const child of children) {
    if (child) element.append(child);
  }
  return element;
}

/**
 * A text as nodes; numerals between ⟨ and ⟩ are set with their figures above each other.
 *
 * @param {string} text
 * @param {Readonly<Record<string, import("./model.js").NumeralParts>>} numerals
 * @returns {DocumentFragment}
 */
export function setText(text, numerals) {
  const fragment = document.createDocumentFragment();
  for (const piece of text.split(/(⟨[^⟩]*⟩)/)) {
    const parts = numerals[piece];
    fragment.append(parts ? numeral(parts) : piece.replace(/[⟨⟩]/g, ""));
  }
  return fragment;
}

/** @param {import("./model.js").NumeralParts} parts @returns {HTMLElement} */
function numeral({ head, figures, target }) {
  const stack = figures.length > 0 && make("span", { class: "figures" }, ...figures.map((f) => make("span", {}, f)));
  const seen = make("span", { "aria-hidden": "true" }, head, stack, target);
  const said = make("span", { class: "unseen" }, [head, ...figures].join(" ") + target);
  return make("span", { class: "roman" }, seen, said);
}

/** @param {string} text @returns {string} the text without the signs around its numerals */
export function plain(text) {
  return text.replace(/[⟨⟩]/g, "");
}

/** @param {number} seconds @returns {string} such as 3:07 */
export function clockTime(seconds) {
  const whole = Math.max(0, Math.floor(seconds));
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
}
