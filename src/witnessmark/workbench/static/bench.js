// What all views of a recording share: the analysis, what is picked, the window of the strip, the measuring marks.
// Set a key and every view, and every other page that looks on, gets it.
export class Bench extends EventTarget {
  constructor(id, live, views, analysis) {
    super();
    Object.assign(this, { id, live, views, analysis, topic: `recording:${id}` });
    live.join(this.topic);
    live.addEventListener("state", ({ detail }) => {
      if (detail.topic !== this.topic) return;
      for (const key of Object.keys(detail.values)) this.tell(key, true);
    });
  }
  get(key) { return this.live.topics.get(this.topic).values[key] ?? null; }
  set(key, value) { this.live.set(this.topic, key, value); this.tell(key); }
  // {slot, turn, finding, cylinder, cause}: what is picked, each or null
  get picked() { return this.get("picked") ?? {}; }
  pick(what) { this.set("picked", { ...what }); }
  // {start_s, end_s} of the strip
  get window() { return this.get("window") ?? { start_s: this.views.start_s, end_s: this.views.end_s }; }
  look(start_s, end_s) { this.set("window", { start_s, end_s }); }
  // theirs: whether another page set it, or an earlier one before this page came
  tell(key, theirs = false) { this.dispatchEvent(new CustomEvent(key, { detail: { theirs } })); }
  on(key, then) { this.addEventListener(key, then); }
}
export const url = (id, what) => `/api/recordings/${id}/${what}`;
export async function fetched(address) {
  const answer = await fetch(address);
  const data = await answer.json();
  if (!answer.ok) throw new Error(data.error);
  return data;
}
