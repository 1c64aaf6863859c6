"""Edges of two-level lines: exact times, moving levels, noise, few samples a tooth, short pulses."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from witnessmark.recording.model import Changes
from witnessmark.recording.setup import Setup
from witnessmark.signals.extract import extract
from witnessmark.signals.model import FIRST, GLITCH, PLAIN, Edges, Line

from .memory import record
from .waves import hall_wheel, tooth_angle, trapezoid


def line_of(x: np.ndarray, rate_hz: float = 100_000.0, gain: float = 1.0) -> Line:
    return extract(record({"line": x}, rate_hz, gain), Setup()).lines[0]


def edges_of(x: np.ndarray, rate_hz: float = 100_000.0, gain: float = 1.0) -> Edges:
    line = line_of(x, rate_hz, gain)
    assert line.sensor == "hall"
    return line.edges


def tooth_edges(turns: np.ndarray, slots: int, missing: int) -> tuple[np.ndarray, np.ndarray]:
    """(sample just before, rising) of every edge of hall_wheel by counting its ideal states."""
    high = hall_wheel(turns, slots, missing, 0.0, 1.0) > 0.5
    at = np.flatnonzero(high[1:] != high[:-1])
    return at, high[at + 1]


def test_trapezoid_times_are_exact() -> None:
    rng = np.random.default_rng(1)
    true = 0.001 + np.cumsum(rng.uniform(0.0005, 0.004, 200))
    x = trapezoid(true, 50e-6, int((true[-1] + 0.002) * 1e5), 1e5, 0.3, 4.8)
    edges = edges_of(x)
    np.testing.assert_allclose(edges.time_s, true, atol=1e-9)
    np.testing.assert_array_equal(edges.rising, np.arange(200) % 2 == 0)
    assert (edges.label[1:] == PLAIN).all()
    assert edges.label[0] == FIRST
    np.testing.assert_allclose(edges.time_s, (edges.sample + edges.fraction.astype(float)) / 1e5, atol=1e-12)
    assert np.isnan(edges.arm_margin).all()


def test_gain_offset_and_start_change_no_edge() -> None:
    true = 0.001 + np.cumsum(np.full(60, 0.003))
    x = trapezoid(true, 50e-6, 20_000, 1e5, 0.0, 1.0)
    codes = np.round(x * 2000).astype(np.int16)
    plain = edges_of(x)
    scaled = extract(record({"line": codes}, 1e5, 5 / 2000, -1.0, start_s=7.5), Setup()).lines[0]
    np.testing.assert_allclose(scaled.edges.time_s, plain.time_s + 7.5, atol=2e-8)
    np.testing.assert_array_equal(scaled.edges.rising, plain.rising)
    assert scaled.levels.low == pytest.approx(-1.0)
    assert scaled.levels.high == pytest.approx(4.0)
    inverted = extract(record({"line": codes}, 1e5, -5 / 2000), Setup()).lines[0]
    np.testing.assert_array_equal(inverted.edges.rising, ~plain.rising)
    assert inverted.levels.low < inverted.levels.high


@pytest.mark.parametrize("noise_v", [0.05, 0.2, 0.4])
def test_noise_makes_no_edges_and_small_time_errors(noise_v: float) -> None:
    """Spread at most noise over slope (times the square root of two for two samples) and the half sample."""
    rng = np.random.default_rng(2)
    true = 0.002 + np.cumsum(rng.uniform(0.001, 0.004, 300))
    n = int((true[-1] + 0.002) * 1e5)
    x = trapezoid(true, 100e-6, n, 1e5, 0.0, 5.0) + rng.normal(0, noise_v, n)
    edges = edges_of(x)
    assert len(edges) == 300
    error = edges.time_s - true
    slope = 5.0 / 100e-6
    assert np.std(error) < 1.5 * noise_v / slope + 0.3e-5
    assert abs(np.mean(error)) < 0.5e-5


def test_eight_bits_and_twenty_kilohertz() -> None:
    """3000 rpm on 60-2 at 20 kHz: 3.3 samples a tooth and gap, 8-bit codes of a 10 V range with one code of noise."""
    n = 40_000
    turns = tooth_angle(n, 20_000.0, np.linspace(200, 3000, n))
    rng = np.random.default_rng(3)
    volts = hall_wheel(turns, 60, 2, 0.3, 4.7) + rng.normal(0, 0.04, n)
    codes = np.round(volts / 10 * 255).astype(np.uint8)
    edges = edges_of(codes, 20_000.0, 10 / 255)
    at, rising = tooth_edges(turns, 60, 2)
    np.testing.assert_array_equal(edges.sample, at)
    np.testing.assert_array_equal(edges.rising, rising)
    assert (edges.label[1:] == PLAIN).all()


@pytest.mark.parametrize("drift", ["ac", "sag", "lift", "jump"])
def test_moving_levels(drift: str) -> None:
    """Alternating-current coupling, a supply that sags to half, a lifting ground, a level that jumps for 0.3 s."""
    n, rate = 400_000, 100_000.0
    t = np.arange(n) / rate
    speed = np.where(t < 0.5, 0.0, np.where(t > 3.4, 0.0, 200.0 + 50 * np.sin(40 * t)))
    turns = tooth_angle(n, rate, speed)
    ideal = hall_wheel(turns, 60, 2, 0.0, 5.0)
    at, rising = tooth_edges(turns, 60, 2)
    if drift == "ac":
        from scipy.signal import lfilter

        keep = np.exp(-1 / (0.25 * rate))
        x = lfilter([1, -1], [1, -keep], ideal - ideal[0])
    elif drift == "sag":
        x = ideal * np.interp(t, [0, 0.5, 0.7, 3.0, 3.4], [1, 1, 0.5, 0.7, 1])
    elif drift == "lift":
        x = ideal + np.interp(t, [0, 0.5, 0.8, 2.0, 3.0], [0, 0, 2.0, 2.5, 0])
    else:
        x = ideal + np.where((t > 1.2) & (t < 1.5), 3.0, 0.0)
    x = x + np.random.default_rng(4).normal(0, 0.03, n)
    edges = edges_of(x)
    if drift == "jump":  # nobody can say what the line means within one window of the jump itself
        clear = np.minimum(np.abs(at - 120_000), np.abs(at - 150_000)) > 2100
        at, rising = at[clear], rising[clear]
        keep = np.minimum(np.abs(edges.sample - 120_000), np.abs(edges.sample - 150_000)) > 2100
        edges = replace(edges, sample=edges.sample[keep], rising=edges.rising[keep])
    assert len(edges.sample) == len(at)
    np.testing.assert_array_equal(edges.rising, rising)
    assert np.abs(edges.sample - at).max() <= 1


def test_dead_stretch_makes_no_edges() -> None:
    """The line floats at half its swing with hum for a second in the middle."""
    n, rate = 300_000, 100_000.0
    t = np.arange(n) / rate
    ideal = hall_wheel(tooth_angle(n, rate, 250.0), 60, 2, 0.0, 5.0)
    dead = (t > 1.0) & (t < 2.0)
    x = np.where(dead, 2.5 + 0.6 * np.sin(2 * np.pi * 50 * t), ideal) + np.random.default_rng(5).normal(0, 0.05, n)
    edges = edges_of(x)
    inside = (edges.time_s > 1.0005) & (edges.time_s < 1.9995)
    assert not inside.any()
    before = len(tooth_edges(tooth_angle(n, rate, 250.0), 60, 2)[0])
    assert len(edges) > 0.6 * before


def test_line_that_only_flickers_has_no_edges() -> None:
    rng = np.random.default_rng(6)
    flat = (rng.random(50_000) < 0.1).astype(np.int16)
    line = line_of(flat, gain=0.04)
    assert not line.levels.moving
    assert len(line.edges) == 0
    steady = line_of(np.full(50_000, 7, np.int16))
    assert not steady.levels.moving
    assert len(steady.edges) == 0
    noisy = line_of(rng.normal(12.0, 0.05, 50_000))
    assert not noisy.levels.moving
    assert len(noisy.edges) == 0


def test_a_clean_line_of_few_codes_is_no_flicker_though_a_sample_falls_into_its_flanks() -> None:
    """Eight bits, no noise: a sample half way up is no step of the converter, however few values there are."""
    samples = np.arange(250_000)
    high = (samples // 4_300) % 2 == 1
    x = np.where(high, 64, 2).astype(np.int8)
    x[4_300::4_300] = 23  # one sample in every flank
    edges = edges_of(x, 200_000.0, 0.078)
    assert len(edges) == 250_000 // 4_300


def test_spikes_are_seen_and_labelled_never_dropped() -> None:
    """Forty spikes of 30 us on a cranking wheel: all are edges, all and only they are glitches."""
    n, rate = 200_000, 100_000.0
    turns = tooth_angle(n, rate, 200.0)
    x = hall_wheel(turns, 36, 1, 0.0, 5.0)
    at, _ = tooth_edges(turns, 36, 1)
    rng = np.random.default_rng(7)
    spikes = []
    for k in rng.choice(len(at) - 2, 40, replace=False):
        place = int(at[k] + (at[k + 1] - at[k]) * rng.uniform(0.3, 0.7))
        x[place : place + 3] = 5.0 - x[place : place + 3]
        spikes.append(place)
    edges = edges_of(x)
    assert len(edges) == len(at) + 80
    glitches = edges.sample[edges.label == GLITCH]
    np.testing.assert_array_equal(np.sort(np.concatenate([np.array(spikes) - 1, np.array(spikes) + 2])), glitches)


def test_direction_coded_line_has_no_glitches() -> None:
    """Short pulses of 45 us (forward) and 90 us (backward) at each tooth are the habit (widths from memory)."""
    rate, n = 1_000_000.0, 600_000
    x = np.full(n, 5.0)
    teeth = np.arange(1000, n - 2000, 3333)
    for k, a in enumerate(teeth):
        x[a : a + (90 if 60 < k < 90 else 45)] = 0.0
    edges = edges_of(x, rate)
    assert len(edges) == 2 * len(teeth)
    assert not (edges.label == GLITCH).any()


def test_rare_pulses_are_found() -> None:
    """Four commands of 3 ms in 30 s, with a spike of 60 V at the end of each: levels 0 and 12 V, eight edges."""
    rate = 50_000.0
    x = np.random.default_rng(8).normal(12.0, 0.05, int(30 * rate))
    for second in (3.0, 9.0, 16.0, 25.0):
        a = int(second * rate)
        x[a : a + 150] -= 12.0
        x[a + 150 : a + 153] = 60.0
    line = line_of((x * 100).astype(np.int16), rate, 0.01)
    assert line.sensor == "hall"
    assert line.levels.low == pytest.approx(0.0, abs=0.3)
    assert line.levels.high == pytest.approx(12.0, abs=0.3)
    assert len(line.edges) == 8
    widths = line.edges.time_s[1::2] - line.edges.time_s[::2]
    np.testing.assert_allclose(widths, 3e-3, atol=3e-5)


def test_change_list_is_read_as_written() -> None:
    times = np.array([0.0, 0.1, 0.25, 0.3, 0.55])
    changes = Changes(times, np.array([0, 1, 0, 1, 0], np.uint8), 1.0)
    line = extract(record({"line": changes}), Setup()).lines[0]
    np.testing.assert_array_equal(line.edges.time_s, times[1:])
    np.testing.assert_array_equal(line.edges.rising, [True, False, True, False])
    assert line.sensor == "hall"
    assert line.levels.moving


def test_long_rest_then_start_keeps_every_tooth() -> None:
    """Speed changes from 100 to 2600 rpm within few teeth are no reason for a glitch."""
    n, rate = 400_000, 100_000.0
    t = np.arange(n) / rate
    turns = tooth_angle(n, rate, np.interp(t, [0, 1.0, 1.05, 2.0, 2.3, 2.6], [100, 260, 900, 2600, 2600, 0]))
    edges = edges_of(hall_wheel(turns, 60, 2, 0.1, 5.0))
    assert len(edges) == len(tooth_edges(turns, 60, 2)[0])
    assert (edges.label[1:] == PLAIN).all()
