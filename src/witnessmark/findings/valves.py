"""Valve timing by the pressure in a cylinder against the setup's: cams out of time without a cam line.

The exhaust's opening and the intake's closing are landmarks against the piston itself, so a wheel that has moved has no
part in them. Two things look like a late intake and are none: a cylinder that lost charge, and a phaser that is not
parked.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from witnessmark.engine.model import EngineResult
from witnessmark.engine.pressure_model import CylinderPressure, ValveEvent
from witnessmark.findings import asked
from witnessmark.findings.limits import Limits
from witnessmark.findings.measured import Family, Measured, Outcome, beyond
from witnessmark.findings.model import Finding, NotAssessed
from witnessmark.recording.setup import Setup

# Sprockets of camshaft drives: teeth on the crank (common practice: 18 to 24).
SPROCKETS = range(16, 26)
HINT = 0.45
# Two camshafts of one drive are off alike within these degrees, or this share of what they are off.
ALIKE_DEG, ALIKE_SHARE = 7.0, 0.35
# A charge shut in before bottom dead centre shows at the mirror of that place: from here on it is "or earlier".
MIRROR_DEG = -163.0


@dataclass(frozen=True, slots=True)
class Landmark:
    """One valve event: whose, where it is seen after firing TDC, how late against the setup, its standard deviation."""

    shaft: str
    seen_deg: float
    late_deg: float
    sd_deg: float


@dataclass(frozen=True, slots=True)
class Timing:
    """Valve events of one cylinder against the setup. why_not: why they are not judged ("" where they are)."""

    pressure: CylinderPressure
    exhaust: Landmark | None
    intake: Landmark | None
    tolerance_deg: float
    why_not: str = ""
    needs: str = ""

    @property
    def told(self) -> tuple[Landmark, ...]:
        """The events that are compared."""
        return tuple(x for x in (self.exhaust, self.intake) if x is not None)

    def ratio(self, mark: Landmark, sure: float) -> float:
        """How late it is over what it has to be."""
        return abs(mark.late_deg) / max(self.tolerance_deg, sure * mark.sd_deg)


def timing_of(p: CylinderPressure, engine: EngineResult, setup: Setup, limits: Limits) -> Timing:
    """One line's valve events beside the setup's timing."""
    e = setup.engine
    tolerance = e.valve_tolerance_deg or limits["valves.tolerance_deg"]
    blank = Timing(p, None, None, tolerance)
    if e.exhaust_opens_deg is None and e.intake_closes_deg is None:
        return Timing(
            p, None, None, tolerance, "not judged, the drawn timing is not told",
            "exhaust_opens_deg and intake_closes_deg in the setup, from the maker's figures or learnt from a good "
            "engine of the kind (witnessmark learn)",
        )  # fmt: skip
    why = _not_fit(p, engine, setup, limits)
    if why:
        return Timing(p, None, None, tolerance, why, asked.compressions(setup))

    def mark(shaft: str, event: ValveEvent | None, said: float | None) -> Landmark | None:
        if event is None or said is None or event.cycles < limits["valves.cycles"]:
            return None
        sd = float(np.sqrt(event.sd_deg**2 + (p.tdc_sd_deg or 0.0) ** 2 + limits["valves.landmark_deg"] ** 2))
        return Landmark(shaft, event.deg, float((event.deg - said + 360.0) % 720.0 - 360.0), sd)

    out = Timing(
        p, mark("exhaust", p.exhaust_opens, e.exhaust_opens_deg),
        mark("intake", p.intake_closes, e.intake_closes_deg), tolerance,
    )  # fmt: skip
    if out.told:
        return out
    return Timing(
        p, None, None, blank.tolerance_deg, "neither event that the setup names stands out of the pressure in enough "
        "cycles", asked.compressions(setup),
    )  # fmt: skip


def _not_fit(p: CylinderPressure, engine: EngineResult, setup: Setup, limits: Limits) -> str:
    """Why a record does not show the drawn timing; "" where it does."""
    if p.tdc_deg is None:
        return p.why_not or "no compression without firing"
    if (p.rpm or 0.0) < limits["record.running_rpm"]:
        return ""
    fixed = bool(setup.cam_wheel) and all(c.phaser_range_deg == 0.0 for c in setup.cam_wheel)
    return "" if fixed else "only running, where a phaser may have moved the valves"


def judged(engine: EngineResult, setup: Setup, limits: Limits) -> tuple[Timing, ...]:
    """Every cylinder whose valve events are compared with the setup's."""
    every = (timing_of(p, engine, setup, limits) for p in engine.pressures)
    return tuple(t for t in every if t.told)


