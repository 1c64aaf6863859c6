// @ts-check
// The verdict with its frame, what to test next, where to look, and what to do with it: report and case.
import { url } from "./bench.js";
import { h, labelled, options, percent } from "./dom.js";
import { keep, say, send } from "./forms.js";
import { live } from "./page.js";

const WORDS = { fault: "A fault is seen", clear: "Nothing wrong is seen", unknown: "Not decided" };
const degrees = (d) => `${d.toFixed(Math.abs(d - Math.round(d)) < 0.05 ? 0 : 1)}°`;

/** One test: what to do, why, cautions before anything else is touched, what it may show. */
export function testBox(test) {
  return h("div", {},
    h("p", { "data-given": "" }, test.statement),
    ...test.cautions.map((c) => h("p.caution", { "data-given": "" }, c)),
    test.minutes === undefined ? null : h("p.soft", {}, `About ${test.minutes} min.`),
    h("details", {}, h("summary", {}, "Why this test?"), h("p", { "data-given": "" }, test.why || "It was chosen by hand.")));
}

function next(analysis) {
  const [test] = analysis.next_tests;
  const may = [...(analysis.advice?.actions ?? []).map((a) => a.statement), analysis.advice?.stop].filter(Boolean).map((t) => h("p", { "data-given": "" }, t));
  if (!test) return h("div", {}, h("h3", {}, "What to test next?"), h("p", {}, "No further test is proposed."), may);
  return h("div", {}, h("h3", {}, "What to test next?"), testBox(test),
    h("details", {}, h("summary", {}, "What may it show, and then?"),
      h("dl.pairs", {}, test.outcomes.map((o) => [h("dt", { "data-given": "" }, o.result + (o.probability === null || o.probability === undefined ? "" : ` (${percent(o.probability)})`)), h("dd", { "data-given": "" }, o.then)])),
      analysis.advice?.why_not ? h("p", { "data-given": "" }, analysis.advice.why_not) : null),
    may);
}

function where(analysis) {
  const found = analysis.where_to_look;
  if (!found.length) return null;
  // before the first step: what can hurt while the engine is turned by hand
  const cautions = [...new Set(found.flatMap((w) => w.cautions))].map((c) => h("p.caution", { "data-given": "" }, c));
  return h("div", {}, h("h3", {}, "Where to look?"), cautions, found.map((w) => [
    h("p", {}, `Slot ${w.slot}, ${degrees(w.angle_from_slot1_deg)} after slot 1${w.instead_of ? ` (or slot ${w.instead_of}: the record leaves open which)` : ""}. Bar in the ${w.direction}:`),
    h("ul", {}, w.guides.map((g) => h("li", {}, `${degrees(g.bar_deg)} from ${g.reference}`))),
  ]));
}

/** Nothing seen is not nothing there: what was only hinted at, what could not be judged, and where to say more. */
function leftOpen({ tone, found }) {
  const hints = found.findings.filter((f) => !f.stated);
  if (tone === "fault" || !(hints.length || found.not_assessed.length)) return null;
  const told = () => {
    const form = document.querySelector("#hookup details");
    if (form) form.open = true;
    document.querySelector("#hookup").scrollIntoView();
  };
  return h("div.left-open", {},
    found.not_assessed.length ? h("p", {}, h("strong", {}, "Not judged: "), h("span", { "data-given": "" }, found.not_assessed.map((n) => n.question).join(" "))) : null,
    hints.length ? h("p", {}, h("strong", {}, "Only hinted at: "), h("span", { "data-given": "" }, hints.map((f) => f.statement).join(" "))) : null,
    h("div.buttons", {}, found.not_assessed.length ? h("a.button", { href: "#findings" }, "What would each of them take?") : null,
      h("button", { type: "button", onclick: told }, "Say what you know of this engine")));
}

