"""Sound engines of every kind: nothing is stated against them, and cylinders and phase are right or not said.

Simulated truth: every record comes from the project's own simulator.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from accuracy.engines import KINDS, RECORDS, Kind, walk
from witnessmark.engine.unroll import cycle_deg
from witnessmark.report.model import Analysis
from witnessmark.simulate.run import Simulated


def off_deg(one: Simulated, analysis: Analysis, strokes: int) -> float:
    """How far the phase found is from the truth, modulo what it says of the turn."""
    phase = analysis.engine.phase
    cycle = 360.0 if strokes == 2 or not phase.turn_known else 720.0
    t = np.linspace(0.8, one.run.time_s[-1] - 0.2, 60)
    seen = cycle_deg(analysis.wheel.angle, phase, t)
    off = seen - np.interp(t, one.run.time_s, one.run.theta_deg)
    return float(np.nanmedian(np.mod(off + 0.5 * cycle, cycle) - 0.5 * cycle))


def open_to_strokes(analysis: Analysis, record: str, truth: dict[str, Any]) -> set[int]:
    """The other reading of an engine whose strokes nothing in the record shows: allowed where it says so.

    Two cylinders of two strokes compress as often, and as evenly, as four of four strokes.
    """
    count = analysis.engine.counted
    if truth["strokes"] != 2 or record != "cranking" or count is None:
        return set()
    honest = count.certainty < 0.9 and "taken for a four-stroke engine" in count.because
    return {2 * truth["cylinders"]} if honest else set()


def check(kind: Kind, records: tuple[str, ...], sensors: tuple[str, ...]) -> None:
    for _, record, sensor, told, one, analysis in walk((kind,), records, sensors):
        where = (kind.name, record, sensor, "setup" if told else "no setup")
        assert [f.statement for f in analysis.findings.found if f.stated] == [], where
        truth = one.truth["engine"]
        said = {truth["cylinders"]} if told else {truth["cylinders"], None, *open_to_strokes(analysis, record, truth)}
        assert analysis.engine.cylinders in said, where
        phase = analysis.engine.phase
        if phase.known:
            assert abs(off_deg(one, analysis, truth["strokes"])) <= max(phase.tdc_doubt_deg or 0.0, 1.0), where


@pytest.mark.parametrize("name", ["twin, 270 and 450", "two-stroke twin"])
def test_sound_engines_running_are_not_accused(name: str) -> None:
    check(next(k for k in KINDS if k.name == name), ("running",), ("hall",))


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS, ids=lambda k: k.name)
def test_sound_engines_of_every_kind_are_not_accused(kind: Kind) -> None:
    check(kind, RECORDS, ("hall", "vr"))