def shaft_late(
    engine: EngineResult, setup: Setup, limits: Limits, bank: int | None, shaft: str | None
) -> Landmark | None:
    """The event of a cam line's shaft, by a cylinder of its bank; None where it is not compared."""
    for t in judged(engine, setup, limits):
        mine = None if t.pressure.cylinder is None else setup.engine.bank_of(t.pressure.cylinder)
        if mine is not None and bank is not None and mine != bank:
            continue
        mark = {"intake": t.intake, "exhaust": t.exhaust}.get(shaft or "")
        if mark is not None:
            return mark
    return None


def in_teeth(offset_deg: float) -> str:
    """What an offset would be in teeth of a sprocket, where it is close to a whole number of one."""
    fits = []
    for z in SPROCKETS:
        teeth = round(abs(offset_deg) * z / 360.0)
        if teeth and abs(abs(offset_deg) - teeth * 360.0 / z) < 1.0:
            fits.append(f"{teeth} of a {z}-tooth sprocket")
    return f"; close to the teeth {' or '.join(fits[:3])}" if fits else ""


# --- the finding ------------------------------------------------------------------------------------------------------


def find(m: Measured, earlier: Outcome) -> Outcome:
    """cam-offset by valve events; a number alone where the timing is not told."""
    out = Outcome()
    for p in m.engine.pressures:
        out += _one(m, timing_of(p, m.engine, m.setup, m.limits), earlier)
    return out


def _name(p: CylinderPressure) -> str:
    return f"cylinder {p.cylinder}" if p.cylinder is not None else f"the cylinder of {p.channel}"


def _seen(m: Measured, p: CylinderPressure) -> str:
    """The landmarks as they stand, in words; "" where none is seen."""
    rows = (("the exhaust opens", p.exhaust_opens), ("the intake closes", p.intake_closes))
    sure = (p.tdc_sd_deg or 0.0) ** 2 + m.limits["valves.landmark_deg"] ** 2
    return " and ".join(
        f"{what} {_place(e.deg)} (± {2 * np.sqrt(sure + e.sd_deg**2):.0f})" for what, e in rows if e is not None
    )


def _place(deg: float) -> str:
    """An angle after firing TDC as the trade says it: against bottom dead centre."""
    after = deg - 180.0 if deg > 0.0 else deg + 180.0
    return f"{abs(after):.0f} degrees {'after' if after >= 0.0 else 'before'} bottom dead centre"


def _one(m: Measured, t: Timing, earlier: Outcome) -> Outcome:
    p = t.pressure
    question = f"Do the valves of {_name(p)} work in time, by its pressure?"
    if t.why_not:
        seen = _seen(m, p)
        if not seen and m.setup.engine.exhaust_opens_deg is None and m.setup.engine.intake_closes_deg is None:
            return Outcome()
        return Outcome(not_assessed=(NotAssessed(question, f"{seen}; {t.why_not}" if seen else t.why_not, t.needs),))
    sure = m.limits["valves.sure"]
    far = max(t.ratio(x, sure) for x in t.told)
    if beyond(far) <= 0.05:
        most = max(abs(x.late_deg) for x in t.told)
        alone = "" if len(t.told) == 2 else f"; only the {t.told[0].shaft}'s event is compared"
        return Outcome(bounds=(
            f"The valves of {_name(p)} work within {most:.0f} degrees of the setup's timing by its pressure "
            f"({_seen(m, p)}; {t.tolerance_deg:.0f} degrees are allowed{alone}).",
        ))  # fmt: skip
    if len(t.told) == 2 and far >= 1.0 and not _alike(t.told) and all(t.ratio(x, sure) >= 0.8 for x in t.told):
        return Outcome(not_assessed=(NotAssessed(
            question,
            f"{_seen(m, p)}, {_offs(t.told)}: by unlike amounts, which no drive does; the engine's dimensions, the "
            "drawn timing or the transducer's passage are in doubt",
            "stroke, rod, compression ratio and drawn timing checked, or a sound cylinder recorded beside it",
        ),))  # fmt: skip
    return Outcome((_off(m, t, far, earlier),))


