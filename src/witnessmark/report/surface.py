"""Axes to draw on, turned into SVG: lines, markers, areas, words and ticks, and nothing else.

Drawing is a matter of milliseconds here; a plotting library would take longer to import than a record to analyse.
Places are given in data (x right, y up); sizes, widths and offsets in points (1/72 inch).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from witnessmark.report import svg_shapes as shapes
from witnessmark.report.svg_shapes import FLOATS, Pen, Text, dashes_of

PAPER = "#fdfbf6"
INK = "#22303c"
SOFT = "#5f6a73"
SIZE, TICK_SIZE = 8.0, 7.5  # of type, in points
AREA, LINE, FRAME, WORDS = 1.0, 2.0, 2.5, 3.0  # what lies over what
DATA: tuple[str, str] = ("data", "data")
ALONG_X: tuple[str, str] = ("data", "axes fraction")  # x in data, y from 0 at the foot to 1 at the top of the axes
TICK_X, TICK_Y, PAD = 3.0, 2.0, 3.5  # points: length of ticks, and from them to their labels


class Axes:
    """One pair of axes in a picture; ``left``, ``top``, ``width``, ``height`` on the page in points."""

    def __init__(self, picture: Picture, left: float, top: float, width: float, height: float) -> None:
        """Empty axes, 0 to 1 on both."""
        self._picture = picture
        self.left, self.top, self.width, self.height = left, top, width, height
        self._late: list[tuple[float, bool, Any]] = []
        self.x_limits, self.y_limits = (0.0, 1.0), (0.0, 1.0)
        self.highest = 0.0
        self.framed, self.foot, self.side = True, True, True
        self.most_y = 6
        self._x_ticks: tuple[FLOATS, list[str]] | None = None
        self._no_y_ticks = False
        self._x_label = ""

    def set_xlim(self, low: float, high: float) -> None:
        """Ends of the x axis in data."""
        self.x_limits = float(low), float(high)

    def set_ylim(self, low: float, high: float) -> None:
        """Ends of the y axis in data."""
        self.y_limits = float(low), float(high)

    def keep_square(self) -> None:
        """The same scale on both axes: the axes shrink about their middle."""
        wide, high = self.x_limits[1] - self.x_limits[0], self.y_limits[1] - self.y_limits[0]
        scale = min(self.width / wide, self.height / high)
        self.left += 0.5 * (self.width - scale * wide)
        self.top += 0.5 * (self.height - scale * high)
        self.width, self.height = scale * wide, scale * high

    def set_xticks(self, places: FLOATS, labels: list[str]) -> None:
        """Ticks of the x axis and their labels."""
        self._x_ticks = np.asarray(places, dtype=np.float64), labels

    def hide_y(self) -> None:
        """No y axis."""
        self._no_y_ticks, self.side = True, False

    def set_xlabel(self, words: str) -> None:
        """What is written below the x axis."""
        self._x_label = words

    def _x(self, x: ArrayLike, how: str) -> FLOATS:
        a, b = (0.0, 1.0) if how != "data" else self.x_limits
        return np.asarray(self.left + (np.atleast_1d(np.asarray(x, np.float64)) - a) / (b - a) * self.width)

    def _y(self, y: ArrayLike, how: str) -> FLOATS:
        a, b = (0.0, 1.0) if how != "data" else self.y_limits
        share = (np.atleast_1d(np.asarray(y, np.float64)) - a) / (b - a)
        return np.asarray(self.top + (1.0 - share) * self.height)

    def _later(self, level: float, clipped: bool, made: Any) -> None:
        """Axes may get their limits after what is drawn on them: places are worked out at the end."""
        self._late.append((level, clipped, made))

    def plot(
        self, x: ArrayLike, y: ArrayLike, color: str = INK, lw: float = 0.9, ls: Any = "-", butt: bool = False,
        at: tuple[str, str] = DATA,
    ) -> None:  # fmt: skip
        """A line through points, broken where one is NaN."""
        finite = np.asarray(y, np.float64)[np.isfinite(np.asarray(y, np.float64))] if at == DATA else np.empty(0)
        self.highest = max(self.highest, float(finite.max())) if finite.size else self.highest
        pen = Pen(stroke=color, width=lw, dashes=dashes_of(ls), butt=butt)
        self._later(LINE, True, lambda: shapes.path(shapes.polyline(self._x(x, at[0]), self._y(y, at[1])), pen))

    def mark(
        self, x: ArrayLike, y: ArrayLike, kind: str, ms: float, color: str, mew: float = 0.0, fill: str | None = None,
        at: tuple[str, str] = DATA,
    ) -> None:  # fmt: skip
        """Markers: s square, D diamond, ^ v triangles, o circle, . dot, x cross, | stroke; ``fill``: if hollow."""
        strokes = kind in "x|"
        inside = "none" if strokes else color if fill is None else fill
        pen = Pen(inside, color if strokes or mew else "none", mew, butt=True)
        self._later(LINE, True, lambda: shapes.markers(self._x(x, at[0]), self._y(y, at[1]), kind, ms, pen))

    def fill(
        self, x: ArrayLike, y: ArrayLike, fc: str, ec: str, lw: float, ls: Any = "-", hatch: str = "",
        at: tuple[str, str] = DATA, alpha: float = 1.0, level: float = AREA,
    ) -> None:  # fmt: skip
        """An area within a closed line."""
        inside = self._picture.hatch(hatch, ec) if hatch else fc
        pen = Pen(inside, ec if lw else "none", lw, dashes_of(ls), alpha)
        self._later(
            level, True,
            lambda: shapes.path(shapes.polyline(self._x(x, at[0]), self._y(y, at[1]), closed=True), pen),
        )  # fmt: skip

    def span_x(
        self, a: float, b: float, fc: str = "none", ec: str = "none", hatch: str = "", alpha: float = 1.0,
        top: float = 1.0, level: float = AREA,
    ) -> None:  # fmt: skip
        """An upright band from ``a`` to ``b``."""
        self.fill([a, b, b, a], [0, 0, top, top], fc, ec, 0.0, "-", hatch, ALONG_X, alpha, level)

    def span_y(self, a: float, b: float, ec: str, hatch: str) -> None:
        """A level hatched band from ``a`` to ``b``."""
        self.fill([0, 1, 1, 0], [a, a, b, b], "none", ec, 0.0, "-", hatch, ("axes fraction", "data"))

    def line_x(self, x: float, color: str, lw: float, ls: Any = "-") -> None:
        """An upright line."""
        self.plot([x, x], [0, 1], color, lw, ls, at=ALONG_X)

    def text(
        self, x: float, y: float, words: str, size: float = SIZE, color: str = INK, ha: str = "left",
        va: str = "baseline", bold: bool = False, at: tuple[str, str] = DATA, off: tuple[float, float] = (0.0, 0.0),
        turn_deg: float = 0.0, box: tuple[float, str, str, float] | None = None,
    ) -> None:  # fmt: skip
        """Words at a place, ``off`` points right and up of it; box: padding in sizes, fill, stroke, its width."""
        self._later(
            WORDS, False,
            lambda: Text(
                float(self._x(x, at[0])[0]) + off[0], float(self._y(y, at[1])[0]) - off[1], words, size, color, ha, va,
                bold, turn_deg, box,
            ).svg(),
        )  # fmt: skip

    def arrow(self, tip: tuple[float, float], tail: tuple[float, float], color: str, size: float = 5.0) -> None:
        """An arrow's head at ``tip``, pointing away from ``tail``."""

        def made() -> str:
            end = np.array([self._x(tip[0], "data")[0], self._y(tip[1], "data")[0]])
            way = end - np.array([self._x(tail[0], "data")[0], self._y(tail[1], "data")[0]])
            way = way / max(float(np.hypot(*way)), 1e-9) * size
            side = np.array([-way[1], way[0]]) * 0.4
            corners = np.array([end, end - way + side, end - way - side])
            return shapes.path(shapes.polyline(corners[:, 0], corners[:, 1], closed=True), Pen(color, color, 0.6))

        self._later(LINE, False, made)

    def _frame(self) -> str:
        """Axis lines, ticks and their labels."""
        if not self.framed:
            return ""
        pen = Pen(stroke=SOFT, width=0.6, wide=True)
        out, foot = [], self.top + self.height
        if self.side:
            out.append(shapes.path(f"M{self.left:.2f} {self.top:.2f}V{foot:.2f}", pen))
        if not self._no_y_ticks:
            places, labels = shapes.nice_ticks(*self.y_limits, self.most_y)
            data = "".join(f"M{self.left:.2f} {y:.2f}h-{TICK_Y}" for y in self._y(places, "data").tolist())
            out.append(shapes.path(data, Pen(stroke=SOFT, width=0.6, butt=True)) if data else "")
            for y, word in zip(self._y(places, "data").tolist(), labels, strict=True):
                out.append(Text(self.left - TICK_Y - PAD, y, word, TICK_SIZE, SOFT, "right", "center").svg())
        return "".join(out) + (self._foot(foot, pen) if self.foot else "")

    def _foot(self, foot: float, pen: Pen) -> str:
        """The x axis."""
        places, labels = self._x_ticks or shapes.nice_ticks(*self.x_limits, 9)
        inside = (places >= self.x_limits[0] - 1e-9) & (places <= self.x_limits[1] + 1e-9)
        at = self._x(places, "data").tolist()
        out = [shapes.path(f"M{self.left:.2f} {foot:.2f}h{self.width:.2f}", pen)]
        data = "".join(f"M{x:.2f} {foot:.2f}v{TICK_X}" for x, k in zip(at, inside, strict=True) if k)
        out.append(shapes.path(data, Pen(stroke=SOFT, width=0.6, butt=True)) if data else "")
        below = foot + TICK_X + PAD
        for x, word, k in zip(at, labels, inside, strict=True):
            out.append(Text(x, below, word, TICK_SIZE, SOFT, "center", "top").svg() if k else "")
        below += TICK_SIZE + PAD if any(labels) else 0.0
        out.append(Text(self.left + 0.5 * self.width, below, self._x_label, SIZE, INK, "center", "top").svg())
        return "".join(out)

    def svg(self) -> str:
        """Everything on these axes, bottom up."""
        parts = [*self._late, (FRAME, False, self._frame)]
        out: list[str] = []
        clipped = False
        name = self._picture.clip(self.left, self.top, self.width, self.height) if parts else ""
        for _, clip, made in sorted(parts, key=lambda p: p[0]):
            if clip != clipped:
                out.append(f'<g clip-path="url(#{name})">' if clip else "</g>")
                clipped = clip
            out.append(made())
        return "".join(out) + ("</g>" if clipped else "")


