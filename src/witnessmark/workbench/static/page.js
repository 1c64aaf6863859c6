// @ts-check
// What every page has: its one connection, the word when that is lost, the choice of the ground, the row of questions.
import { Live } from "./live.js";

export const live = new Live();
live.join("start");

const root = document.documentElement;
const button = document.querySelector("#ground");
const dark = () => root.dataset.ground === "dark";

function ground(which) {
  if (which !== "dark" && which !== "light") return;
  root.dataset.ground = which;
  if (button) button.textContent = dark() ? "Light ground" : "Dark ground";
}
ground(root.dataset.ground ?? (matchMedia("(prefers-color-scheme: dark)").matches ? "dark" : "light"));
button?.addEventListener("click", () => {
  ground(dark() ? "light" : "dark");
  live.set("start", "ground", root.dataset.ground);
});
live.addEventListener("state", ({ detail }) => {
  if (detail.topic === "start" && "ground" in detail.values) ground(detail.values.ground);
});

const link = document.querySelector("#link");
let lost = 0;
// A page that is only slow to connect need not frighten anybody.
live.addEventListener("lost", () => { lost ||= setTimeout(() => { if (link) link.textContent = "Not connected: trying again"; }, 800); });
live.addEventListener("open", () => { clearTimeout(lost); lost = 0; if (link) link.textContent = ""; });

/** The row of questions: marks where one is; Alt+Shift with the arrows goes to the next and the one before. */
export function questions() {
  const links = [...document.querySelectorAll(".questions a")];
  const parts = links.map((a) => document.querySelector(a.getAttribute("href")));
  let at = 0;
  const mark = () => {
    const line = innerHeight * 0.3;
    at = Math.max(0, parts.findLastIndex((p) => p.getBoundingClientRect().top <= line));
    if (links[at].hasAttribute("aria-current")) return;
    links.forEach((a, i) => (i === at ? a.setAttribute("aria-current", "true") : a.removeAttribute("aria-current")));
    const row = links[at].closest("nav"); // sideways only: the page itself stays where it is
    row.scrollLeft = links[at].offsetLeft - (row.clientWidth - links[at].offsetWidth) / 2;
  };
  addEventListener("scroll", mark, { passive: true });
  mark();
  const go = (i) => {
    const part = parts[Math.min(Math.max(i, 0), parts.length - 1)];
    part.scrollIntoView();
    const head = part.querySelector("h2");
    head.tabIndex = -1;
    head.focus({ preventScroll: true });
  };
  links.forEach((a, i) => a.addEventListener("click", (e) => { e.preventDefault(); history.replaceState(null, "", a.hash); go(i); }));
  addEventListener("keydown", (e) => {
    if (!e.altKey || !e.shiftKey || (e.key !== "ArrowDown" && e.key !== "ArrowUp")) return;
    e.preventDefault();
    // while the page still glides, the question that has the focus says where one is
    const now = parts.findIndex((p) => p.contains(document.activeElement));
    go((now < 0 ? at : now) + (e.key === "ArrowDown" ? 1 : -1));
  });
}
