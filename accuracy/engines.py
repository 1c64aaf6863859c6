"""Sound engines of every kind with all their lines: nothing may be said against them, and their shape must be right."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from accuracy.memory import recording_of
from accuracy.score import setup_of
from witnessmark.pipeline import analyze_recording
from witnessmark.report.model import Analysis
from witnessmark.simulate.run import Simulated, simulate
from witnessmark.simulate.scenario import parse_scenario


@dataclass(frozen=True, slots=True)
class Kind:
    """An engine as the scenario file describes it, its starter, and what its lines have more or less than usual."""

    name: str
    engine: dict[str, Any]
    cranking: dict[str, Any] = field(default_factory=dict)
    cam: bool = True
    second_crank_deg: float | None = None  # a second crank sensor, this far on


def _starter(cylinders: float) -> dict[str, Any]:
    """A starter and battery for an engine of this many times half a litre."""
    return {
        "stall_torque_nm": 225.0 * cylinders / 4.0, "stall_current_a": 850.0 * cylinders / 4.0,
        "battery_resistance_ohm": 0.02 / cylinders,
    }  # fmt: skip


def _vee(cylinders: int) -> dict[str, Any]:
    half = cylinders // 2
    return {"cylinders": cylinders, "banks": {"1": list(range(1, half + 1)), "2": list(range(half + 1, cylinders + 1))}}


# Singles and twins carry heavy flywheels for their size (common practice, no source).
KINDS: tuple[Kind, ...] = (
    Kind("single", {"cylinders": 1, "inertia_kg_m2": 0.12, "stroke_mm": 72.0}, _starter(3)),
    Kind("twin, even", {"cylinders": 2, "inertia_kg_m2": 0.14}, _starter(3)),
    Kind("twin, 270 and 450", {"cylinders": 2, "firing_order": [1, 2], "firing_angles_deg": [0.0, 270.0],
                               "inertia_kg_m2": 0.14}, _starter(3)),
    Kind("three", {"cylinders": 3}, _starter(3)),
    Kind("four", {"cylinders": 4}),
    Kind("five", {"cylinders": 5}, _starter(5)),
    Kind("six", {"cylinders": 6, "inertia_kg_m2": 0.24}, _starter(6)),
    Kind("V6, 90 and 150", _vee(6) | {"firing_order": [1, 4, 2, 5, 3, 6], "inertia_kg_m2": 0.3,
                                      "firing_angles_deg": [0.0, 90.0, 240.0, 330.0, 480.0, 570.0]}, _starter(6)),
    Kind("V8", _vee(8) | {"firing_order": [1, 5, 4, 2, 6, 3, 7, 8], "inertia_kg_m2": 0.3}, _starter(8)),
    Kind("V10", _vee(10) | {"inertia_kg_m2": 0.36}, _starter(8)),
    Kind("V10, 90 and 54", _vee(10) | {"inertia_kg_m2": 0.36, "firing_order": [1, 6, 5, 10, 2, 7, 3, 8, 4, 9],
         "firing_angles_deg": [0.0, 54.0, 144.0, 198.0, 288.0, 342.0, 432.0, 486.0, 576.0, 630.0]}, _starter(8)),
    Kind("V12", _vee(12) | {"inertia_kg_m2": 0.4}, _starter(8)),
    Kind("two-stroke single", {"cylinders": 1, "strokes": 2, "inertia_kg_m2": 0.08, "compression_ratio": 8.0,
                               "stroke_mm": 60.0, "rod_mm": 110.0}, _starter(2), cam=False),
    Kind("two-stroke twin", {"cylinders": 2, "strokes": 2, "inertia_kg_m2": 0.1, "compression_ratio": 8.0,
                             "stroke_mm": 64.0, "rod_mm": 115.0}, _starter(2.5), cam=False),
    Kind("compression ignition", {"cylinders": 4, "ignition": "compression", "compression_ratio": 16.0,
                                  "inertia_kg_m2": 0.42}),
    Kind("distributor", {"cylinders": 4, "ignition": "distributor"}),
    Kind("wasted spark", {"cylinders": 4, "ignition": "wasted-spark"}),
    Kind("two crank sensors", {"cylinders": 4}, second_crank_deg=93.0),
    Kind("cranked by a motor", {"cylinders": 4, "cranked_by": "motor"}),
)  # fmt: skip
RECORDS = ("start", "cranking", "running")


def channels(kind: Kind, record: str, sensor: str) -> list[dict[str, Any]]:
    """Every line that such an engine has; none of the outputs where it is only cranked."""
    e = kind.engine
    rows: list[dict[str, Any]] = [{"role": "crank"}]
    if kind.cam:
        rows.append({"role": "cam"})
    numbers = range(1, e["cylinders"] + 1)
    if record != "cranking":
        ignition = e.get("ignition", "coil-per-cylinder")
        if ignition != "compression":
            rows += [{"role": "coil", "cylinder": c} for c in (numbers if ignition != "distributor" else [1])]
        rows += [{"role": "injector", "cylinder": c} for c in numbers]
    rows.append({"role": "battery"})
    if e.get("cranked_by") != "motor":
        rows.append({"role": "starter-current"})
    if sensor == "hall":
        rows += [{"role": "sensor-supply"}, {"role": "sensor-ground"}]
    return rows


def scenario(kind: Kind, record: str, sensor: str, seed: int = 5, **more: Any) -> dict[str, Any]:
    """The tables of a scenario file."""
    made: dict[str, Any] = {
        "seed": seed, "title": kind.name, "engine": kind.engine, "sensor": {"kind": sensor},
        "cranking": dict(kind.cranking), "channel": channels(kind, record, sensor),
        "sampling": {"rate_hz": 100_000.0}, "duration_s": 3.5,
    }  # fmt: skip
    if record == "cranking":
        made |= {"running": {"may_start": False}, "control": {"withhold_spark": True, "withhold_fuel": True}}
    if record == "running":
        made |= {"running": {"initial": "running", "targets": [[0.0, 900.0]]}, "duration_s": 2.5}
    return made | more


def made(kind: Kind, tables: dict[str, Any]) -> Simulated:
    """The recording; a second crank sensor sees what the first saw some degrees earlier."""
    out = simulate(parse_scenario(tables))
    if kind.second_crank_deg is not None:
        run, name = out.run, "crank 2"
        theta = np.maximum.accumulate(run.theta_deg) + 1e-9 * np.arange(len(run.theta_deg))
        seen_s = np.interp(theta - kind.second_crank_deg, theta, run.time_s)
        n = len(out.channels["crank"])
        at = np.interp(np.arange(n) / out.rate_hz, run.time_s, seen_s) * out.rate_hz
        out.channels[name] = out.channels["crank"][np.minimum(np.rint(at).astype(int), n - 1)]
        out.gains[name], out.units[name] = out.gains["crank"], out.units["crank"]
        out.setup["channel"].append({"name": name, "role": "crank", "sensor": tables["sensor"]["kind"]})
    return out


def walk(
    kinds: tuple[Kind, ...] = KINDS, records: tuple[str, ...] = RECORDS, sensors: tuple[str, ...] = ("hall", "vr")
) -> Iterator[tuple[Kind, str, str, bool, Simulated, Analysis]]:
    """(kind, record, sensor, with setup, what was simulated, what was made of it)."""
    for kind in kinds:
        for record in records:
            for sensor in sensors:
                one = made(kind, scenario(kind, record, sensor))
                recording = recording_of(one)
                for told in (True, False):
                    yield kind, record, sensor, told, one, analyze_recording(recording, setup_of(one) if told else None)
