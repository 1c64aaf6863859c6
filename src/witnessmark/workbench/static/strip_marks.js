// @ts-check
// The two measuring marks: handles over the picture, and a table of what each reads: raw samples and decoded degrees.

import { fetched, url } from "./bench.js";
import { turnNumber } from "./pictures.js";
import { SCALES } from "./strip_draw.js";

const WAIT_MS = 70; // before the server is asked for a mark that moves
const SAY_MS = 700; // before a reading is spoken

const made = (tag, words = "", className = "") => {
  const element = document.createElement(tag);
  element.textContent = words;
  if (className) element.className = className;
  return element;
};
const digits = (value, unit) => (value === null || value === undefined ? "–" : `${tidy(value)}${unit ? ` ${unit}` : ""}`);
const tidy = (v) => (Math.abs(v) >= 1000 ? v.toFixed(1) : v.toPrecision(Math.abs(v) < 1 ? 4 : 5)).replace(/(\.\d*?)0+$/, "$1").replace(/\.$/, "");

export class Marks {
  /** @param {any} strip @param {HTMLElement} over holds the handles @param {HTMLElement} under holds the readout */
  constructor(strip, over, under) {
    this.strip = strip;
    this.read = { a: null, b: null }; // what the server said
    this.line = { a: null, b: null }; // the line whose samples a mark goes along
    this.next = "a";
    this.timer = {};
    this.asking = {};
    this.handles = { a: this.#handle("a"), b: this.#handle("b") };
    over.append(this.handles.a, this.handles.b);
    this.table = made("table", "", "strip-read");
    const caption = made("caption", "What do the marks read?");
    this.body = made("tbody");
    this.table.append(caption, this.body);
    this.hint = made("p", "Tap the picture, or press a or b on the keyboard, to set a measuring mark. A tap on the bracket under a trace picks its finding.", "strip-hint");
    this.said = made("p", "", "strip-said");
    this.said.setAttribute("role", "status");
    under.append(this.hint, this.table, this.said);
    this.table.hidden = true;
  }
  get at() { return { a: null, b: null, ...(this.strip.bench.get("marks") ?? {}) }; }

  #handle(letter) {
    const handle = made("button", letter, "strip-handle");
    handle.type = "button";
    handle.hidden = true;
    handle.setAttribute("role", "slider");
    handle.setAttribute("aria-label", `Mark ${letter}`);
    handle.dataset.mark = letter;
    let drag = null;
    handle.addEventListener("pointerdown", (e) => {
      handle.setPointerCapture(e.pointerId);
      drag = { x: e.clientX, t: this.at[letter] };
      e.preventDefault();
      handle.focus();
    });
    handle.addEventListener("pointermove", (e) => {
      if (!drag) return;
      const { view } = this.strip, t = drag.t + ((e.clientX - drag.x) / this.strip.plot().w) * view.span;
      this.set(letter, t, this.line[letter]);
    });
    for (const end of ["pointerup", "pointercancel"]) handle.addEventListener(end, () => { drag = null; });
    handle.addEventListener("keydown", (e) => this.#key(e, letter));
    return handle;
  }

  #key(e, letter) {
    const way = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1 }[e.key];
    if (way === undefined) {
      if (e.key === "Escape") this.strip.canvas.focus();
      else if (e.key === "Delete") { this.#put({ ...this.at, [letter]: null }); this.strip.canvas.focus(); }
      else if (!["Tab", "Shift", " ", "Enter"].includes(e.key)) { this.strip.key(e); return; }
      else return;
      e.preventDefault();
      return;
    }
    e.preventDefault();
    const pixel = this.strip.view.span / this.strip.plot().w;
    this.step(letter, way, e.shiftKey ? 10 * pixel : 0);
  }

  /** Move a mark by a sample of its line, or by at least some seconds. */
  step(letter, way, least = 0) {
    const t = this.at[letter], info = this.strip.infoOf(this.line[letter]);
    if (t === null) return;
    const sample = info?.rate_hz ? 1 / info.rate_hz : 0;
    let to = t + way * Math.max(sample, least);
    if (!sample && !least) {
      const times = this.strip.changesOf(info?.name); // a change list is gone along change by change
      const after = times?.find((x) => x > t + 1e-12), before = times?.findLast((x) => x < t - 1e-12);
      to = (way > 0 ? after : before) ?? t + (way * this.strip.view.span) / this.strip.plot().w;
    }
    this.set(letter, to, this.line[letter]);
    this.strip.show(this.at[letter]);
  }

  /** Set a mark at the sample of a line nearest to a time. */
  set(letter, t, name = null) {
    const line = name ?? this.strip.lines[0]?.name ?? null;
    this.line[letter] = line;
    this.#put({ ...this.at, [letter]: this.snapped(t, line) });
    this.next = letter === "a" ? "b" : "a";
  }
  clear() { this.#put({ a: null, b: null }); this.next = "a"; }
  #put(marks) {
    this.strip.bench.set("marks", marks);
    this.moved();
  }

  snapped(t, name) {
    const { whole } = this.strip.view, info = this.strip.infoOf(name);
    const inside = Math.min(Math.max(t, whole.start_s), whole.end_s);
    if (!info) return inside;
    if (info.rate_hz) {
      const k = Math.min(Math.max(Math.round((inside - info.start_s) * info.rate_hz), 0), info.samples - 1);
      return info.start_s + k / info.rate_hz;
    }
    const times = this.strip.changesOf(name) ?? [], near = (3 * this.strip.view.span) / this.strip.plot().w;
    let best = inside, least = near;
    for (const x of times) if (Math.abs(x - inside) < least) { least = Math.abs(x - inside); best = x; }
    return best;
  }

