"""An edge in a slot that should have none, or between two teeth, turn after turn at one wheel angle."""

from __future__ import annotations

import numpy as np

from witnessmark.findings.measured import Measured, Outcome, beyond, from_odds, speeds
from witnessmark.findings.model import Finding
from witnessmark.findings.place import Cluster
from witnessmark.findings.slots import intervals


def find(m: Measured, groups: list[Cluster]) -> Outcome:
    """One finding a place; on variable-reluctance lines only where the pulse is more than the noise in a gap."""
    out = Outcome()
    for c in groups:
        finding = _extra(m, c)
        if finding is not None:
            out += Outcome((finding,), extras=frozenset(int(r) for r in c.rows))
    return out


def neighbours(m: Measured, groups: list[Cluster]) -> frozenset[int]:
    """Teeth (indices) beside a stray edge: on variable-reluctance lines its flux moves and weakens them."""
    if m.layout is None or not m.is_vr:
        return frozenset()
    teeth = np.asarray(m.layout.teeth_deg)
    near = [np.abs((teeth - c.angle_deg + 180.0) % 360.0 - 180.0) < 1.6 * m.layout.pitch_deg for c in groups]
    return frozenset(int(i) for mask in near for i in np.flatnonzero(mask))


def _relative(m: Measured, c: Cluster) -> tuple[float, float] | None:
    """Pulse of the stray edges over those of passages about them, and its smaller half; None on two-level lines."""
    if not m.is_vr or m.line is None:
        return None
    e, p = m.line.edges, m.wheel.passes
    edge = m.wheel.extras.edge[c.rows]
    own = 0.5 * (e.peak_before_v[edge] + e.peak_after_v[edge])
    small = np.minimum(e.peak_before_v[edge], e.peak_after_v[edge])
    at = np.searchsorted(p.time_s, m.wheel.extras.time_s[c.rows])
    around = [p.amplitude_v[max(0, i - 6) : i + 6] for i in at]
    usual = np.array([np.nanmedian(a) if np.isfinite(a).any() else np.nan for a in around])
    with np.errstate(invalid="ignore", divide="ignore"):
        return float(np.nanmedian(own / usual)), float(np.nanmedian(small / usual))


def _in_gap(m: Measured, c: Cluster) -> bool:
    """Whether a place lies within a gap by design, where a line without a pulse is left to its noise."""
    assert m.layout is not None
    step = intervals(m.layout)
    before = int(np.searchsorted(np.asarray(m.layout.teeth_deg), c.angle_deg, side="right")) - 1
    return bool(step[before] > 1.4 * np.median(step))


def _extra(m: Measured, c: Cluster) -> Finding | None:
    layout = m.layout
    assert layout is not None
    share = c.hits / c.turns
    pulse = _relative(m, c)
    relative = None if pulse is None else pulse[0]
    confidence = min(
        from_odds(c.log10_bf + m.limits["tooth.log_prior_odds"]), beyond(share / m.limits["tooth.extra.share"])
    )
    if pulse is not None and relative is not None:
        least = m.limits["tooth.extra.gap_amplitude" if _in_gap(m, c) else "tooth.extra.amplitude"]
        confidence = min(confidence, beyond(relative / least))
        if pulse[1] > m.limits["tooth.extra.amplitude_max"]:
            confidence = min(confidence, 0.4)  # both halves larger than any tooth's: the line's own crossing in a gap
    if confidence <= 0.05:
        return None
    slot, where = _slot_of(m, c.angle_deg)
    doubt = ""
    empty = c.turns - c.hits
    if m.wheel.source != "setup" and layout.missing == (slot,) and 0 < empty < m.limits["tooth.extra.gap_turns"]:
        confidence = min(confidence, 0.45)
        doubt = f"; the gap itself shows in {empty} turn{'s' if empty > 1 else ''} only, so the wheel may have none"
    x = m.wheel.extras
    size = "" if relative is None else f", {relative:.0%} of a tooth's pulse"
    return Finding(
        "", "tooth-extra", m.channel, "wheel",
        f"An edge too many came {where} ({c.angle_deg:.1f} degrees after slot 1) in {c.hits} of {c.turns} turns "
        f"{speeds(x.speed_rpm[c.rows])}{size}; elsewhere {c.elsewhere} stray edges{doubt}.",
        confidence, m.around(x.time_s[c.rows], x.speed_rpm[c.rows], 3.0 * layout.pitch_deg), slot,
        start_s=float(x.time_s[c.rows[0]]), end_s=float(x.time_s[c.rows[-1]]), value=c.angle_deg, unit="deg",
        evidence={
            "turns_hit": c.hits, "turns": c.turns, "spread_deg": c.spread_deg, "elsewhere": c.elsewhere,
            "log10_bayes_factor": c.log10_bf, "relative_amplitude": relative,
        },
    )  # fmt: skip


def _slot_of(m: Measured, angle_deg: float) -> tuple[int | None, str]:
    """(slot, words) of a wheel angle: an empty slot by design, or between two teeth."""
    layout = m.layout
    assert layout is not None
    if not layout.regular:
        before = int(np.searchsorted(np.asarray(layout.teeth_deg), angle_deg, side="right"))
        return None, f"between teeth {before or len(layout.teeth_deg)} and {before % len(layout.teeth_deg) + 1}"
    place = angle_deg / layout.pitch_deg
    nearest = round(place) % layout.slots + 1
    if abs(place - round(place)) < 0.25:
        return nearest, f"at slot {nearest}" + (", empty by design," if nearest in layout.missing else "")
    low = int(np.floor(place)) % layout.slots + 1
    return low, f"between slots {low} and {low % layout.slots + 1}"
