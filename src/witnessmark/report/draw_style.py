"""The look of the pictures: paper ground, ink traces, written labels in a gutter, colour only where it means something.

Every colour has a shape or a word beside it, so the pictures say the same in black and white.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.model import Recording
from witnessmark.report.surface import INK, PAPER, SOFT, Axes, Picture
from witnessmark.report.svg_shapes import FLOATS

FAINT = "#c9c4b8"
PALE = "#ddd8cc"
SUSPECT = "#b3321c"  # square, cross, hatching
REFERENCE = "#19666f"  # diamond
SPARK = "#65399a"  # upward triangle
FUEL = "#8a5a00"  # drop: downward triangle

WIDTH_IN = 7.6
GUTTER_IN = 1.15  # room for the written label left of each trace
POINTS = 1400  # points a trace keeps: about two a pixel at print width
WITHIN = ("axes fraction", "axes fraction")


@contextmanager
def canvas(picture_id: str, height_in: float, width_in: float = WIDTH_IN) -> Iterator[Picture]:
    """A page on paper ground; ``picture_id`` keeps the ids of two pictures in one document apart."""
    yield Picture(picture_id, width_in, height_in)


def rows(figure: Picture, heights: list[float], gaps_in: list[float], top_in: float = 0.3) -> list[Axes]:
    """Axes one above the other with a labels' gutter on the left; heights and the gaps between them in inches."""
    out = []
    top = 72.0 * top_in
    for h, gap in zip(heights, [*gaps_in, 0.0], strict=True):
        out.append(figure.add_axes(72.0 * GUTTER_IN, top, figure.width - 72.0 * (GUTTER_IN + 0.2), 72.0 * h))
        top += 72.0 * (h + gap)
    return out


def height_for(heights: list[float], gaps_in: list[float], top_in: float = 0.3, foot_in: float = 0.42) -> float:
    """Figure height in inches for these rows."""
    return sum(heights) + sum(gaps_in) + top_in + foot_in


def gutter(axes: Axes, label: str, small: str = "") -> None:
    """The written label of a trace, left of its axis, wrapped to the gutter's width."""
    import textwrap

    words = "\n".join(textwrap.wrap(label, 15)[:2])
    left = -GUTTER_IN * 72 + 8
    va, up = ("bottom", 3.0) if small else ("center", 0.0)
    axes.text(0, 0.5, words, 8.0, INK, va=va, bold=True, at=WITHIN, off=(left, up))
    if small:
        axes.text(0, 0.5, small, 7.0, SOFT, va="top", at=WITHIN, off=(left, -1.0))


def quiet(axes: Axes) -> None:
    """No horizontal axis: the row below carries it."""
    axes.foot = False


def svg(figure: Picture, title: str) -> str:
    """The figure as one ``<svg>`` element; ``title`` says in words what it shows."""
    return figure.svg(title)


def kept(values: NDArray[Any], points: int = POINTS) -> NDArray[np.int64]:
    """Places of at most about ``points`` samples: lowest and highest of each bin, so that no spike is lost."""
    n = len(values)
    if n <= points:
        return np.arange(n)
    size = -(-n // max(points // 2, 1))
    whole = n // size * size
    blocks = values[:whole].reshape(-1, size)
    starts = np.arange(len(blocks)) * size
    low, high = starts + _extreme(blocks, lowest=True), starts + _extreme(blocks, lowest=False)
    ends = [0, n - 1]
    if whole < n:
        tail = values[whole:].reshape(1, -1)
        ends += [whole + int(_extreme(tail, lowest=True)[0]), whole + int(_extreme(tail, lowest=False)[0])]
    return np.unique(np.concatenate([ends, low, high]))


def _extreme(blocks: NDArray[Any], lowest: bool) -> NDArray[np.int64]:
    """Place of the lowest (highest) sample of each row, gaps (NaN) passed over; integers have none."""
    if blocks.dtype.kind == "f":
        blocks = np.where(np.isnan(blocks), np.inf if lowest else -np.inf, blocks)
    return np.asarray(blocks.argmin(axis=1) if lowest else blocks.argmax(axis=1))


def thinned(time_s: FLOATS, values: FLOATS, points: int = POINTS) -> tuple[FLOATS, FLOATS]:
    """The same trace with at most about ``points`` points, its lowest and highest kept in each bin."""
    places = kept(values, points)
    return time_s[places], values[places]


def trace(recording: Recording, name: str, start_s: float, end_s: float, points: int = POINTS) -> tuple[FLOATS, FLOATS]:
    """(time s, value in the channel's unit) of a stretch, thinned; change lists come as steps.

    Long stretches are read in pieces, so that memory does not grow with them.
    """
    info = recording.info(name)
    if info.rate_hz is None:
        changes = recording.changes(name)
        inside = (changes.time_s > start_s) & (changes.time_s < end_s)
        before = max(int(np.searchsorted(changes.time_s, start_s, side="right")) - 1, 0)
        t = np.concatenate([[start_s], changes.time_s[inside], [end_s]])
        levels = np.concatenate([[changes.level[before]], changes.level[inside]]).astype(np.float64)
        return np.repeat(t, 2)[1:-1], np.repeat(levels, 2)
    first = max(int(np.floor((start_s - info.start_s) * info.rate_hz)), 0)
    stop = min(int(np.ceil((end_s - info.start_s) * info.rate_hz)) + 1, info.samples)
    piece = 1 << 20
    parts = max(-(-(stop - first) // piece), 1)
    times, values = [], []
    for at in range(first, max(stop, first), piece):
        native = recording.read(name, at, min(at + piece, stop))
        places = kept(native, max(points // parts, 8))
        times.append(info.start_s + (at + places) / info.rate_hz)
        values.append(native[places].astype(np.float64) * info.gain + info.offset)
    if not times:
        return np.zeros(0), np.zeros(0)
    return np.concatenate(times), np.concatenate(values)


def span_of(values: FLOATS) -> tuple[float, float]:
    """Axis limits for a trace, with a margin, also for flat and empty ones."""
    good = values[np.isfinite(values)]
    if not len(good):
        return -1.0, 1.0
    low, high = float(good.min()), float(good.max())
    room = 0.12 * (high - low) or max(abs(high) * 0.2, 0.5)
    return low - room, high + room


__all__ = [
    "FAINT", "FLOATS", "FUEL", "GUTTER_IN", "INK", "PALE", "PAPER", "REFERENCE", "SOFT", "SPARK", "SUSPECT", "WITHIN",
    "canvas", "gutter", "height_for", "kept", "quiet", "rows", "span_of", "svg", "thinned", "trace",
]  # fmt: skip
