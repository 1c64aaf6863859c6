"""64 samples at once against the same rule told sample by sample in numpy, for every type the kernels are given."""

from __future__ import annotations

import numba as nb
import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from witnessmark.signals.lanes import LANES, stays_high, stays_low

DTYPES = [np.int8, np.uint8, np.int16, np.int32, np.float32, np.float64]


@nb.njit(cache=True)
def high(x, place, level, most):
    return stays_high(x, place, level, most)


@nb.njit(cache=True)
def low(x, place, level, most):
    return stays_low(x, place, level, most)


@pytest.mark.parametrize("dtype", DTYPES)
@settings(max_examples=80)
@given(
    seed=st.integers(0, 10_000), place=st.integers(0, 36), most=st.integers(0, LANES),
    level=st.one_of(st.floats(-300, 300), st.sampled_from([0.0, -128.0, 127.0, 255.0, 1e15, -1e15, np.inf, -np.inf])),
)  # fmt: skip
@example(seed=0, place=0, most=64, level=60.0)
def test_lanes_equal_numpy(dtype: type, seed: int, place: int, most: int, level: float) -> None:
    rng = np.random.default_rng(seed)
    x = rng.normal(60, rng.choice([0, 3, 80]), 100)
    kind = np.dtype(dtype).kind
    if kind in "iu":
        x = np.clip(np.rint(x), np.iinfo(dtype).min, np.iinfo(dtype).max)
    x = x.astype(dtype)
    if seed % 3 == 0:
        level = float(x[place + seed % LANES])  # a sample exactly at the level stays
    seen = x[place : place + LANES].astype(np.float64)
    for function, gone, far in ((high, seen < level, np.max), (low, seen > level, np.min)):
        count = min(int(np.argmax(gone)) if gone.any() else LANES, most)
        got = function(x, place, level, most)
        assert got[0] == count
        assert got[1] == (far(seen[:count]) if count else seen[0])
