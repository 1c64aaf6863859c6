"""Slow lines read thinned: the same in pieces of any size, and sums over a window as they are defined."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from witnessmark.engine import sampled
from witnessmark.engine.starting import SUPPLY_STEP_S, supply_of
from witnessmark.recording.model import Changes, ChannelInfo, Recording
from witnessmark.recording.setup import ChannelSetup, Setup
from witnessmark.signals.extract import extract

RATE_HZ = 20_000.0


class _Held:
    def __init__(self, values: NDArray[np.float64]) -> None:
        self._values = values

    def read(self, index: int, start: int, stop: int) -> NDArray[np.float64]:
        return self._values[start:stop]

    def changes(self, index: int) -> Changes:
        raise KeyError(index)


@pytest.fixture
def battery() -> Recording:
    """Simulated: six seconds of a battery line with a gap in it."""
    rng = np.random.default_rng(2)
    values = 12.0 + 0.3 * np.sin(np.arange(120_000) / 900.0) + rng.normal(0.0, 0.01, 120_000)
    values[40_000:52_345] = np.nan
    info = ChannelInfo("battery", 1, "sampled", values.size, RATE_HZ, 0.25, 1.0, 0.0, "V")
    return Recording("made", (info,), _Held(values), values.size / RATE_HZ + 0.25)


@pytest.mark.parametrize("piece", [4, 1000, 4096, 1 << 20])
def test_pieces_of_any_size_hold_the_same(monkeypatch, battery, piece):
    monkeypatch.setattr(sampled, "_CHUNK", piece)
    time, value = sampled.thinned(battery, "battery", 0.3, 5.9)
    first, last = 1000, 113_001  # samples from 0.3 s to 5.9 s of a line that begins at 0.25 s
    rows = np.arange(first, last, 4)
    whole = battery.read("battery", 0, 120_000)[rows]
    good = np.isfinite(whole)
    np.testing.assert_array_equal(value, whole[good])
    np.testing.assert_allclose(time, 0.25 + rows[good] / RATE_HZ, rtol=0, atol=1e-12)


def test_nothing_is_taken_of_an_empty_stretch_or_beyond_the_end(battery):
    for start, end in ((2.0, 2.0), (3.0, 1.0), (90.0, 99.0)):
        assert [len(x) for x in sampled.thinned(battery, "battery", start, end)] == [0, 0]
    assert len(sampled.thinned(battery, "battery", -1e9, 1e9)[0]) == 26_913  # every fourth sample outside the gap


@pytest.mark.parametrize("piece", [400, 1000, 1 << 20])
def test_the_lowest_of_each_stretch_does_not_depend_on_the_pieces(monkeypatch, battery, piece):
    told = Setup(channel=(ChannelSetup(name="battery", role="battery", sensor="analog"),))
    signals = extract(battery, told)
    monkeypatch.setattr(sampled, "_CHUNK", piece)
    supply = supply_of(signals, battery)
    assert supply is not None
    time, value = sampled.thinned(battery, "battery", 0.0, 99.0)
    number = np.floor((time - time[0]) / SUPPLY_STEP_S).astype(int)
    stretches = np.unique(number)
    np.testing.assert_array_equal(supply.time_s, [time[number == n][0] for n in stretches])
    np.testing.assert_array_equal(supply.lowest_v, [value[number == n].min() for n in stretches])


@pytest.mark.parametrize("width", [1, 2, 5, 10])
@pytest.mark.parametrize("size", [0, 1, 3, 9, 10, 11, 400])
def test_moving_mean_is_the_mean_of_what_is_there(size, width):
    value = np.random.default_rng(size).normal(size=size)
    ends = [(max(0, i - width // 2), min(size, i + (width + 1) // 2)) for i in range(size)]
    np.testing.assert_allclose(sampled.smooth(value, width), [value[a:b].mean() for a, b in ends], atol=1e-12)
