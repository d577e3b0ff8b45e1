/** The lesson page: a `Lesson` (see `model.js`) as JSON in the document in, the page with its parts out. */

import "./contrast.js";
import { clockTime, make, setText } from "./elements.js";
import { SoundClock, stretchAt } from "./clock.js";
import "./homework.js";
import { hush, sounds } from "./hush.js";
import "./overview.js";
import "./projection.js";
import "./question.js";
import "./score.js";
import { isDark, setDark } from "./screen.js";
import { takesOf } from "./takes.js";
import "./transport.js";
import { unpacked } from "./unpacked.js";
import { wordsOf } from "./words.js";

/**
 * @param {import("./model.js").Lesson} lesson
 * @param {HTMLElement} place
 */
export function showLesson(lesson, place) {
  const words = wordsOf();
  document.documentElement.lang = lesson.language;
  const text = (/** @type {string} */ t) => setText(t, lesson.numerals);

  const score = /** @type {import("./score.js").StaveScore} */ (document.createElement("stave-score"));
  const transport = /** @type {import("./transport.js").StaveTransport} */ (document.createElement("stave-transport"));
  const overview = /** @type {import("./overview.js").StaveOverview} */ (document.createElement("stave-overview"));
  overview.show(lesson);
  score.layouts = lesson.layouts;
  score.bars = lesson.bars;
  score.setAttribute("role", "group");
  score.setAttribute("aria-label", words.score);
  score.labels = lesson.labels;
  transport.bars = lesson.bars;
  transport.sound = lesson.sound;

  // --- the score and what moves over it

  const chord = make("output", { class: "chord", "aria-live": "off" });
  let [chordShown, barShown] = [-2, -1];
  let ran = false;
  /** @type {import("./score.js").StaveScore[]} */
  const excerpts = [];
  transport.addEventListener("moment", (event) => {
    const { second, bar, playing, notes } = /** @type {CustomEvent<import("./transport.js").Moment>} */ (event).detail;
    overview.second = second;
    const shows = playing || second > 0;
    score.light(shows ? notes : new Set());
    for (const excerpt of excerpts) excerpt.light(playing ? notes : new Set());
    projection.light(playing ? notes : new Set());
    const label = stretchAt(lesson.labels, second + 1e-3);
    const now = shows ? label : -1;
    score.lightLabel(now);
    if (now !== chordShown) {
      chord.replaceChildren(now >= 0 ? text(lesson.labels[now].words) : "");
      chordShown = now;
    }
    score.mark("sounding", shows ? [bar, bar] : null);
    if (playing && (bar !== barShown || !ran)) score.reveal(bar);
    [barShown, ran] = [bar, playing];
  });
  transport.addEventListener("passage", (event) => {
    const passage = /** @type {CustomEvent<{first: number, last: number}|null>} */ (event).detail;
    score.mark("repeated", passage ? [passage.first, passage.last] : null);
  });
  const picked = (/** @type {Event} */ event) => {
    const { bar, note } = /** @type {CustomEvent<import("./score.js").Pick>} */ (event).detail;
    if (!lesson.sound) return;
    const { passage } = transport;
    if (passage && (bar < passage[0] || bar > passage[1])) transport.release();
    transport.seek((note !== null ? transport.clock.start(note) : undefined) ?? lesson.bars[bar].start);
    transport.play();
  };
  const passageSet = (/** @type {Event} */ event) => {
    const { first, last } = /** @type {CustomEvent<{first: number, last: number}>} */ (event).detail;
    if (!lesson.sound) return;
    transport.repeat(first, last);
    transport.toBar(first);
  };
  score.addEventListener("pick", picked);
  score.addEventListener("passage", passageSet);
  overview.addEventListener("seek", (event) => {
    if (lesson.sound) transport.seek(/** @type {CustomEvent<number>} */ (event).detail);
    score.reveal(transport.bar);
  });

  // --- choices over the score

  const lanes = make("fieldset", { class: "lanes" }, make("legend", {}, words.lanes));
  score.addEventListener("shown", () => {
    if (lanes.childElementCount > 1) return;
    for (const lane of score.lanes) {
      const name = words.lane[lane];
      if (!name) continue;
      const box = make("input", { type: "checkbox", checked: true, onchange: () => score.fold(lane, !box.checked) });
      lanes.append(make("label", {}, box, make("span", {}, name)));
    }
  });
  let steps = 0;
  const resize = (/** @type {number} */ by) => {
    steps = Math.max(1 - lesson.layouts.length, Math.min(lesson.layouts.length - 1, steps + by));
    score.resize(steps);
  };
  const sizes = make(
    "div",
    { class: "sizes", role: "group", "aria-label": words.size },
    make("button", { type: "button", "aria-label": words.smaller, title: words.smaller, onclick: () => resize(-1) }, "A−"),
    make("button", { type: "button", "aria-label": words.larger, title: words.larger, onclick: () => resize(1) }, "A+"),
  );
  const legend = make(
    "ul",
    { class: "legend", "aria-label": words.colours },
    ...lesson.legend.map(({ text: meaning, colour }) => {
      const dot = make("span", { class: "dot", "aria-hidden": "true" });
      dot.style.background = colour;
      return make("li", {}, dot, meaning);
    }),
  );

  // --- stops

  const barsOf = (/** @type {import("./model.js").Stop} */ { first, last }) =>
    words.bars(lesson.bars[first].number, lesson.bars[last].number);
  const stops = lesson.stops.map((stop, i) => {
    const excerpt = /** @type {import("./score.js").StaveScore} */ (document.createElement("stave-score"));
    excerpt.setAttribute("largest", "6.5");
    excerpt.setAttribute("role", "group");
    excerpt.setAttribute("aria-label", `${lesson.title}, ${barsOf(stop)}`);
    excerpt.bars = lesson.bars;
    excerpt.addEventListener("pick", picked);
    excerpt.addEventListener("passage", passageSet);
    excerpt.layouts = [{ width: 100, pages: [stop.excerpt] }];
    excerpts.push(excerpt);
    const question = /** @type {import("./question.js").StaveQuestion} */ (document.createElement("stave-question"));
    Object.assign(question, { question: stop.question, answer: stop.answer, told: stop.words, numerals: lesson.numerals });
    const button = (/** @type {string} */ name, /** @type {() => void} */ does) =>
      make("button", { type: "button", onclick: does }, name);
    const buttons = make(
      "div",
      { class: "hear" },
      lesson.sound && button(`▶ ${words.hear}`, () => transport.playBars(stop.first, stop.last)),
      lesson.sound && button(words.repeatThese, () => transport.playBars(stop.first, stop.last, { again: true })),
      ...stop.sounds.flatMap(({ name, sound, captions }) => extraSound(name, sound, captions, excerpt)),
      button(words.inScore, () => {
        score.mark("shown", [stop.first, stop.last]);
        score.reveal(stop.first, true);
      }),
    );
    const go = (/** @type {number} */ to, /** @type {string} */ name) =>
      lesson.stops[to] && make("a", { href: `#stop-${to + 1}` }, name);
    return make(
      "article",
      { class: "stop", id: `stop-${i + 1}`, tabindex: -1, "aria-labelledby": `stop-${i + 1}-name` },
      make("p", { class: "count" }, words.stopOf(i + 1, lesson.stops.length), " · ", stop.place),
      make("h3", { id: `stop-${i + 1}-name` }, text(stop.heading)),
      make("div", { class: "sheet" }, excerpt),
      buttons,
      stop.contrasts.length > 0 &&
        make(
          "p",
          { class: "differences" },
          `${words.contrasts}: `,
          ...stop.contrasts.flatMap((k, n) => [n > 0 && ", ", make("a", { href: `#contrast-${k + 1}` }, text(lesson.contrasts[k].heading))]),
        ),
      ...(stop.question ? [question] : stop.words.map((paragraph) => make("p", {}, text(paragraph)))),
      stop.suggestion && make("p", { class: "advice" }, make("strong", {}, `${words.playing}: `), text(stop.suggestion)),
      make("nav", { class: "onward", "aria-label": words.stopOf(i + 1, lesson.stops.length) }, go(i - 1, `← ${words.previous}`), go(i + 1, `${words.next} →`)),
    );
  });

  const contrasts = lesson.contrasts.map((one, i) => {
    const element = /** @type {import("./contrast.js").StaveContrast} */ (document.createElement("stave-contrast"));
    element.numerals = lesson.numerals;
    element.contrast = one;
    element.id = `contrast-${i + 1}`;
    return element;
  });

  // --- the page

  const dark = make("button", { type: "button", "aria-pressed": "false", onclick: () => setDark(!isDark()) }, words.dark);
  document.addEventListener("shade", () => dark.setAttribute("aria-pressed", String(isDark())));
  setDark(matchMedia("(prefers-color-scheme: dark)").matches);

  const projection = /** @type {import("./projection.js").StaveProjection} */ (document.createElement("stave-projection"));
  Object.assign(projection, { lesson, player: transport, hidden: true });
  document.body.append(projection);
  const project = make("button", { type: "button", "aria-keyshortcuts": "p", title: words.projectionHelp, onclick: () => projection.show({ fill: true }) }, words.projection);
  projection.addEventListener("closed", () => project.focus());
  const homework = /** @type {import("./homework.js").StaveHomework} */ (document.createElement("stave-homework"));
  Object.assign(homework, { lesson, player: transport, hidden: true });
  document.body.append(homework);
  const toHomework = make("button", { type: "button", title: words.homeworkHelp, onclick: () => homework.show() }, words.homework);
  homework.addEventListener("closed", () => toHomework.focus());

  const section = (/** @type {string} */ id, /** @type {string} */ name, /** @type {import("./elements.js").Child[]} */ ...content) =>
    make("section", { id, "aria-labelledby": `${id}-name` }, make("h2", { id: `${id}-name` }, name), ...content);
  const answered = lesson.stops.filter((stop) => stop.question && stop.answer);
  const sections = [
    stops.length > 0 && section("stops", words.stops, ...stops),
    contrasts.length > 0 && section("contrasts", words.contrasts, make("p", { class: "hint" }, words.switchWhile), ...contrasts),
    lesson.story.length > 0 &&
      section("story", words.story, ...lesson.story.map((p) => make("div", { class: "passage" }, make("h3", {}, text(p.heading)), make("p", {}, text(p.text))))),
    lesson.glossary.length > 0 &&
      section("glossary", words.glossary, make("dl", {}, ...lesson.glossary.map((g) => make("div", {}, make("dt", {}, g.term), make("dd", {}, text(g.meaning)))))),
    answered.length > 0 &&
      section(
        "answers",
        words.answers,
        make("ol", {}, ...answered.map((stop) => make("li", {}, make("strong", {}, `${barsOf(stop)}: `), text(stop.question), make("br"), text(stop.answer), make("br"), ...stop.words.map((w) => text(`${w} `))))),
      ),
    lesson.playing &&
      section(
        "playing",
        words.ownPlaying,
        make("figure", { tabindex: 0, "aria-label": words.ownPlayingPictured }, make("img", { class: "playing", alt: words.ownPlayingPictured, src: `data:image/svg+xml,${encodeURIComponent(lesson.playing.picture)}` })),
        ...takesOf(lesson.playing, score, words),
      ),
    section("credits", words.credits, ...lesson.credits.map((c) => make("p", {}, text(c))), ...lesson.cautions.map((c) => make("p", { class: "caution" }, text(c)))),
  ];
  const links = [
    ["score", words.score, true],
    ["stops", words.stops, stops.length],
    ["contrasts", words.contrasts, contrasts.length],
    ["playing", words.ownPlaying, lesson.playing],
    ["story", words.story, lesson.story.length],
    ["glossary", words.glossary, lesson.glossary.length],
  ].filter(([, , there]) => there);

  const composer = make("p", { class: "composer" }, lesson.composer);
  const summary = make("p", { class: "summary" }, text(lesson.summary));
  place.replaceChildren(
    make("a", { class: "skip", href: "#score" }, words.toScore),
    make(
      "header",
      {},
      make("div", { class: "titles" }, make("h1", {}, lesson.title), composer, summary),
      make("div", { class: "tools" }, lesson.stops.length > 0 && project, lesson.homework && toHomework, dark, make("button", { type: "button", onclick: () => print() }, words.print)),
      make("nav", { "aria-label": lesson.title }, ...links.map(([id, name]) => make("a", { href: `#${id}` }, String(name)))),
      overview,
    ),
    make(
      "main",
      {},
      section(
        "score",
        words.score,
        make("div", { class: "choices" }, lanes, sizes),
        lesson.sound && make("p", { class: "hint" }, words.scoreHint, make("span", { class: "unseen" }, ` ${words.scoreHelp}`)),
        make("div", { class: "sheet main", "data-scrolls": true }, score),
        legend,
      ),
      make("div", { class: "side-by" }, ...sections),
    ),
    make("footer", { class: "dock" }, chord, transport),
  );
  // A phone shows music first: there, the story in a minute stands above the whole story.
  const phone = matchMedia("screen and (max-width: 720px)");
  const settle = () => ((phone.matches && place.querySelector("#story h2")) || composer).after(summary);
  phone.addEventListener("change", settle);
  settle();
  addEventListener("keydown", (event) => {
    if (projection.open || homework.open) return;
    if (event.key === "p" && isFree(event, "input, select, textarea")) projection.show({ fill: true });
    else keys(event, transport);
  });
  if (location.hash === "#projection") projection.show();
  if (location.hash === "#homework") homework.show();
  addEventListener("beforeprint", () => score.resize(-lesson.layouts.length));
  addEventListener("afterprint", () => score.resize(steps));
}

