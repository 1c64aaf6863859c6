// @ts-check
// The page of a recording: how far it is while it is worked on, then the verdict first and every view below it.
import { Bench, fetched, url } from "./bench.js";
import { mount as strip } from "./strip.js";
import { mount as turnmap } from "./turnmap.js";
import { mount as wheel } from "./wheel.js";
import { mount as cycle } from "./cycle.js";
import { mount as balance } from "./balance.js";
import { mount as findings } from "./findings.js";
import { mount as hookup } from "./hookup.js";
import { send } from "./forms.js";
import { live, questions } from "./page.js";
import { mount as verdict } from "./recording_verdict.js";

const root = document.querySelector("#bench");
const id = root.dataset.id;
const [work, progress, share, stop, again] = ["#work", "#progress", "#share", "#stop", "#again"].map((s) => document.querySelector(s));
const nav = document.querySelector(".questions");
const STAGES = { arriving: "It arrives", waiting: "It waits for its turn", importing: "It is being read",
  analysing: "It is being analysed", failed: "It could not be analysed", stopped: "It was stopped" };
const WHAT_NEXT = { failed: "Set that right, then drop the file again or analyse it again.",
  stopped: "Analyse it again when you are ready." };

/** While it is worked on, or where that failed: how far it is, and what to do. */
function working(card) {
  const over = card.stage === "failed" || card.stage === "stopped";
  const told = card.said && card.said !== STAGES[card.stage] ? `: ${card.said}` : "";
  root.dataset.stage = card.stage;
  work.hidden = card.stage === "ready";
  progress.textContent = over ? `${STAGES[card.stage]}${told}. ${WHAT_NEXT[card.stage]}` : `${STAGES[card.stage] ?? card.stage}${told} (${Math.round(100 * Number(card.share))} %)`;
  progress.className = card.stage === "failed" ? "wrong" : "";
  share.hidden = stop.hidden = over;
  again.hidden = !over;
  share.value = Number(card.share);
}

let begun = false;

async function ready() {
  if (begun) return;
  begun = true;
  root.dataset.stage = "fetching"; // the sections are shown, so that each view finds its size
  const [views, analysis] = await Promise.all([fetched(url(id, "views")), fetched(url(id, "analysis"))]);
  const bench = new Bench(id, live, views, analysis);
  verdict(document.querySelector("#verdict"), bench, root.dataset);
  nav.hidden = false;
  const mounted = { strip, turnmap, wheel, cycle, balance, findings, hookup };
  for (const [name, mount] of Object.entries(mounted)) {
    const view = document.querySelector(`#${name} .view`);
    try { mount(view, bench); } catch (error) {
      // one picture that fails must not take the others with it
      view.textContent = `This picture could not be drawn (${error.message}); the report has it.`;
      reportError(error);
    }
  }
  questions();
  if (location.hash) document.getElementById(location.hash.slice(1))?.scrollIntoView(); // the views have found their size only now
  work.hidden = true;
  root.dataset.stage = "ready";
  window.bench = bench;
}

live.addEventListener("card", ({ detail: { card } }) => {
  if (card.id !== id) return;
  if (card.stage !== "ready") { working(card); return; }
  // analysed anew while the page shows the old analysis: every view starts from the new one
  // (before that, window.bench is the element of that id, which browsers put there)
  if (window.bench?.live) location.reload();
  else ready();
});
live.addEventListener("open", async () => {
  if (root.dataset.stage === "ready") return;
  // what was told while the page was not connected
  const card = (await send("GET", "/api/bench").catch(() => ({ cards: [] }))).cards.find((c) => c.id === id);
  if (card?.stage === "ready") ready();
  else if (card) working(card);
});
const press = (what) => () => send("POST", url(id, what)).catch((error) => { progress.textContent = error.message; });
stop.addEventListener("click", press("stop"));
again.addEventListener("click", press("again"));
if (root.dataset.stage === "fetching") ready(); // it becomes "ready" when every view stands
else working({ ...root.dataset });
