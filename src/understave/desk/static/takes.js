/**
 * `<desk-takes>`: the teacher's own playing: recorded from a MIDI keyboard or the microphone after a count-in, or chosen
 * as a file; told, its slips signed in the score, all takes over one another and over time.
 *
 * Out: the events `trouble` (detail a sentence) and `slips` (detail the ids of notes by kind of slip, or null).
 */

import { make } from "/viewer/elements.js";
import { explained } from "/viewer/slip-signs.js";
import { timesOf } from "/viewer/takes.js";
import { AskingPanel, troubled } from "./asking.js";
import { file, get, post, sendTake } from "./link.js";
import { countIn, openKeyboard, openMicrophone } from "./recorders.js";
import { word } from "./words.js";

/** @typedef {{name: string, added: string}} Kept  `added` as ISO 8601 has it */
/** @typedef {import("/viewer/model.js").Slips} Slips */
/** @typedef {{told: string[], slips: Slips, signs: Record<string, string>, half: number|null}} Told  half of the pedal, null where none was sent */
/** @typedef {{beats: number, tempo: number}} Count  beats of the count-in, and how many a minute */
/** @typedef {import("./recorders.js").Recorder} Recorder */

/**
 * `<desk-take-list>`: the takes that are kept; each is asked for when it is opened.
 *
 * Out: `count` (detail the count-in of the piece).
 *
 * @extends {AskingPanel<{takes: Kept[], count: Count}>}
 */
class DeskTakeList extends AskingPanel {
  /** What is shown of each take, by name and time: it stays when the list is drawn anew, open where it was open. @type {Map<string, HTMLDetailsElement>} */
  #shown = new Map();
  #picture = make("div", {});
  #times = make("div", {});
  #address = "";

  constructor() {
    super("/api/takes");
  }

