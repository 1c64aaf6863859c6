"""A tooth that gives an edge only sometimes, or a pulse far smaller than its neighbours'."""

from __future__ import annotations

import numpy as np

from witnessmark.findings.measured import Floats, Measured, Outcome, Rows, beyond, from_odds, speeds
from witnessmark.findings.model import Finding
from witnessmark.findings.place import Standout
from witnessmark.findings.slots import gap_neighbours, same_without, slot_name, twin_words
from witnessmark.findings.statistics import clopper_pearson

# So few passages of one tooth may all meet the same point of the compression, where a coarse wheel's pulses differ by a
# third at the same speed (simulated): a hint.
FEW_PASSAGES = 4


def fails(m: Measured, at: Standout, residual: float | None) -> Finding:
    """A tooth whose edge is missing in part of its passages, or in all of them with a stub left in the line."""
    assert m.layout is not None
    p = m.wheel.passes
    slot = m.layout.tooth_slots[at.tooth]
    mine = p.used & (p.tooth == at.tooth)
    rows = np.flatnonzero(mine & (p.edge < 0))
    below = split_speed(m.missing[mine], p.speed_rpm[mine])
    low, high = clopper_pearson(at.hits, at.passages)
    confidence = from_odds(at.log10_bf + m.limits["tooth.log_prior_odds"])
    words = f"gave no edge in {at.hits} of {at.passages} turns {speeds(p.speed_rpm[rows])}"
    if below is not None:
        words += f", none of them above {below:.0f} rpm"
    stub = "" if residual is None or not m.is_vr else f", {max(residual, 0.0):.0%} of a neighbour's pulse is left there"
    twin = same_without(m, at.tooth) if at.hits > 0.8 * at.passages else None
    also, two = twin_words(m, slot, twin)
    return Finding(
        "", "tooth-weak", m.channel, "wheel",
        f"{slot_name(m, slot)} {words}{stub}{also}; the other teeth missed {at.elsewhere} of {at.elsewhere_passages}.",
        confidence, m.at_passes(rows), slot, start_s=float(p.time_s[rows[0]]), end_s=float(p.time_s[rows[-1]]),
        value=1.0 - at.hits / at.passages, unit="share of passages",
        evidence={
            "missed": at.hits, "passages": at.passages, "missed_low_95": low, "missed_high_95": high,
            "elsewhere_missed": at.elsewhere, "elsewhere_passages": at.elsewhere_passages,
            "log10_bayes_factor": at.log10_bf, "residual": residual, "missed_below_rpm": below,
            **two,
        },
    )  # fmt: skip


def split_speed(failed: np.ndarray, rpm: Floats) -> float | None:
    """Speed in rev/min below which all failures lie with passages seen above; None where speed does not part them."""
    if failed.all() or not failed.any():
        return None
    worst = float(np.nanmax(rpm[failed]))
    seen_above = int(np.sum(~failed & (rpm > worst)))
    seen_below = int(np.sum(~failed & (rpm <= worst)))
    return worst if seen_above >= 3 and seen_below <= failed.sum() else None


def find(m: Measured, known: frozenset[int], disturbed: frozenset[int] = frozenset()) -> Outcome:
    """Teeth with a small pulse on a variable-reluctance line.

    known: teeth (indices) already accused; disturbed: sound teeth whose pulses those change.
    """
    if not m.is_vr or m.layout is None or m.teeth < 8:
        return Outcome()
    strength = tooth_strength(m)
    ratio = relative_to_neighbours(m, strength, known)
    ok = np.isfinite(ratio)
    if ok.sum() < 8:
        return Outcome()
    limit, least_z = m.limits["tooth.weak.amplitude"], m.limits["tooth.weak.robust_z"]
    log = np.log(np.maximum(ratio, 1e-3))
    found: list[Finding] = []
    teeth: set[int] = set()
    for tooth in np.argsort(np.where(ok, ratio, np.inf))[:3]:
        others = ok.copy()
        others[[int(tooth), *known, *teeth]] = False
        scatter = max(1.4826 * float(np.median(np.abs(log[others] - np.median(log[others])))), 0.01)
        z = -float(log[tooth]) / scatter
        alone = float(np.min(ratio[others])) if others.any() else 1.0
        how = min(
            (1.0 - float(ratio[tooth])) / (1.0 - limit),
            z / least_z,
            (1.0 - float(ratio[tooth])) / (1.8 * max(1.0 - alone, 0.0) + 1e-9),
        )
        confidence = beyond(how)
        count = int(np.sum(m.wheel.passes.used & (m.wheel.passes.tooth == tooth) & (m.wheel.passes.edge >= 0)))
        if int(tooth) in known | disturbed or confidence <= 0.05 or count < m.limits["tooth.weak.passages_min"]:
            continue
        teeth.add(int(tooth))
        if count < FEW_PASSAGES:
            confidence = min(confidence, 0.45)
        found.append(_small(m, int(tooth), float(ratio[tooth]), z, alone, confidence))
    return Outcome(tuple(found), teeth=frozenset(teeth))


