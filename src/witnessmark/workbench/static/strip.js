// @ts-check
// The strip: waveforms of up to sixteen lines over time, with the crank's degrees underneath.
// strip_tiles.js has the numbers, strip_draw.js draws them, strip_input.js takes hands, strip_marks.js measures.

import { url } from "./bench.js";
import { turnNumber } from "./pictures.js";
import { aboutOf, slotAt, slotDeg } from "./strip_about.js";
import { Beside, chooser, shownOf } from "./strip_choice.js";
import { SCALES, arranged, draw, headOf } from "./strip_draw.js";
import { KEYS, takeHands } from "./strip_input.js";
import { Jumps } from "./strip_jump.js";
import { Marks } from "./strip_marks.js";
import { toolbar } from "./strip_tools.js";
import { CanvasPen, inks } from "./strip_pen.js";
import { savePng, saveSvg, svgText } from "./strip_save.js";
import { turnWidth } from "./strip_scales.js";
import { bracketAt, laidOut, rangesOf } from "./strip_signs.js";
import { Tiles, degreesAt } from "./strip_tiles.js";
import { View } from "./strip_view.js";

const GUTTER = { wide: 168, narrow: 118, below: 700 };
const SEND_MS = 50; // between windows told to other pages
const OWN_MS = 400; // after a move of one's own, windows of other pages are not followed
const FIGURES_MS = 350; // of rest before the sentence under the picture is written anew
const STEP = 0.15; // of the window: an arrow key

const made = (tag, className = "") => {
  const element = document.createElement(tag);
  element.className = className;
  return element;
};

class Strip {
  constructor(element, bench) {
    Object.assign(this, { element, bench, analysis: bench.analysis, about: aboutOf(bench.analysis) });
    this.infos = new Map(this.analysis.channels.map((c) => [c.name, c]));
    const whole = { start_s: bench.views.start_s, end_s: bench.views.end_s };
    this.view = new View(whole, Math.max(1, ...this.analysis.channels.map((c) => c.rate_hz ?? 0)));
    this.fitHeights = false;
    /** @type {any[]} */ this.lines = [];
    /** @type {any[]} */ this.lanes = [];
    this.#build();
    this.tiles = new Tiles(url(bench.id, "strip"), whole, () => this.redraw(), (words) => this.say(words));
    this.besideTiles = null;
    this.jumps = new Jumps(this);
    this.marks = new Marks(this, this.stage, this.reading);
    this.takeWindow();
    this.chooser = chooser(this, this.linesBox);
    this.beside = new Beside(this, this.besideBox);
    takeHands(this.canvas, {
      view: this.view, plot: () => this.plot(), moved: (end) => this.moved(end), act: (name) => this.act(name),
      tap: (t, y) => this.tap(t, y),
    });
    this.#listen();
    this.resize();
  }

