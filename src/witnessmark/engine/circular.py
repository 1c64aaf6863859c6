"""Statistics of angles on a circle of any period (mean direction and dispersion).

Source: Mardia & Jupp, Directional Statistics, ch. 2 (cited from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def signed(angle_deg: ArrayLike, period_deg: float) -> Array:
    """Angle folded to -period/2 <= a < period/2."""
    return np.asarray(np.mod(np.asarray(angle_deg, dtype=np.float64) + period_deg / 2, period_deg) - period_deg / 2)


def mean(angle_deg: ArrayLike, period_deg: float) -> tuple[float, float]:
    """(mean direction in 0..period, resultant length 0..1); (NaN, 0) for no angles."""
    a = np.asarray(angle_deg, dtype=np.float64)
    if a.size == 0:
        return float("nan"), 0.0
    z = np.exp(2j * np.pi * a / period_deg).mean()
    return float(np.mod(np.angle(z) * period_deg / (2 * np.pi), period_deg)), float(abs(z))


def median(angle_deg: ArrayLike, period_deg: float) -> float:
    """Angle in 0..period that halves the deviations about the mean direction; NaN for no angles."""
    a = np.asarray(angle_deg, dtype=np.float64)
    centre, _ = mean(a, period_deg)
    if a.size == 0:
        return centre
    # twice: the mean direction of a skewed set may lie off; its median is a better place to cut the circle
    for _ in range(2):
        centre += float(np.median(signed(a - centre, period_deg)))
    folded = float(np.mod(centre, period_deg))
    return 0.0 if folded >= period_deg else folded  # a tiny negative angle folds to the period itself


def spread(angle_deg: ArrayLike, centre_deg: float, period_deg: float) -> float:
    """Root mean square of the signed deviations from ``centre_deg``, in degrees; 0 for fewer than two angles."""
    a = np.asarray(angle_deg, dtype=np.float64)
    if a.size < 2:
        return 0.0
    d = signed(a - centre_deg, period_deg)
    return float(np.sqrt(np.sum(d**2) / (a.size - 1)))
