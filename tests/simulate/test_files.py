"""What is written: recording, truth and setup, readable by the program itself."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from witnessmark.errors import BadRecording
from witnessmark.recording.open import open_recording
from witnessmark.recording.setup import load_setup
from witnessmark.simulate.run import simulate, write_simulation
from witnessmark.simulate.scenario import load_scenario, parse_scenario
from witnessmark.simulate.truth import setup_toml

SCENARIO = """
title = "A test bench engine"
duration_s = 1.0
[sampling]
rate_hz = 20000.0
[[channel]]
role = "crank"
[[channel]]
role = "cam"
[[channel]]
role = "starter-current"
[[fault]]
kind = "tooth-absent"
slots = [7]
"""


@pytest.mark.parametrize("suffix", [".npz", ".csv", ".wav", ".parquet"])
def test_written_and_read_back(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / "scenario.toml"
    path.write_text(SCENARIO)
    out, truth_path, setup_path = write_simulation(path, tmp_path / f"bench{suffix}")
    made = simulate(load_scenario(path))
    setup = load_setup(str(setup_path))
    recording = open_recording(out, setup)
    names = [c.name for c in recording.channels]
    assert names == (["1", "2", "3"] if suffix == ".wav" else ["crank", "cam", "starter current"])
    for name, original in zip(names, made.channels, strict=True):
        read = recording.values(name, 0, 20_000)
        want = made.values(original)
        assert len(read) == len(want) == 20_000
        assert np.abs(read - want).max() <= 1e-3 * max(1.0, np.abs(want).max())
    truth = json.loads(truth_path.read_text())
    assert truth["origin"] == "simulated"
    assert truth["cause"] == "trigger-wheel-tooth"
    assert truth["slot"] == 7
    assert "simulated" in setup_path.read_text()


def test_an_unknown_suffix_is_one_line(tmp_path: Path) -> None:
    path = tmp_path / "scenario.toml"
    path.write_text(SCENARIO)
    with pytest.raises(BadRecording, match="xyz"):
        write_simulation(path, tmp_path / "bench.xyz")
    assert not list(tmp_path.glob("bench*"))


@pytest.mark.parametrize("layout", ["60-2", "36-2-2-2", "60-2-2", "12+1", "6 even", "4 vane", "24 coded"])
def test_setups_of_all_wheels_are_accepted(tmp_path: Path, layout: str) -> None:
    made = simulate(parse_scenario({"duration_s": 0.5, "wheel": {"layout": layout}, "sensor": {"kind": "hall"}}))
    path = tmp_path / "setup.toml"
    path.write_text(setup_toml(made.setup))
    load_setup(str(path))


def test_the_same_seed_gives_the_same_samples() -> None:
    scenario = parse_scenario({"duration_s": 1.0, "seed": 9, "fault": [{"kind": "edges-dropped", "share": 0.1}]})
    a, b = simulate(scenario), simulate(scenario)
    other = simulate(scenario.model_copy(update={"seed": 10}))
    assert all(np.array_equal(a.channels[n], b.channels[n]) for n in a.channels)
    assert not np.array_equal(a.channels["crank"], other.channels["crank"])
