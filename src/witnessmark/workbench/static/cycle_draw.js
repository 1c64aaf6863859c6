// @ts-check
// The cycle as a drawing: a row a line; in each row the cycles lie one under the other, the first at the top.
import { modulo } from "./pictures.js";

export const GUTTER = 150;
const RIGHT = 18, TOP = 34, FOOT = 42, TRACE = 30, RASTER = 56, GAP = 18, EXPECTED = 9;
const BORDER_DEG = 10;
const RUNS_RPM = 450; // from here on an engine runs by itself (CONTRACT 5)

const rowsOf = (view) => [...view.cams.map((cam) => ({ cam })), ...view.outputs.map((output) => ({ output }))];
const highOf = (row) => (row.cam ? EXPECTED + TRACE + 6 : 0) + RASTER;

/** Height of the whole picture in px. */
export function heightOf(view) {
  return TOP + FOOT + rowsOf(view).reduce((sum, row) => sum + highOf(row) + GAP, 0);
}

/** Where an angle stands in a picture `width` px wide, and back. */
export function scaleOf(view, width) {
  const wide = width - GUTTER - RIGHT;
  return { left: GUTTER, wide, x: (angle) => GUTTER + (angle / view.cycle_deg) * wide,
    angleAt: (x) => Math.min(Math.max(((x - GUTTER) / wide) * view.cycle_deg, 0), view.cycle_deg) };
}

/**
 * @param {any} sheet @param {Record<string, string>} colours @param {any} view @param {number} width
 * @param {{angle: number | null, cylinder: number | null, channel: string | null, slot: number | null,
 *   slotAngle: number | null, time_s: number | null}} chosen the reading mark, what is picked
 */
export function draw(sheet, colours, view, width, chosen) {
  const at = scaleOf(view, width), bottom = heightOf(view) - FOOT;
  deadCentres(sheet, colours, view, at, bottom, chosen);
  let top = TOP;
  for (const row of rowsOf(view)) {
    if (row.cam) camRow(sheet, colours, view, at, top, row.cam, chosen);
    else outputRow(sheet, colours, view, at, top, row.output, chosen);
    top += highOf(row) + GAP;
  }
  scale(sheet, colours, view, at, bottom);
  byPressure(sheet, colours, view, at);
  slotMarks(sheet, colours, view, at, bottom, chosen);
  if (chosen.angle != null) {
    const x = at.x(chosen.angle);
    sheet.line([[x, TOP - 6], [x, bottom]], { stroke: colours.ink, width: 1.4, dash: [6, 3] });
    sheet.words(Math.min(Math.max(x, at.left + 20), at.left + at.wide - 20), bottom + 13, `${chosen.angle.toFixed(0)}°`, { size: 12, anchor: "middle", weight: "bold",
      colour: colours.ink, box: { fill: colours.sheet, stroke: colours.ink } });
  }
}

function deadCentres(sheet, colours, view, at, bottom, chosen) {
  for (const { cylinder, angle_deg } of view.tdcs) {
    const x = at.x(angle_deg), mine = cylinder === chosen.cylinder;
    sheet.line([[x, TOP - 8], [x, bottom]], { stroke: mine ? colours.ink : colours.soft, width: mine ? 2 : 0.8, dash: mine ? [] : [2, 3] });
    sheet.words(angle_deg < 1 ? x - 2 : x, 14, `TDC ${cylinder}`, { size: 12, anchor: angle_deg < 1 ? "start" : "middle",
      weight: mine ? "bold" : "normal", colour: mine ? colours.ink : colours.soft, ...(mine ? { box: { fill: colours.sheet, stroke: colours.ink } } : {}) });
  }
}

/** Where a picked slot's tooth passes the sensor: once a turn. */
function slotMarks(sheet, colours, view, at, bottom, { slot, slotAngle }) {
  if (slotAngle == null) return;
  const first = modulo(slotAngle - (view.tdc_deg ?? 0), 360);
  for (let angle = first; angle < view.cycle_deg; angle += 360) {
    const x = at.x(angle);
    sheet.line([[x, TOP - 4], [x, bottom]], { stroke: colours.ink, width: 1, dash: [1, 4] });
    sheet.words(Math.min(Math.max(x, at.left + 26), at.left + at.wide - 26), bottom - 9, `slot ${slot}`, { size: 12, anchor: "middle",
      colour: colours.ink, box: { fill: colours.sheet, stroke: colours.ink } });
  }
}

