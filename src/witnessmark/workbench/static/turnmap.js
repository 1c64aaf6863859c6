// @ts-check
// The turn map: pick a tooth and a turn, see every odd passage at once.
import { CanvasSheet, SvgSheet, inks } from "./sheet.js";
import { exportable } from "./export.js";
import { buttons, bytes, hundredths, keyed, make, nothing, redrawn, toStrip, turnNumber } from "./pictures.js";
import { draw, heightOf, markOf, placesOf, wordsFor } from "./turnmap_draw.js";

const EXPORT_WIDTH = 1100;
const KEYS = "Arrows: turn and slot; Page up and down: ten turns; N and Shift N: next and last odd place; Enter: show it in the strip";

class TurnMap {
  constructor(element, bench) {
    Object.assign(this, { bench, map: bench.views.turn_map, suspects: bench.views.suspects });
    const map = this.map;
    this.numbers = {
      error: hundredths(map.error),
      amplitude: map.amplitude ? bytes(map.amplitude) : null,
      reason: map.reason ? bytes(map.reason) : null,
    };
    this.odd = oddPlaces(map);
    this.frame = keyed("Turn map", KEYS, (key, shift) => this.key(key, shift));
    this.canvas = this.frame.appendChild(make("canvas", { "aria-hidden": "true" }));
    this.readout = make("p", { class: "readout", role: "status" });
    this.hovered = make("p", { class: "hovered", "aria-hidden": "true" });
    this.legend = make("ul", { class: "legend", "aria-label": "Marks of the turn map" });
    element.replaceChildren(make("p", { class: "says", text: map.says }), this.frame, this.readout, this.hovered,
      this.legend, this.steps(), make("p", { class: "keys", text: KEYS }));
    exportable(element, `${bench.views.recording} turn map`, () => this.view());
    this.redraw = redrawn(this.frame, () => this.paint());
    bench.on("picked", () => { this.say(); this.redraw(); });
    bench.on("window", () => this.redraw());
    this.canvas.addEventListener("pointermove", (e) => this.hover(e));
    this.canvas.addEventListener("pointerleave", () => { this.hovered.textContent = ""; });
    this.canvas.addEventListener("click", (e) => { const { slot, turn } = this.under(e); this.pick(slot, turn); });
    this.canvas.addEventListener("dblclick", () => this.show());
    this.say();
  }
  steps() {
    return buttons("Steps through the turn map", [
      ["◂ turn", () => this.move(0, -1), "one turn back"], ["turn ▸", () => this.move(0, 1), "one turn on"],
      ["slot ▾", () => this.move(-1, 0), "one slot down"], ["slot ▴", () => this.move(1, 0), "one slot up"],
      ["◂ odd place", () => this.toOdd(-1), "the one before"], ["odd place ▸", () => this.toOdd(1), "the next one"],
      ["Show it in the strip", () => this.show()],
    ]);
  }
  get place() {
    const { slot, turn, finding } = this.bench.picked;
    const about = finding ? this.bench.views.found.findings.find((f) => f.id === finding) : null;
    return { slot: slot != null && slot <= this.map.all_slots ? slot : null, turn: turn ?? null, ranges: about?.ranges ?? [],
      window: this.bench.get("window") };
  }
  paint() {
    const width = this.frame.clientWidth;
    if (!width) return;
    this.width = width;
    const height = heightOf(this.map);
    this.canvas.style.height = `${height}px`;
    draw(new CanvasSheet(this.canvas, width, height), inks(), this.map, width, this.place, this.suspects);
    const ground = inks().sheet;
    if (this.ground !== ground) this.legend.replaceChildren(...legendRows(this)); // its marks have the ground's colours
    this.ground = ground;
  }
  view() {
    const { map, bench } = this;
    return { title: "Turn map", caption: map.says, recording: bench.views.recording, simulated: bench.views.simulated,
      width: EXPORT_WIDTH, height: heightOf(map),
      draw: (sheet, colours) => draw(sheet, colours, map, EXPORT_WIDTH, this.place, this.suspects) };
  }
  under(event) {
    const box = this.canvas.getBoundingClientRect(), at = placesOf(this.map, box.width);
    return { slot: at.slotAt(event.clientY - box.top), turn: at.turnAt(event.clientX - box.left) };
  }
  hover(event) {
    if (event.pointerType === "touch") return;
    const { slot, turn } = this.under(event);
    this.hovered.textContent = `Under the pointer: ${wordsFor(this.map, slot, turn, this.numbers)}`;
  }
  pick(slot, turn) {
    const { map } = this;
    const most = map.last_turn;
    slot = Math.min(Math.max(slot, 1), map.all_slots);
    turn = Math.min(Math.max(turn, map.first_turn), most);
    const span = this.span(slot, turn);
    this.bench.pick({ slot, turn, time_s: span ? span.at_s : null });
  }
  /** When a slot passes in a turn: exact where it is listed, else by the turn's share. */
  span(slot, turn) {
    const { map } = this;
    const column = Math.floor((turn - map.first_turn) / map.per_column);
    const start = map.speed.start_s[column], end = map.speed.end_s[column];
    if (start == null || end == null) return null;
    const listed = map.bad.turn.findIndex((t, i) => t === turn && map.bad.slot[i] === slot);
    const turns = (end - start) / map.per_column, whole = (turn - map.first_turn) % map.per_column;
    const at_s = listed >= 0 ? map.bad.time_s[listed] : start + turns * (whole + (slot - 1) / map.all_slots);
    return { at_s, turn_s: turns };
  }
  show() {
    const { slot, turn } = this.place;
    if (turn == null) { this.readout.textContent = "Nothing picked: touch a place in the map first."; return; }
    const span = this.span(slot ?? 1, turn);
    if (!span) return;
    this.bench.look(span.at_s - 0.6 * span.turn_s, span.at_s + 0.6 * span.turn_s);
    toStrip();
  }
  move(slots, turns) {
    const { map } = this;
    const { slot, turn } = this.place;
    if (slot == null && turn == null) return this.pick(this.suspects[0] ?? 1, map.first_turn);
    this.pick((slot ?? 1) + slots, turn == null ? map.first_turn : turn + turns * map.per_column);
  }
  toOdd(way) {
    if (!this.odd.length) { this.readout.textContent = "No odd place in this map."; return; }
    const { slot, turn } = this.place;
    const key = (t, s) => t * 1000 + s;
    const now = turn == null ? (way > 0 ? -Infinity : Infinity) : key(turn, slot ?? 0);
    const ahead = this.odd.filter(([t, s]) => (way > 0 ? key(t, s) > now : key(t, s) < now));
    const [t, s] = (way > 0 ? ahead[0] ?? this.odd[0] : ahead.at(-1) ?? this.odd.at(-1));
    this.pick(s, t);
  }
  key(key, shift) {
    const { map } = this;
    const moves = { ArrowLeft: [0, -1], ArrowRight: [0, 1], ArrowUp: [1, 0], ArrowDown: [-1, 0], PageUp: [0, -10], PageDown: [0, 10] };
    if (key in moves) this.move(...moves[key]);
    else if (key === "Home") this.pick(this.place.slot ?? 1, map.first_turn);
    else if (key === "End") this.pick(this.place.slot ?? 1, map.last_turn);
    else if (key.toLowerCase() === "n") this.toOdd(shift ? -1 : 1);
    else if (key === "Enter") this.show();
    else return false;
    return true;
  }
  say() {
    const { slot, turn } = this.place;
    if (slot == null && turn == null) this.readout.textContent = "Nothing picked.";
    else if (slot != null && turn != null) this.readout.textContent = wordsFor(this.map, slot, turn, this.numbers);
    else this.readout.textContent = slot != null ? this.alongSlot(slot) : `Turn ${turnNumber(turn)} is picked.`;
  }
  /** A whole level line in one sentence. */
  alongSlot(slot) {
    const row = this.map.slots.indexOf(slot);
    const extra = this.map.extra.slot.filter((s) => s === slot).length;
    if (row < 0) return `Slot ${slot}: no tooth here by design${extra ? `; ${extra} extra edges near it` : ""}.`;
    const count = (letter) => [...this.map.cells[row]].filter((c) => c === letter).length;
    const told = [["x", "without an edge"], ["w", "with a pulse too weak"], ["d", "at the wrong angle"]]
      .map(([letter, words]) => [count(letter), words]).filter(([n]) => n).map(([n, words]) => `${n} ${words}`);
    const unit = this.map.per_column > 1 ? `columns of ${this.map.per_column} turns` : "turns";
    return `Slot ${slot} over all turns: ${told.length ? `${told.join(", ")} (${unit})` : "every edge seen"}.`;
  }
}

