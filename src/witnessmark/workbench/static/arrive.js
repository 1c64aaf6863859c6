// @ts-check
// Recordings on their way in: the whole page takes what is dropped; each shows how far it is, and can be called off.
import { proof } from "./ask.js";
import { h } from "./dom.js";

/**
 * Send a file to the bench.
 * @param {File} file
 * @param {string} caseId empty where it belongs to none
 * @param {Element} list where its progress stands
 * @returns {Promise<{id: string, url: string} | null>} null where it was called off or refused, which the list then says
 */
function arrive(file, caseId, list) {
  return new Promise((done) => {
    const request = new XMLHttpRequest();
    const share = h("progress", { max: 1, value: 0, "aria-label": `${file.name}: how much has arrived` });
    const told = h("p.soft", {}, "begins");
    const stop = h("button", { type: "button", onclick: () => request.abort() }, "Call it off");
    const row = h("li", {}, h("div.main", {}, h("p", { "data-given": "" }, file.name), share, told), h("div.side", {}, stop));
    list.append(row);
    const end = (text, answer) => {
      stop.remove();
      share.remove();
      told.textContent = text;
      told.className = answer || !text ? "" : "wrong";
      if (answer) row.remove();
      else row.querySelector(".side").append(h("button.quiet", { type: "button", onclick: () => row.remove() }, "Clear this line"));
      done(answer);
    };
    const where = caseId ? `&case=${encodeURIComponent(caseId)}` : "";
    request.open("PUT", `/api/recordings?name=${encodeURIComponent(file.name)}${where}`);
    for (const [name, value] of Object.entries(proof())) request.setRequestHeader(name, value);
    request.upload.onprogress = (e) => {
      share.value = e.total ? e.loaded / e.total : 0;
      told.textContent = `${Math.round(share.value * 100)} % arrived`;
    };
    request.onload = () => {
      let answer = { error: `the bench refused (${request.status})` };
      try { answer = JSON.parse(request.responseText); } catch { /* said below */ }
      if (request.status === 201) end("", answer);
      else end(answer.error, null);
    };
    request.onerror = () => end("It did not arrive: the connection was cut. Drop it again.", null);
    request.onabort = () => end("Called off; nothing of it was kept.", null);
    request.send(file);
  });
}

/**
 * Make the whole page a place to drop recordings.
 * @param {string} caseId
 * @param {(answers: {id: string, url: string}[], many: boolean) => void} arrived
 */
export function takeDrops(caseId, arrived) {
  const list = document.querySelector("#arriving"), input = document.querySelector("#file");
  async function take(files) {
    const answers = [];
    for (const file of files) {
      const answer = await arrive(file, caseId, list);
      if (answer) answers.push(answer);
    }
    if (answers.length) arrived(answers, files.length > 1);
  }
  input.addEventListener("change", () => { take([...input.files]); input.value = ""; });
  addEventListener("dragover", (e) => { e.preventDefault(); document.body.classList.add("over"); });
  addEventListener("dragleave", (e) => { if (!e.relatedTarget) document.body.classList.remove("over"); });
  addEventListener("drop", (e) => {
    e.preventDefault();
    document.body.classList.remove("over");
    if (e.dataTransfer?.files.length) take([...e.dataTransfer.files]);
  });
}
