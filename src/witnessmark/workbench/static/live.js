// @ts-check
// One WebSocket a page: state by topic, with revisions. Reconnects by itself, takes up what was missed, and sends again
// what got no answer. Of each key one change is under way at a time; what is set meanwhile follows with the answer.

const LONGEST_WAIT_MS = 4000;

/**
 * Events: "open", "lost"; "state", "card", "case" as the server sends them; "refused" ({topic, key, value, revision,
 * yours}: another page was quicker, `yours` is what was set here last); "wrong" ({error, topic, key, yours}).
 */
export class Live extends EventTarget {
  constructor() {
    super();
    this.topics = new Map(); // topic -> {values, revisions, revision}
    this.underWay = new Map(); // "topic key" -> {message, later}
    this.cards = new Map(); // id -> stage as last heard
    this.n = 0;
    this.connect();
    const root = document.querySelector("#bench");
    this.join(root instanceof HTMLElement && root.dataset.id ? `recording:${root.dataset.id}` : "start");
  }
  connect() {
    this.socket = new WebSocket(`${location.protocol === "https:" ? "wss" : "ws"}://${location.host}/live`);
    this.socket.onopen = () => {
      this.wait = 250;
      // what got no answer goes first: then what joining brings holds it already
      for (const { message } of this.underWay.values()) this.post(message);
      if (this.topics.size) this.post({ kind: "join", topics: [...this.topics.keys()] });
      this.dispatchEvent(new Event("open"));
    };
    this.socket.onclose = () => {
      this.dispatchEvent(new Event("lost"));
      setTimeout(() => this.connect(), (this.wait = Math.min((this.wait ?? 250) * 2, LONGEST_WAIT_MS)));
    };
    this.socket.onmessage = (event) => this.hear(JSON.parse(event.data));
  }
  post(message) {
    if (this.socket.readyState === WebSocket.OPEN) this.socket.send(JSON.stringify(message));
  }
  /** Send a message as it is; one that sets a key is sent again until it is answered. */
  send(message) {
    if (message.kind === "set") {
      message.n = ++this.n;
      this.underWay.set(`${message.topic} ${message.key}`, { message, later: null });
    }
    this.post(message);
  }
  join(topic) {
    if (this.topics.has(topic)) return;
    this.topics.set(topic, { values: {}, revisions: {}, revision: 0 });
    this.post({ kind: "join", topics: [topic] });
  }
  /** Set a key. exact: refused where somebody else was quicker; else the last to move wins. */
  set(topic, key, value, exact = false) {
    this.topics.get(topic).values[key] = value;
    const going = this.underWay.get(`${topic} ${key}`);
    if (going) going.later = { value, exact };
    else this.go(topic, key, value, exact);
  }
  go(topic, key, value, exact) {
    const base = exact ? (this.topics.get(topic).revisions[key] ?? 0) : null;
    this.send({ kind: "set", topic, key, value, base });
  }
  /** Whether everything that was set here is kept by the server. */
  get settled() { return this.underWay.size === 0; }
  hear(message) {
    if (message.kind === "state") this.hearState(message);
    else if (message.kind === "refused") this.hearRefused(message);
    else if (message.kind === "wrong") this.hearWrong(message);
    else if (message.kind === "card" && !this.isNews(message)) return;
    this.dispatchEvent(new CustomEvent(message.kind, { detail: message }));
  }
  hearState(message) {
    const kept = this.topics.get(message.topic);
    if (!kept) return;
    kept.revision = message.revision;
    Object.assign(kept.revisions, message.revisions);
    for (const [key, value] of Object.entries(message.values)) {
      const ours = this.underWay.get(`${message.topic} ${key}`);
      if (ours && ours.message.base === null) delete message.values[key]; // the last to move wins, and ours comes last
      else kept.values[key] = value;
    }
    for (const key of Object.keys(message.n ? message.revisions : {})) {
      const going = this.underWay.get(`${message.topic} ${key}`);
      if (going?.message.n !== message.n) continue;
      this.underWay.delete(`${message.topic} ${key}`);
      if (going.later) this.go(message.topic, key, going.later.value, going.later.exact);
    }
  }
  hearRefused(message) {
    const going = this.underWay.get(`${message.topic} ${message.key}`);
    if (going?.message.n === message.n) {
      this.underWay.delete(`${message.topic} ${message.key}`);
      if (going.later) message.yours = going.later.value;
    }
    const kept = this.topics.get(message.topic);
    if (kept) { kept.values[message.key] = message.value; kept.revisions[message.key] = message.revision; }
  }
  hearWrong(message) {
    for (const [name, { message: ours, later }] of this.underWay) {
      if (ours.n !== message.n) continue;
      this.underWay.delete(name);
      Object.assign(message, { topic: ours.topic, key: ours.key, yours: later ? later.value : ours.value });
    }
  }
  // A card that comes because we joined is news only where this page was written, or last heard, at another stage.
  isNews({ card, joined }) {
    const place = document.querySelector(`[data-id="${card.id}"]`);
    const written = place instanceof HTMLElement ? place.dataset.stage : undefined;
    const known = this.cards.get(card.id) ?? (written === "fetching" ? "ready" : written);
    this.cards.set(card.id, card.stage);
    return !joined || known !== card.stage;
  }
}
