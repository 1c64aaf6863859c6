// @ts-check
// The wheel: pick a tooth on the metal, and read how far to bar the engine to it.
import { SvgSheet, inks } from "./sheet.js";
import { exportable } from "./export.js";
import { buttons, degrees, keyed, lateness, make, modulo, nothing, redrawn } from "./pictures.js";
import { SIZE, angleAt, draw } from "./wheel_draw.js";

const KEYS = "Arrows left and right: one tooth on or back; Home, End: first and last slot; N: next suspect";
const INSIDE = 0.45; // touches nearer to the hub than this mean no tooth

class Wheel {
  constructor(element, bench) {
    Object.assign(this, { bench, wheel: bench.views.wheel });
    this.frame = keyed("The wheel", KEYS, (key) => this.key(key));
    this.readout = make("p", { class: "readout", role: "status" });
    this.list = this.teethList();
    const beside = make("div", {}, this.list.label, this.readout, this.steps(), ...this.guide());
    element.replaceChildren(make("p", { class: "says", text: this.wheel.says }),
      make("div", { class: "beside" }, make("div", {}, this.frame, make("p", { class: "keys", text: KEYS })), beside),
      ...this.doubts());
    exportable(element, `${bench.views.recording} wheel`, () => this.view());
    this.redraw = redrawn(this.frame, () => this.paint());
    this.frame.addEventListener("click", (event) => this.click(event));
    bench.on("picked", () => { this.say(); this.redraw(); });
    this.say();
  }
  get slot() { return this.bench.picked.slot ?? null; }
  paint() {
    const sheet = new SvgSheet(SIZE, SIZE);
    draw(sheet, inks(), this.wheel, this.slot);
    sheet.element.setAttribute("role", "img");
    sheet.element.setAttribute("aria-label", this.wheel.says);
    this.frame.replaceChildren(sheet.element);
  }
  view() {
    const { wheel, bench } = this;
    return { title: wheel.name.replace(/^./, (c) => c.toUpperCase()), caption: wheel.says, recording: bench.views.recording,
      simulated: bench.views.simulated, width: SIZE, height: SIZE,
      draw: (sheet, colours) => draw(sheet, colours, wheel, this.slot) };
  }
  teethList() {
    const choice = make("select", { class: "teeth" }, make("option", { value: "", text: "none" }));
    for (const tooth of this.wheel.teeth)
      choice.append(make("option", { value: tooth.slot, text: `slot ${tooth.slot}${this.aside(tooth)}` }));
    choice.addEventListener("change", () => this.pick(choice.value ? Number(choice.value) : null));
    return { choice, label: make("label", {}, "Tooth: ", choice) };
  }
  aside(tooth) {
    if (tooth.suspect) return ` – suspect: ${tooth.said.join(", ")}`;
    if (tooth.said.length) return ` – ${tooth.said.join(", ")}`;
    return tooth.expected ? "" : " – gap";
  }
  steps() {
    return buttons("Steps round the wheel", [
      ["◂ tooth", () => this.step(-1), "one slot back"], ["tooth ▸", () => this.step(1), "one slot on"],
      ["Next suspect", () => this.nextSuspect(), ""],
    ]);
  }
  pick(slot) { this.bench.pick(slot == null ? {} : { slot }); }
  step(by) {
    const all = this.wheel.teeth.map((t) => t.slot), at = all.indexOf(this.slot);
    this.pick(at < 0 ? all[0] : all[modulo(at + by, all.length)]);
  }
  nextSuspect() {
    const all = this.wheel.teeth.filter((t) => t.said.length).map((t) => t.slot);
    if (!all.length) { this.readout.textContent = "Nothing stands out: no tooth is suspected."; return; }
    this.pick(all.find((s) => s > (this.slot ?? 0)) ?? all[0]);
  }
  key(key) {
    if (key === "ArrowRight" || key === "ArrowDown") this.step(1);
    else if (key === "ArrowLeft" || key === "ArrowUp") this.step(-1);
    else if (key === "Home") this.pick(this.wheel.teeth[0].slot);
    else if (key === "End") this.pick(this.wheel.teeth.at(-1).slot);
    else if (key.toLowerCase() === "n") this.nextSuspect();
    else return false;
    return true;
  }
  click(event) {
    const box = this.frame.querySelector("svg").getBoundingClientRect(), scale = SIZE / box.width;
    const { angle, share } = angleAt((event.clientX - box.left) * scale, (event.clientY - box.top) * scale);
    if (share < INSIDE) return;
    const far = (t) => Math.abs(modulo(t.angle_deg - angle + 180, 360) - 180);
    this.pick(this.wheel.teeth.reduce((best, t) => (far(t) < far(best) ? t : best)).slot);
  }
  say() {
    const tooth = this.wheel.teeth.find((t) => t.slot === this.slot);
    this.list.choice.value = tooth ? String(tooth.slot) : "";
    this.readout.textContent = tooth ? wordsOf(tooth, this.wheel) : "No tooth picked.";
  }
  /** How far to bar to each suspect, as steps, the cautions first. */
  guide() {
    const { wheel } = this;
    const parts = [make("h3", { text: "Bring it under the sensor" }),
      ...wheel.cautions.map((text) => make("p", { class: "caution", text }))];
    if (!wheel.spots.length) parts.push(make("p", { text: "No tooth is suspected. Pick one to read how far to bar to it." }));
    for (const spot of wheel.spots) {
      const steps = spot.guides.map((g) =>
        make("li", { text: `From ${g.reference}: bar ${degrees(g.bar_deg)} in the normal direction of rotation.` }));
      if (spot.tooth > 1 && wheel.missing.length && spot.instead_of == null)
        steps.push(make("li", { text: `Counted through the sensor hole it is tooth ${spot.tooth}, the first after the gap being 1, where all of them stand.` }));
      const about = spot.instead_of == null ? `Slot ${spot.slot}` : `If it is slot ${spot.slot} instead of slot ${spot.instead_of}`;
      parts.push(make("h4", { text: `${about}, one of these ways:` }), make("ul", {}, ...steps));
    }
    return parts;
  }
  /** What the design is believed on, and what else it could be. */
  doubts() {
    const { wheel } = this;
    const belief = `${wheel.source === "setup" ? "The setup names this wheel" : "The wheel is read from the signal"}; ` +
      `its probability is ${wheel.belief > 0.995 ? "above 0.99" : wheel.belief.toFixed(2)}. ${wheel.slot_reference.replace(/^./, (c) => c.toUpperCase()).replace(/\.?$/, ".")}` +
      `${wheel.widths_known ? "" : " Widths of teeth are not to scale."}`;
    const parts = [make("p", { class: "says", text: belief })];
    if (wheel.undecidable) parts.push(make("p", { class: "says", text: wheel.undecidable }));
    if (wheel.alternatives.length) {
      parts.push(make("details", {}, make("summary", { text: "What else the wheel could be" }),
        make("ul", {}, ...wheel.alternatives.map((a) =>
          make("li", { text: `${a.name}: ${a.probability < 0.005 ? "below 0.01" : a.probability.toFixed(2)}${a.because ? ` – ${a.because}` : ""}` })))));
    }
    return parts;
  }
}

