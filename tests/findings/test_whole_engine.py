"""Plain faults of cams, lines, outputs, cylinders and probes: each is named, and the same engine in order is not.

Simulated truth: every record comes from the project's own simulator.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from accuracy.memory import recording_of
from accuracy.score import setup_of
from witnessmark.findings.cam_motion import swings
from witnessmark.pipeline import analyze_recording
from witnessmark.report.model import Analysis
from witnessmark.simulate.run import simulate
from witnessmark.simulate.scenario import parse_scenario

INTAKE = [[40.0, "rising"], [220.0, "falling"], [310.0, "rising"], [400.0, "falling"]]
EXHAUST = [[100.0, "rising"], [160.0, "falling"], [460.0, "rising"], [520.0, "falling"]]
CAMS = [
    {"name": "cam in", "camshaft": "intake", "edges_deg": INTAKE, "phaser_range_deg": 45.0},
    {"name": "cam ex", "camshaft": "exhaust", "edges_deg": EXHAUST, "phaser_range_deg": 45.0},
]
LINES = [{"role": "crank"}, {"role": "cam", "cam": 1, "name": "cam in"}, {"role": "cam", "cam": 2, "name": "cam ex"}]
OUTPUTS = [{"role": role, "cylinder": c} for role in ("coil", "injector") for c in (1, 2, 3, 4)]
ENDS = [{"role": "second-tap"}, {"role": "sensor-supply"}, {"role": "sensor-ground"}]
CRANKED = {
    "duration_s": 4.0,
    "running": {"may_start": False},
    "control": {"withhold_spark": True, "withhold_fuel": True},
}
RUNNING = {"duration_s": 5.0, "running": {"initial": "running", "targets": [[0.0, 800.0]]}}
SWEEP = {"duration_s": 4.5, "running": {"initial": "running", "targets": [[0.0, 750.0], [0.8, 2800.0], [2.6, 900.0]]}}
STARTED = {"duration_s": 4.0}


def analysed(record: dict[str, Any], channel: list[dict[str, Any]], *fault: dict[str, Any]) -> Analysis:
    made = simulate(parse_scenario({
        "seed": 11, "cam": CAMS, "channel": channel, "fault": list(fault), "sensor": {"kind": "hall"},
        "sampling": {"rate_hz": 100_000.0}, **record,
    }))  # fmt: skip
    return analyze_recording(recording_of(made), setup_of(made))


FAULTS: list[tuple[str, dict[str, Any], list[dict[str, Any]], dict[str, Any], str]] = [
    ("wheel moved", CRANKED, LINES, {"kind": "wheel-moved", "deg": 15.0}, "trigger-wheel-shifted"),
    ("wheel loose", SWEEP, LINES, {"kind": "wheel-loose", "deg": 10.0}, "trigger-wheel-loose"),
    ("slow sensor", SWEEP, LINES, {"kind": "sensor-delay", "delay_us": 400.0}, "sensor-wrong"),
    ("chain jumped", CRANKED, LINES, {"kind": "cam-jumped", "teeth": 1, "sprocket_teeth": 20}, "cam-timing"),
    ("phaser off park", CRANKED, LINES, {"kind": "phaser-stuck", "cams": [2], "deg": -20.0}, "cam-phaser"),
    ("phaser hunting", RUNNING, LINES, {"kind": "phaser-hunting", "cams": [1], "deg": 9.0, "hz": 0.9}, "cam-phaser"),
    ("target bent", CRANKED, LINES, {"kind": "cam-target", "cams": [1], "edge": 1, "deg": 15.0}, "cam-target"),
    ("line broken", CRANKED, [*LINES, *ENDS],
     {"kind": "signal-lost", "stretches": [[1.2, 0.4], [2.4, 0.3]]}, "crank-circuit"),
    ("supply sags", CRANKED, [*LINES, *ENDS],
     {"kind": "supply-drop", "v": 1.5, "stretches": [[1.2, 0.3]]}, "crank-circuit"),
    ("ground lifts", CRANKED, [*LINES, *ENDS, {"role": "starter-current"}],
     {"kind": "ground-lift", "v": 1.8, "follows": "starter"}, "crank-circuit"),
    ("no injection", RUNNING, [*LINES, *OUTPUTS],
     {"kind": "injector-command-absent", "cylinders": [2], "share": 1.0}, "fuel-output"),
    ("no spark on one", RUNNING, [*LINES, *OUTPUTS],
     {"kind": "coil-command-absent", "cylinders": [3], "share": 1.0}, "ignition-output"),
    ("no fuel", STARTED, [*LINES, *OUTPUTS], {"kind": "fuel-starved"}, "fuel-supply"),
    ("weak cylinder", CRANKED | {"duration_s": 5.5}, [*LINES, {"role": "starter-current"}],
     {"kind": "compression-low", "cylinder": 3, "share": 0.6}, "cylinder-compression"),
    ("AC coupled", RUNNING, LINES, {"kind": "probe", "what": "ac", "corner_hz": 1.0}, "measurement-fault"),
    ("samples held", RUNNING, LINES, {"kind": "probe", "what": "thinned", "every": 8}, "measurement-fault"),
]  # fmt: skip


@pytest.mark.parametrize(("record", "channel", "fault", "cause"), [f[1:] for f in FAULTS], ids=[f[0] for f in FAULTS])
def test_a_plain_fault_is_named_first(record, channel, fault, cause):
    first = analysed(record, channel, fault).verdict.causes[0]
    assert first.id == cause, first


@pytest.mark.parametrize("record", [CRANKED, RUNNING, SWEEP, STARTED], ids=["cranked", "running", "sweep", "started"])
def test_the_same_engine_in_order_is_not_accused(record):
    outputs = [] if record is CRANKED else OUTPUTS
    analysis = analysed(record, [*LINES, *ENDS, *outputs, {"role": "starter-current"}])
    assert [f.statement for f in analysis.findings.found if f.stated] == []
    assert analysis.verdict.causes[0].id == "none-found"


def test_a_phaser_that_is_moved_as_it_should_be_is_no_fault():
    moved = [
        {**cam, "phaser": [[0.0, 0.0], [1.5, 0.0], [2.2, sign * 20.0]]} for cam, sign in zip(CAMS, (-1, 1), strict=True)
    ]
    analysis = analysed(STARTED | {"cam": moved}, LINES)
    assert [f.statement for f in analysis.findings.found if f.stated] == []


@pytest.mark.parametrize("names", [("cam left", "cam right"), ("cam b1 in", "cam b2 in")])
def test_phasers_of_two_intake_cams_moved_alike_are_no_loose_wheel(names):
    """Both turn with speed and load, as they should; the wheel's own speed says that it sits fast."""
    moved = [[0.0, 0.0], [0.3, 0.0], [1.0, -18.0], [2.4, -18.0], [3.0, 0.0]]
    cams = [{**CAMS[0], "name": name, "camshaft": "intake", "phaser": moved} for name in names]
    lines = [{"role": "crank"}, *({"role": "cam", "cam": n, "name": name} for n, name in enumerate(names, start=1))]
    analysis = analysed(SWEEP | {"cam": cams}, lines)
    assert min(np.ptp(c.motion.shift_deg) for c in analysis.engine.cams if c.motion is not None) > 15.0
    assert [f.statement for f in analysis.findings.found] == []


def test_cam_offsets_are_what_was_simulated():
    analysis = analysed(CRANKED, LINES, {"kind": "phaser-stuck", "cams": [2], "deg": -20.0})
    late = {c.channel: c.offset_deg for c in analysis.engine.cams}
    assert late["cam in"] == pytest.approx(0.0, abs=1.0)
    assert late["cam ex"] == pytest.approx(-20.0, abs=1.0)


def test_swings_count_turning_points():
    """Worked by hand: 0 up to 10, down to 0, up to 10 turns round twice; a step turns round never."""
    there = np.linspace(0.0, 10.0, 6)
    assert swings(np.concatenate([there, there[::-1], there]), 4.0) == 2
    assert swings(np.concatenate([np.zeros(5), np.full(5, 20.0)]), 4.0) == 0
    assert swings(np.concatenate([there, there[::-1], there]), 12.0) == 0
