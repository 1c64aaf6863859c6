"""A noisy channel as the mean of every few samples in a row: less noise, a slower clock, nothing kept in memory."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.model import Changes, ChannelInfo, Recording
from witnessmark.signals.crossings import Crossings
from witnessmark.signals.summary import Summary

SEEN = 3.5
"""Means of a few samples stray from their middle by this many of their own noise deviations in one place of twenty
where a signal lies under the noise; noise alone strays by 2.0."""

SEEN_S = 0.1e-3
"""Length of those means: short beside a half wave at any speed at which a pick-up's pulses are lost in noise."""


@dataclass(frozen=True)
class _Means:
    """Source of one channel's means of ``k`` samples, read from the recording behind it as asked for."""

    recording: Recording
    name: str
    k: int

    def read(self, index: int, start: int, stop: int) -> NDArray[Any]:
        x = self.recording.read(self.name, start * self.k, stop * self.k)
        whole = len(x) // self.k
        return np.asarray(x[: whole * self.k].reshape(whole, self.k).mean(axis=1, dtype=np.float64))

    def changes(self, index: int) -> Changes:
        raise TypeError("a mean has no changes")


def averaged(recording: Recording, info: ChannelInfo, k: int) -> tuple[Recording, ChannelInfo]:
    """A recording of one channel: the means of every ``k`` samples of ``info``, each at the middle of its samples."""
    assert info.rate_hz is not None
    made = replace(
        info,
        samples=info.samples // k,
        rate_hz=info.rate_hz / k,
        start_s=info.start_s + 0.5 * (k - 1) / info.rate_hz,
    )
    return Recording(recording.path, (made,), _Means(recording, info.name, k), recording.end_s), made


def back(c: Crossings, k: int) -> Crossings:
    """Crossings of means of ``k`` as crossings of the samples behind them."""
    if k == 1:
        return c
    place = (c.sample + c.fraction) * k + 0.5 * (k - 1)
    sample = np.floor(place).astype(np.int64)
    return replace(c, sample=sample, fraction=place - sample, step=c.step / k)


def worth(summary: Summary) -> bool:
    """Does anything move under the noise? Told from means of some samples of the sampled blocks."""
    if not summary.sampled.size or summary.noise <= 0.0:
        return False
    n = int(np.clip(round(SEEN_S * summary.rate_hz), 4, summary.sampled.shape[1]))
    x = summary.sampled[:, : summary.sampled.shape[1] // n * n].astype(np.float64)
    means = x.reshape(len(x), -1, n).mean(axis=2)
    stray = float(np.quantile(np.abs(means - np.median(means)), 0.95))
    return stray > SEEN * summary.noise / float(np.sqrt(n))
