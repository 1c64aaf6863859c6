// @ts-check
// The turn map as a drawing: speed above, below it a level stroke for every tooth that gave its edge, and marks where
// one did not. What each mark is, its shape says; colour only repeats it.
import { degrees, turnNumber } from "./pictures.js";

export const GUTTER = 92;
const RIGHT = 16, TOP = 24, SPEED = 64, GAP = 12, FOOT = 40;
const LEAST_GRID = 150, MOST_GRID = 430, ROW = 7;

/** Height of the whole map in px. */
export function heightOf(map) {
  return TOP + SPEED + GAP + gridHeight(map) + FOOT;
}
const gridHeight = (map) => Math.min(Math.max(map.all_slots * ROW, LEAST_GRID), MOST_GRID);

/** Where things stand in a map drawn `width` px wide. */
export function placesOf(map, width) {
  const wide = width - GUTTER - RIGHT, high = gridHeight(map), grid = TOP + SPEED + GAP;
  const column = wide / map.columns, row = high / (map.all_slots + 1);
  return {
    left: GUTTER, wide, grid, high, column, row,
    x: (turn) => GUTTER + ((turn - map.first_turn) / map.per_column) * column,
    middle: (turn) => GUTTER + (Math.floor((turn - map.first_turn) / map.per_column) + 0.5) * column,
    y: (slot) => grid + high - slot * row,
    turnAt: (x) => map.first_turn + Math.min(Math.max(Math.floor((x - GUTTER) / column), 0), map.columns - 1) * map.per_column,
    slotAt: (y) => Math.min(Math.max(Math.round((grid + high - y) / row), 1), map.all_slots),
  };
}

/**
 * @param {any} sheet @param {Record<string, string>} colours @param {any} map the view @param {number} width
 * @param {{slot?: number | null, turn?: number | null, ranges?: number[][],
 *   window?: {start_s: number, end_s: number} | null}} picked
 * @param {number[]} suspects
 */
export function draw(sheet, colours, map, width, picked, suspects) {
  const at = placesOf(map, width);
  hatched(sheet, colours, map, at);
  pickedBand(sheet, colours, map, at, picked);
  seen(sheet, colours, map, at);
  marks(sheet, colours, map, at, suspects);
  speed(sheet, colours, map, at);
  findingMarks(sheet, colours, map, at, picked.ranges ?? []);
  frame(sheet, colours, map, at, suspects, picked);
  inStrip(sheet, colours, map, at, picked.window);
  pickedPlace(sheet, colours, map, at, picked);
}

function hatched(sheet, colours, map, at) {
  for (const slot of map.missing)
    sheet.hatch(at.left, at.y(slot) - at.row / 2, at.wide, at.row, 7, { stroke: colours.line, width: 1 });
}

function runs(cells, wanted) {
  const out = [];
  for (let i = 0; i < cells.length; i++) {
    if (!wanted.includes(cells[i])) continue;
    let end = i;
    while (end + 1 < cells.length && wanted.includes(cells[end + 1])) end++;
    out.push([i, end + 1]);
    i = end;
  }
  return out;
}

function seen(sheet, colours, map, at) {
  const thick = Math.min(Math.max(at.row * 0.45, 1), 3);
  for (const [letters, style] of [
    [".dw", { stroke: colours.line, width: thick }],
    ["k", { stroke: colours.line, width: Math.max(thick / 2.5, 0.6), dash: [2, 2] }],
  ]) {
    const lines = map.slots.flatMap((slot, row) => runs(map.cells[row], letters).map(([a, b]) =>
      [[at.left + a * at.column, at.y(slot)], [at.left + b * at.column, at.y(slot)]]));
    if (lines.length) sheet.path(lines, style, false);
  }
}

/** Shape and style of each kind of mark; `suspect` ones stand out by being filled. */
export function markOf(state, suspect, colours) {
  return {
    x: suspect ? ["square", { fill: colours.suspect }] : ["cross", { stroke: colours.ink, width: 1.3 }],
    w: ["square", { stroke: colours.suspect, width: 1.2, fill: colours.sheet }],
    d: ["diamond", { stroke: colours.suspect, width: 1.2 }],
    e: ["up", { stroke: colours.suspect, width: 1.2 }],
    a: ["dot", { fill: colours.soft }],
  }[state];
}

function marks(sheet, colours, map, at, suspects) {
  const sets = new Map();
  const put = (state, slot, column) => {
    const suspect = suspects.includes(slot);
    const key = `${state}${suspect}`;
    if (!sets.has(key)) sets.set(key, { state, suspect, places: [] });
    sets.get(key).places.push([at.left + (column + 0.5) * at.column, at.y(slot)]);
  };
  map.slots.forEach((slot, row) => [...map.cells[row]].forEach((state, column) => {
    if ("xwda".includes(state)) put(state, slot, column);
  }));
  map.extra.turn.forEach((turn, i) => put("e", map.extra.place[i], Math.floor((turn - map.first_turn) / map.per_column)));
  const r = Math.min(Math.max(Math.min(at.column, at.row) * 0.55, 2.2), 4.5);
  for (const { state, suspect, places } of sets.values()) {
    const [shape, style] = markOf(state, suspect, colours);
    sheet.marks(places, shape, state === "a" ? r * 0.8 : r, style);
  }
}

