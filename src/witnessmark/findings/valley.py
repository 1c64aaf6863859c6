"""Foreign metal in the valley between two teeth of a variable-reluctance line, too low for an edge of its own.

A pick-up adds up the flux of all metal near it. Metal between two teeth fills the valley: the two half waves inside it
shrink, those outside stay, and both crossings are drawn towards it, in every turn. More of it leaves one broad tooth
instead of two: one edge half way between two slots. Neither is what a low tooth does (its half waves shrink on both
sides), nor a bent one (what one valley loses the other gains). A tooth bent so far that its pulse runs into its
neighbour's leaves one edge too, nearer to that neighbour.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from witnessmark.findings import displaced
from witnessmark.findings.measured import Floats, Measured, Outcome, Rows, beyond, from_odds, speeds
from witnessmark.findings.model import Finding
from witnessmark.findings.place import Standout
from witnessmark.findings.slots import gap_neighbours, intervals
from witnessmark.special import running_median

LEAST_TEETH = 16
AROUND = 8  # valleys on each side that say what is usual there


@dataclass(frozen=True)
class Valleys:
    """Half waves between each tooth and the next, relative to those around [n] (NaN at gaps), and their counts [n]."""

    size: Floats
    count: Rows


def valleys(m: Measured) -> Valleys | None:
    """Size of the half waves in every valley; None where the line or the wheel does not tell."""
    if not m.is_vr or m.layout is None or m.line is None or m.teeth < LEAST_TEETH or not m.layout.regular:
        return None
    p, e, n = m.wheel.passes, m.line.edges, m.teeth
    good = p.used & (p.edge >= 0)
    rows = np.flatnonzero(good[:-1] & good[1:] & ((p.tooth[:-1] + 1) % n == p.tooth[1:]))
    rows = rows[m.segment[rows] == m.segment[rows + 1]]
    if rows.size < 3 * AROUND:
        return None
    inside = 0.5 * (e.peak_after_v[p.edge[rows]] + e.peak_before_v[p.edge[rows + 1]]).astype(float)
    inside *= p.time_s[rows + 1] - p.time_s[rows]  # volts grow with speed
    usual = running_median(inside, AROUND)
    with np.errstate(divide="ignore", invalid="ignore"):
        relative = inside / usual
    size, count = np.full(n, np.nan), np.zeros(n, np.int64)
    plain = intervals(m.layout) < 1.4 * m.layout.pitch_deg
    for i in np.flatnonzero(plain):
        mine = relative[(p.tooth[rows] == i) & np.isfinite(relative)]
        count[i] = mine.size
        if mine.size >= 2:
            size[i] = np.median(mine)
    return Valleys(size, count)


def find(m: Measured, known: frozenset[int]) -> Outcome:
    """A valley whose half waves are small while its neighbours' are not, both teeth drawn into it."""
    got = valleys(m)
    if got is None or m.layout is None or np.isfinite(got.size).sum() < LEAST_TEETH - 2:
        return Outcome()
    n, pitch = m.teeth, m.layout.pitch_deg
    log = np.log(np.maximum(got.size, 1e-3))
    clear = np.array([i not in known and (i + 1) % n not in known for i in range(n)]) & np.isfinite(log)
    if clear.sum() < LEAST_TEETH // 2:
        return Outcome()
    at = int(np.argmin(np.where(clear, log, np.inf)))
    if _bent_from_gap(m, at):
        return Outcome()
    others = clear.copy()
    others[[at, (at - 1) % n, (at + 1) % n]] = False
    scatter = max(1.4826 * float(np.median(np.abs(log[others] - np.median(log[others])))), 0.01)
    drawn = _approach(m, at)
    sides = [float(log[(at + way) % n]) for way in (-1, 1)]
    outside = [x for x in sides if np.isfinite(x)]  # a gap on one side says nothing
    if not outside:
        return Outcome()
    share, lost = float(got.size[at]), float(-log[at])
    how = min(
        (1.0 - share) / (1.0 - m.limits["tooth.extra.valley"]),
        lost / (m.limits["tooth.weak.robust_z"] * scatter),
        drawn / (m.limits["tooth.extra.drawn_pitch"] * pitch),
        lost / (2.0 * max(-float(np.min(log[others])), 1e-9)),
        m.limits["tooth.extra.even_sides"] * lost / max(_uneven(outside), 1e-9),
    )
    confidence = beyond(how) * (1.0 if got.count[at] >= 3 else 0.6)
    if confidence <= 0.05:
        return Outcome()
    return Outcome((_between(m, at, share, drawn, confidence),), teeth=frozenset({at, (at + 1) % n}))


