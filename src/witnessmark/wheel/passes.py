"""Every passage of every tooth: seen or due, how late, how strong, and why it may not be used."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.signals.model import Line
from witnessmark.special import running_median
from witnessmark.wheel.marks import Marks
from witnessmark.wheel.model import CrankAngle, Extras, Layout, Motion, Passes
from witnessmark.wheel.segments import Chain

USED, START_UP, RUN_DOWN, LOST, CREEPING = 0, 1, 2, 3, 4
REASONS = (
    "",
    "one of the first edges after standstill (sensors settle)",
    "run-down before a standstill (the crank may turn back)",
    "inside a stretch without signal",
    "turning slower than a starter turns",
)
FIRST_EDGES = (
    3  # self-calibrating sensors misplace up to their first three edges by up to 3 degrees (published data sheets)
)
RUN_DOWN_DEG = 720.0  # reverse rotation at stop adds false pulses: the last two turns of a run-down are left out
# Slower than this share of the median speed about it: near a standstill, or all but stalled in a compression. A sound
# engine's cranking keeps above half of its mean (2.6 : 1 within one compression event).
CREEP_SHARE = 0.35
# A pulse this much smaller than those about it, and hardly larger than the smallest ever seen, is at the end of what
# the line shows: the next one down is not missing from the wheel.
FADED_SHARE, FADED_OVER_LEAST = 0.45, 1.8
CREEP_ABOUT = 61  # passages about one that make its median: a turn of the finest common wheel


def build(
    chain: Chain, kept: NDArray[np.bool_], marks: Marks, line: Line, layout: Layout, motions: tuple[Motion, ...]
) -> tuple[Passes, Extras]:
    """Passages and extra edges of all kept matches (errors are filled in afterwards)."""
    teeth = np.asarray(layout.teeth_deg)
    n = teeth.size
    rows = np.flatnonzero(kept)
    out: dict[str, list[NDArray[Any]]] = {k: [] for k in ("tooth", "angle", "time", "edge", "rate", "why")}
    extra_mark: list[int] = []
    extra_angle: list[float] = []
    extra_rate: list[float] = []
    for a, b in _odd_pairs(chain, rows, n):
        da = chain.angle_deg[b] - chain.angle_deg[a]
        dt = chain.time_s[b] - chain.time_s[a]
        if chain.mark[b] - chain.mark[a] > 1 and not chain.lost[b]:
            for m in range(int(chain.mark[a]) + 1, int(chain.mark[b])):
                extra_mark.append(m)
                extra_angle.append(float(chain.angle_deg[a] + da * (marks.time_s[m] - chain.time_s[a]) / dt))
                extra_rate.append(da / dt / 6.0)
        steps = (int(chain.tooth[b]) - int(chain.tooth[a])) % n + n * int(da // 360.0)
        if n > 1 and (int(chain.tooth[b]) - int(chain.tooth[a])) % n == 0:
            steps = n * round(da / 360.0)
        if steps > 1:
            due = np.arange(1, steps)
            index = (chain.tooth[a] + due) % n
            angle = chain.angle_deg[a] + (teeth[index] - teeth[chain.tooth[a]]) % 360.0
            angle = angle + 360.0 * ((chain.tooth[a] + due) // n - (index < chain.tooth[a]))
            out["tooth"].append(index)
            out["angle"].append(angle)
            out["time"].append(chain.time_s[a] + dt * (angle - chain.angle_deg[a]) / da)
            out["edge"].append(np.full(due.size, -1))
            out["rate"].append(np.full(due.size, da / dt / 6.0))
            out["why"].append(np.full(due.size, LOST if chain.lost[b] else USED))
    out["tooth"].append(chain.tooth[rows])
    out["angle"].append(chain.angle_deg[rows])
    out["time"].append(chain.time_s[rows])
    out["edge"].append(marks.index[chain.mark[rows]])
    out["rate"].append(_speed(chain, rows))
    out["why"].append(np.zeros(rows.size))
    whole = {k: np.concatenate(v) for k, v in out.items()}
    order = np.argsort(whole["time"], kind="stable")
    whole = {k: v[order] for k, v in whole.items()}
    return _finish(whole, line, motions), Extras(
        marks.index[np.asarray(extra_mark, np.int64)],
        marks.time_s[np.asarray(extra_mark, np.int64)],
        np.asarray(extra_angle),
        np.asarray(extra_rate),
    )


def _odd_pairs(chain: Chain, rows: NDArray[np.int64], n: int) -> list[tuple[int, int]]:
    """Pairs of matches in a row, within one piece, with teeth or edges between them: most have neither."""
    a, b = rows[:-1], rows[1:]
    together = (b == a + 1) & (chain.piece[a] == chain.piece[b])
    teeth = (chain.tooth[b].astype(np.int64) - chain.tooth[a]) % n
    whole = chain.angle_deg[b] - chain.angle_deg[a] >= 359.0 if n > 1 else True
    odd = together & ((chain.mark[b] - chain.mark[a] > 1) | (teeth != 1) | whole)
    return list(zip(a[odd].tolist(), b[odd].tolist(), strict=True))


def _speed(chain: Chain, rows: NDArray[np.int64]) -> NDArray[np.float64]:
    """Speed in rev/min over the matches two before to two after (within the piece)."""
    p = chain.angle_deg.size
    lo, hi = np.maximum(rows - 2, 0), np.minimum(rows + 2, p - 1)
    lo = np.where(chain.piece[lo] == chain.piece[rows], lo, rows)
    hi = np.where(chain.piece[hi] == chain.piece[rows], hi, rows)
    with np.errstate(divide="ignore", invalid="ignore"):
        rpm = (chain.angle_deg[hi] - chain.angle_deg[lo]) / 6.0 / (chain.time_s[hi] - chain.time_s[lo])
    return np.asarray(np.where(hi > lo, rpm, np.nan))


def _finish(whole: dict[str, NDArray[np.float64]], line: Line, motions: tuple[Motion, ...]) -> Passes:
    """Amplitudes, reasons and flags of the passages in order of time."""
    time_s, angle = whole["time"], whole["angle"]
    edge = whole["edge"].astype(np.int64)
    why = whole["why"].astype(np.uint8)
    m = time_s.size
    for number, motion in enumerate(motions):
        inside = np.flatnonzero((time_s >= motion.start_s) & (time_s <= motion.end_s) & (why == USED))
        if inside.size == 0:
            continue
        stood_before = number > 0 or _from_rest(whole["rate"][inside])
        stops_after = number + 1 < len(motions) or _to_rest(whole["rate"][inside])
        median = float(np.nanmedian(whole["rate"][inside]))
        if stood_before:
            why[inside[:FIRST_EDGES]] = START_UP
            early = inside[: np.searchsorted(angle[inside], angle[inside[0]] + 360.0)]
            slow = early[whole["rate"][early] < CREEP_SHARE * median]
            why[slow[why[slow] == USED]] = CREEPING
        stalling = inside[whole["rate"][inside] < CREEP_SHARE * _about(whole["rate"][inside])]
        why[stalling[why[stalling] == USED]] = CREEPING
        if stops_after:
            late = inside[angle[inside] > angle[inside[-1]] - RUN_DOWN_DEG]
            down = late[whole["rate"][late] < 0.75 * median]
            if down.size:
                tail = late[late >= down[0]]
                why[tail[why[tail] == USED]] = RUN_DOWN
    amplitude = np.full(m, np.nan)
    margin = np.full(m, np.nan)
    seen = edge >= 0
    if line.sensor == "vr" and seen.any():
        e = edge[seen]
        amplitude[seen] = 0.5 * (line.edges.peak_before_v[e] + line.edges.peak_after_v[e])
        margin[seen] = line.edges.arm_margin[e]
        why[_faded(edge, amplitude) & (why == USED)] = CREEPING
    return Passes(
        tooth=whole["tooth"].astype(np.int32),
        turn=np.floor(angle / 360.0 + 1e-9).astype(np.int32),
        time_s=time_s,
        edge=edge,
        error_deg=np.full(m, np.nan),
        speed_rpm=whole["rate"],
        amplitude_v=amplitude,
        residual=np.full(m, np.nan),
        arm_margin=margin,
        used=why == USED,
        reason=why,
        reasons=REASONS,
    )


def _faded(edge: NDArray[np.int64], amplitude: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Due passages without an edge on a pick-up whose pulses have sunk to the smallest it shows: speed took them."""
    out = np.zeros(edge.size, bool)
    rows = np.flatnonzero((edge >= 0) & np.isfinite(amplitude))
    due = np.flatnonzero(edge < 0)
    if rows.size < 20 or not due.size:
        return out
    at = np.searchsorted(rows, due)
    beside = np.maximum(
        amplitude[rows[np.clip(at - 1, 0, rows.size - 1)]], amplitude[rows[np.clip(at, 0, rows.size - 1)]]
    )
    usual = _about(amplitude[rows])[np.clip(at, 0, rows.size - 1)]
    out[due] = (beside < FADED_SHARE * usual) & (beside < FADED_OVER_LEAST * float(np.min(amplitude[rows])))
    return out


