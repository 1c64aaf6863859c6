import { Live } from "./live.js";
import { Bench, fetched, url } from "./bench.js";
import { mount as strip } from "./strip.js";
import { mount as turnmap } from "./turnmap.js";
import { mount as wheel } from "./wheel.js";
import { mount as cycle } from "./cycle.js";
import { mount as balance } from "./balance.js";
import { mount as findings } from "./findings.js";
import { mount as hookup } from "./hookup.js";

const root = document.querySelector("#bench");
const live = new Live();
const id = root.dataset.id;
const progress = document.querySelector("#progress");

async function ready() {
  const [views, analysis] = await Promise.all([fetched(url(id, "views")), fetched(url(id, "analysis"))]);
  const bench = new Bench(id, live, views, analysis);
  document.querySelector(".verdict-line").textContent = views.verdict;
  document.querySelector("#verdict").dataset.tone = views.tone;
  for (const [name, mount] of Object.entries({ strip, turnmap, wheel, cycle, balance, findings, hookup }))
    mount(document.querySelector(`#${name} .view`), bench);
  root.dataset.stage = "ready";
  window.bench = bench;
}
live.addEventListener("card", ({ detail: { card } }) => {
  if (card.id !== id) return;
  progress.textContent = card.said || `${card.stage} ${Math.round(card.share * 100)} %`;
  if (card.stage === "ready") { progress.textContent = ""; ready(); }
});
if (root.dataset.stage === "ready") ready();
