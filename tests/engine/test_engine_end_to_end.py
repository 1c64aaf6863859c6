"""From a simulated recording on disk to the engine stage, against the simulation's truth."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from witnessmark.engine.examine import examine
from witnessmark.engine.model import EngineResult
from witnessmark.recording.open import open_recording
from witnessmark.recording.setup import Setup, load_setup
from witnessmark.recording.write import write_recording
from witnessmark.signals.extract import extract
from witnessmark.simulate.run import simulate
from witnessmark.simulate.scenario import parse_scenario
from witnessmark.simulate.truth import setup_toml
from witnessmark.wheel.decode import decode_wheel

Made = tuple[Path, Path, dict[str, Any]]


def _make(folder: Path, scenario: dict[str, Any]) -> Made:
    made = simulate(parse_scenario(scenario))
    record, setup = folder / "made.npz", folder / "made.toml"
    gains = {k: g for k, (g, _) in made.gains.items()}
    offsets = {k: o for k, (_, o) in made.gains.items()}
    write_recording(record, made.channels, made.rate_hz, units=made.units, gains=gains, offsets=offsets)
    setup.write_text(setup_toml(made.setup), encoding="utf-8")
    return record, setup, made.truth


def _examine(made: Made, use_setup: bool) -> EngineResult:
    recording = open_recording(made[0])
    setup = load_setup(str(made[1])) if use_setup else Setup()
    signals = extract(recording, setup)
    return examine(signals, decode_wheel(signals, setup, recording), setup, recording)


@pytest.fixture(scope="module")
def start(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """A sound inline four that starts: variable reluctance, 60-2, cam, coil 1, injector 1, battery, starter current."""
    return _make(tmp_path_factory.mktemp("start"), {"seed": 8, "duration_s": 3.0, "sampling": {"rate_hz": 50_000.0}})


@pytest.mark.parametrize("use_setup", [True, False])
def test_timeline_of_a_start(start: Made, use_setup: bool) -> None:
    result, truth = _examine(start, use_setup), start[2]["attempts"][0]
    (a,), line = result.attempts, result.timeline
    assert line.motion_s == pytest.approx(truth["start_s"], abs=0.03)
    assert line.first_spark_s == pytest.approx(truth["recorded"]["first_spark_s"], abs=1e-4)
    assert line.sync_s == pytest.approx(truth["recorded"]["sync_s"], abs=1e-4)
    assert line.first_fuel_s == pytest.approx(truth["recorded"]["first_fuel_s"], abs=1e-4)
    assert line.running_s == pytest.approx(truth["running_s"], abs=0.12)
    assert line.turns == pytest.approx(truth["turns"], abs=0.3)
    # the mean to the first firing; the simulation's own figure stops at the first spark, before the last rise
    assert line.cranking_rpm == pytest.approx(truth["cranking_rpm"], rel=0.12)
    assert a.started
    assert result.cylinders == 4 or not use_setup
    assert a.battery_rest_v == pytest.approx(12.6, abs=0.1)
    assert a.starter_current_a is not None
    assert 150 < a.starter_current_a < 350


def test_angles_of_cam_coil_and_injector(start: Made) -> None:
    result = _examine(start, True)
    assert (result.phase.tdc_source, result.phase.turn_source) == ("setup", "cam")
    (cam,) = result.cams
    assert [e.angle_deg for e in cam.edges] == pytest.approx([40.0, 220.0, 310.0, 400.0], abs=0.6)
    assert [e.kind for e in cam.edges] == ["rising", "falling", "rising", "falling"]
    assert cam.offset_deg == pytest.approx(0.0, abs=0.3)
    coil, injector = (next(o for o in result.outputs if o.role == r) for r in ("coil", "injector"))
    spark = np.array([e.end_deg for e in coil.events if e.end_deg is not None])
    # the control unit fires 6 degrees before TDC while cranking and 12 running
    assert np.all(np.min(np.abs(spark[:, None] - [714.0, 708.0]), axis=1) < 0.6)
    inject = np.array([e.start_deg for e in injector.events if e.start_deg is not None])
    assert np.median(inject) == pytest.approx(330.0, abs=0.5)


def test_without_setup_the_tdc_is_inferred_and_says_so(start: Made) -> None:
    phase = _examine(start, False).phase
    assert phase.tdc_source == "coil"
    assert phase.certainty < 0.5
    assert "inferred" in phase.reference


def test_an_engine_that_is_cranked_twice_and_never_starts(tmp_path: Path) -> None:
    attempts = [{"start_s": 0.5, "end_s": 2.2}, {"start_s": 4.0, "end_s": 5.2}]
    scenario = {
        "seed": 6, "duration_s": 6.0, "running": {"may_start": False}, "cranking": {"attempts": attempts},
        "sampling": {"rate_hz": 50_000.0},
    }  # fmt: skip
    made = _make(tmp_path, scenario)
    result, truth = _examine(made, True), made[2]["attempts"]
    assert [a.started for a in result.attempts] == [False, False]
    for got, true in zip(result.attempts, truth, strict=True):
        assert got.start_s == pytest.approx(true["start_s"], abs=0.04)
        assert got.end_s == pytest.approx(true["end_s"], abs=0.2)
        assert got.turns == pytest.approx(true["turns"], abs=0.35)
        assert got.first_spark_s == pytest.approx(true["recorded"]["first_spark_s"], abs=1e-4)
    assert [a.cranking_end_s for a in result.attempts] == pytest.approx([2.2, 5.2], abs=0.03)
    assert result.timeline.running_s is None
    assert result.timeline.sync_s == pytest.approx(truth[1]["recorded"]["sync_s"], abs=1e-4)
