// @ts-check
// The window of the strip: which seconds are shown. Every move keeps it inside the recording.

const FEWEST = 6; // samples of the quickest line that a window holds at least

export class View {
  /** @param {{start_s: number, end_s: number}} whole @param {number} rate_hz of the quickest line */
  constructor(whole, rate_hz) {
    this.whole = whole;
    this.least = Math.min(FEWEST / (rate_hz || 1e6), (whole.end_s - whole.start_s) / 2);
    this.from_s = whole.start_s;
    this.to_s = whole.end_s;
  }
  get span() { return this.to_s - this.from_s; }
  get all() { return this.span >= (this.whole.end_s - this.whole.start_s) * 0.999999; }
  set(from_s, to_s) {
    if (!Number.isFinite(from_s) || !Number.isFinite(to_s)) return;
    const total = this.whole.end_s - this.whole.start_s;
    const span = Math.min(Math.max(to_s - from_s, this.least), total);
    const middle = (from_s + to_s) / 2;
    const from = Math.min(Math.max(middle - span / 2, this.whole.start_s), this.whole.end_s - span);
    this.from_s = from;
    this.to_s = from + span;
  }
  /** Make the window ``factor`` as long; ``t`` stays where it stands. */
  zoom(factor, t = (this.from_s + this.to_s) / 2) {
    const total = this.whole.end_s - this.whole.start_s;
    const span = Math.min(Math.max(this.span * factor, this.least), total);
    const share = (t - this.from_s) / this.span;
    this.set(t - share * span, t + (1 - share) * span);
  }
  /** Move by seconds. */
  pan(by) { this.set(this.from_s + by, this.to_s + by); }
  centre(t) { this.pan(t - (this.from_s + this.to_s) / 2); }
}
