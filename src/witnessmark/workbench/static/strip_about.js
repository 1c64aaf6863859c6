// @ts-check
// What the analysis says that the strip draws beside the samples.

import { happenings } from "./strip_signs.js";

/** Everything that does not change while one looks. */
export function aboutOf(analysis) {
  const wheel = analysis.crank_wheel ?? {}, phase = analysis.phase ?? {}, engine = analysis.engine ?? {};
  const { start_s, end_s } = analysis.recording;
  const cylinders = engine.fires_evenly ? engine.cylinders : null;
  return {
    happened: happenings(analysis),
    attempts: analysis.attempts,
    findings: analysis.findings,
    outputs: new Map(analysis.outputs.map((o) => [o.channel, o])),
    crank: wheel.channel ?? null,
    undecoded: wheel.undecoded ?? [],
    still: between(wheel.segments ?? [], wheel.undecoded ?? [], start_s, end_s),
    stillWords: wheel.slots ? "no turning crank decoded" : "no toothed wheel decoded",
    phaseKnown: Boolean(phase.known),
    turnKnown: Boolean(phase.turn_known),
    tdcEvery: phase.turn_known && cylinders > 1 ? 720 / cylinders : 360,
    turnWords: "turn, ° of slot 1",
    cycleWords: phase.known ? "° after TDC of cyl. 1" : "TDC not known",
    wheel,
  };
}

/** Stretches of the recording outside all of these. */
function between(segments, undecoded, start_s, end_s) {
  const taken = [...segments, ...undecoded].sort((a, b) => a.start_s - b.start_s);
  const out = [];
  let at = start_s;
  for (const one of taken) {
    if (one.start_s > at) out.push([at, one.start_s]);
    at = Math.max(at, one.end_s);
  }
  if (end_s > at) out.push([at, end_s]);
  return out;
}

/** Degrees from slot 1 of a slot's tooth; null where the wheel has no such slot. */
export function slotDeg(wheel, slot) {
  if (!slot || !wheel.slots || slot > wheel.slots) return null;
  return wheel.teeth_deg ? wheel.teeth_deg[slot - 1] : ((slot - 1) * 360) / wheel.slots;
}

/** The slot nearest to some degrees from slot 1; ``over`` is 1 where that is slot 1 of the next turn. */
export function slotAt(wheel, deg) {
  let best = { slot: 1, over: 0, off: Math.abs(deg) };
  for (let slot = 1; slot <= (wheel.slots ?? 0); slot += 1) {
    const off = Math.abs(slotDeg(wheel, slot) - deg);
    if (off < best.off) best = { slot, over: 0, off };
  }
  return 360 - deg < best.off ? { slot: 1, over: 1 } : best;
}