/**
 * The space bar plays and pauses, the arrows go a bar back and on, wherever they have nothing else to do.
 *
 * @param {KeyboardEvent} event
 * @param {import("./transport.js").StaveTransport} transport
 */
function keys(event, transport) {
  if (!isFree(event) || !transport.sound) return;
  if (event.key === " ") transport.toggle();
  else if (event.key === "ArrowLeft") transport.toBar(transport.bar - 1);
  else if (event.key === "ArrowRight") transport.toBar(transport.bar + 1);
  else return;
  event.preventDefault();
}

/**
 * Whether a key is nobody's: not part of a shortcut, and not for a control that has the focus.
 *
 * @param {KeyboardEvent} event
 * @param {string} [controls]  those that have a use for the key
 */
function isFree(event, controls = "button, input, select, textarea, summary, a") {
  if (event.defaultPrevented || event.altKey || event.ctrlKey || event.metaKey) return false;
  return !event.composedPath().some((e) => e instanceof HTMLElement && e.matches(controls));
}

/**
 * A button that plays a sound of its own; the notes that sound in it light up in the score shown beside it.
 *
 * @param {string} name
 * @param {import("./model.js").Sound} sound
 * @param {readonly [string, number, number][]} captions
 * @param {import("./score.js").StaveScore} score
 * @returns {HTMLElement[]}
 */
