"""Valve timing by the pressure in a cylinder against the setup's: the drive told without a cam line, nothing in order
accused.

Simulated truth: every record comes from the project's own simulator, whose valves follow its cams.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from tests.findings.made import Scene, line_of, results
from tests.findings.test_pressures import RUNNING, analysed, made, stated
from witnessmark.compare.judge import _by_valves
from witnessmark.engine.model import CylinderResult
from witnessmark.engine.pressure_model import CylinderPressure, ValveEvent
from witnessmark.findings.limits import default_limits
from witnessmark.findings.model import Findings
from witnessmark.findings.valves import in_teeth, shaft_late
from witnessmark.learn.lesson import _valves
from witnessmark.recording.setup import Engine, Setup
from witnessmark.report.model import Analysis

WELL = {"exhaust_opens_deg": 130.0, "intake_closes_deg": 590.0}


def seen(
    opens: float | None, closes: float | None, said: dict[str, Any] = WELL, rpm: float = 220.0, cycles: int = 6,
    spread: float = 1.0, rel: float | None = None, **more: Any,
) -> Findings:  # fmt: skip
    """What is said of valve events made up, degrees after firing TDC; rel: that cylinder's compression by the crank."""
    p = CylinderPressure(
        "p1", 1, True, cycles, 0, 0, tdc_deg=84.0, tdc_sd_deg=0.4, rpm=rpm,
        exhaust_opens=None if opens is None else ValveEvent(opens, spread, cycles),
        intake_closes=None if closes is None else ValveEvent(closes, spread, cycles),
    )  # fmt: skip
    scene = Scene(lines=(line_of("p1", "cylinder-pressure"),), setup=Setup(engine=Engine(cylinders=4, **said, **more)))
    m = scene.made()
    each = (1, 2, 3, 4) if rel is not None else ()
    by_speed = (("crank speed", 1.0, 0.02),)
    rows = tuple(
        CylinderResult(c, 180.0 * (c - 1), rel if c == 1 else 1.0, 0.02, cycles=8, sources=by_speed) for c in each
    )
    return results(replace(m, engine=replace(m.engine, pressures=(p,), cylinder_results=rows)))


def valve(found: Findings) -> Any:
    return next((f for f in found.found if f.kind == "cam-offset"), None)


def test_a_tooth_of_the_crank_sprocket_in_degrees() -> None:
    """One tooth is 360/z crank degrees (derived): 20 of 18 teeth, 18 of 20, 15 of 24."""
    for z, deg in ((18, 20.0), (20, 18.0), (24, 15.0)):
        assert f"1 of a {z}-tooth sprocket" in in_teeth(deg)
    assert in_teeth(4.0) == ""


@pytest.mark.parametrize("deg", [-20.0, -15.0, 15.0, 18.0, 20.0, 40.0])
def test_both_events_off_alike_are_the_drive(deg: float) -> None:
    f = valve(seen(130.0 + deg, -130.0 + deg))
    assert f.confidence >= 0.5
    assert f.evidence["both_shafts"] == 1
    assert f.value == pytest.approx(deg)
    assert ("late" if deg > 0 else "early") in f.statement


@pytest.mark.parametrize("deg", [-8.0, -5.0, 0.0, 5.0, 8.0])
def test_events_within_what_a_drawing_leaves_open_are_not_accused(deg: float) -> None:
    """Known twin: plus or minus 5 degrees (common practice)."""
    found = seen(130.0 + deg, -130.0 - deg)
    assert valve(found) is None
    assert any("work within" in b for b in found.bounds)


def test_a_scatter_beyond_the_tolerance_needs_more_than_the_tolerance() -> None:
    assert valve(seen(143.0, -117.0, spread=1.0)).confidence >= 0.5
    found = valve(seen(143.0, -117.0, spread=6.0))
    assert found is None or found.confidence < 0.5


def test_without_the_drawn_timing_a_number_only() -> None:
    found = seen(150.0, -110.0, {})
    assert valve(found) is None
    (asked,) = [n for n in found.not_assessed if "valves" in n.question]
    assert "30 degrees before bottom dead centre" in asked.reason
    assert "not judged, the drawn timing is not told" in asked.reason


def test_a_late_intake_alone_is_a_hint_until_the_charge_is_known_to_be_whole() -> None:
    alone = seen(131.0, -108.0)
    assert valve(alone).confidence < 0.5
    assert "lost charge" in valve(alone).statement
    assert valve(seen(131.0, -108.0, rel=0.7)).confidence < 0.5
    assert valve(seen(131.0, -108.0, rel=0.99)).confidence >= 0.5


def test_events_off_in_opposite_ways_are_no_drive() -> None:
    found = seen(160.0, -160.0)
    assert valve(found) is None
    assert any("unlike amounts" in n.reason for n in found.not_assessed)