/** [turn, slot] of every place that is not as it should be, in order. */
function oddPlaces(map) {
  const places = map.bad.turn.map((turn, i) => [turn, map.bad.slot[i], map.bad.state[i]]).filter(([, , s]) => s !== "a");
  map.extra.turn.forEach((turn, i) => places.push([turn, map.extra.slot[i], "e"]));
  return places.sort((a, b) => a[0] - b[0] || a[1] - b[1]);
}

function legendRows({ map, suspects, bench }) {
  const colours = inks(), present = new Set(map.cells.join(""));
  if (map.extra.turn.length) present.add("e");
  const rows = [];
  for (const [state, words] of Object.entries(map.states)) {
    if (!present.has(state) || state === "-") continue;
    const kinds = state === "x" && suspects.length ? [true, false] : [suspects.length > 0];
    for (const suspect of kinds) rows.push(legendRow(state, suspect, words, colours));
  }
  if (map.missing.length) {
    const sheet = new SvgSheet(20, 20);
    sheet.hatch(0, 3, 20, 14, 7, { stroke: colours.soft, width: 1 });
    sheet.element.setAttribute("aria-hidden", "true");
    rows.push(make("li", {}, sheet.element, "no tooth there by design"), make("li", { text: `${(bench.views.wheel.slot_reference || "slot 1 is the first tooth after the gap").replace(/^./, (c) => c.toUpperCase()).replace(/\.?$/, ".")}` }));
  }
  rows.push(make("li", { text: "A level line turns with the wheel; an upright one is a moment, as a bad contact gives." }));
  return rows;
}

function legendRow(state, suspect, words, colours) {
  const sheet = new SvgSheet(20, 20);
  const mark = markOf(state, suspect, colours);
  if (mark) sheet.marks([[10, 10]], mark[0], 5, mark[1]);
  else sheet.line([[1, 10], [19, 10]], { stroke: colours.soft, width: state === "k" ? 1 : 3, ...(state === "k" ? { dash: [2, 2] } : {}) });
  sheet.element.setAttribute("aria-hidden", "true");
  return make("li", {}, sheet.element, state === "x" && suspect ? `${words}, suspect slot` : words);
}

/** @param {HTMLElement} element @param {any} bench */
export function mount(element, bench) {
  const map = bench.views.turn_map;
  if (map.why_not) return nothing(element, map.why_not, "a crank line recorded over a few turns");
  new TurnMap(element, bench);
}
