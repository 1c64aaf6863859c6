"""One output that stays away, or is weak, while the others of its kind go on: coils and injectors by cylinder."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from witnessmark.engine.cadence import WITNESS_SHARE, Skips, alone, skips_of
from witnessmark.engine.model import Output
from witnessmark.findings.measured import Measured, Outcome, beyond
from witnessmark.findings.model import Finding

WORDS = {"coil": "spark command", "injector": "injection"}


def crank_whole(m: Measured, start_s: float, end_s: float) -> bool | None:
    """Whether the crank signal is whole over a stretch: edges where they are due; None with too few passages."""
    p = m.wheel.passes
    inside = (p.time_s >= start_s) & (p.time_s <= end_s) & p.used
    if inside.sum() < max(m.teeth, 10):
        return None
    return bool((p.edge[inside] < 0).mean() <= m.limits["outputs.inputs_lost"])


def name_of(output: Output) -> str:
    """The cylinder of a line where it is known, else the line's name."""
    return f"cylinder {output.cylinder}" if output.cylinder is not None else output.channel


def skipped(m: Measured) -> Outcome:
    """spark-absent or fuel-absent for single outputs, each against the others of its kind."""
    every = alone(
        [s for role in WORDS for s in skips_of([o for o in m.engine.outputs if o.role == role], m.wheel.angle)]
    )
    out: list[Finding] = []
    for role in WORDS:
        found = [s for s in every if s.output.role == role]
        bad = [s for s in found if _odd(m, s, every)]
        # where most of them stay away by turns nobody is the odd one: a limiter, a cut, a recorder that drops pulses
        if bad and len(bad) <= len(found) // 2:
            out += [_skip_finding(m, s, found, len(bad), _chance(m, s, every)) for s in bad]
    return Outcome(tuple(out))


def chance_of(gone: int, due: int, rate: float) -> float:
    """Binomial probability of ``gone`` or more of ``due`` at this rate (exact sum)."""
    return math.fsum(math.comb(due, k) * rate**k * (1.0 - rate) ** (due - k) for k in range(gone, due + 1))


def _chance(m: Measured, s: Skips, of: Sequence[Skips]) -> float:
    """Chance that a line stays away as often as it does at the rate at which the other lines do, or at a usual one."""
    rest = [x for x in of if x is not s and x.share < WITNESS_SHARE]
    others = sum(len(x.skipped_s) for x in rest) / max(sum(x.due for x in rest), 1)
    return chance_of(len(s.skipped_s), s.due, max(others, m.limits["outputs.skip_usual"]))


def _odd(m: Measured, s: Skips, of: Sequence[Skips]) -> bool:
    """Whether a line stays away more often than chance allows, at least as a hint."""
    gone = len(s.skipped_s)
    few = gone < m.limits["outputs.skips_least"] or gone < m.limits["outputs.skip_share"] * s.due
    return not few and _chance(m, s, of) < m.limits["outputs.skip_hint_p"]


def _skip_finding(m: Measured, s: Skips, of: Sequence[Skips], affected: int, chance: float) -> Finding:
    role, gone = s.output.role, len(s.skipped_s)
    kind = "spark-absent" if role == "coil" else "fuel-absent"
    whole = [crank_whole(m, t - 0.2, t + 0.2) for t in s.skipped_s[:: max(1, gone // 20)]]
    inputs = None if not any(w is not None for w in whole) else all(w is not False for w in whole)
    confidence = beyond(gone / m.limits["outputs.skips_least"], 1.0)
    if len(of) < 3:
        confidence = min(confidence, 0.6)  # two lines: which of them is as it should be rests on one other
    if s.events == 0:
        confidence = min(confidence, 0.85)  # a line never seen to work may be a probe that is not connected
    if inputs is False or chance > m.limits["outputs.skip_stated_p"]:
        confidence = min(confidence, 0.4)
    rpm = m.wheel.angle.rpm(s.skipped_s)
    fast = float(np.nanmedian(rpm)) if np.isfinite(rpm).any() else 0.0
    if fast > m.limits["outputs.limiter_rpm"]:
        confidence = min(confidence, 0.4)
    never = " This line never gives one in the record: look at its probe first." if s.events == 0 else ""
    return Finding(
        "", kind, s.output.channel, "cycle",
        f"The {WORDS[role]} of {name_of(s.output)} stays away {gone} of {s.due} times that it is due while the other "
        f"{'coils' if role == 'coil' else 'injectors'} recorded go on.{never}",
        confidence, m.around(s.skipped_s, rpm, 90.0, s.output.channel), None, s.output.cylinder,
        float(s.skipped_s[0]), float(s.skipped_s[-1]), gone / s.due, "of the commands due",
        evidence={
            "skipped": gone, "due": s.due, "cylinders_affected": affected, "of_recorded": len(of),
            "commands_seen": s.events, "chance": chance, "rpm": fast,
            "inputs_good": None if inputs is None else float(inputs),
        },
    )  # fmt: skip


# --- coil current -----------------------------------------------------------------------------------------------------


def weak_coils(m: Measured) -> Outcome:
    """spark-absent where a coil's current stays low though it is switched on as long as the others."""
    lines = {x.name: x for x in m.signals.by_role("coil")}
    coils = [
        o for o in m.engine.outputs
        if o.role == "coil" and lines[o.channel].info.unit in ("A", "mA") and lines[o.channel].scale_known
        and len(o.peaks) >= m.limits["outputs.skips_least"]
    ]  # fmt: skip
    units = {lines[o.channel].info.unit for o in coils}
    if len(coils) < 2 or len(units) != 1:
        return Outcome()
    peak = {o.channel: float(np.median(o.peaks)) for o in coils}
    on = {o.channel: float(np.median([e.end_s - e.start_s for e in o.events])) for o in coils}
    weak: list[tuple[Output, float, float]] = []
    for o in coils:
        rest = [x.channel for x in coils if x is not o]
        usual = float(np.median([peak[c] for c in rest]))
        as_long = on[o.channel] >= 0.8 * float(np.median([on[c] for c in rest]))
        if usual > 0 and as_long and peak[o.channel] < m.limits["outputs.current_hint"] * usual:
            weak.append((o, peak[o.channel], usual))
    if len(weak) > len(coils) // 2:
        return Outcome()
    unit = units.pop() or "A"
    return Outcome(tuple(_weak_finding(m, *w, unit, len(weak), len(coils)) for w in weak))


def _weak_finding(m: Measured, o: Output, peak: float, usual: float, unit: str, affected: int, of: int) -> Finding:
    ratio = peak / usual
    confidence = beyond(m.limits["outputs.current_low"] / max(ratio, 0.05), 1.5)
    if of < 3:
        confidence = min(confidence, 0.45)
    first, last = o.events[0], o.events[-1]
    return Finding(
        "", "spark-absent", o.channel, "cycle",
        f"The coil of {name_of(o)} is switched on as long as the others and its current climbs to {peak:.1f} {unit} "
        f"only (the others: {usual:.1f} {unit}): too little for a sure spark. Clamps of unlike scale look the same.",
        confidence, tuple(m.stretch(o.channel, e.start_s, e.end_s) for e in o.events[:40]), None, o.cylinder,
        first.start_s, last.end_s, ratio, "of the other coils' current",
        evidence={
            "current_rel": ratio, "current": peak, "current_others": usual, "dwells": len(o.events),
            "cylinders_affected": affected, "of_recorded": of,
        },
    )  # fmt: skip