function report(id, name) {
  const file = url(id, "report");
  return h("div", {}, h("h3", {}, "What to show others?"), h("div.buttons", {},
    h("a.button", { id: "report", href: file, target: "_blank", rel: "noopener" }, "Read or print the report"),
    h("a.button", { href: file, download: `${name.replace(/\.[^.]*$/, "")}-report.html` }, "Save the report")));
}

function caseBox(id, data) {
  if (data.case) return h("div", {}, h("h3", {}, "Which job is it?"), h("p", {}, "It belongs to ", h("a.button", { href: `/cases/${data.case}`, "data-given": "" }, `case ${data.case}`)));
  const said = () => [h("div.said", { role: "status" }), h("div.between", { hidden: true })];
  const complaint = h("textarea", { id: "v-complaint", name: "complaint" });
  const vehicle = h("input", { id: "v-vehicle", name: "vehicle", autocomplete: "off" });
  const fresh = h("form", { id: "open-case", noValidate: true }, h("p.soft", {}, "Get the owner's consent first; read and keep codes, freeze frame and readiness before anything is cleared or unplugged."),
    labelled("What is the complaint?", complaint), labelled("Which vehicle, in words?", vehicle), said(),
    h("div.buttons", {}, h("button.first", {}, "Open a case with this recording")));
  const select = h("select", { id: "v-case", name: "case" });
  const add = h("form", { id: "add-to-case", noValidate: true }, labelled("Which case?", select), said(), h("div.buttons", {}, h("button", {}, "Make it evidence of this case")));
  const box = h("details", {}, h("summary", {}, "Open a case with it, or add it to one"), h("div.split", {}, fresh, add));
  const join = async (caseId, form) => {
    say(form, "It is analysed for the case, with what was seen by hand there; that takes some seconds.");
    await send("POST", `/api/cases/${caseId}/recordings`, { recording: id });
    location.href = `/cases/${caseId}`;
    return new Promise(() => {}); // the page goes
  };
  let opened = ""; // a case that was opened already is not opened twice where the second step fails
  const draft = keep(fresh, { topic: `recording:${id}`, key: "draft:open-case", found: () => { box.open = true; }, submit: async (v) => {
    opened ||= (await send("POST", "/api/cases", v)).case;
    await draft.clear();
    return join(opened, fresh);
  } });
  add.addEventListener("submit", async (e) => {
    e.preventDefault();
    if (!select.value) { say(add, "No case is open: open one beside this.", "case", true); return; }
    try { await join(select.value, add); } catch (error) { say(add, error.message, "", true); }
  });
  const list = async () => {
    const { cases } = await send("GET", "/api/bench").catch(() => ({ cases: [] }));
    options(select, cases.filter((c) => c.open).map((c) => [c.case, `${c.vehicle || c.complaint} (${c.case})`.slice(0, 80)]));
  };
  box.addEventListener("toggle", () => { if (box.open) list(); });
  live.addEventListener("case", () => { if (box.open) list(); });
  return h("div", {}, h("h3", {}, "Which job is it?"), box);
}

/** @param {any} section @param {any} bench @param {DOMStringMap} data of the page: case, name */
export function mount(section, bench, data) {
  const { views, analysis } = bench;
  section.dataset.tone = views.tone;
  section.querySelector(".frame").dataset.tone = views.tone;
  section.querySelector(".word").textContent = WORDS[views.tone];
  section.querySelector(".verdict-line").textContent = views.verdict;
  const told = analysis.setup.given?.vehicle?.description ?? "";
  document.querySelector("#simulated").hidden = !(views.simulated || /simulated/i.test(told));
  section.querySelector(".view").replaceChildren(...[
    leftOpen(views),
    h("div.split", {}, next(analysis), where(analysis)),
    ...analysis.cautions.map((c) => h("p.caution", { "data-given": "" }, c)),
    h("div.split", {}, report(bench.id, data.name ?? "recording"), caseBox(bench.id, data)),
  ].filter(Boolean));
}
