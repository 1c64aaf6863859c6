// @ts-check
// What is shown, as a file: PNG from the canvas pen at twice the points, SVG from the other pen.

import { CanvasPen, SvgPen } from "./strip_pen.js";
import { draw } from "./strip_draw.js";

const POINTS = 2; // of the file for one of the page
const CAPTION = 44; // px under the picture for the sentence that says what it shows

function keep(blob, name) {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(blob);
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10_000);
}

/** A name a file may have anywhere. */
const tame = (name) => name.replace(/[^\p{L}\p{N}._-]+/gu, "_").slice(0, 80) || "strip";

function drawn(pen, model, caption) {
  draw(pen, { ...model, height: model.height + CAPTION });
  caption.forEach((words, k) => pen.text(words, 8, model.height + 16 + 18 * k, { fill: model.ink.ink, size: 12 }));
}

/** @param {any} model as it is drawn @param {string[]} caption lines under the picture @param {string} name of the recording */
export function svgText(model, caption) {
  const ruler = new CanvasPen(/** @type {any} */ (document.createElement("canvas").getContext("2d")), 1);
  const pen = new SvgPen(ruler);
  drawn(pen, model, caption);
  return pen.svg(model.width, model.height + CAPTION, caption.join(" "));
}

export function saveSvg(model, caption, name) {
  keep(new Blob([svgText(model, caption)], { type: "image/svg+xml" }), `${tame(name)}-strip.svg`);
}

export function savePng(model, caption, name) {
  const canvas = document.createElement("canvas");
  canvas.width = model.width * POINTS;
  canvas.height = (model.height + CAPTION) * POINTS;
  const context = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
  context.scale(POINTS, POINTS);
  drawn(new CanvasPen(context, POINTS), model, caption);
  canvas.toBlob((blob) => { if (blob) keep(blob, `${tame(name)}-strip.png`); }, "image/png");
}
