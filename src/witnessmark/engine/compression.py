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

from witnessmark.engine import geometry

Array = NDArray[np.float64]

STEP_DEG = 6.0
CLOSES_DEG, OPENS_DEG = -130.0, 130.0  # inlet closes, exhaust opens, after firing TDC (common practice, no source)
EXPONENT = 1.28  # low at cranking speed (memory: 1.2 to 1.28)
CHARGE_BAR = 0.97  # manifold of an open throttle while cranking (memory)
LOST = 0.22  # share of the charge lost by the time the exhaust opens, cranking (memory)
# What a cylinder gives back may differ from its compression; a prior this wide (share of the charge) keeps the two
# apart where events overlap.
GIVEN_BACK = 0.15
LEAST_CYCLES = 4  # more than four (DOMAIN: relative compression), whole ones
BLOCK = 2  # cycles that share one start value and drive: the battery fades slowly
# Ratios are no better than the assumed shape of the gas work: error of simulated engines with exact speed.
SHAPE_SD = 0.006


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


def shape(cylinder: geometry.CylinderGeometry) -> tuple[Array, Array, Array]:
    """Work in bar x m3 a radian per bar of charge, by degree after TDC 0..719: (compression, expansion, case)."""
    deg = np.arange(720.0)
    signed = np.where(deg > 360.0, deg - 720.0, deg)
    closed = (signed >= CLOSES_DEG) & (signed <= OPENS_DEG)
    ratio, least = cylinder.rod_ratio, cylinder.compression_ratio
    at_close = float(geometry.volume_ratio(CLOSES_DEG, ratio, least))
    # blow-by goes with pressure, so most of it about TDC
    high = np.where(closed, (at_close / geometry.volume_ratio(signed, ratio, least)) ** EXPONENT, 0.0)
    order = np.argsort(signed)
    gone = np.cumsum((np.maximum(high, 1.0) - 1.0)[order] / np.maximum(high, 1.0)[order] * closed[order])
    left = np.empty(720)
    left[order] = 1.0 - LOST * gone / gone[-1]
    arm = geometry.volume_slope_m3_per_rad(deg, cylinder) * 1e5
    gas = CHARGE_BAR * high * left * arm
    before = signed < 0.0
    return np.where(before, gas, 0.0), np.where(before, 0.0, gas), np.where(closed, arm, 0.0)


def _read(table: Array, angle_deg: Array, cycle_deg: float) -> Array:
    folded = np.mod(angle_deg, cycle_deg)
    folded = np.where(folded > cycle_deg / 2, folded - cycle_deg, folded)
    return np.interp(np.mod(folded, 720.0), np.arange(721.0), np.append(table, table[0]))


def _design(part: Speed, tdc: Array, tables: tuple[Array, Array, Array], cycle_deg: float) -> Array:
    """Columns [k, 2n + 2]: charge of each event, what it gives back beyond that, drive, fall with speed."""
    fine = part.angle_deg[0] - STEP_DEG / 2 + np.arange(len(part.angle_deg) * int(STEP_DEG)) + 0.5
    off = fine[:, None] - tdc[None, :]
    pressed, given, case = (_read(t, off, cycle_deg) for t in tables)
    one = np.radians(1.0)
    mean_case = case.sum(axis=1, keepdims=True) / len(tdc)
    torque = np.hstack([pressed + given - mean_case, given])
    work = np.cumsum(torque, axis=0) * one
    rows = work.reshape(len(part.angle_deg), int(STEP_DEG), -1).mean(axis=1)
    along = np.radians(part.angle_deg - part.angle_deg[0])
    slowed = np.cumsum(part.rad_s) * np.radians(STEP_DEG)
    return np.column_stack([rows, along, slowed])


def _normal(part: Speed, tdc: Array, tables: tuple[Array, Array, Array], cycle_deg: float) -> tuple[Array, Array, Array]:
    """(A'A, A'y, [y'y, count]) of one block with its own start value and a drive that drifts."""
    a, y = _design(part, tdc, tables, cycle_deg), 0.5 * part.rad_s**2
    x = np.linspace(-1.0, 1.0, len(y))
    own = np.linalg.qr(np.column_stack([np.ones_like(x), x, x**2]))[0]
    a, y = a - own @ (own.T @ a), y - own @ (own.T @ y)
    return a.T @ a, a.T @ y, np.array([y @ y, float(len(y))])


def _solve(ata: Array, aty: Array, n: int, weight: float) -> Array:
    """Unknowns; ``weight`` of the prior that every cylinder gives back the same share of its charge.

    The share common to all is free: it is the blow-by of a sound engine.
    """
    ata = ata.copy()
    ata[n : 2 * n, n : 2 * n] += (np.eye(n) - 1.0 / n) * weight
    ata[np.diag_indices_from(ata)] *= 1.0 + 1e-9
    return np.asarray(np.linalg.lstsq(ata, aty, rcond=1e-14)[0])


