/**
 * `<desk-builder>`: the lesson: which stops in which order, their words, the contrasts to hear, and making it all.
 *
 * Every change stands in lesson.toml before it shows here. Out: the events `show` (detail `{first, last, notes}`),
 * `play` (detail `{first, last}`) and `trouble` (detail a sentence).
 */

import { make, plain, setText } from "/viewer/elements.js";
import "/viewer/contrast.js";
import { redraw, troubled } from "./asking.js";
import { get, post } from "./link.js";
import "./voice.js";
import { word } from "./words.js";

const LEVELS = ["beginner", "intermediate", "advanced"];
const FIELDS = ["title", "say", "question", "answer", "play"];

export class DeskBuilder extends HTMLElement {
  /** @type {any} */
  #lesson = null;
  #ticket = "";
  /** @type {string[]} */
  #files = [];
  #open = "";
  #step = make("p", { class: "hint", role: "status" });
  #bar = make("progress", { max: 1, value: 0, "aria-label": word("making_lesson") });
  #making = false;
  #stale = true;
  /** How often the desk was asked: an answer that a later question has overtaken is no longer shown. */
  #asked = 0;
  /** Edits on their way. */
  #saving = 0;
  #pressed = false;

  connectedCallback() {
    this.addEventListener("pointerdown", () => (this.#pressed = true));
    this.addEventListener("focusout", () => setTimeout(() => this.#catchUp()));
    for (const end of ["pointerup", "pointercancel"])
      // The click that the press ends with comes first.
      document.addEventListener(end, () => setTimeout(() => ((this.#pressed = false), this.#catchUp())));
  }

  /**
   * @param {string} ticket  under which exported files can be looked at
   * @param {string[]} files  that are there
   */
  begin(ticket, files) {
    this.#ticket = ticket;
    this.#files = files;
    this.#stale = true;
    this.#asked += 1;
    this.show();
  }

  /** Ask for the stops if they are not here yet or the reading has changed. */
  async wake() {
    if (!this.#stale || this.#saving) return;
    this.#stale = false;
    const now = ++this.#asked;
    try {
      const lesson = await get("/api/stops");
      if (now !== this.#asked) return;
      if (this.#lesson && this.#inHand()) this.#stale = true;
      else if (JSON.stringify(lesson) !== JSON.stringify(this.#lesson)) this.#draw(lesson);
    } catch (error) {
      this.#stale = true;
      troubled(this, error);
    }
  }

  /** The reading or the stops have changed somewhere else. */
  renew() {
    this.#stale = true;
    this.#catchUp();
  }

  /** Whether the teacher is about something here: what is pressed, written in or recorded stays meanwhile. */
  #inHand() {
    return this.#pressed || this.contains(document.activeElement) || this.querySelector(".voice-stop") !== null;
  }

  #catchUp() {
    if (this.#stale && !this.#saving && this.offsetParent !== null && !this.#inHand()) void this.wake();
  }

  /** @param {any} message  about an export */
  exported(message) {
    this.#making = !("done" in message || message.error || message.stopped);
    if (typeof message.share === "number") this.#bar.value = message.share;
    if (message.step) this.#step.textContent = `${message.step}.`.replace(/^./, (c) => c.toUpperCase());
    if (message.exports) [this.#files, this.#ticket] = [message.exports, message.ticket];
    if ("done" in message) this.#step.textContent = [word("made"), ...message.done].join(" ");
    if (message.stopped) this.#step.textContent = word("making_stopped");
    if (message.error) this.#step.textContent = message.error;
    if (!this.#making || !this.querySelector(".stop-making")) this.#drawExport();
  }

  show() {
    const lesson = this.#lesson;
    if (!lesson) {
      this.replaceChildren(make("p", { class: "hint" }, word("stops_chosen_now")), this.#exportPlace());
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
        make("label", { for: "minutes" }, word("ask_minutes")),
        minutes,
        ...choice("level", word("ask_level"), LEVELS.map((l) => /** @type {[string, string]} */ ([l, word(`level_${l}`)])), lesson.level),
        ...choice("language", word("ask_language"), lesson.languages, lesson.language),
        ...choice("paper", word("ask_paper"), [["a4", "A4"], ["us-letter", word("letter")], ["booklet", word("booklet")]], lesson.paper),
      ),
      make("h3", {}, `${word("stops_count", { n: lesson.chosen.length })}, ${word("about_minutes", { n: Math.max(1, Math.round(lesson.seconds / 60)) })}`),
      make("ol", { class: "stops" }, ...lesson.chosen.map((/** @type {any} */ s, /** @type {number} */ i) => make("li", {}, this.#chosen(s, i)))),
      this.#own(),
      make(
        "details",
        { class: "more" },
        make("summary", {}, word("more_places", { n: lesson.others.length })),
        make("ul", { class: "stops" }, ...lesson.others.map((/** @type {any} */ s) => make("li", {}, make("div", { class: "stop-line" }, make("span", { class: "name" }, plain(s.title)), make("button", { type: "button", onclick: () => this.#show(s) }, word("look")), make("button", { type: "button", onclick: () => this.#change({ what: "take", stop: s.id }) }, word("take")))))),
      ),
      make("h3", {}, word("contrasts_to_hear")),
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
    const texts = FIELDS.map((field) => {
      const name = word(`field_${field}`);
      const id = `${s.id}-${field}`;
      const key = field === "say" ? `say.${lesson.level}` : field;
      const area = make("textarea", { id, rows: field === "title" ? 1 : 3, maxlength: 4000 });
      area.defaultValue = s[field];
      let saved = area.value;
      // On leaving too: what was carried over a redrawing counts as unchanged in the browser's eyes.
      for (const end of ["change", "blur"])
        area.addEventListener(end, () => {
          if (area.value === saved) return;
          saved = area.value;
          void this.#change({ what: "text", stop: s.id, field, text: area.value, bars: s.bars }, `#${CSS.escape(id)}`);
        });
      const yours = s.edited.includes(key);
      return make(
        "div",
        { class: "text" },
        make("label", { for: id }, name, yours && make("span", { class: "yours" }, word("yours"))),
        area,
        yours && make("button", { type: "button", class: "small", onclick: () => this.#change({ what: "text", stop: s.id, field, text: "", bars: s.bars }) }, word("back_to_proposed")),
      );
    });
    return make(
      "details",
      { class: "stop-card", "data-stop": s.id, open: this.#open === s.id, ontoggle: (/** @type {Event} */ e) => (this.#open = /** @type {HTMLDetailsElement} */ (e.target).open ? s.id : this.#open === s.id ? "" : this.#open) },
      make("summary", {}, make("span", { class: "name" }, plain(s.title)), make("span", { class: "where" }, ` ${s.why}, ${s.seconds} s`)),
      make(
        "div",
        { class: "hear" },
        move(i - 1, word("earlier"), "↑"),
        move(i + 1, word("later"), "↓"),
        make("button", { type: "button", class: "small", onclick: () => this.#show(s) }, word("show")),
        make("button", { type: "button", class: "small", onclick: () => this.dispatchEvent(new CustomEvent("play", { detail: s })) }, `▶ ${word("hear")}`),
        make("button", { type: "button", class: "small", onclick: () => this.#change({ what: "leave out", stop: s.id }) }, s.own ? word("delete") : word("leave_out")),
      ),
      ...texts,
      Object.assign(document.createElement("desk-voice"), { stop: s.id, there: s.voice }),
    );
  }

  #own() {
    const bars = make("input", { type: "text", id: "own-bars", size: 8, placeholder: "12-14", maxlength: 20 });
    const title = make("input", { type: "text", id: "own-title", placeholder: word("own_example"), maxlength: 120 });
    const shown = this.#lesson.chosen.map((/** @type {any} */ o) => o.id);
    return make(
      "details",
      { class: "more" },
      make("summary", {}, word("own_stop")),
      make(
        "form",
        { class: "say", onsubmit: (/** @type {Event} */ e) => (e.preventDefault(), this.#change({ what: "own", bars: bars.value, title: title.value, shown })) },
        make("label", { for: "own-bars" }, word("bars")), bars, make("label", { for: "own-title" }, word("field_title")), title,
        make("button", { type: "submit" }, word("add")),
      ),
    );
  }

  /** @param {any} c */
  #contrast(c) {
    const place = make("div", {});
    const button = make("button", { type: "button", onclick: () => load() }, word("hear_both"));
    const load = async () => {
      button.disabled = true;
      button.textContent = word("being_played");
      try {
        const element = /** @type {import("/viewer/contrast.js").StaveContrast} */ (document.createElement("stave-contrast"));
        element.contrast = await get(`/api/contrast?name=${encodeURIComponent(c.name)}`);
        place.replaceChildren(element);
        button.remove();
      } catch (error) {
        button.disabled = false;
        button.textContent = word("hear_both");
        troubled(this, error);
      }
    };
    return make("li", {}, make("div", { class: "stop-line" }, make("span", { class: "name" }, word("contrast_line", { place: c.place, what: c.what })), button), make("p", { class: "hint" }, setText(c.listen, {})), place);
  }

  /** @param {any} s */
  #show(s) {
    this.dispatchEvent(new CustomEvent("show", { detail: s }));
  }

  // --- making ----------------------------------------------------------------------------------------------

  #exportPlace() {
    return make("section", { class: "making", "aria-label": word("make_lesson") }, make("h3", {}, word("make_lesson")), make("div", { class: "making-inside" }));
  }

  #drawExport() {
    const place = this.querySelector(".making-inside");
    if (!place) return;
    const shown = (/** @type {string} */ name, /** @type {string} */ text, place = "") =>
      this.#files.includes(name) && make("li", {}, make("a", { href: `/shown/${this.#ticket}/${name}${place}`, target: "_blank", rel: "noopener" }, text));
    place.replaceChildren(
      make("p", { class: "hint" }, word("making_what")),
      this.#making
        ? make("div", { class: "line" }, this.#bar, make("button", { type: "button", class: "stop-making", onclick: () => post("/api/export/stop", {}).catch((e) => troubled(this, e)) }, word("stop")))
        : make("button", { type: "button", class: "make", onclick: () => this.#export() }, word("make_everything")),
      this.#step,
      make(
        "ul",
        { class: "made", "aria-label": word("what_is_there") },
        shown("student.pdf", word("look_student")),
        shown("page.html", word("look_page")),
        shown("page.html", word("look_wall"), "#projection"),
        shown("score.pdf", word("look_score")),
        shown("answers.pdf", word("look_answers")),
        shown("teacher.pdf", word("look_teacher")),
      ),
      make("p", { class: "hint" }, this.#files.length > 0 ? word("files_count", { n: this.#files.length }) : word("nothing_made")),
    );
  }

  async #export() {
    this.#making = true;
    this.#bar.value = 0;
    this.#step.textContent = word("beginning");
    this.#drawExport();
    try {
      await post("/api/export", {});
    } catch (error) {
      this.#making = false;
      this.#step.textContent = "";
      this.#drawExport();
      troubled(this, error);
    }
  }

  /**
   * @param {Record<string, unknown>} wish
   * @param {string} [focus]  where the writing mark belongs afterwards
   */
  async #change(wish, focus) {
    const now = ++this.#asked;
    this.#saving += 1;
    try {
      const lesson = await post("/api/stops/edit", wish);
      if (now === this.#asked) this.#draw(lesson, focus);
    } catch (error) {
      this.#stale = true;
      troubled(this, error);
    }
    this.#saving -= 1;
    this.#catchUp();
  }

  /** @param {any} lesson @param {string} [focus] */
  #draw(lesson, focus) {
    this.#lesson = lesson;
    // The desk speaks the language of the lesson.
    if (lesson.speaks !== document.documentElement.lang) location.reload();
    const panel = this.closest("[data-panel]");
    const top = panel?.scrollTop ?? 0;
    const written = /** @type {HTMLTextAreaElement[]} */ ([...this.querySelectorAll("textarea")]).filter((area) => area.value.trim() && area.value !== area.defaultValue);
    const active = this.contains(document.activeElement);
    redraw(this, () => {
      this.show();
      // What is being written while an answer is waited for is not lost.
      for (const { id, value } of written) {
        const area = this.querySelector(`#${CSS.escape(id)}`);
        if (area instanceof HTMLTextAreaElement && area.value !== value.trim()) area.value = value;
      }
    });
    const place = active && focus && !this.contains(document.activeElement) ? this.querySelector(focus) : null;
    if (place instanceof HTMLElement) place.focus();
    if (panel) panel.scrollTop = top;
  }
}

customElements.define("desk-builder", DeskBuilder);
