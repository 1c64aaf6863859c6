"""Relative compression while cranking: the work that each cylinder's compression takes from the crank.

The slowest dip of a cranking engine stands after the cylinder that is sound, not at the one that is weak: a weak
compression takes less, so the crank comes to its neighbour faster and is slowed more. Compared here is work. The square
of speed is fitted by what the gas of every cylinder, the drive and friction can do to it over the crank angle:

    w^2/2 = start + sum over cylinders of charge * gas work + drive * angle - fall * integral of speed over angle

all linear in the unknowns but the moment of inertia, which drops out of ratios. A starter that is slowed gives more
torque (``fall``). Gas work: slider-crank and polytropic law as in Heywood, Internal Combustion Engine Fundamentals,
ch. 2 and 9. What a cylinder gives back has an unknown of its own: a leak takes more from it than from the compression.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine import compression_kernel as kernel
from witnessmark.engine import geometry
from witnessmark.special import median
from witnessmark.threads import each

Array = NDArray[np.float64]
Tables = tuple[Array, Array, Array]

STEP_DEG = 6.0
ROD_RATIO = 3.3
# The pistons' inertia moves with angle: half their mass times crank radius squared over the rest, per piston (memory:
# 0.5 kg on 43 mm against 0.15 kg m2).
PISTON = 0.003
CLOSES_DEG, OPENS_DEG = -130.0, 130.0  # inlet closes, exhaust opens, after firing TDC (common practice, no source)
EXPONENT = 1.28  # low at cranking speed (memory: 1.2 to 1.28)
CHARGE_BAR = 0.97  # manifold of an open throttle while cranking (memory)
LOST = 0.22  # share of the charge lost by the time the exhaust opens, cranking (memory)
# Blow-by of tight cylinders differs by a few hundredths of the charge (memory); where events overlap this prior keeps
# charge and blow-by apart.
TIGHT = 0.03
LEAST_LEFT = 0.02  # a fit is never better than the assumed shape: this share of the ripple
LEAST_CYCLES = 4  # more than four (DOMAIN: relative compression), whole ones
BLOCK = 2  # cycles that share one start value and drive: the battery fades slowly
# Ratios are no better than the assumed shape of the gas work: error of simulated engines with exact speed.
SHAPE_SD = 0.006
# What the fit leaves may be one cylinder's (measured on simulated leaks: ratios err by about the share left).
UNEXPLAINED = 1.0


@dataclass(frozen=True, slots=True)
class Relative:
    """Work absorbed by each event over the median of the others' [n], in order of ``tdc_deg``; sd: its own uncertainty.

    cycles: whole cycles used. residual: rms of what the fit leaves, over the rms of the ripple. source: which line.
    back_rel [n]: the same for what is given back.
    """

    tdc_deg: Array
    rel: Array
    sd: Array
    cycles: int
    residual: float
    source: str
    back_rel: Array


@dataclass(frozen=True, slots=True)
class Speed:
    """Speed over crank angle of one stretch: angle_deg [k] evenly spaced (STEP_DEG), rad_s [k] mean over the step."""

    angle_deg: Array
    rad_s: Array
    good: NDArray[np.bool_] | None = None  # False where the step lies in a gap of the wheel


def shape(cylinder: geometry.CylinderGeometry) -> Tables:
    """By degree after TDC 0..719: (torque of tight gas per bar of charge, blow-by so far, torque of 1 bar)."""
    deg = np.arange(720.0)
    signed = np.where(deg > 360.0, deg - 720.0, deg)
    closed = (signed >= CLOSES_DEG) & (signed <= OPENS_DEG)
    ratio, least = cylinder.rod_ratio, cylinder.compression_ratio
    at_close = float(geometry.volume_ratio(CLOSES_DEG, ratio, least))
    # blow-by goes with pressure, so most of it about TDC
    high = np.where(closed, (at_close / geometry.volume_ratio(signed, ratio, least)) ** EXPONENT, 0.0)
    order = np.argsort(signed)
    gone = np.cumsum((np.maximum(high, 1.0) - 1.0)[order] / np.maximum(high, 1.0)[order] * closed[order])
    share = np.empty(720)
    share[order] = gone / gone[-1]
    arm = geometry.volume_slope_m3_per_rad(deg, cylinder) * 1e5
    gas = CHARGE_BAR * high * arm
    return gas, share, np.where(closed, arm, 0.0)


def _compiled(tables: Tables) -> Array:
    """[4, 720]: the three tables, and how the blow-by rises from degree -360 to 359, zero before the valves close."""
    turned = np.roll(tables[1], 360)
    turned[: int(360 + CLOSES_DEG)] = 0.0
    return np.stack([*tables, np.diff(turned, append=0.0)])


@dataclass(frozen=True, slots=True)
class _Blocks:
    """Blocks of BLOCK cycles each: angle_deg, rad_s, good [b, k] as in Speed; own [b, 3, k] what each may drift by."""

    angle_deg: Array
    rad_s: Array
    good: NDArray[np.bool_]
    own: Array

    def __len__(self) -> int:
        """Number of blocks."""
        return len(self.angle_deg)

    def energy(self, tdc: Array) -> Array:
        """What is fitted [b, k], with the pistons' part for these events."""
        return np.asarray(kernel.energy(self.angle_deg, self.rad_s, tdc, ROD_RATIO, PISTON))

    def normal(self, energy: Array, tdc: Array, blow_by: Array, tables: Array, cycle_deg: float) -> Array:
        """Normal equations [b, 2n + 3, 2n + 3] of each block with its own start value and a drive that drifts.

        Rows: charge of each event, its blow-by beyond ``blow_by``, drive, fall with speed; the energy last.
        """
        return np.asarray(kernel.normal(
            self.angle_deg, self.rad_s, self.good, self.own, energy, tdc, blow_by, tables, int(cycle_deg),
            int(STEP_DEG), CLOSES_DEG, OPENS_DEG,
        ))  # fmt: skip


