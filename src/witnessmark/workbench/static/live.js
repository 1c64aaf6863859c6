// One WebSocket a page: state by topic, with revisions. Reconnects by itself and takes up what was missed.
export class Live extends EventTarget {
  constructor() {
    super();
    this.topics = new Map(); // topic -> {values, revisions, revision}
    this.waiting = [];
    this.connect();
  }
  connect() {
    this.socket = new WebSocket(`${location.protocol === "https:" ? "wss" : "ws"}://${location.host}/live`);
    this.socket.onopen = () => {
      this.wait = 250;
      if (this.topics.size) this.send({ kind: "join", topics: [...this.topics.keys()] });
      for (const message of this.waiting.splice(0)) this.send(message);
      this.dispatchEvent(new Event("open"));
    };
    this.socket.onclose = () => {
      this.dispatchEvent(new Event("lost"));
      setTimeout(() => this.connect(), (this.wait = Math.min((this.wait ?? 250) * 2, 4000)));
    };
    this.socket.onmessage = (event) => this.hear(JSON.parse(event.data));
  }
  send(message) {
    if (this.socket.readyState === WebSocket.OPEN) this.socket.send(JSON.stringify(message));
    else this.waiting.push(message);
  }
  join(topic) {
    if (this.topics.has(topic)) return;
    this.topics.set(topic, { values: {}, revisions: {}, revision: 0 });
    if (this.socket.readyState === WebSocket.OPEN) this.send({ kind: "join", topics: [topic] });
  }
  // exact: refused where somebody else was quicker; else the last to move wins.
  set(topic, key, value, exact = false) {
    const kept = this.topics.get(topic);
    kept.values[key] = value;
    this.send({ kind: "set", topic, key, value, base: exact ? (kept.revisions[key] ?? 0) : null });
  }
  hear(message) {
    if (message.kind === "state") {
      const kept = this.topics.get(message.topic);
      if (!kept) return;
      Object.assign(kept.values, message.values);
      Object.assign(kept.revisions, message.revisions);
      kept.revision = message.revision;
    } else if (message.kind === "refused") {
      const kept = this.topics.get(message.topic);
      if (kept) { kept.values[message.key] = message.value; kept.revisions[message.key] = message.revision; }
    }
    this.dispatchEvent(new CustomEvent(message.kind, { detail: message }));
  }
}
