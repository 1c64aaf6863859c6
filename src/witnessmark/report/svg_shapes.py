"""Paths, markers, hatching and text as SVG, in points on the page: what the pictures are made of."""

from __future__ import annotations

import math
from dataclasses import dataclass
from html import escape
from typing import Any

import numpy as np
from numpy.typing import NDArray

FLOATS = NDArray[np.float64]

FAMILY = "'DejaVu Sans', Verdana, Arial, Helvetica, sans-serif"
ASCENT, DESCENT, MIDDLE = 0.76, 0.24, 0.36  # of a line of text, in its size: box above, below, half the capitals
LINE_HEIGHT = 1.17
HATCH_STEP = 4.2  # points between the strokes of a hatching
MANY = 5000  # points of one line from which a tenth of a point (0.04 mm) has to do
_NARROW, _WIDE = frozenset("fijlrt.,:;'|!()[] -/"), frozenset("mwMWQO%@")


@dataclass(frozen=True)
class Pen:
    """How a shape is drawn: fill and stroke colours ("none": not), width in points, dashes in widths."""

    fill: str = "none"
    stroke: str = "none"
    width: float = 0.0
    dashes: tuple[float, ...] = ()
    alpha: float = 1.0
    butt: bool = False
    wide: bool = False  # caps that reach beyond the ends, as on axes

    def attributes(self) -> str:
        """The attributes of an SVG element."""
        out = f' fill="{self.fill}"'
        if self.stroke != "none" and self.width > 0:
            out += f' stroke="{self.stroke}" stroke-width="{self.width:g}"'
            if self.dashes:
                out += f' stroke-dasharray="{" ".join(f"{d * self.width:.3g}" for d in self.dashes)}"'
            elif not self.butt:
                out += f' stroke-linejoin="round" stroke-linecap="{"square" if self.wide else "round"}"'
        return out + (f' opacity="{self.alpha:g}"' if self.alpha < 1.0 else "")


def dashes_of(style: Any) -> tuple[float, ...]:
    """Dashes of a line style: "-" or "" none, (0, (on, off)) as it says, in widths."""
    return tuple(float(x) for x in style[1]) if isinstance(style, tuple) else ()


def _number(value: float, digits: int = 2) -> str:
    text = f"{value:.{digits}f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def polyline(x: FLOATS, y: FLOATS, closed: bool = False) -> str:
    """Path data of a line through points on the page; it breaks where one is not finite."""
    out: list[str] = []
    last: tuple[str, str] | None = None
    digits = 2 if x.size <= MANY else 1
    for a, b in zip(x.tolist(), y.tolist(), strict=True):
        if not (math.isfinite(a) and math.isfinite(b)):
            last = None
            continue
        here = _number(a, digits), _number(b, digits)
        if last is None:
            out.append(f"M{here[0]} {here[1]}")
        elif here[1] == last[1]:
            out.append(f"H{here[0]}")
        else:
            out.append(f"V{here[1]}" if here[0] == last[0] else f"L{here[0]} {here[1]}")
        last = here
    return "".join(out) + ("Z" if closed and out else "")


def path(data: str, pen: Pen) -> str:
    """A path element."""
    return f'<path d="{data}"{pen.attributes()}/>'


def _marker(kind: str, size: float) -> str:
    """Path data of one marker about the point where the pen is, ``size`` points across."""
    h = size / 2.0
    n = _number
    if kind in ("o", "."):
        r = n(h if kind == "o" else h / 2.0)
        return f"m-{r} 0a{r} {r} 0 1 0 {n(2 * float(r))} 0a{r} {r} 0 1 0 -{n(2 * float(r))} 0z"
    if kind == "x":
        return f"m-{n(h)} -{n(h)}l{n(size)} {n(size)}m0 -{n(size)}l-{n(size)} {n(size)}"
    if kind == "|":
        return f"m0 -{n(h)}v{n(size)}"
    if kind == "^":
        return f"m0 -{n(h)}l{n(h)} {n(size)}h-{n(size)}z"
    if kind == "v":
        return f"m0 {n(h)}l{n(h)} -{n(size)}h-{n(size)}z"
    if kind == "D":
        d = n(h * math.sqrt(2.0))
        return f"m0 -{d}l{d} {d}l-{d} {d}l-{d} -{d}z"
    return f"m-{n(h)} -{n(h)}h{n(size)}v{n(size)}h-{n(size)}z"


