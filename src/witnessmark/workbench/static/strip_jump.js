// @ts-check
// Steps that go by what the engine did: a turn, a cycle, the next finding, the passage of a picked tooth.

import { fetched, url } from "./bench.js";
import { rangesOf } from "./strip_signs.js";

const AROUND = 1.2; // of a place's length, shown to either side of it
const LEAST_TURNS = 0.25; // a place shorter than this much of a turn is shown with so much around it
const MANY_TURNS = 6; // in the window: a tooth that was picked is then too small to be seen

export class Jumps {
  constructor(strip) {
    this.strip = strip;
    this.place = 0; // which range of the picked finding is looked at
    this.mine = null; // a finding picked here: its place is chosen already
    this.asked = 0; // how often something was picked: answers that come late are let go
  }
  get findings() { return this.strip.bench.analysis.findings.filter((f) => rangesOf(f).length); }

  /** Move the window by crank degrees: what stood in the middle then stands a turn (a cycle) later. */
  async turn(deg) {
    const { view, bench } = this.strip, middle = (view.from_s + view.to_s) / 2;
    await this.strip.try(async () => {
      const said = await fetched(`${url(bench.id, "when")}?t_s=${middle}&step_deg=${deg}`);
      if (said.t_s === null) this.strip.say(`No step of ${Math.abs(deg)}° from here: ${said.reason}.`);
      else { view.centre(said.t_s); this.strip.moved(true); }
    });
  }

  /** The next finding (or the one before), at its first place. */
  finding(way) {
    const all = this.findings;
    if (!all.length) return this.strip.say("Nothing was found that has a place in the recording.");
    const at = all.findIndex((f) => f.id === this.strip.bench.picked.finding);
    const next = all[at < 0 ? (way > 0 ? 0 : all.length - 1) : (at + way + all.length) % all.length];
    return this.go(next, 0);
  }

  /** Pick a finding in all views and look at one of its places. */
  go(finding, place) {
    this.place = place;
    this.mine = finding.id;
    this.strip.bench.pick({ finding: finding.id, slot: finding.slot ?? undefined, cylinder: finding.cylinder ?? undefined });
    this.look(finding, place);
  }

  /** The next place of the picked finding. */
  nextPlace() {
    const picked = this.findings.find((f) => f.id === this.strip.bench.picked.finding);
    if (!picked) return this.finding(1);
    this.place = (this.place + 1) % rangesOf(picked).length;
    return this.look(picked, this.place);
  }

  look(finding, place) {
    const ranges = rangesOf(finding), range = ranges[place];
    const long = Math.max(range.end_s - range.start_s, this.strip.turnSpan() * LEAST_TURNS);
    const middle = (range.start_s + range.end_s) / 2;
    this.strip.view.set(middle - long * (0.5 + AROUND), middle + long * (0.5 + AROUND));
    this.strip.moved(true);
    const which = ranges.length > 1 ? `, place ${place + 1} of ${ranges.length}` : "";
    this.strip.say(`${finding.id}${which}: ${finding.statement}`);
  }

  /** Something was picked, here or elsewhere: bring its samples into the window. */
  async picked(picked) {
    const mine = (this.asked += 1);
    if (picked.finding && picked.finding === this.mine) { this.mine = null; return; }
    this.mine = null;
    const finding = picked.finding && this.findings.find((f) => f.id === picked.finding);
    const turn = picked.turn ?? null, time_s = picked.time_s ?? null;
    if (finding && time_s === null) {
      const at = rangesOf(finding).findIndex((r) => turn !== null && r.turn === turn);
      this.place = Math.max(0, at);
      if (turn === null || at >= 0) { this.look(finding, this.place); return; }
    }
    const deg = this.strip.slotDeg(picked.slot);
    if (deg === null || turn === null) { this.at(time_s); return; }
    await this.strip.try(async () => {
      const said = await fetched(`${url(this.strip.bench.id, "when")}?turning_deg=${turn * 360 + deg}`);
      if (mine === this.asked) this.at(said.t_s ?? time_s);
    });
  }
  /** A moment in the middle of the window, which shows a turn where it showed many. */
  at(t) {
    if (t === null) return;
    const { view } = this.strip, wide = this.strip.turnSpan();
    if (view.span > MANY_TURNS * wide) view.set(t - wide / 2, t + wide / 2);
    this.strip.show(t, true);
  }

  /** Pick the tooth nearest to mark a (or the middle of the window), for every view. */
  async pickTooth() {
    const { bench, view, marks } = this.strip;
    const t = marks.at.a ?? (view.from_s + view.to_s) / 2;
    await this.strip.try(async () => {
      const { angle } = await fetched(`${url(bench.id, "at")}?t_s=${t}`);
      if (angle.turn === null) { this.strip.say(`No tooth can be picked here: ${angle.reason}.`); return; }
      const { slot, over } = this.strip.slotAt(angle.slot_deg);
      bench.pick({ slot, turn: angle.turn + over, time_s: t });
      this.strip.say(`Slot ${slot} is picked in all views.`);
    });
  }
}
