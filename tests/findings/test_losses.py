"""Edges lost, silences and edges too many: how often, with what they repeat, and what is none of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from statsmodels.stats.proportion import proportion_confint

from tests.findings.made import Scene, kinds, line_of, ramp, results, steady, the
from witnessmark.engine.model import Attempt
from witnessmark.signals.model import Signals
from witnessmark.wheel import layouts

RNG = np.random.default_rng(11)


def _scattered(count: int, turns: int, first: int = 3) -> list[tuple[int, int]]:
    """Single misses, no two at one tooth or in one turn."""
    rng = np.random.default_rng(count)
    teeth = rng.permutation(np.arange(3, 55))[:count]
    when = rng.permutation(np.arange(first, turns - 1))[:count]
    return [(int(a), int(b)) for a, b in zip(teeth, when, strict=True)]


# --- dropouts ---------------------------------------------------------------------------------------------------------


def test_dropouts_come_with_the_exact_interval() -> None:
    f = the(Scene(turns=60, missing=_scattered(12, 60)).found(), "edges-dropped")
    n = f.evidence["passages"]
    # reference library: statsmodels, method "beta" is Clopper and Pearson
    low, high = proportion_confint(12, n, 0.05, "beta")
    assert (f.evidence["rate_low_95"], f.evidence["rate_high_95"]) == pytest.approx((low, high))
    assert f.stated
    assert f.lock == "none"
    assert f.evidence["slots"] == 12
    assert f.value == pytest.approx(12 / n)


def test_one_single_miss_is_a_hint() -> None:
    found = Scene(turns=60, missing=[(22, 30)]).found()
    assert kinds(found) == []
    assert the(found, "edges-dropped").confidence < 0.5


def test_nothing_lost_says_what_would_have_shown() -> None:
    found = Scene(turns=31).found()
    n = round(58 * 31 - 58 * 1.25) - 1
    text = next(b for b in found.bounds if b.startswith("No edge lost"))
    seen = int(text.split()[4])
    assert abs(seen - n) <= 4  # without the first turn and a quarter, where a count is not confirmed
    assert f"{100.0 * -np.expm1(np.log(0.05) / seen):.2f} %" in text


def test_dropouts_below_a_speed_are_locked_to_speed() -> None:
    rpm = np.where(np.arange(82) % 10 < 3, 150.0, 300.0)
    marks = np.concatenate([[0.0], np.cumsum(60.0 / rpm)])

    def when(angle: np.ndarray) -> np.ndarray:
        return np.interp(angle / 360.0, np.arange(83), marks)

    rng = np.random.default_rng(4)
    slow = [t for t in range(3, 78) if t % 10 < 3]
    pairs = [(int(i), t) for t, i in zip(slow, rng.permutation(np.arange(4, 54)), strict=False)]
    f = the(Scene(turns=80, when=when, missing=pairs).found(), "edges-dropped")
    assert f.lock == "speed"
    assert 140.0 < f.evidence["speed_rpm"] < 310.0
    assert "gather below" in f.statement


def test_dropouts_in_one_stretch_of_time_are_locked_to_time() -> None:
    teeth = np.random.default_rng(4).permutation(np.arange(4, 54))[:24]
    f = the(Scene(turns=80, missing=[(int(i), 30 + k // 4) for k, i in enumerate(teeth)]).found(), "edges-dropped")
    assert f.lock == "time"
    assert "one stretch of time" in f.statement


@pytest.mark.parametrize("seed", range(6))
def test_a_high_rate_at_random_keeps_to_nothing(seed: int) -> None:
    rng = np.random.default_rng(seed)
    pairs = [(int(i), int(t)) for i, t in zip(*np.nonzero(rng.random((58, 40)) < 0.06), strict=True)]
    f = the(Scene(turns=40, when=ramp(180.0, 320.0, 40), missing=pairs).found(), "edges-dropped")
    assert f.lock == "none"


def test_a_slow_interval_taken_for_two_is_no_lost_edge() -> None:
    # the pause at tooth 10 of turn 5 is 1.4 of the intervals beside it: a compression, not a tooth
    def when(angle: np.ndarray) -> np.ndarray:
        return np.asarray(angle / 1200.0 - 0.003 * (angle > 5 * 360 + 63.0))

    scene = Scene(turns=20, when=when, missing=[(10, 5)], layout=layouts.single_gap(60, 2))
    assert "edges-dropped" not in kinds(scene.found(), stated=False)


def test_a_pulse_that_is_in_the_line_but_unread_is_the_records_doing() -> None:
    found = Scene(turns=60, missing=_scattered(8, 60), residual=1.0).found()
    assert "edges-dropped" not in kinds(found, stated=False)
    assert any("8 pulses are there" in n.reason for n in found.not_assessed)


# --- silences ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("marked", [True, False])
def test_a_silence_while_turning_is_signal_lost(marked: bool) -> None:
    run = [(i, 9) for i in range(12, 32)]
    scene = Scene(lost=run) if marked else Scene(missing=run)
    f = the(scene.found(), "signal-lost")
    assert f.stated
    assert f.lock == "time"
    assert f.evidence["teeth_missing"] == 20
    start = 0.2 + (9 * 360 + 66.0) / 1200.0
    assert f.start_s == pytest.approx(start, abs=1e-3)
    assert f.value == pytest.approx(21 * 0.005, abs=1e-3)
    assert [r.turn for r in f.ranges] == [9]
    assert kinds(scene.found()) == ["signal-lost"]  # the same edges are not counted as dropouts again


def test_a_silence_that_ends_as_an_attempt_begins_is_rest() -> None:
    run = [(i, 9) for i in range(12, 32)]
    lost = the(Scene(lost=run).found(), "signal-lost")
    begins = Attempt(lost.end_s, 6.0, turns=10.0, started=False, cranking_rpm=200.0, turns_to_sync=None)
    assert "signal-lost" not in kinds(Scene(lost=run, attempts=(begins,)).found(), stated=False)


def test_several_teeth_broken_out_side_by_side_are_no_lost_signal() -> None:
    found = Scene(missing=[(i, t) for i in (20, 21, 22) for t in range(31)], source="setup").found()
    assert "signal-lost" not in kinds(found, stated=False)
    assert kinds(found, stated=False).count("tooth-absent") == 3


def test_runs_that_single_losses_make_by_chance_are_no_silence() -> None:
    rng = np.random.default_rng(5)
    pairs = [(int(i), int(t)) for i, t in zip(*np.nonzero(rng.random((58, 60)) < 0.03), strict=True)]
    found = Scene(turns=60, missing=pairs).found()
    assert kinds(found) == ["edges-dropped"]


def test_a_reluctance_line_cut_off_at_speed_is_lost_and_a_hall_line_may_be_switched_off() -> None:
    vr, hall = (Scene(sensor=s, when=steady(700.0), tail_s=0.4).found() for s in ("vr", "hall"))
    assert the(vr, "signal-lost").stated
    f = the(hall, "signal-lost")
    assert not f.stated
    assert "key turned off" in f.statement


def test_a_run_down_is_no_lost_signal() -> None:
    found = Scene(when=ramp(300.0, 35.0, 31), tail_s=2.0).found()
    assert "signal-lost" not in kinds(found, stated=False)


def test_a_dead_crank_line_under_a_turning_starter() -> None:
    made = Scene(turns=3, tail_s=4.0).made()
    line = replace(made.signals.lines[0], edges=line_of("crank", "crank").edges)
    starter = line_of("starter current", "starter-current", unit="A", sensor="analog")
    attempt = Attempt(1.0, 4.0, 0.0, False, None, None, seen_on="starter-current", cranking_end_s=4.0)
    dead = replace(
        made,
        signals=Signals((line, starter)),
        wheel=replace(made.wheel, layout=None, teeth=(), why_not="only 0 edges on the crank line"),
        engine=replace(made.engine, attempts=(attempt,)),
        recording=replace(made.recording, channels=(made.recording.channels[0], starter.info)),
    )
    found = results(dead)
    f = the(found, "signal-lost")
    assert f.stated
    assert f.evidence["whole_record"] is True
    assert "starter-current" in f.statement
    assert any(n.reason == "the crank line gives no edges" for n in found.not_assessed)


# --- edges too many ---------------------------------------------------------------------------------------------------


def test_stray_edges_at_random_are_spurious_and_follow_nothing() -> None:
    stray = [(float(a), 1.0) for a in RNG.uniform(600.0, 31 * 360.0 - 400.0, 25)]
    f = the(Scene(sensor="hall", stray=stray).found(), "edges-spurious")
    assert f.stated
    assert f.lock == "none"
    assert "no other line" in f.statement
    assert f.value == pytest.approx(25 / 29.65, rel=0.05)


def test_stray_edges_after_a_coil_are_locked_to_its_events() -> None:
    rng = np.random.default_rng(2)
    sparks = np.sort(rng.uniform(0.5, 8.5, 60))
    hit = sparks[::3] + 0.0004 + rng.normal(0.0, 2e-5, 20)
    stray = [(float((t - 0.2) * 1200.0), 1.0) for t in hit]
    f = the(Scene(sensor="hall", stray=stray, events={"coil 1": sparks}).found(), "edges-spurious")
    assert f.lock == "event"
    assert f.evidence["follows"] == "coil 1"
    assert f.evidence["lag_ms"] == pytest.approx(0.4, abs=0.1)
    assert "after the switching of coil 1" in f.statement


def test_one_stray_edge_is_a_hint_and_none_gives_a_bound() -> None:
    one = Scene(sensor="hall", stray=[(3700.0, 1.0)]).found()
    assert kinds(one) == []
    assert the(one, "edges-spurious").confidence < 0.5
    none = Scene(sensor="hall").found()
    assert any(b.startswith("No edge too many") for b in none.bounds)


def test_small_noise_on_a_reluctance_line_is_not_counted() -> None:
    stray = [(float(a), 0.05) for a in RNG.uniform(600.0, 31 * 360.0 - 400.0, 25)]
    assert "edges-spurious" not in kinds(Scene(stray=stray).found(), stated=False)
