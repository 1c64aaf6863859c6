"""A cam's pick-up: a few waves in two turns, rest in between. Simulated truth, and lines that are none."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from accuracy.memory import recording_of
from witnessmark.pipeline import analyze_recording
from witnessmark.recording.model import ChannelInfo, Recording
from witnessmark.recording.setup import Setup
from witnessmark.signals.extract import extract
from witnessmark.simulate.run import simulate
from witnessmark.simulate.scenario import parse_scenario

PATTERNS: dict[str, list[list[Any]]] = {
    "one tooth": [[0.0, "rising"], [360.0, "falling"]],
    "two unequal": [[40.0, "rising"], [220.0, "falling"], [310.0, "rising"], [400.0, "falling"]],
    "three unequal": [[20.0, "rising"], [140.0, "falling"], [200.0, "rising"], [340.0, "falling"],
                      [420.0, "rising"], [470.0, "falling"]],
}  # fmt: skip
RATE = 50_000.0


def made(pattern: list[list[Any]], running: bool) -> Any:
    lines = [{"role": "crank", "name": "input 1"}, {"role": "cam", "name": "input 2"}]
    tables: dict[str, Any] = {
        "seed": 3, "cam": [{"sensor": "vr", "edges_deg": pattern}], "channel": lines, "duration_s": 4.0,
        "sampling": {"rate_hz": RATE}, "running": {"may_start": running},
    }  # fmt: skip
    return simulate(parse_scenario(tables))


@pytest.mark.parametrize("pattern", PATTERNS.values(), ids=PATTERNS)
def test_its_edges_are_read_without_a_setup(pattern: list[list[Any]]) -> None:
    simulated = made(pattern, running=False)
    result = analyze_recording(recording_of(simulated))
    line = result.signals.lines[1]
    assert (line.sensor, line.role) == ("vr", "cam")
    falling = sorted(deg for deg, kind in pattern if kind == "falling")
    edges = result.engine.cams[0].edges
    assert len(edges) == len(falling)
    # angles count from slot 1 (84 degrees before TDC here): the distances between the teeth are what is known
    seen = sorted(e.angle_deg for e in edges)
    apart = np.diff([*seen, seen[0] + 720.0])
    wanted = np.diff([*falling, falling[0] + 720.0])
    turned = [np.abs(np.roll(apart, k) - wanted).max() for k in range(len(wanted))]
    assert min(turned) < 2.0
    assert all(e.sd_deg < 1.0 and e.present > 0.9 for e in edges)


def test_it_is_read_from_rest_to_idle() -> None:
    result = analyze_recording(recording_of(made(PATTERNS["two unequal"], running=True)))
    assert result.signals.lines[1].sensor == "vr"
    assert len(result.engine.cams[0].edges) == 2
    assert not [f for f in result.findings.found if f.stated]


def kind_of(value: np.ndarray, unit: str = "V") -> str:
    class Source:
        def read(self, index: int, start: int, stop: int) -> np.ndarray:
            return codes[start:stop]

    scale = float(np.abs(value).max()) / 2000.0
    codes = np.rint(value / scale).astype(np.int16)
    info = ChannelInfo("input", 1, "sampled", len(codes), RATE, 0.0, scale, 0.0, unit)
    recording = Recording("made", (info,), Source(), len(codes) / RATE, (), "npz")  # type: ignore[arg-type]
    return extract(recording, Setup()).lines[0].sensor


def waves(at_s: np.ndarray, height: np.ndarray, half_s: float = 2e-3) -> np.ndarray:
    t = np.arange(int(3.0 * RATE)) / RATE
    out = 0.004 * np.random.default_rng(1).standard_normal(t.size)
    for when, peak in zip(at_s, height, strict=True):
        x = (t - when) / half_s
        out -= peak * x * np.exp(0.5 - 0.5 * x * x)
    return out


def test_waves_at_random_times_or_in_another_unit_are_none() -> None:
    pattern = 0.1 + np.cumsum(np.tile([0.05, 0.11, 0.2], 7))
    assert kind_of(waves(pattern, np.ones(pattern.size))) == "vr"
    assert kind_of(waves(pattern, np.ones(pattern.size)), "bar") == "analog"
    chance = np.sort(np.random.default_rng(4).uniform(0.1, 2.9, 24))
    assert kind_of(waves(chance, np.ones(chance.size))) == "analog"


def test_waves_that_do_not_grow_with_speed_are_none() -> None:
    # a pick-up's waves are as high as it is fast (published: e = -N dPhi/dt)
    gap = np.repeat([0.24, 0.15, 0.095, 0.06], [4, 5, 5, 6])
    at = 0.1 + np.concatenate([[0.0], np.cumsum(gap)])
    speed = 0.24 / np.append(gap[0], gap)
    assert kind_of(waves(at, 0.25 * speed)) == "vr"
    assert kind_of(waves(at, np.full(at.size, 0.5))) == "analog"
