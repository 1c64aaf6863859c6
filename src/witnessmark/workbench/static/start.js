// @ts-check
// The first page: recordings and cases, as they come and go.
import { ago, h, keyed } from "./dom.js";
import { takeDrops } from "./arrive.js";
import { confirmed, keep, send } from "./forms.js";
import { live } from "./page.js";

const STAGES = { arriving: "arriving", waiting: "waits for its turn", importing: "being read", analysing: "being analysed",
  ready: "", failed: "not analysed", stopped: "stopped" };
const by = (id) => document.querySelector(id);
const cards = new Map();
let cases = [], damaged = [];

const said = (text) => { by("#progress").textContent = text; };
const tried = async (work) => { try { said(""); await work(); } catch (error) { said(error.message); } };

function cardRow(card) {
  const busy = !["ready", "failed", "stopped"].includes(card.stage);
  const told = card.stage === "ready" ? [card.verdict, card.said].filter(Boolean).join(" ") : [STAGES[card.stage] ?? card.stage, card.said].filter(Boolean).join(": ");
  const press = busy
    ? h("button", { type: "button", onclick: () => tried(() => send("POST", `/api/recordings/${card.id}/stop`)) }, "Stop it")
    : h("button.quiet", { type: "button", "aria-label": `Remove ${card.name}` }, "Remove");
  if (!busy) confirmed(press, "Remove the recording and all that was made of it?", "Yes, remove it", () => tried(async () => {
    await send("POST", `/api/recordings/${card.id}/remove`);
    cards.delete(card.id);
    show();
  }));
  return h("li", {}, h("div.main", {}, h("a", { href: `/recordings/${card.id}`, "data-given": "" }, card.name),
    busy ? h("progress", { max: 1, value: card.share, "aria-label": `${card.name}: how far it is` }) : null,
    h("p", { "data-given": "" }, told + (busy ? ` ${Math.round(100 * card.share)} %` : "")),
    h("p.soft.small", {}, `came ${ago(card.at_utc)}`, card.case ? [", evidence of ", h("a", { href: `/cases/${card.case}` }, `case ${card.case}`)] : "")),
  h("div.side", {}, press));
}

function caseRow(c) {
  return h("li", {}, h("div.main", {}, h("a", { href: `/cases/${c.case}`, "data-given": "" }, c.vehicle || c.complaint),
    c.vehicle ? h("p", { "data-given": "" }, c.complaint) : null,
    c.to_restore ? h("p.put-back", {}, `Still to put back: ${c.to_restore} ${c.to_restore === 1 ? "item" : "items"}`) : null,
    h("p.soft.small", { "data-given": "" }, `${c.last_says.slice(0, 140)} (${ago(c.last_utc)})`)),
  h("div.side", {}, h("span.soft", {}, `${c.open ? "open" : "closed"}, ${c.case}`)));
}

function show() {
  const words = by("#search").value.toLowerCase().split(/\s+/).filter(Boolean);
  const fits = (item) => words.every((w) => JSON.stringify(item).toLowerCase().includes(w));
  const kept = [...cards.values()].sort((a, b) => (a.at_utc < b.at_utc ? 1 : -1));
  keyed(by("#cards"), kept.filter(fits), (c) => c.id, cardRow);
  keyed(by("#cases"), cases.filter(fits), (c) => c.case, caseRow);
  by("#bench-empty").hidden = kept.length > 0;
  by("#cases-empty").hidden = cases.length > 0;
  by("#damaged").replaceChildren(...damaged.map((d) => h("p.wrong", { "data-given": "" }, d)));
}

async function fresh() {
  const bench = await send("GET", "/api/bench");
  cards.clear();
  for (const card of bench.cards) cards.set(card.id, card);
  ({ cases, damaged } = bench);
  show();
}

// several that come together are one reason to ask
let soon = 0;
const later = () => { clearTimeout(soon); soon = setTimeout(() => tried(fresh), 60); };
live.addEventListener("card", ({ detail: { card } }) => {
  if (card.stage === "removed") { cards.delete(card.id); show(); return; }
  if (card.stage === "ready" || !cards.has(card.id)) later();
  else { cards.set(card.id, { ...cards.get(card.id), ...card }); show(); }
});
for (const kind of ["case", "open"]) live.addEventListener(kind, later);
by("#search").addEventListener("input", show);
takeDrops("", (answers, many) => { if (many) tried(fresh); else location.href = answers[0].url; });
keep(by("#new-case"), {
  topic: "start", key: "draft:new-case",
  submit: (v) => send("POST", "/api/cases", { ...v, codes: v.codes.split(/[\s,;]+/).filter(Boolean) }),
  done: (answer) => { location.href = answer.url; },
  found: () => { by("#new-case-box").open = true; },
});
tried(fresh);
setInterval(show, 60000);
