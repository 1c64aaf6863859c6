// @ts-check
// The wheel drawn to angle: slot 1 under the sensor at the top, normal rotation clockwise, so that later slots lie
// anticlockwise of slot 1, as one sees them when looking at the wheel with the sensor above.
import { degrees, modulo } from "./pictures.js";

export const SIZE = 520; // px of the square it is drawn in
const MIDDLE = SIZE / 2, RADIUS = 186;
const ROOT = 0.85, NUMBERS = 0.75, AT_SENSOR_DEG = 1, MOST_SPOTS = 3;

/** Place of an angle after slot 1 at a share of the wheel's radius. */
export function placeOf(angle, share) {
  const turned = ((90 + angle) * Math.PI) / 180;
  return [MIDDLE + RADIUS * share * Math.cos(turned), MIDDLE + 14 - RADIUS * share * Math.sin(turned)];
}

/** The angle after slot 1 of a point of the drawing, and how far out it lies. */
export function angleAt(x, y) {
  const dx = x - MIDDLE, dy = MIDDLE + 14 - y;
  return { angle: modulo((Math.atan2(dy, dx) * 180) / Math.PI - 90, 360), share: Math.hypot(dx, dy) / RADIUS };
}

const arc = (from, to, share) => {
  const steps = Math.max(Math.ceil(Math.abs(to - from) / 2), 2);
  return Array.from({ length: steps + 1 }, (_, i) => placeOf(from + ((to - from) * i) / steps, share));
};
const apart = (a, b) => Math.abs(modulo(a - b + 180, 360) - 180);

/** @param {any} sheet @param {Record<string, string>} colours @param {any} wheel the view @param {number | null} picked slot */
export function draw(sheet, colours, wheel, picked) {
  const spots = wheel.spots.filter((s) => s.instead_of == null).slice(0, MOST_SPOTS);
  const suspects = wheel.teeth.filter((t) => t.suspect);
  rim(sheet, colours, wheel, suspects);
  numbers(sheet, colours, wheel, suspects, picked);
  sensor(sheet, colours);
  rotation(sheet, colours);
  for (const tooth of wheel.teeth) if (tooth.said.length && !tooth.suspect) hinted(sheet, colours, tooth);
  suspects.forEach((tooth, i) => {
    const crowd = suspects.slice(0, i).filter((t) => apart(t.angle_deg, tooth.angle_deg) < 18).length;
    suspect(sheet, colours, tooth, Math.max(0.62 - 0.34 * crowd, 0.2));
  });
  spots.forEach((spot, rank) => guide(sheet, colours, spot, rank));
  const chosen = wheel.teeth.find((t) => t.slot === picked);
  deadCentre(sheet, colours, wheel, suspects, chosen);
  if (chosen) pickedTooth(sheet, colours, chosen, suspects);
}

function rim(sheet, colours, wheel, suspects) {
  const standing = wheel.teeth.filter((t) => t.expected && !suspects.includes(t)).sort((a, b) => a.angle_deg - b.angle_deg);
  const points = [];
  let at = standing.length ? standing.at(-1).angle_deg - 360 + standing.at(-1).width_deg / 2 : 0;
  for (const tooth of standing) {
    const half = tooth.width_deg / 2;
    points.push(...arc(at, tooth.angle_deg - half, ROOT), ...arc(tooth.angle_deg - half, tooth.angle_deg + half, 1));
    at = tooth.angle_deg + half;
  }
  if (!standing.length) points.push(...arc(0, 360, ROOT));
  sheet.area(points, { fill: colours.pale, stroke: colours.ink, width: 1.3 });
  sheet.area(arc(0, 360, 0.16), { fill: colours.sheet, stroke: colours.ink, width: 1 });
}

function numbers(sheet, colours, wheel, suspects, picked) {
  const n = wheel.slots, step = n <= 12 ? 1 : n <= 24 ? 2 : n <= 40 ? 5 : 10;
  const near = [...suspects.map((t) => t.slot), ...(picked ? [picked] : [])];
  for (const tooth of wheel.teeth) {
    if (!tooth.expected || (tooth.slot !== 1 && tooth.slot % step)) continue;
    if (near.some((s) => Math.abs(s - tooth.slot) <= Math.max(1, n / 30))) continue;
    sheet.words(...placeOf(tooth.angle_deg, NUMBERS), `${tooth.slot}`, { size: 12, anchor: "middle", colour: colours.soft });
  }
  let run = [];
  const gap = () => {
    if (!run.length) return;
    const middle = run.reduce((sum, s) => sum + ((s - 1) * 360) / n, 0) / run.length;
    sheet.words(...placeOf(middle, 0.94), "gap", { size: 11, anchor: "middle", colour: colours.soft, turn: upright(middle) });
    run = [];
  };
  wheel.missing.forEach((slot, i) => { if (i && slot !== wheel.missing[i - 1] + 1) gap(); run.push(slot); });
  gap();
}

function upright(angle) {
  const turn = modulo(angle + 180, 360) - 180;
  return -(turn >= -90 && turn <= 90 ? turn : turn + 180);
}

function sensor(sheet, colours) {
  const [x, y] = placeOf(0, 1.04);
  sheet.rect(x - 12, y - 44, 24, 42, { fill: colours.sheet, stroke: colours.ink, width: 1.5 });
  sheet.line([[x, y - 2], [x, y + 5]], { stroke: colours.ink, width: 1.5 });
  sheet.words(x + 20, y - 34, "sensor", { size: 13, weight: "bold", colour: colours.ink });
}

