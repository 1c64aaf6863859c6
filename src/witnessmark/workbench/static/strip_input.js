// @ts-check
// Hands on the strip: wheel, drag, pinch, tap and keys. What they do is in the actions they are given.

const STILL = 6; // px a finger or mouse may move and still have tapped
const NOTCH = 1.25; // zoom of one notch of a wheel

/** Key (as event.key) -> name of an action; the buttons show them. */
export const KEYS = {
  ArrowLeft: "back", ArrowRight: "forward", PageUp: "backScreen", PageDown: "onScreen", Home: "start", End: "end",
  "+": "closer", "=": "closer", "-": "wider", 0: "everything", t: "attempt", "[": "turnBack", "]": "turnOn",
  ",": "cycleBack", ".": "cycleOn", n: "nextFinding", p: "previousFinding", m: "nextPlace", a: "markA", b: "markB",
  Delete: "clearMarks", v: "fitHeight", s: "pickTooth",
};

/**
 * @param {HTMLCanvasElement} canvas
 * @param {{view: any, plot: () => {x: number, w: number}, moved: (end: boolean) => void, tap: (t: number, y: number) => void,
 *   act: (name: string) => void}} hands
 */
export function takeHands(canvas, hands) {
  const { view } = hands;
  const time = (x) => view.from_s + ((x - hands.plot().x) / hands.plot().w) * view.span;
  const place = (e) => { const box = canvas.getBoundingClientRect(); return [e.clientX - box.left, e.clientY - box.top]; };
  const inPlot = (x) => x >= hands.plot().x;

  canvas.addEventListener("wheel", (e) => {
    const [x] = place(e);
    if (!inPlot(x)) return; // over the labels the wheel scrolls the page
    e.preventDefault();
    const unit = e.deltaMode === 1 ? 33 : e.deltaMode === 2 ? 400 : 1;
    const across = e.shiftKey ? e.deltaY || e.deltaX : e.deltaX;
    if (Math.abs(across) > Math.abs(e.deltaY) || e.shiftKey) view.pan(((across * unit) / hands.plot().w) * view.span);
    else view.zoom(NOTCH ** Math.max(-4, Math.min(4, (e.deltaY * unit) / 100)), time(x));
    hands.moved(false);
  }, { passive: false });

  /** @type {Map<number, number>} x of each finger that is down */
  const fingers = new Map();
  let began = null, grip = null;
  const hold = () => {
    grip = [...fingers.values()].slice(0, 2).map(time); // the times under the fingers stay under them
  };
  canvas.addEventListener("pointerdown", (e) => {
    const [x, y] = place(e);
    if (e.button > 0 || !inPlot(x)) return;
    canvas.setPointerCapture(e.pointerId);
    fingers.set(e.pointerId, x);
    if (fingers.size === 1) began = { x, y, tapped: true };
    else if (began) began.tapped = false;
    hold();
  });
  canvas.addEventListener("pointermove", (e) => {
    const [x] = place(e);
    if (!fingers.has(e.pointerId)) return;
    fingers.set(e.pointerId, x);
    if (began && Math.abs(x - began.x) > STILL) began.tapped = false;
    if (began?.tapped) return;
    if (!grip) hold();
    const { x: left, w } = hands.plot(), at = [...fingers.values()];
    if (at.length === 1) view.pan(grip[0] - time(at[0]));
    else if (Math.abs(at[1] - at[0]) > 8 && grip.length > 1) {
      const scale = (grip[1] - grip[0]) / (at[1] - at[0]); // seconds a px
      if (scale > 0) { const from = grip[0] - (at[0] - left) * scale; view.set(from, from + w * scale); }
    }
    hands.moved(false);
  });
  const up = (e) => {
    if (!fingers.delete(e.pointerId)) return;
    const [x, y] = place(e);
    if (fingers.size) { hold(); return; }
    if (began?.tapped && e.type === "pointerup") hands.tap(time(x), y);
    else hands.moved(true);
    began = grip = null;
  };
  canvas.addEventListener("pointerup", up);
  canvas.addEventListener("pointercancel", up);

  canvas.addEventListener("keydown", (e) => {
    if (e.ctrlKey || e.metaKey || e.altKey) return;
    const name = KEYS[e.key] ?? (e.key.length === 1 ? KEYS[e.key.toLowerCase()] : undefined);
    if (!name) return;
    e.preventDefault();
    hands.act(name);
  });
}
