// @ts-check
// What is marked on the strip: attempts, what happened when, findings, passages of a picked tooth, sparks and fuel.

import { fitted, hatched, line, shape } from "./strip_pen.js";

export const BAND = 20; // px of one row of words above the traces
const MOST_ROWS = 5;
const FINGER = 44, BELOW = 8; // px that a finger takes, and how many of them under the lane
const MOST_EVENTS = 300; // sparks or injections in the window: more would be a bar

/** What happened when: the shape and the words of each. */
const HAPPENED = [
  ["motion_s", "arrow", "motion", "ink"],
  ["sync_s", "square", "sync", "ink"],
  ["first_fuel_s", "drop", "first fuel", "fuel"],
  ["first_spark_s", "star", "first spark", "spark"],
  ["running_s", "triangle", "running", "ink"],
];

/** Marks of all attempts, in order of time. */
export function happenings(analysis) {
  const out = [];
  const attempts = analysis.attempts.length ? analysis.attempts : [];
  const all = attempts.map((a) => ({ ...a, motion_s: a.start_s }));
  if (all.length) Object.assign(all[all.length - 1], known(analysis.timeline));
  else all.push(analysis.timeline);
  for (const one of all)
    for (const [key, look, words, colour] of HAPPENED)
      if (one[key] !== null && one[key] !== undefined) out.push({ t_s: one[key], look, words, colour });
  return out.sort((a, b) => a.t_s - b.t_s);
}

const known = (timeline) => Object.fromEntries(Object.entries(timeline).filter(([, value]) => value !== null));

/** Rows above the traces: each word where it meets no other. Words that find no room stay away, their shape stays. */
export function laidOut(pen, view, happened) {
  const ends = new Array(MOST_ROWS).fill(-Infinity);
  const placed = [];
  for (const one of happened) {
    if (one.t_s < view.from_s || one.t_s > view.to_s) continue;
    const x = view.x + (one.t_s - view.from_s) * view.scale;
    const wide = pen.measure(one.words, { size: 12 }) + 24;
    const left = x + wide > view.x + view.w; // words go to the left of their shape at the right end
    const [from, to] = left ? [x - wide, x + 10] : [x - 10, x + wide];
    let row = ends.findIndex((end) => end <= from);
    const room = row >= 0;
    if (!room) row = ends.indexOf(Math.min(...ends));
    ends[row] = Math.max(ends[row], room ? to : x + 10);
    placed.push({ ...one, x, row, left, words: room ? one.words : "" });
  }
  return { placed, rows: placed.reduce((most, one) => Math.max(most, one.row + 1), 1) };
}

export function drawHappenings(pen, view, laid, top, bottom, ink) {
  for (const one of laid.placed) {
    const y = top + one.row * BAND + BAND / 2, colour = ink[one.colour];
    line(pen, one.x, y + 6, one.x, bottom, { stroke: colour, width: 1, dash: [2, 3] });
    shape(pen, one.look, one.x, y, 6, colour);
    if (one.words) pen.text(one.words, one.x + (one.left ? -11 : 11), y + 4, { fill: colour, size: 12, align: one.left ? "right" : "left" });
  }
}

/** Attempts to start as shaded stretches with their number and how they ended. */
export function drawAttempts(pen, view, attempts, y, top, bottom, ink) {
  attempts.forEach((attempt, k) => {
    const a = Math.max(view.x, view.x + (attempt.start_s - view.from_s) * view.scale);
    const b = Math.min(view.x + view.w, view.x + ((attempt.end_s ?? view.to_s) - view.from_s) * view.scale);
    if (b <= a) return;
    pen.rect(a, top, b - a, bottom - top, { fill: ink.pale, alpha: 0.75 });
    line(pen, a, y + BAND - 3, b, y + BAND - 3, { stroke: ink.soft, width: 3 });
    const words = `attempt ${k + 1}: ${attempt.started ? "started" : "no start"}`;
    if (b - a > 30) pen.text(fitted(pen, words, b - a - 6, { size: 12 }), a + 3, y + 12, { fill: ink.soft, size: 12 });
  });
}

/** Stretches of a lane without samples. */
export function drawGaps(pen, view, lane, gaps, ink) {
  for (const [from, to] of gaps) {
    const a = Math.max(view.x, view.x + (from - view.from_s) * view.scale);
    const b = Math.min(view.x + view.w, view.x + (to - view.from_s) * view.scale);
    if (b < view.x || a > view.x + view.w) continue;
    hatched(pen, a, lane.y, Math.max(2, b - a), lane.h, ink.line);
    if (b - a > 60) pen.text("no samples", (a + b) / 2, lane.y + lane.h / 2, { fill: ink.soft, size: 12, align: "center" });
  }
}

/** [finding, its stretches of a lane in the window, which of three heights its brackets stand at]. */
function bracketed(view, lane, findings) {
  return findings
    .map((finding) => [finding, rangesOf(finding).filter((r) => r.channel === lane.name && r.end_s >= view.from_s && r.start_s <= view.to_s)])
    .filter(([, ranges]) => ranges.length)
    .map(([finding, ranges], k) => [finding, ranges, k % 3]);
}
const bracketY = (lane, height) => lane.y + lane.h - 2 - 7 * height;