  /** @override @param {{takes: Kept[], count: Count}} now */
  drawn({ takes, count }) {
    this.dispatchEvent(new CustomEvent("count", { detail: count }));
    const named = (/** @type {Kept} */ take) => `${take.name} ${take.added}`;
    const shown = new Map(takes.map((take) => [named(take), this.#shown.get(named(take)) ?? this.#take(take)]));
    if ([...this.#shown].some(([name, one]) => one.open && !shown.has(name))) this.#colour(null);
    this.#shown = shown;
    if (takes.length > 0) void this.#draw();
    else this.#picture.replaceChildren();
    if (takes.length > 1) void this.#compare();
    else this.#times.replaceChildren();
    return make("div", {}, ...shown.values(), takes.length === 0 && make("p", { class: "hint" }, word("takes_none")), this.#times, this.#picture);
  }

  /** Another lesson lies on the desk: nothing of the one before stays. */
  begin() {
    this.#shown.clear();
    this.#colour(null);
    return this.renew();
  }

  /** @param {Kept} take */
  #take(take) {
    const body = make("div", {});
    const added = take.added ? new Date(take.added).toLocaleString([], { dateStyle: "medium", timeStyle: "short" }) : "";
    const details = /** @type {HTMLDetailsElement} */ (
      make(
        "details",
        {
          class: "more take",
          "data-take": take.name,
          ontoggle: () => {
            this.#colour(null);
            if (!details.open) return;
            for (const other of this.#shown.values()) if (other !== details) other.open = false;
            if (body.childElementCount === 0) void this.#tell(take, body);
          },
        },
        make("summary", {}, `${take.name} `, make("span", { class: "where" }, added)),
        body,
      )
    );
    return details;
  }

  /** @param {Kept} take @param {HTMLElement} place */
  async #tell(take, place) {
    try {
      this.#fill(take, place, await get(`/api/takes/one?name=${encodeURIComponent(take.name)}`));
    } catch (error) {
      troubled(this, error);
    }
  }

  /** @param {Kept} take @param {HTMLElement} place @param {Told} found */
  #fill(take, place, found) {
    const signs = explained(found.slips, found.signs);
    const slips = make("button", { type: "button", class: "small", "aria-pressed": "false", onclick: () => this.#colour(slips.getAttribute("aria-pressed") === "true" ? null : found.slips, slips) }, word("takes_slips"));
    const remove = make("button", { type: "button", class: "small", onclick: () => void this.display(post("/api/takes/drop", { name: take.name }).then(() => get("/api/takes"))) }, word("takes_remove"));
    place.replaceChildren(
      make("ul", {}, ...found.told.map((line) => make("li", {}, line))),
      ...signs,
      make("div", { class: "hear" }, signs.length > 0 && slips, remove),
      ...(found.half === null ? [] : [this.#half(take, place, found.half)]),
    );
  }

  /** Where the dampers half lie on the piano of a take. @param {Kept} take @param {HTMLElement} place @param {number} half */
  #half(take, place, half) {
    const id = `half-${take.name}`;
    const input = /** @type {HTMLInputElement} */ (
      make("input", {
        type: "number",
        id,
        class: "small take-half",
        min: 1,
        max: 99,
        value: Math.round(100 * half),
        onchange: async () => {
          try {
            const found = await post("/api/takes/half", { name: take.name, half: Number(input.value) / 100 });
            this.#colour(null);
            this.#fill(take, place, found);
          } catch (error) {
            troubled(this, error);
          }
        },
      })
    );
    return make("div", {}, make("div", { class: "say" }, make("label", { for: id }, word("takes_half")), input), make("p", { class: "hint" }, word("takes_half_hint")));
  }

  async #compare() {
    const found = /** @type {import("/viewer/model.js").TakesOverTime|null} */ (await get("/api/takes/over-time").catch(() => null));
    this.#times.replaceChildren(...(found ? timesOf(found, word("takes_times")) : []));
  }

  async #draw() {
    const picture = await file("/api/takes/picture").catch(() => null);
    if (this.#address) URL.revokeObjectURL(this.#address);
    this.#address = picture ? URL.createObjectURL(picture) : "";
    if (!picture) return this.#picture.replaceChildren();
    this.#picture.replaceChildren(
      make("figure", { class: "seen", tabindex: 0, "aria-label": word("takes_pictured") }, make("img", { src: this.#address, alt: word("takes_pictured") })),
      make("p", {}, make("a", { href: this.#address, download: "takes.svg" }, word("takes_save"))),
    );
  }

  /** @param {Slips|null} slips  that are signed; none of any @param {HTMLElement} [button] */
  #colour(slips, button) {
    for (const one of this.querySelectorAll("[aria-pressed]")) one.setAttribute("aria-pressed", String(one === button && slips !== null));
    this.dispatchEvent(new CustomEvent("slips", { detail: slips, bubbles: true }));
  }
}

export class DeskTakes extends HTMLElement {
  /** @type {Recorder|null} */
  #recorder = null;
  /** @type {import("./recorders.js").Recorded|null} */
  #recorded = null;
  #endCount = () => {};
  /** What is said of the recording at hand; it stands again when a file has been followed. */
  #words = "";
  #beats = 4;
  #tempo = /** @type {HTMLInputElement} */ (make("input", { type: "number", id: "takes-tempo", min: 20, max: 240, value: "72", class: "small", oninput: () => (this.#tempoChosen = true) }));
  /** The teacher has set the tempo of the count-in; else it is the piece's. */
  #tempoChosen = false;
  #bars = make("input", { type: "text", id: "takes-bars", size: 8, placeholder: "9-16" });
  #said = make("p", { class: "hint", role: "status" });
  #buttons = make("div", { class: "hear", role: "group", "aria-label": word("takes_record") });
  #list = /** @type {DeskTakeList} */ (document.createElement("desk-take-list"));

  connectedCallback() {
    if (this.childElementCount > 0) return;
    const chosen = /** @type {HTMLInputElement} */ (
      make("input", {
        type: "file",
        id: "takes-file",
        accept: ".mid,.midi,.wav,.flac,.mp3,.ogg,.opus,.m4a,.mp4,.mov",
        onchange: () => {
          const [file] = chosen.files ?? [];
          if (file) void this.take(file);
          // The same file can be chosen again, once its bars are named.
          chosen.value = "";
        },
      })
    );
    this.append(
      make("p", { class: "hint" }, word("takes_hint")),
      make("div", { class: "say" }, make("label", { for: "takes-tempo" }, word("takes_tempo")), this.#tempo),
      this.#buttons,
      make("div", { class: "say" }, make("label", { for: "takes-file" }, word("takes_choose")), chosen),
      make("div", { class: "say" }, make("label", { for: "takes-bars" }, word("takes_bars")), this.#bars),
      this.#said,
      this.#list,
    );
    this.#list.addEventListener("count", (event) => {
      const { beats, tempo } = /** @type {CustomEvent<Count>} */ (event).detail;
      this.#beats = beats;
      if (!this.#tempoChosen) this.#tempo.value = String(tempo);
    });
    this.#to("idle", "");
  }

  /** It is looked at: what is kept is asked for from now on. */
  wake() {
    return this.#list.wake();
  }

  /** Another lesson lies on the desk. */
  begin() {
    this.#tempoChosen = false;
    return this.#list.begin();
  }

  /** The takes of the lesson have changed. */
  renew() {
    return this.#list.renew();
  }

  /** @param {File} file */
  async take(file) {
    this.#said.textContent = word("takes_follows", { name: file.name });
    await this.#after(sendTake(file, this.#named()));
  }

  #named() {
    return /** @type {HTMLInputElement} */ (this.#bars).value;
  }

  /** @param {"idle"|"counts"|"records"|"done"} state @param {string} said */
  #to(state, said) {
    this.#said.textContent = said;
    this.#words = state === "idle" ? "" : said;
    const button = (/** @type {string} */ name, /** @type {() => void} */ does) => make("button", { type: "button", class: `small takes-${name}`, onclick: does }, word(`takes_${name}`));
    const stop = () => [button("stop", () => void this.#stop())];
    this.#buttons.replaceChildren(
      ...{
        idle: () => [button("record", () => void this.#record(openKeyboard, "takes_no_keyboard")), button("listen", () => void this.#record(openMicrophone, "takes_no_microphone"))],
        counts: stop,
        records: stop,
        done: () => [button("keep", () => void this.#keep()), button("drop", () => this.#to("idle", ""))],
      }[state](),
    );
  }

  /** @param {() => Promise<Recorder|null>} open @param {string} missing  the word where there is no such device */
  async #record(open, missing) {
    const recorder = (this.#recorder = await open());
    if (!recorder) {
      this.#to("idle", word(missing));
      return;
    }
    recorder.begin();
    this.#to("counts", word("takes_counts", { n: this.#beats }));
    this.#endCount = countIn(Number(this.#tempo.value), this.#beats, () => {
      recorder.counted();
      this.#to("records", word("takes_records"));
    });
  }

  async #stop() {
    this.#endCount();
    this.#recorded = (await this.#recorder?.stop()) ?? null;
    if (this.#recorded) this.#to("done", this.#recorded.said);
    else this.#to("idle", word("takes_nothing"));
  }

  async #keep() {
    this.#said.textContent = word("takes_follows", { name: word("takes_it") });
    if (this.#recorded) await this.#after(this.#recorded.keep(this.#named()), () => this.#to("idle", ""));
  }

  /** @param {Promise<any>} answer @param {() => void} [kept] */
  async #after(answer, kept = () => {}) {
    try {
      // What is recorded or was recorded stays until it is kept or dropped, whatever is given meanwhile: where it is
      // refused, the bars can be named and it be tried again.
      await answer.finally(() => (this.#said.textContent = this.#words));
      kept();
      await this.renew();
    } catch (error) {
      troubled(this, error);
    }
  }
}

customElements.define("desk-take-list", DeskTakeList);
customElements.define("desk-takes", DeskTakes);
