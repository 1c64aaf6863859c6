// @ts-check
// One way to draw with two back ends: a canvas (fast, many marks) and an SVG tree (files, and pictures that stay sharp).
// Everything is made of two things, paths and words, so that both back ends show the same.

export const FONT = '"DejaVu Sans", Verdana, Arial, sans-serif';
const SPACE = "http://www.w3.org/2000/svg";

/** The colours of the page as it is now, light or dark. */
export function inks() {
  const style = getComputedStyle(document.documentElement);
  const names = ["paper", "sheet", "ink", "soft", "line", "pale", "suspect", "reference", "spark", "fuel"];
  return Object.fromEntries(names.map((name) => [name, style.getPropertyValue(`--${name}`).trim() || "#000"]));
}

let ruler = null;
/** Width of a text in px. */
export function widthOf(text, size, weight = "normal") {
  ruler ??= document.createElement("canvas").getContext("2d");
  ruler.font = `${weight} ${size}px ${FONT}`;
  return ruler.measureText(text).width;
}

/** A text broken into lines no wider than `room` px. */
export function wrapped(text, size, room) {
  const lines = [];
  let line = "";
  for (const word of text.split(/\s+/)) {
    const longer = line ? `${line} ${word}` : word;
    if (line && widthOf(longer, size) > room) { lines.push(line); line = word; } else line = longer;
  }
  return line ? [...lines, line] : lines;
}

// Points of each mark about 0, 0; open ones are strokes, closed ones outlines.
const OPEN = {
  cross: [[[-1, -1], [1, 1]], [[-1, 1], [1, -1]]],
  tick: [[[0, -1], [0, 1]]],
};
const CLOSED = {
  square: [[-0.85, -0.85], [0.85, -0.85], [0.85, 0.85], [-0.85, 0.85]],
  diamond: [[0, -1.2], [1.2, 0], [0, 1.2], [-1.2, 0]],
  up: [[0, -1.1], [1.1, 0.9], [-1.1, 0.9]],
  down: [[0, 1.1], [1.1, -0.9], [-1.1, -0.9]],
  right: [[1.1, 0], [-0.9, 1.1], [-0.9, -1.1]],
  left: [[-1.1, 0], [0.9, 1.1], [0.9, -1.1]],
  dot: Array.from({ length: 8 }, (_, i) => [0.6 * Math.cos((i * Math.PI) / 4), 0.6 * Math.sin((i * Math.PI) / 4)]),
};

/**
 * What both back ends can. Style of a path: {stroke, width, dash, fill, alpha}; of words: {size, anchor, colour, weight,
 * turn, box: {fill, stroke}}. Words stand with their middle at y.
 */
export class Sheet {
  line(points, style) { this.path([points], style, false); }
  area(points, style) { this.path([points], style, true); }
  rect(x, y, w, h, style) { this.area([[x, y], [x + w, y], [x + w, y + h], [x, y + h]], style); }
  /** Many marks of one shape as one path. */
  marks(places, shape, r, style) {
    if (!places.length) return;
    const closed = shape in CLOSED;
    const lines = closed ? [CLOSED[shape]] : OPEN[shape];
    this.path(places.flatMap(([x, y]) => lines.map((l) => l.map(([a, b]) => [x + a * r, y + b * r]))), style, closed);
  }
  /** Slanting strokes over a box: what has no colour to be told by. */
  hatch(x, y, w, h, gap, style) {
    const lines = [];
    for (let at = gap / 2; at < w + h; at += gap)
      lines.push([[x + Math.min(at, w), y + Math.max(at - w, 0)], [x + Math.max(at - h, 0), y + Math.min(at, h)]]);
    this.path(lines, style, false);
  }
  words(x, y, text, style) {
    const { size = 12, anchor = "start", weight = "normal", box } = style;
    if (box) {
      const wide = widthOf(text, size, weight);
      const left = anchor === "start" ? x : anchor === "end" ? x - wide : x - wide / 2;
      this.rect(left - 4, y - size * 0.75, wide + 8, size * 1.5, { width: 0.8, ...box });
    }
    this.text(x, y, text, { size, anchor, weight, colour: style.colour, turn: style.turn ?? 0 });
  }
}

export class CanvasSheet extends Sheet {
  /** @param {HTMLCanvasElement} canvas @param {number} width @param {number} height in CSS px */
  constructor(canvas, width, height, scale = globalThis.devicePixelRatio || 1) {
    super();
    canvas.width = Math.round(width * scale);
    canvas.height = Math.round(height * scale);
    this.pen = canvas.getContext("2d");
    this.pen.scale(scale, scale);
    this.pen.clearRect(0, 0, width, height);
  }
  path(lines, style, closed) {
    const pen = this.pen;
    pen.beginPath();
    for (const line of lines) {
      line.forEach(([x, y], i) => (i ? pen.lineTo(x, y) : pen.moveTo(x, y)));
      if (closed) pen.closePath();
    }
    pen.globalAlpha = style.alpha ?? 1;
    pen.setLineDash(style.dash ?? []);
    if (style.fill) { pen.fillStyle = style.fill; pen.fill(); }
    if (style.stroke) { pen.strokeStyle = style.stroke; pen.lineWidth = style.width ?? 1; pen.stroke(); }
    pen.globalAlpha = 1;
  }
  text(x, y, text, { size, anchor, weight, colour, turn }) {
    const pen = this.pen;
    pen.save();
    pen.translate(x, y);
    pen.rotate((turn * Math.PI) / 180);
    pen.font = `${weight} ${size}px ${FONT}`;
    pen.textAlign = anchor === "middle" ? "center" : anchor;
    pen.textBaseline = "middle";
    pen.fillStyle = colour;
    pen.fillText(text, 0, 0);
    pen.restore();
  }
}

export class SvgSheet extends Sheet {
  /** Draws into a new <svg>, in `this.element`. */
  constructor(width, height) {
    super();
    this.element = document.createElementNS(SPACE, "svg");
    this.set(this.element, { viewBox: `0 0 ${width} ${height}`, width, height, "font-family": FONT });
  }
  set(element, values) {
    for (const [name, value] of Object.entries(values)) element.setAttribute(name, String(value));
    return element;
  }
  add(name, values) {
    return this.element.appendChild(this.set(document.createElementNS(SPACE, name), values));
  }
  path(lines, style, closed) {
    const n = (v) => Math.round(v * 100) / 100;
    const d = lines.map((l) => l.map(([x, y], i) => `${i ? "L" : "M"}${n(x)} ${n(y)}`).join("") + (closed ? "Z" : "")).join("");
    const values = { d, fill: style.fill ?? "none" };
    if (style.stroke) Object.assign(values, { stroke: style.stroke, "stroke-width": style.width ?? 1 });
    if (style.dash) values["stroke-dasharray"] = style.dash.join(" ");
    if (style.alpha != null) values.opacity = style.alpha;
    this.add("path", values);
  }
  text(x, y, text, { size, anchor, weight, colour, turn }) {
    const values = { x: Math.round(x * 10) / 10, y: Math.round(y * 10) / 10, "font-size": size, fill: colour };
    if (anchor !== "start") values["text-anchor"] = anchor;
    if (weight !== "normal") values["font-weight"] = weight;
    if (turn) values.transform = `rotate(${turn} ${values.x} ${values.y})`;
    this.add("text", { ...values, "dominant-baseline": "central" }).textContent = text;
  }
}
