"""From simulated records to findings, through all stages before: what is there is found, and nothing else stated."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from witnessmark.engine.examine import examine
from witnessmark.findings.find import find
from witnessmark.findings.model import Findings
from witnessmark.recording.model import ChannelInfo, Recording
from witnessmark.recording.setup import CrankWheel, Setup
from witnessmark.signals.extract import extract
from witnessmark.simulate.run import simulate
from witnessmark.simulate.scenario import Scenario
from witnessmark.wheel.decode import decode_wheel

SETUP = Setup(crank_wheel=CrankWheel(slots=60, missing=(59, 60)))
CRANK = {"running": {"may_start": False}, "control": {"withhold_spark": True, "withhold_fuel": True}}
RUN = {"running": {"initial": "running", "targets": ((0.0, 800.0),)}}
FEW = ({"role": "crank"}, {"role": "battery"})


class InMemory:
    """Simulated channels as a source of samples."""

    def __init__(self, channels: list[np.ndarray]) -> None:
        self.channels = channels

    def read(self, index: int, start: int, stop: int) -> np.ndarray:
        return self.channels[index][start:stop]

    def changes(self, index: int) -> Any:
        raise KeyError(index)


def found_in(setup: Setup, **scenario: Any) -> Findings:
    """Simulate and run every stage."""
    made = simulate(Scenario.model_validate({"duration_s": 3.0, "channel": FEW} | scenario))
    infos = tuple(
        ChannelInfo(n, i, "sampled", len(x), made.rate_hz, 0.0, *made.gains[n], unit=made.units[n])
        for i, (n, x) in enumerate(made.channels.items(), start=1)
    )
    length = len(next(iter(made.channels.values()))) / made.rate_hz
    recording = Recording("simulated", infos, InMemory(list(made.channels.values())), length, format="made")
    signals = extract(recording, setup)
    wheel = decode_wheel(signals, setup, recording)
    return find(signals, wheel, examine(signals, wheel, setup, recording), setup, recording)


@pytest.mark.parametrize("sensor", ["vr", "hall"])
@pytest.mark.parametrize("record", [CRANK, RUN, {"duration_s": 4.0}], ids=["cranking", "running", "start"])
@pytest.mark.parametrize("seed", [2])
def test_a_sound_engine_is_not_accused(sensor: str, record: dict[str, Any], seed: int) -> None:
    found = found_in(SETUP, seed=seed, sensor={"kind": sensor}, **record)
    assert [f.statement for f in found.found if f.stated] == []
    assert found.bounds


FAULTS: list[tuple[str, str, dict[str, Any], dict[str, Any]]] = [
    ("tooth-absent", "hall", CRANK, {"slots": [30]}),
    ("tooth-absent", "vr", RUN, {"slots": [30]}),
    ("tooth-weak", "vr", CRANK, {"slots": [23], "amplitude": 0.3}),
    ("tooth-displaced", "hall", RUN, {"slots": [40], "deg": 1.5}),
    ("tooth-displaced", "vr", RUN, {"slots": [12], "deg": -1.0}),
    ("edges-dropped", "hall", RUN, {"share": 0.01}),
    ("edges-spurious", "hall", CRANK, {"rate_hz": 20.0, "width_us": 100.0}),
    ("signal-lost", "hall", CRANK, {"stretches": [[1.5, 0.15]], "level_v": 0.15}),
    ("signal-low", "vr", CRANK, {"amplitude": 0.15}),
    ("wheel-runout", "vr", RUN, {"deg": 0.6, "amplitude_runout": 0.4}),
]


@pytest.mark.parametrize(("kind", "sensor", "record", "how"), FAULTS, ids=[f"{k}-{s}" for k, s, _, _ in FAULTS])
def test_the_fault_put_in_is_found(kind: str, sensor: str, record: dict[str, Any], how: dict[str, Any]) -> None:
    found = found_in(SETUP, seed=5, sensor={"kind": sensor}, fault=[{"kind": kind} | how], **record)
    stated = [f for f in found.found if f.stated]
    assert [f.kind for f in stated][:1] == [kind], [f.statement for f in stated]
    if "slots" in how:
        assert stated[0].slot == how["slots"][0]
    if kind == "tooth-displaced":
        assert stated[0].value == pytest.approx(how["deg"], abs=0.25)
