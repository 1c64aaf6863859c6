// @ts-check
// Recordings, the check of the repair, codes and photos of a case.
import { h, keyed, options, paint } from "./dom.js";
import { takeDrops } from "./arrive.js";
import { live } from "./page.js";
import { between, Changed, Draft, say, send } from "./forms.js";

const by = (id) => document.querySelector(id);
const STAGES = { arriving: "arriving", waiting: "waits for its turn", importing: "being read", analysing: "being analysed", ready: "analysed", failed: "not analysed", stopped: "stopped" };

function recording(page, r) {
  const said = h("p.said.whole", { role: "status" });
  const open = async () => {
    try {
      const answer = await send("POST", `${page.api}/recordings/${r.number}/open`);
      location.href = answer.url ?? `/recordings/${answer.id}`;
    } catch (error) { said.textContent = error.message; }
  };
  return h("li", {}, h("div.main", {}, h("p", {}, h("strong", { "data-given": "" }, `${r.number} ${r.name}`), r.note ? h("span", { "data-given": "" }, ` (${r.note})`) : null),
    h("p", { "data-given": "" }, r.says)),
  h("div.side", {}, r.bench ? h("a.button", { href: `/recordings/${r.bench}`, "aria-label": `Look at recording ${r.number}` }, "Look at it")
    : h("button", { type: "button", onclick: open, "aria-label": `Put recording ${r.number} on the bench` }, "Put it on the bench")), said);
}

const coming = (c) => h("li", {}, h("div.main", {}, h("p", {}, h("a", { href: `/recordings/${c.id}`, "data-given": "" }, c.name)),
  h("p", { "data-given": "" }, `${STAGES[c.stage] ?? c.stage} ${["ready", "failed", "stopped"].includes(c.stage) ? c.said : `${Math.round(100 * c.share)} %`}`)),
h("div.side", {}, h("progress", { max: 1, value: c.share, "aria-label": `${c.name}: how far it is` })));

function compared(c, again, unchecked) {
  if (!c.made) return h("p", {}, c.before === null ? "Nothing can be compared yet: the case holds no recording." : unchecked ? "Not checked yet: hold the two against each other." : again.length ? "Not checked yet. After the repair, record again the same way and hold the two against each other." : "Not checked.");
  const m = c.made;
  return [h("div.frame", {}, h("p.word", {}, m.holds ? `Entry ${m.number}: ${m.overall}` : `Entry ${m.number}: ${m.overall}, out of date`),
    h("p", { "data-given": "" }, m.statement), m.holds ? null : h("p", {}, `It counts no more: ${m.since}. Check again.`)),
  m.findings.length ? h("ul", {}, m.findings.map((f) => h("li", { "data-given": "" }, `${f.became}: ${f.statement}${f.because ? ` (${f.because})` : ""}`))) : null,
  m.cautions.length ? h("details", {}, h("summary", {}, "What to mind when it is checked again"), m.cautions.map((t) => h("p.caution", { "data-given": "" }, t))) : null];
}

const snapshot = (s) => h("li", {}, h("div.whole", {}, h("p", {}, h("strong", { "data-given": "" }, `${s.number} ${s.name}`), s.note ? h("span", { "data-given": "" }, ` (${s.note})`) : null),
  s.codes.length ? h("dl.pairs", {}, s.codes.map((c) => [h("dt", { "data-given": "" }, c.code), h("dd", { "data-given": "" }, c.words, c.hint ? h("p.soft.small", {}, c.hint) : null)])) : h("p", {}, "No codes in it."),
  s.findings.length ? h("ul", {}, s.findings.map((f) => h("li", { "data-given": "" }, `${f.stated ? "" : "Hint: "}${f.statement}`))) : null,
  s.read ? null : h("p.soft", {}, "Another form than what is read here: its codes are listed, and nothing of it weighs.")));

const photo = (page, p) => h("li", {}, h("figure", {}, h("a", { href: `${page.api}/photos/${p.file}`, target: "_blank", rel: "noopener" },
  h("img", { src: `${page.api}/photos/${p.file}`, alt: p.note, loading: "lazy" })), h("figcaption", { "data-given": "" }, `${p.number} ${p.note}`)));