  #build() {
    const { element } = this;
    element.classList.add("strip");
    element.replaceChildren();
    this.stage = made("div", "strip-stage");
    this.canvas = /** @type {HTMLCanvasElement} */ (made("canvas", "strip-canvas"));
    this.canvas.tabIndex = 0;
    this.canvas.setAttribute("role", "application");
    this.canvas.setAttribute("aria-label", "Waveforms over time. Arrow keys move, plus and minus zoom, a and b set marks.");
    this.canvas.setAttribute("aria-describedby", "strip-says");
    this.stage.append(this.canvas);
    this.says = made("p", "strip-says");
    this.says.id = "strip-says";
    this.note = made("p", "strip-note");
    this.note.setAttribute("role", "status");
    this.reading = made("div", "strip-reading");
    const fold = (words) => {
      const box = made("details", "strip-fold"), head = made("summary");
      head.textContent = words;
      box.append(head);
      return box;
    };
    this.linesBox = fold("Which lines are shown?");
    this.besideBox = fold("Compare with another recording?");
    element.append(toolbar(this), this.stage, this.says, this.note, this.reading, this.linesBox, this.besideBox);
  }

  #listen() {
    const { bench } = this;
    bench.on("window", ({ detail }) => this.takeWindow(detail.theirs));
    bench.on("marks", () => this.marks.moved());
    bench.on("picked", ({ detail }) => {
      if (!detail.theirs) this.jumps.picked(bench.picked); // another page's strip goes there, and this one follows it
      this.redraw();
    });
    for (const key of ["shown", "heights"]) bench.on(key, () => this.resize());
    this.besideBox.addEventListener("toggle", () => { if (/** @type {any} */ (this.besideBox).open) this.beside.fill(); });
    new ResizeObserver(() => this.resize()).observe(this.element);
    new MutationObserver(() => { this.ink = inks(); this.redraw(); })
      .observe(document.documentElement, { attributes: true, attributeFilter: ["data-ground"] });
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { this.ink = inks(); this.redraw(); });
    document.fonts?.ready.then(() => this.redraw());
  }

  // ---- what is where -------------------------------------------------------------------------------------------------

  infoOf(name) { return this.infos.get(name); }
  plot() { return { x: this.gutter, w: this.width - this.gutter - 6, bottom: this.bottom }; }
  slotDeg(slot) { return slotDeg(this.about.wheel, slot); }
  slotAt(deg) { return slotAt(this.about.wheel, deg); }
  changesOf(name) {
    for (const [tile] of this.tiles.parts(this.view.from_s, this.view.to_s)) {
      const line = tile.lines.get(name);
      if (line?.form === "changes") return Array.from(line.times);
    }
    return null;
  }
  /** Seconds of one turn about the window, as decoded; at idle's 700 rpm where nothing is. */
  turnSpan() {
    const rpm = this.analysis.timeline.cranking_rpm ?? this.analysis.timeline.running_rpm ?? 700;
    const { view } = this, a = degreesAt(this.tiles.tile, "turning", view.from_s), b = degreesAt(this.tiles.tile, "turning", view.to_s);
    return b > a + 90 ? (view.span / (b - a)) * 360 : 60 / rpm;
  }

  /** The lines shown with their heights and ranges. */
  #lines() {
    const shown = shownOf(this.bench), heights = this.bench.get("heights") ?? {};
    const usual = Math.max(56, Math.min(120, 520 / shown.length));
    return shown.map((name) => {
      const info = this.infoOf(name), [low, high] = this.#range(info);
      const role = info.role === "other" ? "" : [info.role.replaceAll("-", " "), info.cylinder ? `cyl. ${info.cylinder}` : ""].filter(Boolean).join(", ");
      const label = info.label || name;
      return { name, label, role: role === label ? "" : role, unit: info.unit || "", height: Math.round(usual * (heights[name] ?? 1)), low, high,
        beside: this.besideTiles ? this.beside.counterpart(info) : null };
    });
  }
  #range(info) {
    let low = info.levels?.minimum, high = info.levels?.maximum;
    if (this.fitHeights || low === null || low === undefined || high === null || high === undefined) {
      const seen = this.#seen(info.name);
      if (seen) [low, high] = seen;
    }
    if (!(high > low)) { const middle = Number.isFinite(low) ? low : 0; [low, high] = [middle - 1, middle + 1]; }
    const room = 0.04 * (high - low);
    return [low - room, high + room];
  }
  /** Smallest and largest value of a line in the window. */
  #seen(name) {
    const { view } = this;
    let low = Infinity, high = -Infinity;
    for (const [tile, from, to] of this.tiles.parts(view.from_s, view.to_s)) {
      const line = tile.lines.get(name);
      if (!line) continue;
      const a = line.low ?? line.values, b = line.high ?? line.values;
      const first = line.step_s ? Math.max(0, Math.floor((from - line.start_s) / line.step_s)) : 0;
      const stop = line.step_s ? Math.min(a.length, Math.ceil((to - line.start_s) / line.step_s) + 1) : a.length;
      for (let k = first; k < stop; k += 1) {
        if (a[k] < low) low = a[k];
        if (b[k] > high) high = b[k];
      }
    }
    return high >= low ? [low, high] : null;
  }

  // ---- moving --------------------------------------------------------------------------------------------------------

  /** The window moved by hand: draw, and tell the other pages, not more often than SEND_MS. */
  moved(now) {
    this.own = performance.now();
    if (!now) this.say("");
    if (this.lines.length) this.#need(); // at once: a frame is a fifth of what a fresh picture may take
    this.redraw();
    if (now) { clearTimeout(this.sending); this.sending = null; this.#send(); return; }
    this.sending ??= setTimeout(() => { this.sending = null; this.#send(); }, SEND_MS);
  }
  #send() {
    const { from_s, to_s } = this.view;
    this.bench.look(from_s, to_s);
  }
  /** Take the window that the bench has: another page's, or a view's of this one. */
  takeWindow(theirs = false) {
    const { start_s, end_s } = this.bench.window;
    if (start_s === this.view.from_s && end_s === this.view.to_s) return;
    if (theirs && this.own && performance.now() - this.own < OWN_MS) { // a hand is on this strip: it is followed, not they
      clearTimeout(this.later);
      this.later = setTimeout(() => this.takeWindow(true), OWN_MS);
      return;
    }
    this.view.set(start_s, end_s);
    this.redraw();
  }
  /** Bring a time into the window. */
  show(t, middle = false) {
    const { view } = this;
    if (t === null) return;
    if (t >= view.from_s && t <= view.to_s && !middle) return;
    view.centre(t);
    this.moved(true);
  }
  tap(t, y) {
    const lane = this.lanes.find((one) => y >= one.y - 6 && y <= one.y + one.h + 6);
    const { view } = this.model(), x = view.x + (t - view.from_s) * view.scale;
    const hit = lane && bracketAt(view, lane, this.about.findings, x, y);
    if (hit) this.jumps.go(hit.finding, hit.place);
    else this.marks.set(this.marks.next, t, lane?.name ?? null);
  }
  key(event) {
    const name = KEYS[event.key] ?? KEYS[event.key.toLowerCase()];
    if (name) { event.preventDefault(); this.act(name); }
  }

  /** Everything that buttons and keys do, by name. */
  act(name) {
    const { view } = this, act = this.acts ??= {
      back: () => view.pan(-STEP * view.span), forward: () => view.pan(STEP * view.span),
      backScreen: () => view.pan(-view.span), onScreen: () => view.pan(view.span),
      start: () => view.pan(view.whole.start_s - view.from_s), end: () => view.pan(view.whole.end_s - view.to_s),
      closer: () => view.zoom(0.5), wider: () => view.zoom(2),
      everything: () => view.set(view.whole.start_s, view.whole.end_s), attempt: () => this.#attempt(),
      turnBack: () => this.jumps.turn(-360), turnOn: () => this.jumps.turn(360),
      cycleBack: () => this.jumps.turn(-720), cycleOn: () => this.jumps.turn(720),
      previousFinding: () => this.jumps.finding(-1), nextFinding: () => this.jumps.finding(1), nextPlace: () => this.jumps.nextPlace(),
      markA: () => this.#mark("a"), markB: () => this.#mark("b"), clearMarks: () => this.marks.clear(),
      fitHeight: () => { this.fitHeights = !this.fitHeights; this.element.dispatchEvent(new Event("fit")); },
      pickTooth: () => this.jumps.pickTooth(),
      png: () => savePng(this.model(), this.caption(), this.title()), svg: () => saveSvg(this.model(), this.caption(), this.title()),
    };
    this.say("");
    act[name]();
    if (!/^(turn|cycle|previous|next|mark|clear|pick|png|svg)/.test(name)) this.moved(true);
    this.redraw();
  }
  /** The attempt in the middle of the window, or the next one when that is all one sees. */
  #attempt() {
    const all = this.analysis.attempts, { view } = this;
    if (!all.length) { this.say("No attempt to start is in the recording."); return; }
    const end = (a) => a.end_s ?? view.whole.end_s, middle = (view.from_s + view.to_s) / 2;
    let at = all.findIndex((a) => middle <= end(a));
    if (at < 0) at = all.length - 1;
    const fits = (a) => { const room = 0.04 * (end(a) - a.start_s); return [a.start_s - room, end(a) + room]; };
    const same = Math.abs(fits(all[at])[0] - view.from_s) < 0.01 * view.span || view.from_s === view.whole.start_s;
    if (same && Math.abs(Math.min(fits(all[at])[1], view.whole.end_s) - view.to_s) < 0.02 * view.span) at = (at + 1) % all.length;
    view.set(...fits(all[at]));
    this.say(`Attempt ${at + 1} of ${all.length}.`);
  }
  #mark(letter) {
    const { from_s, to_s, span } = this.view, middle = (from_s + to_s) / 2, other = this.marks.at[letter === "a" ? "b" : "a"];
    // one on top of the other hides it and measures nothing
    const aside = other !== null && Math.abs(other - middle) < 0.05 * span ? (letter === "a" ? -0.25 : 0.25) * span : 0;
    this.marks.set(letter, middle + aside, this.marks.line[letter]);
    this.marks.handles[letter].focus();
  }

  // ---- drawing -------------------------------------------------------------------------------------------------------

  besideChanged() {
    const { bench, beside } = this;
    this.besideTiles = beside?.analysis
      ? new Tiles(url(beside.id, "strip"), this.view.whole, () => this.redraw(), (words) => this.say(words)) : null;
    this.resize();
    if (bench.get("beside") === null) beside?.told("");
  }
  resize() {
    const width = Math.max(320, Math.floor(this.element.clientWidth));
    this.gutter = width < GUTTER.below ? GUTTER.narrow : GUTTER.wide;
    this.ink = inks();
    this.width = width;
    this.dpr = Math.min(2, globalThis.devicePixelRatio || 1);
    const context = /** @type {CanvasRenderingContext2D} */ (this.canvas.getContext("2d", { alpha: false }));
    this.pen = new CanvasPen(context, this.dpr);
    const { x, w } = { x: this.gutter, w: width - this.gutter - 6 }, { whole } = this.view;
    const all = { x, w, from_s: whole.start_s, to_s: whole.end_s, scale: w / (whole.end_s - whole.start_s) };
    this.rows = laidOut(this.pen, all, this.about.happened).rows;
    this.redraw();
  }
  /** Paint before the next frame. */
  redraw() { this.frame ??= requestAnimationFrame(() => { this.frame = null; this.#paint(); }); }

  /** All that a pen needs. */
  model() {
    const { view } = this, plot = this.plot();
    return {
      ink: this.ink, about: this.about, width: this.width, height: this.height, rows: this.rows, lines: this.lines,
      view: { x: plot.x, w: plot.w, from_s: view.from_s, to_s: view.to_s, scale: plot.w / view.span },
      parts: this.tiles.parts(view.from_s, view.to_s), besideParts: this.besideTiles?.parts(view.from_s, view.to_s) ?? [],
      scaleTile: this.tiles.tile && covers(this.tiles.tile, view) ? this.tiles.tile : (this.tiles.broad ?? this.tiles.tile),
      passes: this.tiles.tile?.passes, picked: this.bench.picked, marks: this.marks.at,
    };
  }
  #paint() {
    if (!this.width || !this.element.isConnected) return;
    const { view, canvas } = this;
    this.lines = this.#lines();
    const { bottom } = arranged({ lines: this.lines }, headOf(this.rows));
    this.bottom = bottom;
    this.height = bottom + SCALES;
    const [w, h] = [Math.round(this.width * this.dpr), Math.round(this.height * this.dpr)];
    if (canvas.width !== w || canvas.height !== h) {
      [canvas.width, canvas.height] = [w, h];
      canvas.style.width = `${this.width}px`;
      canvas.style.height = `${this.height}px`;
    }
    this.#need();
    this.pen.c.setTransform(this.dpr, 0, 0, this.dpr, 0, 0);
    this.lanes = draw(this.pen, this.model()).lanes;
    this.marks.place();
    canvas.dataset.fresh = String(this.isFresh());
    this.element.dispatchEvent(new Event("painted"));
    clearTimeout(this.figures);
    this.figures = setTimeout(() => { this.says.textContent = this.caption().join(" "); }, FIGURES_MS);
  }
  isFresh() {
    const { view } = this, px = this.plot().w * this.dpr;
    return Boolean(this.tiles.want && this.tiles.fresh({ ...this.tiles.want, from_s: view.from_s, to_s: view.to_s, density: px / view.span }));
  }
  #need() {
    const { view } = this, px = Math.ceil(this.plot().w * this.dpr), deg = this.slotDeg(this.bench.picked.slot);
    const window = { from_s: view.from_s, to_s: view.to_s, px };
    this.tiles.need({ ...window, names: this.lines.map((l) => l.name), extra: deg === null ? "" : `&slot_deg=${deg}` });
    if (!this.besideTiles) return;
    const names = this.lines.map((l) => l.beside).filter(Boolean);
    if (!names.length) { this.beside.told("none of whose lines answers to one shown here"); return; }
    this.besideTiles.need({ ...window, names: [...new Set(names)], extra: this.beside.extra((view.from_s + view.to_s) / 2) });
    this.beside.told(this.besideTiles.tile?.warp?.words ?? "");
  }

  // ---- words ---------------------------------------------------------------------------------------------------------

  say(words) { this.note.textContent = words; }
  async try(work) {
    try { await work(); } catch (error) { this.say(error instanceof Error ? error.message : String(error)); }
  }
  title() { return document.querySelector("h1")?.textContent ?? "recording"; }
  /** Sentences that say what the picture shows. */
  caption() {
    const { view, about } = this, tile = this.model().scaleTile, d = Math.max(0, Math.min(6, Math.ceil(-Math.log10(view.span)) + 2));
    const degs = [view.from_s, view.to_s].map((t) => degreesAt(tile, "turning", t)), wide = turnWidth(tile, { ...this.model().view });
    const turns = degs.every(Number.isFinite) ? `, turn ${turnNumber(Math.floor(degs[0] / 360))} to ${turnNumber(Math.floor(degs[1] / 360))}`
      : wide ? ", with turns of the crank in a part of it" : ", where no turning crank is decoded";
    const first = `${this.title()}${this.bench.views.simulated ? " (simulated)" : ""}: ${view.from_s.toFixed(d)} to ${view.to_s.toFixed(d)} s of ${(view.whole.end_s - view.whole.start_s).toFixed(2)} s${turns}.`;
    const found = about.findings.filter((f) => rangesOf(f).some((r) => r.end_s >= view.from_s && r.start_s <= view.to_s)).map((f) => f.id);
    const passes = this.bench.picked.slot && this.tiles.tile?.passes;
    const missing = passes ? passes.seen.filter((s, k) => !s && passes.times[k] >= view.from_s && passes.times[k] <= view.to_s).length : 0;
    const picked = passes ? ` Slot ${this.bench.picked.slot} is picked; ${missing || "none"} of its passages here ${missing === 1 ? "is" : "are"} without an edge.` : "";
    const words = found.length ? `Samples of ${found.join(", ")} are marked.` : "No finding has samples here.";
    const guessed = [...about.undecoded.map((s) => [s.start_s, s.end_s]), ...(tile?.angle?.unseen ?? [])]
      .some(([a, b]) => b >= view.from_s && a <= view.to_s);
    const hatch = guessed ? " Where the scales of degrees are hatched no tooth was seen: degrees there are interpolated or not known." : "";
    return [`${first}${hatch}`, `Lines: ${this.lines.map((l) => l.label).join(", ")}. ${words}${picked}`];
  }
  svg() { return svgText(this.model(), this.caption()); }
}

const covers = (tile, view) => tile.from_s <= view.from_s + 1e-9 && tile.to_s >= view.to_s - 1e-9;

/** @param {HTMLElement} element @param {any} bench */
export function mount(element, bench) {
  const strip = new Strip(element, bench);
  bench.strip = strip;
  return strip;
}
