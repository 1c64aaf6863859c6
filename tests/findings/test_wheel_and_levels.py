"""Runout, design, polarity and size of the signal."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from tests.findings.made import Scene, gas_driven, kinds, results, steady, the
from witnessmark.engine.model import Attempt
from witnessmark.findings import runout
from witnessmark.findings.measured import Outcome
from witnessmark.findings.runout import Swing, log10_bayes
from witnessmark.recording.setup import CrankWheel, Setup
from witnessmark.signals.model import Levels
from witnessmark.wheel import layouts
from witnessmark.wheel.model import Runout

# --- runout -----------------------------------------------------------------------------------------------------------


def _once(amplitude: float, phase_deg: float) -> dict[int, Any]:
    return {i: float(amplitude * np.cos(np.radians(6.0 * i - phase_deg))) for i in range(58)}


@pytest.mark.parametrize("amplitude", [0.3, 0.7])
def test_runout_in_angle_is_found_when_running(amplitude: float) -> None:
    found = Scene(sensor="hall", turns=60, when=steady(800.0), late_deg=_once(amplitude, 130.0)).found()
    f = the(found, "wheel-runout")
    assert f.stated
    assert f.value == pytest.approx(amplitude, rel=0.08)
    assert f.evidence["latest_at_deg"] == pytest.approx(130.0, abs=5.0)
    assert kinds(found) == ["wheel-runout"]


def test_eccentricity_of_a_tenth_of_a_millimetre_is_in_order() -> None:
    # derived: e/r = 0.1 mm / 80 mm is 0.0716 degrees
    amplitude = float(np.degrees(0.1 / 80.0))
    assert amplitude == pytest.approx(0.0716, abs=5e-5)
    found = Scene(sensor="hall", turns=60, when=steady(800.0), late_deg=_once(amplitude, 10.0)).found()
    assert kinds(found, stated=False) == []
    assert any(b.startswith("Runout of the wheel") for b in found.bounds)


@pytest.mark.parametrize(
    ("out_mm", "radius_mm", "deg", "period_percent", "found"),
    [(0.1, 80.0, 0.0716, 0.125, False), (0.3, 150.0, 0.115, 0.2, False), (0.5, 80.0, 0.358, 0.625, True)],
)
def test_a_wheel_out_of_centre_shows_as_its_eccentricity_over_its_radius(
    out_mm: float, radius_mm: float, deg: float, period_percent: float, found: bool
) -> None:
    """Derived: the angle error is (e/r) sin, the error of a period e/r whatever the pitch (worked numbers)."""
    amplitude = float(np.degrees(out_mm / radius_mm))
    assert amplitude == pytest.approx(deg, abs=5e-4)
    assert 100.0 * np.radians(amplitude) == pytest.approx(period_percent)
    scene = Scene(sensor="hall", turns=60, when=steady(800.0), late_deg=_once(amplitude, 200.0))
    result = scene.found()
    assert ("wheel-runout" in kinds(result)) is found
    if found:
        assert the(result, "wheel-runout").value == pytest.approx(deg, rel=0.08)


def test_a_dead_cylinder_at_idle_is_no_runout() -> None:
    when = gas_driven([1.0, 0.0, 1.0, 1.0], rpm=800.0, fired=True)
    assert "wheel-runout" not in kinds(Scene(sensor="hall", turns=60, when=when).found())


UNLIKE = [1.0, 0.97, 1.03, 0.99]


def test_cylinders_not_quite_alike_while_cranking_are_no_runout() -> None:
    when = gas_driven(UNLIKE, rpm=240.0, fired=False)
    scene = Scene(sensor="hall", turns=16, when=when)
    plain = np.abs(_order_one(when))
    assert plain > 0.3  # this is what the gas does once per turn: more than a faulty wheel
    assert kinds(scene.found(), stated=False) == []


def test_runout_is_parted_from_unlike_cylinders_while_cranking() -> None:
    when = gas_driven(UNLIKE, rpm=240.0, fired=False)
    f = the(Scene(sensor="hall", turns=16, when=when, late_deg=_once(0.8, 40.0)).found(), "wheel-runout")
    assert f.stated
    assert f.value == pytest.approx(0.8, abs=3.0 * f.evidence["standard_error_deg"])
    assert f.evidence["standard_error_deg"] < 0.15
    assert f.evidence["gas_deg"] > 0.0


def _order_one(when: Any) -> complex:
    """Lateness once per turn in degrees, latest angle as its phase, against even speed."""
    angle = np.arange(3600.0, 7200.0, 6.0)
    time = when(angle)
    late = (time - np.polyval(np.polyfit(angle, time, 1), angle)) / np.polyfit(angle, time, 1)[0]
    return complex(2.0 * np.mean(late * np.exp(1j * np.radians(angle))))


def test_cranking_too_short_leaves_runout_in_angle_open() -> None:
    when = gas_driven(UNLIKE, rpm=240.0, fired=False)
    found = Scene(sensor="hall", turns=3, when=when).found()
    assert "wheel-runout" not in kinds(found, stated=False)
    assert any("run out" in n.question for n in found.not_assessed)


@pytest.mark.parametrize(("se_deg", "stated"), [(0.1, True), (0.42, False)])
def test_an_angle_error_known_that_badly_states_no_runout(se_deg: float, stated: bool) -> None:
    m = Scene(sensor="hall", turns=16, late_deg=_once(0.8, 40.0)).made()
    assert m.wheel.once is not None
    once = replace(m.wheel.once, amplitude_deg=1.8, se_deg=se_deg)
    out = runout.find(replace(m, wheel=replace(m.wheel, once=once)), Outcome())
    assert [f.stated for f in out.found] == [stated]


def test_pulses_that_swing_once_a_turn_are_runout_even_where_the_angle_is_in_order() -> None:
    size = {i: 1.0 + 0.45 * np.cos(np.radians(6.0 * i - 60.0)) for i in range(58)}
    f = the(Scene(size=size).found(), "wheel-runout")
    assert f.stated
    assert f.evidence["amplitude_swing"] == pytest.approx(0.45, abs=0.01)


def _odds(amplitude_deg: float, se_deg: float, swing: float, swing_at_deg: float) -> float:
    once = Runout(
        amplitude_deg, 0.0, se_deg, 20, 0.0, 4, 1.0, np.zeros(10, np.int64), np.zeros(10), np.zeros(58), np.zeros(58)
    )
    return log10_bayes(once, Swing(swing, swing_at_deg, 1.0, 0.03), 0.035, 0.15, 0.09)


def test_angle_and_pulse_size_support_each_other_only_a_quarter_turn_apart() -> None:
    # derived: with a centre moved by e towards angle a, the edge at t comes (e/r) cos(t - a + 90) late
    assert _odds(0.25, 0.06, 0.3, 90.0) > 1.5
    assert _odds(0.25, 0.06, 0.3, 90.0) > _odds(0.25, 0.06, 0.3, 0.0) + 1.0
    assert _odds(0.25, 0.06, 0.3, 90.0) > _odds(0.25, 0.06, 0.3, 270.0) + 1.0
    assert _odds(0.05, 0.04, 0.1, 90.0) < -0.5


# --- design -----------------------------------------------------------------------------------------------------------


def test_another_wheel_than_the_setups_is_unexpected() -> None:
    setup = Setup(crank_wheel=CrankWheel(slots=36, missing=(36,)))
    f = the(Scene(setup=setup).found(), "wheel-unexpected")
    assert f.stated
    assert "60-2" in f.statement
    assert "36 slots, 1 missing" in f.statement


def test_the_setups_wheel_is_not_unexpected() -> None:
    setup = Setup(crank_wheel=CrankWheel(slots=60, missing=(59, 60)))
    assert kinds(Scene(setup=setup).found(), stated=False) == []


@pytest.mark.parametrize(("filled", "stated"), [(True, False), (False, True)])
def test_a_tooth_gone_with_the_only_gap_filled_is_a_turn_counted_wrongly(filled: bool, stated: bool) -> None:
    wheel = layouts.single_gap(36, 1)
    gone = [(27, t) for t in range(31)]
    stray = [(360.0 * t + 350.0, 1.0) for t in range(30)] if filled else []
    found = Scene(layout=wheel, sensor="hall", missing=gone, stray=stray, source="setup").found()
    places = [f for f in found.found if f.kind.startswith("tooth")]
    assert places
    assert any(f.stated for f in places) == stated


def test_an_unexpected_wheel_that_is_damaged_too_is_doubted() -> None:
    setup = Setup(crank_wheel=CrankWheel(slots=36, missing=(36,)))
    gone = [(i, t) for i in (11, 40) for t in range(31)]
    found = Scene(setup=setup, missing=gone).found()
    assert kinds(found) == []
    assert "wheel-unexpected" in kinds(found, stated=False)
    assert "another one still" in the(found, "wheel-unexpected").statement


def test_two_turns_are_needed_before_another_wheel_is_stated_firmly() -> None:
    setup = Setup(crank_wheel=CrankWheel(slots=36, missing=(36,)))
    assert not the(Scene(setup=setup, turns=1).found(), "wheel-unexpected").stated


def test_without_a_wheel_in_the_setup_the_question_is_open() -> None:
    assert any("wheel this engine should have" in n.question for n in Scene().found().not_assessed)


def test_no_wheel_at_all_is_said_and_nothing_raised() -> None:
    made = Scene().made()
    found = results(replace(made, wheel=replace(made.wheel, layout=None, why_not="the edges follow no pattern")))
    assert any(n.reason == "the edges follow no pattern" for n in found.not_assessed)


# --- polarity ---------------------------------------------------------------------------------------------------------


def _reversed(**more: Any) -> Scene:
    told = {
        "polarity": "reversed",
        "polarity_reason": "rising crossings are 3.0 times as steep",
        "marking_rising": True,
    }
    return Scene(wheel_more={**told, "polarity_confidence": 0.95}, **more)


def _attempt(**more: Any) -> Attempt:
    return Attempt(0.2, 6.0, 20.0, True, 200.0, more.pop("turns_to_sync", None), cranking_end_s=5.0, **more)


@pytest.mark.parametrize(
    ("attempt", "stated", "words"),
    [
        (None, True, "no output line tells"),
        (_attempt(sparks=0), True, "no quick synchronisation"),
        (_attempt(sparks=12, turns_to_sync=1.5), False, "rather the probe is reversed"),
    ],
)
def test_reversed_polarity_is_weighed_with_what_the_outputs_show(
    attempt: Attempt | None, stated: bool, words: str
) -> None:
    f = the(_reversed(attempts=() if attempt is None else (attempt,)).found(), "polarity-reversed")
    assert f.stated is stated
    assert words in f.statement
    assert "exchanged probe" in f.statement


def test_polarity_that_cannot_be_told_is_not_assessed() -> None:
    found = Scene(wheel_more={"polarity": "unknown", "polarity_reason": "too few strong half waves"}).found()
    assert any("right way round" in n.question for n in found.not_assessed)


# --- size -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("peak_v", "stated"), [(0.03, True), (0.12, True), (0.35, False), (1.0, False)])
@pytest.mark.parametrize("rpm", [120.0, 800.0])
def test_reluctance_pulses_are_judged_at_one_speed(peak_v: float, stated: bool, rpm: float) -> None:
    # common practice: 0.3 V peak to peak and more while cranking
    found = Scene(peak_v=peak_v, when=steady(rpm)).found()
    assert ("signal-low" in kinds(found)) is stated
    if stated:
        assert the(found, "signal-low").value == pytest.approx(2 * peak_v, rel=0.02)


def test_all_teeth_small_alike_accuse_no_tooth() -> None:
    assert kinds(Scene(peak_v=0.05).found()) == ["signal-low"]


def test_a_recorders_counts_are_no_volts() -> None:
    counts = Levels(
        low=310.0, high=3900.0, zero=2100.0, noise=4.0, minimum=290.0, maximum=3920.0, clipped=0.0, moving=True
    )
    found = Scene(sensor="hall", levels=counts, info_more={"unit": ""}).found()
    assert "signal-low" not in kinds(found, stated=False)
    assert any("what its numbers are in volts" in n.reason for n in found.not_assessed)


def test_a_record_without_a_scale_says_nothing_about_size() -> None:
    found = Scene(peak_v=0.01, scale_known=False).found()
    assert "signal-low" not in kinds(found, stated=False)
    assert any("large enough" in n.question for n in found.not_assessed)


@pytest.mark.parametrize(
    ("low", "high", "stated"),
    [(0.1, 5.0, False), (0.1, 12.0, False), (0.1, 3.3, False), (0.1, 1.4, True), (1.3, 5.0, True), (0.3, 4.6, False)],
)
def test_levels_of_a_two_level_line(low: float, high: float, stated: bool) -> None:
    levels = Levels(low, high, 0.5 * (low + high), 0.01, low, high, 0.0, True)
    assert ("signal-low" in kinds(Scene(sensor="hall", levels=levels).found())) is stated
