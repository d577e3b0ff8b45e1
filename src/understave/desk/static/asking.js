/**
 * A panel that asks the desk for what it shows, from the first time it is looked at.
 *
 * What it shows is asked for again by `renew`. Out: the event `trouble` (detail a sentence).
 */

import { get } from "./link.js";

/**
 * Draw a part anew; what has the focus in it keeps it, and where one writes there.
 *
 * @param {HTMLElement} part @param {() => void} draw
 */
export function redraw(part, draw) {
  const active = document.activeElement;
  const held = active instanceof HTMLElement && part.contains(active) ? active : null;
  draw();
  // What is shown may be the same elements again; else what now has their id is meant.
  const place = held?.isConnected ? held : held?.id ? part.querySelector(`#${CSS.escape(held.id)}`) : null;
  if (place instanceof HTMLElement) place.focus();
  if (place instanceof HTMLTextAreaElement && held instanceof HTMLTextAreaElement) place.setSelectionRange(held.selectionStart, held.selectionEnd);
}

/** A panel tells of an error by the event `trouble`. @param {HTMLElement} panel @param {unknown} error */
export function troubled(panel, error) {
  panel.dispatchEvent(new CustomEvent("trouble", { detail: error instanceof Error ? error.message : String(error), bubbles: true }));
}

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
      redraw(this, () => this.replaceChildren(this.drawn(now)));
    } catch (error) {
      troubled(this, error);
    }
  }

  /** @param {State} now @returns {Node} */
  drawn(now) {
    throw new Error(`nothing shows ${now}`);
  }
}
