// @ts-check
// The log: every entry with who and when, what became of it, and the forms to correct or withdraw it.
import { h, keyed, labelled, when } from "./dom.js";
import { keep } from "./forms.js";
import { live } from "./page.js";

const foot = () => [h("div.said", { role: "status" }), h("div.between", { hidden: true })];

function input(entry, f) {
  const id = `c-${entry.number}-${f.name}`;
  if (f.form === "yes") return h("label.check", {}, h("input", { id, name: f.name, type: "checkbox", checked: f.value, defaultChecked: f.value }), f.words);
  const value = f.form === "list" ? f.value.join(" ") : f.value;
  const long = value.length > 60 || ["text", "complaint", "statement"].includes(f.name);
  return labelled(f.words, h(long ? "textarea" : "input", { id, name: f.name, defaultValue: value, value, autocomplete: "off" }),
    f.form === "list" ? "with blanks between" : "");
}

/** Only what is another than before is a change; a list is written with blanks between. */
function changesOf(entry, values) {
  const changes = {};
  for (const f of entry.fields) {
    const given = f.form === "list" ? values[f.name].split(/[\s,;]+/).filter(Boolean).map((w) => (typeof f.value[0] === "number" || f.name === "because" ? Number(w) || w : w)) : values[f.name];
    if (JSON.stringify(given) !== JSON.stringify(f.value)) changes[f.name] = given;
  }
  return changes;
}

function correction(page, entry, box) {
  const form = h("form", { noValidate: true }, h("div.fields", {}, entry.fields.map((f) => input(entry, f))),
    labelled("Why is it corrected?", h("input", { id: `c-${entry.number}-why`, name: "reason", autocomplete: "off" }), "the old words stay in the log"), foot(),
    h("div.buttons", {}, h("button.first", {}, "Write the correction")));
  keep(form, { topic: page.topic, key: `draft:correct-${entry.number}`, found: () => { box.open = true; },
    submit: ({ reason, ...values }, expected) => page.enter("correction", { entry: entry.number, changes: changesOf(entry, values), why: reason }, expected) });
  return form;
}

function withdrawal(page, entry, box) {
  const form = h("form", { noValidate: true }, h("p", {}, "It stays to be read and counts no more, nor does what rests on it."),
    labelled("Why is it withdrawn?", h("input", { id: `w-${entry.number}-why`, name: "why", autocomplete: "off" })), foot(),
    h("div.buttons", {}, h("button.first", {}, "Withdraw the entry")));
  keep(form, { topic: page.topic, key: `draft:withdraw-${entry.number}`, found: () => { box.open = true; },
    submit: (v, expected) => page.enter("retraction", { entry: entry.number, why: v.why }, expected) });
  return form;
}

/** A form that is made only when it is wanted: a long log holds hundreds of entries. */
function later(words, key, page, make) {
  const box = h("details", {}, h("summary", {}, words));
  const fill = () => { if (box.childElementCount === 1) box.append(make(box)); };
  box.addEventListener("toggle", () => { if (box.open) fill(); });
  if (live.topics.get(page.topic)?.values[key]) { box.open = true; fill(); }
  box.dataset.draft = key;
  return box;
}

function row(page, e) {
  const gone = e.withdrawn_by !== null;
  const marks = [e.corrected_by.length ? `corrected by ${e.corrected_by.join(", ")}` : "", gone ? `withdrawn by ${e.withdrawn_by}` : ""].filter(Boolean).join("; ");
  return h("li", { id: `entry-${e.number}` },
    h("div.main", {}, h("p", {}, h("span.number", {}, `${e.number} `), h("strong", {}, e.words), marks ? ` – ${marks}` : ""),
      h(gone ? "p.gone" : "p", { "data-given": "" }, e.says),
      e.written ? h("p.soft.small", { "data-given": "" }, `As written: ${e.written}`) : null),
    h("div.side", {}, h("span.soft.small", { "data-given": "" }, `${e.by}, ${when(e.at_utc)}`)),
    h("div.whole.pair", {}, e.open && e.fields.length ? later("Correct it", `draft:correct-${e.number}`, page, (box) => correction(page, e, box)) : null,
      e.open && e.withdrawable ? later("Withdraw it", `draft:withdraw-${e.number}`, page, (box) => withdrawal(page, e, box)) : null));
}

/** @param {any} page @param {any} s its state */
export function showLog(page, s) {
  keyed(document.querySelector("#entries"), s.log.map((e) => ({ ...e, open: s.open })), (e) => e.number, (e) => row(page, e));
}

// drafts that arrive after the log is shown open their form
live.addEventListener("state", ({ detail }) => {
  for (const box of document.querySelectorAll("#entries details[data-draft]")) if (detail.values[box.dataset.draft]) box.open = true;
});
