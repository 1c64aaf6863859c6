// @ts-check
// The next test: what is chosen with its outcomes as big buttons, what is proposed, and why this one.
import { h, keyed, paint } from "./dom.js";
import { keep } from "./forms.js";
import { testBox } from "./recording_verdict.js";

/** To the wheel of the recording that the tests were proposed on: how far to bar stands there. */
function toWheel(s) {
  const on = s.recordings.find((r) => r.number === s.balance?.recording)?.bench;
  return on ? h("p", {}, h("a.button", { href: `/recordings/${on}#wheel` }, "Where on the metal?")) : null;
}

function chosen(page, t) {
  const note = h("input", { name: "note", id: `note-${t.number}`, autocomplete: "off" });
  const other = h("input", { name: "result", id: `result-${t.number}`, autocomplete: "off" });
  let pressed = "";
  const press = (o) => h("button.outcome", { type: "submit", onclick: () => { pressed = o.result; } }, o.result);
  const form = h("form", { noValidate: true },
    h("h3", {}, "What did it show?"),
    h("div.field", {}, h("label", { htmlFor: note.id }, "Anything to add?"), note),
    h("div.buttons", {}, t.outcomes.map(press)),
    h("details", {}, h("summary", {}, "It showed something else"), h("div.field", {}, h("label", { htmlFor: other.id }, "What did it show, in words?"), other),
      h("div.buttons", {}, h("button", { type: "submit", onclick: () => { pressed = ""; } }, "Write it down"))),
    h("div.said", { role: "status" }), h("div.between", { hidden: true }));
  // Enter in a field means what is written there, not the first of the outcomes
  form.addEventListener("keydown", (e) => { if (e.key === "Enter" && e.target.tagName === "INPUT") { e.preventDefault(); pressed = ""; if (e.target === other) form.requestSubmit(); } });
  let result = "";
  keep(form, { topic: page.topic, key: `draft:outcome-${t.number}`, submit: (v, expected) => {
    result = expected === undefined ? pressed || v.result : result; // once more after others: the same outcome
    return page.enter("outcome", { chosen: t.number, result, note: v.note }, expected, "#next");
  } });
  return h("li", {}, h("div.whole", {}, h("h3", {}, `Chosen, entry ${t.number}`), testBox(t), form));
}

function proposed(page, t, first) {
  const said = h("p.said", { role: "status" });
  const press = h(first ? "button.first" : "button", { type: "button", "aria-label": `Do this test next: ${t.statement}`, onclick: async () => {
    press.disabled = true;
    try { await page.enter("test", { test: t.id }, undefined, "#next"); } catch (error) {
      press.disabled = false;
      said.textContent = error.between ? `Meanwhile entries came in (up to ${error.last}); look at them, then press again.` : error.message;
      if (error.between) page.fetch();
    }
  } }, "Do this test next");
  const body = [testBox(t), h("details", {}, h("summary", {}, "What may it show, and then?"),
    h("dl.pairs", {}, t.outcomes.map((o) => [h("dt", { "data-given": "" }, o.result), h("dd", { "data-given": "" }, o.then)]))), h("div.buttons", {}, press), said];
  return first ? h("div", {}, h("h3", {}, "Proposed"), body) : h("details", {}, h("summary", { "data-given": "" }, t.statement), body);
}

/** @param {any} page @param {any} s its state */
export function showTests(page, s) {
  const list = document.querySelector("#chosen");
  if (!list.firstElementChild) list.append(h("ul.rows"));
  keyed(list.firstElementChild, s.next.chosen, (t) => t.number, (t) => chosen(page, t));
  paint(document.querySelector("#where"), [s.balance?.recording, s.recordings, s.open && (s.next.chosen.length || s.next.proposed.length)], () => (s.open && (s.next.chosen.length || s.next.proposed.length) ? toWheel(s) : null));
  list.hidden = s.next.chosen.length === 0;
  paint(document.querySelector("#showed"), [s.next.showed, s.next.chosen.length, s.open], () => (s.next.showed && s.open && !s.next.chosen.length ? h("div.frame", {},
    h("p.word", {}, `What the test showed, entry ${s.next.showed.number}`), h("p", { "data-given": "" }, s.next.showed.result),
    s.next.showed.then ? h("p", { "data-given": "" }, s.next.showed.then) : null) : null));
  paint(document.querySelector("#proposed"), [s.next.proposed, s.next.chosen.length, s.next.unchecked, s.open], () => {
    if (s.next.unchecked) return [h("h3", {}, "Is the fault gone?"), h("p", {}, `Recording ${s.next.unchecked} was made after the last work and is not held against the one before it yet.`),
      h("div.buttons", {}, h("a.button.first", { href: "#gone" }, "Check the repair")), s.next.proposed.map((t) => proposed(page, t, false))];
    if (!s.next.proposed.length) return s.next.chosen.length ? null : h("p", {}, !s.open ? "The case is closed." : s.balance ? "No further test is proposed." : "Drop a recording: then the test that tells most for its cost is proposed here. Or choose one yourself.");
    const [first, ...rest] = s.next.proposed;
    return [proposed(page, first, s.next.chosen.length === 0), rest.length ? h("h3", {}, "Or one of these") : null, rest.map((t) => proposed(page, t, false))];
  });
  paint(document.querySelector("#why-next"), s.next, () => [s.next.why_not, s.next.stop].some(Boolean) && h("details", {},
    h("summary", {}, "Why not another, and may a part be named?"), [...s.next.actions, s.next.why_not, s.next.robust, s.next.stop].filter(Boolean).map((t) => h("p", { "data-given": "" }, t))));
}