def markers(x: FLOATS, y: FLOATS, kind: str, size: float, pen: Pen) -> str:
    """Markers of one kind at points on the page as one path."""
    shape = _marker(kind, size)
    data = "".join(
        f"M{_number(a)} {_number(b)}{shape}"
        for a, b in zip(x.tolist(), y.tolist(), strict=True)
        if math.isfinite(a) and math.isfinite(b)
    )
    return path(data, pen) if data else ""


def hatching(name: str, hatch: str, colour: str) -> str:
    """Definition of a hatching: "/" strokes rising to the right, "x" crossed ones; more of them stand closer."""
    step = HATCH_STEP * 4.0 / max(len(hatch), 1)
    s = _number(step)
    lines = f"M0 0V{s}" + (f"M0 0H{s}" if "x" in hatch else "")
    return (
        f'<pattern id="{name}" patternUnits="userSpaceOnUse" width="{s}" height="{s}" patternTransform="rotate(45)">'
        f'<path d="{lines}" stroke="{colour}" stroke-width="1"/></pattern>'
    )


def width_of(text: str, size: float, bold: bool) -> float:
    """About how wide a line of text comes out, in points (the reader's own font decides)."""
    ems = sum(0.35 if c in _NARROW else 0.88 if c in _WIDE else 0.7 if c.isupper() else 0.61 for c in text)
    return ems * size * (1.1 if bold else 1.0)


@dataclass(frozen=True)
class Text:
    """Lines of text at a point on the page (points), with the box behind them where there is one (pad in sizes)."""

    x: float
    y: float
    words: str
    size: float
    colour: str
    ha: str = "left"
    va: str = "baseline"
    bold: bool = False
    turn_deg: float = 0.0
    box: tuple[float, str, str, float] | None = None  # pad, fill, stroke, stroke width

    def svg(self) -> str:
        """The text element, its box before it."""
        lines = self.words.split("\n")
        if not self.words.strip():
            return ""
        high = self.size * (LINE_HEIGHT * (len(lines) - 1))
        base = {
            "top": self.y + ASCENT * self.size,
            "center": self.y + MIDDLE * self.size - high / 2.0,
            "bottom": self.y - DESCENT * self.size - high,
        }.get(self.va, self.y)
        anchor = {"left": "", "center": ' text-anchor="middle"', "right": ' text-anchor="end"'}[self.ha]
        turned = f' transform="rotate({-self.turn_deg:.1f} {self.x:.2f} {self.y:.2f})"' if self.turn_deg else ""
        weight = ' font-weight="bold"' if self.bold else ""
        parts = []
        for number, line in enumerate(lines):
            at = f'x="{self.x:.2f}" y="{base + number * LINE_HEIGHT * self.size:.2f}"'
            parts.append(
                f'<text {at} font-size="{self.size:g}" fill="{self.colour}"{anchor}{weight}{turned}>'
                f"{escape(line, quote=False)}</text>"
            )
        return self._box(lines, base, high) + "".join(parts)

    def _box(self, lines: list[str], base: float, high: float) -> str:
        if self.box is None:
            return ""
        pad, fill, stroke, width = self.box
        wide = max(width_of(line, self.size, self.bold) for line in lines)
        left = self.x - {"left": 0.0, "center": 0.5, "right": 1.0}[self.ha] * wide - pad * self.size
        top = base - ASCENT * self.size - pad * self.size
        size = f'width="{wide + 2 * pad * self.size:.2f}" height="{high + (1.0 + 2 * pad) * self.size:.2f}"'
        return f'<rect x="{left:.2f}" y="{top:.2f}" {size}{Pen(fill, stroke, width, butt=True).attributes()}/>'


def nice_ticks(low: float, high: float, most: int) -> tuple[FLOATS, list[str]]:
    """Round numbers within [low, high], about ``most`` of them at most, and their labels."""
    span = high - low
    if not (math.isfinite(span) and span > 0):
        return np.empty(0), []
    unit = 10.0 ** math.floor(math.log10(span / most))
    step = next(unit * s for s in (1.0, 2.0, 2.5, 5.0, 10.0, 20.0) if span / (unit * s) <= most)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    ticks: FLOATS = np.arange(first, last + 1, dtype=np.float64) * step
    digits = next((d for d in range(12) if abs(round(step, d) - step) < 1e-9 * step), 12)
    return ticks, [f"{t:.{digits}f}".replace("-", "\N{MINUS SIGN}") if t else f"{0:.{digits}f}" for t in ticks.tolist()]
