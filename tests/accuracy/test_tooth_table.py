"""Per-tooth errors of the table against simulated truth, where cranking ripple is hard to follow."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from accuracy.memory import recording_of
from witnessmark.pipeline import analyze_recording
from witnessmark.simulate.run import simulate
from witnessmark.simulate.scenario import parse_scenario


@pytest.fixture(scope="module", params=["hall", "vr"])
def record(request):
    return simulate(parse_scenario({
        "seed": 5, "duration_s": 3.0, "running": {"may_start": False}, "sensor": {"kind": request.param},
        "control": {"withhold_spark": True, "withhold_fuel": True},
        "engine": {"inertia_kg_m2": 0.13}, "wheel": {"layout": "36-1", "pitch_error_deg": 0.05},
        "cranking": {"attempts": [{"start_s": 0.3, "end_s": 1e6}]},
    }))  # fmt: skip


def test_tooth_errors_are_the_wheels_own(record):
    """Simulated truth: the marking edges as the simulator drew them, every tooth within 0.15 degrees."""
    analysis = analyze_recording(recording_of(record))
    assert analysis.wheel.layout is not None
    assert analysis.wheel.layout.name == "36-1"
    turn = record.run.turn
    marks = turn.edges.marking
    slots = turn.teeth.slot[turn.edges.tooth[marks]]
    true = dict(zip(slots.tolist(), turn.edges.angle_deg[marks] - 10.0 * (slots - 1), strict=True))
    teeth = [t for t in analysis.wheel.teeth if t.error_deg is not None]
    off = np.array([(t.error_deg - true[t.slot] + 180.0) % 360.0 - 180.0 for t in teeth])
    off -= np.median(off)
    assert len(teeth) == 35
    assert np.mean(np.abs(off) < 0.15) >= 0.95
    se = np.array([t.error_se_deg for t in teeth])
    assert np.sqrt(np.mean((off / se) ** 2)) < 2.0  # the uncertainty is not far from what it is off by
