// The values of a lesson as they travel in its page: two lines of JSON in gzip (RFC 1952) in base64, first the shapes
// that several pictures draw, then the values, whose pictures name these by number; each sound in an element of its own.

/**
 * @param {HTMLElement} element what holds the lesson
 * @returns {Promise<any>} its values, with the address of each sound in the place of the name of its element
 */
export function unpacked(element) {
  const letters = atob((element.textContent ?? "").trim());
  const packed = Uint8Array.from(letters, (letter) => letter.charCodeAt(0));
  const plain = new Blob([packed]).stream().pipeThrough(new DecompressionStream("gzip"));
  return new Response(plain).text().then((text) => {
    const [first, second] = text.split("\n");
    const shapes = JSON.parse(first);
    return JSON.parse(second, (name, value) => drawn(addressed(name, value), shapes));
  });
}

/**
 * @param {string} name
 * @param {any} value
 */
function addressed(name, value) {
  return name === "source" && value.startsWith("#") ? document.getElementById(value.slice(1))?.textContent : value;
}

/**
 * @param {any} value
 * @param {string[]} shapes
 */
function drawn(value, shapes) {
  if (typeof value !== "string") return value;
  return value.replace(/(<path[^>]* d=')#([0-9]+)(?=')/g, (_, before, place) => before + shapes[place]);
}