def _cut(stretches: Sequence[Speed], cycle_deg: float, most: int | None = None) -> _Blocks:
    """The stretches in whole blocks, ``most`` of them."""
    size = round(BLOCK * cycle_deg / STEP_DEG)
    rows = [(s, slice(i * size, (i + 1) * size)) for s in stretches for i in range(len(s.angle_deg) // size)][:most]
    if not rows:
        none = np.empty((0, size))
        return _Blocks(none, none, none.astype(np.bool_), np.empty((0, 3, size)))
    good = np.stack([np.ones(size, np.bool_) if s.good is None else s.good[r] for s, r in rows])
    return _Blocks(
        np.stack([s.angle_deg[r] for s, r in rows]), np.stack([s.rad_s[r] for s, r in rows]), good, kernel.drifts(good)
    )


def _solve(ata: Array, aty: Array, n: int, weight: Array, target: Array) -> Array:
    """Unknowns; ``weight`` [n] of the prior that the change of blow-by is ``target`` but for a common part."""
    ata, aty = ata.copy(), aty.copy()
    apart = np.eye(n) - (weight / weight.sum())[None, :]
    ata[n : 2 * n, n : 2 * n] += apart.T @ (weight[:, None] * apart)
    aty[n : 2 * n] += apart.T @ (weight * (apart @ target))
    ata[np.diag_indices_from(ata)] *= 1.0 + 1e-9
    return np.asarray(np.linalg.lstsq(ata, aty, rcond=1e-14)[0])


def _left(unknown: Array, ata: Array, aty: Array, square: float) -> float:
    return max(float(square - 2 * unknown @ aty + unknown @ ata @ unknown), 0.0)


@dataclass(frozen=True, slots=True)
class _Fit:
    unknown: Array
    weight: Array
    target: Array
    blow_by: Array  # about which the fit was made
    blocks: Array  # normal equations of each
    left: float  # share of the ripple left, rms


def _fit(parts: _Blocks, tdc: Array, tables: Tables, cycle_deg: float, rounds: int = 5) -> _Fit:
    """Charge and blow-by of every event (Gauss-Newton). What a fit leaves is no white noise: a tenth of the samples
    count. Most cylinders are tight and one may not be: the prior lets go of one that stands far out (Cauchy weights:
    Huber, Robust Statistics, from memory).
    """
    n = len(tdc)
    looked_up, energy, count = _compiled(tables), parts.energy(tdc), float(np.count_nonzero(parts.good))
    blow = np.full(n, LOST)
    size, unknown, weight, target, left = 0.0, np.zeros(0), np.zeros(n), np.zeros(n), 1.0
    for turn in range(rounds):
        blocks = parts.normal(energy, tdc, blow, looked_up, cycle_deg)
        total = blocks.sum(axis=0)
        ata, aty, square = total[:-1, :-1], total[:-1, -1], float(total[-1, -1])
        if turn == 0:
            weight = np.full(n, 1e-3 * float(ata[:n, :n].trace()) / n)
            unknown = _solve(ata, aty, n, weight, target)
        size = abs(median(unknown[:n])) or 1.0
        left = max(_left(unknown, ata, aty, square), LEAST_LEFT**2 * square)
        middle = median(blow)
        far = (blow - middle) / TIGHT
        weight = 10.0 * left / max(count, 1.0) / (TIGHT * size) ** 2 / (1.0 + far**2)
        charge = np.maximum(unknown[:n], 0.05 * size)
        target = (middle - blow) * charge
        unknown = _solve(ata, aty, n, weight, target)
        left = float(np.sqrt(_left(unknown, ata, aty, square) / max(square, 1e-12)))
        if turn < rounds - 1:
            charge = np.maximum(unknown[:n], 0.05 * size)
            blow = np.clip(blow + np.clip(unknown[n : 2 * n] / charge, -0.4, 0.6), 0.0, 6.0)
    return _Fit(unknown, weight, target, blow, blocks, left)


def _ratios(unknown: Array, blow_by: Array, tables: Tables) -> tuple[Array, Array]:
    """(absorbed work, work given back) of each event, each over the median of the others'."""
    n = len(blow_by)
    charge, blown = unknown[:n], unknown[n : 2 * n]
    size = median(charge)
    gas, share, case = tables
    now = gas[:, None] * np.exp(-blow_by * share[:, None])
    out = []
    for part in (np.arange(720) > 360, np.arange(720) <= 360):
        work = charge * now[part].sum(axis=0) - blown * (now * share[:, None])[part].sum(axis=0)
        out.append(_over_others(work / size - case[part].sum()))
    return out[0], out[1]


def _over_others(value: Array) -> Array:
    if len(value) < 2:
        return np.ones(len(value))
    others = np.array([median(np.delete(value, i)) for i in range(len(value))])
    return np.asarray(value / others)


def relative(
    stretches: Sequence[Speed],
    tdc_deg: Array,
    cylinder: geometry.CylinderGeometry | None = None,
    cycle_deg: float = 720.0,
    source: str = "crank speed",
) -> Relative | None:
    """Compare the events at ``tdc_deg`` (on the stretches' own angle scale, modulo the cycle).

    None with fewer than LEAST_CYCLES whole cycles or a fit that does not hold. Uncertainty by leaving out one block
    after the other (jackknife: Efron & Tibshirani, An Introduction to the Bootstrap, ch. 11, from memory).
    """
    tables = shape(cylinder or geometry.CylinderGeometry())
    n, parts = len(tdc_deg), _cut(stretches, cycle_deg)
    if n < 2 or len(parts) * BLOCK < LEAST_CYCLES:
        return None
    fit = _fit(parts, tdc_deg, tables, cycle_deg)
    if not np.isfinite(fit.unknown).all() or median(fit.unknown[:n]) <= 0.0:
        return None
    rel, back = _ratios(fit.unknown, fit.blow_by, tables)
    others = fit.blocks.sum(axis=0) - fit.blocks
    without = [_solve(o[:-1, :-1], o[:-1, -1], n, fit.weight, fit.target) for o in others]
    out = np.array([_ratios(u, fit.blow_by, tables)[0] for u in without])
    m = len(parts)
    sd = np.sqrt((m - 1) / m * ((out - out.mean(axis=0)) ** 2).sum(axis=0)) * (1.0 + 1.0 / m)
    return Relative(
        tdc_deg, rel, np.hypot(sd, max(SHAPE_SD, UNEXPLAINED * fit.left)), m * BLOCK, fit.left, source, back
    )


def placed(
    stretches: Sequence[Speed], offsets_deg: Array, cylinder: geometry.CylinderGeometry | None, cycle_deg: float,
    span_deg: float | None = None, about_deg: float = 0.0,
) -> tuple[float, float]:  # fmt: skip
    """(shift in degrees that fits best, residual there) of a firing pattern over one event: where no TDC is known."""
    tables = shape(cylinder or geometry.CylinderGeometry())
    n, parts = len(offsets_deg), _cut(stretches, cycle_deg, 6)
    reach = cycle_deg / n if span_deg is None else span_deg

    def residual(shift: float) -> float:
        fit = _fit(parts, offsets_deg + shift, tables, cycle_deg, 2)
        return fit.left if median(fit.unknown[:n]) > 0.0 else 9.0

    tries = about_deg + np.arange(-reach / 2, reach / 2, 3.0)
    scores = each(lambda x: residual(float(x)), tries)
    best = int(np.argmin(scores))
    return float(tries[best]), scores[best]
