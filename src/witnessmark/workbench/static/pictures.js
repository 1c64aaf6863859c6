// @ts-check
// What the pictures share: making elements, redrawing when the page changes, keys, sentences and empty states.

/**
 * Make an element. `text` is its text (never markup); on* are not taken, so nothing given can run.
 * @param {string} name @param {Record<string, any>} values @param {...(Node | string)} inside
 * @returns {any}
 */
export function make(name, values = {}, ...inside) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(values)) {
    if (value == null || value === false) continue;
    if (key === "text") element.textContent = String(value);
    else if (key === "class") element.className = value;
    else element.setAttribute(key, value === true ? "" : String(value));
  }
  element.append(...inside);
  return element;
}

/** An empty state: why there is nothing to show, and what it would take. */
export function nothing(element, why, needs = "") {
  const text = `Nothing to draw: ${why.replace(/\.$/, "")}.`;
  element.replaceChildren(make("p", { class: "empty", text: needs ? `${text} Needed: ${needs}.` : text }));
}

/** Call `draw` when the width of the element, the ground of the page or the size of its letters changes. */
export function redrawn(element, draw) {
  let waiting = 0;
  const soon = () => { cancelAnimationFrame(waiting); waiting = requestAnimationFrame(draw); };
  let wide = 0;
  new ResizeObserver(([entry]) => {
    if (Math.abs(entry.contentRect.width - wide) < 1) return;
    wide = entry.contentRect.width;
    soon();
  }).observe(element);
  new MutationObserver(soon).observe(document.documentElement, { attributeFilter: ["data-ground"] });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", soon);
  return soon;
}

/** Bytes of a base64 text. */
export const bytes = (text) => Uint8Array.from(atob(text), (c) => c.charCodeAt(0));

/** Signed hundredths (int16, little endian) of a base64 text; NaN where not known. */
export function hundredths(text) {
  const view = new DataView(bytes(text).buffer);
  return Float32Array.from({ length: view.byteLength / 2 }, (_, i) => {
    const value = view.getInt16(2 * i, true);
    return value === -32768 ? NaN : value / 100;
  });
}

/** Degrees as written: no more digits than they bear. */
export const degrees = (value, digits = 1) => `${value.toFixed(digits).replace(/\.0+$/, "").replace(/^-0$/, "0")}°`;
/** A signed number of degrees in words: "0.12° late". */
export const lateness = (value) =>
  Math.abs(value) < 0.005 ? "on time" : `${Math.abs(value).toFixed(2)}° ${value > 0 ? "late" : "early"}`;
/** A turn as it is shown: people count from 1, the analysis and what is picked from 0. */
export const turnNumber = (turn) => turn + 1;
export const seconds = (value) => `${value.toFixed(3)} s`;
export const share = (value) => (value > 0.995 && value < 1 ? "above 0.99" : value < 0.005 ? "below 0.01" : value.toFixed(2));

/** Remainder that is never negative. */
export const modulo = (value, by) => ((value % by) + by) % by;

/** Bring the strip before the eyes, and the keys to it: what was pressed may stand screens below it. */
export function toStrip() {
  const strip = document.querySelector("#strip");
  if (!strip) return;
  strip.scrollIntoView();
  strip.querySelector('[tabindex="0"]')?.focus({ preventScroll: true });
}

/** A row of large buttons: [words, what it does, hint to screen readers]. */
export function buttons(label, rows) {
  const all = rows.map(([text, then, more]) => {
    const button = make("button", { type: "button", text, "aria-label": more ? `${text}: ${more}` : null });
    button.addEventListener("click", then);
    return button;
  });
  return make("div", { class: "step-row", role: "group", "aria-label": label }, ...all);
}

/** The frame of a picture that takes keys: what it is called, its keys, and what each key does. */
export function keyed(label, keys, then) {
  const frame = make("div", { class: "picture", tabindex: "0", role: "application", "aria-label": `${label}. ${keys}` });
  frame.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    if (then(event.key, event.shiftKey)) event.preventDefault();
  });
  return frame;
}

/** The same in both: what is picked now, and nothing the picture does not know. */
export const same = (a, b) => JSON.stringify(a) === JSON.stringify(b);