function speed(sheet, colours, map, at) {
  const { rpm, low, high } = map.speed;
  const most = Math.max(...high.filter((v) => v != null), 1);
  const y = (value) => TOP + SPEED - (value / (most * 1.08)) * SPEED;
  const parts = [];
  rpm.forEach((value, i) => {
    if (value == null) return;
    if (i && rpm[i - 1] != null && !map.parts.some((p) => startsIn(map, p, i))) parts.at(-1).push(i);
    else parts.push([i]);
  });
  for (const part of parts) {
    const x = (i) => at.left + (i + 0.5) * at.column;
    const ends = (values) => part.map((i) => [x(i), y(values[i])]);
    if (part.length === 1) { sheet.marks([[x(part[0]), y(rpm[part[0]])]], "dot", 3, { fill: colours.ink }); continue; }
    sheet.area([...ends(low), ...ends(high).reverse()], { fill: colours.pale });
    sheet.line(ends(rpm), { stroke: colours.ink, width: 1.4 });
  }
  sheet.line([[at.left, TOP + SPEED], [at.left + at.wide, TOP + SPEED]], { stroke: colours.line, width: 0.8 });
  label(sheet, colours, TOP + SPEED / 2, "speed", "rpm, pale: range");
  for (const value of [0, most])
    sheet.words(at.left - 6, y(value) + (value ? 4 : -4), `${Math.round(value)}`, { size: 11, anchor: "end", colour: colours.soft });
}

const startsIn = (map, part, column) =>
  part !== map.parts[0] && Math.floor((part.first_turn - map.first_turn) / map.per_column) === column;

function label(sheet, colours, y, text, small) {
  sheet.words(4, y - 8, text, { size: 13, weight: "bold", colour: colours.ink });
  small.split(", ").forEach((line, i) => sheet.words(4, y + 8 + 13 * i, line, { size: 11, colour: colours.soft }));
}

/** Upright marks over the turns that a picked finding rests on. */
function findingMarks(sheet, colours, map, at, ranges) {
  const { start_s, end_s } = map.speed;
  const inside = (i) => start_s[i] != null && ranges.some(([a, b]) => a <= end_s[i] && b >= start_s[i]);
  const places = start_s.map((_, i) => i).filter(inside).map((i) => [at.left + (i + 0.5) * at.column, at.grid - 4]);
  sheet.marks(places, "down", Math.min(Math.max(at.column * 0.4, 2), 4.5), { fill: colours.ink });
}

/** A bar under the turns that the strip shows now, where it does not show all. */
function inStrip(sheet, colours, map, at, window) {
  if (!window) return;
  const { start_s, end_s } = map.speed;
  const shown = start_s.map((_, i) => i).filter((i) => start_s[i] != null && end_s[i] >= window.start_s && start_s[i] <= window.end_s);
  if (!shown.length || shown.length === map.columns) return;
  const y = at.grid + at.high + 24, a = at.left + shown[0] * at.column, b = at.left + (shown.at(-1) + 1) * at.column;
  sheet.path([[[a, y - 4], [a, y], [b, y], [b, y - 4]]], { stroke: colours.ink, width: 1.6 }, false);
  sheet.words(Math.min(Math.max((a + b) / 2, at.left + 40), at.left + at.wide - 40), y + 9, "in the strip", { size: 11, anchor: "middle", colour: colours.ink,
    box: { fill: colours.sheet } });
}

