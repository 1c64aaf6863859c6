"""Which turn fires, and where TDC lies, from setup, cam and coil; segments with turns of their own."""

from dataclasses import replace

import numpy as np
import pytest
from engine_bench import CAM, LAYOUT, TDC_DEG, Bench

from witnessmark.engine.examine import examine
from witnessmark.engine.model import EngineResult
from witnessmark.engine.phase import slot_angle_deg
from witnessmark.engine.unroll import after_tdc_deg, cycle_deg, unroll
from witnessmark.recording.setup import Setup
from witnessmark.wheel.model import Layout

CRANKING = [(0.0, 200.0), (9.0, 200.0)]


def setup(ignition: str = "coil-per-cylinder", tdc: bool = True, cam: bool = True, strokes: int = 4) -> Setup:
    wheel = {"slots": 60, "missing": (59, 60)} | ({"tdc_slot": 9.0} if tdc else {})
    data: dict[str, object] = {
        "engine": {"cylinders": 4, "firing_order": (1, 3, 4, 2), "ignition": ignition, "strokes": strokes},
        "crank_wheel": wheel,
    }
    if cam:
        data["cam_wheel"] = ({"channel": "cam", "bank": 1, "camshaft": "intake", "edges_deg": CAM},)
    return Setup.model_validate(data)


def truth_gap(bench: Bench, result: EngineResult, wheel: object) -> np.ndarray:
    """Difference between the angle given and the true one, over times in the decoded part, folded to +-180 or +-360."""
    t = np.concatenate([np.linspace(s.start_s + 0.01, s.end_s - 0.01, 50) for s in wheel.angle.segments])  # type: ignore[attr-defined]
    given = cycle_deg(wheel.angle, result.phase, t)  # type: ignore[attr-defined]
    period = 720.0 if result.phase.turn_known else 360.0
    true = np.interp(t, bench.time_s, bench.theta_deg)
    return (given - true + period / 2) % period - period / 2


@pytest.mark.parametrize("start_deg", [10.0, 100.0, 370.0, 700.0])
def test_the_cam_tells_the_turn(start_deg: float) -> None:
    bench = Bench.at_speed(CRANKING, start_deg).cam(sd=0.5)
    wheel = bench.wheel([(0, 9)])
    result = examine(bench.signals(), wheel, setup(), bench.recording())
    assert result.phase.turn_known
    assert (result.phase.tdc_source, result.phase.turn_source) == ("setup", "cam")
    assert np.abs(truth_gap(bench, result, wheel)).max() < 0.1


@pytest.mark.parametrize("late_deg", [-38.0, -15.0, 12.0, 40.0])
def test_a_cam_out_of_time_still_tells_the_turn_and_its_offset(late_deg: float) -> None:
    bench = Bench.at_speed(CRANKING, 300.0).cam(late_deg=late_deg, sd=0.5)
    wheel = bench.wheel([(0, 9)])
    result = examine(bench.signals(), wheel, setup(), bench.recording())
    assert np.abs(truth_gap(bench, result, wheel)).max() < 0.1
    assert result.cams[0].offset_deg == pytest.approx(late_deg, abs=0.6)


@pytest.mark.parametrize("start_deg", [10.0, 370.0])
def test_a_coil_that_fires_once_per_cycle_tells_the_turn(start_deg: float) -> None:
    bench = Bench.at_speed(CRANKING, start_deg)
    bench.sparks(bench.angles(-8.0)[1:])
    wheel = bench.wheel([(0, 9)])
    result = examine(bench.signals(), wheel, setup(cam=False), bench.recording())
    assert (result.phase.tdc_source, result.phase.turn_source) == ("setup", "coil")
    assert np.abs(truth_gap(bench, result, wheel)).max() < 0.1


def test_wasted_spark_does_not_tell_the_turn() -> None:
    bench = Bench.at_speed(CRANKING)
    bench.sparks(bench.angles(-8.0, 360.0)[1:])
    wheel = bench.wheel([(0, 9)])
    for ignition in ("wasted-spark", "coil-per-cylinder"):
        result = examine(bench.signals(), wheel, setup(ignition, cam=False), bench.recording())
        assert result.phase.known
        assert not result.phase.turn_known
        assert np.abs(truth_gap(bench, result, wheel)).max() < 0.1  # the TDC itself is known


