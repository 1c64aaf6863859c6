"""Cylinders that take less work in compression, or give less while running, than the others."""

from __future__ import annotations

import numpy as np

from witnessmark.engine.model import CylinderResult
from witnessmark.findings import asked
from witnessmark.findings.measured import Family, Measured, Outcome, beyond
from witnessmark.findings.model import Finding, NotAssessed
from witnessmark.findings.statistics import clopper_pearson

COMPRESSION = "Do the cylinders compress alike?"
CONTRIBUTION = "Do the cylinders pull alike?"


def find(m: Measured, earlier: Outcome) -> Outcome:
    """compression-uneven and contribution-uneven, or what is missing to judge them."""
    if not m.engine.attempts and m.wheel.layout is None:
        return Outcome()
    return _compression(m) + _contribution(m)


def _sure(short: float, sd: float, m: Measured) -> float:
    """1 where the shortfall is as sure as it has to be, less below."""
    return min(1.0, short / max(sd, 1e-9) / m.limits["cylinders.sure"])


def _compression(m: Measured) -> Outcome:
    told = [r for r in m.engine.cylinder_results if r.compression_rel is not None and r.compression_sd is not None]
    if m.engine.cylinders == 1:
        return Outcome()  # one cylinder has no other to be compared with
    if not told:
        return Outcome(not_assessed=(NotAssessed(
            COMPRESSION, m.engine.why_no_compression or "no steady cranking in the record", asked.cranking(m.setup),
        ),))  # fmt: skip
    worst = min(told, key=lambda r: r.compression_rel or 0.0)
    rel, sd = worst.compression_rel or 0.0, worst.compression_sd or 0.0
    short, limit = 1.0 - rel, m.limits["cylinders.compression_short"]
    sure = _sure(short, sd, m)
    confidence = beyond(short / limit) if sure >= 1.0 else min(0.45, beyond(short / limit)) * sure
    vague = worst.cycles <= m.limits["cylinders.few_cycles"] or sd > m.limits["cylinders.vague_sd"]
    if worst.cylinder is None and vague:
        confidence = min(confidence, 0.45)  # neither whose it is nor how much: not enough to accuse an engine
    if confidence <= 0.05:
        bound = max(limit, m.limits["cylinders.sure"] * max(r.compression_sd or 0.0 for r in told))
        if bound >= 1.0:  # a cylinder that takes nothing at all could not be told
            return Outcome(not_assessed=(NotAssessed(
                COMPRESSION, "what the cylinders take differs too much from cycle to cycle to be compared",
                asked.cranking(m.setup),
            ),))  # fmt: skip
        return Outcome(bounds=(
            f"No cylinder takes more than {100 * bound:.0f} % less compression work than the others "
            f"({worst.cycles} cycles of cranking compared).",
        ))  # fmt: skip
    finding = Finding(
        "", "compression-uneven", m.channel, "cycle",
        f"{_who(worst, told)} takes {100 * short:.0f} % less work in compression than the median of the others "
        f"(± {200 * sd:.0f} %, {worst.cycles} cycles of cranking, from {', '.join(s for s, _, _ in worst.sources)}).",
        confidence, tuple(m.stretch(m.channel, *_cranking(m, i)) for i in range(len(m.engine.attempts[:8]))), None,
        cylinder=worst.cylinder, value=rel, unit="of the others",
        evidence={
            "compression_rel": rel, "compression_sd": sd, "cycles": worst.cycles,
            "expansion_rel": worst.back_rel, "next_lowest_rel": sorted(r.compression_rel or 0.0 for r in told)[1],
            **{f"{name.replace(' ', '_')}_rel": value for name, value, _ in worst.sources},
        },
    )  # fmt: skip
    return Outcome((finding,))


def _cranking(m: Measured, i: int) -> tuple[float, float]:
    a = m.engine.attempts[i]
    return a.start_s, a.cranking_end_s if a.cranking_end_s is not None else a.end_s


def _who(r: CylinderResult, told: list[CylinderResult]) -> str:
    if r.cylinder is not None:
        return f"Cylinder {r.cylinder}"
    return f"One cylinder of {len(told)} (which one is not known: firing order, TDC and turn are needed)"


def unfired(m: Measured) -> set[int | None]:
    """Cylinders put out of work by the measurement: their pressure shows compressions and no firing."""
    return {p.cylinder for p in m.engine.pressures if p.used > p.fired}


