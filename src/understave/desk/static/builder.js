/**
 * `<desk-builder>`: the lesson: which stops in which order, their words, the contrasts to hear, and making it all.
 *
 * Every change stands in lesson.toml before it shows here. Out: the events `show` (detail `{first, last, notes}`),
 * `play` (detail `{first, last}`) and `trouble` (detail a sentence).
 */

import { make, plain, setText } from "/viewer/elements.js";
import "/viewer/contrast.js";
import { get, post } from "./link.js";

const LEVELS = ["beginner", "intermediate", "advanced"];
/** @type {[string, string][]} */
const FIELDS = [["title", "Title"], ["say", "What to say"], ["question", "Question"], ["answer", "Answer"], ["play", "At the piano"]];

export class DeskBuilder extends HTMLElement {
  /** @type {any} */
  #lesson = null;
  #ticket = "";
  /** @type {string[]} */
  #files = [];
  #open = "";
  #step = make("p", { class: "hint", role: "status" });
  #bar = make("progress", { max: 1, value: 0, "aria-label": "Making the lesson" });
  #making = false;
  #stale = true;

  /**
   * @param {string} ticket  under which exported files can be looked at
   * @param {string[]} files  that are there
   */
  begin(ticket, files) {
    this.#ticket = ticket;
    this.#files = files;
    this.#stale = true;
    this.show();
  }

