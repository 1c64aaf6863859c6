// @ts-check
// Sends the code; the answer brings the cookie.
import { ask } from "./ask.js";

const form = /** @type {HTMLFormElement} */ (document.querySelector("#pair"));
form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const said = document.querySelector("#said");
  const told = new FormData(form);
  said.textContent = "";
  said.classList.remove("wrong");
  try {
    location.href = (await ask("POST", "/pair", { code: told.get("code"), name: told.get("name") })).url;
  } catch (error) {
    said.textContent = error.message;
    said.classList.add("wrong");
  }
});
