// @ts-check
// What is shown, as a file: PNG from the canvas pen at twice the points, SVG from the other pen.

import { pngFile, svgFile } from "./export.js";
import { CanvasPen, SvgPen } from "./strip_pen.js";
import { draw } from "./strip_draw.js";

const POINTS = 2; // of the file for one of the page
const CAPTION = 44; // px under the picture for the sentence that says what it shows

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
  svgFile(svgText(model, caption), `${name} strip`);
}

export function savePng(model, caption, name) {
  const canvas = document.createElement("canvas");
  canvas.width = model.width * POINTS;
  canvas.height = (model.height + CAPTION) * POINTS;
  const context = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
  context.scale(POINTS, POINTS);
  drawn(new CanvasPen(context, POINTS), model, caption);
  pngFile(canvas, `${name} strip`);
}
