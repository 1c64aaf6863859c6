// @ts-check
// The cycle: cams, sparks, injections and dead centres laid over each other, with a mark to read angles by.
import { SvgSheet, inks } from "./sheet.js";
import { exportable } from "./export.js";
import { buttons, keyed, make, modulo, nothing, redrawn } from "./pictures.js";
import { draw, heightOf, scaleOf } from "./cycle_draw.js";

const EXPORT_WIDTH = 1100, LEAST_WIDTH = 560;
const KEYS = "Arrows left and right: move the reading mark by one degree, with Shift by ten; arrows up and down: next and last cylinder; N: next edge or command";

class Cycle {
  constructor(element, bench) {
    Object.assign(this, { bench, view: bench.views.cycle, angle: null });
    const { view } = this;
    this.frame = keyed("The cycle", KEYS, (key, shift) => this.key(key, shift));
    this.readout = make("p", { class: "readout", role: "status" });
    this.cylinders = this.cylinderRow();
    element.replaceChildren(make("p", { class: "says", text: view.says }), this.frame, this.readout, this.cylinders, this.steps(),
      make("p", { class: "says", text: legendWords(view) }),
      make("p", { class: "says", text: `Angles: ${view.reference.replace(/\.?$/, ".")}${view.cam_reference !== view.reference && view.cams.length ? ` Cams: ${view.cam_reference.replace(/\.?$/, ".")}` : ""}` }),
      this.table(), make("p", { class: "keys", text: KEYS }));
    exportable(element, `${bench.views.recording} cycle`, () => this.exported());
    this.redraw = redrawn(this.frame, () => this.paint());
    this.frame.addEventListener("click", (event) => this.click(event));
    bench.on("picked", () => { this.say(); this.redraw(); });
    this.say();
  }
  get chosen() {
    const { cylinder, finding, slot, time_s } = this.bench.picked;
    const tooth = (this.bench.views.wheel.teeth ?? []).find((t) => t.slot === slot);
    const about = this.bench.views.found.findings.find((f) => f.id === finding);
    return { angle: this.angle, cylinder: cylinder ?? about?.cylinder ?? null, channel: about?.channel ?? null,
      slot: slot ?? null, slotAngle: tooth?.angle_deg ?? null, time_s: time_s ?? null };
  }
  paint() {
    const width = Math.max(this.frame.clientWidth, LEAST_WIDTH);
    if (!this.frame.clientWidth) return;
    const sheet = new SvgSheet(width, heightOf(this.view));
    draw(sheet, inks(), this.view, width, this.chosen);
    sheet.element.setAttribute("role", "img");
    sheet.element.setAttribute("aria-label", this.view.says);
    this.frame.replaceChildren(sheet.element);
  }
  exported() {
    const { view, bench } = this;
    return { title: "The cycle", caption: view.says, recording: bench.views.recording, simulated: bench.views.simulated,
      width: EXPORT_WIDTH, height: heightOf(view), draw: (sheet, colours) => draw(sheet, colours, view, EXPORT_WIDTH, this.chosen) };
  }
  cylinderRow() {
    const rows = this.view.tdcs.map(({ cylinder }) => [`Cylinder ${cylinder}`, () => this.pickCylinder(cylinder), ""]);
    return rows.length > 1 ? buttons("Cylinders", rows) : make("div", {});
  }
  pickCylinder(cylinder) {
    const now = this.bench.picked;
    const { cylinder: _, ...rest } = now;
    this.bench.pick(now.cylinder === cylinder ? rest : { ...rest, cylinder });
  }
  steps() {
    return buttons("Reading mark", [
      ["◂ 1°", () => this.move(-1), "reading mark one degree back"], ["1° ▸", () => this.move(1), "reading mark one degree on"],
      ["◂ 10°", () => this.move(-10), "reading mark ten degrees back"], ["10° ▸", () => this.move(10), "reading mark ten degrees on"],
      ["Next edge or command", () => this.toNext(), ""],
    ]);
  }
  move(by) { this.angle = this.angle == null ? 0 : modulo(this.angle + by, this.view.cycle_deg); this.say(); this.redraw(); }
  /** To the next mean edge of a cam or first command of a line after the mark. */
  toNext() {
    const places = [...this.view.cams.flatMap((c) => c.edges.map((e) => e.angle_deg)),
      ...this.view.outputs.flatMap((o) => (o.role === "coil" ? o.end_deg : o.start_deg).slice(-1))]
      .filter((a) => a != null).map((a) => modulo(a, this.view.cycle_deg)).sort((a, b) => a - b);
    if (!places.length) return;
    this.angle = places.find((a) => a > (this.angle ?? -1) + 0.05) ?? places[0];
    this.say();
    this.redraw();
  }
  key(key, shift) {
    const step = shift ? 10 : 1, all = this.view.tdcs.map((t) => t.cylinder);
    if (key === "ArrowRight") this.move(step);
    else if (key === "ArrowLeft") this.move(-step);
    else if ((key === "ArrowUp" || key === "ArrowDown") && all.length > 1) {
      const at = all.indexOf(this.chosen.cylinder);
      this.pickCylinder(all[modulo(at < 0 ? 0 : at + (key === "ArrowUp" ? 1 : -1), all.length)]);
    } else if (key.toLowerCase() === "n") this.toNext();
    else return false;
    return true;
  }
  click(event) {
    const box = this.frame.querySelector("svg").getBoundingClientRect();
    const width = Math.max(this.frame.clientWidth, LEAST_WIDTH);
    const at = scaleOf(this.view, width), x = ((event.clientX - box.left) * width) / box.width;
    if (x < at.left - 10) return;
    this.angle = Math.round(at.angleAt(x)) % this.view.cycle_deg;
    this.say();
    this.redraw();
  }
  say() {
    const { cylinder } = this.chosen;
    for (const button of this.cylinders.querySelectorAll("button"))
      button.setAttribute("aria-pressed", String(button.textContent === `Cylinder ${cylinder}`));
    const parts = [];
    if (this.chosen.slotAngle != null) parts.push(this.slotWords());
    if (cylinder != null) parts.push(`Cylinder ${cylinder} is picked.`);
    if (this.angle != null) parts.push(this.angleWords());
    this.readout.textContent = parts.join(" ") || "No angle read: touch the picture, or use the arrow keys.";
  }
  slotWords() {
    const { slot, slotAngle } = this.chosen, { view } = this;
    const first = modulo(slotAngle - (view.tdc_deg ?? 0), 360);
    const all = view.cycle_deg > 360 ? `${first.toFixed(0)}° and ${(first + 360).toFixed(0)}°` : `${first.toFixed(0)}°`;
    return `Slot ${slot} passes the sensor at ${all}.`;
  }
  angleWords() {
    const { view, angle } = this;
    const after = (from) => modulo(angle - from + view.cycle_deg / 2, view.cycle_deg) - view.cycle_deg / 2;
    const near = view.tdcs.map((t) => [t.cylinder, after(t.angle_deg)]).sort((a, b) => Math.abs(a[1]) - Math.abs(b[1]))[0];
    const words = near ? `: ${Math.abs(near[1]).toFixed(0)}° ${near[1] < 0 ? "before" : "after"} TDC ${near[0]}` : "";
    const level = view.cams.filter((c) => c.edges.some((e) => e.angle_deg != null) && !c.one_kind && view.cycle_deg === c.cycle_deg)
      .map((c) => `${c.label} ${levelAt(c, angle)}`);
    return `At ${angle.toFixed(0)}°${words}${level.length ? `; ${level.join(", ")}` : ""}.`;
  }
  table() {
    const { cams } = this.view;
    if (!cams.length) return make("div", {});
    const head = ["cam", "edge", "found at", "spread", "seen", "expected", "late"];
    const cells = (c, e) => [c.label, e.kind, e.angle_deg == null ? "not seen" : `${e.angle_deg.toFixed(1)}°`, e.sd_deg == null ? "–" : `${e.sd_deg.toFixed(1)}°`,
      e.present == null ? "–" : `${Math.round(100 * e.present)} %`, e.expected_deg == null ? "–" : `${e.expected_deg.toFixed(1)}°`,
      e.late_deg == null ? "–" : `${e.late_deg.toFixed(1)}°${e.outside ? " outside" : ""}`];
    const rows = cams.flatMap((c) => c.edges.map((e) => make("tr", {}, ...cells(c, e).map((text) => make("td", { text })))));
    return make("details", {}, make("summary", { text: "Every cam edge in numbers" }), make("div", { class: "scroll", tabindex: "0", role: "group", "aria-label": "Cam edges" }, make("table", {},
      make("thead", {}, make("tr", {}, ...head.map((text) => make("th", { scope: "col", text })))), make("tbody", {}, ...rows))));
  }
}

