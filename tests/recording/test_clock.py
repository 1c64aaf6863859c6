"""Time columns: clocks with jitter, rounding, jumps, unevenness. Truth is the simulated sampling itself."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from witnessmark.recording.clock import judge_clock
from witnessmark.recording.open import open_recording


def test_an_even_clock_is_exact():
    clock = judge_clock(9.85e-5 + np.arange(60_000) / 1e4)
    assert (clock.kind, clock.rate_hz, clock.start_s, clock.places) == ("grid", 1e4, 9.85e-5, 60_000)


@settings(max_examples=60, deadline=None)
@given(
    rate=st.sampled_from([50.0, 999.0, 8e3, 44_100.0, 1e5, 333_333.0, 1e6]),
    start=st.sampled_from([0.0, -0.5, 47.6, 1e4]),
    n=st.integers(200, 3000),
    jitter=st.floats(0, 0.4),
    seed=st.integers(0, 2**31),
)
def test_jitter_below_half_a_sample_keeps_every_sample_in_its_place(rate, start, n, jitter, seed):
    noise = np.random.default_rng(seed).uniform(-jitter, jitter, n)
    stamps = np.maximum.accumulate(start + (np.arange(n) + noise) / rate)
    clock = judge_clock(stamps)
    assert clock is not None
    assert (clock.kind, clock.places, clock.jumps) == ("grid", n, 0)
    # the fitted grid may be off by the fit's own uncertainty, far below the jitter it averages
    ends = np.array([clock.start_s, clock.start_s + (n - 1) / clock.rate_hz]) - (start + np.array([0, n - 1]) / rate)
    assert np.abs(ends * rate).max() < 0.02 + 10 * jitter / np.sqrt(n)


@pytest.mark.parametrize(("rate", "digits"), [(1e5, 4), (1e5, 3), (5e4, 3), (3e5, 5), (7e5, 6)])
def test_too_few_digits(rate, digits):
    """Rounded time stamps repeat or come in two sizes; the rate is still found."""
    n = 20_000
    clock = judge_clock(np.round(12 + np.arange(n) / rate, digits))
    assert (clock.kind, clock.places, clock.jumps) == ("grid", n, 0)
    assert clock.rate_hz == pytest.approx(rate, rel=1e-6)


@pytest.mark.parametrize("jitter", [0.0, 0.1])
def test_lost_blocks_become_holes(jitter):
    rng = np.random.default_rng(5)
    kept = np.ones(30_000, dtype=bool)
    for a, b in ((5000, 5001), (9000, 9400), (20_000, 26_000)):
        kept[a:b] = False
    stamps = (np.flatnonzero(kept) + rng.uniform(-jitter, jitter, kept.sum())) / 5e4
    clock = judge_clock(stamps)
    assert clock.places == 30_000
    filled = np.zeros(30_000, dtype=bool)
    for s in clock.stretches:
        filled[s.place : s.place + s.count] = True
    np.testing.assert_array_equal(filled, kept)


def test_lost_blocks_in_a_file(tmp_path):
    time_s = np.concatenate((np.arange(400), np.arange(700, 1000))) / 1e4
    np.savez(tmp_path / "van.npz", time=time_s, crank=np.arange(700, dtype=np.int16))
    recording = open_recording(tmp_path / "van.npz")
    info = recording.info("crank")
    assert info.samples == 1000
    assert [(g.start_s, g.end_s) for g in info.gaps] == [(pytest.approx(0.04), pytest.approx(0.07))]
    values = recording.read("crank", 0, 1000)
    np.testing.assert_array_equal(values[:400], np.arange(400))
    assert np.isnan(values[400:700]).all()
    np.testing.assert_array_equal(values[700:], np.arange(400, 700))
    joined = np.concatenate([part for _, part in recording.chunks("crank", 33)])
    np.testing.assert_array_equal(joined, values)
    assert any("jumps 1 time" in c for c in recording.cautions)


def test_an_uneven_clock_is_interpolated_and_said(tmp_path):
    """Steps that vary by half to one and a half periods: numpy.interp over the whole record is the reference."""
    rng = np.random.default_rng(2)
    time_s = np.cumsum(rng.uniform(0.5, 1.5, 4000)) / 1e4
    wave = np.sin(2 * np.pi * 60 * time_s)
    wave[1000:1010] = np.nan
    np.savez(tmp_path / "van.npz", time=time_s, crank=wave)
    recording = open_recording(tmp_path / "van.npz")
    info = recording.info("crank")
    at = info.start_s + np.arange(info.samples) / info.rate_hz
    assert at[-1] <= time_s[-1]
    got = recording.values("crank", 0, info.samples)
    np.testing.assert_allclose(got, np.interp(at, time_s, wave), atol=1e-12)
    good = ~np.isnan(got)
    np.testing.assert_allclose(got[good], np.sin(2 * np.pi * 60 * at[good]), atol=1e-3)
    assert (info.gaps[0].start_s, info.gaps[0].end_s) == (time_s[999], time_s[1010])
    joined = np.concatenate([part for _, part in recording.chunks("crank", 37)])
    np.testing.assert_array_equal(joined, got)
    assert any("uneven" in c and "interpolated" in c for c in recording.cautions)


def test_many_lost_samples_stay_quick(tmp_path):
    """One sample in a hundred lost at random: every kept one in its place, whatever the chunks."""
    rng = np.random.default_rng(9)
    kept = np.flatnonzero(rng.random(200_000) > 0.01)
    kept = kept[kept >= kept[0]]
    crank = (kept % 30_000).astype(np.int16)
    np.savez(tmp_path / "van.npz", time=kept / 1e5, crank=crank)
    recording = open_recording(tmp_path / "van.npz")
    values = np.concatenate([part for _, part in recording.chunks("crank", 5000)])
    np.testing.assert_array_equal(values[kept - kept[0]], crank)
    assert np.isnan(values).sum() == len(values) - len(kept)


def test_gaps_and_lost_blocks_together(tmp_path):
    time_s = np.concatenate((np.arange(400), np.arange(700, 1000))) / 1e4
    crank = np.arange(700.0)
    crank[390:420] = np.nan
    np.savez(tmp_path / "van.npz", time=time_s, crank=crank)
    gaps = [
        (round(g.start_s * 1e4), round(g.end_s * 1e4)) for g in open_recording(tmp_path / "van.npz").info("crank").gaps
    ]
    assert gaps == [(390, 400), (400, 700), (700, 720)]


def test_no_clock():
    rng = np.random.default_rng(3)
    assert judge_clock(np.cumsum(rng.exponential(1, 500))) is None
    assert judge_clock(np.zeros(10)) is None


def test_two_samples_make_a_clock():
    clock = judge_clock(np.array([1.0, 1.5]))
    assert (clock.rate_hz, clock.start_s, clock.places) == (2.0, 1.0, 2)
