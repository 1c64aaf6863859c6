"""Speed of edge extraction as a ratio to a one-thread numpy.max over the same samples, and what others make of them.

Eight invented int16 channels of a cranking engine at 1 MS/s in memory: crank, two cams, two coils, injector, battery,
starter current. All kinds of work in turn, round after round; the median ratio is printed. Beside wall time stands
processor time: on a machine that others use too, two threads cannot show what they are good for.
Usage: python bench/edges.py [million samples a channel ...]     default 8 60
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
from measure import interleaved
from numpy.typing import NDArray

from witnessmark.recording.model import Changes, ChannelInfo, Recording
from witnessmark.recording.setup import Setup
from witnessmark.signals.extract import extract

RATE_HZ = 1e6
RPM = 250.0
SCALE = 1000.0
ROUNDS = 15
WANTED = 0.6


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
    """Simulated lines in int16, thousandths of the unit: twenty turns, again and again."""
    rng = np.random.default_rng(1)
    t = np.arange(round(20 * 60.0 / RPM * RATE_HZ)) / RATE_HZ
    turn = t * RPM / 60.0
    slot = turn * 60.0 % 60.0
    cycle = turn % 2.0 / 2.0
    noise = rng.normal(0.0, 8.0, 1 << 16)

    def line(volts: NDArray[np.float64]) -> NDArray[np.int16]:
        return np.resize((volts * SCALE + np.resize(noise, len(t))).astype(np.int16), samples)

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


def others(x: NDArray[np.int16]) -> dict[str, Callable[[], object]]:
    """Plain ways to find the level crossings of one channel."""
    import polars as pl
    from scipy.signal import find_peaks

    middle = np.int16(int(x.max()) // 2)
    frame = pl.DataFrame({"x": x})

    def numpy_masks() -> object:
        above = x > middle
        return np.flatnonzero(above[1:] != above[:-1])

    return {
        "numpy.max": lambda: x.max(),
        "numpy.sum": lambda: x.sum(),
        "two masks in numpy": numpy_masks,
        "the same in polars": lambda: frame.select(((pl.col("x") > int(middle)).cast(pl.Int8).diff() != 0).arg_true()),
        "scipy find_peaks": lambda: find_peaks(x, height=float(middle), prominence=float(middle)),
    }


def compare_others(x: NDArray[np.int16]) -> None:
    """The table of one channel."""
    info = ChannelInfo("crank", 1, "sampled", len(x), RATE_HZ, 0.0, 1 / SCALE, 0.0, "V")
    recording = Recording("bench", (info,), Arrays([x]), len(x) / RATE_HZ)
    work = others(x) | {"witnessmark, one line": lambda: extract(recording, Setup())}
    wall, processor = interleaved(list(work.values()), 5)
    print(f"one crank line of {len(x) / 1e6:g} M samples: speed as a share of numpy.max (wall, processor time)")
    for i, name in enumerate(work):
        shares = (float(np.median(t[:, 0] / t[:, i])) for t in (wall, processor))
        print("  {:24} {:7.3f} {:7.3f}".format(name, *shares))


def read_with_two_threads(arrays: list[NDArray[np.int16]]) -> None:
    """numpy.max on two threads: about what the memory hands over."""
    with ThreadPoolExecutor(2) as pool:
        list(pool.map(np.max, arrays))


def edges(millions: float, rounds: int = ROUNDS) -> None:
    """The ratio at one length."""
    data = channels(int(millions * 1e6))
    arrays = list(data.values())
    infos = tuple(
        ChannelInfo(name, i + 1, "sampled", len(x), RATE_HZ, 0.0, 1 / SCALE, 0.0, "V")
        for i, (name, x) in enumerate(data.items())
    )
    recording = Recording("bench", infos, Arrays(arrays), len(arrays[0]) / RATE_HZ)
    found = sum(len(line.edges) for line in extract(recording, Setup()).lines)
    work = (
        lambda: [x.max() for x in arrays],
        lambda: extract(recording, Setup()),
        lambda: read_with_two_threads(arrays),
    )
    wall, processor = interleaved(work, rounds)
    ratio, own = (float(np.median(t[:, 0] / t[:, 1])) for t in (wall, processor))
    limit = float(np.median(wall[:, 2] / wall[:, 1]))
    speed = sum(x.nbytes for x in arrays) / float(np.median(wall[:, 1])) / 1e9
    print(f"8 lines of int16, {millions:g} M samples each, {found} edges, medians of {rounds} rounds")
    print(
        f"  numpy.max {np.median(wall[:, 0]) * 1e3:.1f} ms, all edges {np.median(wall[:, 1]) * 1e3:.1f} ms: "
        f"{ratio:.2f} of the speed of numpy.max by wall time (wanted: at least {WANTED:g}), {own:.2f} by processor time"
    )
    print(f"  {speed:.1f} GB/s, {limit:.2f} of what two threads of numpy.max read (the memory's own limit, nearly)")


def main() -> None:
    """Print the tables."""
    for millions in [float(a) for a in sys.argv[1:]] or [8.0, 60.0]:
        edges(millions)
    compare_others(channels(16_000_000)["crank"])


if __name__ == "__main__":
    main()
