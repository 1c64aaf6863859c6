"""Statistics of repetition against worked numbers and reference libraries."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats as sps
from statsmodels.stats.proportion import proportion_confint

from witnessmark.findings import statistics as s


# k of k failures at one unnamed tooth of m: m^-(k-1); worked numbers, derived (plain arithmetic).
@pytest.mark.parametrize(
    ("k", "m", "p"), [(3, 58, 2.97e-4), (6, 58, 1.52e-9), (12, 58, 4.0e-20), (12, 35, 1.04e-17), (1, 58, 1.0)]
)
def test_same_place_chance(k: int, m: int, p: float) -> None:
    assert s.same_place_chance(k, m) == pytest.approx(p, rel=5e-3)


def test_same_place_chance_is_the_multinomial_probability() -> None:
    # Reference library: scipy's multinomial, summed over the three places.
    total = sum(sps.multinomial.pmf(np.eye(3)[i] * 4, 4, [1 / 3] * 3) for i in range(3))
    assert s.same_place_chance(4, 3) == pytest.approx(total)


# Worked numbers, derived: 40 turns, 58 teeth, Beta(1,1) at the tooth, Beta(1,200) elsewhere.
@pytest.mark.parametrize(("hits", "elsewhere", "log10_bf"), [(3, 0, 2.061), (3, 5, 0.345), (2, 0, 0.240)])
def test_bayes_factor_of_one_tooth(hits: int, elsewhere: int, log10_bf: float) -> None:
    assert s.log10_bf_one_tooth(hits, 40, elsewhere, 58) == pytest.approx(log10_bf, abs=5e-4)


def test_bayes_factor_against_scipy_betabinom() -> None:
    # Reference library: scipy.stats.betabinom, its binomial coefficients taken out again.
    def sequence(k: int, n: int, a: float, b: float) -> float:
        return float(sps.betabinom.pmf(k, n, a, b)) / float(sps.binom.pmf(k, n, 0.5) / 0.5**n)

    for hits, turns, elsewhere, teeth in [(5, 12, 1, 10), (0, 9, 3, 5), (9, 9, 0, 4)]:
        one = sequence(hits, turns, 1, 1) * sequence(elsewhere, turns * (teeth - 1), 1, 200) / teeth
        everywhere = sequence(hits + elsewhere, turns * teeth, 1, 200)
        assert s.log10_bf_one_tooth(hits, turns, elsewhere, teeth) == pytest.approx(np.log10(one / everywhere))


@given(st.integers(3, 29), st.integers(0, 10))
def test_more_hits_at_the_tooth_never_speak_against_it(hits: int, elsewhere: int) -> None:
    assert s.log10_bf_one_tooth(hits + 1, 30, elsewhere, 58) > s.log10_bf_one_tooth(hits, 30, elsewhere, 58)


def test_clean_turns_lower_the_bayes_factor_of_an_intermittent() -> None:
    values = [s.log10_bf_one_tooth(3, n, 5, 58) for n in (10, 20, 40, 80)]
    assert values == sorted(values, reverse=True)


def test_bayes_factor_refuses_impossible_counts() -> None:
    with pytest.raises(ValueError, match="need 0 <= hits"):
        s.log10_bf_one_tooth(5, 4, 0, 58)


# Worked numbers, derived, of the approximation in Zar, Biostatistical Analysis (published).
@pytest.mark.parametrize(
    ("angles", "rbar", "z", "p"),
    [
        ([10, 20, 30, 40], 0.98106, 3.84992, 0.01010),
        ([100, 105, 110, 95, 102, 98, 300, 104], 0.75433, 4.55213, 0.00655),
        ([0, 90, 180, 270], 0.0, 0.0, 1.0),
    ],
)
def test_rayleigh(angles: list[float], rbar: float, z: float, p: float) -> None:
    r = s.rayleigh(angles)
    assert r.mean_resultant == pytest.approx(rbar, abs=5e-6)
    assert r.z == pytest.approx(z, abs=5e-5)
    assert r.p == pytest.approx(p, abs=5e-6)


def test_rayleigh_direction_and_length_against_scipy() -> None:
    # Reference library: scipy.stats circmean and directional_stats.
    angles = np.random.default_rng(3).vonmises(1.0, 2.0, 50)
    r = s.rayleigh(np.rad2deg(angles))
    assert np.deg2rad(r.direction_deg) == pytest.approx(float(sps.circmean(angles)))
    vectors = np.column_stack([np.cos(angles), np.sin(angles)])
    assert r.mean_resultant == pytest.approx(float(sps.directional_stats(vectors).mean_resultant_length))


def test_rayleigh_p_is_the_rate_of_false_alarms() -> None:
    # Simulated truth: uniform angles reach p < 0.05 in one of twenty trials.
    rng = np.random.default_rng(4)
    share = np.mean([s.rayleigh(rng.uniform(0, 360, 12)).p < 0.05 for _ in range(4000)])
    assert share == pytest.approx(0.05, abs=0.012)


def test_order_two_sees_the_clusters_order_one_is_blind_to() -> None:
    angles = np.concatenate([np.full(10, 40.0), np.full(10, 220.0)])
    assert s.rayleigh(angles).p > 0.9
    two = s.rayleigh(angles, order=2)
    assert two.p < 1e-6
    assert two.direction_deg == pytest.approx(40.0)


def test_rayleigh_needs_angles() -> None:
    with pytest.raises(ValueError, match="no angles"):
        s.rayleigh([])


# Zero of n turns, 95 %: worked numbers, derived.
@pytest.mark.parametrize(("n", "rate"), [(20, 0.139), (60, 0.0487), (100, 0.0295), (300, 0.0099), (0, 1.0)])
def test_upper_rate_of_none(n: int, rate: float) -> None:
    assert s.upper_rate_of_none(n) == pytest.approx(rate, abs=5e-4)


def test_chances_needed() -> None:
    assert s.chances_needed(0.05) == 59  # worked number, derived
    assert s.upper_rate_of_none(59) <= 0.05 < s.upper_rate_of_none(58)
    assert s.chances_needed(1.0) == 1
    with pytest.raises(ValueError, match="rate"):
        s.chances_needed(0.0)


@given(st.integers(0, 60), st.integers(1, 60), st.sampled_from([0.8, 0.95, 0.99]))
@settings(max_examples=60)
def test_clopper_pearson_against_statsmodels_and_scipy(hits: int, n: int, confidence: float) -> None:
    hits = min(hits, n)
    low, high = s.clopper_pearson(hits, n, confidence)
    reference = proportion_confint(hits, n, alpha=1 - confidence, method="beta")
    assert (low, high) == pytest.approx((np.nan_to_num(reference[0]), reference[1]), abs=1e-9)
    ci = sps.binomtest(hits, n).proportion_ci(confidence, method="exact")
    assert (low, high) == pytest.approx((ci.low, ci.high), abs=1e-9)


def test_information_is_the_g_statistic() -> None:
    # Reference library: scipy's log-likelihood ratio test, G = 2 n ln(2) I.
    rng = np.random.default_rng(5)
    bins = rng.integers(0, 6, 400)
    event = rng.random(400) < 0.1 + 0.05 * bins
    table = np.array(
        [[np.sum(event & (bins == b)) for b in range(6)], [np.sum(~event & (bins == b)) for b in range(6)]]
    )
    g = sps.chi2_contingency(table, correction=False, lambda_="log-likelihood").statistic
    result = s.dependence_within_strata(event, bins)
    assert result.information_bits == pytest.approx(g / (2 * 400 * np.log(2)))
    assert result.p < 0.01


def test_speed_passes_for_angle_unless_it_is_held() -> None:
    # Simulated truth: failures depend on speed only, and speed on the angle bin.
    rng = np.random.default_rng(6)
    bins = rng.integers(0, 8, 6000)
    slow = rng.random(6000) < np.where(bins < 2, 0.9, 0.05)
    event = rng.random(6000) < np.where(slow, 0.1, 0.002)
    assert s.dependence_within_strata(event, bins).p < 0.01
    assert s.dependence_within_strata(event, bins, slow).p > 0.05


def test_dependence_p_is_honest_under_independence() -> None:
    rng = np.random.default_rng(7)
    ps = []
    for trial in range(200):
        bins, event = rng.integers(0, 10, 300), rng.random(300) < 0.05
        ps.append(s.dependence_within_strata(event, bins, permutations=99, seed=trial).p)
    assert np.mean(np.asarray(ps) <= 0.05) < 0.1


def test_bursts_are_grouped() -> None:
    assert s.group_bursts([0.0, 0.1, 0.2, 5.0, 5.05, 9.0], 0.5).tolist() == [0, 0, 0, 1, 1, 2]
    assert s.group_bursts([], 1.0).tolist() == []
    with pytest.raises(ValueError, match="rise"):
        s.group_bursts([1.0, 0.5], 1.0)


WHOLE = [(0.0, 10.0)]


def test_edges_that_follow_a_coil_are_told_from_those_beside_it() -> None:
    # Simulated truth: 12 of 20 stray edges come 0.3 ms after a coil event, the rest anywhere.
    rng = np.random.default_rng(8)
    coil = np.sort(rng.uniform(0, 10, 60))
    stray = np.concatenate([rng.choice(coil, 12, replace=False) + 3e-4, rng.uniform(0, 10, 8)])
    match = s.lag_test(stray, {"coil 1": coil, "injector 1": np.sort(rng.uniform(0, 10, 80))}, WHOLE)
    assert match is not None
    assert match.channel == "coil 1"
    assert match.p < 1e-6
    assert match.lag_s == pytest.approx(3e-4, abs=1e-4)
    assert 12 <= match.inside <= 14


def test_lag_test_seldom_accuses_an_innocent_line() -> None:
    rng = np.random.default_rng(9)
    false = 0
    for _ in range(200):
        others = {"coil 1": rng.uniform(0, 10, 60), "injector 1": np.arange(0.01, 10, 0.08)}
        match = s.lag_test(rng.uniform(0, 10, 15), others, WHOLE)
        assert match is not None
        false += match.p < 0.05
    assert false / 200 < 0.05


def test_a_burst_counts_as_one_edge() -> None:
    coil = np.array([1.0, 3.0, 5.0])
    stray = np.concatenate([1.0002 + np.arange(20) * 1e-5, [4.0, 6.3]])
    match = s.lag_test(stray, {"coil 1": coil}, WHOLE)
    assert match is not None
    assert match.of == 3
    assert match.p > 0.05


def test_lag_test_without_other_lines_says_nothing() -> None:
    assert s.lag_test([1.0, 2.0, 3.0], {}, WHOLE) is None
    assert s.lag_test([1.0, 2.0, 3.0], {"coil 1": []}, WHOLE) is None
    assert s.lag_test([], {"coil 1": [1.0]}, WHOLE) is None


def test_share_of_time_by_lag_against_brute_force() -> None:
    rng = np.random.default_rng(11)
    events = np.sort(rng.uniform(0, 10, 25))
    stretches = [(0.0, 3.0), (4.5, 9.0)]
    grid = np.concatenate([np.arange(a, b, 1e-5) + 5e-6 for a, b in stretches])
    grid = grid[grid >= events[0]]
    lag = grid - events[np.searchsorted(events, grid, "right") - 1]
    low, high = np.array([0.0, 0.01, 0.3]), np.array([0.02, 0.2, 2.0])
    brute = [np.mean((lag >= a) & (lag < b)) for a, b in zip(low, high, strict=True)]
    assert s._LagShare(stretches, events).between(low, high) == pytest.approx(brute, abs=1e-4)