function extraSound(name, sound, captions, score) {
  const caption = make("p", { class: "caption", hidden: true });
  const audio = new Audio();
  audio.preload = "none";
  audio.src = sound.source;
  audio.addEventListener("play", () => sounds(audio));
  const button = make("button", { type: "button", "aria-pressed": "false", title: clockTime(sound.length) }, `▶ ${name}`);
  button.addEventListener("click", () => {
    if (!audio.paused) {
      audio.pause();
      return;
    }
    hush(audio);
    audio.currentTime = 0;
    void audio.play();
  });
  for (const event of ["play", "pause", "ended"]) {
    audio.addEventListener(event, () => {
      button.setAttribute("aria-pressed", String(!audio.paused));
      button.textContent = `${audio.paused ? "▶" : "❚❚"} ${name}`;
    });
  }
  audio.addEventListener("timeupdate", () => {
    const now = captions.find(([, from, to]) => from <= audio.currentTime && audio.currentTime < to);
    caption.hidden = audio.paused || !now;
    caption.textContent = now?.[0] ?? "";
  });
  audio.addEventListener("pause", () => (caption.hidden = true));
  if (sound.notes.length > 0) {
    const clock = new SoundClock(sound.notes);
    const follow = () => {
      score.light(audio.paused ? new Set() : clock.at(audio.currentTime));
      if (!audio.paused) requestAnimationFrame(follow);
    };
    audio.addEventListener("play", follow);
    for (const event of ["pause", "ended"]) audio.addEventListener(event, follow);
  }
  return captions.length > 0 ? [button, caption] : [button];
}

const written = document.getElementById("lesson");
const place = document.getElementById("page");
if (written && place) {
  if (typeof DecompressionStream === "undefined") place.append(make("p", {}, wordsOf().tooOld));
  else void unpacked(written).then((lesson) => showLesson(lesson, place));
}
