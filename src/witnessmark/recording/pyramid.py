"""Smallest and largest sample of every block of 64, 1024, 16384, ... samples: a long record can be drawn at once.

The last block of a level may be short: the number of blocks is rounded up, so no sample is without one and no extreme
is lost. Gaps (NaN) are passed over; a block of gaps only is NaN. One array (blocks, 2) of [smallest, largest] holds all
levels one behind the other, the finest first.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.columns import CHUNK, Fetch
from witnessmark.recording.model import Recording

FINEST = 64  # samples in a block of the finest level
STEP = 16  # blocks of one level in a block of the next
_PART = 1 << 16  # blocks gathered at once

Emit = Callable[[NDArray[Any]], object]


def levels(samples: int) -> list[tuple[int, int]]:
    """(samples in a block, blocks) of each level of a channel, the finest first: down to a single block."""
    out: list[tuple[int, int]] = []
    block = FINEST
    while samples and (not out or out[-1][1] > 1):
        out.append((block, -(-samples // block)))
        block *= STEP
    return out


def extremes_of(samples: NDArray[Any], block: int) -> NDArray[Any]:
    """(blocks, 2) of the smallest and largest of every ``block`` samples, the last block as short as it comes."""
    whole = len(samples) // block * block
    rows = samples[:whole].reshape(-1, block)
    out = np.empty((-(-len(samples) // block), 2), samples.dtype)
    out[: len(rows), 0], out[: len(rows), 1] = rows.min(axis=1), rows.max(axis=1)  # both NaN where a gap is among them
    if whole < len(samples):
        out[-1] = samples[whole:].min(), samples[whole:].max()
    if samples.dtype.kind == "f":
        for k in np.flatnonzero(np.isnan(out[:, 0])).tolist():
            part = samples[k * block : (k + 1) * block]
            out[k] = np.fmin.reduce(part), np.fmax.reduce(part)
    return out


def coarser(blocks: NDArray[Any]) -> NDArray[Any]:
    """The next level of some blocks (n, 2), of which all but the last come in whole steps."""
    n = -(-len(blocks) // STEP)
    at = np.arange(0, len(blocks), STEP)
    out = np.empty((n, 2), blocks.dtype)
    out[:, 0], out[:, 1] = np.fmin.reduceat(blocks[:, 0], at), np.fmax.reduceat(blocks[:, 1], at)
    return out


class PyramidBuilder:
    """Takes samples as they come and hands on whole blocks of the finest level; keeps what fills no block yet."""

    def __init__(self, emit: Emit):
        """``emit`` gets (blocks, 2) arrays in order."""
        self._emit = emit
        self._rest: NDArray[Any] | None = None

    def append(self, samples: NDArray[Any]) -> None:
        """More samples, of any number."""
        if self._rest is not None and len(self._rest):
            missing = FINEST - len(self._rest)
            first = np.concatenate((self._rest, samples[:missing]))
            samples = samples[missing:]
            if len(first) < FINEST:
                self._rest = first
                return
            self._emit(extremes_of(first, FINEST))
        whole = len(samples) // FINEST * FINEST
        if whole:
            self._emit(extremes_of(samples[:whole], FINEST))
        self._rest = samples[whole:].copy()

    def finish(self) -> None:
        """Hand on the last, short block."""
        if self._rest is not None and len(self._rest):
            self._emit(extremes_of(self._rest, FINEST))
        self._rest = None


def coarser_levels(samples: int, read: Fetch, emit: Emit) -> None:
    """Make the levels above the finest; ``read(first, stop)`` gives rows of the array as far as it is made."""
    first = 0
    for _, blocks in levels(samples)[:-1]:
        for at in range(0, blocks, _PART):
            emit(coarser(read(first + at, first + min(at + _PART, blocks))))
        first += blocks


@dataclass(frozen=True)
class Pyramid:
    """The levels of a channel. blocks: the array of all of them."""

    samples: int
    blocks: NDArray[Any]

    def level(self, size: int) -> tuple[int, NDArray[Any]]:
        """(samples in a block, its blocks) of the coarsest level with blocks of at most ``size`` samples, or of 64."""
        first, best = 0, (FINEST, self.blocks[:0])
        for block, count in levels(self.samples):
            if block > size and first:
                break
            best = block, self.blocks[first : first + count]
            first += count
        return best


@dataclass(frozen=True)
class Envelope:
    """Smallest and largest sample of columns of ``size`` samples each, the first beginning at sample ``first``.

    extremes [columns, 2]: NaN where a column has nothing but gaps. The last column may be short, at the channel's end.
    """

    first: int
    size: int
    extremes: NDArray[Any]


def column_size(wanted: float) -> int:
    """Samples in a column: the largest of 1, 2, 3, 4, 6, 8, 12, ... that is not above ``wanted``.

    Columns of few sizes that begin at multiples of their size are the same ones wherever a window begins, so a picture
    does not flicker when it is moved; and from 192 on they are whole blocks, so that they are exact.
    """
    power = 1 << max(0, int(max(1.0, wanted)).bit_length() - 1)
    return power + power // 2 if power > 1 and power + power // 2 <= wanted else power


def envelope(fetch: Fetch, samples: int, pyramid: Pyramid | None, start: int, stop: int, columns: int) -> Envelope:
    """Smallest and largest native sample of all columns that touch samples [start, stop), exact: no more, no less.

    There are at least ``columns`` of them where there are so many samples, and less than twice as many (and one more).
    Columns of whole blocks are taken from the pyramid, where there is one, without looking at a sample.
    """
    start, stop = max(0, start), min(stop, samples)
    size = column_size((stop - start) / max(1, columns))
    first = start // size * size
    last = min(-(-stop // size) * size, samples)
    if stop <= start:
        return Envelope(first, size, np.empty((0, 2)))
    block = size & -size  # the largest power of two in it
    if pyramid is None or block < FINEST:
        return Envelope(first, size, _columns(fetch, first, last, size))
    block, rows = pyramid.level(block)
    part = rows[first // block : -(-last // block)]
    at = np.arange(0, len(part), size // block)
    low, high = np.fmin.reduceat(part[:, 0], at), np.fmax.reduceat(part[:, 1], at)
    return Envelope(first, size, np.stack((low, high), axis=1))


def _columns(fetch: Fetch, first: int, last: int, size: int) -> NDArray[Any]:
    """From the samples themselves, some columns at a time."""
    step = max(1, CHUNK // size) * size
    parts = [extremes_of(fetch(at, min(at + step, last)), size) for at in range(first, last, step)]
    return np.concatenate(parts)


def envelope_of(recording: Recording, name: str, start: int, stop: int, columns: int) -> Envelope:
    """The same of a sampled channel of a recording in its unit, from the pyramid where it is a working store."""
    k = recording.index(name)
    info = recording.channels[k]
    pyramid: Pyramid | None = recording.source.pyramid(k) if hasattr(recording.source, "pyramid") else None
    made = envelope(partial(recording.source.read, k), info.samples, pyramid, start, stop, columns)
    values = made.extremes.astype(np.float64) * info.gain + info.offset
    return Envelope(made.first, made.size, np.sort(values, axis=1))  # a negative gain turns them round
