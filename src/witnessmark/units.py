"""Units and angles shared by every stage (degrees are crank degrees unless a name says otherwise)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

DEG_PER_TURN = 360.0
DEG_PER_CYCLE = 720.0


def seconds_for(angle_deg: float, speed_rpm: float) -> float:
    """Time in s in which the crank turns ``angle_deg`` at ``speed_rpm`` (T = angle / (6 rpm))."""
    return angle_deg / (6.0 * speed_rpm)


def rpm_from(angle_deg: float, time_s: float) -> float:
    """Mean speed in rev/min when ``angle_deg`` is turned in ``time_s``."""
    return angle_deg / (6.0 * time_s)


def wrap_deg(angle_deg: float | NDArray[np.float64], period_deg: float = DEG_PER_TURN) -> float | NDArray[np.float64]:
    """Angle folded to 0 <= a < period."""
    return np.mod(angle_deg, period_deg)


def signed_deg(angle_deg: float | NDArray[np.float64], period_deg: float = DEG_PER_TURN) -> float | NDArray[np.float64]:
    """Angle folded to -period/2 <= a < period/2."""
    half = period_deg / 2.0
    return np.mod(np.asarray(angle_deg) + half, period_deg) - half
