"""One motored compression and expansion fitted by its law: where its top dead centre is, its exponent, its leak.

Over crank angle x about the peak, in the channel's own unit:

    p = zero + top * v(x - tdc)^-n * exp(-leak * S(x))

v is the cylinder's volume over that at TDC (slider-crank; Heywood, Internal Combustion Engine Fundamentals, ch. 2), n
the polytropic exponent (ch. 9), zero the reading at no pressure (a gauge's or an unknown one), S the time since TDC
weighted by 1 - 1/p: what flows out through a leak goes with the pressure while the flow is choked, and back in below
the crankcase's. A leak lowers the expansion against the compression the more the farther from TDC; a wrong TDC tilts
them most at 20 to 40 degrees: that keeps the two apart. What heat loss does about TDC looks like a shift of TDC itself
and is left to the loss angle (cylinder_pressure).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine.geometry import CylinderGeometry, volume_ratio

Array = NDArray[np.float64]

HALF_DEG = 100.0  # both flanks up to here: closed on any usual engine (inlet closes 30-70 after BDC: common practice)
LEAST_POINTS = 40
FLAT_SHARE = 0.03
FAR_LOG = 3.0  # a top twenty times the first guess is no solution
HOLE_DEG, CUT_DEG = 15.0, 100.0  # without samples at most: in the record, and where a peak is cut off
ROUNDS = 12
# The law itself is taken to be good to this share of the pressure: the high pressures do not outweigh the low ones.
MODEL_SHARE = 0.004
CHARGE_BAR = 0.97  # where the unit is not known: the charge at inlet closing (open throttle: memory)
CLOSES_DEG = -130.0
LEAST_BAR = 0.3
# Loose priors that matter only where noise leaves a number open: exponent (memory: 1.2 to 1.35 motored).
USUAL_EXPONENT, EXPONENT_SD = 1.28, 0.15


@dataclass(frozen=True, slots=True)
class FlankFit:
    """The fitted law of one cycle. Angles in degrees on the scale given, sd: its own uncertainty by noise.

    tdc_deg: centre of the two flanks with the leak taken out; peak_deg: where the fitted pressure is highest.
    leak_per_s: share of the charge lost a second at high pressure. residual: rms left over the height of the peak.
    symmetry: pressure 60 degrees after TDC over that before, zero taken off. top: pressure over zero at TDC.
    cut_off: share of the height by which the curve's top lies above the highest sample (a recorder's end of range).
    swing: rms of what is left that is smooth in angle, over the height (the law does not describe the curve).
    """

    tdc_deg: float
    tdc_sd_deg: float
    peak_deg: float
    exponent: float
    exponent_sd: float
    leak_per_s: float
    leak_sd: float
    zero: float
    zero_sd: float
    top: float
    residual: float
    swing: float
    symmetry: float
    noise: float
    cut_off: float


def fit(
    angle_deg: Array, value: Array, time_s: Array, cylinder: CylinderGeometry, about_deg: float,
    bar_per_unit: float | None = None, half_deg: float = HALF_DEG,
) -> FlankFit | None:  # fmt: skip
    """Fit the samples (rising angle) within ``half_deg`` of ``about_deg``; None where there are too few or no peak."""
    take = np.abs(angle_deg - about_deg) <= half_deg
    x, p, t = angle_deg[take] - about_deg, value[take], time_s[take]
    highest = float(p.max(initial=-np.inf))
    flat = p >= highest  # a recorder's end of range cuts the peak off: what is cut says nothing
    flat &= flat.sum() > FLAT_SHARE * len(p)
    if flat.any():
        x, p, t = x[~flat], p[~flat], t[~flat]
    if (
        len(x) < LEAST_POINTS
        or x[0] > -0.85 * half_deg
        or x[-1] < 0.85 * half_deg
        or np.diff(x).max() > (CUT_DEG if flat.any() else HOLE_DEG)
    ):
        return None
    start = _start(x, p, cylinder, 0.9 * half_deg)
    if start is None:
        return None
    noise = max(float(np.std(p[2:] - 2 * p[1:-1] + p[:-2])) / 6.0**0.5, 1e-6 * float(p.max() - p.min()))
    unknown, cov = start, np.eye(5)
    for _ in range(ROUNDS):
        step, cov = _step(x, p, t, unknown, cylinder, bar_per_unit, noise)
        step[1] = np.clip(step[1], -0.2, 0.2)
        step[2] = np.clip(step[2], -8.0, 8.0)
        unknown = unknown + step
        unknown[1] = np.clip(unknown[1], 0.8, 1.8)
        if not np.isfinite(unknown).all() or abs(unknown[2]) > 30.0 or abs(unknown[0] - start[0]) > FAR_LOG:
            return None
    return _told(x, p, t, unknown, cov, cylinder, bar_per_unit, noise, about_deg, highest)


def _start(x: Array, p: Array, cylinder: CylinderGeometry, far_deg: float) -> Array | None:
    """First values: centre of the top third, zero from the height of the flanks by the usual exponent."""
    low = np.abs(np.abs(x) - far_deg) < 0.09 * far_deg
    if not low.any():
        return None
    end = float(np.median(p[low]))
    tdc = float(np.mean(x[p > p.max() - 0.3 * (p.max() - end)]))
    fold = float(volume_ratio(far_deg, cylinder.rod_ratio, cylinder.compression_ratio)) ** USUAL_EXPONENT
    near = np.abs(x - tdc) < 5.0
    top = float(np.median(p[near])) if near.any() else float(p.max())
    if top <= end:
        return None
    zero = (end * fold - top) / (fold - 1.0)
    return np.array([np.log(top - zero), USUAL_EXPONENT, tdc, 0.0, zero])


def _law(
    x: Array, t: Array, u: Array, cylinder: CylinderGeometry, bar_per_unit: float | None
) -> tuple[Array, Array, Array]:
    """(pressure over zero, ln v, S) at the samples."""
    ln_v = np.log(volume_ratio(x - u[2], cylinder.rod_ratio, cylinder.compression_ratio))
    over = np.exp(u[0] - u[1] * ln_v)
    scale = bar_per_unit
    if scale is None:
        closed = volume_ratio(CLOSES_DEG, cylinder.rod_ratio, cylinder.compression_ratio) ** -u[1]
        scale = CHARGE_BAR / float(np.exp(u[0]) * closed)
    s = np.zeros(len(x))
    rounds = 1 if abs(u[3]) < 1.0 else 4 if abs(u[3]) < 5.0 else 10
    for k in range(rounds):  # what is left decides how much goes on leaking; by halves, so that a large leak settles
        flow = 1.0 - 1.0 / np.maximum(over * np.exp(-np.clip(u[3] * s, -3.0, 3.0)) * scale, LEAST_BAR)
        now = np.concatenate(([0.0], np.cumsum(0.5 * (flow[1:] + flow[:-1]) * np.diff(t))))
        now -= np.interp(u[2], x, now)
        s = now if k == 0 else 0.5 * (s + now)
    return over * np.exp(-np.clip(u[3] * s, -3.0, 3.0)), ln_v, s


def law_of(x: Array, t: Array, found: FlankFit, cylinder: CylinderGeometry, bar_per_unit: float | None) -> Array:
    """Pressure over zero by a fitted law at other samples of the same cycle; x in degrees after ``found.tdc_deg``."""
    u = np.array([np.log(found.top), found.exponent, 0.0, found.leak_per_s, found.zero])
    return _law(x, t, u, cylinder, bar_per_unit)[0]


def _step(
    x: Array, p: Array, t: Array, u: Array, cylinder: CylinderGeometry, bar_per_unit: float | None, noise: float
) -> tuple[Array, Array]:
    """One Gauss-Newton step and the covariance there."""
    over, ln_v, s = _law(x, t, u, cylinder, bar_per_unit)
    h = 0.05
    ahead = np.log(volume_ratio(x - u[2] - h, cylinder.rod_ratio, cylinder.compression_ratio))
    behind = np.log(volume_ratio(x - u[2] + h, cylinder.rod_ratio, cylinder.compression_ratio))
    slope = (ahead - behind) / (2 * h)  # of ln v by tdc
    a = np.column_stack([over, -over * ln_v, -u[1] * over * slope, -over * s, np.ones_like(over)])
    weight = 1.0 / (noise**2 + (MODEL_SHARE * over) ** 2)
    ata = a.T @ (weight[:, None] * a)
    aty = a.T @ (weight * (p - u[4] - over))
    ata[1, 1] += 1.0 / EXPONENT_SD**2
    aty[1] += (USUAL_EXPONENT - u[1]) / EXPONENT_SD**2
    size = np.sqrt(np.diag(ata))
    inverse = np.linalg.pinv(ata / np.outer(size, size), rcond=1e-12) / np.outer(size, size)
    return np.asarray(inverse @ aty), np.asarray(inverse)


def _told(
    x: Array, p: Array, t: Array, u: Array, cov: Array, cylinder: CylinderGeometry, bar_per_unit: float | None,
    noise: float, about_deg: float, highest: float,
) -> FlankFit:  # fmt: skip
    over, _, _ = _law(x, t, u, cylinder, bar_per_unit)
    left = p - u[4] - over
    top = float(np.exp(u[0]))
    # means over 5 degrees: noise averages out, a curve of another shape does not
    cell = np.floor((x + HALF_DEG) / 5.0).astype(np.int64)
    count = np.bincount(cell)
    mean = (np.bincount(cell, left) / np.maximum(count, 1))[count > 0]
    expected = noise**2 / count[count > 0]
    swing = float(np.sqrt(max(float(np.mean(mean**2 - expected)), 0.0)))
    # samples a degree or less apart share the recorder's steps: the reduced chi-square widens what noise alone gives
    weight = 1.0 / (noise**2 + (MODEL_SHARE * over) ** 2)
    birge = max(1.0, float(np.sqrt(np.sum(weight * left**2) / max(len(x) - 5, 1))))
    sd = np.sqrt(np.diag(cov)) * birge
    fine = np.arange(-20.0, 20.0, 0.05) + u[2]
    curve = _law(fine, np.asarray(np.interp(fine, x, t)), u, cylinder, bar_per_unit)[0]
    peak = float(fine[int(np.argmax(curve))])
    return FlankFit(
        tdc_deg=float(u[2]) + about_deg, tdc_sd_deg=float(sd[2]), peak_deg=peak + about_deg, exponent=float(u[1]),
        exponent_sd=float(sd[1]), leak_per_s=float(u[3]), leak_sd=float(sd[3]), zero=float(u[4]),
        zero_sd=float(sd[4]), top=top, residual=float(np.sqrt(np.mean(left**2))) / top, swing=swing / top,
        symmetry=_symmetry(x, p - u[4], float(u[2])), noise=noise,
        cut_off=(float(u[4]) + float(curve.max()) - highest) / top,
    )  # fmt: skip


def _symmetry(x: Array, over: Array, tdc: float) -> float:
    """Pressure after TDC over that before at equal volumes, about 60 degrees."""
    after, before = np.abs(x - tdc - 60.0) < 6.0, np.abs(x - tdc + 60.0) < 6.0
    if not after.any() or not before.any():
        return float("nan")
    return float(np.mean(over[after])) / max(float(np.mean(over[before])), 1e-12)
