"""What each cylinder gives while the engine runs: the work of combustion, cycle by cycle, from the square of speed.

w^2/2 over the crank angle is fitted by the shapes of compression and of combustion (wheel/gas.py), the pistons' inertia
and a load; what combustion adds is free for every cylinder and cycle. A wheel error repeats on both turns of a cycle:
it lifts two cylinders that share the wheel's teeth alike, and a single one not at all. Orders of half the number of
cylinders and their multiples are the same for wheel and engine and are not told apart (Moskwa 2001, cited from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine.compression import PISTON, ROD_RATIO, STEP_DEG, Speed
from witnessmark.wheel import gas

Array = NDArray[np.float64]

LEAST_CYCLES = 12
# A number of cylinders is believed where it leaves less than this of the ripple and any other this much more (derived:
# combustion of a wrong number leaves most of the ripple).
EXPLAINED, CLEARLY = 0.3, 1.5
# A burn that gives less than this share of the usual one is a misfire (common practice, no source).
NO_BURN = 0.4
# Combustion of the usual cylinder over compression, as fitted, below which the engine is driven rather than drives:
# on the over-run shares of next to nothing tell no cylinder (simulated: 0.9 at idle, 0.25 slowing down from 2000 rpm).
BURNS = 0.4
SOUND = 0.5  # it counts where the others of the same cycle burn: a fuel cut is no misfire
# Speed of a steady stretch changes by less than this within two cycles (acceleration moves the events' shares).
STEADY = 0.3
WILD, LEAST_BURNING = 2.0, 4  # scatter over the usual event's; burning cycles it is told from (working choice)
BAND = 1.5  # fastest over slowest cycle that are compared: idle hunts by less (working choice)


@dataclass(frozen=True, slots=True)
class Contribution:
    """rel [n]: mean work of combustion over the median of the others'; sd its uncertainty; low [n]: cycles without.

    cycles: used. share [cycles, n]: every one, over the median of all.
    """

    rel: Array
    sd: Array
    low: Array
    cycles: int
    share: Array
    start_s: float
    end_s: float


def _columns(part: Speed, tdc: Array) -> tuple[Array, Array, Array]:
    """(combustion of each event [k, n], compression of all [k], energy with the pistons' [k])."""
    fine = part.angle_deg[0] - STEP_DEG / 2 + np.arange(len(part.angle_deg) * int(STEP_DEG)) + 0.5
    off = fine[:, None] - tdc[None, :]

    def work(of: gas.Part) -> Array:
        table = np.cumsum(gas.at(gas.torque(of), off), axis=0) * np.radians(1.0)
        return np.asarray(table.reshape(len(part.angle_deg), int(STEP_DEG), -1).mean(axis=1))

    at = np.radians(part.angle_deg[:, None] - tdc[None, :])
    sweep = np.sin(at) * (1.0 + np.cos(at) / np.sqrt(ROD_RATIO**2 - np.sin(at) ** 2))
    energy = 0.5 * part.rad_s**2 * (1.0 + PISTON * (sweep**2).sum(axis=1))
    return work("burnt"), work("motored").sum(axis=1), energy


def contribution(cycles: Sequence[tuple[Speed, float, float]], tdc_deg: Array) -> Contribution | None:
    """Compare the cylinders over whole cycles (speed, start s, end s), each from half an event before the first TDC.

    None with fewer than LEAST_CYCLES steady ones or where combustion is not seen.
    """
    n = len(tdc_deg)
    steady = _steady(cycles)
    if n < 2 or len(steady) < LEAST_CYCLES:
        return None
    x = np.linspace(-1.0, 1.0, len(steady[0][0].rad_s))
    burnt, motored, slope = [], [], np.radians(steady[0][0].angle_deg - steady[0][0].angle_deg[0])
    energy = []
    for speed, _, _ in steady:
        b, m, y = _columns(speed, tdc_deg)
        burnt.append(b)
        motored.append(m)
        energy.append(y)
    burn, squeeze = np.mean(burnt, axis=0), np.mean(motored, axis=0)
    own = np.column_stack([np.ones_like(x), slope])
    good = steady[0][0].good if steady[0][0].good is not None else np.ones(len(x), bool)

    def fit(a: Array, y: Array) -> Array:
        return np.asarray(np.linalg.lstsq(a[good], y[good], rcond=None)[0])

    mean = np.mean(energy, axis=0)
    # over the mean cycle load and burns balance: its ripple within the events tells the one from the others
    usual = fit(np.column_stack([burn, squeeze, own]), mean)
    if np.median(usual[:n]) <= BURNS * max(usual[n], 0.0):
        return None
    base = usual[n] * squeeze + usual[n + 2] * slope
    each = np.array([fit(np.column_stack([burn, np.ones_like(x)]), y - base)[:n] for y in energy])
    share = each / np.median(each)
    # against the others of the same cycle: speeding up or slowing down lifts or lowers all of them
    beside = np.array([[np.median(np.delete(row, i)) for i in range(n)] for row in share])
    apart = share - beside + 1.0
    rel = apart.mean(axis=0)
    sd = apart.std(axis=0, ddof=1) / np.sqrt(len(steady))
    low = ((apart < NO_BURN) & (beside > SOUND)).sum(axis=0)
    wild = _wild(apart)
    sd = np.where(wild, apart.std(axis=0, ddof=1), sd)  # no number of cycles makes it surer
    low = np.where(wild, 0, low)
    return Contribution(rel, sd, low, len(steady), share, steady[0][1], steady[-1][2])


def _wild(apart: Array) -> NDArray[np.bool_]:
    """Events whose burns scatter far more than those of the others: what is fitted there is no burn.

    The last event of a cycle takes up what the load changes within it while the engine speeds up. A misfire does not
    scatter so: the cycles that burn are alike.
    """
    burning = [column[column >= NO_BURN] for column in apart.T]
    spread = np.array([column.std(ddof=1) if len(column) >= LEAST_BURNING else 0.0 for column in burning])
    return np.asarray(spread > WILD * np.median(spread))


def placed(cycles: Sequence[tuple[Speed, float, float]], counts: Sequence[int]) -> tuple[int, float] | None:
    """(cylinders, first firing TDC in degrees of the cycles) where neither is known, from the mean cycle.

    None where no number of evenly firing cylinders explains the ripple clearly better than any other. The cycles begin
    anywhere; which cylinder is which stays open.
    """
    steady = _steady(cycles)
    if len(steady) < LEAST_CYCLES:
        return None
    first = steady[0][0]
    part = Speed(first.angle_deg, np.sqrt(np.mean([s.rad_s**2 for s, _, _ in steady], axis=0)), first.good)
    good = part.good if part.good is not None else np.ones(len(part.rad_s), bool)
    x = np.radians(part.angle_deg)
    scores: list[tuple[float, int, float]] = []
    for n in counts:
        best = (np.inf, n, 0.0)
        for shift in np.arange(0.0, 720.0 / n, STEP_DEG):
            burn, squeeze, y = _columns(part, shift + np.arange(n) * 720.0 / n)
            a = np.column_stack([burn, squeeze, np.ones_like(x), x])[good]
            unknown = np.linalg.lstsq(a, y[good], rcond=None)[0]
            given = unknown[:n]
            if np.median(given) <= 0.0 or unknown[n] <= 0.0 or (given < NO_BURN * np.median(given)).sum() > 1:
                continue
            level = y[good] - y[good].mean()
            left = float(np.sqrt(np.mean((y[good] - a @ unknown) ** 2) / np.mean(level**2)))
            best = min(best, (left, n, float(shift)))
        scores.append(best)
    scores.sort()
    if scores[0][0] > EXPLAINED or (len(scores) > 1 and scores[1][0] < CLEARLY * scores[0][0]):
        return None
    return scores[0][1], scores[0][2]


def _steady(cycles: Sequence[tuple[Speed, float, float]]) -> list[tuple[Speed, float, float]]:
    """Cycles whose length is that of the ones before and after; a burn that fails moves it by a few hundredths only."""
    length = np.array([end - start for _, start, end in cycles])
    start = np.array([s for _, s, _ in cycles])
    out = []
    for i, cycle in enumerate(cycles):
        near = length[(np.abs(start - start[i]) < 2.5 * length[i])]
        if np.isfinite(cycle[0].rad_s).all() and len(near) >= 3 and np.abs(near / length[i] - 1.0).max() < STEADY:
            out.append(cycle)
    return _one_speed(out)


def _one_speed(cycles: list[tuple[Speed, float, float]]) -> list[tuple[Speed, float, float]]:
    """The most cycles that lie within ``BAND`` of speed: a long run-down mixes loads that no one share describes."""
    length = np.array([end - start for _, start, end in cycles])
    if not length.size:
        return cycles
    shortest = max(length, key=lambda low: int(np.sum((length >= low) & (length <= BAND * low))))
    return [c for c, x in zip(cycles, length, strict=True) if shortest <= x <= BAND * shortest]
