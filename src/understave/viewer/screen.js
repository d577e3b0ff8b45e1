/** The screen: dark and light, and what must fit into it. */

export function isDark() {
  return document.documentElement.classList.contains("dark");
}

/** Set dark or light; whoever shows which it is hears of it by the document's event `shade`. @param {boolean} dark */
export function setDark(dark) {
  document.documentElement.classList.toggle("dark", dark);
  document.dispatchEvent(new CustomEvent("shade"));
}

/**
 * Make an element as wide as it can be in its place without becoming higher than the room there is.
 *
 * @param {HTMLElement} element  whose height grows with its width
 * @param {number} room  pixels
 */
export function fitted(element, room) {
  element.style.width = "100%";
  // What stands between the pictures does not shrink with them, so once is not enough.
  for (let turn = 0; turn < 5; turn++) {
    const { width, height } = element.getBoundingClientRect();
    if (height <= room || room <= 0) return;
    element.style.width = `${Math.floor((width * room) / height)}px`;
  }
}
