/**
 * The words on buttons and headings, in the language of the page; words about the music come with the lesson.
 *
 * They stand in the document as JSON, in the element `words`: tables of texts by name. A text may have gaps in braces;
 * what is counted is a table of texts by plural category, or for just one number.
 */

/** @typedef {string|Record<string, string>} Text */

/** @type {Record<string, Record<string, Text>>} */
const tables = JSON.parse(document.getElementById("words")?.textContent || "{}");
const plurals = pluralsOf(document.documentElement.lang);

/** @param {string} language */
function pluralsOf(language) {
  try {
    return new Intl.PluralRules(language || "en");
  } catch {
    return new Intl.PluralRules("en");
  }
}

/**
 * @param {string} name  of a table
 * @returns {Record<string, Text>}
 */
export function tableOf(name) {
  return tables[name] ?? {};
}

/**
 * A text with its gaps filled; the gap `n` chooses the form of what is counted.
 *
 * @param {Text} text
 * @param {Record<string, string|number>} [values]
 */
export function filled(text, values = {}) {
  const form = typeof text === "string" ? text : text[String(values.n)] ?? text[plurals.select(Number(values.n))] ?? text.other;
  return form.replace(/\{(\w+)\}/g, (gap, name) => String(values[name] ?? gap));
}

/** @returns {Record<string, any>} the words of the lesson page; those with gaps are functions */
export function wordsOf() {
  const page = tableOf("page");
  return {
    ...page,
    lane: tableOf("lanes"),
    percent: (/** @type {number} */ n) => filled(page.percent, { n }),
    bar: (/** @type {string} */ n) => filled(page.bar, { n }),
    bars: (/** @type {string} */ first, /** @type {string} */ last) => (first === last ? filled(page.bar, { n: first }) : filled(page.bars, { first, last })),
    taskOf: (/** @type {number} */ n, /** @type {number} */ all) => filled(page.taskOf, { n, all }),
    taskScore: (/** @type {number} */ n, /** @type {number} */ all) => filled(page.taskScore, { n, all }),
    stopOf: (/** @type {number} */ n, /** @type {number} */ all) => filled(page.stopOf, { n, all }),
  };
}
