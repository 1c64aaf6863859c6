// @ts-check
// Which lines are shown, in which order and how tall; and which other recording is laid over them.

import { fetched, url } from "./bench.js";

export const MOST = 16;
const TALLER = 1.4;

const made = (tag, words = "", className = "") => {
  const element = document.createElement(tag);
  element.textContent = words;
  if (className) element.className = className;
  return element;
};
const button = (words, label, then) => {
  const one = made("button", words);
  one.type = "button";
  one.setAttribute("aria-label", label);
  one.addEventListener("click", then);
  return one;
};

/** Names of the lines shown, in order: what was chosen, or all (the first sixteen). */
export function shownOf(bench) {
  const all = bench.analysis.channels.map((c) => c.name);
  const chosen = (bench.get("shown") ?? []).filter((name) => all.includes(name));
  return (chosen.length ? chosen : all).slice(0, MOST);
}

/** The list of lines. @param {any} strip @param {HTMLElement} element */
export function chooser(strip, element) {
  const { bench } = strip;
  const list = made("ul", "", "strip-lines");
  const redo = (shown, focus) => {
    bench.set("shown", shown);
    if (focus) list.querySelector(`[data-key="${CSS.escape(focus)}"]`)?.focus();
  };
  const move = (name, way) => {
    const shown = shownOf(bench), at = shown.indexOf(name), to = at + way;
    if (at < 0 || to < 0 || to >= shown.length) return;
    [shown[at], shown[to]] = [shown[to], shown[at]];
    redo(shown, `${way < 0 ? "up" : "down"} ${name}`);
  };
  const grow = (name, factor) => {
    const heights = { ...(bench.get("heights") ?? {}) };
    heights[name] = Math.min(4, Math.max(0.5, (heights[name] ?? 1) * factor));
    bench.set("heights", heights);
  };
  function fill() {
    const shown = shownOf(bench), all = bench.analysis.channels.map((c) => c.name);
    const rows = [...shown, ...all.filter((name) => !shown.includes(name))].map((name) => {
      const info = strip.infoOf(name), on = shown.includes(name), row = made("li");
      const label = made("label", "", "strip-line"), box = made("input");
      box.type = "checkbox";
      box.checked = on;
      box.dataset.key = `box ${name}`;
      box.disabled = (on && shown.length === 1) || (!on && shown.length >= MOST);
      box.addEventListener("change", () => redo(box.checked ? [...shown, name] : shown.filter((x) => x !== name), `box ${name}`));
      const role = info.role && info.role !== "other" ? `, ${info.role}` : "";
      label.append(box, made("span", `${info.label || name}${role}`));
      row.append(label);
      if (on) {
        const up = button("Up", `${name}: move up`, () => move(name, -1)), down = button("Down", `${name}: move down`, () => move(name, 1));
        up.dataset.key = `up ${name}`;
        down.dataset.key = `down ${name}`;
        up.disabled = shown[0] === name;
        down.disabled = shown.at(-1) === name;
        row.append(up, down, button("Taller", `${name}: taller`, () => grow(name, TALLER)),
          button("Flatter", `${name}: flatter`, () => grow(name, 1 / TALLER)));
      }
      return row;
    });
    list.replaceChildren(...rows);
  }
  fill();
  bench.on("shown", fill);
  element.append(list);
  return fill;
}

/** The recording laid over: its analysis, the moment its motion begins, and which of its lines is which of ours. */
export class Beside {
  constructor(strip, element) {
    this.strip = strip;
    this.id = null;
    this.analysis = null;
    this.words = "";
    const label = made("label", "Recording to compare with "), by = made("label", "Laid over by ");
    this.choice = made("select");
    this.by = made("select");
    for (const [value, words] of [["time", "time from the beginning of motion"], ["angle", "crank angle"]]) {
      const option = made("option", words);
      option.value = value;
      this.by.append(option);
    }
    label.append(this.choice);
    by.append(this.by);
    this.note = made("p", "", "strip-hint");
    element.append(label, by, this.note);
    this.choice.addEventListener("change", () => strip.bench.set("beside", this.choice.value || null));
    this.by.addEventListener("change", () => strip.bench.set("beside_by", this.by.value));
    for (const key of ["beside", "beside_by"]) strip.bench.on(key, () => this.take());
    this.fill();
    this.take();
  }
  /** The recordings to choose from, asked for anew when the list is opened. */
  async fill() {
    await this.strip.try(async () => {
      const { recordings } = await fetched(url(this.strip.bench.id, "others"));
      const options = [["", "none"], ...recordings.map((r) => [r.id, `${r.name} (${r.at_utc.slice(0, 16).replace("T", " ")})`])];
      this.choice.replaceChildren(...options.map(([value, words]) => {
        const option = made("option", words);
        option.value = value;
        return option;
      }));
      this.choice.value = this.strip.bench.get("beside") ?? "";
      if (!recordings.length) this.note.textContent = "No other recording on this bench is analysed yet.";
    });
  }
  async take() {
    const id = this.strip.bench.get("beside") ?? null;
    this.by.value = this.strip.bench.get("beside_by") ?? "time";
    this.choice.value = id ?? "";
    if (id !== this.id) {
      this.id = id;
      this.analysis = null;
      this.words = this.note.textContent = "";
      if (id) await this.strip.try(async () => {
        const analysis = await fetched(url(id, "analysis"));
        if (this.id === id) this.analysis = analysis;
      });
    }
    this.strip.besideChanged();
  }
  /** Our line's counterpart: the same name, or the only one of the same role, cylinder and bank. */
  counterpart(info) {
    if (!this.analysis) return null;
    const theirs = this.analysis.channels, same = theirs.find((c) => c.name === info.name);
    if (same) return same.name;
    const alike = theirs.filter((c) => c.role === info.role && c.role !== "other" && c.cylinder === info.cylinder && c.bank === info.bank);
    return alike.length === 1 ? alike[0].name : null;
  }
  /** What is added to the question for its numbers: whose time they are wanted in, and from which moments on. */
  extra(middle_s) {
    const mine = zeroOf(this.strip.bench.analysis, middle_s), theirs = zeroOf(this.analysis, null);
    return `&onto=${this.strip.bench.id}&by=${this.by.value}&zero_s=${theirs}&onto_zero_s=${mine}`;
  }
  told(words) {
    if (this.words === words) return;
    this.words = words;
    const name = this.choice.selectedOptions[0]?.textContent ?? "The other recording";
    this.note.textContent = words ? `${name} is drawn in broken lines, ${words}.` : "";
  }
}

/** When motion began: of the attempt a moment lies in or after, else of the last one; else where the recording begins. */
function zeroOf(analysis, at_s) {
  const attempts = analysis.attempts.filter((a) => a.start_s !== null);
  if (at_s !== null) {
    const before = attempts.filter((a) => a.start_s <= at_s);
    if (before.length) return before.at(-1).start_s;
    if (attempts.length) return attempts[0].start_s;
  }
  return analysis.timeline.motion_s ?? attempts.at(-1)?.start_s ?? analysis.recording.start_s ?? 0;
}
