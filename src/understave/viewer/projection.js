/**
 * `<stave-projection>`: the stops of a lesson on the wall, one at a time, as large as the screen allows.
 *
 * In: `lesson` (see `model.js`) and `player`, what plays bars. `show()` opens it over the page, `close()` leaves it.
 * Keys: those of a presenter's remote go one step on or back (Page Down, Page Up, also arrows and space), `.` and `b` turn
 * the screen black, F5 begins again after leaving, Escape leaves. A step is the question, then its answer, then the next stop.
 */

import { clockTime, make, setText } from "./elements.js";
import { fitted, setDark, isDark } from "./screen.js";
import { wordsOf } from "./words.js";

/**
 * @typedef {object} Step
 * @property {number} stop
 * @property {boolean} told  whether the answer is shown
 */

export class StaveProjection extends HTMLElement {
  /** @type {import("./model.js").Lesson|null} */
  lesson = null;
  /** @type {import("./transport.js").StaveTransport|null} */
  player = null;
  /** @type {Step} */
  #step = { stop: 0, told: false };
  /** @type {import("./score.js").StaveScore|null} */
  #score = null;
  /** @type {Map<number, import("./contrast.js").StaveContrast>} */
  #contrasts = new Map();
  #contrast = -1;
  #pointed = -1;
  #shown = false;
  #filled = false;
  /** Seconds spent on each stop, and when the clock last told. */
  #spent = new Map();
  #ticked = 0;
  #timer = 0;
  #parts = { root: make("div"), sheet: make("div"), text: make("div"), clock: make("div"), answer: make("button"), hear: make("button"), compare: make("button") };

  get open() {
    return this.#shown;
  }