def test_without_setup_a_coil_of_cylinder_one_gives_an_inferred_tdc_of_low_certainty() -> None:
    bench = Bench.at_speed(CRANKING)
    bench.sparks(bench.angles(-8.0)[1:])
    wheel = bench.wheel([(0, 9)])
    result = examine(bench.signals(), wheel, Setup(), bench.recording())
    assert result.phase.tdc_source == "coil"
    assert result.phase.certainty < 0.5
    assert "common practice" in result.phase.reference
    assert result.phase.tdc_doubt_deg is not None
    assert np.abs(truth_gap(bench, result, wheel)).max() <= result.phase.tdc_doubt_deg


def test_without_setup_and_cylinder_nothing_is_guessed() -> None:
    bench = Bench.at_speed(CRANKING).cam()
    bench.sparks(bench.angles(-8.0)[1:], cylinder=None)
    result = examine(bench.signals(), bench.wheel([(0, 9)]), Setup(), bench.recording())
    assert not result.phase.known
    assert result.phase.tdc_deg is None
    assert all(e.end_deg is None or 0 <= e.end_deg < 360 for e in result.outputs[0].events)
    # from slot 1: 8 degrees before the TDC that stands at 48
    assert result.outputs[0].events[1].end_deg == pytest.approx(TDC_DEG - 8.0, abs=0.05)


def test_cam_edges_of_the_setup_give_the_tdc_where_no_slot_is_named() -> None:
    bench = Bench.at_speed(CRANKING, 250.0).cam(sd=0.5)
    wheel = bench.wheel([(0, 9)])
    result = examine(bench.signals(), wheel, setup(tdc=False), bench.recording())
    assert result.phase.tdc_source == "cam"
    assert np.abs(truth_gap(bench, result, wheel)).max() < 1.0
    assert result.cams[0].offset_deg is None  # a TDC taken from the cam cannot judge the cam


def test_half_moon_cam_tells_the_turn() -> None:
    moon = ((90.0, "rising"), (450.0, "falling"))
    bench = Bench.at_speed(CRANKING, 500.0).cam(edges=moon)
    wheel = bench.wheel([(0, 9)])
    said = setup().model_copy(update={"cam_wheel": (setup().cam_wheel[0].model_copy(update={"edges_deg": moon}),)})
    result = examine(bench.signals(), wheel, said, bench.recording())
    assert result.phase.turn_known
    assert np.abs(truth_gap(bench, result, wheel)).max() < 0.1


def test_a_cam_that_repeats_every_turn_does_not_tell_it() -> None:
    even = ((90.0, "rising"), (180.0, "falling"), (450.0, "rising"), (540.0, "falling"))
    bench = Bench.at_speed(CRANKING, 500.0).cam(edges=even)
    said = setup().model_copy(update={"cam_wheel": (setup().cam_wheel[0].model_copy(update={"edges_deg": even}),)})
    result = examine(bench.signals(), bench.wheel([(0, 9)]), said, bench.recording())
    assert result.phase.known
    assert not result.phase.turn_known


@pytest.mark.parametrize("lost", [(3.0, 3.2), (3.0, 4.2), (3.0, 5.1), (3.0, 5.37)])
def test_each_segment_gets_its_own_turn(lost: tuple[float, float]) -> None:
    bench = Bench.at_speed(CRANKING, 40.0).cam(sd=0.5)
    wheel = bench.wheel([(0, 9)], lost=[lost])
    assert len(wheel.angle.segments) == 2
    result = examine(bench.signals(), wheel, setup(), bench.recording())
    assert np.abs(truth_gap(bench, result, wheel)).max() < 0.1
    assert result.cams[0].edges[0].sd_deg < 1.5


@pytest.mark.parametrize("stop_turns", [0.3, 0.8, 1.4])
def test_attempts_with_a_stop_between_are_put_on_one_cycle(stop_turns: float) -> None:
    # the crank is moved on by hand while nothing is decoded
    move = stop_turns * 60.0 / 0.5  # rpm over half a second
    profile = [
        (0, 200),
        (3, 200),
        (3.01, 0),
        (4, 0),
        (4.01, move),
        (4.51, move),
        (4.52, 0),
        (5, 0),
        (5.01, 200),
        (9, 200),
    ]
    bench = Bench.at_speed(profile, 40.0).cam(sd=0.5)
    wheel = bench.wheel([(0, 3.0), (5.02, 9)])
    result = examine(bench.signals(), wheel, setup(), bench.recording())
    assert np.abs(truth_gap(bench, result, wheel)).max() < 0.1


