// @ts-check
// The scales under the traces: seconds, then turns with degrees from slot 1, then degrees of the working cycle.

import { turnNumber } from "./pictures.js";
import { degreesAt } from "./strip_tiles.js";
import { hatched, line } from "./strip_pen.js";

export const ROW = 24; // px of one scale
const NICE = [1, 2, 5];
const DEGREES = [360, 180, 90, 30, 10, 5, 1, 0.5, 0.1];

/** The smallest 1, 2 or 5 times a power of ten that is not below a length. */
export function nice(least) {
  const power = 10 ** Math.floor(Math.log10(least));
  for (const n of NICE) if (n * power >= least * 0.999999) return n * power;
  return 10 * power;
}

/** Seconds in as many digits as a step needs. */
export const seconds = (t, step) => t.toFixed(Math.max(0, Math.min(9, -Math.floor(Math.log10(step) + 1e-9))));

/** Multiples of a step at which rising degrees pass: [time, degrees]. Degrees may begin anew (a cycle, a segment). */
export function crossings(tile, key, step, from_s, to_s) {
  const out = [];
  if (!tile?.angle) return out;
  const values = tile.angle[key], each = (tile.to_s - tile.from_s) / tile.columns;
  const first = Math.max(0, Math.floor((from_s - tile.from_s) / each));
  const last = Math.min(tile.columns, Math.ceil((to_s - tile.from_s) / each));
  const fold = key === "cycle" ? (tile.fold ??= folds(values)) : 0;
  for (let k = first; k < last; k += 1) {
    const a = values[k];
    let b = values[k + 1];
    if (Number.isNaN(a) || Number.isNaN(b)) continue;
    if (b < a) b += fold || a - b;
    for (let m = Math.floor(a / step) + 1; m * step <= b; m += 1) {
      const t = tile.from_s + each * (k + (m * step - a) / (b - a));
      if (t >= from_s && t <= to_s) out.push([t, fold ? (m * step) % fold : m * step]);
      if (out.length > 5000) return out;
    }
  }
  return out;
}

/** How far degrees of the cycle count: to 360 where the turn is not known. */
const folds = (values) => (values.some((v) => v > 360.001) ? 720 : 360);

/** px of one turn where the window shows the most of it decoded. */
export function turnWidth(tile, view) {
  if (!tile?.angle) return 0;
  let passed = 0, px = 0;
  const each = (view.to_s - view.from_s) / 64;
  for (let k = 0; k < 64; k += 1) {
    const a = degreesAt(tile, "turning", view.from_s + k * each);
    const b = degreesAt(tile, "turning", view.from_s + (k + 1) * each);
    if (b > a) { passed += b - a; px += view.w / 64; }
  }
  return passed > 0 ? (px / passed) * 360 : 0;
}

export function timeScale(pen, view, y, ink) {
  const step = nice((view.to_s - view.from_s) * (88 / view.w));
  const fine = step / 5;
  for (let k = Math.ceil(view.from_s / fine); k * fine <= view.to_s; k += 1) {
    const whole = k % 5 === 0, x = view.x + (k * fine - view.from_s) * view.scale;
    line(pen, x, y, x, y + (whole ? 8 : 4), { stroke: ink.soft });
    if (whole && x > view.x + 18 && x < view.x + view.w - 24)
      pen.text(seconds(k * fine, step), x, y + 20, { fill: ink.ink, align: "center", size: 12 });
  }
}

/** Where a scale of degrees has nothing to stand on: hatched where the crank turns, said where it does not. */
function unknown(pen, tile, view, y, ink, about) {
  const x = (t) => Math.min(Math.max(view.x + (t - view.from_s) * view.scale, view.x), view.x + view.w);
  const lost = about.undecoded.map((span) => [span.start_s, span.end_s]);
  for (const [from, to] of [...lost, ...(tile?.angle?.unseen ?? [])]) {
    const a = x(from), b = x(to);
    if (b > a) hatched(pen, a, y + 1, b - a, ROW - 2, ink.line);
  }
  for (const [from, to] of lost) {
    const a = x(from), b = x(to);
    if (b - a > 150) label(pen, "angle not known", (a + b) / 2, y, ink, ink.soft);
  }
  for (const [from, to] of about.still) {
    const a = x(from), b = x(to);
    if (b - a > pen.measure(about.stillWords, { size: 12 }) + 90) pen.text(about.stillWords, (a + b) / 2, y + 17, { fill: ink.soft, align: "center", size: 12 });
  }
}

function label(pen, words, x, y, ink, fill, bold = false) {
  const w = pen.measure(words, { size: 12, bold }) + 8;
  pen.rect(x - w / 2, y + 5, w, 16, { fill: ink.paper });
  pen.text(words, x, y + 17, { fill, align: "center", size: 12, bold });
}

