/**
 * `<desk-tray>`: pictures of pages are put in order before they are read as one piece, and reading is followed page
 * by page and stopped.
 *
 * In: files, dropped or chosen, all at once or one after another (`add`). Out: the event `read` (detail the files in
 * order); while something is read, `follow` shows how far.
 */

import { make } from "/viewer/elements.js";
import { redraw } from "./asking.js";
import { get, post } from "./link.js";
import { word } from "./words.js";

const PICTURE = /\.(png|jpe?g|tiff?)$/i;
/** Milliseconds between two looks at how far reading is. */
const PATIENCE = 500;
/** What a browser can show as a small picture; TIFF it cannot. */
const SHOWN = /\.(png|jpe?g)$/i;
const byName = new Intl.Collator(undefined, { numeric: true, sensitivity: "base" });

/** @param {File[]} files @returns {boolean} whether all of them are pictures of pages */
export const arePages = (files) => files.length > 0 && files.every((file) => PICTURE.test(file.name));

/**
 * The files of a drop, those within folders too; hidden ones and folders in folders are left out.
 *
 * @param {DataTransfer} dropped
 * @returns {Promise<File[]>}
 */
export async function filesOf(dropped) {
  // Asked for before anything is waited for: afterwards the drop is over.
  const files = [...dropped.files];
  const entries = [...dropped.items].map((item) => item.webkitGetAsEntry?.());
  const folders = /** @type {FileSystemDirectoryEntry[]} */ (entries.filter((entry) => entry?.isDirectory));
  if (folders.length === 0) return files;
  const found = files.filter((_, i) => !entries[i]?.isDirectory);
  for (const folder of folders) {
    const reader = folder.createReader();
    for (;;) {
      const some = /** @type {FileSystemEntry[]} */ (await new Promise((good, bad) => reader.readEntries(good, bad)));
      if (some.length === 0) break;
      for (const entry of some)
        if (entry.isFile && !entry.name.startsWith(".")) found.push(await new Promise((good, bad) => /** @type {FileSystemFileEntry} */ (entry).file(good, bad)));
    }
  }
  return found;
}

export class DeskTray extends HTMLElement {
  /** @type {{file: File, address: string}[]} */
  #pages = [];
  #list = make("ol", { class: "tray-pages" });
  #input = make("input", { type: "file", id: "tray-files", class: "unseen", multiple: true, accept: "image/png,image/jpeg,image/tiff", onchange: () => this.#chosen() });
  #readAll = make("button", { type: "button", id: "tray-read", class: "choose", onclick: () => this.dispatchEvent(new CustomEvent("read", { detail: this.#pages.map((page) => page.file) })) });
  #wrong = make("p", { class: "wrong", role: "alert" });
  #order = make(
    "div",
    { class: "tray-order" },
    make("p", { class: "hint" }, word("tray_hint")),
    this.#list,
    make("div", { class: "hear" }, this.#readAll, make("label", { class: "choose plain", for: "tray-files" }, word("tray_more")), this.#input, make("button", { type: "button", onclick: () => this.close() }, word("tray_back"))),
    make("p", { class: "hint" }, word("pages_copyright")),
  );
  #bar = make("progress", { max: 1, value: 0, "aria-label": word("tray_title") });
  #far = make("p", { role: "status" });
  #stop = make("button", { type: "button", id: "tray-stop", onclick: () => this.#halt() }, word("stop"));
  #reading = make("div", { hidden: true }, this.#far, this.#bar, this.#stop);
  #dialog = make("dialog", { class: "tray", "aria-labelledby": "tray-title", onclose: () => this.#forget() }, make("h2", { id: "tray-title" }, word("tray_title")), this.#wrong, this.#order, this.#reading);

