"""Single teeth: accused where they stand out turn after turn, and nowhere else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.findings.made import Scene, kinds, ramp, results, steady, the
from witnessmark.findings.measured import Measured
from witnessmark.findings.statistics import clopper_pearson, log10_bf_one_tooth
from witnessmark.wheel import layouts

ALL = range(31)


def test_a_sound_wheel_is_not_accused_and_the_bound_is_exact() -> None:
    found = Scene(turns=20).found()
    assert kinds(found, stated=False) == []
    # published method (exact binomial): zero of n turns leaves 1 - 0.05^(1/n); 20 turns: 13.9 %
    assert any("13.9 %" in b and "20 turns" in b for b in found.bounds)


@pytest.mark.parametrize("tooth", [5, 22, 40])
@pytest.mark.parametrize("sensor", ["hall", "vr"])
def test_an_absent_tooth_is_named_by_its_slot(tooth: int, sensor: str) -> None:
    found = Scene(sensor=sensor, missing=[(tooth, t) for t in ALL]).found()
    f = the(found, "tooth-absent")
    assert (f.slot, f.lock, f.stated) == (tooth + 1, "wheel", True)
    assert kinds(found, stated=False) == ["tooth-absent"]
    assert f.statement.startswith(f"Slot {tooth + 1} gave no edge in 31 of 31 turns at 200 rpm")
    assert (f.evidence["missed"], f.evidence["passages"], f.evidence["elsewhere_missed"]) == (31, 31, 0)
    assert f.evidence["log10_bayes_factor"] == pytest.approx(log10_bf_one_tooth(31, 31, 0, 58))
    assert (f.evidence["missed_low_95"], f.evidence["missed_high_95"]) == clopper_pearson(31, 31)


def test_the_ranges_are_the_turns_concerned() -> None:
    scene = Scene(missing=[(22, t) for t in (3, 4, 5, 11, 12)])
    f = the(scene.found(), "tooth-weak")
    assert [r.turn for r in f.ranges] == [3, 4, 5, 11, 12]
    for r in f.ranges:
        due = 0.2 + (r.turn * 360.0 + 22 * 6.0) / 1200.0
        assert r.start_s < due < r.end_s
        assert r.end_s - r.start_s < 0.05  # six pitches of 5 ms, not the turn and not the record
        assert (r.start_sample, r.stop_sample) == (int(np.floor(r.start_s * 1e5)), int(np.ceil(r.end_s * 1e5)))


def test_many_turns_are_shown_by_forty_ranges_over_the_whole_record() -> None:
    f = the(Scene(turns=400, missing=[(22, t) for t in range(400)]).found(), "tooth-absent")
    turns = [r.turn for r in f.ranges]
    assert len(turns) == 40
    assert turns[0] == 0
    assert turns[-1] == 399
    assert turns == sorted(turns)


@pytest.mark.parametrize(("tooth", "twin"), [(0, 58), (57, 1)])
def test_a_tooth_beside_the_gap_names_both_slots(tooth: int, twin: int) -> None:
    f = the(Scene(missing=[(tooth, t) for t in ALL]).found(), "tooth-absent")
    assert f.slot == tooth + 1
    assert f.evidence["or_slot"] == twin
    assert f"slot {twin} gone would leave the same pattern" in f.statement


def test_on_a_wheel_with_three_unlike_gaps_the_tooth_beside_one_is_unique() -> None:
    layout = next(x for x in layouts.catalogue() if x.name == "36-2-2-2")
    f = the(Scene(layout=layout, missing=[(0, t) for t in ALL]).found(), "tooth-absent")
    assert "or_slot" not in f.evidence


def test_one_missing_tooth_among_two_equal_gaps_may_be_either() -> None:
    # 36-1 that lost slot 26 shows runs of 25 and 9 teeth, as does 36-1 that lost slot 10
    f = the(Scene(layout=layouts.single_gap(36, 1), missing=[(25, t) for t in ALL]).found(), "tooth-absent")
    assert (f.slot, f.evidence["or_slot"]) == (26, 10)


def test_two_bad_teeth_are_both_named() -> None:
    found = Scene(missing=[(i, t) for i in (11, 40) for t in ALL], source="setup").found()
    assert sorted(f.slot for f in found.found if f.kind == "tooth-absent") == [12, 41]


def test_two_misses_of_one_tooth_in_forty_turns_prove_nothing() -> None:
    # oracle of the method: 2 of 40 with none elsewhere gives a Bayes factor of 10^0.24
    found = Scene(turns=40, missing=[(22, 7), (22, 30)]).found()
    assert not [f for f in found.found if f.kind.startswith("tooth")]


def test_three_misses_of_one_tooth_in_forty_turns_do() -> None:
    found = Scene(turns=40, missing=[(22, 7), (22, 19), (22, 30)]).found()
    assert the(found, "tooth-weak").slot == 23


def test_misses_all_over_the_wheel_accuse_no_tooth() -> None:
    rng = np.random.default_rng(3)
    pairs = {(int(rng.integers(58)), int(rng.integers(2, 60))) for _ in range(60)}
    found = Scene(turns=60, missing=pairs).found()
    assert not [k for k in kinds(found, stated=False) if k.startswith("tooth")]
    assert the(found, "edges-dropped").lock == "none"


def test_a_stub_left_in_the_line_is_weak_not_absent() -> None:
    found = Scene(missing=[(22, t) for t in ALL], residual=0.4).found()
    f = the(found, "tooth-weak")
    assert f.slot == 23
    assert "40 % of a neighbour's pulse is left" in f.statement


def test_a_tooth_lost_only_when_slow_says_below_which_speed() -> None:
    turns = 40
    found = Scene(turns=turns, when=ramp(150.0, 800.0, turns), missing=[(22, t) for t in range(12)]).found()
    f = the(found, "tooth-weak")
    assert f.slot == 23
    assert f.lock == "wheel"
    assert 320.0 < f.evidence["missed_below_rpm"] < 345.0  # turn 11 of 40 on the way from 150 to 800
    assert "none of them above" in f.statement


@pytest.mark.parametrize("left", [0.15, 0.4, 0.6])
def test_a_small_pulse_is_weak_even_if_never_lost(left: float) -> None:
    found = Scene(size={22: left}).found()
    f = the(found, "tooth-weak")
    assert f.slot == 23
    assert f.stated
    assert f.value == pytest.approx(left, abs=0.01)
    assert f.evidence["unseen_by_nominal_unit"] == (31 if 0.5 * left < 0.12 else 0)


def test_a_smooth_swing_or_bump_of_the_pulses_accuses_no_tooth() -> None:
    # a variable-reluctance wheel in order shows +30 % over about 15 teeth on an open recording
    bump = {i: 1.0 + 0.3 * np.exp(-0.5 * ((i - 30) / 4.0) ** 2) for i in range(58)}
    swing = {i: 1.0 + 0.25 * np.cos(np.radians(6.0 * i)) for i in range(58)}
    for size in (bump, swing, {i: 1.0 / v for i, v in bump.items()}):
        found = Scene(size=size).found()
        assert kinds(found) == []
        assert not [k for k in kinds(found, stated=False) if k.startswith("tooth")]


def test_teeth_beside_the_gap_need_not_be_alike() -> None:
    # simulated sound wheels at slow cranking show 0.61 of the pulse on the other side of the gap
    assert kinds(Scene(size={0: 2.0, 57: 1.2}).found(), stated=False) == []
    assert the(Scene(size={0: 0.4, 57: 1.5}).found(), "tooth-weak").slot == 1


@pytest.mark.parametrize("error", [1.5, -0.8, 0.5])
@pytest.mark.parametrize("sensor", ["hall", "vr"])
def test_a_displaced_tooth_is_named_with_its_error(error: float, sensor: str) -> None:
    found = Scene(sensor=sensor, when=steady(800.0), late_deg={22: error}).found()
    f = the(found, "tooth-displaced")
    assert f.slot == 23
    assert f.stated
    assert f.value == pytest.approx(error, abs=0.1)
    assert ("late" if error > 0 else "early") in f.statement
    assert kinds(found, stated=False) == ["tooth-displaced"]


def test_teeth_beside_the_gap_are_expected_off_on_reluctance_lines() -> None:
    # an open recording of a sound 60-2 shows +0.54 and -0.47 degrees there
    assert kinds(Scene(when=steady(800.0), late_deg={0: 0.54, 57: -0.47}).found(), stated=False) == []


def test_a_pattern_of_compression_is_no_displaced_tooth() -> None:
    ripple = {i: 0.8 * np.cos(np.radians(4.0 * 30.0 * i)) for i in range(11)}
    found = Scene(layout=layouts.single_gap(12, 1), sensor="hall", late_deg=ripple).found()
    assert "tooth-displaced" not in kinds(found, stated=False)


def test_teeth_a_compression_apart_that_are_late_alike_are_not_accused_while_cranking() -> None:
    # a sharp slow point every half turn, as four cylinders make it
    layout = layouts.even(24)
    alike = Scene(layout=layout, sensor="hall", late_deg={5: 2.0, 17: 1.5}).found()
    alone = Scene(layout=layout, sensor="hall", late_deg={5: 2.0}).found()
    assert "tooth-displaced" not in kinds(alike)
    assert the(alone, "tooth-displaced").slot == 6


def test_teeth_decoded_out_of_order_are_not_judged() -> None:
    made = Scene(sensor="hall", when=steady(800.0), late_deg={22: 1.5}).made()
    turn = made.wheel.passes.turn.copy()
    turn[made.wheel.passes.tooth == 0] -= 1
    wheel = replace(made.wheel, passes=replace(made.wheel.passes, turn=turn))
    found = results(replace(made, wheel=wheel))
    assert "tooth-displaced" not in kinds(found, stated=False)
    assert any("do not follow each other in order" in n.reason for n in found.not_assessed)


def test_late_every_second_turn_only_is_no_displaced_tooth() -> None:
    found = Scene(sensor="hall", late_deg={22: lambda turn: 4.0 * (turn % 2)}).found()
    assert "tooth-displaced" not in kinds(found, stated=False)


def test_absent_with_a_stray_edge_beside_is_one_displaced_tooth() -> None:
    found = Scene(
        missing=[(22, t) for t in ALL], stray=[(t * 360.0 + 22 * 6.0 + 2.4, 1.0) for t in ALL], sensor="hall"
    ).found()
    f = the(found, "tooth-displaced")
    assert f.slot == 23
    assert f.value == pytest.approx(2.4, abs=0.01)
    assert kinds(found, stated=False) == ["tooth-displaced"]


@pytest.mark.parametrize("sensor", ["hall", "vr"])
def test_an_edge_too_many_at_one_angle_is_an_extra_tooth(sensor: str) -> None:
    found = Scene(sensor=sensor, stray=[(t * 360.0 + 105.0, 0.6) for t in ALL]).found()
    f = the(found, "tooth-extra")
    assert f.stated
    assert f.slot == 18
    assert f.value == pytest.approx(105.0, abs=0.1)
    assert kinds(found, stated=False) == ["tooth-extra"]


def test_noise_in_the_gap_of_a_reluctance_line_is_no_extra_tooth() -> None:
    found = Scene(stray=[(t * 360.0 + 350.0, 0.15) for t in ALL]).found()
    assert "tooth-extra" not in kinds(found)


def test_three_places_on_a_wheel_nobody_named_put_the_wheel_in_doubt() -> None:
    gone = [(i, t) for i in (5, 20, 40) for t in ALL]
    doubted = Scene(missing=gone).found()
    assert all(not f.stated and "in doubt" in f.statement for f in doubted.found if f.kind == "tooth-absent")
    named = layouts.single_gap(60, 2)
    named = type(named)(**{k: getattr(named, k) for k in named.__slots__} | {"source": "setup"})
    assert kinds(Scene(layout=named, missing=gone, source="setup").found()).count("tooth-absent") == 3


@pytest.mark.parametrize(("slots", "tooth", "stated"), [(6, 2, False), (6, 1, True), (12, 5, True)])
def test_vanes_that_are_left_symmetric_are_meant_so(slots: int, tooth: int, stated: bool) -> None:
    """Six slots less one and the one opposite: four vanes 60 and 120 degrees apart are made like that."""
    gone = [(tooth, t) for t in ALL]
    found = Scene(layout=layouts.single_gap(slots, 1), missing=gone).found()
    assert the(found, "tooth-absent").stated is stated
    assert ("meant so" in the(found, "tooth-absent").statement) is not stated


def _valley(
    scene: Scene, between: tuple[int, int], inside: float, outside: tuple[float, float] = (1.0, 1.0)
) -> Measured:
    """The half waves between two teeth made smaller, those on their outer sides by their own factor."""
    m = scene.made()
    assert m.line is not None
    e, p = m.line.edges, m.wheel.passes
    before, after = e.peak_before_v.copy(), e.peak_after_v.copy()
    first, second = (p.edge[(p.tooth == t) & (p.edge >= 0)] for t in between)
    after[first], before[second] = after[first] * inside, before[second] * inside
    before[first], after[second] = before[first] * outside[0], after[second] * outside[1]
    edges = replace(e, peak_before_v=before, peak_after_v=after)
    return replace(m, signals=replace(m.signals, lines=(replace(m.line, edges=edges), *m.signals.lines[1:])))


def test_metal_in_a_valley_is_told_by_its_half_waves_and_by_both_crossings() -> None:
    scene = Scene(late_deg={20: 0.3, 21: -0.3})
    found = results(_valley(scene, (20, 21), 0.5))
    f = the(found, "tooth-extra")
    assert f.stated
    assert f.slot == 21
    assert f.statement.startswith("Between slots 21 and 22 the half waves are")
    assert f.evidence["valley_share"] == pytest.approx(0.5 * 5.4 / 6.0, abs=0.01)  # half, in a valley a tenth narrower
    assert f.value == pytest.approx(20 * 6.0 + 3.0)
    assert kinds(found, stated=False) == ["tooth-extra"]


@pytest.mark.parametrize(
    ("late", "inside", "outside"),
    [
        ({20: 0.3, 21: -0.3}, 0.9, (1.0, 1.0)),  # no more than a sound wheel's unevenness
        ({20: 0.9}, 0.6, (1.7, 1.1)),  # a bent tooth: what one valley loses the other gains
        ({}, 0.5, (1.0, 1.0)),  # both crossings in their places: no flux was added
        ({20: -0.3, 21: 0.3}, 0.5, (1.0, 1.0)),  # drawn apart
    ],
)
def test_other_small_half_waves_are_no_metal_in_a_valley(
    late: dict[int, float], inside: float, outside: tuple[float, float]
) -> None:
    found = results(_valley(Scene(late_deg=late), (20, 21), inside, outside))
    assert "tooth-extra" not in kinds(found, stated=False)


def test_one_strong_edge_half_way_between_two_slots_is_a_filled_valley() -> None:
    scene = Scene(missing=[(22, t) for t in ALL], late_deg={23: -2.7}, size={23: 2.0}, residual=0.6)
    found = scene.found()
    f = the(found, "tooth-extra")
    assert f.slot == 23
    assert f.value == pytest.approx(22 * 6.0 + 3.3, abs=0.1)
    assert kinds(found) == ["tooth-extra"]


@pytest.mark.parametrize(("late", "size"), [(-2.7, 0.9), (-0.6, 2.0), (2.7, 2.0)])
def test_a_tooth_gone_beside_another_is_no_filled_valley(late: float, size: float) -> None:
    scene = Scene(missing=[(22, t) for t in ALL], late_deg={23: late}, size={23: size})
    assert "tooth-extra" not in kinds(scene.found(), stated=False)