def _about(rate: NDArray[np.float64]) -> NDArray[np.float64]:
    """Running median."""
    half = min(CREEP_ABOUT, rate.size) // 2
    return running_median(np.nan_to_num(rate, nan=np.inf), half)


def _from_rest(rate: NDArray[np.float64]) -> bool:
    """Whether a motion begins slow, as out of standstill."""
    ok = rate[np.isfinite(rate)]
    return bool(ok.size > 4 and np.min(ok[:3]) < 0.6 * np.median(ok))


def _to_rest(rate: NDArray[np.float64]) -> bool:
    ok = rate[np.isfinite(rate)]
    return bool(ok.size > 4 and np.min(ok[-3:]) < 0.4 * np.median(ok))


def angle_of_passes(passes: Passes, layout: Layout) -> NDArray[np.float64]:
    """Cumulative nominal angle of each passage in degrees."""
    return np.asarray(passes.turn * 360.0 + np.asarray(layout.teeth_deg)[passes.tooth])


def piece_of(passes: Passes, angle: CrankAngle) -> NDArray[np.int64]:
    """Number of the segment each passage lies in, -1 outside."""
    out = np.full(passes.time_s.size, -1, np.int64)
    for number, seg in enumerate(angle.segments):
        out[(passes.time_s >= seg.start_s) & (passes.time_s <= seg.end_s)] = number
    return out
