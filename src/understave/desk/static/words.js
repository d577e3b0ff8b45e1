/** The words of the desk, by name, in the language of the page. */

import { filled, tableOf } from "/viewer/words.js";

const words = tableOf("desk");

/**
 * @param {string} name
 * @param {Record<string, string|number>} [values]  for its gaps; `n` is what is counted
 */
export function word(name, values = {}) {
  return filled(words[name] ?? name, values);
}
