// @ts-check
// Numbers to draw, from the server: a tile wider than the window, kept, and asked for anew before it runs out.
// One question is under way at a time; what is no longer wanted is aborted. Until the answer comes the old tile is drawn.

const MOST_COLUMNS = 20000; // as the server has it
const PATIENCE_MS = 120; // a question younger than that is let go on while the window still moves
const AHEAD = 1; // windows to either side that a tile holds
const REFILL = 0.4; // windows left on a side before the next tile is asked for

/** @param {ArrayBuffer} buffer an answer of strip_pack.py */
export function unpacked(buffer) {
  const size = new DataView(buffer).getUint32(0, true);
  const header = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, size)));
  const array = (said) => said && new (said.type === "f8" ? Float64Array : Float32Array)(buffer, 4 + size + said.at, said.count);
  const lines = new Map();
  for (const line of header.lines) {
    const own = { ...line };
    for (const key of ["values", "times", "low", "high"]) if (line[key]) own[key] = array(line[key]);
    lines.set(line.name, own);
  }
  return {
    from_s: header.from_s, to_s: header.to_s, columns: header.columns, lines,
    angle: header.angle && { turning: array(header.angle.turning_deg), cycle: array(header.angle.cycle_deg), unseen: header.angle.unseen },
    passes: header.passes && { times: array(header.passes.times), seen: array(header.passes.seen) },
    warp: header.warp && { onto: array(header.warp.onto_s), own: array(header.warp.own_s), words: header.warp.words },
  };
}

export class Tiles {
  /**
   * @param {string} address of the strip's numbers
   * @param {{start_s: number, end_s: number}} whole the recording
   * @param {() => void} came called when a new tile lies ready
   * @param {(words: string) => void} failed called with one line where the server refuses
   */
  constructor(address, whole, came, failed) {
    Object.assign(this, { address, whole, came, failed });
    this.tile = null; // for the window
    this.broad = null; // of the whole recording: something to draw wherever one goes
    this.pending = null;
  }

  /** Whether the tile at hand is as fine as the picture, all over the window. */
  fresh(want) { return this.#covers(this.tile, want, 0) && this.tile.density >= want.density * 0.999; }

  /**
   * Say what is to be drawn; a question goes out where it must.
   * @param {{from_s: number, to_s: number, px: number, extra: string, names: string[]}} window
   */
  need(window) {
    const want = { ...window, density: window.px / (window.to_s - window.from_s) };
    want.key = JSON.stringify([want.names, want.extra]);
    this.want = want;
    const stale = this.tile && this.tile.key !== want.key;
    if (stale && this.broad && this.broad.key !== want.key) this.broad = null;
    if (!stale && this.fresh(want) && this.#covers(this.tile, want, REFILL)) return;
    const pending = this.pending;
    if (pending) {
      const serves = pending.key === want.key && this.#covers(pending, want, 0);
      if (serves && pending.density >= want.density * 0.999) return;
      if (serves && performance.now() - pending.asked < PATIENCE_MS) return;
      pending.abort.abort();
    }
    this.#ask(want);
  }

  #covers(tile, want, margin) {
    if (!tile || tile.key !== want.key) return false;
    const spare = margin * (want.to_s - want.from_s);
    const from = Math.max(want.from_s - spare, this.whole.start_s), to = Math.min(want.to_s + spare, this.whole.end_s);
    const nothing = 1e-9 * (want.to_s - want.from_s);
    return tile.from_s <= from + nothing && tile.to_s >= to - nothing;
  }

  async #ask(want) {
    const wide = want.to_s - want.from_s;
    let from_s = Math.max(this.whole.start_s, want.from_s - AHEAD * wide);
    let to_s = Math.min(this.whole.end_s, want.to_s + AHEAD * wide);
    if (!(to_s > from_s)) [from_s, to_s] = [want.from_s, want.to_s];
    const columns = Math.max(2, Math.min(MOST_COLUMNS, Math.ceil((to_s - from_s) * want.density)));
    const mine = { from_s, to_s, key: want.key, density: want.density, asked: performance.now(), abort: new AbortController() };
    this.pending = mine;
    const names = want.names.map((name) => `&channels=${encodeURIComponent(name)}`).join("");
    const address = `${this.address}?from=${from_s}&to=${to_s}&columns=${columns}${names}${want.extra}`;
    try {
      const answer = await fetch(address, { signal: mine.abort.signal });
      if (!answer.ok) throw new Error((await answer.json()).error);
      const tile = Object.assign(unpacked(await answer.arrayBuffer()), { key: mine.key, density: mine.density });
      if (this.pending !== mine) return;
      this.pending = null;
      this.tile = tile;
      if (tile.from_s <= this.whole.start_s && tile.to_s >= this.whole.end_s) this.broad = tile;
      this.came();
    } catch (error) {
      if (this.pending !== mine) return; // aborted: another one is under way
      this.pending = null;
      if (error instanceof DOMException && error.name === "AbortError") return;
      this.failed(error instanceof Error ? error.message : String(error));
    }
  }

  /** [tile, from, to] of what is drawn in the window: the best there is for each part of it. */
  parts(from_s, to_s) {
    const { tile, broad } = this;
    if (!tile) return broad ? [[broad, from_s, to_s]] : [];
    if (!broad || broad === tile) return [[tile, from_s, to_s]];
    const a = Math.min(Math.max(tile.from_s, from_s), to_s), b = Math.max(Math.min(tile.to_s, to_s), a);
    return [[broad, from_s, a], [tile, a, b], [broad, b, to_s]].filter(([, from, to]) => to > from);
  }
}

/** Degrees at a time, between the borders they are known at; NaN where they are not. */
export function degreesAt(tile, key, t_s) {
  if (!tile?.angle) return NaN;
  const at = ((t_s - tile.from_s) / (tile.to_s - tile.from_s)) * tile.columns;
  const k = Math.min(Math.max(Math.floor(at), 0), tile.columns - 1);
  const [a, b] = [tile.angle[key][k], tile.angle[key][k + 1]];
  const turn = b < a ? (b + 720 - a > 360 ? 360 : 720) : 0; // a cycle begins between them
  return a + (b + turn - a) * (at - k);
}
