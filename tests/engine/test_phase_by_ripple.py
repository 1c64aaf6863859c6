"""TDC and turn without a cam: by the ripple of cranking, and by injection on compression ignition. Simulated truth."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from accuracy.engines import KINDS, Kind, made, scenario
from accuracy.memory import recording_of
from accuracy.score import setup_of
from witnessmark.engine.count import Count
from witnessmark.engine.phase_sources import ripple_place, turn_by_ripple, whole_cycle
from witnessmark.engine.tracks import Alignment
from witnessmark.engine.unroll import Unrolled, cycle_deg
from witnessmark.pipeline import analyze_recording
from witnessmark.report.model import Analysis
from witnessmark.simulate.run import Simulated
from witnessmark.wheel.firing import Place
from witnessmark.wheel.model import CrankAngle

NOTHING = Unrolled(CrankAngle(np.empty(0), np.empty(0), ()), (0,), (0,))


def kind(name: str) -> Kind:
    return next(k for k in KINDS if k.name == name)


def analysed(
    name: str, record: str, lines: list[dict[str, Any]], told: bool, slot: bool = True
) -> tuple[Simulated, Analysis]:
    tables = scenario(kind(name), record, "hall", channel=lines, sampling={"rate_hz": 50_000.0})
    one = made(kind(name), tables)
    setup = setup_of(one) if told else None
    if setup is not None and not slot and setup.crank_wheel is not None:
        setup = setup.model_copy(update={"crank_wheel": setup.crank_wheel.model_copy(update={"tdc_slot": None})})
    return one, analyze_recording(recording_of(one), setup)


def off_deg(one: Simulated, analysis: Analysis) -> float:
    """How far the phase found is from the truth, over the whole cycle."""
    t = np.linspace(1.0, one.run.time_s[-1] - 0.3, 50)
    seen = cycle_deg(analysis.wheel.angle, analysis.engine.phase, t)
    true = np.interp(t, one.run.time_s, one.run.theta_deg)
    off = np.mod(seen - true + 360.0, 720.0) - 360.0
    return float(np.nanmedian(off))


@pytest.mark.parametrize("name", ["three", "twin, 270 and 450", "V6, 90 and 150"])
def test_the_turn_is_told_by_compressions_that_interleave(name: str) -> None:
    one, analysis = analysed(name, "cranking", [{"role": "crank"}], told=True)
    phase = analysis.engine.phase
    if name.startswith("V6"):  # its pattern repeats every 240 degrees: 360 is half a repeat on
        assert analysis.engine.counted is not None
    assert (phase.turn_known, phase.turn_source) == (True, "ripple")
    assert abs(off_deg(one, analysis)) < 2.0
    assert phase.certainty < 0.9


def test_an_even_four_does_not_tell_the_turn() -> None:
    _, analysis = analysed("four", "cranking", [{"role": "crank"}], told=True)
    assert analysis.engine.phase.known
    assert not analysis.engine.phase.turn_known


def test_one_cylinder_shows_its_own_tdc() -> None:
    one, analysis = analysed("single", "cranking", [{"role": "crank"}], told=False)
    assert analysis.engine.phase.tdc_source == "ripple"
    assert abs(off_deg(one, analysis)) < (analysis.engine.phase.tdc_doubt_deg or 0.0)
    assert analysis.engine.cylinders == 1
    assert not [n for n in analysis.findings.not_assessed if "work in compression" in n.question]


def test_injection_tells_tdc_and_turn_where_it_lights_the_charge() -> None:
    lines = [{"role": "crank"}, *({"role": "injector", "cylinder": c} for c in (1, 2, 3, 4))]
    one, analysis = analysed("compression ignition", "running", lines, told=True, slot=False)
    phase = analysis.engine.phase
    assert (phase.tdc_source, phase.turn_known) == ("injector", True)
    assert abs(off_deg(one, analysis)) < (phase.tdc_doubt_deg or 0.0)
    one, analysis = analysed("compression ignition", "running", lines, told=True)
    assert analysis.engine.phase.turn_source == "injector"
    assert abs(off_deg(one, analysis)) < 1.0


def test_places_are_taken_only_where_they_say_something() -> None:
    aligned = Alignment((1,), True, "cam")

    def place(**more: Any) -> Count:
        what = {"group": 0, "running": False, "tdc_deg": 50.0, "repeat_deg": 240.0, "left": 0.02, "cycles": 6} | more
        return Count(3, "setup", 1.0, "", (0.0, 240.0, 480.0), 720.0, (Place(**what),))

    assert ripple_place(place(), NOTHING, aligned) == (410.0, 240.0)
    assert ripple_place(place(running=True), NOTHING, aligned) is None
    assert ripple_place(place(left=0.3), NOTHING, aligned) is None
    assert ripple_place(place(), NOTHING, Alignment((-1,), False, "")) is None
    # worked: 410 is 170 + 240 (and 290 = 50 + 240), so a TDC at 170 in the first turn fits, at 50 in the second
    assert turn_by_ripple((410.0, 240.0), 170.0) == 0
    assert turn_by_ripple((410.0, 240.0), 290.0) == 1
    assert turn_by_ripple((410.0, 180.0), 50.0) is None
    assert turn_by_ripple((410.0, 240.0), 110.0) is None
    assert whole_cycle(Count(1, "inferred", 0.9, "", (0.0,)), (30.0, 720.0)) == 30.0
    assert whole_cycle(Count(2, "inferred", 0.9, "", (0.0, 270.0)), (30.0, 720.0)) is None