def test_a_segment_that_nothing_places_is_left_open() -> None:
    profile = [(0, 200), (4, 200), (4.01, 0), (6, 0), (6.01, 200), (9, 200)]
    bench = Bench.at_speed(profile, 40.0)
    bench.sparks(bench.angles(-8.0)[1:4])  # sparks in the first attempt only
    wheel = bench.wheel([(0, 4.0), (6.0, 9)])
    result = examine(bench.signals(), wheel, setup(cam=False), bench.recording())
    assert result.phase.turn_known
    assert result.phase.per_segment_turn[1] == -1
    assert np.isnan(cycle_deg(wheel.angle, result.phase, 8.0))
    # the TDC itself is still known there
    assert np.isfinite(after_tdc_deg(wheel.angle, result.phase, 8.0))


def test_a_stretch_that_is_decoded_wrongly_is_put_in_no_turn() -> None:
    bench = Bench.at_speed(CRANKING, 40.0).cam(sd=0.5)
    wheel = bench.wheel([(0, 9)], lost=[(1.0, 4.0)])
    first = wheel.angle.segments[0]
    angle = wheel.angle.angle_deg.copy()
    angle[: first.stop] += 138.0
    wheel = replace(wheel, angle=replace(wheel.angle, angle_deg=angle))
    result = examine(bench.signals(), wheel, setup(), bench.recording())
    assert result.phase.per_segment_turn[0] == -1
    assert np.isnan(cycle_deg(wheel.angle, result.phase, 0.5))
    assert [e.present for e in result.cams[0].edges] == [1.0] * 4


def test_two_stroke_has_one_turn() -> None:
    bench = Bench.at_speed(CRANKING, 40.0)
    bench.sparks(bench.angles(-8.0, 360.0)[1:])
    wheel = bench.wheel([(0, 9)])
    result = examine(bench.signals(), wheel, setup(cam=False, strokes=2), bench.recording())
    assert result.phase.known
    assert "two-stroke" in result.phase.reference
    assert np.abs(truth_gap(bench, result, wheel)).max() < 0.1


def test_a_setup_of_another_wheel_gives_no_tdc() -> None:
    bench = Bench.at_speed(CRANKING, 40.0)
    said = Setup.model_validate({"crank_wheel": {"slots": 36, "missing": (36,), "tdc_slot": 9.0}})
    result = examine(bench.signals(), bench.wheel([(0, 9)]), said, bench.recording())
    assert not result.phase.known
    assert "36" in result.phase.reference


def test_slot_positions_on_even_and_unequal_wheels() -> None:
    assert slot_angle_deg(LAYOUT, 9.0) == pytest.approx(48.0)
    assert slot_angle_deg(LAYOUT, 9.5) == pytest.approx(51.0)
    four = Layout("four", 4, (), (0.0, 70.0, 180.0, 250.0), (1, 2, 3, 4), regular=False)
    assert [slot_angle_deg(four, s) for s in (1, 2, 2.5, 4, 4.5)] == pytest.approx([0, 70, 125, 250, 305])


def test_short_losses_are_bridged_and_long_ones_are_not() -> None:
    bench = Bench.at_speed(CRANKING, 40.0)
    for end, bridged in ((3.1, True), (3.4, True), (5.5, False)):
        wheel = bench.wheel([(0, 9)], lost=[(3.0, end)])
        whole = unroll(wheel.angle, wheel.motions)
        assert (whole.chain == (0, 0)) is bridged
        if bridged:
            a, _ = whole.at([2.0, 7.0])
            assert a[1] - a[0] == pytest.approx(5 * 1200.0, abs=0.1)


def test_a_standstill_is_never_bridged() -> None:
    bench = Bench.at_speed([(0, 200), (3, 200), (3.01, 0), (3.1, 0), (3.11, 200), (6, 200)])
    wheel = bench.wheel([(0, 3.0), (3.11, 6)])
    assert unroll(wheel.angle, wheel.motions).chain == (0, 1)
