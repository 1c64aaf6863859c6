"""A tooth whose edge comes at the wrong angle."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from witnessmark.findings.measured import Bools, Floats, Measured, Outcome, beyond, from_odds, speeds
from witnessmark.findings.model import Finding, NotAssessed
from witnessmark.findings.place import Cluster, Standout
from witnessmark.findings.slots import gap_neighbours, intervals, slot_name

# Errors are taken from running where it gives this many passages a tooth: torque ripple fades there.
RUNNING_PASSAGES = 4
# Common practice: an engine runs above this speed, a starter stays below it.
RUNNING_RPM = 450.0
MOST = 2
# Share of a tooth's lateness that the tooth beside it shows where speed, not metal, makes both (computed: a compression
# or first fire bends lateness over 3 teeth or more of a 36-slot wheel).
DRIFT = 0.5
# On coarser wheels the edges of one cycle are hardly more than the numbers that describe its speed.
MODEL_TEETH = 16
# Share of a tooth's error that its neighbours take over on a variable-reluctance line, whose teeth share their flux:
# 0.37 to 0.43 on simulated rows of teeth; the tooth after that 0.20 to 0.23 where the displaced one stands at a gap.
SHARED_FLUX = (0.5, 0.25)


def moved(m: Measured, at: Standout, c: Cluster) -> Finding:
    """A tooth without an edge in its slot and a stray edge beside it in as many turns: one tooth, displaced."""
    assert m.layout is not None
    slot, place = m.layout.tooth_slots[at.tooth], m.layout.teeth_deg[at.tooth]
    error = (c.angle_deg - place + 180.0) % 360.0 - 180.0
    x = m.wheel.extras
    confidence = from_odds(min(at.log10_bf, c.log10_bf) + m.limits["tooth.log_prior_odds"])
    return Finding(
        "", "tooth-displaced", m.channel, "wheel",
        f"{slot_name(m, slot)} comes {abs(error):.2f} degrees {'late' if error > 0 else 'early'} in {c.hits} of "
        f"{at.passages} turns {speeds(x.speed_rpm[c.rows])} and never at its own place.",
        confidence, m.around(x.time_s[c.rows], x.speed_rpm[c.rows], 3.0 * m.layout.pitch_deg), slot,
        start_s=float(x.time_s[c.rows[0]]), end_s=float(x.time_s[c.rows[-1]]), value=error, unit="deg",
        evidence={
            "error_deg": error, "spread_deg": c.spread_deg, "turns_hit": c.hits, "passages": at.passages,
            "log10_bayes_factor": min(at.log10_bf, c.log10_bf), "beside_gap": at.tooth in gap_neighbours(m.layout),
        },
    )  # fmt: skip


@dataclass(frozen=True)
class Lateness:
    """Lateness of each tooth over the passages used [n each], in degrees: middle, its standard error, count.

    modelled: against the speed that trend and gas give over whole working cycles, which also holds beside a gap and at
    the dips of compression; else against the neighbours, which is all that short records allow. near_deg: the same by
    the other of the two, where there are both.
    """

    mean_deg: Floats
    se_deg: Floats
    count: Floats
    use: Bools
    running: bool
    modelled: bool = False
    near_deg: Floats | None = None
    near_se_deg: Floats = field(default_factory=lambda: np.empty(0))


def lateness(m: Measured) -> Lateness | None:
    """Lateness by tooth, from running passages where there are enough of them."""
    p, n = m.wheel.passes, m.teeth
    fit = p.used & np.isfinite(p.error_deg)
    fast = fit & (p.speed_rpm > RUNNING_RPM)
    running = bool(np.median(np.bincount(p.tooth[fast], minlength=n)) >= RUNNING_PASSAGES)
    use = fast if running else fit
    if not use.any():
        return None
    mean, se, count = np.full(n, np.nan), np.full(n, np.nan), np.zeros(n)
    for i in range(n):
        mine = p.error_deg[use & (p.tooth == i)]
        count[i] = mine.size
        if mine.size < 2:
            continue
        mean[i] = np.median(mine)
        se[i] = 1.25 * 1.4826 * np.median(np.abs(mine - mean[i])) / np.sqrt(mine.size)
    once = m.wheel.once
    few = once is None or once.turns < m.limits["tooth.displaced.model_turns"] or n < MODEL_TEETH
    if once is None or few or running or once.single_deg.size != n:
        return Lateness(mean, se, count, use, running)
    seen = np.bincount(p.tooth[fit], minlength=n) >= 2
    by_model = np.where(seen, once.single_deg, np.nan)
    return Lateness(by_model, once.single_se_deg, count, use, running, modelled=True, near_deg=mean, near_se_deg=se)


def find(m: Measured, disturbed: frozenset[int]) -> Outcome:
    """Teeth whose lateness stands out; ``disturbed``: teeth (indices) accused otherwise, which shift neighbours."""
    if m.layout is None:
        return Outcome()
    if m.teeth < m.limits["tooth.displaced.least_teeth"]:
        return Outcome(not_assessed=(_too_coarse(m),))
    if np.any((np.diff(m.angle_deg) <= 0.0) & (np.diff(m.segment) == 0)):
        return Outcome(not_assessed=(_not_in_order(),))
    late = lateness(m)
    if late is None or np.isfinite(late.mean_deg).sum() < m.limits["tooth.displaced.least_teeth"]:
        return Outcome(not_assessed=(_too_short(),))
    found = _standing_out(m, late, disturbed)
    if not found and late.modelled and late.near_deg is not None:
        # against the neighbours a single tooth may stand out more clearly; the model must say the same
        near = replace(late, mean_deg=late.near_deg, se_deg=late.near_se_deg, modelled=False, near_deg=late.mean_deg)
        found = _standing_out(m, near, disturbed)
    return Outcome(tuple(found))


def _standing_out(m: Measured, late: Lateness, disturbed: frozenset[int]) -> list[Finding]:
    """Up to MOST teeth, one after the other."""
    off = _beyond_expected(m, late, disturbed)
    found: list[Finding] = []
    taken: list[int] = []
    for _ in range(MOST):
        made = _next(m, late, off, taken, disturbed)
        if made is None:
            break
        taken.append(made[0])
        found.append(made[1])
    return found


def _beyond_expected(m: Measured, late: Lateness, disturbed: frozenset[int]) -> Floats:
    """Lateness less what a gap, or a damaged neighbour, does to the tooth beside it [n]; NaN between two gaps.

    On variable-reluctance lines the first tooth after a gap comes late and the last before it early, because one side
    of their flux is missing. While cranking the speed across a gap is not known well from the neighbours alone.
    """
    if m.layout is None:
        return late.mean_deg
    n = m.teeth
    out = late.mean_deg.copy()
    beside, second = (m.limits[f"tooth.displaced.{k}"] * m.layout.pitch_deg for k in _allowances(late))
    step = intervals(m.layout)
    long = step > 1.4 * np.median(step)
    bad = np.isin(np.arange(n), list(disturbed))
    after, before = long | np.roll(bad, -1), np.roll(long, 1) | np.roll(bad, 1)
    near = np.roll(before, 1) | np.roll(after, -1)
    if m.is_vr or not (late.running or late.modelled):
        allowed = np.where(after | before, beside, np.where(near, second, 0.0))
        if m.layout.learnt_deg is not None:  # what the gap does on a good engine is taken off already
            share = m.limits["tooth.displaced.gap_learnt"]
            beside_bad = bad | np.roll(bad, -1) | np.roll(bad, 1)
            allowed = np.where(beside_bad | np.roll(beside_bad, 1) | np.roll(beside_bad, -1), allowed, share * allowed)
        out = np.sign(out) * np.maximum(0.0, np.abs(out) - allowed)
    out[after & before] = np.nan
    return out


def _allowances(late: Lateness) -> tuple[str, str]:
    """Names of the limits for the tooth beside a gap and the next one."""
    known = late.running or late.modelled
    return ("gap_pitch", "second_pitch") if known else ("gap_cranking_pitch", "second_cranking_pitch")


def _next(
    m: Measured, late: Lateness, off: Floats, taken: list[int], disturbed: frozenset[int]
) -> tuple[int, Finding] | None:
    """The tooth that stands out most among those left, when it does."""
    assert m.layout is not None
    left = np.isfinite(off)
    left[[*taken, *disturbed]] = False
    if left.sum() < 6:
        return None
    size = np.where(left, np.abs(off), -1.0)
    if m.is_vr:
        for known in taken:
            for away, share in enumerate(SHARED_FLUX, 1):
                for beside in ((known - away) % m.teeth, (known + away) % m.teeth):
                    size[beside] -= share * abs(float(late.mean_deg[known]))
    tooth = int(np.argmax(size))
    others = left.copy()
    others[tooth] = False
    scatter = 1.4826 * float(np.median(np.abs(off[others] - np.median(off[others]))))
    runner_up = _runner_up(np.abs(off), others, tooth)
    known = late.running or late.modelled
    # the model's gas has a shape of its own: what comes back a compression apart is rather gas of another shape
    alike = 0.0 if late.running else _by_compression(m, late, tooth)
    need = {
        "limit_deg": max(
            m.limits["tooth.displaced.least_deg"],
            m.limits[f"tooth.displaced.{'least' if known else 'cranking'}_pitch"] * m.layout.pitch_deg,
        ),
        "scatter_deg": m.limits["tooth.displaced.scatter"] * scatter,
        "alone_deg": m.limits["tooth.displaced.alone"] * max(runner_up, alike),
        "uncertainty_deg": m.limits["tooth.displaced.standard_errors"] * float(late.se_deg[tooth]),
        "learnt_deg": m.limits["tooth.displaced.standard_errors"] * _tolerance(m),
    }
    ratio = float(size[tooth]) / max(max(need.values()), 1e-9)
    confidence = beyond(ratio) * (1.0 if late.count[tooth] >= 3 else 0.6)
    if not late.running and _drifts(late, tooth):
        off[tooth] = np.nan
        return _next(m, late, off, taken, disturbed)
    if not _in_every_turn(m, late, tooth) or size[tooth] > m.limits["tooth.displaced.most_pitch"] * m.layout.pitch_deg:
        off[tooth] = np.nan
        return _next(m, late, off, taken, disturbed)
    if confidence <= 0.05:
        return None
    return tooth, _displaced(m, late, tooth, scatter, runner_up, confidence)


def _tolerance(m: Measured) -> float:
    """How far the teeth of good wheels of this kind stand off, one standard deviation; 0 where no setup says."""
    wheel = m.setup.crank_wheel
    return 0.0 if wheel is None else wheel.teeth_tolerance_deg or 0.0


def _by_compression(m: Measured, late: Lateness, tooth: int) -> float:
    """Largest lateness of the teeth that stand where this one does, one or more compressions earlier or later."""
    assert m.layout is not None
    teeth = np.asarray(m.layout.teeth_deg)
    events = [720.0 / m.engine.cylinders] if m.engine.cylinders else [180.0, 120.0]
    turns = {round(k * e % 360.0, 3) for e in events for k in range(1, 12)}
    sizes = [0.0]
    for shift in turns:
        off = (teeth - teeth[tooth] - shift + 180.0) % 360.0 - 180.0
        near = np.abs(off) < 1.1 * m.layout.pitch_deg
        if abs((shift + 180.0) % 360.0 - 180.0) > 2.1 * m.layout.pitch_deg:
            sizes += np.abs(late.mean_deg[near & np.isfinite(late.mean_deg)]).tolist()
    return max(sizes)


def _drifts(late: Lateness, tooth: int) -> bool:
    """Whether a tooth beside is late, or early, by much the same: the crank's speed bends so, a wheel does it tooth by
    tooth (beside one displaced tooth a fit leaves the others where they are, or off to the other side).
    """
    beside = late.mean_deg[[tooth - 1, (tooth + 1) % late.mean_deg.size]]
    return bool(np.any(beside / late.mean_deg[tooth] > DRIFT))


def _in_every_turn(m: Measured, late: Lateness, tooth: int) -> bool:
    """Whether most passages are late by about the same: compression comes at one tooth every second turn at most."""
    if late.modelled and late.near_deg is not None:
        # the gas is in the model already; away from gaps the neighbours must not say the opposite
        near, here = float(late.near_deg[tooth]), float(late.mean_deg[tooth])
        beside = m.layout is not None and tooth in gap_neighbours(m.layout)
        return beside or not np.isfinite(near) or near * np.sign(here) > 0.3 * abs(here)
    error = m.wheel.passes.error_deg[late.use & (m.wheel.passes.tooth == tooth)]
    middle = float(late.mean_deg[tooth])
    if late.near_deg is not None and not late.near_deg[tooth] * np.sign(middle) > 0.5 * abs(middle):
        return False
    same = np.mean(error * np.sign(middle) > 0.5 * abs(middle))
    return bool(same >= m.limits["tooth.displaced.steadiness"])


def _runner_up(size: Floats, others: Bools, tooth: int) -> float:
    """Largest lateness of the teeth beside: the second of them, so that one more displaced tooth hides nothing."""
    n = size.size
    far = others.copy()
    far[[(tooth - 1) % n, (tooth + 1) % n]] = False
    ranked = np.sort(size[far])
    return float(ranked[-2]) if ranked.size >= 8 else float(ranked[-1])


def _displaced(m: Measured, late: Lateness, tooth: int, scatter: float, runner_up: float, confidence: float) -> Finding:
    assert m.layout is not None
    p = m.wheel.passes
    slot, error = m.layout.tooth_slots[tooth], float(late.mean_deg[tooth])
    rows = np.flatnonzero(late.use & (p.tooth == tooth))
    where = "running" if late.running else "cranking"
    return Finding(
        "", "tooth-displaced", m.channel, "wheel",
        f"{slot_name(m, slot)} comes {abs(error):.2f} degrees {'late' if error > 0 else 'early'} over "
        f"{rows.size} turns "
        f"{where} ({speeds(p.speed_rpm[rows])}); the other teeth scatter by {scatter:.2f}, the next largest is "
        f"{runner_up:.2f} degrees.",
        confidence, m.at_passes(rows), slot, start_s=float(p.time_s[rows[0]]), end_s=float(p.time_s[rows[-1]]),
        value=error, unit="deg",
        evidence={
            "error_deg": error, "standard_error_deg": float(late.se_deg[tooth]), "scatter_others_deg": scatter,
            "next_largest_deg": runner_up, "passages": int(rows.size), "running": late.running,
            "beside_gap": tooth in gap_neighbours(m.layout),
        },
    )  # fmt: skip


def _too_coarse(m: Measured) -> NotAssessed:
    return NotAssessed(
        "Does a tooth come at the wrong angle?",
        f"with {m.teeth} teeth a turn an angle error cannot be told from the speed ripple of compression",
        "both edges of the line, or a record of the engine running without fuel (coast down)",
    )


def _too_short() -> NotAssessed:
    return NotAssessed(
        "Does a tooth come at the wrong angle?",
        "too few passages of each tooth in steady rotation",
        "a record with several turns of steady cranking or running",
    )


def _not_in_order() -> NotAssessed:
    return NotAssessed(
        "Does a tooth come at the wrong angle?",
        "the decoded teeth do not follow each other in order, so that their lateness is not to be believed",
        "a record with several turns of steady running",
    )