/** Marks the cycle nearest to a picked moment at the left of a row. */
function momentMark(sheet, colours, at, times, y, time_s) {
  if (time_s == null || !times.length) return;
  let best = 0;
  times.forEach((t, i) => { if (Math.abs(t - time_s) < Math.abs(times[best] - time_s)) best = i; });
  sheet.marks([[at.left + 5, y(best)]], "right", 4, { fill: colours.ink });
}

/** Dead centres as measured by a cylinder's pressure, with their uncertainty. */
function byPressure(sheet, colours, view, at) {
  const folded = view.pressures.flatMap((p) => // one just before the end of the cycle stands at its beginning, too
    [p, ...(p.tdc_deg > view.cycle_deg - BORDER_DEG ? [{ ...p, tdc_deg: p.tdc_deg - view.cycle_deg }] : [])]);
  for (const p of folded) {
    const x = at.x(p.tdc_deg), wide = ((p.sd_deg ?? 0) / view.cycle_deg) * at.wide;
    sheet.line([[x - wide, TOP - 2], [x + wide, TOP - 2]], { stroke: colours.reference, width: 2 });
    sheet.marks([[x, TOP - 2]], "diamond", 4.5, { stroke: colours.reference, width: 1.5, fill: colours.sheet });
  }
}

function gutter(sheet, colours, y, text, small, picked) {
  const short = text.length > 19 ? `${text.slice(0, 18)}…` : text;
  sheet.words(6, y, short, { size: 13, weight: "bold", colour: colours.ink });
  small.filter(Boolean).forEach((line, i) => sheet.words(6, y + 16 + 14 * i, line, { size: 11, colour: colours.soft }));
  if (picked) sheet.marks([[GUTTER - 10, y]], "right", 5, { fill: colours.ink });
}

function camRow(sheet, colours, view, at, top, cam, chosen) {
  const shaft = [cam.camshaft, cam.bank != null ? `bank ${cam.bank}` : ""].filter(Boolean).join(", ");
  const off = cam.offset_deg;
  const late = off == null ? "" : Math.abs(off) < 0.05 ? "in place" : `${Math.abs(off).toFixed(1)}° ${off > 0 ? "late" : "early"}`;
  gutter(sheet, colours, top + EXPECTED + 8, cam.label, [shaft, late, `${cam.cycles} cycles`], chosen.channel === cam.channel);
  if (view.cycle_deg === cam.cycle_deg) trace(sheet, colours, view, at, top + EXPECTED, cam);
  else sheet.words(at.left, top + EXPECTED + TRACE / 2, "both turns of the cycle lie on each other", { size: 11, colour: colours.soft });
  raster(sheet, colours, at, top + EXPECTED + TRACE + 6, cam.each, chosen);
}

function trace(sheet, colours, view, at, top, cam) {
  const high = top + 3, low = top + TRACE, end = view.cycle_deg;
  for (const edge of cam.edges) {
    if (edge.expected_deg == null) continue;
    for (const turn of [-end, 0, end]) {
      const from = Math.max(edge.expected_deg + turn - cam.tolerance_deg, 0), to = Math.min(edge.expected_deg + turn + cam.tolerance_deg, end);
      if (to > from) sheet.rect(at.x(from), high, at.x(to) - at.x(from), TRACE, { fill: colours.pale });
    }
    sheet.line([[at.x(edge.expected_deg), high - 4], [at.x(edge.expected_deg), low]], { stroke: colours.reference, width: 1, dash: [3, 2] });
    sheet.marks([[at.x(edge.expected_deg), high - 6]], "diamond", 3.6, { fill: colours.reference });
  }
  level(sheet, colours, at, high, low, cam, end);
  for (const edge of cam.edges) {
    if (edge.angle_deg == null) sheet.marks([[at.x(edge.expected_deg), (high + low) / 2]], "cross", 5, { stroke: colours.suspect, width: 2 });
    else if (edge.outside) sheet.marks([[at.x(edge.angle_deg), (high + low) / 2]], "square", 4, { fill: colours.suspect });
  }
}

function level(sheet, colours, at, high, low, cam, end) {
  const edges = cam.edges.filter((e) => e.angle_deg != null).sort((a, b) => a.angle_deg - b.angle_deg);
  if (!edges.length) return;
  const style = { stroke: colours.ink, width: 1.5 };
  if (cam.one_kind) {
    sheet.line([[at.x(0), low], [at.x(end), low]], style);
    sheet.path(edges.map((e) => [[at.x(e.angle_deg), high], [at.x(e.angle_deg), low]]), style, false);
    return;
  }
  let y = edges.at(-1).kind === "rising" ? high : low;
  const points = [[at.x(0), y]];
  for (const edge of edges) {
    points.push([at.x(edge.angle_deg), y]);
    y = edge.kind === "rising" ? high : low;
    points.push([at.x(edge.angle_deg), y]);
  }
  sheet.line([...points, [at.x(end), y]], style);
}