def _contribution(m: Measured) -> Outcome:
    told = [r for r in m.engine.cylinder_results if r.contribution_rel is not None and r.contribution_sd is not None]
    idle = unfired(m)
    if idle and told and (None in idle or any(r.cylinder is None for r in told)):
        return Outcome(not_assessed=(NotAssessed(
            CONTRIBUTION, "a transducer sits in one cylinder, which does not fire, and the record does not say which "
            "of the events is that cylinder's", "the same record with every cylinder firing",
        ),))  # fmt: skip
    told = [r for r in told if r.cylinder not in idle]
    if m.engine.cylinders == 1:
        return Outcome()
    if not told:
        return Outcome(not_assessed=(NotAssessed(
            CONTRIBUTION, m.engine.why_no_contribution or "no steady running in the record", asked.idle(m.setup),
        ),))  # fmt: skip
    worst = min(told, key=lambda r: r.contribution_rel or 0.0)
    rpm = _rpm(m, worst.run_start_s, worst.run_end_s)
    if rpm is not None and rpm > m.limits["cylinders.contribution_rpm"]:
        return Outcome(not_assessed=(NotAssessed(
            CONTRIBUTION, f"the steady running recorded is at {rpm:.0f} rpm, where tooth errors of the wheel weigh "
            "as much as what a charge gives without load", "ten seconds at steady idle",
        ),))  # fmt: skip
    rel, sd, n = worst.contribution_rel or 0.0, worst.contribution_sd or 0.0, worst.run_cycles
    low = worst.misfires or 0
    _, others_high = clopper_pearson(max((r.misfires or 0) for r in told if r is not worst), n)
    rate_low, rate_high = clopper_pearson(low, n)
    limit, rate = m.limits["cylinders.contribution_short"], m.limits["cylinders.misfire_share"]
    short = 1.0 - rel
    sure = _sure(short, sd, m)
    by_mean = beyond(short / limit) if sure >= 1.0 else min(0.45, beyond(short / limit)) * sure
    by_rate = beyond(low / n / rate) if rate_low > 0.04 and low >= 4 else 0.0
    confidence = max(by_mean, by_rate) if rate_low > 0.02 or by_mean > 0.0 else 0.0
    if low / n < others_high and by_rate > by_mean:
        confidence = min(confidence, 0.45)  # the others miss as often: no one cylinder
    others = int(np.sum([(r.misfires or 0) for r in told])) - low
    if others >= max(low, 1):
        confidence = min(
            confidence, 0.45
        )  # cycles without a push on every cylinder: a cut, or a control unit that stops
    if confidence <= 0.05:
        return Outcome(bounds=(
            f"No cylinder gives {100 * limit:.0f} % less than the others over {n} cycles of running.",
        ))  # fmt: skip
    finding = Finding(
        "", "contribution-uneven", m.channel, "cycle",
        f"{_who(worst, told)} gives {100 * short:.0f} % less than the median of the others over {n} cycles of "
        f"running; in {low} of them it gives next to nothing ({100 * rate_low:.0f} to {100 * rate_high:.0f} %).",
        confidence, (m.stretch(m.channel, worst.run_start_s or 0.0, worst.run_end_s or m.recording.end_s),), None,
        cylinder=worst.cylinder, start_s=worst.run_start_s, end_s=worst.run_end_s, value=rel, unit="of the others",
        evidence={
            "contribution_rel": rel, "contribution_sd": sd, "cycles": n, "misfires": low,
            "misfire_share_low": rate_low, "misfire_share_high": rate_high,
            "others_misfires": others, "spark_command_good": _commanded(m, worst.cylinder, "coil"),
            "fuel_command_good": _commanded(m, worst.cylinder, "injector"),
        },
    )  # fmt: skip
    return Outcome((finding,))


def _rpm(m: Measured, start_s: float | None, end_s: float | None) -> float | None:
    """Middle speed of a stretch of running; None where it is not known."""
    if start_s is None or end_s is None:
        return None
    rpm = m.wheel.angle.rpm(np.linspace(start_s, end_s, 21), 180.0)
    return float(np.nanmedian(rpm)) if np.isfinite(rpm).any() else None


COMMANDED = 0.9  # of the commands of the other lines: one more or less at the record's ends is no difference


def _commanded(m: Measured, cylinder: int | None, role: str) -> float | None:
    """1 where this cylinder's line (every line where it is not known) has as many commands as the others, else 0.

    None where its line, or any other to compare it with, is not recorded.
    """
    count = {o.cylinder: len(o.events) for o in m.engine.outputs if o.role == role}
    if len(count) < 2 or (cylinder is not None and cylinder not in count):
        return None
    usual = float(np.median(list(count.values())))
    mine = min(count.values()) if cylinder is None else count[cylinder]
    return float(mine >= COMMANDED * usual)


FAMILY = Family(
    "cylinders",
    ("compression-uneven", "contribution-uneven"),
    ("crank speed", "starter current", "battery voltage", "firing order, TDC and turn"),
    (
        "cylinders.compression_short", "cylinders.sure", "cylinders.few_cycles", "cylinders.vague_sd",
        "cylinders.contribution_short", "cylinders.misfire_share", "cylinders.contribution_rpm",
    ),
    "work of compression and combustion from crank speed (Heywood ch. 2 and 9); trade rule for relative compression",
    find,
)  # fmt: skip
