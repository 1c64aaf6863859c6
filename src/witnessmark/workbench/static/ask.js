// @ts-check
// Every request that changes something goes through here: it carries what shows that it comes from a page of this bench.

/** Headers that a request which changes something needs; for those who cannot use ask() (XMLHttpRequest with progress). */
export function proof() {
  const token = document.querySelector('meta[name="token"]');
  return { "X-Witnessmark": "1", "X-Token": token instanceof HTMLMetaElement ? token.content : "" };
}

/**
 * Ask the bench.
 * @param {string} method GET, PUT, POST, DELETE
 * @param {string} url
 * @param {Blob | ArrayBuffer | string | object | null} [body] a Blob, buffer or text goes as it is, anything else as JSON
 * @param {Record<string, string>} [headers]
 * @returns {Promise<any>} the JSON answer; throws Error with the server's one line where it refuses
 */
export async function ask(method, url, body = null, headers = {}) {
  const raw = body === null || typeof body === "string" || body instanceof Blob || body instanceof ArrayBuffer;
  const all = { ...(raw ? {} : { "Content-Type": "application/json" }), ...proof(), ...headers };
  let answer;
  try {
    answer = await fetch(url, { method, headers: all, body: raw ? body : JSON.stringify(body), cache: "no-store" });
  } catch {
    throw new Error("the bench does not answer; is it still running, and this device still on its network?");
  }
  let said = null;
  try { said = await answer.json(); } catch { /* an answer without words */ }
  if (!answer.ok) throw new Error(said?.error ?? `the bench refused (${answer.status})`);
  return said;
}
