/**
 * `<stave-question>`: a question to ask, its answer, and what is then to be told, hidden until it is wanted.
 *
 * In: `question`, `answer`, `told` (paragraphs), `numerals`. On paper the answer is left out; a page prints its answers by themselves.
 */

import { make, setText } from "./elements.js";
import { wordsOf } from "./words.js";

export class StaveQuestion extends HTMLElement {
  question = "";
  answer = "";
  /** @type {readonly string[]} */
  told = [];
  /** @type {Readonly<Record<string, import("./model.js").NumeralParts>>} */
  numerals = {};

  connectedCallback() {
    const words = wordsOf();
    const said = make("span", {}, words.showAnswer);
    const hidden = make(
      "details",
      { ontoggle: () => (said.textContent = hidden.open ? words.hideAnswer : words.showAnswer) },
      make("summary", {}, said),
      make("p", {}, setText(this.answer, this.numerals)),
      ...this.told.map((paragraph) => make("div", { class: "told" }, setText(paragraph, this.numerals))),
    );
    this.replaceChildren(
      make("p", { class: "asked" }, make("strong", {}, `${words.question}: `), setText(this.question, this.numerals)),
      hidden,
    );
  }
}

customElements.define("stave-question", StaveQuestion);
