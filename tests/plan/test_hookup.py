"""A hookup's first seconds against the plan, on simulated records with one thing hooked up wrongly."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from witnessmark.pipeline import analyze_recording
from witnessmark.plan.hookup import DO, check
from witnessmark.plan.make import plan_for, told_by
from witnessmark.plan.model import Checked, Hookup
from witnessmark.plan.plan_json import hookup_json
from witnessmark.plan.terminal import hookup_summary
from witnessmark.recording.open import open_recording
from witnessmark.recording.setup import Setup
from witnessmark.recording.write import write_recording
from witnessmark.simulate.run import simulate
from witnessmark.simulate.scenario import parse_scenario

LINES = [
    {"role": "crank", "name": "crank"}, {"role": "cam", "name": "cam"}, {"role": "battery", "name": "battery"},
    {"role": "starter-current", "name": "starter"},
]  # fmt: skip


@cache
def hooked(
    folder: Path, sensor: str, faults: str = "[]", scale: str = "{}", rate: float = 50e3, test: str = ""
) -> Hookup:
    """The first seconds as recorded, checked against the plan."""
    scenario: dict[str, Any] = {
        "seed": 5, "duration_s": 2.2, "cranking": {"attempts": [{"start_s": 0.4, "end_s": 9.0}]},
        "running": {"may_start": False}, "sensor": {"kind": sensor}, "sampling": {"rate_hz": rate},
        "channel": LINES, "fault": json.loads(faults),
    }  # fmt: skip
    made = simulate(parse_scenario(scenario))
    times: dict[str, float] = json.loads(scale)
    path = folder / f"{abs(hash((sensor, faults, scale, rate)))}.npz"
    write_recording(
        path, {n: v for n, v in made.channels.items() if times.get(n) != 0.0}, rate,
        units={n: u for n, u in made.units.items() if times.get(n) != 0.0},
        gains={n: g * times.get(n, 1.0) for n, (g, _) in made.gains.items() if times.get(n) != 0.0},
        offsets={n: o * times.get(n, 1.0) for n, (_, o) in made.gains.items() if times.get(n) != 0.0},
    )  # fmt: skip
    told = {k: v for k, v in made.setup.items() if k in ("engine", "crank_wheel")}
    told["channel"] = [c for c in made.setup["channel"] if times.get(c["name"]) != 0.0]
    setup = Setup.model_validate_json(json.dumps(told))
    analysis = analyze_recording(open_recording(path, setup), setup)
    return check(plan_for(test or "relative-compression", told_by(setup), with_pictures=False), analysis)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("hookup")


def line(hookup: Hookup, role: str) -> Checked:
    return next(c for c in hookup.lines if c.role == role)


@pytest.mark.parametrize("sensor", ["hall", "vr"])
def test_a_good_hookup_passes(folder: Path, sensor: str) -> None:
    hookup = hooked(folder, sensor)
    assert hookup.turning
    assert hookup.ok, hookup_summary(hookup)
    assert all(c.ok for c in hookup.lines)
    assert "as they should be" in hookup_summary(hookup)
    assert "Caution   Turning engine" in hookup_summary(hookup)
    assert hookup_json(hookup)["ok"]


WRONG = [
    ("cam", "dead", {"faults": '[{"kind": "cam-dead"}]'}),
    ("cam", "missing", {"scale": '{"cam": 0}'}),
    ("starter-current", "wrong-polarity", {"scale": '{"starter": -1}'}),
    ("starter-current", "wrong-ratio", {"scale": '{"starter": 0.01}'}),
    ("battery", "wrong-ratio", {"scale": '{"battery": 0.1}'}),
    ("crank", "wrong-ratio", {"scale": '{"crank": 10}'}),
]


@pytest.mark.parametrize(("role", "problem", "how"), WRONG, ids=[f"{r} {p}" for r, p, _ in WRONG])
def test_one_thing_wrong_is_named_and_nothing_else(folder: Path, role: str, problem: str, how: dict[str, str]) -> None:
    hookup = hooked(folder, "hall", **how)
    assert {c.role: c.problem for c in hookup.lines if c.problem is not None} == {role: problem}
    one = line(hookup, role)
    assert one.ok is False
    assert one.do == DO[problem]  # type: ignore[index]
    text = hookup_summary(hookup)
    assert "Wrong" in text
    assert max(map(len, text.splitlines())) <= 100


def test_leads_the_wrong_way_round(folder: Path) -> None:
    hookup = hooked(folder, "vr", scale='{"crank": -1}')
    assert line(hookup, "crank").problem == "wrong-polarity"


def test_too_slow_for_the_question(folder: Path) -> None:
    hookup = hooked(folder, "vr", rate=20e3, test="amplitude-by-slot")
    assert line(hookup, "crank").problem == "too-slow"
    assert "degrees a sample" in line(hookup, "crank").statement


def test_before_anything_turns_only_what_rests_is_told(folder: Path) -> None:
    made = simulate(parse_scenario({
        "seed": 2, "duration_s": 1.0, "cranking": {"attempts": [{"start_s": 50.0, "end_s": 60.0}]}, "channel": LINES,
        "sensor": {"kind": "hall"}, "sampling": {"rate_hz": 50e3},
    }))  # fmt: skip
    path = folder / "still.npz"
    gains, offsets = {n: g for n, (g, _) in made.gains.items()}, {n: o for n, (_, o) in made.gains.items()}
    write_recording(path, made.channels, made.rate_hz, units=made.units, gains=gains, offsets=offsets)
    setup = Setup.model_validate_json(json.dumps({"channel": made.setup["channel"]}))
    analysis = analyze_recording(open_recording(path, setup), setup)
    hookup = check(plan_for("relative-compression", told_by(setup), with_pictures=False), analysis)
    assert not hookup.turning
    assert hookup.ok
    assert line(hookup, "crank").ok is None
    assert line(hookup, "battery").ok is True
    assert "told when the engine turns" in hookup_summary(hookup)