class Picture:
    """A page of axes and words; ``name`` keeps the ids of two pictures in one document apart."""

    def __init__(self, name: str, width_in: float, height_in: float) -> None:
        """An empty page on paper ground; sizes in inches."""
        self._name = name
        self.width, self.height = 72.0 * width_in, 72.0 * height_in
        self._axes: list[Axes] = []
        self._words: list[Text] = []
        self._hatches: dict[tuple[str, str], str] = {}
        self._clips: list[str] = []

    def add_axes(self, left: float, top: float, width: float, height: float) -> Axes:
        """Axes at a place on the page (points, from its upper left corner)."""
        made = Axes(self, left, top, width, height)
        self._axes.append(made)
        return made

    def text(self, x: float, y: float, words: str, size: float, color: str, bold: bool = False) -> None:
        """Words on the page, their upper left corner at x, y (points)."""
        self._words.append(Text(x, y, words, size, color, "left", "top", bold))

    def hatch(self, hatch: str, colour: str) -> str:
        """The fill that hatches."""
        known = self._hatches.setdefault((hatch, colour), f"{self._name}-h{len(self._hatches)}")
        return f"url(#{known})"

    def clip(self, left: float, top: float, width: float, height: float) -> str:
        """Name of a clipping rectangle."""
        name = f"{self._name}-c{len(self._clips)}"
        place = f'x="{left:.2f}" y="{top:.2f}" width="{width:.2f}" height="{height:.2f}"'
        self._clips.append(f'<clipPath id="{name}"><rect {place}/></clipPath>')
        return name

    def svg(self, title: str) -> str:
        """The picture as one ``<svg>`` element of its own; ``title`` says in words what it shows."""
        drawn = "".join(a.svg() for a in self._axes) + "".join(w.svg() for w in self._words)
        hatches = "".join(shapes.hatching(name, *key) for key, name in self._hatches.items())
        label = title.replace("&", "&amp;").replace("<", "&lt;").replace('"', "&quot;")
        return (
            f'<svg role="img" aria-label="{label}" xmlns="http://www.w3.org/2000/svg" '
            f'viewBox="0 0 {self.width:.1f} {self.height:.1f}" font-family="{shapes.FAMILY}">'
            f"<defs>{hatches}{''.join(self._clips)}</defs>"
            f'<rect width="{self.width:.1f}" height="{self.height:.1f}" fill="{PAPER}"/>{drawn}</svg>'
        )
