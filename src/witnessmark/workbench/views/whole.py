"""Everything the page of a recording shows beside the analysis JSON and the samples, put together."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from witnessmark.report import collect, phrases
from witnessmark.workbench.views.balance import balance_view
from witnessmark.workbench.views.cycle import cycle_view
from witnessmark.workbench.views.found import found_view
from witnessmark.workbench.views.turn_map import turn_map_view
from witnessmark.workbench.views.wheel import wheel_view

if TYPE_CHECKING:
    from witnessmark.report.model import Analysis


def views_of(analysis: Analysis, name: str = "") -> dict[str, Any]:
    """JSON data only: str, int, float, bool, None, list, dict; unknown is None, never NaN.

    name: of the recording, where the file analysed is a working store of it.
    """
    called = name or phrases.file_name(analysis)
    return {
        "verdict": phrases.verdict(analysis).text,
        "tone": tone(analysis),
        "suspects": collect.suspects(analysis),
        "start_s": analysis.recording.start_s,
        "end_s": analysis.recording.start_s + analysis.recording.duration_s,
        "lines": lines(analysis),
        "recording": called,
        "simulated": simulated(analysis, called),
        "turn_map": turn_map_view(analysis),
        "wheel": wheel_view(analysis),
        "cycle": cycle_view(analysis),
        "balance": balance_view(analysis),
        "found": found_view(analysis),
    }


def tone(analysis: Analysis) -> str:
    """How the verdict is framed: "fault", "clear" or "unknown". A fault of the record alone is none of the engine."""
    stated = collect.stated(analysis)
    if stated:
        return "unknown" if all(f.kind.startswith("record-") for f in stated) else "fault"
    return "clear" if analysis.wheel.layout is not None else "unknown"


def simulated(analysis: Analysis, name: str) -> bool:
    """Whether the recording, its setup or its name says that it is simulated."""
    told = f"{analysis.setup.vehicle.description or ''} {name}"
    return analysis.recording.simulated or "simulat" in told.lower()


def lines(analysis: Analysis) -> list[dict[str, Any]]:
    """Every recorded channel: its name, what to call it, its role and where that is from, its unit and range."""
    return [
        {
            "name": line.name,
            "label": line.label,
            "role": line.role,
            "sensor": line.sensor,
            "unit": line.info.unit,
            "rate_hz": line.info.rate_hz,
        }
        for line in analysis.signals.lines
    ]
