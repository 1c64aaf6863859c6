// @ts-check
// Forms that lose nothing: what is typed is kept by the server while it is typed, a conflict is shown, never settled
// silently.
import { proof } from "./ask.js";
import { h } from "./dom.js";
import { live } from "./page.js";

/** The log has grown since the page saw it. */
export class Changed extends Error {
  constructor(answer) {
    super(answer.error);
    this.last = answer.last;
    this.between = answer.between;
  }
}

/**
 * Ask the bench; an error carries the field it is about, a log that has grown is a Changed.
 * @param {string} method @param {string} url @param {any} [body] a Blob goes as it is, anything else as JSON
 */
export async function send(method, url, body = {}) {
  const raw = body instanceof Blob;
  let answer;
  try {
    answer = await fetch(url, { method, cache: "no-store", body: method === "GET" ? null : raw ? body : JSON.stringify(body),
      headers: { ...(raw ? {} : { "Content-Type": "application/json" }), ...proof() } });
  } catch {
    throw new Error("The bench does not answer; what you typed is still here. Is it running, and this device on its network?");
  }
  const said = await answer.json().catch(() => ({}));
  if (answer.status === 409 && said.between) throw new Changed(said);
  if (!answer.ok) throw Object.assign(new Error(said.error ?? `the bench refused (${answer.status})`), { field: said.field });
  return said;
}

const named = (form) => [...form.elements].filter((e) => e.name && e.type !== "file");
// A vehicle number is sealed where it is kept: it is in no draft, which lies open and goes to every page.
const isSealed = (e) => /(^|\.)vin$/.test(e.name);

/** What fields hold, by their names. */
const held = (fields) => Object.fromEntries(fields.map((e) => [e.name, e.type === "checkbox" ? e.checked : e.value]));
/** What a form holds, by the names of its fields. */
export const valuesOf = (form) => held(named(form));
/** What of it somebody typed. */
const typed = (form) => held(named(form).filter((e) => !e.hidden && !isSealed(e)));

function fill(form, values) {
  for (const e of named(form)) {
    if (values && isSealed(e)) continue;
    const value = values?.[e.name];
    if (e.type === "checkbox") e.checked = Boolean(value ?? e.defaultChecked);
    else e.value = value ?? (e.tagName === "SELECT" ? [...e.options].find((o) => o.defaultSelected)?.value ?? e.options[0]?.value ?? "" : e.defaultValue);
    e.dispatchEvent(new Event("set")); // a list that hangs on this field is made anew before its own value is set
  }
  form.dispatchEvent(new Event("filled"));
}

/** Say something under a form; a fault is marked at its field, too. */
export function say(form, text, field = "", wrong = false) {
  const said = form.querySelector(".said");
  said.textContent = text;
  said.classList.toggle("wrong", wrong && text !== "");
  for (const e of form.elements) e.removeAttribute("aria-invalid");
  form.querySelector(".at-field")?.remove();
  const at = field ? form.elements.namedItem(field) : null;
  if (!(at instanceof HTMLElement)) return;
  at.setAttribute("aria-invalid", "true");
  if (at.closest(".field")) at.after(h("p.wrong.at-field", {}, text));
  at.focus();
}

let messages = 0; // below zero, where the connection's own numbers are not

