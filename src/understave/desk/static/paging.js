/** Turning pages: as many systems as fit are shown at once; the rest is a page further. */

export class Paging {
  /**
   * @param {HTMLElement} sheet  the element that scrolls
   * @param {import("/viewer/score.js").StaveScore} score
   */
  constructor(sheet, score) {
    this.sheet = sheet;
    this.score = score;
    this.on = false;
  }

  /** @param {boolean} on */
  set(on) {
    this.on = on;
    this.sheet.classList.toggle("paged", on);
    this.lay();
  }

  get #frames() {
    return /** @type {HTMLElement[]} */ ([...this.score.systems.querySelectorAll(":scope > .system")]);
  }

  /** Put white between the pages, so that each begins at the top. */
  lay() {
    const frames = this.#frames;
    for (const frame of frames) frame.style.marginTop = "";
    this.tops = [0];
    if (!this.on || frames.length === 0) return;
    const room = this.sheet.clientHeight;
    const start = this.sheet.getBoundingClientRect().top - this.sheet.scrollTop;
    let page = 0;
    for (const frame of frames) {
      const box = frame.getBoundingClientRect();
      const bottom = box.bottom - start;
      if (bottom > page + room && box.top - start > page + 1) {
        const next = page + room;
        frame.style.marginTop = `${Math.max(0, next - (box.top - start) + 8)}px`;
        page = next;
        this.tops.push(page);
      }
    }
    this.sheet.scrollTop = Math.round(this.sheet.scrollTop / room) * room;
  }

  /** @param {1|-1} way @returns {boolean} whether there was a page to turn */
  turn(way) {
    if (!this.on) return false;
    const room = this.sheet.clientHeight;
    this.sheet.scrollTop = (Math.round(this.sheet.scrollTop / room) + way) * room;
    return true;
  }

  /** @param {number} bar  bring the page with this bar up */
  show(bar) {
    const frame = this.score.systems.querySelector(`button[data-bar="${bar}"]`)?.parentElement;
    if (!frame) return;
    const top = frame.getBoundingClientRect().top - this.sheet.getBoundingClientRect().top + this.sheet.scrollTop;
    const room = this.sheet.clientHeight;
    const goal = Math.floor((top + 2) / room) * room;
    if (Math.abs(goal - this.sheet.scrollTop) > 2) this.sheet.scrollTop = goal;
  }
}
