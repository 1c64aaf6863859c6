"""Outputs that stop together while the crank turns on, and fuel that is cut from an engine that has just started."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine.cadence import Silence, silences
from witnessmark.engine.model import Attempt
from witnessmark.findings.measured import Measured, Outcome, beyond
from witnessmark.findings.model import Finding, NotAssessed
from witnessmark.findings.skipped import crank_whole

Array = NDArray[np.float64]


def lowest_v(m: Measured, start_s: float, end_s: float) -> float | None:
    """Lowest battery voltage over a stretch; None without a battery line whose scale is known."""
    return None if m.engine.supply is None else m.engine.supply.lowest(start_s, end_s)


def together(m: Measured) -> Outcome:
    """spark-absent over stretches in which sparks and injections both stop, the crank signal whole, and come back."""
    roles = {o.role for o in m.engine.outputs if len(o.events) >= m.limits["outputs.skips_least"]}
    if roles != {"coil", "injector"}:
        return Outcome()
    lines = len({o.channel for o in m.engine.outputs})
    found = []
    for s in silences(m.engine.outputs, m.wheel.angle, _least_deg(m)):
        in_use = m.limits["outputs.silent_rpm"] <= s.rpm <= m.limits["outputs.limiter_rpm"]
        if in_use and crank_whole(m, s.start_s - 0.1, s.end_s) is True and _both_before(m, s):
            found.append(s)
    said = Outcome((_silent_finding(m, found, lines),)) if found else Outcome()
    return said + _ended(m)


def _ended(m: Measured) -> Outcome:
    """Not assessed: outputs that end together on an engine that then dies: a key turned off does that too."""
    if not m.wheel.angle.segments:
        return Outcome()
    last = max(e.end_s for o in m.engine.outputs for e in o.events)
    seg = m.wheel.angle.segments[-1]
    rpm = float(m.wheel.angle.rpm(last, 180.0)[0])
    turned = float(m.wheel.angle.at(seg.end_s)[0] - m.wheel.angle.at(last)[0])
    died = m.recording.end_s - seg.end_s > 0.2
    if not (np.isfinite(rpm) and rpm > m.limits["sparks.cranking_rpm"] and turned > 360.0 and died):
        return Outcome()
    if crank_whole(m, last - 0.1, last + 0.1) is not True:
        return Outcome()
    return Outcome(not_assessed=(NotAssessed(
        "Why did the engine stop?",
        f"sparks and injections end together at {last:.2f} s at {rpm:.0f} rpm with the crank signal whole: a key "
        "turned off, the control unit without supply, or one that fell silent look the same",
        "the control unit's own supply and the switched ignition supply in the same record",
    ),))  # fmt: skip


def _least_deg(m: Measured) -> float:
    """How far the crank turns at most between two commands of an engine in order, by the lines recorded, and more."""
    cycle = 360.0 if m.setup.engine.strokes == 2 else 720.0
    per_role = [len([o for o in m.engine.outputs if o.role == role and o.events]) or 1 for role in ("coil", "injector")]
    return max(m.limits["outputs.silent_deg"], 1.5 * cycle / max(per_role))


def _both_before(m: Measured, s: Silence) -> bool:
    """Whether sparks and injections came in the two cycles before (nothing was withheld already)."""
    reach = 1440.0 / 6.0 / max(s.rpm, 1.0) * 1.5
    told = {
        o.role for o in m.engine.outputs
        if any(s.start_s - reach <= e.start_s <= s.start_s + 1e-6 for e in o.events)
    }  # fmt: skip
    return told == {"coil", "injector"}


def _silent_finding(m: Measured, found: list[Silence], lines: int) -> Finding:
    volts = [v for s in found if (v := lowest_v(m, s.start_s, s.end_s)) is not None]
    low = min(volts) if volts else None
    turned = sum(s.turned_deg for s in found) / 360.0
    confidence = beyond(len(found) / 2.0 * min(2.0, turned / 2.0), 1.0)
    if lines < 3 or len(found) < 2:
        confidence = min(confidence, 0.55 if lines >= 4 else 0.4)
    ok = low is not None and low >= m.limits["battery.cranking_v"]
    words = "no battery voltage was recorded" if low is None else f"the battery gives {low:.1f} V or more meanwhile"
    channel = next(o.channel for o in m.engine.outputs if o.role == "coil")
    times = ", ".join(f"{s.start_s:.2f} s" for s in found[:5])
    return Finding(
        "", "spark-absent", channel, "time",
        f"All sparks and injections recorded stop together {len(found)} time{'s' if len(found) > 1 else ''} "
        f"(at {times}) while the crank turns on with its signal whole, and come back after "
        f"{turned / len(found):.1f} turns; {words}.",
        confidence, tuple(m.stretch(channel, s.start_s, s.end_s) for s in found[:40]), None, None,
        found[0].start_s, found[-1].end_s, float(len(found)), "stops",
        evidence={
            "silences": len(found), "turns_silent": turned, "battery_min_v": low, "of_recorded": lines,
            "cylinders_affected": lines, "inputs_good": 1.0, "supply_good": None if low is None else float(ok),
            "rpm": float(np.median([s.rpm for s in found])),
        },
    )  # fmt: skip


# --- fuel cut after a start -------------------------------------------------------------------------------------------


def cut_after_start(m: Measured) -> Outcome:
    """fuel-absent where injections end for good soon after a start while sparks go on, and the engine dies of it.

    An over-run cut comes above idle and ends before the engine dies; a key turned off takes the sparks with it.
    """
    fuel = _times(m, "injector")
    sparks = _times(m, "coil")
    if len(fuel) < m.limits["outputs.skips_least"] or len(sparks) == 0:
        return Outcome()
    found = []
    for a in m.engine.attempts:
        cut = _cut(m, a, fuel, sparks)
        if cut is not None:
            found.append((a, *cut))
    return Outcome((_cut_finding(m, found),)) if found else Outcome()


def _times(m: Measured, role: str) -> Array:
    return np.sort(
        [e.end_s if role == "coil" else e.start_s for o in m.engine.outputs if o.role == role for e in o.events]
    )


def _cut(m: Measured, a: Attempt, fuel: Array, sparks: Array) -> tuple[float, int, float] | None:
    """(last injection, sparks after it, seconds from synchronisation to it) of an attempt whose fuel is cut."""
    known = a.sync_s if a.sync_s is not None else a.first_spark_s
    mine = fuel[(fuel >= a.start_s) & (fuel <= a.end_s)]
    if known is None or not a.started or a.turning_at_end or len(mine) < m.limits["outputs.skips_least"]:
        return None
    last = float(mine[-1])
    rpm = float(m.wheel.angle.rpm(last, 180.0)[0])
    if not np.isfinite(rpm) or rpm > m.limits["outputs.overrun_rpm"] or last <= known:
        return None
    # sparks of the charges already fuelled belong to the injections before: one cycle
    after = sparks[(sparks > last) & (sparks <= a.end_s)]
    turned = m.wheel.angle.at(after) - m.wheel.angle.at(last)[0] if len(after) else np.empty(0)
    beyond_cycle = int(np.sum(turned > m.limits["outputs.cut_deg"]))
    if beyond_cycle < m.limits["outputs.cut_sparks"] or crank_whole(m, last - 0.1, float(after[-1])) is False:
        return None
    return last, beyond_cycle, last - known


def _cut_finding(m: Measured, found: list[tuple[Attempt, float, int, float]]) -> Finding:
    a, last, after, ran = min(found, key=lambda x: x[3])
    name = m.signals.by_role("injector")[0].name
    soon = ran <= m.limits["outputs.cut_soon_s"]
    confidence = beyond(after / m.limits["outputs.cut_sparks"] * (1.0 + 0.5 * (len(found) - 1)), 0.7) if soon else 0.4
    return Finding(
        "", "fuel-absent", name, "time",
        f"The engine starts, then the injections end {ran:.1f} s after the first good spark while {after} more sparks "
        "come a turn and more later, and the engine dies.",
        confidence, tuple(m.stretch(name, x[1], x[0].end_s) for x in found[:40]), None, None,
        last, a.end_s, ran, "s",
        evidence={
            "cut_after_s": ran, "sparks_after": after, "attempts_cut": len(found),
            "of_attempts": len(m.engine.attempts), "battery_min_v": lowest_v(m, last, a.end_s), "inputs_good": 1.0,
        },
    )  # fmt: skip
