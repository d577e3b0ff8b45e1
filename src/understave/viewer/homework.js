/**
 * `<stave-homework>`: questions on a piece, one at a time, told at once whether the answer is right, and why.
 *
 * In: `lesson` (see `model.js`) and `player`. `show()` opens it over the page, `close()` leaves it. Answers stay in the
 * browser (`answers.js`) until the student saves them as a file; nothing is asked of any server.
 */

import { Notebook, judged, unsealed } from "./answers.js";
import { make, setText } from "./elements.js";
import "./keyboard.js";
import { filled, tableOf, wordsOf } from "./words.js";

export class StaveHomework extends HTMLElement {
  /** @type {import("./model.js").Lesson|null} */
  lesson = null;
  /** @type {import("./transport.js").StaveTransport|null} */
  player = null;
  /** @type {Notebook|null} */
  #notebook = null;
  #at = 0;
  #began = 0;
  #shown = false;
  /** @type {import("./score.js").StaveScore|null} */
  #score = null;
  /** @type {(() => number|string|number[]|null)} */
  #given = () => null;
  #said = make("div", { class: "verdict", role: "status", "aria-live": "polite" });

  get open() {
    return this.#shown;
  }

  get #questions() {
    return this.lesson?.homework?.questions ?? [];
  }

  show() {
    const id = this.lesson?.homework?.id;
    if (!id) return;
    this.#notebook ??= new Notebook(id);
    this.player?.pause();
    this.#shown = true;
    this.hidden = false;
    for (const other of document.body.children) if (other !== this && other instanceof HTMLElement) other.inert = true;
    document.documentElement.classList.add("projecting");
    this.#build();
    this.#go(this.#at);
  }

  close() {
    if (!this.#shown) return;
    this.#spend();
    this.player?.pause();
    this.#shown = false;
    this.#score = null;
    this.replaceChildren();
    this.hidden = true;
    for (const other of document.body.children) if (other instanceof HTMLElement) other.inert = false;
    document.documentElement.classList.remove("projecting");
    this.dispatchEvent(new CustomEvent("closed"));
  }

  // --- what is seen ----------------------------------------------------------------------------------------

  #build() {
    const words = wordsOf();
    const name = make("input", { type: "text", autocomplete: "off", maxlength: 60, value: this.#notebook?.state.name ?? "" });
    name.addEventListener("input", () => {
      if (!this.#notebook) return;
      this.#notebook.state.name = name.value;
      this.#notebook.keep();
    });
    this.replaceChildren(
      make(
        "div",
        { class: "task", role: "dialog", "aria-modal": "true", "aria-labelledby": "homework-name", onkeydown: (/** @type {KeyboardEvent} */ e) => e.key === "Escape" && this.close() },
        make(
          "div",
          { class: "taskhead" },
          make("h2", { id: "homework-name" }, `${words.homework}: ${this.lesson?.title}`),
          make("button", { type: "button", class: "leave", onclick: () => this.close() }, words.closeHomework),
        ),
        make("nav", { class: "tasknav", "aria-label": words.homework }),
        make("div", { class: "asking" }),
        make(
          "div",
          { class: "taskfoot" },
          make("label", {}, make("span", {}, words.yourName), " ", name),
          make("button", { type: "button", class: "save", onclick: () => this.#save() }, words.saveAnswers),
          make("span", { class: "score" }),
        ),
        make("p", { class: "hint" }, words.privacy),
        this.#notebook?.lasting === false && make("p", { class: "hint unkept" }, words.nothingKept),
      ),
    );
  }

  /** @param {number} at */
  #go(at) {
    const { lesson } = this;
    const place = this.querySelector(".asking");
    if (!lesson || !place || !this.#notebook) return;
    this.#spend();
    this.player?.pause();
    this.#at = Math.max(0, Math.min(this.#questions.length - 1, at));
    const words = wordsOf();
    const question = this.#questions[this.#at];
    this.#said.replaceChildren();
    this.#said.className = "verdict";
    this.#given = () => null;
    const { hears } = question;
    const check = make("button", { type: "button", class: "check", onclick: () => this.#check() }, words.check);
    const heading = make("h3", { tabindex: -1 }, `${words.taskOf(this.#at + 1, this.#questions.length)}`);
    place.replaceChildren(
      heading,
      make("p", { class: "asked" }, setText(question.prompt, lesson.numerals)),
      make("div", { class: "sheet" }, this.#engraved(question)),
      this.#answering(question),
      make(
        "div",
        { class: "hear" },
        !["place", "bar"].includes(question.way) && check,
        lesson.sound && hears && make("button", { type: "button", class: "listen", onclick: () => this.player?.playBars(...hears) }, `▶ ${words.hearTask}`),
        make("button", { type: "button", class: "give", onclick: () => this.#give() }, words.giveAnswer),
      ),
      this.#said,
      make(
        "div",
        { class: "onward" },
        make("button", { type: "button", class: "back", disabled: this.#at === 0, onclick: () => this.#go(this.#at - 1) }, `← ${words.previousTask}`),
        make("button", { type: "button", class: "on", disabled: this.#at === this.#questions.length - 1, onclick: () => this.#go(this.#at + 1) }, `${words.nextTask} →`),
      ),
    );
    const kept = this.#notebook.state.answers[question.id];
    if (kept?.right || kept?.shown) this.#tell(kept.right ? words.right : words.shownAnswer, true);
    this.#drawProgress();
    heading.focus();
    this.scrollTop = 0;
  }

  /** The bars of a question, without the names of their chords. @param {import("./model.js").Question} question */
  #engraved(question) {
    const score = /** @type {import("./score.js").StaveScore} */ (document.createElement("stave-score"));
    score.setAttribute("largest", "6.5");
    score.setAttribute("role", "group");
    const { lesson } = this;
    if (!lesson) return score;
    const { bars, layouts } = lesson;
    score.setAttribute("aria-label", wordsOf().bars(bars[question.first].number, bars[question.last].number));
    // Their chords in words would be the answer.
    score.bars = bars.map((bar) => ({ ...bar, words: "" }));
    score.range = [question.first, question.last];
    score.layouts = layouts;
    score.addEventListener("shown", () => {
      for (const lane of score.lanes) score.fold(lane, true);
      score.fold("symbols", true);
      score.wear("marked", new Set(question.marked));
      score.mark("shown", [question.first, question.last]);
    });
    score.addEventListener("pick", (event) => this.#picked(question, /** @type {CustomEvent<import("./score.js").Pick>} */ (event).detail));
    this.#score = score;
    return score;
  }

  /** @param {import("./model.js").Question} question @param {import("./score.js").Pick} pick */
  #picked(question, { bar, note }) {
    if (question.way === "bar") {
      this.#try(bar, wordsOf().bar(this.lesson?.bars[bar].number));
      return;
    }
    if (question.way !== "place") {
      if (this.player?.sound) this.player.playBars(bar, bar);
      return;
    }
    const spots = question.spots.flatMap(([, notes], i) => (note !== null && notes.includes(note) ? [i] : []));
    // A note that is held from one chord to the next is in both.
    const best = spots.find((i) => judged(question, i).right) ?? spots[0];
    if (best !== undefined) this.#try(best, question.spots[best][0]);
  }

  /** @param {import("./model.js").Question} question */
  #answering(question) {
    const words = wordsOf();
    const numerals = this.lesson?.numerals ?? {};
    if (question.way === "choose") {
      const name = `choice-${this.#at}`;
      const boxes = question.choices.map((text, i) => {
        const box = make("input", { type: "radio", name, value: i });
        return { box, label: make("label", {}, box, " ", make("span", {}, setText(text, numerals))) };
      });
      this.#given = () => boxes.findIndex(({ box }) => box.checked);
      return make("fieldset", { class: "choices" }, make("legend", { class: "unseen" }, words.typeHere), ...boxes.map(({ label }) => label));
    }
    if (question.way === "type") {
      const box = make("input", { type: "text", autocomplete: "off", autocapitalize: "off", spellcheck: "false", maxlength: 40 });
      box.addEventListener("keydown", (event) => event.key === "Enter" && this.#check());
      this.#given = () => box.value.trim() || null;
      return make("div", { class: "typing" }, make("label", {}, make("span", {}, words.typeHere), " ", box), question.sign === "numeral" && make("p", { class: "hint" }, words.typeHow));
    }
    if (question.way === "play") {
      const keys = /** @type {import("./keyboard.js").StaveKeys} */ (document.createElement("stave-keys"));
      keys.names = this.lesson?.homework?.keys ?? [];
      this.#given = () => (keys.keys.length > 0 ? keys.keys : null);
      return make("div", {}, keys, make("p", { class: "hint" }, words.caution));
    }
    if (question.way === "place") {
      const list = make("select", {}, make("option", { value: "" }, words.pickSpot), ...question.spots.map(([text], i) => make("option", { value: i }, text)));
      list.addEventListener("change", () => list.value && this.#try(Number(list.value), question.spots[Number(list.value)][0]));
      return make("label", { class: "spots" }, make("span", {}, words.chooseSpot), " ", list);
    }
    return "";
  }

  // --- answers ---------------------------------------------------------------------------------------------

  #check() {
    const question = this.#questions[this.#at];
    const given = this.#given();
    if (given === null || given === -1) return;
    const names = this.lesson?.homework?.keys ?? [];
    const said =
      typeof given === "string" ? given
      : typeof given === "number" ? question.choices[given]
      : given.map((key) => `${names[key % 12]} ${Math.floor(key / 12) - 1}`).join(", ");
    this.#try(given, said);
  }

  /** @param {number|string|number[]} given @param {string} said  the same in words */
  #try(given, said) {
    const question = this.#questions[this.#at];
    if (!this.#notebook) return;
    const words = wordsOf();
    const verdict = judged(question, given);
    const kept = this.#notebook.of(question.id);
    if (!kept.right && !kept.shown) {
      kept.tries.push(said);
      kept.right = verdict.right;
    }
    this.#spend();
    this.#notebook.keep();
    if (verdict.right) this.#tell(words.right, true);
    else {
      const played = question.way === "play" ? filled(tableOf("page").playedSome, { n: verdict.shared }) : "";
      this.#tell(verdict.near ? words.nearly : words.wrong, false, verdict.near ? "" : verdict.why || played);
    }
    this.#drawProgress();
  }

  #give() {
    const question = this.#questions[this.#at];
    if (!this.#notebook) return;
    const kept = this.#notebook.of(question.id);
    if (!kept.right) kept.shown = true;
    this.#notebook.keep();
    this.#tell(wordsOf().shownAnswer, true);
    this.#drawProgress();
  }

  /** @param {string} verdict @param {boolean} reasoned  whether the answer itself is told @param {string} [why] */
  #tell(verdict, reasoned, why = "") {
    const question = this.#questions[this.#at];
    const answers = unsealed(question.sealed);
    const kept = this.#notebook?.state.answers[question.id];
    const answer = question.way === "choose" && reasoned ? question.choices[answers.right[0]] : "";
    const text = [answer && !answers.reason.includes(answer) ? `${answer}. ` : "", reasoned ? answers.reason : why].join("");
    this.#said.className = `verdict ${kept?.right && reasoned ? "good" : reasoned ? "given" : "bad"}`;
    this.#said.replaceChildren(make("strong", {}, verdict), " ", setText(text, this.lesson?.numerals ?? {}));
    if (reasoned && this.#score) {
      const right = question.way === "place" ? answers.right.flatMap((i) => question.spots[i][1]) : question.marked;
      this.#score.wear("lit", new Set(right));
    }
  }

  #spend() {
    const now = performance.now();
    const kept = this.#notebook?.state.answers[this.#questions[this.#at]?.id];
    if (this.#began > 0 && kept && !kept.shown) kept.seconds += (now - this.#began) / 1000;
    this.#began = now;
  }

  #drawProgress() {
    const words = wordsOf();
    const place = this.querySelector(".tasknav");
    const notebook = this.#notebook;
    if (!place || !notebook) return;
    let done = 0;
    const steps = this.#questions.map((question, i) => {
      const kept = notebook.state.answers[question.id];
      const state = kept?.right ? words.taskRight : kept && (kept.shown || kept.tries.length > 0) ? words.taskDone : words.taskOpen;
      if (kept?.right || kept?.shown) done += 1;
      return make(
        "button",
        { type: "button", class: kept?.right ? "good" : kept ? "tried" : "", "aria-current": i === this.#at ? "step" : null, "aria-label": `${words.taskOf(i + 1, this.#questions.length)}: ${state}`, onclick: () => this.#go(i) },
        `${i + 1}${kept?.right ? " ✓" : ""}`,
      );
    });
    place.replaceChildren(...steps);
    const score = this.querySelector(".taskfoot .score");
    if (score) score.textContent = words.taskScore(done, this.#questions.length);
  }

  #save() {
    if (!this.#notebook || !this.lesson) return;
    this.#spend();
    this.#notebook.keep();
    const text = this.#notebook.file(this.lesson.title, this.#questions.map(({ id }) => id));
    const name = this.#notebook.state.name.trim().replace(/[^\p{L}\p{N}]+/gu, "-").replace(/^-+|-+$/g, "") || "answers";
    const source = URL.createObjectURL(new Blob([text], { type: "application/json" }));
    make("a", { href: source, download: `${name}-${this.#notebook.id}.json` }).click();
    setTimeout(() => URL.revokeObjectURL(source), 10_000);
  }
}

customElements.define("stave-homework", StaveHomework);
