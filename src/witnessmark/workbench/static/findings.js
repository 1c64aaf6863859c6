// @ts-check
// What was found: stated findings, hints, and what could not be judged. Every finding leads to its samples.
import { exportable } from "./export.js";
import { wrapped } from "./sheet.js";
import { make, seconds, share, toStrip, turnNumber } from "./pictures.js";
import { showFinding } from "./balance.js";

const CHIPS = 12, EXPORT_WIDTH = 900;

class Found {
  constructor(element, bench) {
    Object.assign(this, { bench, view: bench.views.found });
    const { view } = this;
    const stated = view.findings.filter((f) => f.stated), hints = view.findings.filter((f) => !f.stated);
    const parts = [make("p", { class: "says", text: view.says })];
    this.items = [];
    if (stated.length) parts.push(make("h3", { text: "Stated" }), this.list(stated));
    if (hints.length) parts.push(make("h3", { text: "Hints only, below the line" }), this.list(hints));
    if (view.bounds.length) parts.push(make("h3", { text: "What “nothing seen” is good for" }), make("ul", {}, ...view.bounds.map((text) => make("li", { text }))));
    if (view.not_assessed.length) parts.push(make("h3", { text: "Not assessed" }), make("ul", { class: "open-questions" }, ...view.not_assessed.map(question)));
    element.replaceChildren(...parts);
    exportable(element, `${bench.views.recording} findings`, () => this.exported());
    bench.on("picked", () => this.say());
    this.say();
  }
  list(findings) { return make("ul", { class: "found" }, ...findings.map((f) => this.item(f))); }
  item(f) {
    const words = f.stated ? "■ found" : "□ hint";
    const button = make("button", { type: "button", "data-finding": f.id }, make("span", { class: "mark", text: words }),
      make("span", { text: `${f.id}: ${f.statement} (confidence ${share(f.confidence)})` }));
    button.addEventListener("click", () => showFinding(this.bench, f.id));
    const about = [f.line, f.lock, f.slot != null ? `slot ${f.slot}` : "", f.cylinder != null ? `cylinder ${f.cylinder}` : ""].filter(Boolean);
    const details = make("details", {}, make("summary", { text: "Numbers and stretches" }), make("p", { text: `On ${about.join("; ")}.` }),
      ...(f.numbers.length ? [make("p", { text: `${f.numbers.join("; ")}.` })] : []), ...this.stretches(f));
    const item = make("li", { class: f.stated ? "stated" : "hint" }, button, details);
    this.items.push([f, item, button]);
    return item;
  }
  stretches(f) {
    if (!f.ranges.length) return [make("p", { text: "It rests on the record as a whole." })];
    const chips = f.ranges.slice(0, CHIPS).map(([start, end, turn, first, stop]) => {
      const chip = make("button", { type: "button", text: turn == null ? `${seconds(start)}` : `turn ${turnNumber(turn)}, ${seconds(start)}`,
        "aria-label": `Show ${seconds(start)} to ${seconds(end)} in the strip, samples ${first} to ${stop}` });
      chip.addEventListener("click", () => {
        this.bench.pick({ finding: f.id, slot: f.slot, cylinder: f.cylinder, turn });
        this.bench.look(start - Math.max(end - start, 0.025), end + Math.max(end - start, 0.025));
        toStrip();
      });
      return make("li", {}, chip);
    });
    const more = f.ranges.length + f.more_ranges - chips.length;
    return [make("ul", { class: "chips", "aria-label": "Stretches it rests on" }, ...chips),
      ...(more > 0 ? [make("p", { text: `and ${more} more.` })] : [])];
  }
  say() {
    const { finding, slot, cylinder } = this.bench.picked;
    for (const [f, item, button] of this.items) {
      const there = (slot != null && f.slot === slot) || (cylinder != null && f.cylinder === cylinder);
      item.setAttribute("aria-current", String(f.id === finding));
      button.setAttribute("aria-pressed", String(f.id === finding));
      button.classList.toggle("here", there);
    }
  }
  exported() {
    const { view, bench } = this;
    const lines = view.findings.flatMap((f) => wrapped(`${f.stated ? "■ Found" : "□ Hint"} ${f.id}: ${f.statement} (confidence ${share(f.confidence)})`, 13, EXPORT_WIDTH - 20)
      .map((text, i) => [text, i === 0]));
    return { title: "What was found", caption: view.says, recording: bench.views.recording, simulated: bench.views.simulated,
      width: EXPORT_WIDTH, height: Math.max(lines.length, 1) * 20 + 10,
      draw: (sheet, colours) => lines.forEach(([text, first], i) =>
        sheet.words(first ? 0 : 20, 12 + i * 20, text, { size: 13, colour: colours.ink })) };
  }
}

function question(q) {
  return make("li", {}, make("strong", { text: q.question }), ` ${q.reason.replace(/^./, (c) => c.toUpperCase()).replace(/\.?$/, ".")} Needed: ${q.needs.replace(/\.?$/, ".")}`);
}

/** @param {HTMLElement} element @param {any} bench */
export function mount(element, bench) { new Found(element, bench); }
