"""Plans: rates and turns by worked numbers, lines that an engine has, simulated pictures that look as they should."""

from __future__ import annotations

import json
from itertools import product

import pytest

from witnessmark import pipeline
from witnessmark.causes.catalogue import load_knowledge
from witnessmark.causes.model import Share
from witnessmark.errors import BadObservation
from witnessmark.plan import amounts
from witnessmark.plan.catalogue import load_plan_knowledge
from witnessmark.plan.document import compose, plan_html
from witnessmark.plan.make import Told, plan_for, told_by
from witnessmark.plan.plan_json import plan_json
from witnessmark.plan.terminal import summary
from witnessmark.recording.setup import Setup


def setup_of(tables: dict[str, object]) -> Setup:
    """A setup from plain data."""
    return Setup.model_validate_json(json.dumps(tables))


KNOWN, PLANS = load_knowledge(), load_plan_knowledge()
RECORDED = [c.test for c in PLANS.capture]
VAN = setup_of({
    "engine": {"cylinders": 4, "strokes": 4},
    "crank_wheel": {"slots": 60, "missing": [59, 60], "tdc_slot": 22.0},
    "channel": [{"name": "a", "role": "crank", "sensor": "vr"}],
})  # fmt: skip
ENGINES = {
    "four-stroke": VAN,
    "two-stroke": setup_of({"engine": {"cylinders": 2, "strokes": 2}}),
    "compression ignition": setup_of({"engine": {"cylinders": 4, "ignition": "compression"}}),
    "motor-cranked": setup_of({"engine": {"cylinders": 3, "cranked_by": "motor"}}),
}


# --- amounts ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rpm", "rate_hz", "degrees"), [(250.0, 100e3, 0.015), (3000.0, 1e6, 0.018), (3000.0, 20e3, 0.9)]
)
def test_degrees_a_sample(rpm: float, rate_hz: float, degrees: float) -> None:
    # Derived worked numbers: angle per sample = 6 rpm / rate.
    assert amounts.deg_per_sample(rate_hz, rpm) == pytest.approx(degrees)
    assert amounts.rate_for(degrees, rpm) == pytest.approx(amounts.rounded_up(rate_hz))


@pytest.mark.parametrize(
    ("value", "up"), [(1.0, 1.0), (1.005, 1.0), (1.1, 2.0), (2.1, 5.0), (51e3, 100e3), (48e3, 50e3)]
)
def test_rates_are_rounded_up_to_one_two_five(value: float, up: float) -> None:
    assert amounts.rounded_up(value) == pytest.approx(up)


def test_turns_by_how_often_the_fault_shows() -> None:
    # Derived: 59 turns show a fault of 5 % at least once with 95 %.
    assert amounts.turns_for(20, 0.05) == 59
    assert amounts.turns_for(100, 0.05) == 100
    assert amounts.turns_for(20, None) == amounts.turns_for(20, 1.0) == 20
    assert amounts.attempts_for(59 * 60 / 200, 1) == 2  # 17.7 s of cranking, ten seconds an attempt at most
    plan = plan_for("both-ends-of-the-line", Told(VAN, shows_per_turn=0.01), with_pictures=False)
    assert plan.turns == 299
    assert "showed in 1 % of the turns" in plan.why_turns
    assert plan.turning_s / plan.attempts <= amounts.ATTEMPT_S


# --- lines ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("test", "engine"), list(product(RECORDED, ENGINES)))
def test_every_capture_gives_a_plan_for_every_engine(test: str, engine: str) -> None:
    setup = ENGINES[engine]
    plan = plan_for(test, told_by(setup), with_pictures=False)
    roles = {line.role for line in plan.lines}
    assert roles
    assert plan.cautions
    assert all("licensed practice" in c for c in plan.cautions)
    assert plan.rate_hz >= max(line.rate_hz for line in plan.lines)
    assert plan.deg_per_sample == pytest.approx(6.0 * plan.up_to_rpm / plan.rate_hz)
    assert all(line.low < line.high and line.pick_up and line.lead for line in plan.lines)
    if setup.engine.strokes == 2:
        assert "cam" not in roles
    if setup.engine.ignition == "compression":
        assert "coil" not in roles
    if setup.engine.cranked_by == "motor":
        assert "starter-current" not in roles
    assert max(len(line) for line in summary(plan).splitlines()) <= 100
    json.dumps(plan_json(plan), allow_nan=False)


@pytest.mark.parametrize("test", RECORDED)
def test_every_capture_warns_of_what_the_engine_does_meanwhile(test: str) -> None:
    """In the catalogue, in every wording of it, and in the plan: a turning engine, and its battery or its exhaust."""
    capture = PLANS.capture_of(test)
    assert capture is not None
    needed = {"rotation", "battery" if capture.state == "cranking" else "exhaust"}
    row = next(t for t in KNOWN.test if t.id == test)
    assert needed <= set(row.cautions)
    assert all(needed <= set(w.cautions) for w in row.wording if w.cautions is not None)
    bare = row.model_copy(update={"cautions": []})
    knowledge = KNOWN.model_copy(update={"test": [bare if t is row else t for t in KNOWN.test]})
    plan = plan_for(test, told_by(VAN), with_pictures=False, knowledge=knowledge)
    assert {KNOWN.caution_text(c) for c in needed} <= set(plan.cautions)