/** @param {any} page @param {any} s its state */
export function showFiles(page, s) {
  const list = by("#recorded");
  if (!list.firstElementChild) list.append(h("ul.rows"), h("ul.rows"));
  keyed(list.children[0], s.recordings, (r) => r.number, (r) => recording(page, r));
  keyed(list.children[1], s.arriving, (c) => c.id, coming);
  for (const ul of list.children) ul.hidden = !ul.childElementCount;
  const free = s.bench.filter((c) => c.entry === null);
  options(by("#from-bench"), free.map((c) => [c.id, c.name]), free.length ? "choose one" : "none lies there that belongs to no case");
  paint(by("#compared"), [s.compare, s.next.again, s.next.unchecked], () => [compared(s.compare, s.next.again, s.next.unchecked),
    s.compare.made || s.next.unchecked ? null : s.next.again.map((t) => h("p.caution", { "data-given": "" }, t))]);
  options(by("#c-before"), s.recordings.map((r) => [r.number, `${r.number} ${r.name}`]), s.compare.before ? `${s.compare.before}, the last one before the repair` : "none yet");
  options(by("#c-after"), [...s.recordings.map((r) => [`entry ${r.number}`, `${r.number} ${r.name}`]), ...free.map((c) => [c.id, `${c.name} (on the bench)`])], "choose one");
  // the recording made after the work is the one to be checked, until somebody chooses another
  const after = by("#c-after");
  if (s.next.unchecked && !after.value) after.value = `entry ${s.next.unchecked}`;
  paint(by("#snapshots"), s.snapshots, () => (s.snapshots.length ? h("ul.rows", {}, s.snapshots.map(snapshot)) : h("p", {}, "None read yet.")));
  paint(by("#pictures"), s.photos, () => (s.photos.length ? h("ul.photos", {}, s.photos.map((p) => photo(page, p))) : h("p", {}, "No photo yet.")));
}

/** A form that takes a while: what it does is said, its button rests, its error stands beside it. */
function slow(form, doing, work) {
  form.addEventListener("submit", async (e) => {
    e.preventDefault();
    const press = form.querySelector(".buttons button");
    const go = async (expected) => {
      press.disabled = true;
      say(form, doing);
      between(form, null);
      try {
        say(form, (await work(expected)) || "Written.");
      } catch (error) {
        say(form, "");
        if (error instanceof Changed) between(form, error, () => go(error.last));
        else say(form, error.message, error.field ?? "", true);
      }
      press.disabled = false;
    };
    await go(undefined);
  });
}

function upload(page, form) {
  const draft = new Draft(form, page.topic, `draft:${form.dataset.file}`);
  slow(form, "It is being added.", async (expected = page.last) => {
    const { file, note } = form.elements, [chosen] = file.files;
    if (!chosen) throw Object.assign(new Error("No file is chosen yet."), { field: "file" });
    const asked = new URLSearchParams({ kind: form.dataset.file, name: chosen.name, note: note.value, by: page.writer(), expected: String(expected) });
    if (form.elements.engine) asked.set("engine", form.elements.engine.value);
    const answer = page.grown(await send("PUT", `${page.api}/files?${asked}`, chosen));
    form.elements.file.value = "";
    await draft.clear();
    return answer.note;
  });
}

/** @param {any} page */
export function mountFiles(page) {
  takeDrops(page.id, () => page.fetch());
  upload(page, by("#f-photo"));
  upload(page, by("#f-snapshot"));
  slow(by("#f-from-bench"), "It is put in the queue.", async () => {
    const chosen = by("#from-bench").value;
    if (!chosen) throw new Error("Choose a recording first.");
    page.grown(await send("POST", `${page.api}/recordings`, { recording: chosen, by: page.writer() }));
    return "It is analysed with what the case knows, and entered then; the row above says how far it is.";
  });
  const stop = by("#stop-compare"), share = by("#compare-share"), form = by("#f-compare");
  stop.addEventListener("click", () => send("POST", `${page.api}/compare/stop`).catch((error) => say(form, error.message, "", true)));
  const running = (on) => { stop.hidden = share.hidden = !on; share.value = 0; };
  live.addEventListener("compare", ({ detail }) => {
    if (detail.case !== page.id || share.hidden) return;
    share.value = detail.share;
    say(form, `${detail.said[0].toUpperCase()}${detail.said.slice(1)} (${Math.round(100 * detail.share)} %).`);
  });
  slow(form, "Both recordings are analysed when it is their turn, then held against each other.", async () => {
    const after = by("#c-after").value, before = by("#c-before").value;
    if (!after) throw new Error("Choose the recording after the repair first.");
    const entry = after.match(/^entry (\d+)$/);
    const asked = { after: entry ? Number(entry[1]) : after, before: before ? Number(before) : null, by: page.writer() };
    running(true);
    try { page.grown(await send("POST", `${page.api}/compare`, asked)); } finally { running(false); }
  });
}
