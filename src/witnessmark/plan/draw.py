"""The pictures to expect: every planned line over two turns, healthy or under one cause."""

from __future__ import annotations

from witnessmark.plan.model import Expected
from witnessmark.report.draw_style import INK, REFERENCE, SUSPECT, canvas, gutter, height_for, quiet, rows, span_of, svg

HEIGHT_IN, GAP_IN = 0.8, 0.18


def expected_picture(expected: Expected, number: int) -> str | None:
    """One picture as SVG; None where there is nothing to draw."""
    if not expected.strips:
        return None
    heights = [HEIGHT_IN] * len(expected.strips)
    gaps = [GAP_IN] * (len(heights) - 1)
    colour = REFERENCE if expected.cause is None else INK
    with canvas(f"expected-{number}", height_for(heights, gaps)) as figure:
        axes = rows(figure, heights, gaps)
        for axis, strip in zip(axes, expected.strips, strict=True):
            axis.plot(1e3 * strip.time_s, strip.value, color=colour, lw=0.7)
            axis.set_ylim(*span_of(strip.value))
            gutter(axis, strip.label, strip.unit)
        for axis in axes[:-1]:
            quiet(axis)
        axes[-1].set_xlabel("ms")
        axes[0].annotate(
            f"simulated: {expected.name}", (0, 1), (0, 4), xycoords="axes fraction", textcoords="offset points",
            ha="left", va="bottom", fontsize=8, color=SUSPECT if expected.cause else REFERENCE,
        )  # fmt: skip
        return svg(figure, f"Simulated picture of the planned lines, {expected.name}")
