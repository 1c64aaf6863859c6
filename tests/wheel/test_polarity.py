"""Which crossing of a pick-up is steep: not told by slopes of one or two of the recorder's steps."""

from __future__ import annotations

import numpy as np
import pytest

from witnessmark.signals.model import PLAIN, Edges
from witnessmark.wheel.polarity import tell


def crossings(rising_slope: np.ndarray, falling_slope: np.ndarray) -> Edges:
    """Evenly spaced crossings by turns, half waves of 0.4 V, with these slopes in V/s."""
    n = 2 * rising_slope.size
    rising = np.arange(n) % 2 == 0
    slope = np.empty(n, np.float32)
    slope[rising], slope[~rising] = rising_slope, falling_slope
    high = np.full(n, 0.4, np.float32)
    return Edges(
        "crank", np.arange(n) * 3e-3, np.arange(n, dtype=np.int64) * 30, np.zeros(n, np.float32), rising,
        np.full(n, PLAIN, np.uint8), high, high, slope, np.full(n, 2.8, np.float32),
    )  # fmt: skip


@pytest.mark.parametrize(("steps_up", "steps_down"), [(2, 1), (1, 2), (3, 1)])
def test_slopes_of_a_few_steps_say_nothing(steps_up: int, steps_down: int) -> None:
    q = 0.04 * 10e3  # steps of 0.04 V at 10 kHz
    assert tell(crossings(np.full(200, steps_up * q), np.full(200, steps_down * q))).steep_rising is None


def test_slopes_that_are_resolved_tell_the_steep_crossing() -> None:
    rng = np.random.default_rng(1)
    steep, lazy = rng.normal(800.0, 40.0, 200), rng.normal(400.0, 40.0, 200)
    assert tell(crossings(steep, lazy)).steep_rising is True
    assert tell(crossings(lazy, steep)).steep_rising is False
    assert tell(crossings(steep, rng.normal(790.0, 40.0, 200))).steep_rising is None


def test_many_steps_are_resolved_too() -> None:
    q = 0.04 * 10e3
    rng = np.random.default_rng(2)
    steep, lazy = rng.integers(9, 12, 200) * q, rng.integers(4, 7, 200) * q
    assert tell(crossings(steep, lazy)).steep_rising is True
