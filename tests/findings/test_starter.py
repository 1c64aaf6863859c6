"""Battery, cable or starter from volts and amperes of one attempt."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from made import Scene
from test_findings_end_to_end import found_in

from witnessmark.engine.model import Attempt
from witnessmark.findings.starter import path_mohm, points_to, source_mohm
from witnessmark.recording.setup import CrankWheel, Setup

SETUP = Setup(crank_wheel=CrankWheel(slots=60, missing=(59, 60)))


def attempt(
    rest: float | None, cranking: float | None, lowest: float | None, amps: float | None, inrush: float | None
) -> Attempt:
    base = Attempt(0.5, 3.0, 4.0, False, 90.0, None)
    return replace(
        base,
        battery_rest_v=rest,
        battery_cranking_v=cranking,
        battery_min_v=lowest,
        starter_current_a=amps,
        inrush_a=inrush,
    )


def test_resistances_by_ohms_law() -> None:
    # worked: (12.6 - 11.1) V / 250 A = 6 milliohm; 9 V / 500 A = 18 milliohm
    a = attempt(12.6, 11.1, 9.0, 250.0, 500.0)
    assert source_mohm(a) == pytest.approx(6.0)
    assert path_mohm(a) == pytest.approx(18.0)


@pytest.mark.parametrize(("values", "where"), [
    ((12.6, 8.6, 6.5, 280.0, 440.0), "battery"),  # 14 milliohm inside
    ((11.4, 10.4, 8.9, 220.0, 500.0), "battery"),  # empty before it begins
    ((12.6, 11.9, 11.0, 130.0, 250.0), "cable or ground"),  # 44 milliohm on the way
    ((12.6, 10.0, 9.1, 480.0, 600.0), "starter or engine drags"),
    ((12.6, 11.5, 9.8, 180.0, 530.0), "cable, ground or starter"),
    ((None, 10.0, 9.1, None, None), ""),
    ((12.6, None, None, None, None), ""),
])  # fmt: skip
def test_where_the_lines_point_to(values: tuple[Any, ...], where: str) -> None:
    assert points_to(Scene().made(), attempt(*values)) == where


@pytest.mark.parametrize(("cause", "where"), [("battery", "battery"), ("friction", "starter or engine drags")])
def test_a_simulated_slow_crank_says_where(cause: str, where: str) -> None:
    found = found_in(
        SETUP, seed=3, channel=({"role": "crank"}, {"role": "battery"}, {"role": "starter-current"}),
        running={"may_start": False}, control={"withhold_spark": True, "withhold_fuel": True},
        fault=({"kind": "cranking-slow", "cause": cause, "rpm": 60.0},),
    )  # fmt: skip
    slow = [f for f in found.found if f.kind in ("cranking-slow", "battery-low") and f.stated]
    assert slow
    assert {f.evidence["points_to"] for f in slow} == {where}