def tooth_strength(m: Measured) -> Floats:
    """Pulse of each tooth relative to the usual one at that speed [n], NaN where it is not known."""
    assert m.layout is not None
    by_slot = {t.slot: t.amplitude for t in m.wheel.teeth}
    values = [by_slot.get(s) for s in m.layout.tooth_slots]
    return np.array([np.nan if v is None else v for v in values], dtype=float)


def relative_to_neighbours(m: Measured, strength: Floats, known: frozenset[int], reach: int = 5) -> Floats:
    """Strength of each tooth over the median of up to ``reach`` teeth on both sides [n].

    A local reference follows what a sound wheel shows over many teeth (runout, a bump). Teeth beside a gap give more
    than others by design, how much is not known well at the slow points of compression: they are compared with the
    smaller of their like and their neighbours.
    """
    assert m.layout is not None
    n = strength.size
    gaps = gap_neighbours(m.layout)
    reach = min(reach, (n - 1) // 2)
    plain = np.array([i not in gaps and i not in known for i in range(n)])
    out = np.full(n, np.nan)
    for i in range(n):
        near = [(i + d) % n for d in range(-reach, reach + 1) if d != 0]
        pools = [[j for j in near if plain[j] and np.isfinite(strength[j])]]
        if i in gaps:
            pools.append([j for j in near if j in gaps and j not in known and np.isfinite(strength[j])])
        usual = [float(np.median(strength[pool])) for pool in pools if pool]
        if usual and np.isfinite(strength[i]):
            out[i] = strength[i] / min(usual)
    return out


def _small(m: Measured, tooth: int, ratio: float, z: float, alone: float, confidence: float) -> Finding:
    assert m.layout is not None
    p = m.wheel.passes
    slot = m.layout.tooth_slots[tooth]
    mine = p.used & (p.tooth == tooth)
    unseen = m.unseen[mine]
    rows = np.flatnonzero(mine)
    words = f"{slot_name(m, slot)} gives {ratio:.0%} of its neighbours' pulse over {rows.size} turns"
    words += f" {speeds(p.speed_rpm[rows])}"
    below = split_speed(unseen, p.speed_rpm[mine])
    if unseen.any():
        words += f"; a control unit with the nominal threshold would have missed it in {int(unseen.sum())} of them"
        words += f", all below {below:.0f} rpm" if below is not None else ""
    shown = _telling(m, rows, unseen)
    return Finding(
        "", "tooth-weak", m.channel, "wheel",
        f"{words}; the weakest other tooth gives {alone:.0%}.",
        confidence, m.at_passes(shown), slot, start_s=float(p.time_s[rows[0]]), end_s=float(p.time_s[rows[-1]]),
        value=ratio, unit="of the neighbours' pulse",
        evidence={
            "relative_amplitude": ratio, "robust_z": z, "weakest_other": alone, "passages": int(rows.size),
            "unseen_by_nominal_unit": int(unseen.sum()), "unseen_below_rpm": below,
        },
    )  # fmt: skip


def _telling(m: Measured, rows: Rows, unseen: np.ndarray) -> Rows:
    """Passages to show: those a control unit would have missed, else all."""
    return rows[unseen] if unseen.any() else rows
