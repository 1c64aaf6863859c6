// @ts-check
// One trace in its lane: extremes as an area that holds every sample, few samples as the line through them.

const THIN = 1.3; // px: no trace is thinner
const DOTS = 7; // px between samples from which each is drawn as a dot of its own
let bins = { low: new Float32Array(0), high: new Float32Array(0), xy: new Float32Array(0) };

function room(count) {
  if (bins.low.length < count) {
    bins = { low: new Float32Array(count), high: new Float32Array(count), xy: new Float32Array(8 * count + 16) };
  }
  return bins;
}

/** Own times of a tile that is laid over another recording, on that one's. */
function mapped(warp) {
  if (!warp) return (t) => t;
  const { onto, own } = warp;
  let first = 0, last = own.length - 1;
  while (first < last && Number.isNaN(own[first])) first += 1;
  while (last > first && Number.isNaN(own[last])) last -= 1;
  return (t) => {
    if (last <= first || !(t >= own[first] && t <= own[last])) return NaN;
    let a = first, b = last;
    while (b - a > 1) {
      const middle = (a + b) >> 1;
      if (own[middle] <= t) a = middle;
      else b = middle;
    }
    return onto[a] + ((onto[b] - onto[a]) * (t - own[a])) / (own[b] - own[a] || 1);
  };
}

/**
 * @param {any} pen
 * @param {any} tile the line's tile
 * @param {any} line of a tile
 * @param {{x: number, w: number, from_s: number, to_s: number}} window where the time axis lies
 * @param {{y: number, h: number, low: number, high: number}} lane
 * @param {{ink: string, dash?: number[], width?: number}} look
 */
export function trace(pen, tile, line, window, lane, look) {
  const scale = window.w / (window.to_s - window.from_s);
  const onto = mapped(tile.warp);
  const place = {
    x: (t) => window.x + (onto(t) - window.from_s) * scale,
    y: (v) => lane.y + lane.h - ((v - lane.low) / (lane.high - lane.low)) * lane.h,
    warped: Boolean(tile.warp),
    dense: line.step_s ? line.step_s * scale : 0, // px from one value to the next, as if nothing were warped
  };
  if (line.form === "columns") return area(pen, line, window, place, look, columnsOf(line));
  if (line.form === "changes") return steps(pen, line, window, place, look);
  if (place.dense * pen.dpr < 0.5) return area(pen, line, window, place, look, { low: line.values, high: line.values, step: 0 });
  return strokes(pen, line, window, place, look);
}

const columnsOf = (line) => ({ low: line.low, high: line.high, step: line.step_s });

/** Extremes by columns of the picture: a stepped area without a hole, each column as high as its samples reach. */
function area(pen, line, window, place, look, from) {
  const count = Math.ceil(window.w * pen.dpr);
  const { low, high, xy } = room(count);
  low.fill(Infinity, 0, count);
  high.fill(-Infinity, 0, count);
  const [first, stop] = inWindow(line, from.low.length, window, place);
  for (let k = first; k < stop; k += 1) {
    const a = from.low[k];
    if (Number.isNaN(a)) continue;
    const t = line.start_s + k * line.step_s;
    const x0 = (place.x(t) - window.x) * pen.dpr, x1 = from.step ? (place.x(t + from.step) - window.x) * pen.dpr : x0;
    if (Number.isNaN(x0)) continue;
    const wide = x1 - x0 > 1; // a column wider than one of the picture fills several, a narrower one goes into one
    const c0 = wide ? Math.round(x0) : Math.floor((x0 + x1) / 2), c1 = wide ? Math.max(c0, Math.round(x1) - 1) : c0;
    if (c1 < 0 || c0 >= count) continue;
    const b = from.high[k];
    for (let c = Math.max(c0, 0); c <= Math.min(c1, count - 1); c += 1) {
      if (a < low[c]) low[c] = a;
      if (b > high[c]) high[c] = b;
    }
  }
  for (let c = 0; c < count; ) {
    if (low[c] === Infinity) { c += 1; continue; }
    let end = c;
    while (end < count && low[end] !== Infinity) end += 1;
    outline(pen, low, high, c, end, xy, window, place, look);
    c = end;
  }
}

