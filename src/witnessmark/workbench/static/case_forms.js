// @ts-check
// The forms that write into the log: each keeps its draft and enters after the last entry the page has seen.
import { h, options, paint } from "./dom.js";

const numbers = (text) => text.split(/[^\d]+/).filter(Boolean).map(Number);
const AFTER = { test: "#next", closed: "#stands", reopened: "#stands" }; // these change other parts of the page
const SHAPES = { decision: (v) => ({ ...v, because: numbers(v.because) }) };

/** The outcomes of a test stand to be chosen once the test is. */
function outcomesOf(page, form) {
  const { test, outcome } = form.elements;
  const show = () => {
    const row = page.catalogue.find((t) => t.id === test.value);
    options(outcome, row ? row.outcomes.map((o) => [o, o]) : [], row ? "choose one" : "choose a test first");
  };
  test.addEventListener("change", show);
  test.addEventListener("set", show);
  show();
}

/** What a test of the catalogue takes, before it is put next. */
function aboutTest(page, form) {
  const place = form.querySelector(".about-test"), { test } = form.elements;
  const show = () => {
    const row = page.catalogue.find((t) => t.id === test.value);
    paint(place, row ?? null, () => row && [h("p.soft", {}, `About ${row.minutes} min.`),
      row.cautions.map((c) => h("p.caution", { "data-given": "" }, c)),
      h("p", {}, "It may show:"), h("ul", {}, row.outcomes.map((o) => h("li", { "data-given": "" }, o)))]);
  };
  test.addEventListener("change", show);
  form.addEventListener("filled", show);
}

/** @param {any} page @param {typeof import("./forms.js").keep} keep */
export function forms(page, keep) {
  const tests = page.catalogue.map((t) => [t.id, t.statement]);
  for (const form of document.querySelectorAll("form.kept")) {
    const kind = form.dataset.kind;
    const test = form.elements.namedItem("test");
    if (test) options(test, tests, test.options[0].textContent);
    if (form.elements.namedItem("outcome")) outcomesOf(page, form);
    if (form.querySelector(".about-test")) aboutTest(page, form);
    keep(form, {
      topic: page.topic, key: `draft:${kind}`,
      submit: (values, expected) => page.enter(kind, SHAPES[kind]?.(values) ?? values, expected, AFTER[kind]),
      found: () => { const box = form.closest("details"); if (box) box.open = true; },
    });
  }
}