  connectedCallback() {
    if (this.childElementCount > 0) return;
    // What is being read is stopped by its button, not by a key that is pressed in passing.
    this.#dialog.addEventListener("cancel", (event) => this.#reading.hidden || event.preventDefault());
    this.append(this.#dialog);
  }

  /** Whether pages lie in it. */
  get holds() {
    return this.#pages.length > 0;
  }

  /** Put further pages behind those that lie here, by name. @param {File[]} files */
  add(files) {
    if (!this.#reading.hidden) return;
    this.#wrong.textContent = arePages(files) ? "" : word("tray_mixed");
    if (arePages(files))
      for (const file of [...files].sort((a, b) => byName.compare(a.name, b.name))) this.#pages.push({ file, address: SHOWN.test(file.name) ? URL.createObjectURL(file) : "" });
    this.#draw();
    if (!this.#dialog.open) this.#dialog.showModal();
    this.#readAll.focus();
  }

  close() {
    this.#dialog.close();
  }

  /**
   * Show how far reading is, until it has ended; nothing where one page is read that did not lie here. Pages put
   * here meanwhile stay.
   *
   * @param {Promise<unknown>} read
   */
  async follow(read) {
    let going = true;
    const laid = this.holds;
    const end = () => (going = false);
    read.then(end, end);
    while (going) {
      await Promise.race([read.catch(() => null), new Promise((wait) => setTimeout(wait, PATIENCE))]);
      const far = going ? await get("/api/import/far").catch(() => null) : null;
      if (!far || !going || (far.of < 2 && !laid)) continue;
      if (!this.#dialog.open) this.#dialog.showModal();
      this.#order.hidden = true;
      this.#reading.hidden = false;
      this.#far.textContent = word("tray_far", far);
      this.#bar.value = (far.page - 1) / far.of;
    }
    if (laid || !this.#reading.hidden) this.close();
    this.#order.hidden = false;
    this.#reading.hidden = true;
    this.#stop.disabled = false;
  }

  #halt() {
    this.#stop.disabled = true;
    void post("/api/import/stop", {}).catch(() => (this.#stop.disabled = false));
  }

  #chosen() {
    this.add([...(this.#input.files ?? [])]);
    this.#input.value = "";
  }

  #forget() {
    for (const { address } of this.#pages) if (address) URL.revokeObjectURL(address);
    this.#pages = [];
    this.#wrong.textContent = "";
  }

  /** @param {number} at @param {1|-1} way */
  #move(at, way) {
    const [page] = this.#pages.splice(at, 1);
    this.#pages.splice(at + way, 0, page);
    this.#draw();
  }

  /** @param {number} at */
  #takeOut(at) {
    const [page] = this.#pages.splice(at, 1);
    if (page.address) URL.revokeObjectURL(page.address);
    if (this.#pages.length === 0) this.close();
    else this.#draw();
  }

  #draw() {
    const last = this.#pages.length - 1;
    const button = (/** @type {string} */ what, /** @type {string} */ sign, /** @type {number} */ at, /** @type {boolean} */ off, /** @type {() => void} */ does) =>
      make("button", { type: "button", class: "small", id: `tray-${what}-${at}`, "aria-label": word(`tray_${what}`, { name: this.#pages[at].file.name }), disabled: off, onclick: does }, sign);
    redraw(this.#list, () =>
      this.#list.replaceChildren(
        ...this.#pages.map(({ file, address }, at) =>
          make(
            "li",
            {},
            address ? make("img", { src: address, alt: "" }) : make("span", { class: "no-picture" }),
            make("span", { class: "name" }, file.name),
            button("up", "↑", at, at === 0, () => this.#move(at, -1)),
            button("down", "↓", at, at === last, () => this.#move(at, 1)),
            button("out", "✕", at, false, () => this.#takeOut(at)),
          ),
        ),
      ),
    );
    this.#readAll.textContent = word("tray_read", { n: this.#pages.length });
    this.#readAll.disabled = this.#pages.length === 0;
  }
}

customElements.define("desk-tray", DeskTray);
