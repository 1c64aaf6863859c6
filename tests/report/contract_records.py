"""Simulated records on which every fixed field of the analysis is compared with what was simulated."""

from functools import cache

from accuracy.memory import recording_of
from accuracy.score import setup_of
from witnessmark.pipeline import analyze_recording
from witnessmark.recording.setup import Setup
from witnessmark.report.analysis_json import analysis_json
from witnessmark.simulate.run import simulate
from witnessmark.simulate.scenario import parse_scenario

INTAKE = [[40.0, "rising"], [220.0, "falling"], [310.0, "rising"], [400.0, "falling"]]
EXHAUST = [[100.0, "rising"], [160.0, "falling"], [460.0, "rising"], [520.0, "falling"]]
CAMS = [
    {"name": "cam in", "camshaft": "intake", "edges_deg": INTAKE, "phaser_range_deg": 45.0},
    {"name": "cam ex", "camshaft": "exhaust", "edges_deg": EXHAUST, "phaser_range_deg": 45.0},
]
CRANK = [{"role": "crank"}]
CAM = [{"role": "cam", "cam": 1, "name": "cam in"}, {"role": "cam", "cam": 2, "name": "cam ex"}]
SYSTEM = [{"role": "battery"}, {"role": "starter-current"}]
CRANKED = {"running": {"may_start": False}, "control": {"withhold_spark": True, "withhold_fuel": True}}


def outputs(count, roles=("coil", "injector")):
    return [{"role": role, "cylinder": c + 1} for role in roles for c in range(count)]


def later(edges, deg):
    return sorted([(angle + deg) % 720.0, kind] for angle, kind in edges)


V6_CAMS = [
    {"name": f"cam b{bank} {shaft[:2]}", "bank": bank, "camshaft": shaft, "edges_deg": later(edges, deg)}
    for bank, deg in ((1, 0.0), (2, 60.0))
    for shaft, edges in (("intake", INTAKE), ("exhaust", EXHAUST))
]
V6_LINES = [{"role": "cam", "cam": n, "name": cam["name"]} for n, cam in enumerate(V6_CAMS, start=1)]

RECORDS = {
    "start": {"channel": [*CRANK, *CAM, *outputs(4), *SYSTEM]},
    "running": {
        "duration_s": 5.0, "running": {"initial": "running", "targets": [[0.0, 800.0]]},
        "channel": [*CRANK, *CAM, *outputs(4)],
    },
    "two attempts": {
        "duration_s": 6.0, "cranking": {"attempts": [{"start_s": 0.3, "end_s": 0.75}, {"start_s": 2.5, "end_s": 1e6}]},
        "channel": [*CRANK, *CAM, *outputs(4), *SYSTEM],
    },
    "no cam": {"channel": [*CRANK, *outputs(4), *SYSTEM]},
    "unequal wheel": {
        "wheel": {"teeth_deg": [0.0, 40.0, 75.0, 120.0, 190.0, 220.0, 262.0, 300.0]},
        "channel": [*CRANK, *CAM, *outputs(4), *SYSTEM],
    },
    "no gap": {"wheel": {"slots": 24}, "channel": [*CRANK, *CAM, *outputs(4), *SYSTEM]},
    "motor-cranked": {"engine": {"cranked_by": "motor"}, "channel": [*CRANK, *CAM, *outputs(4)]},
    "two-stroke": {"engine": {"strokes": 2, "cylinders": 2}, "channel": [*CRANK, *outputs(2), *SYSTEM]},
    "diesel": {
        "duration_s": 4.5,
        "engine": {"ignition": "compression", "compression_ratio": 17.0, "stroke_mm": 90.0, "inertia_kg_m2": 0.3},
        "cranking": {"stall_torque_nm": 380.0, "stall_current_a": 1400.0, "battery_resistance_ohm": 0.003},
        "channel": [*CRANK, *CAM, *outputs(4, ("injector",)), *SYSTEM],
    },
    "v6": {
        "duration_s": 4.5,
        "engine": {
            "cylinders": 6, "banks": {"1": [1, 2, 3], "2": [4, 5, 6]}, "firing_order": [1, 4, 2, 5, 3, 6],
            "inertia_kg_m2": 0.25,
        },
        "cranking": {"stall_torque_nm": 330.0, "stall_current_a": 1275.0, "battery_resistance_ohm": 0.0033},
        "cam": V6_CAMS, "channel": [*CRANK, *V6_LINES, *outputs(6), *SYSTEM],
        "fault": [{"kind": "cam-jumped", "teeth": 1, "sprocket_teeth": 20, "cams": [3, 4]}],
    },
    "wasted spark": {"engine": {"ignition": "wasted-spark"}, "channel": [*CRANK, *CAM, *outputs(4), *SYSTEM]},
    "bent wheel": {
        "duration_s": 5.0, **CRANKED, "sensor": {"kind": "vr"}, "channel": [*CRANK, *CAM, *SYSTEM],
        "fault": [
            {"kind": "tooth-displaced", "slots": [20], "deg": 1.2},
            {"kind": "wheel-runout", "deg": 0.4, "phase_deg": 70.0},
        ],
    },
    "weak tooth": {
        "duration_s": 6.0, **CRANKED, "channel": [*CRANK, *CAM, *SYSTEM],
        "fault": [{"kind": "tooth-weak", "slots": [23], "share": 0.5}],
    },
    "low compression": {
        "duration_s": 6.0, **CRANKED, "channel": [*CRANK, *CAM, *SYSTEM],
        "fault": [{"kind": "compression-low", "cylinder": 3, "share": 0.6}],
    },
}  # fmt: skip
BARE = ("start", "running", "no cam", "unequal wheel", "no gap", "two-stroke", "diesel", "wasted spark")


@cache
def simulated(name):
    rest = {"seed": 21, "duration_s": 4.0, "cam": CAMS, "sensor": {"kind": "hall"}, "sampling": {"rate_hz": 100_000.0}}
    return simulate(parse_scenario({**rest, **RECORDS[name]}))


@cache
def analysed(name, with_setup):
    """(what was simulated, the analysis, its JSON)."""
    made = simulated(name)
    analysis = analyze_recording(recording_of(made), setup_of(made) if with_setup else Setup())
    return made, analysis, analysis_json(analysis)