def _bent_from_gap(m: Measured, at: int) -> bool:
    """Whether a valley beside a gap is narrow because the tooth at the gap left it; its other valley is the gap itself.

    Metal draws the teeth on both its sides alike, apart from the little that a gap draws its own; a tooth that moves
    leaves the one before it where it is.
    """
    assert m.layout is not None
    gaps, last = gap_neighbours(m.layout), (at + 1) % m.teeth
    late = displaced.lateness(m)
    if late is None or not (late.running or late.modelled) or (at in gaps) == (last in gaps):
        return False
    mine, other = late.mean_deg[at], -late.mean_deg[last]
    mine, other = (mine, other) if at in gaps else (other, mine)
    return bool(mine > 2.0 * abs(other) + m.limits["tooth.displaced.off_gap_pitch"] * m.layout.pitch_deg)


def _uneven(outside: list[float]) -> float:
    """How unlike the valleys on both sides are (log ratio); beside a gap, how unlike the usual the other one is."""
    return max(abs(outside[0] - outside[-1]) if len(outside) == 2 else abs(outside[0]), -min(outside))


def _approach(m: Measured, at: int) -> float:
    """Degrees by which tooth ``at`` comes late and the next one early, added; 0 unless both do.

    A tooth beside a gap is drawn to the gap by design, so there the other one counts, twice.
    """
    assert m.layout is not None
    by_slot = {t.slot: t.error_deg for t in m.wheel.teeth}
    gaps, last = gap_neighbours(m.layout), (at + 1) % m.teeth
    late, early = by_slot.get(m.layout.tooth_slots[at]), by_slot.get(m.layout.tooth_slots[last])
    if at in gaps and last in gaps:
        return 0.0
    late = -early if at in gaps and early is not None else late
    early = -late if last in gaps and late is not None else early
    if late is None or early is None or late <= 0.0 or early >= 0.0:
        return 0.0
    return late - early


def _between(m: Measured, at: int, share: float, drawn: float, confidence: float) -> Finding:
    assert m.layout is not None
    p = m.wheel.passes
    rows = np.flatnonzero(p.used & (p.edge >= 0) & (p.tooth == at))
    low, high = m.layout.tooth_slots[at], m.layout.tooth_slots[(at + 1) % m.teeth]
    place = (m.layout.teeth_deg[at] + 0.5 * m.layout.pitch_deg) % 360.0
    return Finding(
        "", "tooth-extra", m.channel, "wheel",
        f"Between slots {low} and {high} the half waves are {share:.0%} of those around, and both crossings are drawn "
        f"there by {drawn:.2f} degrees together, over {rows.size} turns {speeds(p.speed_rpm[rows])}: metal in the "
        "valley, too low for an edge of its own.",
        confidence, m.at_passes(rows), low, start_s=float(p.time_s[rows[0]]), end_s=float(p.time_s[rows[-1]]),
        value=place, unit="deg",
        evidence={"valley_share": share, "drawn_deg": drawn, "passages": int(rows.size), "own_edge": False},
    )  # fmt: skip


def merged(m: Measured, at: Standout) -> Outcome | None:
    """A tooth that never shows while the next one to it comes far towards it, and strong: one block of metal."""
    layout = m.layout
    if not m.is_vr or layout is None or not layout.regular or at.hits < 0.8 * at.passages:
        return None
    n, step = m.teeth, intervals(layout)
    for way in (-1, 1):
        other = (at.tooth + way) % n
        if step[at.tooth if way > 0 else other] > 1.4 * layout.pitch_deg:
            continue
        tooth = next(t for t in m.wheel.teeth if t.slot == layout.tooth_slots[other])
        if tooth.error_deg is None or tooth.amplitude is None:
            continue
        towards = -way * tooth.error_deg / layout.pitch_deg
        if (
            m.limits["tooth.extra.merged_pitch"] <= towards <= 1.0 - m.limits["tooth.extra.merged_pitch"]
            and tooth.amplitude > m.limits["tooth.extra.merged_amplitude"]
        ):
            return _one_block(m, at, other, towards, tooth.amplitude)
    return None