/** A form's draft: kept under a key of a topic, exact, one message under way at a time. */
export class Draft {
  constructor(form, topic, key, onFound) {
    Object.assign(this, { form, topic, key, onFound, base: 0, sent: null, timer: 0, n: 0 });
    this.empty = JSON.stringify(typed(form));
    this.synced = "null";
    form.addEventListener("input", () => this.later());
    form.addEventListener("change", () => this.later());
    live.addEventListener("state", ({ detail }) => this.hear(detail));
    live.addEventListener("refused", ({ detail }) => {
      if (detail.topic !== topic || detail.key !== key || this.form.isConnected === false) return;
      this.sent = null;
      this.differ(detail.value, detail.revision);
    });
    live.addEventListener("wrong", ({ detail }) => {
      if (detail.n !== this.n || this.sent === null) return;
      this.sent = null;
      say(form, `What you type is not kept: ${detail.error}`, "", true);
    });
    const kept = live.topics.get(topic);
    if (kept && kept.revisions[key]) this.hear({ topic, values: kept.values, revisions: kept.revisions });
  }
  now() {
    if (JSON.stringify(typed(this.form)) === this.empty) return "null";
    return JSON.stringify(held(named(this.form).filter((e) => !isSealed(e))));
  }
  later() { clearTimeout(this.timer); this.timer = setTimeout(() => this.send(), 300); }
  send() {
    if (this.sent !== null || this.differing || this.now() === this.synced) return;
    this.sent = this.now();
    this.n = --messages;
    live.send({ n: this.n, kind: "set", topic: this.topic, key: this.key, value: JSON.parse(this.sent), base: this.base });
  }
  settle(text, revision) { this.base = revision; this.synced = text; this.sent = null; if (this.now() !== text) this.later(); }
  hear({ topic, values, revisions }) {
    if (topic !== this.topic || !(this.key in revisions)) return;
    const revision = revisions[this.key];
    if (!(this.key in values)) { if (this.sent !== null) this.settle(this.sent, revision); return; }
    const text = JSON.stringify(values[this.key] ?? null);
    if (text === this.now() || text === this.sent || (text === this.synced && revision === this.base)) this.settle(text, revision);
    else if (this.now() === this.synced) this.take(values[this.key], revision);
    else this.differ(values[this.key], revision);
  }
  take(value, revision) {
    const filled = value !== null;
    fill(this.form, value);
    this.settle(this.now(), revision);
    this.synced = JSON.stringify(value ?? null);
    if (filled) this.onFound?.();
  }
  // Somebody typed in the same form elsewhere: both texts stay until somebody chooses.
  differ(value, revision) {
    if (JSON.stringify(value ?? null) === this.now()) { this.settle(this.now(), revision); return; }
    this.differing?.remove();
    const done = (then) => () => { this.differing.remove(); this.differing = null; then(); this.form.querySelector("button")?.focus(); };
    const theirs = value === null ? "sent or emptied it" : Object.entries(value).filter(([k, v]) => k !== "revision" && typeof v === "string" && v).map(([, v]) => v).join("; ");
    this.differing = h("div.frame", { role: "alert" }, h("p.word", {}, "Another device wrote in this form, too"), h("p", {}, theirs),
      h("div.buttons", {},
        h("button", { type: "button", onclick: done(() => { this.base = revision; this.synced = "?"; this.sent = null; this.send(); }) }, "Keep mine"),
        h("button", { type: "button", onclick: done(() => this.take(value, revision)) }, "Take theirs")));
    this.form.prepend(this.differing);
  }
  clear() {
    clearTimeout(this.timer);
    fill(this.form, null);
    // what is under way must come back first: its number is needed to take it away again
    return new Promise((done) => {
      const until = Date.now() + 1500;
      const wait = () => {
        if (this.now() !== "null" || Date.now() > until) { done(null); return; }
        if (this.sent === null && this.synced === "null") { done(null); return; }
        if (this.sent === null) this.send();
        setTimeout(wait, 40);
      };
      wait();
    });
  }
}

/**
 * Keep a form: draft while it is typed, errors at the field, a conflict shown above it with every word kept.
 * @param {HTMLFormElement} form
 * @param {{topic: string, key: string, submit: (values: any, expected?: number) => Promise<any>, done?: (answer: any) => void, found?: () => void}} how
 */
export function keep(form, { topic, key, submit, done, found }) {
  const draft = new Draft(form, topic, key, found);
  async function go(expected) {
    say(form, "");
    between(form, null);
    const press = [...form.querySelectorAll("button")];
    press.forEach((b) => (b.disabled = true));
    let answer;
    try {
      answer = await submit(valuesOf(form), expected);
    } catch (error) {
      press.forEach((b) => (b.disabled = false));
      if (error instanceof Changed) between(form, error, () => go(error.last));
      else say(form, error.message, error.field, true);
      return;
    }
    say(form, "Written.");
    await draft.clear();
    press.forEach((b) => (b.disabled = false));
    done?.(answer);
  }
  form.addEventListener("submit", (e) => { e.preventDefault(); go(); });
  return draft;
}

/** What came in between, above the form, and the offer to write after it. */
export function between(form, changed, again = () => {}) {
  const place = form.querySelector(".between");
  place.hidden = changed === null;
  if (changed === null) { place.replaceChildren(); return; }
  form.prepend(place);
  const press = h("button.first", { type: "button", onclick: again }, "Write it after these");
  place.replaceChildren(h("div.frame", { role: "alert" },
    h("p.word", {}, "Meanwhile this came in; yours is not written yet"),
    h("ul", {}, changed.between.map((e) => h("li", { "data-given": "" }, `${e.number ?? ""} ${e.words}: ${e.says}${e.by ? ` (${e.by})` : ""}`.trim()))),
    h("div.buttons", {}, press)));
  press.focus();
}

/** Ask once more, in place: the button becomes two. Gloves need no small dialog. */
export function confirmed(button, question, yes, then) {
  button.addEventListener("click", () => {
    const keepIt = h("button.quiet", { type: "button", onclick: () => { box.replaceWith(button); button.focus(); } }, "No, keep it");
    const box = h("span.side", { role: "group", "aria-label": question }, h("span", {}, question),
      h("button", { type: "button", onclick: async () => { box.replaceWith(button); await then(); } }, yes), keepIt);
    button.replaceWith(box);
    keepIt.focus();
  });
}