@pytest.mark.parametrize(("more", "why"), [({"rpm": 800.0}, "phaser"), ({"cycles": 1}, "enough cycles")])
def test_what_is_not_judged_says_why(more: dict[str, Any], why: str) -> None:
    found = seen(150.0, -110.0, **more)
    assert valve(found) is None
    assert any(why in n.reason for n in found.not_assessed if "valves" in n.question)


# --- whole records ----------------------------------------------------------------------------------------------------


def jumped(teeth: int, z: int = 18, **more: Any) -> Analysis:
    return analysed(made(fault=[{"kind": "cam-jumped", "teeth": teeth, "sprocket_teeth": z}], **more))[0]


@pytest.mark.parametrize(
    ("teeth", "z"),
    [(1, 18), pytest.param(-1, 18, marks=pytest.mark.slow), pytest.param(1, 24, marks=pytest.mark.slow),
     pytest.param(-1, 24, marks=pytest.mark.slow), pytest.param(2, 20, marks=pytest.mark.slow),
     pytest.param(-2, 20, marks=pytest.mark.slow), pytest.param(3, 18, marks=pytest.mark.slow)],
)  # fmt: skip
def test_a_jumped_drive_is_told_without_a_cam_line(teeth: int, z: int) -> None:
    got = jumped(teeth, z)
    found = valve(got.findings)
    assert found.confidence >= 0.5
    assert np.sign(found.value) == np.sign(teeth)
    assert got.verdict.causes[0].id == "cam-timing"
    if abs(teeth) == 1 and found.evidence["both_shafts"]:
        assert found.value == pytest.approx(teeth * 360.0 / z, abs=5.0)


@pytest.mark.parametrize(
    "more",
    [
        pytest.param({}, id="12 bit"),
        pytest.param({"sampling": {"rate_hz": 20_000.0, "bits": 8}}, id="8 bit", marks=pytest.mark.slow),
        pytest.param({"sampling": {"rate_hz": 50_000.0, "noise_share": 0.01}}, id="noise", marks=pytest.mark.slow),
        pytest.param({"engine": {"valve_closed_deg": [-145.0, 150.0]}}, id="late", marks=pytest.mark.slow),
        pytest.param({"engine": {"valve_closed_deg": [-112.0, 115.0]}}, id="short", marks=pytest.mark.slow),
        pytest.param({"engine": {"compression_ratio": 12.5}}, id="high", marks=pytest.mark.slow),
        pytest.param(RUNNING, id="running", marks=pytest.mark.slow),
        pytest.param({"fault": [{"kind": "wheel-moved", "deg": 15.0}]}, id="wheel moved", marks=pytest.mark.slow),
        pytest.param({"fault": [{"kind": "compression-low", "cylinder": 1, "share": 0.6}]}, id="weak"),
        pytest.param(
            {"fault": [{"kind": "compression-low", "cylinder": 1, "share": 0.6, "how": "leak"}]}, id="leak",
            marks=pytest.mark.slow,
        ),
    ],
)  # fmt: skip
def test_valves_in_time_are_not_accused(more: dict[str, Any]) -> None:
    got, _ = analysed(made(**more))
    assert "cam-offset" not in stated(got)
    assert got.verdict.causes[0].id not in ("cam-timing", "cam-phaser")


@pytest.mark.slow
def test_a_good_engine_teaches_its_timing_and_a_repair_is_seen() -> None:
    good, _ = analysed(made())
    taught = {v.key: v.value for v in _valves(good)}
    assert taught["exhaust_opens_deg"] == pytest.approx(130.0, abs=3.0)
    assert taught["intake_closes_deg"] == pytest.approx(590.0, abs=4.0)
    Engine(**taught)  # what is taught is a setup
    bad = jumped(1)
    assert not _valves(bad)
    result = _by_valves(valve(bad.findings), good)
    assert (result.verdict, abs(result.value_after or 9.0) < 5.0) == ("gone", True)


def test_an_event_answers_for_the_cam_line_of_its_shaft_and_bank() -> None:
    p = CylinderPressure(
        "p1", 1, True, 6, 0, 0, tdc_deg=84.0, tdc_sd_deg=0.4, rpm=220.0, exhaust_opens=ValveEvent(150.0, 1.0, 6),
        intake_closes=ValveEvent(-129.0, 1.0, 6),
    )  # fmt: skip
    setup = Setup(engine=Engine(cylinders=4, banks={"1": (1, 2), "2": (3, 4)}, **WELL))
    engine = replace(Scene().made().engine, pressures=(p,))
    ask = (engine, setup, default_limits())
    exhaust, intake = shaft_late(*ask, 1, "exhaust"), shaft_late(*ask, 1, "intake")
    assert exhaust is not None
    assert intake is not None
    assert (exhaust.late_deg, intake.late_deg) == (20.0, pytest.approx(1.0))
    assert shaft_late(*ask, 2, "exhaust") is None
