// @ts-check
// Which line is what: what was inferred is offered first and says how sure it is; what is told here counts instead.
import { fetched, url } from "./bench.js";
import { h, labelled, options, percent } from "./dom.js";
import { keep, say, send } from "./forms.js";

const CHANNEL = { label: "What is it called?", role: "Which line is it?", sensor: "What kind of signal?", of: "Which line does it belong to?",
  cylinder: "Which cylinder?", bank: "Which bank?", unit: "Unit", scale: "Scale (value = raw × scale + offset)", offset: "Offset" };
const ENGINE = { cylinders: "How many cylinders?", firing_order: "Firing order", firing_angles_deg: "Firing angles, degrees", strokes: "Two strokes or four?",
  ignition: "Ignition coils", cranked_by: "What cranks it?" };
const WHEEL = { slots: "Slots of the crank wheel", missing: "Slots without a tooth by design", edge: "Which edge marks a tooth?", tdc_slot: "Slot at cylinder 1's TDC" };
const VEHICLE = { description: "Which vehicle?", complaint: "Complaint", vin: "Vehicle number" };
const HINTS = { firing_order: "as in 1 3 4 2", firing_angles_deg: "empty: even", missing: "as in 59 60; slot 1 is the first tooth after the longest gap",
  tdc_slot: "may be fractional", of: "for a second tap, supply or ground", firing_angles: "" };

function input(table, key, value, choices, empty) {
  const id = `k-${table}-${key}`.replace(/[^\w-]/g, "-"), name = `${table}.${key}`;
  const made = choices ? h("select", { id, name }) : h("input", { id, name, autocomplete: "off" });
  if (choices) options(made, choices, empty);
  made.value = value;
  if (choices) for (const o of made.options) o.defaultSelected = o.value === value;
  else made.defaultValue = value;
  return made;
}

function line(l, form) {
  const table = `channel.${l.position}`, found = l.found;
  const sure = found.role_source === "setup" ? "as told" : `${percent(found.role_sure)} sure`;
  const offered = { role: `as found: ${found.role} (${sure})`, sensor: `as found: ${found.sensor}` };
  const others = form.lines.filter((o) => o.name !== l.name).map((o) => [o.name, o.name]);
  const of = (key) => labelled(CHANNEL[key], input(table, key, l.said[key], key === "of" ? others : form.choices[key], offered[key] ?? "none"), HINTS[key] ?? "");
  return h("fieldset", {}, h("legend", { "data-given": "" }, l.name),
    h("p.soft", { "data-given": "" }, `Found: ${found.role}, ${sure}, because ${found.role_reason}; ${found.edges} edges.`),
    h("div.fields", {}, of("role"), of("sensor"), of("label")),
    h("details", {}, h("summary", {}, "Cylinder, bank, unit, scale"), h("div.fields", {}, ["cylinder", "bank", "of", "unit", "scale", "offset"].map(of))));
}

function facts(table, names, form, told) {
  return h("div.fields", {}, Object.entries(names).map(([key, words]) =>
    labelled(words, input(table, key, form.said[table][key], form.choices[key], "not said"), [told[key], HINTS[key]].filter(Boolean).join("; "))));
}

/** The question that a field answers, with the line it is about. */
function asked(field, form) {
  const [table, key, of] = field.split("."), tables = { engine: ENGINE, crank_wheel: WHEEL, vehicle: VEHICLE };
  return table === "channel" ? `${form.lines.find((l) => String(l.position) === key)?.name}: ${CHANNEL[of]}` : tables[table][key];
}

/** The form's values as the server takes them. */
function sorted(values, form) {
  const out = { vehicle: {}, engine: {}, crank_wheel: {}, lines: form.lines.map((l) => ({ name: l.name, position: l.position, said: {} })) };
  for (const [name, value] of Object.entries(values)) {
    const [table, ...rest] = name.split(".");
    if (table === "channel") out.lines.find((l) => String(l.position) === rest[0]).said[rest[1]] = value;
    else out[table][rest[0]] = value;
  }
  return out;
}