function levelAt(cam, angle) {
  const edges = cam.edges.filter((e) => e.angle_deg != null).sort((a, b) => a.angle_deg - b.angle_deg);
  const last = edges.filter((e) => e.angle_deg <= angle).at(-1) ?? edges.at(-1);
  return last.kind === "rising" ? "high" : "low";
}

function legendWords(view) {
  const parts = ["In each row the first cycle is at the top, the last at the bottom."];
  if (view.cams.length) parts.push("Cams: the line as it stands with a phaser parked, below it every edge (stroke: rising, dot: falling).");
  if (view.cams.some((c) => c.edges.some((e) => e.expected_deg != null)))
    parts.push("Diamond: where the setup expects an edge, pale: its tolerance; square: an edge outside it; cross: an edge not seen.");
  if (view.outputs.some((o) => o.role === "coil")) parts.push("Upward triangle: spark, the bar before it: the coil charging.");
  if (view.outputs.some((o) => o.role === "injector")) parts.push("Downward triangle: an injection begins, the bar: how long it lasts.");
  parts.push(...view.pressures.map((p) => pressureWords(view, p)));
  const left = [...view.cams.map((c) => c.each.left_out), ...view.outputs.map((o) => o.left_out)].reduce((a, b) => a + b, 0);
  if (left) parts.push(`${left} events that lie among others are not drawn.`);
  return parts.join(" ");
}

/** A dead centre by pressure, against the one that the cycle is counted from. */
function pressureWords(view, p) {
  const own = view.tdcs.find((t) => t.cylinder === p.cylinder);
  const off = own ? modulo(p.tdc_deg - own.angle_deg + view.cycle_deg / 2, view.cycle_deg) - view.cycle_deg / 2 : null;
  const place = off == null ? `at ${p.tdc_deg.toFixed(1)}°` : `${Math.abs(off).toFixed(1)}° ${off < 0 ? "before" : "after"} the one drawn`;
  return `Hollow diamond above: TDC${p.cylinder == null ? "" : ` ${p.cylinder}`} by the pressure on ${p.channel}, ${place}${p.sd_deg == null ? "" : `, good to ${p.sd_deg.toFixed(1)}°`}.`;
}

/** @param {HTMLElement} element @param {any} bench */
export function mount(element, bench) {
  const view = bench.views.cycle;
  if (view.why_not) return nothing(element, view.why_not, "the crank line together with a cam, coil or injector line");
  new Cycle(element, bench);
}