def test_a_plan_uses_the_setup_that_a_store_keeps(tmp_path, monkeypatch) -> None:
    setup = tmp_path / "setup.toml"
    setup.write_text('[engine]\nignition = "compression"\n')
    monkeypatch.setattr(pipeline, "kept_setup", lambda path: str(setup))
    monkeypatch.setattr(pipeline, "analyze", lambda path, setup_path: None)
    plan = pipeline.plan_for(tmp_path / "store", None, "record-more-lines")
    assert any("compression ignition has no coil" in t for t in plan.left_out)
    assert not any(line.role == "coil" for line in plan.lines)


def test_tests_that_touch_a_line_are_planned_and_others_say_so() -> None:
    for test in KNOWN.test:
        plan = plan_for(test.id, told_by(VAN), with_pictures=False)
        assert bool(plan.lines) == (test.id in RECORDED)
        if not plan.lines:
            assert "needs no recording" in " ".join(summary(plan).split())
        if "recorder" in test.equipment:
            assert test.id in RECORDED, test.id
    with pytest.raises(BadObservation, match="no test of the catalogue"):
        plan_for("nothing", told_by(VAN))


def test_a_two_wire_sensor_is_never_grounded_and_gets_room_for_its_swing() -> None:
    slow = plan_for("crank-slowly-with-plugs-out", told_by(VAN), with_pictures=False)
    fast = plan_for("amplitude-by-slot", told_by(VAN), with_pictures=False)
    crank = next(line for line in slow.lines if line.role == "crank")
    assert "ground neither" in crank.pick_up
    assert crank.low == -crank.high
    assert next(line for line in fast.lines if line.role == "crank").high > crank.high


# --- pictures ---------------------------------------------------------------------------------------------------------


def test_every_cause_has_a_picture_or_a_reason() -> None:
    causes = {c.id for c in KNOWN.cause} - {"none-of-these"}
    for sensor in ("hall", "vr"):
        without = {c for c in causes if PLANS.picture_of(c, sensor) is None}
        assert without <= {"sensor-polarity"}, sensor  # a two-level sensor has no steep crossing to turn round


def test_the_healthy_picture_shows_the_wheel_and_the_cam() -> None:
    told = Told(VAN, "vr", "hall", 4, {"slots": 60, "missing": [59, 60], "tdc_slot": 22.0}, (Share("cam-sensor", 0.6),))
    plan = plan_for("cam-with-crank", told)
    healthy, dead = plan.pictures
    assert healthy.cause is None
    strips = {s.role: s for s in healthy.strips}
    assert strips["crank"].edges_per_turn == pytest.approx(58.0, abs=0.6)
    assert strips["cam"].edges_per_turn == pytest.approx(1.0, abs=0.3)
    assert dead.cause == "cam-sensor"
    assert next(s for s in dead.strips if s.role == "cam").edges_per_turn == 0.0
    assert 150.0 < (healthy.rpm or 0.0) < 400.0
    page = plan_html(plan)
    assert page.count("<svg") == 2
    assert page.count("simulated") >= 2
    assert "://" not in page.replace("http://www.w3.org", "")
    assert compose(plan).sections
    assert all(p["origin"] == "simulated" for p in plan_json(plan)["pictures"])


def test_the_pictures_differ_from_the_healthy_one() -> None:
    wheel = {"slots": 36, "missing": [36]}
    open_causes = (Share("cranking-system", 0.5), Share("trigger-wheel-tooth", 0.3), Share("sensor-air-gap", 0.1))
    told = Told(VAN, "hall", "hall", 4, wheel, open_causes, slot=7)
    plan = plan_for("voltage-while-cranking", told)
    healthy, slow, tooth, gap = plan.pictures
    assert (slow.rpm or 0.0) < 0.6 * (healthy.rpm or 0.0)
    edges = [next(s.edges_per_turn for s in p.strips if s.role == "crank") for p in (healthy, tooth)]
    assert edges[0] == pytest.approx(35.0, abs=0.6)
    assert edges[1] == pytest.approx(34.0, abs=0.6)
    assert gap.strips == ()
    assert gap.why_none


def test_what_is_assumed_is_said() -> None:
    plan = plan_for("cam-with-crank", told_by(Setup()), with_pictures=False)
    assert len(plan.assumed) == 3
    assert not plan_for("cam-with-crank", told_by(VAN), with_pictures=False).assumed


@pytest.mark.slow
@pytest.mark.parametrize("sensor", ["hall", "vr"])
def test_every_cause_shows_in_a_record_of_many_lines_or_says_why_not(sensor: str) -> None:
    causes = tuple(c.id for c in KNOWN.cause if c.id != "none-of-these")
    for n in range(0, len(causes), 3):
        told = Told(VAN, sensor, "hall", 4, None, tuple(Share(c, 0.1) for c in causes[n : n + 3]))  # type: ignore[arg-type]
        for expected in plan_for("record-more-lines", told).pictures:
            unseen = {"fuel-supply", "sensor-air-gap"} if sensor == "hall" else {"fuel-supply"}
            assert bool(expected.strips) == (expected.cause not in unseen), expected.cause


def test_lines_that_do_not_show_a_cause_say_so() -> None:
    told = Told(VAN, "hall", "hall", 4, None, (Share("cam-phaser", 0.5),))
    picture = plan_for("count-the-teeth", told).pictures[1]
    assert picture.strips == ()
    assert "do not show it" in picture.why_none
