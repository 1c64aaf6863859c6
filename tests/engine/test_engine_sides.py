"""A tooth gone beside the gap: decided by described cams, left open without them, on simulated cranking."""

from __future__ import annotations

import sys
from functools import lru_cache
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from accuracy.memory import recording_of
from accuracy.score import setup_of
from witnessmark.engine.model import Cam, CamEdge
from witnessmark.engine.sides import DECIDED, _judged, _log_fit
from witnessmark.pipeline import analyze_recording
from witnessmark.recording.setup import CamWheel, Setup
from witnessmark.simulate.run import Simulated, simulate
from witnessmark.simulate.scenario import parse_scenario


@lru_cache(maxsize=4)
def cranked(layout: str, slot: int, sensor: str = "hall") -> Simulated:
    return simulate(
        parse_scenario(
            {
                "seed": 5,
                "duration_s": 1.9,
                "cranking": {"key_on_s": 0.1, "attempts": [{"start_s": 0.3, "end_s": 1.8}]},
                "wheel": {"layout": layout, "tdc_slot": 12.0},
                "sensor": {"kind": sensor},
                "control": {"withhold_spark": True, "withhold_fuel": True},
                "sampling": {"rate_hz": 50000.0},
                "channel": [{"role": "crank"}, {"role": "cam"}],
                "fault": [{"kind": "tooth-absent", "slots": [slot]}],
            }
        )
    )


@pytest.mark.parametrize(("layout", "slot", "twin"), [("60-2", 58, 1), ("60-2", 1, 58), ("36-1", 35, 1)])
def test_described_cams_tell_the_side(layout: str, slot: int, twin: int) -> None:
    made = cranked(layout, slot)
    analysis = analyze_recording(recording_of(made), setup_of(made))
    side = analysis.engine.side
    assert side is not None
    assert side.gone == slot
    assert {side.slot, side.other} == {slot, twin}
    accused = [f for f in analysis.findings.found if f.stated and f.kind == "tooth-absent"]
    assert [f.slot for f in accused] == [slot]
    assert "or_slot" not in accused[0].evidence
    assert accused[0].evidence["not_slot"] == twin
    assert analysis.wheel.undecidable == ""
    gone = next(t for t in analysis.wheel.teeth if t.slot == slot)
    assert gone.seen == 0
    # the whole reading follows: angles after TDC are those of the simulated cam again
    assert abs(analysis.engine.cams[0].offset_deg) < 1.5


def test_without_a_described_cam_it_stays_open_and_says_what_would_tell() -> None:
    made = cranked("60-2", 1)
    told = setup_of(made)
    no_tdc = told.model_copy(update={"crank_wheel": told.crank_wheel.model_copy(update={"tdc_slot": None})})
    no_cam = told.model_copy(update={"cam_wheel": ()})
    for setup, word in ((no_tdc, "TDC"), (no_cam, "cams"), (Setup(), "cams")):
        analysis = analyze_recording(recording_of(made), setup)
        side = analysis.engine.side
        assert side is not None
        assert side.gone is None
        assert word in side.because
        accused = next(f for f in analysis.findings.found if f.kind == "tooth-absent")
        assert {accused.slot, accused.evidence["or_slot"]} == {1, 58}
        assert "beside the gap" in analysis.wheel.undecidable
        questions = [n for n in analysis.findings.not_assessed if "58" in n.question]
        assert "tdc_slot" in questions[0].needs


def cam_off_by(offset_deg: float, tolerance_deg: float = 6.0) -> tuple[Cam, CamWheel]:
    places = ((40.0, "rising"), (220.0, "falling"), (310.0, "rising"), (400.0, "falling"))
    edges = tuple(CamEdge(a + offset_deg, 0.3, kind, 1.0) for a, kind in places)
    return Cam("cam", 1, "intake", edges, None, 4), CamWheel(
        channel="cam", edges_deg=places, tolerance_deg=tolerance_deg
    )


@pytest.mark.parametrize(
    ("off", "gone"),
    [(0.0, 58), (6.0, 1), (3.0, None), (2.5, None), (21.0, None)],
    ids=["in place", "a pitch off", "half way", "nearly half way", "a drive tooth off"],
)
def test_half_way_or_out_of_time_decides_nothing(off: float, gone: int | None) -> None:
    side = _judged(58, 1, -6.0, [cam_off_by(off)])
    assert side.gone == gone


def test_a_wide_tolerance_decides_less() -> None:
    narrow, wide = (_judged(58, 1, -6.0, [cam_off_by(0.5, t)]).probability for t in (3.0, 12.0))
    assert narrow > DECIDED > wide > 0.5
    assert _log_fit(0.0, 2.0) > _log_fit(4.0, 2.0) > _log_fit(8.0, 2.0)


def test_two_cams_on_one_drive_count_once() -> None:
    one = _judged(58, 1, -6.0, [cam_off_by(0.5)]).probability
    two = _judged(58, 1, -6.0, [cam_off_by(0.5), cam_off_by(0.5)]).probability
    assert two == pytest.approx(one)
