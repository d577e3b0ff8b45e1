/**
 * A panel that asks the desk for what it shows, from the first time it is looked at.
 *
 * What it shows is asked for again by `renew`. Out: the event `trouble` (detail a sentence).
 */

import { get } from "./link.js";

/** @template State */
export class AskingPanel extends HTMLElement {
  #awake = false;
  #path;

  /** @param {string} path  where the desk tells what is shown */
  constructor(path) {
    super();
    this.#path = path;
  }

  /** Ask, from the first time it is looked at. */
  async wake() {
    this.#awake = true;
    await this.renew();
  }

  /** Something has changed, or another lesson lies on the desk. */
  async renew() {
    if (this.#awake) await this.display(get(this.#path));
  }

  /** @param {Promise<State>} answer  what is shown when it has come; what has the focus keeps it */
  async display(answer) {
    try {
      const now = await answer;
      const held = document.activeElement instanceof HTMLElement && this.contains(document.activeElement) ? document.activeElement.id : "";
      this.replaceChildren(this.drawn(now));
      if (held) this.querySelector(/** @type {any} */ (`#${held}`))?.focus();
    } catch (error) {
      this.dispatchEvent(new CustomEvent("trouble", { detail: error instanceof Error ? error.message : String(error), bubbles: true }));
    }
  }

  /** @param {State} now @returns {Node} */
  drawn(now) {
    throw new Error(`nothing shows ${now}`);
  }
}
