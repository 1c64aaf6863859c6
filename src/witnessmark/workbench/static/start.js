import { proof } from "./ask.js";
import { Live } from "./live.js";
const live = new Live();
const progress = document.querySelector("#progress");
function take(file) {
  const request = new XMLHttpRequest();
  request.open("PUT", `/api/recordings?name=${encodeURIComponent(file.name)}`);
  for (const [name, value] of Object.entries(proof())) request.setRequestHeader(name, value);
  request.upload.onprogress = (e) => { progress.textContent = `${file.name}: ${Math.round((100 * e.loaded) / e.total)} % arrived`; };
  request.onload = () => {
    const answer = JSON.parse(request.responseText);
    if (request.status === 201) location.href = answer.url;
    else progress.textContent = answer.error;
  };
  request.send(file);
}
document.querySelector("#file").addEventListener("change", (e) => take(e.target.files[0]));
addEventListener("dragover", (e) => e.preventDefault());
addEventListener("drop", (e) => { e.preventDefault(); if (e.dataTransfer.files.length) take(e.dataTransfer.files[0]); });