def _left(unknown: Array, ata: Array, aty: Array, sums: Array) -> float:
    return max(float(sums[0] - 2 * unknown @ aty + unknown @ ata @ unknown), 0.0)


def _weighed(ata: Array, aty: Array, sums: Array, n: int) -> tuple[Array, float]:
    """(unknowns, weight of the prior): what the fit leaves is no white noise, a tenth of the samples count."""
    size, weight = 0.0, 1e-6 * float(ata[:n, :n].trace()) / n
    unknown = _solve(ata, aty, n, weight)
    for _ in range(2):
        size = float(np.abs(np.median(unknown[:n]))) or 1.0
        weight = 10.0 * _left(unknown, ata, aty, sums) / max(float(sums[1]), 1.0) / (GIVEN_BACK * size) ** 2
        unknown = _solve(ata, aty, n, weight)
    return unknown, weight


def _ratios(unknown: Array, n: int, tables: tuple[Array, Array, Array]) -> tuple[Array, Array]:
    """(absorbed work, work given back) of each event, each over the median of the others'."""
    charge = unknown[:n]
    size = float(np.median(charge))
    pressed, given, case = (float(t.sum()) for t in tables)
    before = np.arange(720) > 360
    case_in = float(tables[2][before].sum())
    absorbed = charge / size * pressed - case_in
    back = (charge + unknown[n : 2 * n]) / size * given - (case - case_in)
    return _over_others(absorbed), _over_others(back)


def _over_others(value: Array) -> Array:
    if len(value) < 2:
        return np.ones(len(value))
    others = np.array([np.median(np.delete(value, i)) for i in range(len(value))])
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
    n, size = len(tdc_deg), round(BLOCK * cycle_deg / STEP_DEG)
    blocks = [_normal(b, tdc_deg, tables, cycle_deg) for s in stretches for b in _cut(s, size)]
    if n < 2 or len(blocks) * BLOCK < LEAST_CYCLES:
        return None
    ata, aty, sums = (np.sum([b[i] for b in blocks], axis=0) for i in (0, 1, 2))
    unknown, weight = _weighed(ata, aty, sums, n)
    if not np.isfinite(unknown).all() or np.median(unknown[:n]) <= 0.0:
        return None
    left = _left(unknown, ata, aty, sums)
    rel, back = _ratios(unknown, n, tables)
    out = np.array([_ratios(_solve(ata - b[0], aty - b[1], n, weight), n, tables)[0] for b in blocks])
    m = len(blocks)
    sd = np.sqrt((m - 1) / m * ((out - out.mean(axis=0)) ** 2).sum(axis=0)) * (1.0 + 1.0 / m)
    residual = float(np.sqrt(left / max(sums[0], 1e-12)))
    return Relative(tdc_deg, rel, np.hypot(sd, SHAPE_SD), m * BLOCK, residual, source, back)


def _cut(s: Speed, size: int) -> list[Speed]:
    count = len(s.angle_deg) // size
    return [Speed(s.angle_deg[i * size : (i + 1) * size], s.rad_s[i * size : (i + 1) * size]) for i in range(count)]


def placed(
    stretches: Sequence[Speed], offsets_deg: Array, cylinder: geometry.CylinderGeometry | None, cycle_deg: float,
    span_deg: float | None = None, about_deg: float = 0.0,
) -> tuple[float, float]:  # fmt: skip
    """(shift in degrees that fits best, residual there) of a firing pattern over one event: where no TDC is known."""
    tables = shape(cylinder or geometry.CylinderGeometry())
    size, n = round(BLOCK * cycle_deg / STEP_DEG), len(offsets_deg)
    parts = [b for s in stretches for b in _cut(s, size)][:6]
    reach = cycle_deg / n if span_deg is None else span_deg

    def residual(shift: float) -> float:
        blocks = [_normal(b, offsets_deg + shift, tables, cycle_deg) for b in parts]
        ata, aty, sums = (np.sum([b[i] for b in blocks], axis=0) for i in (0, 1, 2))
        u, _ = _weighed(ata, aty, sums, n)
        if np.median(u[:n]) <= 0.0:
            return 9.0
        return float(np.sqrt(_left(u, ata, aty, sums) / max(sums[0], 1e-12)))

    tries = about_deg + np.arange(-reach / 2, reach / 2, 3.0)
    scores = [residual(float(x)) for x in tries]
    best = int(np.argmin(scores))
    return float(tries[best]), scores[best]
