"""Snapshots written down value by value: what is in them is known exactly."""

from __future__ import annotations

from typing import Any

from witnessmark.findings.model import Finding, Findings
from witnessmark.scan.judge import judge
from witnessmark.scan.model import ControlUnit, Engine, ScanSnapshot, Series, Source
from witnessmark.scan.parameters import quantities


def series(key: str, *values: float, step_s: float | None = None) -> Series:
    quantity = quantities()[key.replace("_", "-")][1]
    times = tuple(step_s * n for n in range(len(values))) if step_s is not None else None
    return Series(quantity.key, quantity.name, quantity.unit, tuple(float(v) for v in values), times)


def unit(address: str = "7E8", **more: Any) -> ControlUnit:
    """Keywords of ControlUnit, and values by their keys with ``_`` for ``-``: a number or several."""
    fields = {k: v for k, v in more.items() if k in ControlUnit.__dataclass_fields__}
    tracks = tuple(
        series(k, *(v if isinstance(v, (tuple, list)) else (v,)), step_s=0.5 if isinstance(v, (tuple, list)) else None)
        for k, v in more.items()
        if k not in fields
    )
    return ControlUnit(address, **{"series": tracks, **fields})


def snapshot(*units: ControlUnit, engine: Engine | None = None) -> ScanSnapshot:
    return ScanSnapshot(Source("hand", engine=engine), units)


def found(*units: ControlUnit, engine: Engine | None = None) -> Findings:
    return judge(snapshot(*units, engine=engine))


def of_kind(findings: Findings, kind: str) -> list[Finding]:
    return [f for f in findings.found if f.kind == kind]


# A sound, warm, idling engine: ordinary values of the trade (common practice, no source).
WELL: dict[str, Any] = {
    "engine_speed": 780, "fuel_loop_1": 2, "coolant_temperature": 88, "intake_temperature": 31,
    "ambient_temperature": 18, "short_trim_1": 2.3, "long_trim_1": 3.9, "short_trim_2": -0.8, "long_trim_2": 1.6,
    "supply": 14.1, "run_time": 600,
    "warm_ups_since_erased": 120, "distance_since_erased": 5200, "time_since_erased": 7000,
}  # fmt: skip