  /** Bring handles and table to where the marks are. */
  moved() {
    for (const letter of ["a", "b"]) {
      const t = this.at[letter];
      if (t === null) { this.read[letter] = null; this.asking[letter] = null; continue; }
      if (this.asking[letter] === t) continue;
      this.asking[letter] = t;
      clearTimeout(this.timer[letter]);
      this.timer[letter] = setTimeout(() => this.#ask(letter, t), WAIT_MS);
    }
    this.place();
    this.#show();
    this.strip.redraw();
  }
  async #ask(letter, t) {
    try {
      const said = await fetched(`${url(this.strip.bench.id, "at")}?t_s=${t}`);
      if (this.asking[letter] !== t) return;
      this.read[letter] = said;
      this.#show();
      clearTimeout(this.saying);
      this.saying = setTimeout(() => { this.said.textContent = this.sentence(); }, SAY_MS);
    } catch (error) { this.strip.say(error.message); }
  }

  /** Put the handles over their lines. */
  place() {
    const { view } = this.strip, plot = this.strip.plot();
    for (const [letter, handle] of Object.entries(this.handles)) {
      const t = this.at[letter];
      handle.hidden = t === null || t < view.from_s || t > view.to_s;
      if (handle.hidden) continue;
      const x = plot.x + ((t - view.from_s) / view.span) * plot.w;
      handle.style.left = `${x - 22}px`;
      handle.style.top = `${plot.bottom + SCALES - 2}px`;
      handle.setAttribute("aria-valuemin", String(view.whole.start_s));
      handle.setAttribute("aria-valuemax", String(view.whole.end_s));
      handle.setAttribute("aria-valuenow", String(t));
      handle.setAttribute("aria-valuetext", `${t.toFixed(6)} seconds${this.line[letter] ? `, along ${this.line[letter]}` : ""}`);
    }
  }

  /** Degrees, turns and speed from a to b; null with a reason where they cannot be told. */
  between() {
    const [a, b] = [this.read.a?.angle, this.read.b?.angle];
    if (!a || !b) return null;
    if (a.run === null || b.run === null) return { reason: a.run === null ? `at a: ${a.reason}` : `at b: ${b.reason}` };
    if (a.run !== b.run) return { reason: "the decoded angle breaks off between a and b" };
    const deg = b.run_deg - a.run_deg, dt = this.read.b.t_s - this.read.a.t_s;
    return { deg, rpm: dt !== 0 ? deg / 6 / dt : null };
  }

  #show() {
    const { a, b } = this.read, marks = this.at, any = marks.a !== null || marks.b !== null;
    this.table.hidden = !any;
    this.hint.hidden = any;
    if (!any) { this.said.textContent = ""; return; }
    const between = this.between();
    const span = marks.a !== null && marks.b !== null ? marks.b - marks.a : null;
    const angle = (said) => said?.angle;
    const rows = [["reading", "mark a", "mark b", "from a to b"],
      ["time", time(marks.a), time(marks.b), span === null ? "–" : `${tidy(span * 1000)} ms`],
      ["turn and degrees from slot 1", turnWords(angle(a)), turnWords(angle(b)), between ? (between.reason ?? `${between.deg.toFixed(2)}°`) : "–"],
      [this.strip.about.cycleWords, cycleWords(angle(a), this.strip), cycleWords(angle(b), this.strip), ""],
      ["speed", rpm(angle(a)?.rpm), rpm(angle(b)?.rpm), between?.rpm ? `${between.rpm.toFixed(1)} rpm between` : "–"]];
    for (const line of this.strip.lines) {
      const [one, two] = [a, b].map((said) => said?.lines.find((x) => x.name === line.name));
      const diff = one && two && one.value !== null && two.value !== null ? digits(two.value - one.value, two.unit) : "–";
      rows.push([line.label, sample(one), sample(two), diff]);
    }
    this.body.replaceChildren(...rows.map((row, k) => {
      const tr = made("tr");
      row.forEach((words, at) => {
        const cell = made(k === 0 || at === 0 ? "th" : "td", words);
        if (k === 0 || at === 0) cell.setAttribute("scope", k === 0 ? "col" : "row");
        tr.append(cell);
      });
      return tr;
    }));
  }
  /** The reading in one sentence. */
  sentence() {
    const marks = this.at, between = this.between(), parts = [];
    for (const letter of ["a", "b"]) if (marks[letter] !== null) parts.push(`Mark ${letter} at ${time(marks[letter])}, ${turnWords(this.read[letter]?.angle)}.`);
    if (between && !between.reason) parts.push(`From a to b ${between.deg.toFixed(1)} degrees${between.rpm ? `, ${between.rpm.toFixed(0)} rpm` : ""}.`);
    return parts.join(" ");
  }
}

const time = (t) => (t === null ? "not set" : `${t.toFixed(6)} s`);
const rpm = (value) => (value === null || value === undefined ? "–" : `${value.toFixed(1)} rpm`);
const turnWords = (angle) => (!angle ? "–" : angle.turn === null ? angle.reason : `turn ${turnNumber(angle.turn)}, ${angle.slot_deg.toFixed(2)}°${angle.interpolated ? ", no tooth seen near" : ""}`);
const cycleWords = (angle, strip) => (!angle || angle.cycle_deg === null || !strip.about.phaseKnown ? "–" : `${angle.cycle_deg.toFixed(2)}°`);
const sample = (one) => (!one ? "–" : one.value === null ? one.reason : `${digits(one.value, one.unit)} (sample ${one.sample})`);
