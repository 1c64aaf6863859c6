"""The compiled inner loop of the compression fit: what gas and drive do over one block, and its normal equations.

The fit places up to a dozen events at a hundred angles over many blocks of cycles; as array operations this took four
fifths of a whole analysis (measured on 60 s of cranking), as loops a fiftieth of that.
"""

from __future__ import annotations

from typing import Any

import numba as nb
import numpy as np


@nb.njit(cache=True, nogil=True)
def _one_event(
    start_deg: float, pace: Any, step: int, blow_by: float, tables: Any, cycle_deg: int, closes: float, opens: float,
    charge: Any, blown: Any, case: Any,
) -> None:  # fmt: skip
    """Torque of one event at each degree: by its charge, by its blow-by, and the crank case's below the piston.

    start_deg: angle of the first degree after the event's TDC. pace [k]: time a degree takes over its mean. tables
    [4, 720]: gas, blow-by so far, crank case by degree after TDC, and the rise of the blow-by from degree -360. Blow-by
    goes on by time, not by angle: a crank that lingers about TDC loses more.
    """
    half = cycle_deg / 2
    folded = (start_deg + half) % cycle_deg - half - 1.0
    total = base = first = 0.0
    counted = was_inside = False
    for j in range(charge.size):
        folded += 1.0
        if folded >= half:
            folded -= cycle_deg
        charge[j] = blown[j] = 0.0
        inside = closes <= folded <= opens
        if closes - 1.0 <= folded <= opens + 1.0:  # beyond, the tables are empty
            place = folded if folded >= 0.0 else folded + 720.0
            i = int(place)
            part = place - i
            after = i + 1 if i < 719 else 0
            case[j] += (1.0 - part) * tables[2, i] + part * tables[2, after]
            gas = (1.0 - part) * tables[0, i] + part * tables[0, after]
            if inside:
                if j == 0:
                    first = (1.0 - part) * tables[1, i] + part * tables[1, after]
                total += tables[3, min(max(int(np.rint(folded + 360.0)), 0), 719)] * pace[j // step]
                if not was_inside:
                    base = max(base, total)
                    counted = counted or j > 0
                share = max(total - (base if counted else -first), 0.0)
                gas *= np.exp(-blow_by * share)
                blown[j] = -gas * share
            charge[j] = gas
        was_inside = inside


@nb.njit(cache=True, nogil=True)
def _work(
    angle_deg: Any, rad_s: Any, tdc_deg: Any, blow_by: Any, tables: Any, cycle_deg: int, step_deg: int,
    closes: float, opens: float,
) -> Any:  # fmt: skip
    """Work [k, 2n] on the crank since the block began: of each event's charge, then of its blow-by; means over steps.

    angle_deg [k] steps of ``step_deg`` whole degrees, middles; rad_s [k] the speed in them; blow_by [n] about which.
    """
    k, n = angle_deg.size, tdc_deg.size
    fine = k * step_deg
    charge = np.empty((n, fine))
    blown = np.empty((n, fine))
    case = np.zeros(fine)
    pace = rad_s.mean() / rad_s
    begin = angle_deg[0] - step_deg / 2 + 0.5
    for i in range(n):
        _one_event(
            begin - tdc_deg[i], pace, step_deg, blow_by[i], tables, cycle_deg, closes, opens, charge[i], blown[i], case
        )
    degree = np.pi / 180.0
    out = np.empty((k, 2 * n))
    for i in range(n):
        so_far = so_blown = 0.0
        for row in range(k):
            mean = mean_blown = 0.0
            for j in range(row * step_deg, (row + 1) * step_deg):
                so_far += charge[i, j] - case[j] / n
                so_blown += blown[i, j]
                mean += so_far
                mean_blown += so_blown
            out[row, i] = mean * degree / step_deg
            out[row, n + i] = mean_blown * degree / step_deg
    return out


@nb.njit(cache=True, nogil=True)
def drifts(good: Any) -> Any:
    """Orthonormal rows [b, 3, k] over the ``good`` [b, k] steps that span a start value and a drive that drifts.

    1, x and x squared along each block, nothing at the other steps (Gram-Schmidt, each done twice).
    """
    b, k = good.shape
    out = np.zeros((b, 3, k))
    for block in range(b):
        rows = out[block]
        for p in range(3):
            for j in range(k):
                if good[block, j]:
                    rows[p, j] = (-1.0 + 2.0 * j / (k - 1)) ** p
            for _ in range(2):
                for q in range(p):
                    rows[p] -= (rows[q] * rows[p]).sum() * rows[q]
            rows[p] /= np.sqrt((rows[p] ** 2).sum())
    return out


@nb.njit(cache=True, nogil=True)
def energy(angle_deg: Any, rad_s: Any, tdc_deg: Any, rod_ratio: float, piston: float) -> Any:
    """Energy [b, k] over the moment of inertia, which each piston adds ``piston`` of its sweep squared to."""
    out = np.empty(angle_deg.shape)
    for block in range(angle_deg.shape[0]):
        for j in range(angle_deg.shape[1]):
            sweep = 0.0
            for i in range(tdc_deg.size):
                at = (angle_deg[block, j] - tdc_deg[i]) * (np.pi / 180.0)
                sine = np.sin(at)
                sweep += (sine * (1.0 + np.cos(at) / np.sqrt(rod_ratio**2 - sine**2))) ** 2
            out[block, j] = 0.5 * rad_s[block, j] ** 2 * (1.0 + piston * sweep)
    return out


@nb.njit(cache=True, nogil=True)
def normal(
    angle_deg: Any, rad_s: Any, good: Any, own: Any, fitted: Any, tdc_deg: Any, blow_by: Any, tables: Any,
    cycle_deg: int, step_deg: int, closes: float, opens: float,
) -> Any:  # fmt: skip
    """Normal equations [b, 2n + 3, 2n + 3] of each block over its ``good`` steps, last row and column the energy.

    angle_deg, rad_s, good, fitted (the energy) [b, k]; own: ``drifts(good)``, taken out of everything. Columns: charge
    of each event, its blow-by beyond ``blow_by``, drive, fall with speed, energy.
    """
    b, k = angle_deg.shape
    n = tdc_deg.size
    p = 2 * n + 3
    out = np.empty((b, p, p))
    a = np.empty((p, k))
    for block in range(b):
        rows = _work(
            angle_deg[block], rad_s[block], tdc_deg, blow_by, tables, cycle_deg, step_deg, closes, opens
        )  # fmt: skip
        slowed = 0.0
        for j in range(k):
            slowed += rad_s[block, j]
            for c in range(2 * n):
                a[c, j] = rows[j, c]
            a[2 * n, j] = (angle_deg[block, j] - angle_deg[block, 0]) * (np.pi / 180.0)
            a[2 * n + 1, j] = slowed * (step_deg * np.pi / 180.0)
            a[2 * n + 2, j] = fitted[block, j]
            if not good[block, j]:
                a[:, j] = 0.0
        for c in range(p):
            for q in range(3):
                along = 0.0
                for j in range(k):
                    along += own[block, q, j] * a[c, j]
                for j in range(k):
                    a[c, j] -= along * own[block, q, j]
        for c in range(p):
            for q in range(c, p):
                total = 0.0
                for j in range(k):
                    total += a[c, j] * a[q, j]
                out[block, c, q] = out[block, q, c] = total
    return out
