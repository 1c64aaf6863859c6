"""The crossing scan against a sample-by-sample reading of the same rule, for every way of cutting the samples."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from witnessmark.recording.setup import Setup
from witnessmark.signals.crossings import Crossings, Thresholds, find_crossings
from witnessmark.signals.extract import extract
from witnessmark.signals.model import Signals
from witnessmark.signals.summary import summarise
from witnessmark.spans import Span

from .memory import record
from .waves import hall_wheel, plain_crossings, reluctance_wheel, tooth_angle

DTYPES = [np.int8, np.int16, np.float32, np.float64]


def found(x: np.ndarray, thresholds: Thresholds, chunk: int) -> Crossings:
    recording = record({"line": x})
    info = recording.channels[0]
    return find_crossings(recording, info, summarise(recording, info, 1 << 20), thresholds, chunk)


def same(a: Crossings, b: Crossings) -> bool:
    return all(
        getattr(a, name).tobytes() == getattr(b, name).tobytes()
        for name in ("sample", "fraction", "rising", "first", "peak_before", "peak_after", "step")
    )


def wander(seed: int, n: int, dtype: type) -> np.ndarray:
    """A restless line: steps, ramps and noise of random lengths, wide enough to cross often and to rest long."""
    rng = np.random.default_rng(seed)
    x = np.zeros(n)
    at = 0
    while at < n:
        length = int(rng.choice([1, 2, 5, 40, 64, 130, 700]))
        stop = min(at + length, n)
        x[at:stop] = rng.choice([20, 100, 55, 70]) + rng.choice([0.0, 0.2, 3.0]) * np.arange(stop - at)
        at = stop
    x += rng.normal(0, rng.choice([0.1, 4.0]), n)
    return np.clip(x, 0, 120).astype(dtype)


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10_000), n=st.integers(1, 3000), dtype=st.sampled_from(DTYPES), holes=st.booleans())
@example(seed=1, n=64, dtype=np.int8, holes=False)
@example(seed=2, n=65, dtype=np.float32, holes=True)
def test_scan_equals_plain_reading_for_every_chunk_size(seed: int, n: int, dtype: type, holes: bool) -> None:
    x = wander(seed, n, dtype)
    if holes and x.dtype.kind == "f":
        for a in np.random.default_rng(seed).integers(0, n, 3):
            x[a : a + 1 + seed % 90] = np.nan
    rng = np.random.default_rng(seed + 1)
    windows = -(-n // 128)
    mid = 60 + (rng.uniform(-5, 5, windows) if seed % 2 else np.zeros(windows))
    thresholds = Thresholds(mid - 15, mid, mid + 15, 2) if seed % 2 else Thresholds.fixed(45, 60, 75)
    whole = found(x, thresholds, n)
    per_sample = np.arange(n) // 128 if seed % 2 else np.zeros(n, int)
    plain = plain_crossings(
        x.astype(np.float64), thresholds.down[per_sample], thresholds.mid[per_sample], thresholds.up[per_sample]
    )
    assert len(whole) == len(plain)
    if plain:
        sample, fraction, rising, first, peak = (np.array(v) for v in zip(*plain, strict=True))
        np.testing.assert_array_equal(whole.rising, rising)
        np.testing.assert_array_equal(whole.first, first)
        np.testing.assert_allclose(whole.peak_before, peak, rtol=1e-12)
        if not seed % 2:  # where thresholds jump between windows the plain reading may see no crossing at all
            np.testing.assert_array_equal(whole.sample, sample)
            np.testing.assert_allclose(whole.fraction, fraction, atol=1e-12)
    for chunk in (1, 2, 7, 64, 1000):
        assert same(found(x, thresholds, chunk), whole), chunk


def signals_bytes(signals: Signals) -> list[object]:
    out: list[object] = []
    for line in signals.lines:
        e = line.edges
        out.append((line.role, line.sensor, repr(line.levels)))
        out += [
            v.tobytes()
            for v in (e.time_s, e.sample, e.fraction, e.rising, e.label, e.peak_before_v, e.peak_after_v,
                      e.slope_v_per_s, e.arm_margin)
        ]  # fmt: skip
    return out


@pytest.mark.parametrize("chunk", [1, 2, 7, 1000, 4096])
def test_extract_is_the_same_for_every_chunk_size(chunk: int) -> None:
    rng = np.random.default_rng(5)
    n = 6000
    turns = tooth_angle(n, 20_000.0, np.linspace(150, 500, n))
    hall = (hall_wheel(turns, 36, 1) * 40 + rng.normal(0, 3, n)).astype(np.int8)
    droop = hall_wheel(turns, 12, 1) - np.linspace(0, 4, n)
    pick_up = reluctance_wheel(turns, 20_000.0, 36, 1, 0.01) + 2.0 + rng.normal(0, 0.01, n)
    pick_up[1500:1600] = np.nan
    recording = record({"a": hall, "b": droop, "c": pick_up, "d": rng.normal(12, 0.1, n)}, 20_000.0)
    assert signals_bytes(extract(recording, Setup(), chunk)) == signals_bytes(extract(recording, Setup()))


def test_gap_makes_the_next_edge_first_and_loses_no_other() -> None:
    n = 20_000
    x = hall_wheel(tooth_angle(n, 20_000.0, 200.0), 36, 1)
    clean = extract(record({"crank": x}, 20_000.0), Setup()).lines[0].edges
    holed = x.copy()
    holed[7000:7100] = np.nan
    edges = extract(record({"crank": holed}, 20_000.0), Setup()).lines[0].edges
    outside = (clean.sample < 6999) | (clean.sample >= 7100)
    assert 0 < (~outside).sum() < 3
    np.testing.assert_array_equal(edges.time_s, clean.time_s[outside])
    assert edges.label[0] == 2
    after = int(np.searchsorted(edges.sample, 7100))
    assert edges.label[after] == 2
    assert (edges.label == 2).sum() == 2


def test_gap_named_by_the_header_counts_on_integer_samples_too() -> None:
    n = 20_000
    x = (hall_wheel(tooth_angle(n, 20_000.0, 200.0), 36, 1) * 1000).astype(np.int16)
    x[7000:7100] = 0
    gap = (Span(7000 / 20_000.0, 7100 / 20_000.0, "no samples"),)
    edges = extract(record({"crank": x}, 20_000.0, 1e-3, gaps=gap), Setup()).lines[0].edges
    assert not ((edges.sample >= 6999) & (edges.sample < 7100)).any()
    assert edges.label[int(np.searchsorted(edges.sample, 7100))] == 2


def test_memory_is_bounded_by_the_chunk() -> None:
    x = (hall_wheel(tooth_angle(400_000, 100_000.0, 300.0), 60, 2) * 1000).astype(np.int16)
    recording = record({"crank": x})
    extract(recording, Setup(), 10_000)
    source = recording.source
    assert source.longest <= 10_048  # type: ignore[attr-defined]
    assert source.total < 2.2 * len(x)  # type: ignore[attr-defined]
