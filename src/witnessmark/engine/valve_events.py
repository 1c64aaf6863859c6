"""Where the valves show in a cylinder's pressure: the exhaust opens where the expansion leaves its law, the intake
closes where the compression's law comes up from the pressure there was at bottom dead centre.

Both are landmarks, not cam angles: runners, throttle and speed move them by some degrees (a known twin cylinder or bank
is what they are judged against; common practice, plus or minus 5 degrees).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine.geometry import CylinderGeometry
from witnessmark.engine.pressure_fit import FlankFit, law_of
from witnessmark.engine.pressure_model import ValveEvent

Array = NDArray[np.float64]

CELL_DEG = 2.0
OPENS_UNTIL = 200.0  # after firing TDC (common practice: 30 to 60 before bottom dead centre)
CLOSES_BETWEEN = (-165.0, -85.0)
PLATEAU_DEG = (-205.0, -170.0)
FREE_UNTIL = 100.0  # no exhaust valve of an engine in time opens before
# One that does spoils the fit of the flanks: it is fitted again over less of them, and looked for from here on.
EARLY_HALF_DEG, EARLY_FROM = 72.0, 74.0
RATES_DEG = (1.5, 3.0, 6.0, 12.0, 24.0)  # tried: time constants of evening out, in degrees
SURE = 5.0  # standard deviations by which the pressure leaves the law
LEAST_JUMP = 2.0  # the same between law and exhaust where it opens: where they are equal nothing marks the opening
LEAST_SHARE = 0.004  # of the height: the law is not better than that
MOST_DOUBT_DEG = 8.0
ZERO_SHARE = 0.001  # of the height: how far the fitted zero is off beside noise (simulated, recorders of 8 to 16 bits)
LEAST_SEEN = 0.5  # share of the cycles
NOT_SEEN = (float("nan"), float("nan"))


def _cells(x: Array, value: Array, lo: float, hi: float) -> tuple[Array, Array, Array]:
    """(middle, mean, count) of cells between two angles; empty cells left out."""
    take = (x >= lo) & (x < hi)
    if not take.any():
        return np.empty(0), np.empty(0), np.empty(0)
    cell = np.floor((x[take] - lo) / CELL_DEG).astype(np.int64)
    count = np.bincount(cell)
    mean = np.bincount(cell, value[take]) / np.maximum(count, 1)
    good = count > 0
    middle = np.asarray(lo + (np.arange(len(count)) + 0.5) * CELL_DEG, dtype=np.float64)
    return middle[good], mean[good].astype(np.float64), count[good].astype(np.float64)


def exhaust_opens(
    x: Array, p: Array, t: Array, fit: FlankFit, size: CylinderGeometry, bar_per_unit: float | None,
    free_until: float = FREE_UNTIL,
) -> float:  # fmt: skip
    """Angle after the centre of the flanks at which the expansion leaves its law for the exhaust's pressure.

    Least squares over the place and the rate at which the two even out; NaN where the law alone does as well.
    ``free_until`` means there or before.
    """
    after = (x >= OPENS_UNTIL) & (x < OPENS_UNTIL + 30.0)
    if after.sum() < 5:
        return float("nan")
    law = law_of(x, t, fit, size, bar_per_unit)
    at, seen, count = _cells(x, p - fit.zero, free_until - 15.0, OPENS_UNTIL)
    _, level, _ = _cells(x, law, free_until - 15.0, OPENS_UNTIL)
    if len(at) < 40:
        return float("nan")
    exhaust = float(np.mean(p[after])) - fit.zero
    level = level + np.mean((seen - level)[at < free_until])  # the law's own slip at the end of the fitted flank
    weight = 1.0 / (fit.noise**2 / count + (LEAST_SHARE * fit.top) ** 2)
    place, rate = (g.ravel() for g in np.meshgrid(np.arange(free_until, 185.0), RATES_DEG, indexing="ij"))
    gone = np.maximum(at[None, :] - place[:, None], 0.0) / rate[:, None]
    begin = np.interp(place, at, level)[:, None]
    model = np.where(gone > 0.0, exhaust + (begin - exhaust) * np.exp(-gone), level[None, :])
    chi = (weight[None, :] * (seen[None, :] - model) ** 2).sum(axis=1)
    best = int(np.argmin(chi))
    plain = float((weight * (seen - level) ** 2).sum())
    jump = abs(float(begin[best, 0]) - exhaust) * np.sqrt(float(np.median(weight)))
    if plain - float(chi[best]) < SURE**2 or jump < LEAST_JUMP:
        return float("nan")
    return float(place[best])


def intake_closes(
    x: Array, p: Array, t: Array, fit: FlankFit, size: CylinderGeometry, bar_per_unit: float | None
) -> tuple[float, float]:
    """(angle at which the compression's law, followed back, meets the pressure about bottom dead centre, its doubt).

    NaN both if open. The flatter the law is there, the larger is the doubt.
    """
    plateau = (x >= PLATEAU_DEG[0]) & (x < PLATEAU_DEG[1])
    span = (x >= CLOSES_BETWEEN[0]) & (x <= CLOSES_BETWEEN[1])
    if plateau.sum() < 10 or span.sum() < 20:
        return NOT_SEEN
    level = float(np.mean(p[plateau])) - fit.zero
    law = law_of(x, t, fit, size, bar_per_unit)[span]
    over = np.flatnonzero(law > level)
    if len(over) == 0 or over[0] == 0:
        return NOT_SEEN
    i = int(over[0])
    at = x[span]
    slope = (law[min(i + 20, len(law) - 1)] - law[max(i - 20, 0)]) / (
        at[min(i + 20, len(law) - 1)] - at[max(i - 20, 0)]
    )
    zero = np.hypot(fit.zero_sd, ZERO_SHARE * fit.top)
    doubt = float(np.hypot(zero, max(fit.noise / np.sqrt(plateau.sum()), 0.01 * level)) / max(slope, 1e-12))
    return (float(at[i]), doubt) if doubt < MOST_DOUBT_DEG else NOT_SEEN


def over_cycles(deg: Array, loss_deg: float, doubt_deg: Array | None = None) -> ValveEvent | None:
    """Middle and spread (or each one's own doubt) over the cycles, after TDC.

    None where too few show it or they do not agree.
    """
    seen = deg[np.isfinite(deg)]
    if len(seen) == 0 or len(seen) < LEAST_SEEN * len(deg):
        return None
    middle = float(np.median(seen))
    spread = float(1.4826 * np.median(np.abs(seen - middle)))
    if spread > MOST_DOUBT_DEG:
        return None
    own = 0.0 if doubt_deg is None else float(np.nanmedian(doubt_deg))
    # seen to a cell at best
    return ValveEvent(middle - loss_deg, max(spread, own, 0.5 * CELL_DEG), len(seen))
