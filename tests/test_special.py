"""Against scipy as a second implementation (reference library)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import ndimage, special

from witnessmark.special import ROWS, log_beta, log_sum_exp, median, quantile, running_median


def test_log_beta():
    rng = np.random.default_rng(4)
    a, b = 10 ** rng.uniform(-2, 6, (2, 500))
    np.testing.assert_allclose(log_beta(a, b), special.betaln(a, b), rtol=1e-12, atol=1e-8)
    assert float(log_beta(1, 1)) == 0.0
    assert log_beta([[1.0], [2.0]], [1.0, 2.0, 3.0]).shape == (2, 3)
    assert log_beta([], 1.0).shape == (0,)


def test_log_sum_exp():
    rng = np.random.default_rng(5)
    for scale in (1.0, 1e3, 1e6):
        x = scale * rng.standard_normal(50)
        assert log_sum_exp(x) == pytest.approx(float(special.logsumexp(x)), rel=1e-13)
    assert log_sum_exp([-np.inf, -np.inf]) == -np.inf
    assert log_sum_exp([]) == -np.inf
    assert log_sum_exp([-np.inf, 3.0]) == 3.0


@pytest.mark.parametrize("size", [1, 2, 3, 8, 121])
def test_median_is_numpys(size):
    """Reference library: numpy.median, value for value."""
    rng = np.random.default_rng(size)
    for values in (rng.normal(size=size), rng.integers(0, 5, size)):
        assert median(values) == np.median(values)
    assert np.isnan(median(np.append(rng.normal(size=size), np.nan)))


def test_quantile_is_numpys_to_the_last_digit():
    rng = np.random.default_rng(5)
    for n in (1, 2, 3, 4, 5, 64, 255, 256):
        for values in (rng.normal(size=n), rng.integers(0, 3, n).astype(float)):
            for share in (0.0, 0.1, 0.25, 0.5, 0.75, 0.95, 1.0, *rng.random(5)):
                assert quantile(values, share) == np.quantile(values, share)
    assert math.isnan(quantile(np.array([1.0, math.nan, 2.0]), 0.25))


@pytest.mark.parametrize(("size", "half"), [(1, 3), (7, 4), (ROWS, 2), (2 * ROWS + 1, 30)])
def test_running_median_is_scipys(size, half):
    """Reference library: scipy.ndimage.median_filter with the ends repeated, value for value."""
    values = np.random.default_rng(size).normal(size=size)
    expected = ndimage.median_filter(values, size=2 * half + 1, mode="nearest")
    np.testing.assert_array_equal(running_median(values, half), expected)
