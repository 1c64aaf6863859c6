"""The pyramid: no extreme is ever lost, whatever the samples, the chunks and the window; against plain numpy."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from witnessmark.recording.pyramid import FINEST, Pyramid, PyramidBuilder, coarser_levels, column_size, envelope, levels


def built(samples: np.ndarray, sizes: list[int]) -> Pyramid:
    """Of samples that come in chunks of these sizes, over and over."""
    rows: list[np.ndarray] = []
    builder = PyramidBuilder(rows.append)
    at, k = 0, 0
    while at < len(samples):
        size = sizes[k % len(sizes)]
        builder.append(samples[at : at + size])
        at, k = at + size, k + 1
    builder.finish()
    array = np.concatenate(rows) if rows else np.empty((0, 2), samples.dtype)
    more: list[np.ndarray] = []
    coarser_levels(len(samples), lambda a, b: np.concatenate([array, *more])[a:b], more.append)
    return Pyramid(len(samples), np.concatenate([array, *more]))


def drawn(seed: int, count: int, kind: str, gaps: float) -> np.ndarray:
    rng = np.random.default_rng(seed)
    if kind != "float64":
        info = np.iinfo(kind)
        return rng.integers(info.min, info.max, count, kind, endpoint=True)
    samples = rng.normal(size=count)
    samples[rng.random(count) < gaps] = np.nan
    if count > 300 and gaps:
        samples[100:300] = np.nan  # whole blocks of gaps
    return samples


recordings = {
    "seed": st.integers(0, 2**32 - 1),
    "count": st.one_of(st.integers(1, 70), st.integers(1, 40_000)),
    "kind": st.sampled_from(["int16", "int32", "uint8", "float64"]),
    "gaps": st.sampled_from([0.0, 0.01, 0.9, 1.0]),
}
sizes = st.lists(st.integers(1, 5000), min_size=1, max_size=4)


def extremes(samples: np.ndarray) -> tuple[float, float]:
    return (float(np.fmin.reduce(samples)), float(np.fmax.reduce(samples)))


@settings(max_examples=60)
@given(**recordings, sizes=sizes)
def test_every_level_against_numpy(seed, count, kind, gaps, sizes):
    samples = drawn(seed, count, kind, gaps)
    made = built(samples, [max(s, count // 200) for s in sizes])
    at = 0
    for block, blocks in levels(count):
        for k in {0, blocks // 2, blocks - 1}:
            own = samples[k * block : (k + 1) * block]
            np.testing.assert_array_equal(made.blocks[at + k], extremes(own))
        at += blocks
    assert at == len(made.blocks)
    assert made.blocks.dtype == samples.dtype
    np.testing.assert_array_equal(made.blocks[-1], extremes(samples))


@settings(max_examples=150)
@given(**recordings, window=st.tuples(st.floats(0, 1), st.floats(0, 1)), columns=st.integers(1, 60))
def test_columns_are_exact_in_any_window(seed, count, kind, gaps, window, columns):
    samples = drawn(seed, count, kind, gaps)
    start, stop = sorted(int(w * count) for w in window)
    for pyramid in (built(samples, [4096]), None):
        made = envelope(lambda a, b: samples[a:b], count, pyramid, start, stop, columns)
        if start == stop:
            assert not len(made.extremes)
            continue
        assert made.first <= start < made.first + made.size
        ends = np.minimum(made.first + made.size * np.arange(len(made.extremes) + 1), count)
        assert ends[-2] < stop <= ends[-1]
        assert min(columns, stop - start) <= len(made.extremes) <= 2 * columns + 2
        for k, (a, b) in enumerate(pairwise(ends.tolist())):
            with np.errstate(invalid="ignore"):
                np.testing.assert_array_equal(made.extremes[k], extremes(samples[a:b]))


@given(st.floats(0.1, 1e12))
def test_columns_have_few_sizes(wanted):
    size = column_size(wanted)
    odd = size // (size & -size)
    assert odd in (1, 3)
    assert size == 1 or size <= wanted < 1.5 * size
    assert size < 192 or size % FINEST == 0


@pytest.mark.parametrize("count", [1, 63, 64, 65, 1023, 1024, 1025, 16384, 16385, 300_000])
def test_a_single_sample_shows_at_every_level(count):
    for place in {0, count // 3, count - 1}:
        samples = np.zeros(count, np.int16)
        samples[place] = 7
        made = built(samples, [1000])
        at = 0
        for _, blocks in levels(count):
            assert np.count_nonzero(made.blocks[at : at + blocks, 1]) == 1
            at += blocks


def test_levels_are_padded_upward():
    assert levels(64 * 1024 + 1) == [(64, 1025), (1024, 65), (16384, 5), (262144, 1)]
    assert levels(1) == [(64, 1)]
    assert levels(0) == []


def test_a_long_window_is_drawn_from_blocks_alone():
    """1 G samples of which none is touched: the picture must not depend on the length."""
    count = 1 << 30
    total = sum(n for _, n in levels(count))
    blocks = np.lib.stride_tricks.as_strided(np.array([-3, 5], np.int16), (total, 2), (0, 2))

    def untouched(start, stop):
        raise AssertionError("samples were read")

    made = envelope(untouched, count, Pyramid(count, blocks), 0, count, 1000)
    assert 1000 <= len(made.extremes) < 2000
    assert (made.extremes == [-3, 5]).all()
