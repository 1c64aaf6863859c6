"""Many numbers as JSON text that stays small: bytes in base64, and numbers that JSON can hold."""

from __future__ import annotations

import base64
import math

import numpy as np
from numpy.typing import NDArray

NOT_KNOWN = -32768  # in :func:`hundredths`
UNKNOWN_SHARE = 255  # in :func:`hundredths_of_one`
FLOATS = NDArray[np.float64]


def hundredths(values: FLOATS) -> str:
    """int16 (little endian) hundredths of each value in base64, NaN as NOT_KNOWN; far values stop at the ends."""
    whole = np.where(np.isfinite(values), np.clip(np.round(values * 100.0), -32767, 32767), NOT_KNOWN)
    return base64.b64encode(whole.astype("<i2").tobytes()).decode("ascii")


def hundredths_of_one(values: FLOATS) -> str:
    """uint8 hundredths of each value (0 to 2.54) in base64, NaN as UNKNOWN_SHARE."""
    whole = np.where(np.isfinite(values), np.clip(np.round(values * 100.0), 0, 254), UNKNOWN_SHARE)
    return base64.b64encode(whole.astype(np.uint8).tobytes()).decode("ascii")


def bytes_of(values: NDArray[np.uint8]) -> str:
    """Small whole numbers in base64."""
    return base64.b64encode(values.astype(np.uint8).tobytes()).decode("ascii")


def number(value: float | None, digits: int = 4) -> float | None:
    """A rounded number that JSON can hold; None where there is none."""
    return None if value is None or not math.isfinite(value) else round(float(value), digits) + 0.0


def numbers(values: FLOATS, digits: int) -> list[float | None]:
    """Rounded numbers that JSON can hold."""
    return [number(float(v), digits) for v in values]
