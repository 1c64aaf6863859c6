// @ts-check
// Making and changing elements. What a user gave becomes text, never markup.

/**
 * An element with properties and children; children that are null or false are left out, texts become text.
 * @param {string} tag with classes: "p.soft.small"
 * @param {Record<string, any>} [props] "on..." are listeners, "data-..." and "aria-..." and the like attributes
 * @param {...any} children
 * @returns {any}
 */
export function h(tag, props = {}, ...children) {
  const [name, ...classes] = tag.split(".");
  const element = document.createElement(name);
  if (classes.length) element.className = classes.join(" ");
  for (const [key, value] of Object.entries(props)) {
    if (value === null || value === undefined || value === false) continue;
    if (key.startsWith("on")) element.addEventListener(key.slice(2), value);
    else if (key in element && !key.includes("-") && key !== "list" && key !== "form") element[key] = value;
    else element.setAttribute(key, value === true ? "" : String(value));
  }
  element.append(...children.flat(3).filter((c) => c !== null && c !== undefined && c !== false));
  return element;
}

/** What was last shown in an element, so that what has not changed is left alone, with its focus. */
const shown = new WeakMap();

/**
 * Fill an element anew, only where its data has changed.
 * @param {any} element
 * @param {any} data
 * @param {() => any} build gives a node or several
 */
export function paint(element, data, build) {
  const text = JSON.stringify(data) ?? "";
  if (shown.get(element) === text) return;
  shown.set(element, text);
  element.replaceChildren(...[build()].flat(3).filter(Boolean));
}

/**
 * A list whose items keep their elements: one that has not changed stays where it is, with its focus and what is typed.
 * @template T
 * @param {any} list
 * @param {T[]} items
 * @param {(item: T) => string | number} keyOf
 * @param {(item: T) => any} build
 */
export function keyed(list, items, keyOf, build) {
  const old = new Map([...list.children].map((c) => [c.dataset.key, c]));
  let before = list.firstElementChild;
  for (const item of items) {
    const key = String(keyOf(item)), text = JSON.stringify(item);
    let element = old.get(key);
    old.delete(key);
    if (element && shown.get(element) !== text) {
      const fresh = build(item);
      fresh.dataset.key = key;
      if (element === before) before = fresh;
      element.replaceWith(fresh);
      shown.set(fresh, text);
      element = fresh;
    } else if (!element) {
      element = build(item);
      element.dataset.key = key;
      shown.set(element, text);
    }
    if (element === before) before = element.nextElementSibling;
    else list.insertBefore(element, before);
  }
  for (const gone of old.values()) gone.remove();
}

/** A field with its label above it. */
export function labelled(label, input, hint = "") {
  const told = hint ? h("span.hint", { id: `${input.id}-hint` }, hint) : null;
  if (told) input.setAttribute("aria-describedby", told.id);
  return h("div.field", {}, h("label", { htmlFor: input.id }, label), input, told);
}

export const options = (select, pairs, empty = null) => {
  const kept = select.value;
  select.replaceChildren(...(empty === null ? [] : [h("option", { value: "" }, empty)]),
    ...pairs.map(([value, words]) => h("option", { value: String(value) }, words)));
  if ([...select.options].some((o) => o.value === kept)) select.value = kept;
};

/** A probability in words. */
export const percent = (p) => (p >= 0.995 ? "over 99 %" : p < 0.005 ? "under 1 %" : `${Math.round(p * 100)} %`);

/** How long ago, in words. @param {string} utc */
export function ago(utc) {
  const minutes = Math.max(0, (Date.now() - Date.parse(utc)) / 60000);
  const told = (n, one) => `${n} ${one}${n === 1 ? "" : "s"} ago`;
  if (minutes < 1) return "just now";
  if (minutes < 60) return told(Math.floor(minutes), "minute");
  if (minutes < 48 * 60) return told(Math.floor(minutes / 60), "hour");
  return told(Math.floor(minutes / 1440), "day");
}

/** Date and time as the device shows them. @param {string} utc */
export const when = (utc) => new Date(utc).toLocaleString([], { dateStyle: "medium", timeStyle: "short" });
