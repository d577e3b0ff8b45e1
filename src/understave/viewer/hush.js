/** One sound at a time: what begins to play stops what was playing. */

/** @type {Set<WeakRef<HTMLAudioElement>>} */
const heard = new Set();

/** @param {HTMLAudioElement} audio  that has begun to play */
export function sounds(audio) {
  for (const one of heard) if (one.deref() === audio) return;
  heard.add(new WeakRef(audio));
}

/** @param {HTMLAudioElement|null} except  stop every other sound */
export function hush(except) {
  for (const one of heard) {
    const audio = one.deref();
    if (!audio) heard.delete(one);
    else if (audio !== except && !audio.paused) audio.pause();
  }
}
