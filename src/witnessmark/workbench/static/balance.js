// @ts-check
// The balance: how probable each cause is, which finding moved it, and which test would move it next.
import { SvgSheet, inks, wrapped } from "./sheet.js";
import { exportable } from "./export.js";
import { make, nothing, redrawn, share, toStrip } from "./pictures.js";

const ROW = 46, EXPORT_WIDTH = 900, NUMBER = 90;

/** Bars with their numbers: name above, bar below, the first one filled, the others hatched. */
function draw(sheet, colours, view, width, picked) {
  view.causes.forEach((cause, i) => {
    const y = 14 + i * ROW, wide = width - NUMBER - 12, long = Math.max(cause.probability * wide, 1.5);
    const name = `${cause.name}${cause.where ? ` – ${cause.where}` : ""}`;
    const [line, ...more] = wrapped(name, 14, width - 20);
    sheet.words(6, y, more.length ? `${line} …` : line, { size: 14, weight: i ? "normal" : "bold", colour: colours.ink });
    sheet.rect(6, y + 11, wide, 14, { stroke: colours.line, width: 0.8 });
    if (i === 0) sheet.rect(6, y + 11, long, 14, { fill: colours.ink });
    else { sheet.rect(6, y + 11, long, 14, { stroke: colours.ink, width: 1 }); sheet.hatch(6, y + 11, long, 14, 6, { stroke: colours.soft, width: 1 }); }
    sheet.words(width - 6, y + 18, cause.in_words, { size: 14, anchor: "end", weight: "bold", colour: colours.ink });
    if (picked === cause.id + (cause.with ?? "")) sheet.rect(2, y - 11, width - 4, ROW - 4, { stroke: colours.ink, width: 2 });
  });
}
const heightOf = (view) => 12 + view.causes.length * ROW;

class Balance {
  constructor(element, bench) {
    Object.assign(this, { bench, view: bench.views.balance });
    const { view } = this;
    this.picture = make("div", { class: "picture" });
    this.causes = make("ol", { class: "causes" }, ...view.causes.map((c, i) => this.cause(c, i)));
    element.replaceChildren(make("p", { class: "says", text: view.says }), this.picture, this.causes, ...this.rest(), ...this.tests());
    exportable(element, `${bench.views.recording} balance`, () => this.exported());
    this.redraw = redrawn(this.picture, () => this.paint());
    bench.on("picked", () => { this.say(); this.redraw(); });
    this.say();
  }
  paint() {
    const width = this.picture.clientWidth;
    if (!width) return;
    const sheet = new SvgSheet(width, heightOf(this.view));
    draw(sheet, inks(), this.view, width, this.bench.picked.cause ?? null);
    sheet.element.setAttribute("role", "img");
    sheet.element.setAttribute("aria-label", this.view.causes.map((c) => `${c.name} ${c.in_words}`).join("; "));
    this.picture.replaceChildren(sheet.element);
  }
  exported() {
    const { view, bench } = this;
    return { title: "What speaks for which cause", caption: `${view.says} ${view.what_would_change}`, recording: bench.views.recording,
      simulated: bench.views.simulated, width: EXPORT_WIDTH, height: heightOf(view),
      draw: (sheet, colours) => draw(sheet, colours, view, EXPORT_WIDTH, null) };
  }
  cause(cause, rank) {
    const key = cause.id + (cause.with ?? "");
    const name = make("summary", { text: `${cause.name}${cause.where ? ` (${cause.where})` : ""}: ${cause.in_words}` });
    const inside = [make("p", { text: cause.statement })];
    if (cause.moved.length) {
      inside.push(make("p", { text: `Held against ${cause.against}, the findings weigh:` }),
        make("ul", { class: "moved" }, ...cause.moved.map((m) => this.moved(m))));
    } else inside.push(make("p", { text: "It is what is left where no finding accuses anything; it falls with the confidence of each stated finding." }));
    const item = make("details", { open: rank === 0 }, name, ...inside);
    item.addEventListener("toggle", () => {
      if (item.open && this.asked) this.bench.pick({ ...this.bench.picked, cause: key });
    });
    name.addEventListener("click", () => { this.asked = true; });
    return make("li", { "data-cause": key }, item);
  }
  moved(m) {
    const button = make("button", { type: "button", text: `${m.finding}: ${m.kind} – ${m.says}`, "data-finding": m.finding });
    button.addEventListener("click", () => showFinding(this.bench, m.finding));
    return make("li", {}, button);
  }
  rest() {
    const { view } = this;
    const parts = [];
    if (view.rest_count) parts.push(`${view.rest_count} more causes together: ${share(view.rest)}.`);
    if (view.what_would_change) parts.push(view.what_would_change);
    return parts.map((text) => make("p", { class: "says", text }));
  }
  tests() {
    const { tests, advice, observed } = this.view;
    const parts = [];
    if (observed.length) {
      parts.push(make("h3", { text: "What was seen by hand" }), make("ul", {}, ...observed.map((o) =>
        make("li", { text: `${o.test.replaceAll("-", " ")}: ${o.result} It took the first cause from ${share(o.before)} to ${share(o.after)}.` }))));
    }
    if (!tests.length) return parts;
    parts.push(make("h3", { text: "Which test next?" }));
    if (advice?.stop) parts.push(make("p", { class: "says", text: advice.stop }));
    parts.push(make("ol", { class: "tests" }, ...tests.map((t, i) => test(t, i === 0))));
    if (advice?.why_not) parts.push(make("p", { class: "says", text: advice.why_not }));
    if (advice?.robust) parts.push(make("p", { class: "says", text: advice.robust }));
    return parts;
  }
  say() {
    const { cause, finding } = this.bench.picked;
    for (const item of this.causes.children) item.setAttribute("aria-current", String(item.dataset.cause === cause));
    for (const button of this.causes.querySelectorAll("button[data-finding]"))
      button.setAttribute("aria-pressed", String(button.dataset.finding === finding));
  }
}

function test(t, first) {
    const head = `${first ? "Next: " : ""}${t.name} (${t.minutes} min)`;
  const outcomes = make("dl", { class: "outcomes" }, ...t.outcomes.flatMap((o) => [
    make("dt", { text: `${o.result.replace(/\.$/, "")}${o.probability == null ? "" : ` (${share(o.probability)})`}` }),
    make("dd", { text: o.then }),
    ...(o.after_words.length ? [make("dd", { text: `Then: ${o.after_words.map((a) => `${a.name} ${a.in_words}`).join(", ")}.` })] : []),
  ]));
  return make("li", {}, make("details", { open: first }, make("summary", { text: head }), make("p", { text: t.statement }),
    ...t.cautions.map((text) => make("p", { class: "caution", text })), make("p", { text: t.why }),
    make("h4", { text: "What it may show" }), outcomes));
}

/** Pick a finding and look at it, as the list of findings does. */
export function showFinding(bench, id) {
  const finding = bench.views.found.findings.find((f) => f.id === id);
  if (!finding) return;
  const range = finding.ranges[0];
  bench.pick({ finding: id, slot: finding.slot, cylinder: finding.cylinder, turn: finding.slot != null ? range?.[2] ?? null : null });
  if (!finding.look) return;
  bench.look(finding.look[0], finding.look[1]);
  toStrip();
}

/** @param {HTMLElement} element @param {any} bench */
export function mount(element, bench) {
  if (!bench.views.balance.causes.length) return nothing(element, "no cause was weighed");
  new Balance(element, bench);
}
