// @ts-check
// The page of a case: shown anew when its log grows, without touching what is being typed.
import { h, paint, percent, when } from "./dom.js";
import { keep, send } from "./forms.js";
import { live, questions } from "./page.js";
import { forms } from "./case_forms.js";
import { mountFiles, showFiles } from "./case_files.js";
import { showLog } from "./case_log.js";
import { showTests } from "./case_tests.js";

const root = document.querySelector("#case");
const by = (id) => document.querySelector(id);
const WORDS = { fault: "A fault is seen", clear: "Repaired", unknown: "Not decided" };

/** What the parts of the page share. */
const page = {
  id: root.dataset.id,
  topic: `case:${root.dataset.id}`,
  api: `/api/cases/${root.dataset.id}`,
  last: 0,
  state: null,
  catalogue: JSON.parse(by("#catalogue").textContent),
  writer: () => by("#by").value,
  /** Append an entry after the last one this page has seen; `goTo`: what to bring before the eyes then. */
  enter: (kind, fields, expected = page.last, goTo = "") => send("POST", `${page.api}/entries`, { kind, fields, expected, by: page.writer() })
    .then((answer) => { page.goTo = goTo; return page.grown(answer); }),
  /** Where to look once what was just entered is shown: it may change the page above or below what was pressed. */
  goTo: "",
  /** The log has grown by ourselves: what we wrote needs not be told to us first. */
  grown: (answer) => { page.fetch(); return answer; },
  async fetch() {
    const state = await send("GET", page.api);
    if (page.state && state.last < page.state.last) return; // an answer that another overtook
    page.state = state;
    show(state);
    page.last = state.last;
    const place = page.goTo && document.querySelector(page.goTo);
    page.goTo = "";
    if (!place) return;
    place.scrollIntoView();
    const head = place.querySelector("h2, h3") ?? place;
    head.tabIndex = -1;
    head.focus({ preventScroll: true });
  },
};

function show(s) {
  const frame = by("#stands .frame");
  frame.dataset.tone = s.tone;
  frame.querySelector(".word").textContent = WORDS[s.tone] + (s.open ? "" : " (closed)");
  frame.querySelector(".verdict-line").textContent = s.standing.join(" ");
  paint(by("#put-back-first"), s.to_restore, () => s.to_restore.length === 0 ? null : h("p.put-back", {},
    h("strong", {}, "Not ready to drive. "), `Still to put back: ${s.to_restore.map((r) => r.item).join(", ")}.`));
  by("#title").textContent = s.vehicle.description || s.vehicle.complaint;
  paint(by("#vehicle"), [s.vehicle, s.opened_utc, s.work], () => vehicle(s));
  paint(by("#balance"), s.balance, () => balance(s.balance));
  paint(by("#restored"), s.restored, () => s.restored.length === 0 ? null : h("ul", {}, s.restored.map((r) =>
    h("li", { "data-given": "" }, `✓ ${r.item} is back${r.how ? ` (${r.how})` : ""}`))));
  paint(by("#to-restore"), [s.to_restore, s.open], () => toRestore(s));
  showTests(page, s);
  showFiles(page, s);
  showLog(page, s);
  for (const part of document.querySelectorAll("[data-while-open], [data-while-closed]")) part.hidden = s.open !== ("whileOpen" in part.dataset);
}

function vehicle(s) {
  const v = s.vehicle, tried = s.work.filter((w) => w.earlier), done = s.work.filter((w) => !w.earlier);
  const pair = (name, value) => (value && value.length ? [h("dt", {}, name), h("dd", { "data-given": "" }, value)] : null);
  return [h("h3", {}, "What was complained of?"), h("p", { "data-given": "" }, v.complaint),
    h("dl.pairs", {}, pair("Vehicle", v.description), pair("Customer", v.customer), pair("Vehicle number", v.vin), pair("Opened", when(s.opened_utc)),
      pair("Trouble codes", v.codes.map((c) => h("p", {}, h("strong", {}, c.code), ` ${c.words}`))),
      pair("Tried before", tried.map((w) => h("p", {}, `${w.number} ${w.says}`))), pair("Work done", done.map((w) => h("p", {}, `${w.number} ${w.says}`)))),
    h("p.small.soft", {}, "To set one of these right, correct its entry in the log.")];
}

function balance(b) {
  if (!b) return [h("h3", {}, "Which cause, and how probable?"), h("p", {}, "No recording is analysed yet. Drop one on this page.")];
  const row = (c) => {
    const fill = h("span");
    fill.style.width = `${100 * c.probability}%`;
    return h("div.bar", {}, h("span", { "data-given": "" }, c.words), h("span.track", { "aria-hidden": "true" }, fill), h("span.number", {}, percent(c.probability)));
  };
  const after = b.after.length < 2 ? null : h("details", {}, h("summary", {}, "What moved it?"), h("ul", {}, b.after.map((a) =>
    h("li", { "data-given": "" }, `After entry ${a.number}: ${a.causes.map((c) => `${c.words}: ${percent(c.probability)}`).join("; ")}`))));
  return [h("h3", {}, "Which cause, and how probable?"), b.causes.map(row),
    h("p.soft", {}, `From recording ${b.recording}${b.scanned.length ? `, with the codes and live data of entry ${b.scanned.join(", ")}` : ""}${b.closed_cases ? `, with ${b.closed_cases} closed case${b.closed_cases === 1 ? "" : "s"} of your own` : ""}.`),
    b.what_would_change ? h("p", { "data-given": "" }, b.what_would_change) : null, after];
}

function toRestore(s) {
  if (s.to_restore.length === 0) return h("p", {}, s.restored.length ? "Everything that was disabled is back." : "Nothing is disabled.");
  return h("ul.rows", {}, s.to_restore.map((r) => h("li", {},
    h("div.main", {}, h("p", { "data-given": "" }, h("strong", {}, r.item), r.why ? ` (${r.why})` : "")),
    h("div.side", {}, h("button.first", { type: "button", "aria-label": `${r.item}: it is back as it was`, onclick: (e) => back(e.target, r) }, "It is back as it was")),
    h("p.said.whole", { role: "status" }))));
}

async function back(button, item) {
  button.disabled = true;
  // the number names the item: whatever came in between, this confirmation means the same
  try { await page.enter("restored", { disabled: item.number }, null); } catch (error) {
    button.disabled = false;
    button.closest("li").querySelector(".said").textContent = error.message;
  }
}

// who writes belongs to the device, not to the case
by("#by").value = localStorage.getItem("by") ?? "";
by("#by").addEventListener("input", () => localStorage.setItem("by", by("#by").value));
live.join(page.topic);
live.addEventListener("case", ({ detail }) => { if (detail.case === page.id && detail.last > page.last) page.fetch(); });
// several that come together are one reason to ask; a server that is away says so in the header
let soon = 0;
const later = () => { clearTimeout(soon); soon = setTimeout(() => page.fetch().catch(() => {}), 60); };
live.addEventListener("card", ({ detail: { card } }) => { if (card.case === page.id || ["ready", "removed"].includes(card.stage)) later(); });
live.addEventListener("open", later);
forms(page, keep);
mountFiles(page);
page.fetch().then(questions);