/** Turns, numbered from 1; degrees from slot 1 between them where there is room. */
export function turnScale(pen, tile, view, y, ink, about) {
  unknown(pen, tile, view, y, ink, about);
  const wide = turnWidth(tile, view);
  if (!wide) return;
  let free = -Infinity;
  const step = wide >= 64 ? 1 : nice(64 / wide);
  for (const [t, deg] of crossings(tile, "turning", wide * step < 8 ? 360 * step : 360, view.from_s, view.to_s)) {
    const x = view.x + (t - view.from_s) * view.scale, turn = turnNumber(Math.round(deg / 360));
    const numbered = turn % step === 0; // round numbers, as the turn map has them
    if (!numbered && wide < 7) continue;
    line(pen, x, y, x, y + (numbered ? 10 : 6), { stroke: ink.ink, width: numbered ? 1.5 : 1 });
    const words = `turn ${turn}`, half = pen.measure(words, { size: 12 }) / 2 + 4;
    if (!numbered || x - half < Math.max(free, view.x) || x + half > view.x + view.w) continue;
    pen.text(words, x, y + 21, { fill: ink.ink, align: "center", size: 12 });
    free = x + half;
  }
  const fine = DEGREES.filter((d) => (d / 360) * wide >= 46).pop();
  if (fine === undefined || fine >= 360) return;
  const placed = crossings(tile, "turning", fine, view.from_s, view.to_s).filter(([, deg]) => Math.abs(deg % 360) > 1e-6);
  degrees(pen, placed.map(([t, deg]) => [t, deg % 360]), view, y, ink, fine, turnsAt(tile, view));
}

const turnsAt = (tile, view) =>
  crossings(tile, "turning", 360, view.from_s, view.to_s).map(([t]) => view.x + (t - view.from_s) * view.scale);

/** Ticks with their degrees, none into another. */
function degrees(pen, placed, view, y, ink, step, taken) {
  let free = view.x;
  const digits = step < 1 ? 1 : 0;
  for (const [t, deg] of placed) {
    const x = view.x + (t - view.from_s) * view.scale;
    line(pen, x, y, x, y + 5, { stroke: ink.soft });
    const words = `${deg.toFixed(digits)}°`, half = pen.measure(words, { size: 12 }) / 2 + 3;
    if (x - half < free || x + half > view.x + view.w || taken.some((at) => Math.abs(at - x) < half + 30)) continue;
    pen.text(words, x, y + 18, { fill: ink.soft, align: "center", size: 12 });
    free = x + half;
  }
}

/** Degrees after cylinder 1's firing TDC, 0 to 720, with a tick at every TDC. */
export function cycleScale(pen, tile, view, y, ink, about) {
  if (!about.phaseKnown) {
    pen.text("where top dead centre lies is not known in this recording", view.x + 8, y + 17, { fill: ink.soft, size: 12 });
    return;
  }
  unknown(pen, tile, view, y, ink, about);
  const wide = turnWidth(tile, view);
  if (!wide) return;
  if (wide < 16) {
    pen.text("zoom in to see the cycles", view.x + 8, y + 17, { fill: ink.soft, size: 12 });
    return;
  }
  const taken = [];
  const all = crossings(tile, "cycle", about.tdcEvery, view.from_s, view.to_s);
  for (const [t, deg] of all) {
    const x = view.x + (t - view.from_s) * view.scale, own = deg % 720 < 1e-6;
    line(pen, x, y, x, y + (own ? 12 : 8), { stroke: ink.ink, width: own ? 2 : 1 });
    if (!own) continue;
    const words = about.turnKnown ? "TDC 1 fires, 0°" : "TDC 1, 0°";
    const short = pen.measure(words, { size: 12, bold: true }) > wide * 1.5 ? "TDC 1" : words;
    const half = pen.measure(short, { size: 12, bold: true }) / 2 + 3;
    if (x - half < Math.max(view.x, taken.at(-1) ?? -Infinity) || x + half > view.x + view.w) continue;
    pen.text(short, x, y + 21, { fill: ink.ink, align: "center", size: 12, bold: true });
    taken.push(x + half);
  }
  const fine = DEGREES.filter((d) => (d / 360) * wide >= 46).pop();
  if (fine === undefined) return;
  const zero = all.filter(([, deg]) => deg % 720 < 1e-6).map(([t]) => view.x + (t - view.from_s) * view.scale);
  const placed = crossings(tile, "cycle", fine, view.from_s, view.to_s).filter(([, deg]) => deg % 720 > 1e-6);
  degrees(pen, placed, view, y, ink, fine, zero.flatMap((x) => [x - 22, x + 22]));
}