  /** Ask for the stops if they are not here yet or the reading has changed. */
  async wake() {
    if (!this.#stale) return;
    this.#stale = false;
    await this.#take(get("/api/stops"));
  }

  /** The reading or the stops have changed somewhere else. */
  renew() {
    this.#stale = true;
    if (this.offsetParent !== null && !this.contains(document.activeElement)) void this.wake();
  }

  /** @param {any} message  about an export */
  exported(message) {
    this.#making = !("done" in message || message.error || message.stopped);
    if (typeof message.share === "number") this.#bar.value = message.share;
    if (message.step) this.#step.textContent = `${message.step}.`.replace(/^./, (c) => c.toUpperCase());
    if (message.exports) [this.#files, this.#ticket] = [message.exports, message.ticket];
    if ("done" in message) this.#step.textContent = ["The lesson is made.", ...message.done].join(" ");
    if (message.stopped) this.#step.textContent = "Stopped. The lesson made before is still whole.";
    if (message.error) this.#step.textContent = message.error;
    if (!this.#making || !this.querySelector(".stop-making")) this.#drawExport();
  }

  show() {
    const lesson = this.#lesson;
    if (!lesson) {
      this.replaceChildren(make("p", { class: "hint" }, "The stops are being chosen."), this.#exportPlace());
      this.#drawExport();
      return;
    }
    const minutes = make("input", { type: "number", id: "minutes", min: 1, max: 180, value: lesson.minutes });
    const choice = (/** @type {string} */ id, /** @type {string} */ name, /** @type {[string, string][]} */ options, /** @type {string} */ now) => [
      make("label", { for: id }, name),
      make("select", { id, onchange: (/** @type {Event} */ e) => this.#change({ what: "ask", [id]: /** @type {HTMLSelectElement} */ (e.target).value }) }, ...options.map(([v, t]) => make("option", { value: v, selected: v === now }, t))),
    ];
    minutes.addEventListener("change", () => this.#change({ what: "ask", minutes: Number(minutes.value) }));
    this.replaceChildren(
      make(
        "div",
        { class: "wishes" },
        make("label", { for: "minutes" }, "Minutes"),
        minutes,
        ...choice("level", "For", LEVELS.map((l) => /** @type {[string, string]} */ ([l, l])), lesson.level),
        ...choice("language", "In", [["en", "English"], ["de", "German"]], lesson.language),
        ...choice("paper", "On", [["a4", "A4"], ["us-letter", "Letter"]], lesson.paper),
      ),
      make("h3", {}, `${lesson.chosen.length} stops, about ${Math.max(1, Math.round(lesson.seconds / 60))} minutes`),
      make("ol", { class: "stops" }, ...lesson.chosen.map((/** @type {any} */ s, /** @type {number} */ i) => make("li", {}, this.#chosen(s, i)))),
      this.#own(),
      make(
        "details",
        { class: "more" },
        make("summary", {}, `${lesson.others.length} more places to stop`),
        make("ul", { class: "stops" }, ...lesson.others.map((/** @type {any} */ s) => make("li", {}, make("div", { class: "stop-line" }, make("span", { class: "name" }, plain(s.title)), make("button", { type: "button", onclick: () => this.#show(s) }, "Look"), make("button", { type: "button", onclick: () => this.#change({ what: "take", stop: s.id }) }, "Take"))))),
      ),
      make("h3", {}, "Contrasts to hear"),
      make("ul", { class: "stops" }, ...lesson.contrasts.map((/** @type {any} */ c) => this.#contrast(c))),
      this.#exportPlace(),
    );
    this.#drawExport();
  }

  /** @param {any} s @param {number} i */
  #chosen(s, i) {
    const lesson = this.#lesson;
    const shown = lesson.chosen.map((/** @type {any} */ o) => o.id);
    const move = (/** @type {number} */ to, /** @type {string} */ name, /** @type {string} */ sign) =>
      make("button", { type: "button", class: "small", "data-move": name, "aria-label": `${name}: ${plain(s.title)}`, title: name, disabled: to < 0 || to >= shown.length, onclick: () => this.#change({ what: "move", stop: s.id, to, shown }, `[data-stop="${s.id}"] [data-move="${name}"]`) }, sign);
    const texts = FIELDS.map(([field, name]) => {
      const id = `${s.id}-${field}`;
      const key = field === "say" ? `say.${lesson.level}` : field;
      const area = make("textarea", { id, rows: field === "title" ? 1 : 3, maxlength: 4000 });
      area.value = s[field];
      area.addEventListener("change", () => this.#change({ what: "text", stop: s.id, field, text: area.value, bars: s.bars }, `#${CSS.escape(id)}`));
      const yours = s.edited.includes(key);
      return make(
        "div",
        { class: "text" },
        make("label", { for: id }, name, yours && make("span", { class: "yours" }, " (yours)")),
        area,
        yours && make("button", { type: "button", class: "small", onclick: () => this.#change({ what: "text", stop: s.id, field, text: "", bars: s.bars }) }, "Back to the proposed words"),
      );
    });
    return make(
      "details",
      { class: "stop-card", "data-stop": s.id, open: this.#open === s.id, ontoggle: (/** @type {Event} */ e) => (this.#open = /** @type {HTMLDetailsElement} */ (e.target).open ? s.id : this.#open === s.id ? "" : this.#open) },
      make("summary", {}, make("span", { class: "name" }, plain(s.title)), make("span", { class: "where" }, ` ${s.why}, ${s.seconds} s`)),
      make(
        "div",
        { class: "hear" },
        move(i - 1, "Earlier", "↑"),
        move(i + 1, "Later", "↓"),
        make("button", { type: "button", class: "small", onclick: () => this.#show(s) }, "Show"),
        make("button", { type: "button", class: "small", onclick: () => this.dispatchEvent(new CustomEvent("play", { detail: s })) }, "▶ Hear"),
        make("button", { type: "button", class: "small", onclick: () => this.#change({ what: "leave out", stop: s.id }) }, s.own ? "Delete" : "Leave out"),
      ),
      ...texts,
    );
  }

  #own() {
    const bars = make("input", { type: "text", id: "own-bars", size: 8, placeholder: "12-14", maxlength: 20 });
    const title = make("input", { type: "text", id: "own-title", placeholder: "Cross the hands", maxlength: 120 });
    const shown = this.#lesson.chosen.map((/** @type {any} */ o) => o.id);
    return make(
      "details",
      { class: "more" },
      make("summary", {}, "A stop of your own"),
      make(
        "form",
        { class: "say", onsubmit: (/** @type {Event} */ e) => (e.preventDefault(), this.#change({ what: "own", bars: bars.value, title: title.value, shown })) },
        make("label", { for: "own-bars" }, "Bars"), bars, make("label", { for: "own-title" }, "Title"), title,
        make("button", { type: "submit" }, "Add"),
      ),
    );
  }

  /** @param {any} c */
  #contrast(c) {
    const place = make("div", {});
    const button = make("button", { type: "button", onclick: () => load() }, "Hear both");
    const load = async () => {
      button.disabled = true;
      button.textContent = "Being played";
      try {
        const element = /** @type {import("/viewer/contrast.js").StaveContrast} */ (document.createElement("stave-contrast"));
        element.contrast = await get(`/api/contrast?name=${encodeURIComponent(c.name)}`);
        place.replaceChildren(element);
        button.remove();
      } catch (error) {
        button.disabled = false;
        button.textContent = "Hear both";
        this.#trouble(error);
      }
    };
    return make("li", {}, make("div", { class: "stop-line" }, make("span", { class: "name" }, `Bars ${c.place}: ${c.what}`), button), make("p", { class: "hint" }, setText(c.listen, {})), place);
  }

  /** @param {any} s */
  #show(s) {
    this.dispatchEvent(new CustomEvent("show", { detail: s }));
  }

  // --- making ----------------------------------------------------------------------------------------------

  #exportPlace() {
    return make("section", { class: "making", "aria-label": "Make the lesson" }, make("h3", {}, "Make the lesson"), make("div", { class: "making-inside" }));
  }

  #drawExport() {
    const place = this.querySelector(".making-inside");
    if (!place) return;
    const shown = (/** @type {string} */ name, /** @type {string} */ text) =>
      this.#files.includes(name) && make("li", {}, make("a", { href: `/shown/${this.#ticket}/${name}`, target: "_blank", rel: "noopener" }, text));
    place.replaceChildren(
      make("p", { class: "hint" }, "Handout, lesson page, score, exercises and all the other files, into the folder exports. What has not changed is kept."),
      this.#making
        ? make("div", { class: "line" }, this.#bar, make("button", { type: "button", class: "stop-making", onclick: () => post("/api/export/stop", {}).catch((e) => this.#trouble(e)) }, "Stop"))
        : make("button", { type: "button", class: "make", onclick: () => this.#export() }, "Make everything"),
      this.#step,
      make(
        "ul",
        { class: "made", "aria-label": "What is there" },
        shown("handout.pdf", "Look at the handout"),
        shown("page.html", "Look at the lesson page"),
        shown("score.pdf", "Look at the score"),
        shown("exercises.pdf", "Look at the exercises"),
      ),
      make("p", { class: "hint" }, this.#files.length > 0 ? `${this.#files.length} files in exports.` : "Nothing has been made yet."),
    );
  }

  async #export() {
    this.#making = true;
    this.#bar.value = 0;
    this.#step.textContent = "Beginning.";
    this.#drawExport();
    try {
      await post("/api/export", {});
    } catch (error) {
      this.#making = false;
      this.#step.textContent = "";
      this.#drawExport();
      this.#trouble(error);
    }
  }

  /**
   * @param {Record<string, unknown>} wish
   * @param {string} [focus]  where the writing mark belongs afterwards
   */
  async #change(wish, focus) {
    await this.#take(post("/api/stops/edit", wish), focus);
  }

  /** @param {Promise<any>} answer @param {string} [focus] */
  async #take(answer, focus) {
    try {
      this.#lesson = await answer;
      const top = this.closest("[data-panel]")?.scrollTop ?? 0;
      this.show();
      const panel = this.closest("[data-panel]");
      if (panel) panel.scrollTop = top;
      const place = focus ? this.querySelector(focus) : null;
      if (place instanceof HTMLElement) place.focus({ preventScroll: true });
    } catch (error) {
      this.#stale = true;
      this.#trouble(error);
    }
  }

  /** @param {unknown} error */
  #trouble(error) {
    this.dispatchEvent(new CustomEvent("trouble", { detail: error instanceof Error ? error.message : String(error), bubbles: true }));
  }
}

customElements.define("desk-builder", DeskBuilder);