function ground(sheet, colours, at, top) {
  sheet.rect(at.left, top, at.wide, RASTER, { stroke: colours.line, width: 0.8 });
}

/** Every edge of the record: the first cycle at the top; rising ones upright strokes, falling ones dots. */
function raster(sheet, colours, at, top, each, chosen) {
  ground(sheet, colours, at, top);
  const n = each.angle_deg.length;
  const y = (i) => top + 3 + ((RASTER - 6) * i) / Math.max(n - 1, 1);
  const places = each.angle_deg.map((angle, i) => [at.x(angle), y(i)]);
  sheet.marks(places.filter((_, i) => each.rising[i] === "1"), "tick", 2.2, { stroke: colours.ink, width: 1.3 });
  sheet.marks(places.filter((_, i) => each.rising[i] === "0"), "dot", 1.8, { fill: colours.soft });
  momentMark(sheet, colours, at, each.time_s, y, chosen.time_s);
  const runs = each.rpm.findIndex((rpm) => rpm != null && rpm >= RUNS_RPM);
  if (runs > 0) {
    sheet.line([[at.left - 6, y(runs)], [at.left + at.wide, y(runs)]], { stroke: colours.line, width: 0.8 });
    sheet.words(at.left - 8, y(runs), "runs ▾", { size: 10, anchor: "end", colour: colours.soft });
  }
}

function outputRow(sheet, colours, view, at, top, output, chosen) {
  const coil = output.role === "coil", colour = coil ? colours.spark : colours.fuel;
  const what = coil ? "spark" : "injection";
  const count = `${output.events} ${what}${output.events === 1 ? "" : "s"}`;
  gutter(sheet, colours, top + 10, output.label, [output.cylinder != null ? `cylinder ${output.cylinder}` : "", count,
    output.length_ms != null ? `${output.length_ms.toFixed(1)} ms` : ""], chosen.channel === output.channel || (chosen.cylinder != null && chosen.cylinder === output.cylinder));
  ground(sheet, colours, at, top);
  const n = output.start_deg.length;
  if (!n) {
    sheet.words(at.left + 10, top + RASTER / 2, output.events ? "no command at a known angle" : "no command in this record", { size: 12, colour: colours.soft });
    return;
  }
  const y = (i) => top + 4 + ((RASTER - 8) * i) / Math.max(n - 1, 1);
  const bars = output.start_deg.flatMap((start, i) => {
    const end = output.end_deg[i];
    if (end >= start) return [[[at.x(start), y(i)], [at.x(end), y(i)]]];
    return [[[at.x(start), y(i)], [at.x(view.cycle_deg), y(i)]], [[at.x(0), y(i)], [at.x(end), y(i)]]];
  });
  sheet.path(bars, { stroke: colour, width: Math.min(Math.max(RASTER / n / 1.5, 0.7), 3), alpha: 0.45 }, false);
  const places = (coil ? output.end_deg : output.start_deg).map((angle, i) => [at.x(modulo(angle, view.cycle_deg)), y(i)]);
  sheet.marks(places, coil ? "up" : "down", n > 60 ? 2.2 : 3.4, { fill: colour });
  momentMark(sheet, colours, at, output.time_s, y, chosen.time_s);
}

function scale(sheet, colours, view, at, bottom) {
  sheet.line([[at.left, bottom], [at.left + at.wide, bottom]], { stroke: colours.soft });
  const step = at.wide / (view.cycle_deg / 30) > 46 ? 30 : at.wide / (view.cycle_deg / 60) > 40 ? 60 : 90;
  for (let angle = 0; angle <= view.cycle_deg; angle += step) {
    sheet.line([[at.x(angle), bottom], [at.x(angle), bottom + 4]], { stroke: colours.soft });
    sheet.words(at.x(angle), bottom + 13, `${angle}`, { size: 11, anchor: "middle", colour: colours.soft });
  }
  const text = view.known ? `crank degrees after cylinder 1's ${view.turn_known ? "firing " : ""}TDC` : "crank degrees after slot 1";
  sheet.words(at.left + at.wide / 2, bottom + 30, text, { size: 12, anchor: "middle", colour: colours.soft });
}