def _one_block(m: Measured, at: Standout, other: int, towards: float, amplitude: float) -> Outcome:
    layout = m.layout
    assert layout is not None
    p = m.wheel.passes
    rows = np.flatnonzero(p.used & (p.edge >= 0) & (p.tooth == other))
    first = at.tooth if (at.tooth + 1) % m.teeth == other else other
    low, high = layout.tooth_slots[first], layout.tooth_slots[(first + 1) % m.teeth]
    whole = towards if other == first else 1.0 - towards
    confidence = from_odds(at.log10_bf + m.limits["tooth.log_prior_odds"]) * (1.0 if at.passages >= 3 else 0.6)
    if _one_came(m, first, whole):
        return _ran_together(m, at, first, whole, amplitude, confidence)
    finding = Finding(
        "", "tooth-extra", m.channel, "wheel",
        f"Slots {low} and {high} give one edge between them instead of two, at {amplitude:.0%} of a tooth's pulse, in "
        f"{at.hits} of {at.passages} turns {speeds(p.speed_rpm[rows])}: metal fills the valley between them (or one "
        "tooth is gone and the other bent half way to its place).",
        confidence, m.at_passes(rows), low, start_s=float(p.time_s[rows[0]]), end_s=float(p.time_s[rows[-1]]),
        value=(layout.teeth_deg[first] + whole * layout.pitch_deg) % 360.0, unit="deg",
        evidence={
            "missed": at.hits, "passages": at.passages, "log10_bayes_factor": at.log10_bf,
            "relative_amplitude": amplitude, "towards_pitch": towards, "own_edge": False,
        },
    )  # fmt: skip
    return Outcome((finding,), teeth=frozenset({at.tooth, other}))


def _one_came(m: Measured, first: int, whole: float) -> bool:
    """Whether the edge that two teeth share is that of one tooth come to the other, not of metal between them.

    Two pieces of metal leave their edge in their middle, that is nearer to the tooth that stayed; with a third between
    them it stays near the middle of the valley. whole: where the edge lies, in pitches after ``first``. The tooth
    beside the one that stayed is then drawn further than the one beside the gap that is left.
    """
    if abs(whole - 0.5) < m.limits["tooth.displaced.merged_pitch"]:
        return False
    layout = m.layout
    assert layout is not None
    n = m.teeth
    by_slot = {t.slot: t.error_deg for t in m.wheel.teeth}
    before, after = by_slot.get(layout.tooth_slots[first - 1]), by_slot.get(layout.tooth_slots[(first + 2) % n])
    if before is None or after is None or {(first - 1) % n, (first + 2) % n} & gap_neighbours(layout):
        return True  # beside a gap they say nothing
    near, far = (before, -after) if whole < 0.5 else (-after, before)
    return near > 2.0 * far


def _ran_together(m: Measured, at: Standout, first: int, whole: float, amplitude: float, confidence: float) -> Outcome:
    """A displaced tooth whose pulse ran into that of the tooth it came to."""
    layout = m.layout
    assert layout is not None
    p, second = m.wheel.passes, (first + 1) % m.teeth
    rows = np.flatnonzero(p.used & (p.edge >= 0) & ((p.tooth == first) | (p.tooth == second)))
    bent, stayed = (second, first) if whole < 0.5 else (first, second)
    error = (2.0 * whole - 1.0) * layout.pitch_deg  # both pulses alike: the edge moves half as far as the tooth
    slot, to = layout.tooth_slots[bent], layout.tooth_slots[stayed]
    finding = Finding(
        "", "tooth-displaced", m.channel, "wheel",
        f"Slot {slot} comes about {abs(error):.1f} degrees {'late' if error > 0 else 'early'}, so near to slot {to} "
        f"that both give one edge, at {amplitude:.0%} of a tooth's pulse, in {at.hits} of {at.passages} turns "
        f"{speeds(p.speed_rpm[rows])}; it lies {min(whole, 1.0 - whole):.2f} of a pitch from slot {to}, where metal "
        "between the two would leave it near the middle.",
        confidence, m.at_passes(rows), slot, start_s=float(p.time_s[rows[0]]), end_s=float(p.time_s[rows[-1]]),
        value=error, unit="deg",
        evidence={
            "error_deg": error, "missed": at.hits, "passages": at.passages, "log10_bayes_factor": at.log10_bf,
            "relative_amplitude": amplitude, "own_edge": False, "beside_gap": bent in gap_neighbours(layout),
        },
    )  # fmt: skip
    return Outcome((finding,), teeth=frozenset({first, second}))
