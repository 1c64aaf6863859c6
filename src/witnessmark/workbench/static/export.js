// @ts-check
// Pictures as files: SVG and PNG of any view, with its name, the sentence that says what it shows, and whether the
// recording is simulated. Files are made on this machine; nothing is sent anywhere.
import { CanvasSheet, Sheet, SvgSheet, inks, wrapped } from "./sheet.js";
import { make } from "./pictures.js";

const PNG_SCALE = 2;
const EDGE = 16;

function save(blob, name) {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(blob);
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10_000);
}

/** A name that every file system takes. */
export function fileName(name, suffix) {
  return `${name.replace(/[^\p{L}\p{N}._-]+/gu, "-").replace(/^-+|-+$/g, "") || "picture"}.${suffix}`;
}

/**
 * Save an <svg> (or its text) as a file.
 * @param {SVGSVGElement | string} svg @param {string} name without suffix
 */
export function svgFile(svg, name) {
  const text = typeof svg === "string" ? svg : new XMLSerializer().serializeToString(svg);
  save(new Blob(['<?xml version="1.0" encoding="UTF-8"?>\n', text], { type: "image/svg+xml" }), fileName(name, "svg"));
}

/**
 * Save a canvas, or an <svg> drawn onto one, as a PNG file.
 * @param {HTMLCanvasElement | SVGSVGElement} picture @param {string} name without suffix
 */
export async function pngFile(picture, name) {
  const canvas = picture instanceof HTMLCanvasElement ? picture : await painted(picture);
  const blob = await new Promise((done) => canvas.toBlob(done, "image/png"));
  if (blob) save(blob, fileName(name, "png"));
}

async function painted(svg) {
  const text = new XMLSerializer().serializeToString(svg);
  const address = URL.createObjectURL(new Blob([text], { type: "image/svg+xml" }));
  try {
    const image = new Image();
    image.src = address;
    await image.decode();
    const canvas = document.createElement("canvas");
    const box = svg.viewBox.baseVal;
    const [width, height] = box && box.width ? [box.width, box.height] : [image.width, image.height];
    Object.assign(canvas, { width: width * PNG_SCALE, height: height * PNG_SCALE });
    canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
    return canvas;
  } finally {
    URL.revokeObjectURL(address);
  }
}

// The picture with a heading above and its sentence below, so that the file stands by itself.
class Framed extends Sheet {
  constructor(sheet, top) { super(); this.sheet = sheet; this.top = top; }
  path(lines, style, closed) {
    this.sheet.path(lines.map((line) => line.map(([x, y]) => [x + EDGE, y + this.top])), style, closed);
  }
  text(x, y, text, style) { this.sheet.text(x + EDGE, y + this.top, text, style); }
}

/**
 * A view drawn whole for a file.
 * @param {{title: string, caption: string, simulated: boolean, recording: string, width: number, height: number,
 *   draw: (sheet: any, colours: Record<string, string>) => void}} view
 * @param {(width: number, height: number) => any} sheetOf
 */
export function framed(view, sheetOf) {
  const colours = inks();
  const wide = view.width + 2 * EDGE;
  const head = [view.title, `${view.recording}${view.simulated ? " – simulated" : ""}`];
  const foot = wrapped(view.caption, 12, view.width);
  const top = EDGE + 46;
  const high = top + view.height + 16 + foot.length * 17 + EDGE;
  const sheet = sheetOf(wide, high);
  sheet.rect(0, 0, wide, high, { fill: colours.paper });
  sheet.words(EDGE, EDGE + 8, head[0], { size: 16, weight: "bold", colour: colours.ink });
  sheet.words(EDGE, EDGE + 29, head[1], { size: 12, colour: view.simulated ? colours.suspect : colours.soft });
  view.draw(new Framed(sheet, top), colours);
  foot.forEach((line, i) =>
    sheet.words(EDGE, top + view.height + 16 + i * 17, line, { size: 12, colour: colours.ink }));
  return sheet;
}

/**
 * Two buttons that save what `view()` tells, as it is now.
 * @param {HTMLElement} element where the buttons go
 * @param {string} name of the files, without suffix
 * @param {() => any} view see framed()
 */
export function exportable(element, name, view) {
  const svg = make("button", { type: "button", text: "Save as SVG" });
  const png = make("button", { type: "button", text: "Save as PNG" });
  svg.addEventListener("click", () => svgFile(framed(view(), (w, h) => new SvgSheet(w, h)).element, name));
  png.addEventListener("click", () => {
    const canvas = document.createElement("canvas");
    framed(view(), (w, h) => new CanvasSheet(canvas, w, h, PNG_SCALE));
    pngFile(canvas, name);
  });
  const row = make("div", { class: "save-row", role: "group", "aria-label": "Keep this picture" }, svg, png);
  element.append(row);
  return row;
}
