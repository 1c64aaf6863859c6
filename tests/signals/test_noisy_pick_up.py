"""Pick-up lines near or under their noise: slopes, places, means of samples, coarse converters."""

from __future__ import annotations

import numpy as np
import pytest

from witnessmark.recording.setup import Setup
from witnessmark.signals.averaged import averaged
from witnessmark.signals.extract import extract
from witnessmark.signals.kernels import BLOCK
from witnessmark.signals.summary import summarise
from witnessmark.wheel import polarity

from .memory import record

RATE = 100_000.0


def bells(n: int, slots: int, missing: int, rpm: float = 200.0) -> np.ndarray:
    """Voltage of a pick-up (-dPhi/dt) whose flux is a bell at each tooth, usual half wave 1, a ripple of 10 % twice a
    turn: positive as a tooth leaves, so that the voltage rises through zero at the tooth.
    """
    t = np.arange(n) / RATE
    slot = slots * (rpm / 60.0 * t + 0.1 / (4 * np.pi) * np.sin(4 * np.pi * rpm / 60.0 * t))
    flux = np.zeros(n)
    for near in range(-3, 4):
        tooth = np.floor(slot) + near
        flux += np.where(tooth % slots < slots - missing, np.exp(-0.5 * ((slot - tooth - 0.5) / 0.3) ** 2), 0.0)
    volts = -np.gradient(flux)
    return volts / np.median(np.abs(volts)) * 0.6


def wave(noise_v: float, seed: int = 1, n: int = 200_000, hz: float = 100.0, size_v: float = 1.0) -> np.ndarray:
    t = np.arange(n) / RATE
    return size_v * np.sin(2 * np.pi * hz * t + 0.3) * np.where(t > 0.1, 1.0, 0.0) + np.random.default_rng(seed).normal(
        0.0, noise_v, n
    )


@pytest.mark.parametrize("noise_v", [0.002, 0.02, 0.1])
def test_slope_is_the_waves_and_not_the_noises(noise_v: float) -> None:
    """Slope of a sine at its zero: amplitude times 2 pi f; the line's window takes 2 % off at most."""
    # 97 Hz: a period of the mains, or of twice it, is none of an engine
    line = extract(record({"crank": wave(noise_v, hz=97.0)}, RATE), Setup()).lines[0]
    assert line.sensor == "vr"
    slope = line.edges.slope_v_per_s[20:-20]
    assert np.median(slope) == pytest.approx(2 * np.pi * 97.0, rel=0.04)


def test_very_noisy_crossings_are_timed_by_the_line_through_them() -> None:
    """Time noise of one sample pair is noise over slope (0.1 / 610 = 164 us); the line has under half of it."""
    edges = extract(record({"crank": wave(0.1, hz=97.0)}, RATE), Setup()).lines[0].edges
    k = np.round((edges.time_s * 2 * np.pi * 97.0 + 0.3) / np.pi)
    off = edges.time_s - (k * np.pi - 0.3) / (2 * np.pi * 97.0)
    assert np.std(off[20:-20]) < 0.5 * 0.1 / (2 * np.pi * 97.0)


@pytest.mark.parametrize("offset_v", [0.0, 2.5])
def test_pulses_of_five_noise_deviations_are_found_tooth_by_tooth(offset_v: float) -> None:
    n = 300_000
    x = 0.03 * bells(n, 36, 1) + np.random.default_rng(3).normal(0.0, 0.006, n) + offset_v
    found = extract(record({"crank": x}, RATE), Setup()).lines[0]
    assert found.sensor == "vr"
    assert len(found.edges) == pytest.approx(2 * 35 * 10, abs=6)  # ten turns in 3 s at 200 rpm


def test_noise_alone_and_hum_under_noise_are_no_wheel() -> None:
    n = 300_000
    noise = np.random.default_rng(2).normal(0.0, 0.01, n)
    hum = 0.03 * np.sin(2 * np.pi * 50.0 * np.arange(n) / RATE) + noise
    lines = extract(record({"a": noise, "b": hum}, RATE), Setup()).lines
    assert [line.sensor for line in lines] == ["analog", "analog"]


@pytest.mark.parametrize("chunk", [64, 1000, 4096])
def test_means_are_the_same_for_every_chunk(chunk: int) -> None:
    n = 40_000
    x = 0.03 * np.sin(2 * np.pi * 97.0 * np.arange(n) / RATE) + np.random.default_rng(3).normal(0.0, 0.006, n)
    recording = record({"crank": x}, RATE)
    whole, parts = (extract(recording, Setup(), size).lines[0].edges for size in (1 << 22, chunk))
    assert len(whole)
    np.testing.assert_array_equal(whole.time_s, parts.time_s)
    np.testing.assert_array_equal(whole.slope_v_per_s, parts.slope_v_per_s)


def test_means_stand_at_the_middle_of_their_samples() -> None:
    recording = record({"crank": np.arange(1000.0)}, 1000.0)
    less, info = averaged(recording, recording.channels[0], 4)
    value = less.values("crank", 0, 3)
    np.testing.assert_allclose(value, [1.5, 5.5, 9.5])
    np.testing.assert_allclose([info.time_of(i) * 1000.0 for i in range(3)], value)


@pytest.mark.parametrize("step", [0.5, 1.0, 1.5])
def test_noise_of_a_coarse_converter_is_not_rounded_down(step: float) -> None:
    """Rounding adds step^2 / 12 to the variance (published: quantisation noise, any signal-processing handbook)."""
    rng = np.random.default_rng(1)
    n = 64 * BLOCK * 40
    x = np.round((rng.normal(0.0, 1.0, n) + 20.0 * np.sin(np.arange(n) / 9000.0)) / step)
    recording = record({"a": x.astype(np.int16)}, RATE)
    noise = summarise(recording, recording.channels[0], 1 << 20).noise * step
    assert noise == pytest.approx(np.sqrt(1.0 + step**2 / 12.0), rel=0.2)


@pytest.mark.parametrize("slots", [36, 60])
@pytest.mark.parametrize("way", [1.0, -1.0])
def test_polarity_is_told_at_the_gap_in_noise(slots: int, way: float) -> None:
    """The crossing that stands alone in the gap is the slot's; noise of 6 % of a half wave does not hide it."""
    n = 300_000
    x = way * bells(n, slots, 2) + np.random.default_rng(5).normal(0.0, 0.06, n)
    told = polarity.tell(extract(record({"crank": x}, RATE), Setup()).lines[0].edges)
    assert told.steep_rising is (way > 0), told.reason
