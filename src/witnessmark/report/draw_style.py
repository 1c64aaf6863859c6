"""The look of the pictures: paper ground, ink traces, written labels in a gutter, colour only where it means something.

Every colour has a shape or a word beside it, so the pictures say the same in black and white.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.model import Recording

PAPER = "#fdfbf6"
INK = "#22303c"
SOFT = "#5f6a73"
FAINT = "#c9c4b8"
PALE = "#ddd8cc"
SUSPECT = "#b3321c"  # square, cross, hatching
REFERENCE = "#19666f"  # diamond
SPARK = "#65399a"  # upward triangle
FUEL = "#8a5a00"  # drop: downward triangle

WIDTH_IN = 7.6
GUTTER_IN = 1.15  # room for the written label left of each trace
POINTS = 1400  # points a trace keeps: about two a pixel at print width
FLOATS = NDArray[np.float64]


def rules(salt: str) -> dict[str, Any]:
    """matplotlib settings; ``salt`` keeps the ids of two pictures in one page apart and every run the same."""
    return {
        "svg.fonttype": "none",
        "svg.hashsalt": salt,
        "font.family": "sans-serif",
        "font.sans-serif": ["DejaVu Sans", "Verdana", "Arial", "Helvetica"],
        "font.size": 8.0,
        "axes.linewidth": 0.6,
        "axes.edgecolor": SOFT,
        "axes.labelcolor": INK,
        "axes.labelsize": 8.0,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "xtick.color": SOFT,
        "ytick.color": SOFT,
        "xtick.labelsize": 7.5,
        "ytick.labelsize": 7.5,
        "xtick.major.size": 3.0,
        "ytick.major.size": 2.0,
        "xtick.major.width": 0.6,
        "ytick.major.width": 0.6,
        "text.color": INK,
        "lines.linewidth": 0.9,
        "lines.solid_joinstyle": "round",
        "hatch.linewidth": 0.5,
        "path.simplify": True,
        "path.simplify_threshold": 0.2,
        "legend.frameon": False,
    }


@contextmanager
def canvas(picture_id: str, height_in: float, width_in: float = WIDTH_IN) -> Iterator[Any]:
    """A figure on paper ground, under the house rules; no window system and no global state is touched."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with mpl.rc_context(rules(picture_id)):  # type: ignore[arg-type]
        yield Figure(figsize=(width_in, height_in), facecolor=PAPER)


def rows(figure: Any, heights: list[float], gaps_in: list[float], top_in: float = 0.3) -> list[Any]:
    """Axes one above the other with a labels' gutter on the left; heights and the gaps between them in inches."""
    width, height = figure.get_size_inches()
    out = []
    top = height - top_in
    for h, gap in zip(heights, [*gaps_in, 0.0], strict=True):
        box = (GUTTER_IN / width, (top - h) / height, (width - GUTTER_IN - 0.2) / width, h / height)
        axes = figure.add_axes(box)
        axes.set_facecolor(PAPER)
        out.append(axes)
        top -= h + gap
    return out


def height_for(heights: list[float], gaps_in: list[float], top_in: float = 0.3, foot_in: float = 0.42) -> float:
    """Figure height in inches for these rows."""
    return sum(heights) + sum(gaps_in) + top_in + foot_in


def gutter(axes: Any, label: str, small: str = "") -> None:
    """The written label of a trace, left of its axis, wrapped to the gutter's width."""
    import textwrap

    text = "\n".join(textwrap.wrap(label, 15)[:2])
    axes.annotate(
        text, (0, 0.5), (-GUTTER_IN * 72 + 8, 3 if small else 0), xycoords="axes fraction", textcoords="offset points",
        ha="left", va="bottom" if small else "center", fontsize=8, fontweight="bold", color=INK, annotation_clip=False,
    )  # fmt: skip
    if small:
        axes.annotate(
            small, (0, 0.5), (-GUTTER_IN * 72 + 8, -1), xycoords="axes fraction", textcoords="offset points",
            ha="left", va="top", fontsize=7, color=SOFT, annotation_clip=False,
        )  # fmt: skip


def quiet(axes: Any, *, x: bool = False) -> None:
    """No horizontal axis: the row below carries it."""
    axes.spines["bottom"].set_visible(x)
    axes.tick_params(axis="x", bottom=x, labelbottom=x)


def svg(figure: Any, title: str) -> str:
    """The figure as one ``<svg>`` element: no header, no metadata, no ids that another picture may hold too."""
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    FigureCanvasSVG(figure)
    out = io.StringIO()
    figure.savefig(out, format="svg", metadata={"Date": None}, facecolor=figure.get_facecolor())
    text = out.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.S)
    text = re.sub(r"<!--.*?-->\s*", "", text, flags=re.S)
    text = re.sub(r' id="[\w.]+_\d+"', "", text)
    text = re.sub(r"<g>\s*</g>\s*", "", text)
    text = re.sub(r'(<svg[^>]*?) width="[^"]*"', r"\1", text, count=1)
    text = re.sub(r'(<svg[^>]*?) height="[^"]*"', r"\1", text, count=1)
    name = title.replace("&", "&amp;").replace("<", "&lt;").replace('"', "&quot;")
    return text.replace("<svg", f'<svg role="img" aria-label="{name}"', 1).strip()


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
