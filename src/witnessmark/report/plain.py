"""Numbers made plain for JSON: numpy scalars to Python's, NaN to null, rounded to what they can mean."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, is_dataclass
from typing import Any

import numpy as np

TIME_DIGITS = 7  # 0.1 us: a tenth of a sample at 1 MS/s
ANGLE_DIGITS = 4  # 0.0001 deg: a hundredth of the angle a crank turns in a sample at 1 MS/s and 250 rpm (0.0015 deg)
SHARE_DIGITS = 6


def number(value: Any, digits: int) -> float | None:
    """A float rounded to ``digits``, None for None, NaN and infinities (unknown is null, never 0)."""
    if value is None:
        return None
    value = float(value)
    return round(value, digits) + 0.0 if math.isfinite(value) else None


def seconds(value: Any) -> float | None:
    """A time in s."""
    return number(value, TIME_DIGITS)


def angle(value: Any) -> float | None:
    """An angle in degrees."""
    return number(value, ANGLE_DIGITS)


def share(value: Any) -> float | None:
    """A share, probability or ratio."""
    return number(value, SHARE_DIGITS)


def _named(value: float, name: str) -> float | None:
    """Rounded by the unit the name ends with, else to nine significant digits."""
    if name.endswith("_s"):
        return seconds(value)
    if name.endswith("_deg"):
        return angle(value)
    if not math.isfinite(value):
        return None
    return float(f"{value:.9g}")


def plain(value: Any, name: str = "") -> Any:
    """Any evidence or parameter value as JSON knows it; unknown types become their text."""
    if value is None or isinstance(value, bool | str):
        return value
    if isinstance(value, np.bool_):
        return bool(value)
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return _named(float(value), name)
    if isinstance(value, np.ndarray):
        return [plain(v, name) for v in value.tolist()]
    if is_dataclass(value) and not isinstance(value, type):
        return plain(asdict(value), name)
    if hasattr(value, "model_dump"):
        return plain(value.model_dump(), name)
    if isinstance(value, Mapping):
        return {str(k): plain(v, str(k)) for k, v in value.items()}
    if isinstance(value, Sequence | set | frozenset):
        return [plain(v, name) for v in (sorted(value, key=str) if isinstance(value, set | frozenset) else value)]
    return str(value)


def rounded_to_one(parts: Sequence[float]) -> list[float]:
    """Probabilities scaled to sum 1, rounded, the remainder of rounding given to the largest."""
    total = math.fsum(parts)
    if not parts or total <= 0.0:
        return [0.0 for _ in parts]
    out = [round(p / total, SHARE_DIGITS) for p in parts]
    largest = max(range(len(out)), key=out.__getitem__)
    out[largest] = round(out[largest] + 1.0 - math.fsum(out), SHARE_DIGITS)
    return out