/** Values before and behind the window need not be looked at. */
function inWindow(line, count, window, place) {
  if (place.warped) return [0, count];
  const first = Math.floor((window.from_s - line.start_s) / line.step_s) - 1;
  const stop = Math.ceil((window.to_s - line.start_s) / line.step_s) + 2;
  return [Math.min(Math.max(first, 0), count), Math.min(Math.max(stop, 0), count)];
}

function outline(pen, low, high, first, end, xy, window, place, look) {
  let n = 0;
  let [before, above] = [low[first], high[first]];
  const top = (c) => {
    const [a, b] = [Math.min(low[c], above), Math.max(high[c], before)]; // joined to the column before
    [before, above] = [low[c], high[c]];
    return [place.y(b), place.y(a)];
  };
  const bottoms = new Float32Array(end - first);
  for (let c = first; c < end; c += 1) {
    let [y0, y1] = top(c);
    if (y1 - y0 < (look.width ?? THIN)) {
      const middle = (y0 + y1) / 2;
      y0 = middle - (look.width ?? THIN) / 2;
      y1 = y0 + (look.width ?? THIN);
    }
    bottoms[c - first] = y1;
    xy[n++] = window.x + c / pen.dpr; xy[n++] = y0;
    xy[n++] = window.x + (c + 1) / pen.dpr; xy[n++] = y0;
  }
  for (let c = end - 1; c >= first; c -= 1) {
    xy[n++] = window.x + (c + 1) / pen.dpr; xy[n++] = bottoms[c - first];
    xy[n++] = window.x + c / pen.dpr; xy[n++] = bottoms[c - first];
  }
  if (!look.dash) return pen.path(xy, n, { fill: look.ink });
  pen.path(xy, n, { fill: look.ink, alpha: 0.18 });
  pen.path(xy, n / 2, { stroke: look.ink, width: 1, dash: look.dash });
  pen.path(xy.slice(n / 2, n), n / 2, { stroke: look.ink, width: 1, dash: look.dash });
}

/** The line through samples; dots where they stand apart. */
function strokes(pen, line, window, place, look) {
  const [first, stop] = inWindow(line, line.values.length, window, place);
  const xy = [];
  const stroke = () => {
    if (xy.length === 2) xy.push(xy[0] + 1, xy[1]);
    pen.path(xy, xy.length, { stroke: look.ink, width: look.width ?? 1.4, dash: look.dash });
    xy.length = 0;
  };
  const dots = place.dense >= DOTS && !look.dash;
  for (let k = first; k < stop; k += 1) {
    const v = line.values[k], x = place.x(line.start_s + k * line.step_s);
    if (Number.isNaN(v) || Number.isNaN(x)) { stroke(); continue; }
    xy.push(x, place.y(v));
    if (dots) pen.rect(x - 1.5, place.y(v) - 1.5, 3, 3, { fill: look.ink });
  }
  stroke();
}

/** Levels that hold from one change to the next. */
function steps(pen, line, window, place, look) {
  const count = line.times.length;
  if (!count) return;
  const xy = [];
  const stroke = () => { pen.path(xy, xy.length, { stroke: look.ink, width: look.width ?? 1.4, dash: look.dash }); xy.length = 0; };
  for (let k = 0; k < count; k += 1) {
    const x = place.x(line.times[k]), y = place.y(line.values[k]);
    const end = place.x(k + 1 < count ? line.times[k + 1] : Math.min(line.end_s, window.to_s + 1e9));
    if (Number.isNaN(x)) { stroke(); continue; }
    const gap = line.gaps.some(([from, to]) => line.times[k] >= from - 1e-12 && line.times[k] < to);
    if (gap) { stroke(); continue; }
    xy.push(x, y, Number.isNaN(end) ? x : Math.min(end, window.x + window.w + 5), y);
  }
  stroke();
}