/** All that is known of one slot, with the degrees to bar to it. */
function wordsOf(tooth, wheel) {
  const parts = [];
  if (tooth.said.length) parts.push(tooth.said.join(", "));
  if (!tooth.expected) parts.push("no tooth here by design");
  if (tooth.passages) parts.push(`edge in ${tooth.seen} of ${tooth.passages} passages`);
  if (tooth.error_deg != null) parts.push(`edge ${lateness(tooth.error_deg)}`);
  if (tooth.amplitude != null) parts.push(`pulse ${Math.round(100 * tooth.amplitude)} % of the median tooth's`);
  const first = wheel.teeth.find((t) => t.slot === 1);
  const spot = wheel.spots.find((s) => s.slot === tooth.slot);
  const ways = [];
  if (spot) ways.push(...spot.guides.map((g) => `${degrees(g.bar_deg)} from ${g.reference}`));
  else {
    if (first && !first.suspect) ways.push(`${degrees(tooth.angle_deg)} from slot 1 under the sensor`);
    if (wheel.tdc) ways.push(`${degrees(modulo(tooth.angle_deg - wheel.tdc.angle_deg, 360))} from ${wheel.tdc.words}`);
  }
  if (ways.length) parts.push(`to bring it under the sensor bar ${ways.join(", or ")}, in the normal direction`);
  return `Slot ${tooth.slot}, ${degrees(tooth.angle_deg)} after slot 1: ${parts.join("; ")}.`;
}

/** @param {HTMLElement} element @param {any} bench */
export function mount(element, bench) {
  const wheel = bench.views.wheel;
  if (wheel.why_not) return nothing(element, [wheel.why_not, wheel.undecidable].filter(Boolean).join(". "), "a crank line over a few steady turns");
  new Wheel(element, bench);
}
