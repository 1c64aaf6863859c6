"""What the pictures of a recording are drawn from, as JSON data made of the analysis."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from witnessmark.report import collect
from witnessmark.report.compose import compose

if TYPE_CHECKING:
    from witnessmark.report.model import Analysis


def views_of(analysis: Analysis) -> dict[str, Any]:
    """Everything the page of a recording shows beside the analysis JSON and the samples."""
    document = compose(analysis)
    return {
        "verdict": document.verdict.text,
        "tone": tone(analysis),
        "suspects": collect.suspects(analysis),
        "start_s": analysis.recording.start_s,
        "end_s": analysis.recording.start_s + analysis.recording.duration_s,
        "lines": lines(analysis),
    }


def tone(analysis: Analysis) -> str:
    """How the verdict is framed: "fault", "clear" or "unknown"."""
    if collect.stated(analysis):
        return "fault"
    return "clear" if analysis.wheel.layout is not None else "unknown"


def lines(analysis: Analysis) -> list[dict[str, Any]]:
    """Every recorded channel: its name, what to call it, its role and where that is from, its unit and range."""
    out = []
    for line in analysis.signals.lines:
        out.append(
            {"name": line.name, "label": line.label, "role": line.role, "sensor": line.sensor,
             "unit": line.info.unit, "rate_hz": line.info.rate_hz}
        )  # fmt: skip
    return out


def number(value: float | None) -> float | None:
    """A number JSON can hold; None where it is none."""
    return None if value is None or not math.isfinite(value) else float(value)
