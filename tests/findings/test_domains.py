"""Which domain a fault repeats with, on simulated truth."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate

from witnessmark.findings.domains import lock_posterior
from witnessmark.findings.statistics import log_marginal

TEETH = 58


def passages(turns: int, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.random.Generator]:
    """Tooth, turn, speed (two dips a turn, as an inline four has while cranking) and time of every passage."""
    rng = np.random.default_rng(seed)
    tooth = np.tile(np.arange(TEETH), turns)
    turn = np.repeat(np.arange(turns), TEETH)
    angle = tooth * 6.0
    speed = 200.0 + 60.0 * np.cos(np.deg2rad(2.0 * angle)) + rng.normal(0, 8, tooth.size)
    return tooth, turn, speed, np.cumsum(1.0 / speed), rng


def test_marginal_is_the_integral_over_the_rate() -> None:
    # Reference library: scipy.integrate of the binomial sequence against the beta density.
    value, _ = integrate.quad(lambda q: q**3 * (1 - q) ** 7 * 200 * (1 - q) ** 199, 0, 1)
    assert float(np.exp(log_marginal(3, 10, (1, 200)))) == pytest.approx(value)


@pytest.mark.parametrize("share", [1.0, 0.6, 0.3])
def test_one_bad_tooth_is_the_wheel(share: float) -> None:
    tooth, turn, speed, time, rng = passages(30, 1)
    failed = (tooth == 22) & (rng.random(tooth.size) < share)
    result = lock_posterior(failed, tooth, turn, speed, time)
    assert result.best == "wheel"
    assert result.probability["wheel"] > 0.95
    assert result.teeth == (22,)


def test_two_bad_teeth_are_both_named() -> None:
    tooth, turn, speed, time, rng = passages(30, 2)
    failed = np.isin(tooth, [10, 40]) & (rng.random(tooth.size) < 0.8)
    result = lock_posterior(failed, tooth, turn, speed, time)
    assert result.best == "wheel"
    assert set(result.teeth) == {10, 40}


def test_random_dropouts_are_no_tooth() -> None:
    for seed in range(20):
        tooth, turn, speed, time, rng = passages(60, seed)
        result = lock_posterior(rng.random(tooth.size) < 0.01, tooth, turn, speed, time)
        assert result.best == "none"
        assert result.probability["wheel"] < 0.2


def test_lost_at_the_slowest_points_is_speed_not_angle() -> None:
    tooth, turn, speed, time, rng = passages(40, 3)
    failed = (speed < 145) & (rng.random(tooth.size) < 0.3)
    result = lock_posterior(failed, tooth, turn, speed, time)
    assert result.best == "speed"
    assert result.speed_rpm is not None
    assert 125 < result.speed_rpm < 165


def test_one_bad_stretch_is_time() -> None:
    tooth, turn, speed, time, rng = passages(60, 4)
    failed = (turn >= 20) & (turn < 26) & (rng.random(tooth.size) < 0.1)
    assert lock_posterior(failed, tooth, turn, speed, time).best == "time"


def test_every_other_turn_is_the_cycle() -> None:
    tooth, turn, speed, time, _ = passages(40, 5)
    failed = (tooth == 30) & (turn % 2 == 1)
    assert lock_posterior(failed, tooth, turn, speed, time).best == "cycle"
    assert "cycle" not in lock_posterior(failed, tooth, None, speed, time).probability


def test_failures_beside_another_line_are_an_event() -> None:
    tooth, turn, speed, time, rng = passages(60, 6)
    near = rng.random(tooth.size) < 0.03
    failed = near & (rng.random(tooth.size) < 0.4)
    assert lock_posterior(failed, tooth, turn, speed, time, near).best == "event"


def test_a_long_loss_is_one_event() -> None:
    tooth, turn, speed, time, _ = passages(30, 7)
    failed = np.zeros(tooth.size, dtype=bool)
    failed[500:560] = True
    result = lock_posterior(failed, tooth, turn, speed, time)
    assert result.events == 1
    assert result.best == "none"  # one event repeats with nothing


def test_two_hits_prove_nothing() -> None:
    tooth, turn, speed, time, _ = passages(40, 8)
    failed = (tooth == 12) & np.isin(turn, [7, 30])
    assert lock_posterior(failed, tooth, turn, speed, time).probability["wheel"] < 0.75


def test_clean_turns_do_not_raise_the_belief_in_a_wheel_fault() -> None:
    beliefs = []
    for turns in (30, 60, 120):
        tooth, turn, speed, time, _ = passages(turns, 9)
        failed = (tooth == 12) & np.isin(turn, [3, 11, 20])
        beliefs.append(lock_posterior(failed, tooth, turn, speed, time).log10_bf["wheel"])
    assert beliefs == sorted(beliefs, reverse=True)


def test_nothing_failed_leaves_no_domain_proven() -> None:
    tooth, turn, speed, time, _ = passages(10, 10)
    result = lock_posterior(np.zeros(tooth.size, dtype=bool), tooth, turn, speed, time)
    assert result.events == 0
    assert result.best == "none"


def test_lengths_must_agree() -> None:
    with pytest.raises(ValueError, match="passages"):
        lock_posterior([True], [0, 1], [0], [1.0], [1.0])