/** A setup that is there already, as one learnt from a good engine of the kind: with cams, which no field here asks for. */
function fileForm(bench) {
  const input = h("input", { id: "setup-file", name: "file", type: "file", accept: ".toml" });
  const form = h("form", { id: "setup-form", noValidate: true },
    h("p", {}, "It takes the place of what was told before, and may hold what the fields above do not ask for: where the edges of the cams belong, for one."),
    labelled("Setup file (TOML)", input), h("div.said", { role: "status" }), h("div.buttons", {}, h("button.first", {}, "Analyse it again with this file")));
  form.addEventListener("submit", async (e) => {
    e.preventDefault();
    const [chosen] = input.files;
    if (!chosen) { say(form, "No file is chosen yet.", "file", true); return; }
    say(form, "");
    try {
      await send("PUT", url(bench.id, "hookup"), chosen);
      await send("POST", url(bench.id, "again"));
      say(form, "It is being analysed again; the page follows by itself.");
    } catch (error) { say(form, error.message, "", true); }
  });
  return form;
}

/** @param {HTMLElement} element @param {any} bench */
export async function mount(element, bench) {
  let form;
  try { form = await fetched(url(bench.id, "hookup")); } catch (error) { element.textContent = error.message; return; }
  const found = form.found;
  const box = h("form", { id: "hookup-form", noValidate: true },
    h("p", {}, `First what no recording knows of itself, then each of the ${form.lines.length} lines with what the recording says of it. Say only what you know better; leave the rest empty.`),
    h("fieldset", {}, h("legend", {}, "Engine"), facts("engine", ENGINE, form, { cylinders: found.cylinders })),
    h("fieldset", {}, h("legend", {}, "Crank wheel"), facts("crank_wheel", WHEEL, form, { slots: found.wheel }), found.phase ? h("p.soft", { "data-given": "" }, `Phase as found: ${found.phase}.`) : null),
    h("fieldset", {}, h("legend", {}, "Vehicle"), facts("vehicle", VEHICLE, form, {})),
    form.lines.map((l) => line(l, form)),
    h("div.said", { role: "status" }), h("div.between", { hidden: true }),
    h("div.buttons", {}, h("button.first", {}, "Analyse it again with this")));
  const open = h("details", {}, h("summary", {}, "Tell which line is what"), box);
  const whole = h("details", {}, h("summary", {}, "Take a setup file of this engine"), fileForm(bench));
  const rows = form.lines.map((l) => h("tr", {}, h("th", { scope: "row", "data-given": "" }, l.name), h("td", {}, l.said.role ? "told" : percent(l.found.role_sure)), h("td", {}, l.found.role), h("td", {}, l.found.sensor)));
  element.replaceChildren(h("div.wide", { tabIndex: 0, role: "region", "aria-label": "Lines" }, h("table", {}, h("thead", {}, h("tr", {}, ["Line", "How sure", "What it is", "Signal"].map((t) => h("th", { scope: "col" }, t)))), h("tbody", {}, rows))), open, whole);
  box.addEventListener("filled", () => box.querySelectorAll("details").forEach((d) => { d.open = [...d.querySelectorAll("input, select")].some((e) => e.value !== ""); }));
  box.dispatchEvent(new Event("filled"));
  // which setup the form was made from; a draft keeps it, so that an old one changes nothing back unseen
  const revision = h("input", { name: "revision", hidden: true, defaultValue: form.revision, value: form.revision });
  box.append(revision);
  keep(box, {
    topic: `recording:${bench.id}`, key: "draft:hookup", found: () => { open.open = true; },
    submit: async ({ revision: from, ...values }, expected) => {
      try {
        const kept = await send("POST", url(bench.id, "hookup"), { ...sorted(values, form), revision: expected ?? from });
        revision.value = revision.defaultValue = kept.revision;
      } catch (error) {
        for (const one of error.between ?? []) one.words = asked(one.field, form);
        const at = error.field ? box.elements.namedItem(error.field) : null;
        if (at instanceof HTMLElement) at.closest("details").open = true;
        throw error;
      }
      await send("POST", url(bench.id, "again"));
    },
    done: () => say(box, "It is being analysed again; the page follows by itself."),
  });
}
