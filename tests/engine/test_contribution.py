"""Which cycles of a running engine are compared with one another."""

from __future__ import annotations

import numpy as np
import pytest

from witnessmark.engine.compression import Speed
from witnessmark.engine.contribution import BAND, _one_speed


@pytest.mark.parametrize(
    ("rpm", "kept"),
    [
        ([800.0] * 20, 20),
        ([*np.linspace(1950.0, 900.0, 16), *([850.0] * 14)], 20),  # idle, and what of the run-down lies near it
        ([2000.0] * 5 + [900.0] * 12, 12),
        ([], 0),
    ],
)
def test_only_cycles_of_about_one_speed_are_compared(rpm: list[float], kept: int) -> None:
    part = Speed(np.arange(0.0, 720.0, 6.0), np.ones(120))
    length = 120.0 / np.array(rpm)
    ends = np.cumsum(length)
    used = _one_speed([(part, float(b - x), float(b)) for x, b in zip(length, ends, strict=True)])
    assert len(used) == kept
    took = [b - a for _, a, b in used]
    assert not took or max(took) <= BAND * min(took) + 1e-9
