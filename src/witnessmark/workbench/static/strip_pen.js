// @ts-check
// Two pens with the same strokes: one draws on a canvas, the other writes SVG. What is drawn is drawn once, for both.

const FACE = '"DejaVu Sans", Verdana, Arial, sans-serif';
const HATCH = 7; // px between the strokes of a hatching

/** The colours of the ground that is chosen, by name. */
export function inks() {
  const style = getComputedStyle(document.documentElement);
  const names = ["paper", "sheet", "ink", "soft", "line", "pale", "suspect", "reference", "spark", "fuel"];
  return Object.fromEntries(names.map((name) => [name, style.getPropertyValue(`--${name}`).trim() || "#000"]));
}

const font = (o) => `${o.bold ? "bold " : ""}${o.size ?? 13}px ${FACE}`;

/** Corners of the shapes that stand for something, about 0,0 and one unit large. */
const SHAPES = {
  triangle: [[0, -1], [1, 0.8], [-1, 0.8]],
  drop: [[0, 1], [1, -0.8], [-1, -0.8]],
  diamond: [[0, -1.1], [1.1, 0], [0, 1.1], [-1.1, 0]],
  square: [[-0.9, -0.9], [0.9, -0.9], [0.9, 0.9], [-0.9, 0.9]],
  flag: [[-0.7, -1], [1.1, -0.35], [-0.4, 0.3], [-0.4, 1.1], [-0.7, 1.1]],
  star: [[0, -1.3], [0.35, -0.35], [1.3, 0], [0.35, 0.35], [0, 1.3], [-0.35, 0.35], [-1.3, 0], [-0.35, -0.35]],
  arrow: [[-0.9, -1], [1.1, 0], [-0.9, 1]],
};

export class CanvasPen {
  /** @param {CanvasRenderingContext2D} context already scaled to CSS pixels @param {number} dpr */
  constructor(context, dpr) {
    this.c = context;
    this.dpr = dpr;
  }
  clipped(x, y, w, h, then) {
    this.c.save();
    this.c.beginPath();
    this.c.rect(x, y, w, h);
    this.c.clip();
    then();
    this.c.restore();
  }
  rect(x, y, w, h, o) {
    this.c.globalAlpha = o.alpha ?? 1;
    this.c.fillStyle = o.fill;
    this.c.fillRect(x, y, w, h);
    this.c.globalAlpha = 1;
  }
  /** Straight strokes through points, or a filled shape. @param {number[] | Float32Array} xy x, y, x, y, ... */
  path(xy, count, o) {
    if (count < 2) return;
    const c = this.c;
    c.beginPath();
    c.moveTo(xy[0], xy[1]);
    for (let k = 2; k < count; k += 2) c.lineTo(xy[k], xy[k + 1]);
    if (o.fill) {
      c.globalAlpha = o.alpha ?? 1;
      c.fillStyle = o.fill;
      c.fill();
      c.globalAlpha = 1;
      return;
    }
    c.strokeStyle = o.stroke;
    c.lineWidth = o.width ?? 1;
    c.lineJoin = "bevel";
    c.setLineDash(o.dash ?? []);
    c.stroke();
    c.setLineDash([]);
  }
  text(words, x, y, o) {
    const c = this.c;
    c.font = font(o);
    c.textAlign = o.align ?? "left";
    c.textBaseline = "alphabetic";
    c.fillStyle = o.fill;
    c.fillText(words, x, y);
  }
  measure(words, o) {
    this.c.font = font(o);
    return this.c.measureText(words).width;
  }
}

export class SvgPen {
  /** @param {CanvasPen} ruler measures words */
  constructor(ruler) {
    this.ruler = ruler;
    this.dpr = 1;
    /** @type {string[]} */
    this.parts = [];
    this.clips = 0;
  }
  clipped(x, y, w, h, then) {
    const id = `part${(this.clips += 1)}`;
    this.parts.push(`<clipPath id="${id}"><rect x="${r(x)}" y="${r(y)}" width="${r(w)}" height="${r(h)}"/></clipPath>`);
    this.parts.push(`<g clip-path="url(#${id})">`);
    then();
    this.parts.push("</g>");
  }
  rect(x, y, w, h, o) {
    const alpha = o.alpha === undefined ? "" : ` fill-opacity="${o.alpha}"`;
    this.parts.push(`<rect x="${r(x)}" y="${r(y)}" width="${r(w)}" height="${r(h)}" fill="${o.fill}"${alpha}/>`);
  }
  path(xy, count, o) {
    if (count < 2) return;
    const points = [];
    for (let k = 0; k < count; k += 2) points.push(`${r(xy[k])},${r(xy[k + 1])}`);
    const look = o.fill
      ? `fill="${o.fill}"${o.alpha === undefined ? "" : ` fill-opacity="${o.alpha}"`}`
      : `fill="none" stroke="${o.stroke}" stroke-width="${o.width ?? 1}"${o.dash ? ` stroke-dasharray="${o.dash}"` : ""}`;
    this.parts.push(`<path d="M${points.join("L")}${o.fill ? "Z" : ""}" ${look}/>`);
  }
  text(words, x, y, o) {
    const anchor = { left: "start", center: "middle", right: "end" }[o.align ?? "left"];
    const bold = o.bold ? ' font-weight="bold"' : "";
    const where = `x="${r(x)}" y="${r(y)}" text-anchor="${anchor}" font-size="${o.size ?? 13}"`;
    this.parts.push(`<text ${where}${bold} fill="${o.fill}">${escaped(words)}</text>`);
  }
  measure(words, o) { return this.ruler.measure(words, o); }
  /** The whole drawing. */
  svg(width, height, title) {
    const size = `width="${width}" height="${height}" viewBox="0 0 ${width} ${height}"`;
    const face = FACE.replaceAll('"', "'");
    return `<svg xmlns="http://www.w3.org/2000/svg" ${size} font-family="${face}" role="img">`
      + `<title>${escaped(title)}</title>${this.parts.join("\n")}</svg>\n`;
  }
}

const r = (x) => Math.round(x * 100) / 100;
const escaped = (words) =>
  String(words).replace(/[&<>"]/g, (c) => ({ "&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;" })[c])
    // eslint-disable-next-line no-control-regex
    .replace(/[\x00-\x08\x0b\x0c\x0e-\x1f]/g, " ");

export function line(pen, x0, y0, x1, y1, o) { pen.path([x0, y0, x1, y1], 4, o); }

/** One of SHAPES at a place; hollow where not filled. */
export function shape(pen, name, x, y, size, colour, hollow = false) {
  const xy = SHAPES[name].flatMap(([a, b]) => [x + a * size, y + b * size]);
  if (hollow) pen.path([...xy, xy[0], xy[1]], xy.length + 2, { stroke: colour, width: 1.5 });
  else pen.path(xy, xy.length, { fill: colour });
}

/** Slanting strokes: something is not known here. */
export function hatched(pen, x, y, w, h, colour) {
  if (w <= 0) return;
  pen.clipped(x, y, w, h, () => {
    const first = Math.floor((x - h) / HATCH) * HATCH;
    for (let at = first; at < x + w; at += HATCH) line(pen, at, y + h, at + h, y, { stroke: colour, width: 1 });
  });
}

/** Words cut to a width, with dots where something is missing. */
export function fitted(pen, words, width, o) {
  if (pen.measure(words, o) <= width) return words;
  let n = words.length;
  while (n > 1 && pen.measure(`${words.slice(0, n)}…`, o) > width) n -= 1;
  return `${words.slice(0, n)}…`;
}