function frame(sheet, colours, map, at, suspects, picked) {
  const bottom = at.grid + at.high;
  sheet.line([[at.left, at.grid], [at.left, bottom], [at.left + at.wide, bottom]], { stroke: colours.soft, width: 1 });
  label(sheet, colours, at.grid + at.high / 2, "slot", "");
  const step = [1, 2, 5, 10, 20, 50, 100].find((s) => s * at.row >= 22) ?? 100;
  for (let slot = 1; slot <= map.all_slots; slot = slot === 1 && step > 1 ? step : slot + step)
    if (picked.slot == null || Math.abs(at.y(slot) - at.y(picked.slot)) > 15) sheet.words(at.left - 6, at.y(slot), `${slot}`, { size: 11, anchor: "end", colour: colours.soft });
  const turns = [1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000].find((s) => (s / map.per_column) * at.column >= 44) ?? 5000;
  // round numbers as people count: turn 1 is the first, of number 0
  for (let turn = Math.ceil(turnNumber(map.first_turn) / turns) * turns - 1; turn <= map.last_turn; turn += turns) {
    sheet.line([[at.middle(turn), bottom], [at.middle(turn), bottom + 4]], { stroke: colours.soft });
    if (picked.turn == null || Math.abs(at.middle(turn) - at.middle(picked.turn)) > 46) sheet.words(at.middle(turn), bottom + 13, `${turnNumber(turn)}`, { size: 11, anchor: "middle", colour: colours.soft });
  }
  sheet.words(at.left + at.wide / 2, bottom + 29, "turns of the crank, standstills left out", { size: 12, anchor: "middle", colour: colours.soft });
  map.parts.forEach((part, i) => {
    const x = at.x(part.first_turn), wide = at.x(part.last_turn + 1) - x;
    if (i) sheet.line([[x, TOP], [x, bottom]], { stroke: colours.soft, width: 0.8, dash: [4, 3] });
    if (wide > 62) sheet.words(x + wide / 2, 11, part.name, { size: 12, anchor: "middle", colour: colours.soft });
  });
  const labels = [];
  for (const slot of suspects.slice(0, 4)) {
    const crowd = labels.filter((other) => Math.abs(at.y(other) - at.y(slot)) < 20).length;
    labels.push(slot);
    sheet.words(at.left + at.wide - 6 - 64 * crowd, at.y(slot), `slot ${slot}`, { size: 12, anchor: "end", weight: "bold",
      colour: colours.suspect, box: { fill: colours.sheet, stroke: colours.suspect } });
  }
}

function pickedBand(sheet, colours, map, at, { slot, turn }) {
  if (slot != null) sheet.rect(at.left, at.y(slot) - at.row * 0.9, at.wide, at.row * 1.8, { fill: colours.pale });
  if (turn != null && turn >= map.first_turn && turn <= map.last_turn)
    sheet.rect(at.middle(turn) - at.column * 0.75, TOP, at.column * 1.5, at.grid + at.high - TOP, { fill: colours.pale });
}

function pickedPlace(sheet, colours, map, at, { slot, turn }) {
  const ink = { fill: colours.ink };
  const inside = turn != null && turn >= map.first_turn && turn <= map.last_turn;
  if (slot != null) {
    sheet.marks([[at.left + 5, at.y(slot)]], "right", 5, ink);
    sheet.marks([[at.left + at.wide + 8, at.y(slot)]], "left", 5, ink);
    sheet.words(at.left - 6, at.y(slot), `slot ${slot}`, { size: 12, anchor: "end", weight: "bold", colour: colours.ink,
      box: { fill: colours.sheet, stroke: colours.ink } });
  }
  if (inside) {
    const x = at.middle(turn), bottom = at.grid + at.high;
    sheet.marks([[x, bottom - 4]], "up", 5, ink);
    sheet.words(Math.min(Math.max(x, at.left + 28), at.left + at.wide - 28), bottom + 13, `turn ${turnNumber(turn)}`, { size: 12, anchor: "middle",
      weight: "bold", colour: colours.ink, box: { fill: colours.sheet, stroke: colours.ink } });
    if (slot != null)
      sheet.rect(x - Math.max(at.column * 0.7, 6), at.y(slot) - Math.max(at.row * 0.9, 6), Math.max(at.column * 1.4, 12), Math.max(at.row * 1.8, 12),
        { stroke: colours.ink, width: 2 });
  }
}

/** What one place of the map holds, in words. */
export function wordsFor(map, slot, turn, numbers) {
  const row = map.slots.indexOf(slot), column = Math.floor((turn - map.first_turn) / map.per_column);
  const turns = map.per_column > 1 ? `Turns ${turnNumber(turn)} to ${turnNumber(Math.min(turn + map.per_column - 1, map.last_turn))}` : `Turn ${turnNumber(turn)}`;
  const rpm = map.speed.rpm[column];
  const extra = map.extra.turn.some((t, i) => map.extra.slot[i] === slot && Math.floor((t - map.first_turn) / map.per_column) === column);
  const parts = [];
  if (row < 0) parts.push(extra ? map.states.e : "no tooth here by design");
  else {
    const state = map.cells[row][column], cell = row * map.columns + column;
    parts.push(map.states[state]);
    if (extra) parts.push(map.states.e);
    const why = numbers.reason ? map.reasons[numbers.reason[cell]] : "";
    if (why && "ka".includes(state)) parts.push(`because: ${why}`);
    if (Number.isFinite(numbers.error[cell])) parts.push(`edge ${degrees(Math.abs(numbers.error[cell]), 2)} ${numbers.error[cell] > 0 ? "late" : "early"}`);
    const size = numbers.amplitude?.[cell];
    if (size != null && size !== 255) parts.push(`pulse ${size} % of the usual at this speed`);
  }
  if (map.per_column > 1) parts[0] = `at worst ${parts[0]}`;
  if (rpm != null) parts.push(`${Math.round(rpm)} rpm`);
  return `${turns}, slot ${slot}: ${parts.join("; ")}.`;
}
