"""Edges of variable reluctance lines: exact crossings, low teeth, restarts, offset, clipping, a second reading."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import find_peaks

from witnessmark.recording.setup import ChannelSetup, Setup
from witnessmark.signals import reluctance, vr
from witnessmark.signals.crossings import Thresholds
from witnessmark.signals.extract import extract
from witnessmark.signals.model import Line
from witnessmark.signals.summary import LONG_CHANNEL, summarise
from witnessmark.signals.vr import _rest_level

from .memory import record
from .waves import reluctance_wheel, tooth_angle

VR = Setup(channel=(ChannelSetup(name="line", sensor="vr"),))


def line_of(x: np.ndarray, rate_hz: float = 100_000.0, setup: Setup | None = None) -> Line:
    line = extract(record({"line": x}, rate_hz), setup or Setup()).lines[0]
    assert line.sensor == "vr"
    return line


def centres(turns: np.ndarray, slots: int, missing: int, rate_hz: float) -> np.ndarray:
    """Times at which tooth centres pass: where the flux is largest and the voltage crosses zero rising (-dPhi/dt)."""
    slot = turns * slots
    k = np.arange(1, int(slot[-1]))
    k = k[(k % slots) < slots - missing]
    return np.interp(k + 0.5, slot, np.arange(len(turns))) / rate_hz


def test_sine_crossings_are_exact() -> None:
    """A sine of 250 Hz at 100 kHz: linear interpolation of sin errs below (w dt)^2 / 16 of a sample: 1.6e-10 s."""
    n, rate = 100_000, 100_000.0
    t = np.arange(n) / rate
    line = line_of(2.0 * np.sin(2 * np.pi * 250.0 * t + 0.3) + 3.6)
    k = np.arange(1, 501)
    true = (k * np.pi - 0.3) / (2 * np.pi * 250.0)
    edges = line.edges
    true = true[true > edges.time_s[0] - 1e-4][: len(edges)]
    np.testing.assert_allclose(edges.time_s, true, atol=2e-7)
    np.testing.assert_allclose(edges.slope_v_per_s, 2.0 * 2 * np.pi * 250.0, rtol=1e-3)
    np.testing.assert_allclose(edges.peak_before_v[1:], 2.0, rtol=1e-3)
    np.testing.assert_allclose(edges.peak_after_v[:-1], 2.0, rtol=1e-3)
    np.testing.assert_allclose(edges.arm_margin, 1 / 0.35, rtol=2e-3)
    assert line.levels.zero == pytest.approx(3.6, abs=0.01)
    assert line.levels.high == pytest.approx(5.6, abs=0.01)


@pytest.mark.parametrize("rpm", [(180.0, 180.0), (120.0, 2500.0)])
def test_wheel_gives_every_tooth(rpm: tuple[float, float]) -> None:
    n, rate = 300_000, 100_000.0
    turns = tooth_angle(n, rate, np.linspace(*rpm, n))
    x = reluctance_wheel(turns, rate, 60, 2) + np.random.default_rng(1).normal(0, 0.01, n)
    edges = line_of(x).edges
    true = centres(turns, 60, 2, rate)
    rising = edges.time_s[edges.rising]
    nearest = np.abs(rising[:, None] - true[None, :]).min(axis=0)
    slope = 0.001 * np.pi * rpm[0] * 2 * np.pi * rpm[0]  # volts_per_hz * pi f * 2 pi f, f = rpm teeth a second
    assert nearest.max() < 5 * 0.01 / slope
    assert abs(len(rising) - len(true)) <= 2
    assert (edges.arm_margin[2:-2] > 1.5).all()


def test_low_tooth_is_an_edge_with_a_margin_below_one() -> None:
    n, rate = 400_000, 100_000.0
    turns = tooth_angle(n, rate, 220.0)
    x = reluctance_wheel(turns, rate, 60, 2, heights={20: 0.15}) + np.random.default_rng(2).normal(0, 0.004, n)
    edges = line_of(x).edges
    low = np.interp(np.arange(15) + 20.5 / 60, turns, np.arange(n)) / rate
    low = low[low < n / rate - 0.01]
    near = np.abs(edges.time_s[:, None] - low[None, :])
    hit = near.argmin(axis=0)
    assert (near.min(axis=0) < 5e-5).all()  # noise over slope: 4 mV over 140 V/s is 29 us
    assert edges.rising[hit].all()
    assert (edges.arm_margin[hit] < 0.6).all()
    others = edges.rising.copy()
    others[hit] = False
    others[:2] = others[-2:] = False
    assert (edges.arm_margin[others] > 1.5).all()


def test_restart_after_a_stop_finds_the_first_small_teeth() -> None:
    """Running at 2000 rpm, run down, a second of rest, then a start whose first teeth are a fortieth of the running."""
    rate = 100_000.0
    t = np.arange(int(4.5 * rate)) / rate
    rpm = np.interp(t, [0, 1.0, 1.5, 2.5, 2.55, 2.7, 4.5], [2000, 2000, 0, 0, 40, 180, 220])
    turns = tooth_angle(len(t), rate, rpm)
    x = reluctance_wheel(turns, rate, 60, 2) + np.random.default_rng(3).normal(0, 0.002, len(t))
    edges = line_of(x).edges
    true = centres(turns, 60, 2, rate)
    speed = np.interp(true, t, rpm)
    true = true[speed > 35.0]
    rising = edges.time_s[edges.rising]
    missed = np.abs(rising[:, None] - true[None, :]).min(axis=0) > 1e-4
    assert missed.sum() == 0
    rest = (edges.time_s > 1.55) & (edges.time_s < 2.5)
    assert rest.sum() <= 1


@pytest.mark.parametrize("slots", [60, 36, 4])
def test_offset_that_drifts(slots: int) -> None:
    """A bias of 2.5 V that sags by 1.5 V while the half waves are near 0.5 V."""
    n, rate = 400_000, 50_000.0
    turns = tooth_angle(n, rate, 200.0)
    x = reluctance_wheel(turns, rate, slots, 2 if slots > 4 else 0, 0.16 / slots)
    bias = 2.5 - 1.5 * np.interp(np.arange(n), [0, 100_000, 200_000, n], [0, 0, 1, 1])
    line = line_of(x + bias + np.random.default_rng(4).normal(0, 0.003, n), rate, VR)
    edges = line.edges
    true = centres(turns, slots, 2 if slots > 4 else 0, rate)
    rising = edges.time_s[edges.rising]
    error = np.abs(rising[:, None] - true[None, :]).min(axis=0)
    assert np.median(error) < 0.01 * 0.3 / slots
    assert error[2:-2].max() < 0.12 * 0.3 / slots


def test_eight_bits_twenty_kilohertz() -> None:
    n, rate = 60_000, 20_000.0
    turns = tooth_angle(n, rate, np.linspace(160, 900, n))
    x = reluctance_wheel(turns, rate, 60, 2, 0.0005)
    codes = np.round(x / (2.2 * np.abs(x).max()) * 255).astype(np.int8)
    edges = line_of(codes, rate).edges
    true = centres(turns, 60, 2, rate)
    rising = edges.time_s[edges.rising]
    assert abs(len(rising) - len(true)) <= 2
    assert np.abs(rising[:, None] - true[None, :]).min(axis=0)[1:-1].max() < 1.0 / rate


def test_clipped_share() -> None:
    n, rate = 200_000, 100_000.0
    turns = tooth_angle(n, rate, np.linspace(200, 800, n))
    x = reluctance_wheel(turns, rate, 60, 2) + np.random.default_rng(5).normal(0, 0.005, n)
    x = np.round(x / 0.01) * 0.01
    free = line_of(x).levels
    assert free.clipped < 0.002
    limit = 0.6 * np.abs(x).max()
    clipped = np.clip(x, -limit, limit)
    found = line_of(clipped).levels.clipped
    runs = np.abs(clipped) >= limit
    assert found == pytest.approx(runs.mean(), rel=0.15)


def test_second_reading_by_scipy_peaks_and_sign_changes() -> None:
    """scipy.signal.find_peaks for the half waves and numpy sign changes for the crossings, on a clean run."""
    n, rate = 200_000, 100_000.0
    turns = tooth_angle(n, rate, 300.0 + 80.0 * np.sin(np.arange(n) / 8000.0))
    x = reluctance_wheel(turns, rate, 36, 1)
    x = x[: int(np.flatnonzero(x[:-1000] > 0.9 * x.max())[-1]) + 1]  # ends on a peak
    edges = line_of(x).edges
    least = 0.1 * x.max()
    tops, _ = find_peaks(x, height=least)
    troughs, _ = find_peaks(-x, height=least)
    order = np.argsort(np.concatenate([tops, troughs]))
    peaks = np.concatenate([tops, troughs])[order]
    top = np.concatenate([np.ones(len(tops), bool), np.zeros(len(troughs), bool)])[order]
    turn = top[1:] != top[:-1]
    assert turn.sum() == len(edges)
    np.testing.assert_array_equal(edges.rising, top[1:][turn])
    for k, (a, b) in enumerate(zip(peaks[:-1][turn], peaks[1:][turn], strict=True)):
        if np.count_nonzero(np.abs(x[a:b]) < 1e-6) > 20:
            continue  # the flat of the gap: the line lies on zero, there is no one crossing
        changes = a + np.flatnonzero(np.diff(np.sign(x[a : b + 1])) != 0)
        assert abs(edges.sample[k] - changes[-1]) <= 1
    np.testing.assert_allclose(edges.peak_before_v[1:], np.abs(x[peaks[:-1][turn]])[1:], rtol=0.02)


def test_reversed_leads_swap_the_crossings() -> None:
    n, rate = 200_000, 100_000.0
    turns = tooth_angle(n, rate, 250.0)
    x = reluctance_wheel(turns, rate, 60, 2) + np.random.default_rng(6).normal(0, 0.003, n)
    a, b = line_of(x).edges, line_of(-x).edges
    np.testing.assert_allclose(a.time_s, b.time_s, atol=2e-5)
    np.testing.assert_array_equal(a.rising, ~b.rising)


def test_clamped_one_side() -> None:
    """Measured at an input circuit with a clamp at -0.4 V: the zero line is 0 V, not the middle of the peaks."""
    rate = 100_000.0
    t = np.arange(int(4 * rate)) / rate
    rpm = np.interp(t, [0, 0.8, 1.0, 4.0], [0, 0, 200, 240])
    turns = tooth_angle(len(t), rate, rpm)
    x = np.maximum(reluctance_wheel(turns, rate, 60, 2, 0.004), -0.4)
    x += np.random.default_rng(7).normal(0, 0.01, len(t))
    line = line_of(x, rate, VR)
    assert abs(line.levels.zero) < 0.15
    true = centres(turns, 60, 2, rate)
    true = true[true > 1.05]
    rising = line.edges.time_s[line.edges.rising]
    assert np.abs(rising[:, None] - true[None, :]).min(axis=0).max() < 1e-4


def test_the_rest_level_is_not_read_off_a_single_still_window() -> None:
    """The last samples of a record, or the flank in a gap, may stand still far off zero for one window."""
    moving = np.r_[np.zeros(20, bool), np.ones(100, bool)]
    own, middle = np.where(moving, 1.0, 0.005), np.zeros(120)
    own[119], middle[119] = 0.0, 0.4  # a window of one sample
    own[60], middle[60] = 0.02, -0.5
    assert _rest_level(middle, own, moving, 1.0) == 0.0
    assert _rest_level(middle[20:], own[20:], moving[20:], 1.0) is None
    lifted = np.where(np.arange(120) < 20, 0.3, 0.0)  # a bias comes with the key
    assert _rest_level(lifted, own, moving, 1.0) == 0.3


def test_a_cam_of_unequal_teeth_is_a_pick_up_too() -> None:
    """Three unlike intervals in turn change by 0.7 in log from one to the next, and not at all from cycle to cycle."""
    rate = 50_000.0
    rpm = np.interp(np.arange(int(6 * rate)) / rate, [0, 0.5, 0.7, 6.0], [0, 0, 200, 240])
    cycle = tooth_angle(len(rpm), rate, rpm) / 2.0 * 720.0
    flux = sum(np.exp(-0.5 * (((cycle - at + 360.0) % 720.0 - 360.0) / 8.0) ** 2) for at in (100.0, 350.0, 480.0))
    x = -np.gradient(flux) * rate * 0.01 + np.random.default_rng(9).normal(0, 0.005, len(rpm))
    line = extract(record({"cam": x}, rate), Setup()).lines[0]
    assert line.sensor == "vr"
    assert len(line.edges) >= 50


def test_noise_about_the_zero_line_of_a_long_channel_is_told_from_a_few_looks() -> None:
    n = LONG_CHANNEL + 1000
    rng = np.random.default_rng(8)
    noise = np.resize(rng.normal(0, 20.0, 1 << 18), n)
    supply = 2000.0 - 60.0 * (np.sin(np.arange(n) * 4e-5) > 0.3)  # a supply that sags, under noise
    turns = np.resize(reluctance_wheel(tooth_angle(1 << 20, 1e6, 250.0), 1e6, 60, 2) * 1000, n)
    for x, only in ((supply + noise, True), (turns + noise, False)):
        recording = record({"line": x.astype(np.int16)}, 1e6, 1e-3)
        info = recording.channels[0]
        summary = summarise(recording, info, 1 << 20)
        zero = vr.find_zero(summary)
        if only:
            zero = replace(zero, thresholds=Thresholds.fixed(1970.0, 2000.0, 2030.0))
        before = recording.source.total  # type: ignore[attr-defined]
        assert reluctance._noise_only(recording, info, summary, zero) is only
        assert recording.source.total - before <= 8 * (1 << 17)  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("bias", "volts_per_hz", "kind"), [(2.5, 0.03, "vr"), (12.0, 0.03, "analog"), (2.5, 0.005, "analog")]
)
def test_a_slow_pick_up_about_a_bias_shows_by_going_below_ground(bias: float, volts_per_hz: float, kind: str) -> None:
    """Six teeth at 200 rpm come every 50 ms, as compressions do in a supply; no supply falls below 0 V."""
    rate = 20_000.0
    rpm = np.interp(np.arange(int(3 * rate)) / rate, [0.0, 0.3, 0.5, 2.6, 3.0], [0.0, 0.0, 200.0, 220.0, 600.0])
    x = bias + reluctance_wheel(tooth_angle(len(rpm), rate, rpm), rate, 6, 0, volts_per_hz)
    x += np.random.default_rng(3).normal(0, 0.005, len(rpm))
    assert extract(record({"line": x}, rate), Setup()).lines[0].sensor == kind