def _alike(marks: Sequence[Landmark]) -> bool:
    late = [x.late_deg for x in marks]
    before = next((x for x in marks if x.shaft == "intake" and x.seen_deg < MIRROR_DEG and x.late_deg < 0.0), None)
    if before is not None and min(late) < before.late_deg:
        return True  # the intake may have closed as much earlier as the exhaust opened
    return float(np.ptp(late)) < max(ALIKE_DEG, ALIKE_SHARE * abs(float(np.mean(late))))


def _offs(marks: Sequence[Landmark]) -> str:
    return " and ".join(
        f"the {x.shaft} {abs(x.late_deg):.0f} degrees (± {2 * x.sd_deg:.0f}) {'late' if x.late_deg > 0 else 'early'}"
        for x in marks
    )


def _off(m: Measured, t: Timing, far: float, earlier: Outcome) -> Finding:
    p = t.pressure
    both = len(t.told) == 2 and _alike(t.told) and min(abs(x.late_deg) for x in t.told) > 0.5 * t.tolerance_deg
    worst = max(t.told, key=lambda x: abs(x.late_deg))
    late = float(np.mean([x.late_deg for x in t.told])) if both else worst.late_deg
    confidence = beyond(abs(late) / max(t.tolerance_deg, m.limits["valves.sure"] * worst.sd_deg) if both else far)
    doubt = "" if both else _doubt(m, t, worst, earlier)
    if doubt:
        confidence = min(confidence, HINT)
    shaft = "both camshafts stand" if both else f"the {worst.shaft} camshaft stands"
    other = next((x for x in t.told if x is not worst), None)
    beside = f", the other not ({_offs([other])})" if other is not None and not both else ""
    return Finding(
        "", "cam-offset", p.channel, "cam",
        f"By the pressure in {_name(p)}, {_seen(m, p)}, {_offs(t.told if both else [worst])} of the setup's timing: "
        f"{shaft} {abs(late):.0f} degrees {'late' if late > 0 else 'early'} against the piston{beside}"
        f"{in_teeth(late)} ({t.tolerance_deg:.0f} degrees are allowed){doubt}.",
        confidence, tuple(m.stretch(p.channel, c.peak_s - 0.15, c.peak_s + 0.15) for c in p.each[:20]), None,
        cylinder=p.cylinder, value=late, unit="deg",
        evidence={
            "by_pressure": 1, "both_shafts": int(both), "offset_deg": late, "standard_error_deg": worst.sd_deg,
            "exhaust_late_deg": None if t.exhaust is None else t.exhaust.late_deg,
            "intake_late_deg": None if t.intake is None else t.intake.late_deg,
            "one_in_place": int(other is not None and not both), "compressions": p.used,
            "tolerance_deg": t.tolerance_deg,
        },
    )  # fmt: skip


def _doubt(m: Measured, t: Timing, worst: Landmark, earlier: Outcome) -> str:
    """Why one event alone is a hint: what else moves it; "" where that is ruled out."""
    p = t.pressure
    if any(f.kind == "compression-uneven" and f.confidence > 0.2 and f.channel == p.channel for f in earlier.found):
        return "; the cylinder leaks, which moves such an event too"
    if worst is not t.intake or worst.late_deg < 0.0:
        return ""
    if any(c.offset_deg is not None and abs(c.offset_deg - worst.late_deg) < ALIKE_DEG for c in m.engine.cams):
        return ""
    rel = next((r.compression_rel for r in m.engine.cylinder_results if r.cylinder == p.cylinder), None)
    if p.cylinder is not None and rel is not None and rel > m.limits["valves.full_charge"]:
        return ""
    return "; a cylinder that has lost charge looks the same, and nothing in the record rules that out"


FAMILY = Family(
    "valves",
    ("cam-offset",),
    ("cylinder pressure", "the setup's valve timing", "relative compression"),
    ("valves.tolerance_deg", "valves.landmark_deg", "valves.sure", "valves.cycles", "valves.full_charge"),
    "polytropic law and slider-crank (Heywood ch. 2 and 9): the exhaust opens where expansion leaves its law",
    find,
)  # fmt: skip
