"""Supply, ground and both ends of the crank line: what is a fault of theirs, and what a key or a battery does.

Simulated truth: every record comes from the project's own simulator; some supply lines are then written by hand.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from accuracy.memory import recording_of
from accuracy.score import setup_of
from witnessmark.pipeline import analyze_recording
from witnessmark.recording.setup import Setup
from witnessmark.report.model import Analysis
from witnessmark.simulate.run import Simulated, simulate
from witnessmark.simulate.scenario import parse_scenario

ENDS = [{"role": "crank"}, {"role": "second-tap"}, {"role": "sensor-supply"}, {"role": "sensor-ground"}]
CAM = {"role": "cam"}
CRANKED: dict[str, Any] = {
    "duration_s": 4.0, "running": {"may_start": False}, "control": {"withhold_spark": True, "withhold_fuel": True},
}  # fmt: skip
TWICE = {
    **CRANKED, "duration_s": 5.5,
    "cranking": {"attempts": [{"start_s": 0.3, "end_s": 2.0}, {"start_s": 3.4, "end_s": 5.0}]},
}  # fmt: skip


def made(record: dict[str, Any], channel: list[dict[str, Any]], *fault: dict[str, Any]) -> Simulated:
    return simulate(parse_scenario({
        "seed": 5, "channel": channel, "fault": list(fault), "sensor": {"kind": "hall"},
        "sampling": {"rate_hz": 100_000.0}, **record,
    }))  # fmt: skip


def analysed(record: Simulated) -> Analysis:
    return analyze_recording(recording_of(record), setup_of(record))


def stated(analysis: Analysis) -> set[str]:
    return {f.kind for f in analysis.findings.found if f.stated}


def write(record: Simulated, name: str, volts: np.ndarray) -> None:
    """Put these volts on a channel, one a sample."""
    gain, offset = record.gains[name]
    limits = np.iinfo(record.channels[name].dtype)
    codes = np.clip(np.round((volts - offset) / gain), limits.min, limits.max)
    record.channels[name] = codes.astype(record.channels[name].dtype)


def seconds(record: Simulated, name: str) -> np.ndarray:
    return np.arange(len(record.channels[name])) / record.rate_hz


def test_a_key_turned_off_between_attempts_and_at_the_end_is_no_faulty_supply():
    record = made(TWICE, [*ENDS, CAM])
    name = "sensor supply"
    t, crank = seconds(record, name), record.values("crank")
    moving = np.flatnonzero(np.abs(np.diff(crank)) > 1.0)
    last = t[moving[t[moving] < 2.9][-1]], t[moving[-1]]  # last edge of either attempt
    volts = np.full(len(t), 5.0)
    volts[(t > last[0] - 0.004) & (t < 3.2)] = 0.0
    volts[t > last[1] - 0.004] = 0.0
    write(record, name, volts)
    assert "supply-faulty" not in stated(analysed(record))


@pytest.mark.parametrize(("dip_v", "faulty"), [(8.5, False), (6.0, False), (2.0, True)])
def test_a_supply_that_hangs_on_the_battery_may_sink_with_it(dip_v, faulty):
    record = made(CRANKED, [*ENDS, CAM])
    name = "sensor supply"
    gain, offset = record.gains[name]
    record.gains[name] = (gain * 4.0, offset)
    t = seconds(record, name)
    write(record, name, np.where(t < 0.3, 12.4, dip_v + (10.5 - dip_v) * (np.abs(t - 0.45) > 0.1)))
    assert ("supply-faulty" in stated(analysed(record))) == faulty


def test_a_reference_that_a_starter_pulls_down_all_the_time_is_seen_against_what_it_was_before():
    record = made(CRANKED, [*ENDS, CAM])
    name = "sensor supply"
    write(record, name, np.where(seconds(record, name) < 0.3, 5.0, 3.9))
    assert "supply-faulty" in stated(analysed(record))


@pytest.mark.parametrize(
    ("where", "cause"), [("line", "crank-circuit"), ("sensor", "crank-sensor"), ("supply", "crank-circuit")]
)
@pytest.mark.parametrize("cams", [[CAM], []], ids=["cam", "no cam"])
def test_a_loss_is_put_where_the_other_lines_put_it(where, cause, cams):
    # both ends of the silence lie where the crank turns fast: beside a compression's top a rest would look the same
    record = made(CRANKED, [*ENDS, *cams], {"kind": "signal-lost", "where": where, "stretches": [[1.68, 0.7]]})
    analysis = analysed(record)
    assert analysis.verdict.causes[0].id == cause
    lost = [f for f in analysis.findings.found if f.kind == "signal-lost"]
    assert all(f.evidence["other_end_whole"] == (where == "line") for f in lost)
    assert all(f.evidence["supply_good"] == (where != "supply") for f in lost)


def test_a_cam_that_goes_on_makes_one_attempt_of_a_long_silence():
    record = made(CRANKED, [{"role": "crank"}, CAM], {"kind": "signal-lost", "stretches": [[1.4, 1.7]]})
    analysis = analysed(record)
    assert len(analysis.engine.attempts) == 1
    assert "signal-lost" in stated(analysis)


def test_two_attempts_stay_two_and_lose_nothing():
    analysis = analysed(made(TWICE, [*ENDS, CAM]))
    assert len(analysis.engine.attempts) == 2
    assert stated(analysis) == set()
    assert analysis.verdict.causes[0].id == "none-found"


def nameless(record: Simulated) -> Analysis:
    """Analysed with no setup and with names that say nothing."""
    recording = recording_of(record)
    infos = tuple(replace(c, name=f"column {c.position + 1}") for c in recording.channels)
    return analyze_recording(replace(recording, channels=infos), Setup())


@pytest.mark.parametrize("sensor", [{"kind": "hall"}, {"kind": "vr"}, {"kind": "vr", "noise_v": 0.08}])
def test_the_other_end_of_a_line_is_known_by_its_edges_and_a_sound_one_is_not_accused(sensor):
    analysis = nameless(made({**CRANKED, "sensor": sensor}, [*ENDS[:2], CAM]))
    assert sorted(x.role for x in analysis.signals.lines) == ["cam", "crank", "second-tap"]
    assert stated(analysis) == set()


@pytest.mark.parametrize("sensor", ["hall", "vr"])
def test_a_broken_line_shows_without_a_setup(sensor):
    fault = {"kind": "signal-lost", "where": "line", "stretches": [[1.7, 0.5]]}
    analysis = nameless(made({**CRANKED, "sensor": {"kind": sensor}}, [*ENDS[:2], CAM], fault))
    assert stated(analysis) >= {"line-faulty"}
    assert analysis.verdict.causes[0].id == "crank-circuit"


def test_a_reversed_probe_at_an_engine_that_starts_is_the_probe_s_fault():
    lines = [{"role": "crank"}, CAM, {"role": "coil"}, {"role": "injector"}]
    for where, cause in (("probe", "measurement-fault"), ("sensor", "sensor-polarity")):
        fault = {"kind": "polarity-reversed", "where": where}
        analysis = analysed(made({"duration_s": 4.0, "sensor": {"kind": "vr"}}, lines, fault))
        assert analysis.verdict.causes[0].id == cause
