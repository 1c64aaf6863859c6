"""Sparks at the wrong angle: all of them against top dead centre, one cylinder's against the others'."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine.facts import facts_from
from witnessmark.engine.model import Output
from witnessmark.findings.measured import Measured, Outcome, beyond
from witnessmark.findings.model import Finding, NotAssessed
from witnessmark.findings.skipped import crank_whole, name_of

Array = NDArray[np.float64]

_ASK = NotAssessed(
    "Do the sparks come at the right angle?", "top dead centre is known from the sparks alone or not at all",
    "the wheel's slot at cylinder 1's top dead centre and the firing order in the setup, or cylinder 1's pressure",
)  # fmt: skip


def misplaced(m: Measured) -> Outcome:
    """spark-misplaced over all coils recorded with a known cylinder."""
    coils = [o for o in m.engine.outputs if o.role == "coil" and o.events]
    if not coils or m.setup.engine.ignition in ("distributor", "compression"):
        return Outcome()
    phase = m.engine.phase
    late = _late(m, coils)
    if not late:
        return Outcome(not_assessed=(_ASK,)) if phase.tdc_source in ("", "coil") else Outcome()
    alone = _one_of_them(m, late)
    if phase.tdc_source in ("", "coil"):
        return Outcome(alone, (_ASK,))
    return Outcome(alone or _all(m, late))


def _late(m: Measured, coils: list[Output]) -> dict[str, tuple[Output, Array, Array]]:
    """channel -> (line, degrees after its own firing TDC, rpm) of each spark, where angle and cylinder are known."""
    facts = facts_from(m.setup)
    cycle = facts.cycle_deg
    if facts.ignition == "wasted-spark" or not m.engine.phase.turn_known:
        cycle = 360.0
    if not m.engine.phase.known:
        return {}
    out = {}
    for o in coils:
        firing = facts.firing_deg.get(o.cylinder or 0)
        rows = [(e.end_deg, e.end_s) for e in o.events if e.end_deg is not None]
        if firing is None or not rows:
            continue
        deg = np.asarray([r[0] for r in rows], dtype=np.float64)
        late = np.mod(deg - firing + 0.5 * cycle, cycle) - 0.5 * cycle
        out[o.channel] = (o, late, m.wheel.angle.rpm(np.asarray([r[1] for r in rows])))
    return out


def _one_of_them(m: Measured, late: dict[str, tuple[Output, Array, Array]]) -> tuple[Finding, ...]:
    """One cylinder's sparks away from where all others have theirs; three coils and the firing order are needed."""
    late = {c: x for c, x in late.items() if len(x[1]) >= m.limits["outputs.skips_least"]}
    if len(late) < 3 or m.setup.engine.firing_order is None:
        return ()
    middle = {c: float(np.median(x)) for c, (_, x, _) in late.items()}
    limit = m.limits["sparks.apart_deg"]
    usual = float(np.median(list(middle.values())))
    away = [c for c, x in middle.items() if abs(x - usual) > 0.8 * limit]
    if len(away) != 1:
        return ()
    o, deg, _ = late[away[0]]
    off = middle[away[0]] - usual
    confidence = beyond(abs(off) / limit, 1.5)
    if float(np.std(deg)) > 0.5 * abs(off):
        confidence = min(confidence, 0.45)
    return (_finding(m, o, off, confidence, [o], {"apart_deg": off, "cylinders_affected": 1, "of_recorded": len(late)},
                     f"The sparks of {name_of(o)} come {abs(off):.0f} degrees {'later' if off > 0 else 'earlier'} than "
                     "those of the other cylinders."),)  # fmt: skip


def _all(m: Measured, late: dict[str, tuple[Output, Array, Array]]) -> tuple[Finding, ...]:
    """All sparks before or after the window in which a control unit in order puts them."""
    deg = np.concatenate([x for _, x, _ in late.values()])
    rpm = np.concatenate([r for _, _, r in late.values()])
    doubt = m.engine.phase.tdc_doubt_deg or 0.0
    best: tuple[float, float, float, str, Array] | None = None
    for name in ("cranking", "running"):
        slow = rpm < m.limits["sparks.cranking_rpm"]
        here = deg[slow] if name == "cranking" else deg[~slow & (rpm < m.limits["sparks.running_rpm"])]
        if len(here) < m.limits["sparks.least"]:
            continue
        middle = float(np.median(here))
        over = max(m.limits[f"sparks.{name}_earliest_deg"] - middle, middle - m.limits[f"sparks.{name}_latest_deg"])
        over -= doubt
        if over > 0 and (best is None or over > best[0]):
            best = (over, middle, float(np.std(here)), name, here)
    if best is None:
        return ()
    over, middle, spread, name, here = best
    confidence = beyond(1.0 + over / m.limits["sparks.sure_deg"], 1.0)
    if spread > 20.0:
        confidence = min(confidence, 0.45)
    outputs = [o for o, _, _ in late.values()]
    word = "after" if middle > 0 else "before"
    usual = "5 to 10 degrees before it" if name == "cranking" else "some 5 to 40 degrees before it"
    text = (
        f"While {name} the sparks come {abs(middle):.0f} degrees {word} top dead centre in the middle of {len(here)} "
        f"(usual: {usual})."
    )
    values: dict[str, object] = {
        "late_deg": middle, "spread_deg": spread, "sparks": len(here), "tdc_doubt_deg": doubt,
        "tdc_from_setup": float(m.engine.phase.tdc_source == "setup"), "cylinders_affected": len(late),
        "of_recorded": len(late),
    }  # fmt: skip
    return (_finding(m, outputs[0], middle, confidence, outputs, values, text),)


def _whole_before(m: Measured, time_s: float) -> bool | None:
    """Whether the crank signal was whole over the turn before: 0.3 s while running, up to 0.9 s while cranking."""
    looks = (crank_whole(m, time_s - span, time_s) for span in (0.3, 0.6, 0.9))
    return next((x for x in looks if x is not None), None)


def _finding(
    m: Measured, o: Output, value: float, confidence: float, outputs: list[Output], values: dict[str, object], text: str
) -> Finding:
    first = min(x.events[0].start_s for x in outputs)
    last = max(x.events[-1].end_s for x in outputs)
    events = [(x.channel, e) for x in outputs for e in x.events[:10]][:40]
    told = [w for _, e in events if (w := _whole_before(m, e.end_s)) is not None]
    whole = float(np.mean(told)) >= 0.8 if told else None
    return Finding(
        "", "spark-misplaced", o.channel, "none", text, confidence,
        tuple(m.stretch(c, e.start_s, e.end_s) for c, e in events), None, o.cylinder if len(outputs) == 1 else None,
        first, last, value, "deg",
        evidence=values | {"inputs_good": None if whole is None else float(whole)},
    )  # fmt: skip