/** The finding whose bracket lies under a finger, and which of its places: the nearest within FINGER; null where none does. */
export function bracketAt(view, lane, findings, x, y) {
  if (y < lane.y + lane.h + BELOW - FINGER || y > lane.y + lane.h + BELOW) return null;
  let best = null, least = Infinity;
  for (const [finding, ranges, height] of bracketed(view, lane, findings))
    for (const range of ranges) {
      const a = view.x + (range.start_s - view.from_s) * view.scale, b = Math.max(view.x + (range.end_s - view.from_s) * view.scale, a + 4);
      const aside = Math.max(a - x, x - b, 0), off = Math.hypot(aside, y - bracketY(lane, height));
      if (aside > FINGER / 2 || off >= least) continue;
      least = off;
      best = { finding, place: Math.max(0, rangesOf(finding).indexOf(range)) };
    }
  return best;
}

/** Stretches of a lane that findings rest on: a bracket and the finding's number; the picked finding's are tinted. */
export function drawFindings(pen, view, lane, findings, picked, ink) {
  for (const [finding, ranges, height] of bracketed(view, lane, findings)) {
    const mine = finding.id === picked, y = bracketY(lane, height);
    let free = -Infinity;
    for (const range of ranges) {
      const x0 = view.x + (range.start_s - view.from_s) * view.scale, x1 = view.x + (range.end_s - view.from_s) * view.scale;
      const [a, b] = [Math.max(view.x, x0), Math.min(view.x + view.w, Math.max(x1, x0 + 4))];
      if (mine) pen.rect(a, lane.y, b - a, lane.h, { fill: ink.suspect, alpha: 0.14 });
      line(pen, a, y, b, y, { stroke: ink.suspect, width: mine ? 3 : 1.5, ...(finding.confidence < 0.5 ? { dash: [6, 4] } : {}) }); // a hint is no finding
      for (const end of [x0, x1]) if (end >= view.x && end <= view.x + view.w) line(pen, end, y, end, y - (mine ? 9 : 5), { stroke: ink.suspect, width: mine ? 2 : 1.5 });
      const wide = pen.measure(finding.id, { size: 12, bold: mine }) + 6;
      if (a > free && b - a >= wide && height === 0) {
        pen.text(finding.id, a + 3, y - 5, { fill: ink.suspect, size: 12, bold: mine });
        free = a + wide;
      }
    }
  }
}

/** Where a finding's samples lie: its ranges, or its own beginning and end. */
export function rangesOf(finding) {
  const ranges = finding.evidence?.ranges ?? [];
  if (ranges.length) return ranges;
  if (finding.start_s === null || finding.start_s === undefined) return [];
  return [{ channel: finding.channel, start_s: finding.start_s, end_s: finding.end_s ?? finding.start_s, turn: null }];
}

/** Passages of the picked tooth: full where no edge was seen, hollow where one was. */
export function drawPasses(pen, view, lane, passes, slot, ink) {
  if (!passes) return;
  let last = -Infinity, worded = -Infinity;
  passes.times.forEach((t, k) => {
    if (t < view.from_s || t > view.to_s) return;
    const x = view.x + (t - view.from_s) * view.scale, missing = !passes.seen[k];
    if (x - last < 3 && !missing) return;
    last = x;
    line(pen, x, lane.y + 14, x, lane.y + lane.h, { stroke: ink.suspect, width: 1, dash: [4, 3] });
    shape(pen, "drop", x, lane.y + 8, 6, ink.suspect, !missing);
    const words = missing ? `slot ${slot}: no edge` : `slot ${slot}`;
    const wide = pen.measure(words, { size: 12, bold: true });
    if (x < worded || x + wide + 12 > view.x + view.w) return;
    pen.text(words, x + 10, lane.y + 12, { fill: ink.suspect, size: 12, bold: true });
    worded = x + wide + 28;
  });
}

/** Commands of a coil or an injector under its trace: a star at each spark, a bar while fuel flows. */
export function drawOutputs(pen, view, lane, output, ink) {
  if (!output) return;
  const events = output.events.filter((e) => e.end_s >= view.from_s && e.start_s <= view.to_s);
  if (!events.length || events.length > MOST_EVENTS) return;
  const at = (t) => view.x + (t - view.from_s) * view.scale, y = lane.y + lane.h + 3;
  let last = -Infinity;
  for (const event of events) {
    if (output.role === "coil") {
      const x = at(event.end_s);
      if (x - last >= 9 && x >= view.x && x <= view.x + view.w) { shape(pen, "star", x, y, 4.5, ink.spark); last = x; }
    } else {
      const a = Math.max(view.x, at(event.start_s)), b = Math.min(view.x + view.w, at(event.end_s));
      pen.rect(a, y - 2, Math.max(2, b - a), 4, { fill: ink.fuel });
    }
  }
}
