// @ts-check
// The whole picture: gutter, lanes, signs and scales, with either pen.

import { fitted, line, shape } from "./strip_pen.js";
import { ROW, cycleScale, timeScale, turnScale } from "./strip_scales.js";
import { BAND, drawAttempts, drawFindings, drawGaps, drawHappenings, drawOutputs, drawPasses, laidOut } from "./strip_signs.js";
import { trace } from "./strip_trace.js";

export const SCALES = 3 * ROW + 8;
const BETWEEN = 10; // px between lanes
const ROOM = 8; // px kept free within a lane above and below

/** Heights of the lanes, and the height of all. */
export function arranged(model, head) {
  let y = head;
  const lanes = model.lines.map((one) => {
    const lane = { ...one, y: y + ROOM / 2, h: one.height - ROOM };
    y += one.height + BETWEEN;
    return lane;
  });
  return { lanes, bottom: y };
}

/** How many px stand above the traces. */
export const headOf = (rows) => rows * BAND + BAND + 6;

/** @param {any} pen @param {any} model see strip.js */
export function draw(pen, model) {
  const { ink, view, about } = model;
  pen.rect(0, 0, model.width, model.height, { fill: ink.paper });
  const laid = laidOut(pen, view, about.happened);
  const head = headOf(model.rows);
  const { lanes, bottom } = arranged(model, head);
  pen.clipped(view.x, 0, view.w, model.height, () => {
    drawAttempts(pen, view, about.attempts, model.rows * BAND, head - 4, bottom, ink);
    for (const lane of lanes) drawLane(pen, model, lane);
    drawHappenings(pen, view, { ...laid, placed: laid.placed.filter((p) => p.row < model.rows) }, 0, bottom, ink);
  });
  for (const lane of lanes) gutter(pen, model, lane);
  scales(pen, model, bottom);
  pen.clipped(view.x, 0, view.w, model.height, () => drawMarks(pen, model, head, bottom + SCALES));
  line(pen, view.x, 0, view.x, bottom + SCALES, { stroke: ink.line });
  return { lanes, bottom };
}

function drawLane(pen, model, lane) {
  const { ink, view } = model;
  if (lane.low < 0 && lane.high > 0) {
    const zero = lane.y + lane.h - (-lane.low / (lane.high - lane.low)) * lane.h;
    line(pen, view.x, zero, view.x + view.w, zero, { stroke: ink.line });
  }
  line(pen, view.x, lane.y + lane.h + 7, view.x + view.w, lane.y + lane.h + 7, { stroke: ink.pale });
  for (const [tile, from, to] of model.parts) {
    const own = tile.lines.get(lane.name);
    if (!own) continue;
    const x = view.x + (from - view.from_s) * view.scale;
    pen.clipped(x, lane.y - 3, (to - from) * view.scale, lane.h + 6, () => {
      drawGaps(pen, view, lane, own.gaps, ink);
      trace(pen, tile, own, view, lane, { ink: ink.ink });
    });
  }
  pen.clipped(view.x, lane.y - 3, view.w, lane.h + 6, () => {
    for (const [tile] of model.besideParts) {
      const own = tile.lines.get(lane.beside);
      if (own) trace(pen, tile, own, view, lane, { ink: ink.reference, dash: [5, 3] });
    }
  });
  drawFindings(pen, view, lane, model.about.findings, model.picked.finding, ink);
  if (lane.name === model.about.crank) drawPasses(pen, view, lane, model.passes, model.picked.slot, ink);
  drawOutputs(pen, view, lane, model.about.outputs.get(lane.name), ink);
}

const amount = (value, span) => value.toFixed(span >= 100 ? 0 : span >= 10 ? 1 : span >= 0.5 ? 2 : 3);

function gutter(pen, model, lane) {
  const { ink, view } = model, wide = view.x - 14, span = lane.high - lane.low;
  pen.text(fitted(pen, lane.label, wide, { bold: true }), 4, lane.y + 13, { fill: ink.ink, bold: true });
  const ends = [`${amount(lane.high, span)} ${lane.unit}`, `${amount(lane.low, span)} ${lane.unit}`];
  line(pen, view.x - 5, lane.y, view.x, lane.y, { stroke: ink.soft });
  line(pen, view.x - 5, lane.y + lane.h, view.x, lane.y + lane.h, { stroke: ink.soft });
  const small = { fill: ink.soft, size: 11, align: "right" };
  if (lane.h >= 46) pen.text(ends[0], view.x - 7, lane.y + (lane.h >= 58 ? 27 : 26), small);
  pen.text(ends[1], view.x - 7, lane.y + lane.h, small);
  const role = lane.beside ? "" : lane.role;
  if (lane.h >= 58 && role) pen.text(fitted(pen, role, wide - pen.measure(ends[0], small) - 6, { size: 11 }), 4, lane.y + 27, { fill: ink.soft, size: 11 });
  if (!lane.beside) return;
  line(pen, 4, lane.y + 23, 22, lane.y + 23, { stroke: ink.reference, width: 2, dash: [5, 3] });
  pen.text(fitted(pen, "reference", wide - 80, { size: 11 }), 26, lane.y + 27, { fill: ink.reference, size: 11 });
}

function scales(pen, model, y) {
  const { ink, view, about } = model;
  const words = ["time, s", about.turnWords, about.cycleWords];
  pen.clipped(view.x, y, view.w, SCALES, () => {
    timeScale(pen, view, y, ink);
    turnScale(pen, model.scaleTile, view, y + ROW, ink, about);
    cycleScale(pen, model.scaleTile, view, y + 2 * ROW, ink, about);
  });
  words.forEach((word, k) => {
    line(pen, view.x, y + k * ROW, view.x + view.w, y + k * ROW, { stroke: ink.line });
    pen.text(fitted(pen, word, view.x - 10, { size: 11 }), view.x - 6, y + k * ROW + 16, { fill: ink.soft, size: 11, align: "right" });
  });
}

/** The two measuring marks: a full and a broken line, each with its letter. */
function drawMarks(pen, model, top, bottom) {
  const { ink, view } = model;
  for (const [letter, t] of Object.entries(model.marks)) {
    if (t === null || t === undefined || t < view.from_s || t > view.to_s) continue;
    const x = view.x + (t - view.from_s) * view.scale;
    line(pen, x, top - 4, x, bottom, { stroke: ink.ink, width: 1.5, dash: letter === "b" ? [7, 4] : undefined });
    shape(pen, letter === "a" ? "triangle" : "diamond", x, bottom - 6, 6, ink.ink);
    pen.text(letter, x + 9, top + 8, { fill: ink.ink, size: 13, bold: true });
  }
}
