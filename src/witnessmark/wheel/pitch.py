"""How late each tooth comes: edge times against a local cubic in nominal angle, wheel errors freed from each other.

The expectation of a passage is the cubic through its neighbours (itself left out), which follows cranking ripple and
acceleration; what the smoother does to a tooth's neighbours is undone by fitting the few teeth that stand out first
(a sparse set), because only narrow features of the wheel can be told from speed (orders up to a few per turn cannot:
torque ripple and pitch error share them, as the literature on pitch-error identification says).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from witnessmark.special import median
from witnessmark.wheel.model import Layout

MOST_PASSES = 15_000  # turns are thinned evenly above this: the mean of 200 turns is sharp enough
MOST_SUSPECTS = 8


@dataclass(frozen=True)
class Smoother:
    """Rows of leave-one-out weights: expected time of passage rows[j] = sum_k weight[j, k] * time[near[j, k]]."""

    rows: NDArray[np.int64]
    near: NDArray[np.int64]
    weight: NDArray[np.float64]


@dataclass(frozen=True)
class Pitch:
    """Result per tooth, n of them, and per passage, m of them; NaN where there is nothing to say.

    raw_deg [m]: lateness of each passage against its neighbours. error_deg [m]: the same with the stand-out teeth of
    the neighbourhood corrected. mean_deg, sd_deg, se_deg, count [n]. scatter_deg: robust spread of the teeth's means
    (the floor below which a single tooth does not stand out). suspects: teeth fitted as displaced, strongest first.
    """

    error_deg: NDArray[np.float64]
    mean_deg: NDArray[np.float64]
    sd_deg: NDArray[np.float64]
    se_deg: NDArray[np.float64]
    count: NDArray[np.int64]
    scatter_deg: float
    noise_deg: float
    suspects: tuple[int, ...]


def reach_for(layout: Layout) -> int:
    """Neighbours on each side: about 27 degrees, at least three teeth (a cubic needs four points and some to spare)."""
    return int(np.clip(round(27.0 / layout.pitch_deg), 3, 6))


def smoother(
    angle_deg: NDArray[np.float64], time_s: NDArray[np.float64], group: NDArray[np.int64], reach: int, span_deg: float
) -> Smoother:
    """Weights for every passage whose ``2 * reach`` neighbours lie in its group, within ``span_deg`` on each side."""
    m = angle_deg.size
    if m < 2 * reach + 1:
        empty = np.empty(0, np.int64)
        return Smoother(empty, np.empty((0, 2 * reach), np.int64), np.empty((0, 2 * reach)))
    centre = np.arange(reach, m - reach)
    same = (group[centre - reach] == group[centre]) & (group[centre + reach] == group[centre])
    near_enough = (angle_deg[centre + reach] - angle_deg[centre] <= span_deg) & (
        angle_deg[centre] - angle_deg[centre - reach] <= span_deg
    )
    rows = centre[same & near_enough]
    if rows.size > MOST_PASSES:
        block = 400
        blocks = rows.size // block
        take = max(1, MOST_PASSES // block)
        chosen = np.unique(np.linspace(0, blocks - 1, take).astype(int))
        rows = np.concatenate([rows[b * block : (b + 1) * block] for b in chosen])
    offsets = np.concatenate((np.arange(-reach, 0), np.arange(1, reach + 1)))
    near = rows[:, None] + offsets[None, :]
    x = (angle_deg[near] - angle_deg[rows][:, None]) / max(span_deg, 1e-9)
    degree = 3 if reach >= 3 else 2
    basis = np.stack([x**d for d in range(degree + 1)], axis=2)
    taper = (1.0 - np.minimum(np.abs(x), 1.0) ** 3) ** 2 + 0.05
    weighted = basis * taper[:, :, None]
    gram = np.einsum("jkd,jke->jde", weighted, basis)
    gram += 1e-12 * np.eye(degree + 1)
    first = np.zeros((rows.size, degree + 1, 1))
    first[:, 0, 0] = 1.0
    solved = np.linalg.solve(gram, first)[:, :, 0]
    weight = np.einsum("jkd,jd->jk", weighted, solved)
    return Smoother(rows, near, weight)


def measure(
    layout: Layout,
    tooth: NDArray[np.int32],
    angle_deg: NDArray[np.float64],
    time_s: NDArray[np.float64],
    group: NDArray[np.int64],
    floor_deg: float,
) -> Pitch:
    """Pitch errors of the passages given (edges that were seen and may be used), in order of time within each group."""
    n = len(layout.teeth_deg)
    m = tooth.size
    reach = reach_for(layout)
    span = max(reach + 2.6, 1.0) * layout.pitch_deg
    smooth = smoother(angle_deg, time_s, group, reach, span)
    error = np.full(m, np.nan)
    nothing = np.full(n, np.nan)
    if smooth.rows.size == 0:
        return Pitch(error, nothing, nothing, nothing, np.zeros(n, np.int64), np.nan, np.nan, ())
    expected = np.sum(smooth.weight * time_s[smooth.near], axis=1)
    step_t = time_s[smooth.rows + 1] - time_s[smooth.rows - 1]
    speed = (angle_deg[smooth.rows + 1] - angle_deg[smooth.rows - 1]) / np.maximum(step_t, 1e-9)
    raw = (time_s[smooth.rows] - expected) * speed
    near_tooth = tooth[smooth.near]
    own = tooth[smooth.rows]
    suspects, correction = _standouts(raw, own, near_tooth, smooth.weight, floor_deg, layout.pitch_deg, n)
    suspects, correction = _prune(suspects, correction, raw, own, near_tooth, smooth.weight, floor_deg, n)
    left = raw - (correction[own] - np.sum(smooth.weight * correction[near_tooth], axis=1))
    total = left + correction[own]
    error[smooth.rows] = total
    mean, count = _medians(total, own, n)
    sd = np.array([_robust_sd(total[own == i]) if count[i] > 1 else np.nan for i in range(n)])
    with np.errstate(invalid="ignore", divide="ignore"):
        se = sd / np.sqrt(count) * 1.25
    sound = [i for i in range(n) if i not in suspects and count[i] >= 2]
    scatter = _spread(mean[sound]) if sound else np.nan
    noise = _robust_sd(total - mean[own])
    order = sorted(suspects, key=lambda i: -abs(correction[i]))
    return Pitch(error, mean, sd, se, count, float(scatter), float(noise), tuple(order))


def _standouts(
    raw: NDArray[np.float64],
    own: NDArray[np.int32],
    near: NDArray[np.int32],
    weight: NDArray[np.float64],
    floor_deg: float,
    most_deg: float,
    n: int,
) -> tuple[list[int], NDArray[np.float64]]:
    """Teeth that stand out, one after the other, and the errors fitted to them [n]; none beyond ``most_deg``."""
    correction = np.zeros(n)
    suspects: list[int] = []
    slips: list[int] = []
    left = raw.copy()
    for _ in range(MOST_SUSPECTS):
        mean, count = _medians(left, own, n)
        floor = _spread(mean[count >= 2])
        worst = _worst(mean, count, _noise(left, own, mean, count), max(floor, floor_deg), suspects + slips)
        if worst is None:
            break
        tried = _refit(raw, own, near, weight, [*suspects, worst], n)
        if np.abs(tried).max() > most_deg:  # no tooth passes its neighbour: there the decoding slips
            slips.append(worst)
            continue
        suspects.append(worst)
        correction = tried
        left = raw - (correction[own] - np.sum(weight * correction[near], axis=1))
    return suspects, correction


def _medians(
    values: NDArray[np.float64], own: NDArray[np.int32], n: int
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Median and count by tooth; NaN where a tooth has none."""
    count = np.bincount(own, minlength=n)
    mean = np.full(n, np.nan)
    order = np.argsort(own, kind="stable")
    parts = np.split(values[order], np.cumsum(count)[:-1])
    for i, part in enumerate(parts):
        if part.size:
            mean[i] = median(part)
    return mean, count