  connectedCallback() {
    addEventListener("resize", () => this.#shown && this.#fit());
    document.addEventListener("fullscreenchange", () => {
      if (this.#filled && !document.fullscreenElement) this.close();
      this.#filled = Boolean(document.fullscreenElement) && this.#shown;
    });
    // On the window, before anything on the page hears of it.
    addEventListener("keydown", (event) => this.#keyed(event), true);
  }

  /** @param {{stop?: number, fill?: boolean}} [how]  where to begin; whether to fill the screen */
  show({ stop = this.#step.stop, fill = false } = {}) {
    if (!this.lesson || this.lesson.stops.length === 0) return;
    this.player?.pause();
    this.#shown = true;
    this.hidden = false;
    for (const other of document.body.children) if (other !== this && other instanceof HTMLElement) other.inert = true;
    document.documentElement.classList.add("projecting");
    this.#build();
    this.#go({ stop, told: this.#step.told && stop === this.#step.stop });
    this.#ticked = performance.now();
    this.#timer = window.setInterval(() => this.#tick(), 500);
    this.#parts.root.focus();
    if (fill) this.fill();
  }

  close() {
    if (!this.#shown) return;
    this.#tick();
    clearInterval(this.#timer);
    this.player?.pause();
    this.#shown = false;
    this.#score = null;
    this.#contrasts.clear();
    this.replaceChildren();
    this.hidden = true;
    for (const other of document.body.children) if (other instanceof HTMLElement) other.inert = false;
    document.documentElement.classList.remove("projecting");
    if (document.fullscreenElement) void document.exitFullscreen();
    this.dispatchEvent(new CustomEvent("closed"));
  }

  /** Fill the screen where the browser allows; a window serves as well. */
  fill() {
    if (document.fullscreenElement) void document.exitFullscreen();
    else document.documentElement.requestFullscreen?.().catch(() => {});
  }

  /** @param {ReadonlySet<string>} notes  that sound now */
  light(notes) {
    this.#score?.light(notes);
  }

  // --- steps -----------------------------------------------------------------------------------------------

  /** @param {1|-1} way */
  #stepped(way) {
    const { stop, told } = this.#step;
    if (this.#contrast >= 0) this.#compare(-1);
    else if (way > 0 && !told && this.#hides(stop)) this.#go({ stop, told: true });
    else if (way < 0 && told) this.#go({ stop, told: false });
    else this.#toStop(stop + way, way < 0);
  }

  /** @param {number} stop @param {boolean} [told] */
  #toStop(stop, told = false) {
    const stops = this.lesson?.stops ?? [];
    if (stop < 0 || stop >= stops.length) return;
    this.player?.pause();
    this.#go({ stop, told: told && this.#hides(stop) });
  }

  /** @param {number} stop @returns {boolean} whether something is told only when asked for */
  #hides(stop) {
    const one = this.lesson?.stops[stop];
    return Boolean(one && (one.answer || one.words.length > 0));
  }

  /** @param {Step} step */
  #go(step) {
    const fresh = !this.#score || step.stop !== this.#step.stop;
    this.#tick();
    this.#step = step;
    this.#contrast = -1;
    if (fresh) this.#pointed = -1;
    this.#draw(fresh);
  }

  /** @param {number} which  of the stop's contrasts; -1 goes back to its bars */
  #compare(which) {
    this.player?.pause();
    this.#contrast = which;
    this.#draw(which < 0);
  }

  // --- what is seen ----------------------------------------------------------------------------------------

  #build() {
    const words = wordsOf();
    /** @param {string} name @param {string} sign @param {() => void} does */
    const button = (name, sign, does) =>
      make(
        "button",
        {
          type: "button", "aria-label": name === sign ? null : name, title: name,
          onclick: (/** @type {MouseEvent} */ event) => {
            does();
            // The mouse is not to leave the keys of a remote on a button.
            if (event.detail > 0 && this.#shown) this.#parts.root.focus();
          },
        },
        sign,
      );
    const parts = this.#parts;
    parts.answer = button(words.answerKey, words.answerKey, () => this.#go({ ...this.#step, told: !this.#step.told }));
    parts.hear = button(words.hearKey, words.hearKey, () => this.#hear());
    parts.compare = button(words.compareKey, words.compareKey, () => this.#nextContrast());
    parts.clock = make("div", { class: "clock", role: "timer", "aria-live": "off" });
    parts.sheet = make("div", { class: "screen" });
    parts.text = make("div", { class: "said", "aria-live": "polite" });
    const tools = make(
      "div",
      { class: "controls", role: "toolbar", "aria-label": words.projection },
      button(words.stepBack, "‹", () => this.#stepped(-1)),
      button(words.stepOn, "›", () => this.#stepped(1)),
      parts.answer,
      this.lesson?.sound ? parts.hear : null,
      parts.compare,
      button(words.blank, "■", () => this.#blank()),
      button(words.dark, "◐", () => setDark(!isDark())),
      button(words.fullScreen, "⤢", () => this.fill()),
      button(words.leave, "✕", () => this.close()),
    );
    parts.root = make(
      "div",
      { class: "projected", role: "dialog", "aria-modal": "true", "aria-label": `${words.projection}: ${this.lesson?.title}`, tabindex: -1 },
      make("div", { class: "above" }, make("div", { class: "place" }), parts.clock),
      parts.sheet,
      parts.text,
      tools,
    );
    this.replaceChildren(parts.root);
  }

  /** @param {boolean} fresh  whether the picture is another one */
  #draw(fresh) {
    const { lesson } = this;
    if (!lesson) return;
    const words = wordsOf();
    const stop = lesson.stops[this.#step.stop];
    const text = (/** @type {string} */ t) => setText(t, lesson.numerals);
    const { sheet, answer, compare, root } = this.#parts;
    const place = root.querySelector(".place");
    place?.replaceChildren(words.stopOf(this.#step.stop + 1, lesson.stops.length), " · ", stop.place);
    const told = this.#step.told || !this.#hides(this.#step.stop);
    answer.setAttribute("aria-pressed", String(told));
    answer.hidden = !this.#hides(this.#step.stop);
    compare.hidden = stop.contrasts.length === 0;
    compare.setAttribute("aria-pressed", String(this.#contrast >= 0));
    root.classList.toggle("comparing", this.#contrast >= 0);
    if (this.#contrast >= 0) {
      sheet.replaceChildren(this.#contrastAt(stop.contrasts[this.#contrast]));
      this.#score = null;
    } else if (fresh || !this.#score) this.#engrave(stop);
    const answered = stop.answer ? [stop.answer] : stop.words;
    this.#parts.text.replaceChildren(
      make("div", { class: "asked" }, make("h2", {}, text(stop.question || stop.heading))),
      // It keeps its room while it is hidden, so that nothing moves when it is told.
      make("div", { class: told ? "told" : "told waiting" }, ...answered.map((t) => make("p", {}, text(t)))),
    );
    this.#fold(!told);
    this.#fit();
    this.#tell();
  }

  /** @param {import("./model.js").Stop} stop */
  #engrave(stop) {
    const { lesson } = this;
    if (!lesson) return;
    const words = wordsOf();
    const score = /** @type {import("./score.js").StaveScore} */ (document.createElement("stave-score"));
    score.setAttribute("still", "");
    score.setAttribute("role", "img");
    score.setAttribute("aria-label", `${lesson.title}, ${words.bars(lesson.bars[stop.first].number, lesson.bars[stop.last].number)}`);
    score.bars = lesson.bars;
    score.layouts = [{ width: 100, pages: [stop.excerpt] }];
    const point = (/** @type {PointerEvent|MouseEvent} */ event) => this.#pointAt(score.notesNear(event.clientX, event.clientY));
    score.addEventListener("pointermove", point);
    score.addEventListener("click", point);
    score.addEventListener("pointerleave", () => this.#pointAt([]));
    this.#score = score;
    this.#parts.sheet.replaceChildren(score);
    // The plan of how to play would make the music smaller.
    for (const lane of score.lanes) if (lane.endsWith("-lane")) score.fold(lane, true);
  }

  /** @param {number} index  in the lesson */
  #contrastAt(index) {
    let found = this.#contrasts.get(index);
    if (!found && this.lesson) {
      found = /** @type {import("./contrast.js").StaveContrast} */ (document.createElement("stave-contrast"));
      found.setAttribute("largest", "40");
      found.numerals = this.lesson.numerals;
      found.contrast = this.lesson.contrasts[index];
      this.#contrasts.set(index, found);
    }
    return found ?? "";
  }

  /** @param {boolean} folded  hide the lanes, which name what is asked for */
  #fold(folded) {
    const score = this.#score;
    if (!score) return;
    this.#parts.sheet.classList.toggle("asking", folded);
    score.toggleAttribute("bare", folded);
  }

  #fit() {
    const { sheet, text } = this.#parts;
    text.classList.remove("long");
    if (text.scrollHeight > text.clientHeight + 1) text.classList.add("long");
    const style = getComputedStyle(sheet);
    const room = sheet.clientHeight - parseFloat(style.paddingTop) - parseFloat(style.paddingBottom);
    const shown = sheet.firstElementChild;
    if (shown instanceof HTMLElement) fitted(shown, room);
  }

  // --- pointing, hearing, time -----------------------------------------------------------------------------

  /** @param {readonly string[]} notes  that are struck where the pointer is */
  #pointAt(notes) {
    const rows = this.lesson?.stops[this.#step.stop].struck ?? [];
    const begins = rows.filter(([id]) => notes.includes(id)).map(([, start]) => start);
    this.#lightAt(begins.length > 0 ? Math.max(...begins) : null);
  }

  /** @param {number|null} moment  in quarter notes */
  #lightAt(moment) {
    const rows = this.lesson?.stops[this.#step.stop].struck ?? [];
    const sounds = moment === null ? [] : rows.filter(([, start, end]) => start <= moment && (moment < end || start === moment));
    this.#score?.light(new Set(sounds.map(([id]) => id)));
  }

  /** @param {1|-1} way  to the next chord struck, or the one before */
  #pointOn(way) {
    const rows = this.lesson?.stops[this.#step.stop].struck ?? [];
    const moments = [...new Set(rows.map(([, start]) => start))].sort((a, b) => a - b);
    this.#pointed = Math.max(0, Math.min(moments.length - 1, this.#pointed + way));
    this.#lightAt(moments[this.#pointed] ?? null);
  }

  #hear() {
    const stop = this.lesson?.stops[this.#step.stop];
    if (!stop || !this.player?.sound) return;
    if (this.player.playing) this.player.pause();
    else this.player.playBars(stop.first, stop.last);
  }

  #nextContrast() {
    const count = this.lesson?.stops[this.#step.stop].contrasts.length ?? 0;
    if (count > 0) this.#compare(this.#contrast + 1 < count ? this.#contrast + 1 : -1);
  }

  /** @param {number} version */
  #hearVersion(version) {
    const stop = this.lesson?.stops[this.#step.stop];
    if (!stop || stop.contrasts.length === 0) return;
    if (this.#contrast < 0) this.#compare(0);
    const one = this.#contrasts.get(stop.contrasts[this.#contrast]);
    if (one?.contrast && version < one.contrast.sides.length) one.choose(version);
  }

  #blank() {
    this.#parts.root.classList.toggle("blank");
  }

  #tick() {
    const now = performance.now();
    if (this.#ticked > 0 && this.#shown) {
      const { stop } = this.#step;
      this.#spent.set(stop, (this.#spent.get(stop) ?? 0) + (now - this.#ticked) / 1000);
    }
    this.#ticked = now;
    this.#tell();
  }

  #tell() {
    const { lesson } = this;
    if (!lesson || !this.#shown) return;
    const words = wordsOf();
    let whole = 0;
    for (const seconds of this.#spent.values()) whole += seconds;
    const here = this.#spent.get(this.#step.stop) ?? 0;
    const { seconds } = lesson.stops[this.#step.stop];
    const of = (/** @type {number} */ spent, /** @type {number} */ planned) => clockTime(spent) + (planned > 0 ? ` / ${clockTime(planned)}` : "");
    const item = (/** @type {string} */ name, /** @type {number} */ spent, /** @type {number} */ planned) =>
      make("span", { class: planned > 0 && spent > planned ? "late" : "" }, `${name} ${of(spent, planned)}`);
    this.#parts.clock.replaceChildren(item(words.clockStop, here, seconds), item(words.clockLesson, whole, 60 * lesson.minutes));
  }

  // --- keys ------------------------------------------------------------------------------------------------

  /** @param {KeyboardEvent} event */
  #keyed(event) {
    if (event.altKey || event.ctrlKey || event.metaKey) return;
    if (!this.#shown) {
      // A remote's key that begins a show is the browser's for loading anew, until a show has been begun.
      if (event.key === "F5" && this.#spent.size > 0) {
        event.preventDefault();
        this.show({ fill: true });
      }
      return;
    }
    const onButton = event.composedPath().some((e) => e instanceof HTMLElement && e.matches("button"));
    if (event.key === "Tab" || (onButton && (event.key === " " || event.key === "Enter"))) return;
    const does = this.#does(event);
    if (!does) return;
    event.preventDefault();
    event.stopPropagation();
    const blank = this.#parts.root.classList.contains("blank");
    const again = [".", "b", "B", "Escape"].includes(event.key);
    if (blank && !again) this.#blank();
    else does();
  }

  /** @param {KeyboardEvent} event @returns {(() => void)|undefined} */
  #does(event) {
    const on = () => this.#stepped(1);
    const back = () => this.#stepped(-1);
    const last = (this.lesson?.stops.length ?? 1) - 1;
    if (event.shiftKey && event.key === "ArrowRight") return () => this.#pointOn(1);
    if (event.shiftKey && event.key === "ArrowLeft") return () => this.#pointOn(-1);
    if (/^[1-9]$/.test(event.key)) return () => this.#hearVersion(Number(event.key) - 1);
    /** @type {Record<string, () => void>} */
    const keys = {
      PageDown: on, ArrowRight: on, Enter: on, " ": event.shiftKey ? back : on,
      PageUp: back, ArrowLeft: back, Backspace: back,
      ArrowDown: () => this.#toStop(this.#step.stop + 1), ArrowUp: () => this.#toStop(this.#step.stop - 1),
      Home: () => this.#toStop(0), End: () => this.#toStop(last),
      a: () => this.#go({ ...this.#step, told: !this.#step.told }), h: () => this.#hear(), c: () => this.#nextContrast(),
      ".": () => this.#blank(), b: () => this.#blank(), d: () => setDark(!isDark()), f: () => this.fill(),
      p: () => this.close(), Escape: () => this.close(), F5: () => {},
    };
    return keys[event.key.length === 1 ? event.key.toLowerCase() : event.key];
  }
}

customElements.define("stave-projection", StaveProjection);