function arrow(sheet, points, style) {
  sheet.line(points, style);
  const [[x1, y1], [x2, y2]] = points.slice(-2);
  const long = Math.hypot(x2 - x1, y2 - y1) || 1, ux = (x2 - x1) / long, uy = (y2 - y1) / long;
  sheet.area([[x2 + 9 * ux, y2 + 9 * uy], [x2 - 5 * uy, y2 + 5 * ux], [x2 + 5 * uy, y2 - 5 * ux]], { fill: style.stroke });
}

function rotation(sheet, colours) {
  arrow(sheet, arc(50, -50, 0.25), { stroke: colours.soft, width: 1.4 });
  sheet.words(10, SIZE - 14, "arrow at the hub: normal rotation", { size: 12, colour: colours.soft });
}

function outline(tooth, low, high) {
  const half = tooth.width_deg / 2, a = tooth.angle_deg - half, b = tooth.angle_deg + half;
  return [placeOf(a, low), placeOf(a, high), placeOf(b, high), placeOf(b, low)];
}

function suspect(sheet, colours, tooth, share) {
  const style = { stroke: colours.suspect, width: 1.6 };
  sheet.area(outline(tooth, ROOT, 1), { ...style, fill: colours.sheet, dash: [4, 2.5] });
  const lines = [0.25, 0.5, 0.75].map((s) => {
    const at = tooth.angle_deg + (s - 0.5) * tooth.width_deg * 0.8;
    return [placeOf(at - tooth.width_deg * 0.15, ROOT + 0.01), placeOf(at + tooth.width_deg * 0.15, 0.99)];
  });
  sheet.path(lines, { ...style, width: 1 }, false);
  sheet.line([placeOf(tooth.angle_deg, 0.2), placeOf(tooth.angle_deg, ROOT)], { stroke: colours.suspect, width: 1, dash: [2, 3] });
  const [x, y] = placeOf(tooth.angle_deg, share);
  sheet.words(x, y, `slot ${tooth.slot}`, { size: 14, anchor: "middle", weight: "bold", colour: colours.suspect,
    box: { fill: colours.sheet, stroke: colours.suspect } });
}

/** A tooth that is only hinted at: a dotted frame and the word. */
function hinted(sheet, colours, tooth) {
  sheet.area(outline(tooth, ROOT - 0.03, 1.03), { stroke: colours.suspect, width: 1, dash: [1.5, 2.5] });
  sheet.words(...placeOf(tooth.angle_deg, 0.66), `hint ${tooth.slot}`, { size: 11, anchor: "middle", colour: colours.suspect });
}

/** The arc through which the wheel has to be barred until the tooth stands under the sensor. */
function guide(sheet, colours, spot, rank) {
  if (spot.angle_deg < AT_SENSOR_DEG) return;
  const share = 1.11 + 0.07 * rank;
  arrow(sheet, arc(spot.angle_deg, Math.min(7, spot.angle_deg / 2), share), { stroke: colours.suspect, width: 1.6 });
  sheet.marks([placeOf(spot.angle_deg, share)], "square", 5, { fill: colours.suspect });
  const [x, y] = placeOf(spot.angle_deg * [0.5, 0.75, 0.3][rank], share + 0.12);
  sheet.words(Math.min(Math.max(x, 44), SIZE - 44), y, `bar ${degrees(spot.angle_deg)}`, { size: 13, anchor: "middle", colour: colours.suspect,
    box: { fill: colours.sheet } });
}

function deadCentre(sheet, colours, wheel, suspects, chosen) {
  if (!wheel.tdc) return;
  const angle = wheel.tdc.angle_deg;
  sheet.marks([placeOf(angle, 1.05)], "diamond", 6, { fill: colours.reference });
  const near = (teeth, most) => teeth.some((t) => apart(t.angle_deg, angle) < most);
  const outside = chosen && near([chosen], 24);
  const share = outside ? 1.22 : near(suspects, 40) ? 0.36 : 0.66;
  sheet.words(...placeOf(angle, share), "TDC 1", { size: 12, anchor: "middle", colour: colours.reference,
    box: { fill: outside ? colours.sheet : colours.pale } });
}

function pickedTooth(sheet, colours, tooth, suspects) {
  const share = 1.03, [x, y] = placeOf(tooth.angle_deg, share), [tx, ty] = placeOf(tooth.angle_deg, share + 0.07);
  const long = Math.hypot(tx - x, ty - y), ux = (tx - x) / long, uy = (ty - y) / long;
  sheet.area(outline(tooth, ROOT - 0.02, 1.02), { stroke: colours.ink, width: 2.4 });
  sheet.area([[x, y], [tx - 7 * uy, ty + 7 * ux], [tx + 7 * uy, ty - 7 * ux]], { fill: colours.ink });
  const beside = suspects.some((t) => t !== tooth && apart(t.angle_deg, tooth.angle_deg) < 32);
  const at = suspects.includes(tooth) ? 0.42 : beside ? 0.48 : 0.62;
  sheet.words(...placeOf(tooth.angle_deg, at), `picked: ${tooth.slot}`, { size: 13, anchor: "middle", weight: "bold",
    colour: colours.ink, box: { fill: colours.sheet, stroke: colours.ink } });
}