def _spread(mean: NDArray[np.float64]) -> float:
    """Robust standard deviation about zero."""
    ok = mean[np.isfinite(mean)]
    return 1.4826 * median(np.abs(ok)) if ok.size else np.nan


def _robust_sd(values: NDArray[np.float64]) -> float:
    if values.size < 2:
        return float("nan")
    return 1.4826 * median(np.abs(values - median(values)))


def _noise(
    left: NDArray[np.float64], own: NDArray[np.int32], mean: NDArray[np.float64], count: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Uncertainty of each tooth's median from the scatter between turns."""
    sd = _robust_sd(left - mean[own])
    with np.errstate(divide="ignore", invalid="ignore"):  # teeth never seen: infinite, or not a number at no scatter
        return np.asarray(1.25 * sd / np.sqrt(count))


def _worst(
    mean: NDArray[np.float64], count: NDArray[np.int64], se: NDArray[np.float64], floor: float, taken: list[int]
) -> int | None:
    """The tooth that stands out most, beyond four times its uncertainty and five times the floor of the others."""
    best, best_z = None, 1.0
    for i in range(mean.size):
        if i in taken or count[i] < 2 or not np.isfinite(mean[i]):
            continue
        limit = np.hypot(4.0 * se[i], 5.0 * floor)
        z = abs(mean[i]) / limit if limit > 0 else 0.0
        if z > best_z:
            best, best_z = i, z
    return best


def _refit(
    raw: NDArray[np.float64],
    own: NDArray[np.int32],
    near: NDArray[np.int32],
    weight: NDArray[np.float64],
    suspects: list[int],
    n: int,
) -> NDArray[np.float64]:
    """Least absolute deviation (reweighted least squares) of the suspects' errors from all residuals they touch."""
    design = np.zeros((raw.size, len(suspects)))
    for c, s in enumerate(suspects):
        design[:, c] = (own == s).astype(float) - np.sum(weight * (near == s), axis=1)
    touched = np.abs(design).max(axis=1) > 0.02
    x, y = design[touched], raw[touched]
    w = np.ones(y.size)
    scale = max(_robust_sd(y), 1e-6)
    solution = np.zeros(len(suspects))
    for _ in range(8):
        a = x * w[:, None]
        solution = np.linalg.solve(a.T @ x + 1e-9 * np.eye(len(suspects)), a.T @ y)
        w = 1.0 / np.maximum(np.abs(y - x @ solution), 0.3 * scale)
    out = np.zeros(n)
    out[suspects] = solution
    return out


def _prune(
    suspects: list[int],
    correction: NDArray[np.float64],
    raw: NDArray[np.float64],
    own: NDArray[np.int32],
    near: NDArray[np.int32],
    weight: NDArray[np.float64],
    floor_deg: float,
    n: int,
) -> tuple[list[int], NDArray[np.float64]]:
    """Teeth taken for displaced only because their neighbour was: dropped once the neighbour is fitted."""
    kept = [s for s in suspects if abs(correction[s]) > 5.0 * floor_deg]
    if len(kept) < len(suspects):
        correction = _refit(raw, own, near, weight, kept, n) if kept else np.zeros(n)
    return kept, correction
