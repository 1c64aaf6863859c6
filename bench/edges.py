"""Speed of edge extraction as a ratio to a one-thread numpy.max over the same samples.

Eight invented int16 channels of a cranking engine at 1 MS/s in memory: crank, two cams, two coils, injector, battery,
starter current. Interleaved pairs, so that a machine that changes speed changes both; the median ratio is printed.
Usage: python bench/edges.py [million samples a channel] [pairs]
"""

from __future__ import annotations

import sys
import time
from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.model import Changes, ChannelInfo, Recording
from witnessmark.recording.setup import Setup
from witnessmark.signals.extract import extract

RATE_HZ = 1e6
RPM = 250.0
SCALE = 1000.0


class Arrays:
    """The samples in memory."""

    def __init__(self, arrays: list[NDArray[Any]]) -> None:
        """One array a channel."""
        self._arrays = arrays

    def read(self, index: int, start: int, stop: int) -> NDArray[Any]:
        """A view of the samples."""
        return self._arrays[index][start:stop]

    def changes(self, index: int) -> Changes:
        """There are none."""
        raise KeyError(index)


def channels(samples: int) -> dict[str, NDArray[np.int16]]:
    """Simulated lines in int16, thousandths of the unit."""
    rng = np.random.default_rng(1)
    t = np.arange(samples) / RATE_HZ
    turn = t * RPM / 60.0
    slot = turn * 60.0 % 60.0
    cycle = turn % 2.0 / 2.0
    noise = rng.normal(0.0, 8.0, 1 << 16)

    def line(volts: NDArray[np.float64]) -> NDArray[np.int16]:
        return (volts * SCALE + np.resize(noise, samples)).astype(np.int16)

    return {
        "crank": line(5.0 * ((slot % 1.0 < 0.5) & (slot < 58.0))),
        "cam 1": line(5.0 * ((cycle * 4) % 1.0 < 0.4)),
        "cam 2": line(5.0 * ((cycle * 4 + 0.2) % 1.0 < 0.7)),
        "coil 1": line(12.0 * (np.abs(cycle - 0.25) > 0.004)),
        "coil 2": line(12.0 * (np.abs(cycle - 0.75) > 0.004)),
        "injector 1": line(12.0 * (np.abs(cycle - 0.6) > 0.015)),
        "battery": line(10.5 + 0.4 * np.sin(2 * np.pi * turn * 2)),
        "starter current": line(15.0 + 5.0 * np.sin(2 * np.pi * turn * 2)),
    }


def main() -> None:
    """Print the median ratio."""
    millions = float(sys.argv[1]) if len(sys.argv) > 1 else 8.0
    pairs = int(sys.argv[2]) if len(sys.argv) > 2 else 15
    data = channels(int(millions * 1e6))
    arrays = list(data.values())
    infos = tuple(
        ChannelInfo(name, i + 1, "sampled", len(x), RATE_HZ, 0.0, 1 / SCALE, 0.0, "V")
        for i, (name, x) in enumerate(data.items())
    )
    recording = Recording("bench", infos, Arrays(arrays), len(arrays[0]) / RATE_HZ)
    signals = extract(recording, Setup())
    edges = {line.name: len(line.edges) for line in signals.lines}
    ratios, maxima, times = [], [], []
    for _ in range(pairs):
        a = time.perf_counter()
        for x in arrays:
            x.max()
        b = time.perf_counter()
        extract(recording, Setup())
        c = time.perf_counter()
        maxima.append(b - a)
        times.append(c - b)
        ratios.append((b - a) / (c - b))
    print(f"8 channels of int16, {millions:g} M samples each; edges {edges}")
    print(
        f"numpy.max {np.median(maxima) * 1e3:.1f} ms, edges {np.median(times) * 1e3:.1f} ms, medians of {pairs} pairs"
    )
    print(f"edge extraction at {np.median(ratios):.2f} of the speed of numpy.max (wanted: at least 0.6)")


if __name__ == "__main__":
    main()
