"""Slider-crank and polytropic law against worked tables.

Formulas: Heywood, Internal Combustion Engine Fundamentals, ch. 2 and 9 (cited from memory, edition not checked).
The numbers are worked from these formulas outside this program, for B = S = 86 mm, l = 143 mm, rc = 10.
"""

import numpy as np
import pytest

from witnessmark.engine import geometry as g
from witnessmark.units import rpm_from, seconds_for

A = g.CylinderGeometry(86.0, 86.0, 143.0, 10.0)

TABLE = [  # deg, x mm, V cc, V/Vc
    (0, 0.0, 55.5064, 1.0),
    (1, 0.0085, 55.5558, 1.00089),
    (5, 0.2127, 56.7422, 1.02226),
    (10, 0.8483, 60.4342, 1.08878),
    (30, 7.3864, 98.4125, 1.77300),
    (60, 26.4339, 209.0557, 3.76634),
    (90, 49.6182, 343.7287, 6.19260),
    (120, 69.4339, 458.8343, 8.26634),
    (180, 86.0, 555.0636, 10.0),
]


@pytest.mark.parametrize(("deg", "x_mm", "v_cc", "ratio"), TABLE)
def test_slider_crank_table(deg: float, x_mm: float, v_cc: float, ratio: float) -> None:
    assert g.piston_position_mm(deg, 86, 143) == pytest.approx(x_mm, abs=6e-5)
    assert A.volume_cc(deg) == pytest.approx(v_cc, abs=6e-5)
    assert g.volume_ratio(deg, A.rod_ratio, 10) == pytest.approx(ratio, abs=6e-6)


def test_displacement_clearance_and_rod_ratio() -> None:
    assert A.rod_ratio == pytest.approx(3.32558, abs=5e-6)
    assert A.displacement_cc == pytest.approx(499.5572, abs=5e-5)
    assert A.clearance_cc == pytest.approx(55.5064, abs=5e-5)


def test_half_stroke_is_before_ninety_degrees() -> None:
    assert g.piston_position_mm(81.3528, 86, 143) == pytest.approx(43.0, abs=5e-5)


def test_piston_speed_maximum_and_value_at_ninety() -> None:
    deg = np.arange(0, 180, 0.0001)
    ratio = g.piston_speed_ratio(deg, A.rod_ratio)
    assert ratio.max() == pytest.approx(1.640755, abs=1e-6)
    assert deg[ratio.argmax()] == pytest.approx(74.4996, abs=2e-3)  # flat top: the angle is known less well
    assert g.piston_speed_ratio(90, A.rod_ratio) == pytest.approx(np.pi / 2)


@pytest.mark.parametrize("deg", [3.0, 47.0, 91.0, 133.0, 179.0])
def test_volume_is_symmetric_about_tdc_and_slope_matches_a_difference(deg: float) -> None:
    assert A.volume_cc(deg) == pytest.approx(A.volume_cc(-deg))
    h = 1e-4
    difference = (A.volume_cc(deg + h) - A.volume_cc(deg - h)) * 1e-6 / np.radians(2 * h)
    assert g.volume_slope_m3_per_rad(deg, A) == pytest.approx(difference, rel=1e-6)


PEAKS = [
    (1.25, 17.7828, 15.146),
    (1.30, 19.9526, 16.885),
    (1.32, 20.8930, 17.636),
    (1.35, 22.3872, 18.824),
    (1.40, 25.1189, 20.986),
]


@pytest.mark.parametrize(("n", "full", "peak"), PEAKS)
def test_polytropic_peaks(n: float, full: float, peak: float) -> None:
    assert 10.0**n == pytest.approx(full, abs=5e-5)
    assert g.polytropic_pressure_bar(180, A, n, 180, 1.0) == pytest.approx(1.0)
    assert g.polytropic_pressure_bar(0, A, n, 180, 1.0) == pytest.approx(full, abs=5e-5)
    assert g.polytropic_pressure_bar(0, A, n, -130, 1.0) == pytest.approx(peak, abs=5e-4)


def test_intake_closing_volume_and_effective_ratio() -> None:
    assert A.volume_cc(-130) == pytest.approx(488.178, abs=5e-4)
    assert A.volume_cc(-130) / A.clearance_cc == pytest.approx(8.79499, abs=5e-6)


@pytest.mark.parametrize(("n", "ratio"), [(1.30, 2.6630), (1.35, 2.7653)])
def test_pressure_ratio_thirty_to_sixty_before_tdc_gives_the_exponent_back(n: float, ratio: float) -> None:
    p30, p60 = g.polytropic_pressure_bar([-30, -60], A, n)
    assert p30 / p60 == pytest.approx(ratio, abs=5e-5)
    assert g.polytropic_exponent(p60, p30, *A.volume_cc([-60, -30])) == pytest.approx(n)


@pytest.mark.parametrize(("deg", "fall_percent"), [(1, 0.1175), (2, 0.469), (5, 2.865)])
def test_pressure_is_flat_near_tdc(deg: float, fall_percent: float) -> None:
    p = g.polytropic_pressure_bar([0, deg], A, 1.32)
    assert 100 * (1 - p[1] / p[0]) == pytest.approx(fall_percent, abs=6e-4)


def test_closed_motored_cylinder_does_no_net_work() -> None:
    deg = np.linspace(-130, 130, 20001)
    p = g.motored_pressure_bar(deg, A, 1.3)
    work_j = np.trapezoid(g.gas_torque_nm(deg, p, A), np.radians(deg))
    peak_nm = np.abs(g.gas_torque_nm(deg, p, A)).max()
    assert abs(work_j) < 1e-6 * peak_nm
    assert 50 < peak_nm < 150  # half a litre, 17 bar: tens of N m


def test_motored_torque_brakes_before_tdc_and_drives_after() -> None:
    before, after = g.gas_torque_nm([-20, 20], g.motored_pressure_bar([-20, 20], A), A)
    assert before < 0 < after
    assert before == pytest.approx(-after)


def test_work_on_compression_equals_the_closed_form() -> None:
    # integral of p dV from V1 to V2 along p V^n = c is (p1 V1 - p2 V2)/(n - 1)
    deg = np.linspace(-130, 0, 200001)
    p = g.polytropic_pressure_bar(deg, A, 1.3)
    work_j = np.trapezoid(g.gas_torque_nm(deg, p, A, crankcase_bar=0.0), np.radians(deg))
    v1, v2 = A.volume_cc(-130) * 1e-6, A.volume_cc(0) * 1e-6
    assert work_j == pytest.approx((1e5 * v1 - p[-1] * 1e5 * v2) / 0.3, rel=1e-6)


def test_motored_pressure_repeats_each_cycle_and_breathes_once() -> None:
    deg = np.array([-200.0, -10.0, 200.0, 350.0])
    assert g.motored_pressure_bar(deg, A) == pytest.approx(g.motored_pressure_bar(deg + 720, A))
    assert g.motored_pressure_bar([360 - 10, 360 + 10], A, manifold_bar=0.4) == pytest.approx([g.ATMOSPHERE_BAR, 0.4])


def test_reciprocating_inertia_is_zero_over_a_turn_and_at_both_dead_centres() -> None:
    deg = np.arange(0.0, 360.0, 0.5)
    torque = g.inertia_torque_nm(deg, 100.0, 0.6, A)
    assert abs(torque.mean()) < 1e-6 * np.abs(torque).max()
    assert g.inertia_torque_nm([0.0, 180.0], 100.0, 0.6, A) == pytest.approx([0, 0], abs=1e-9)


@pytest.mark.parametrize(
    "bad", [{"bore_mm": 0}, {"stroke_mm": -1}, {"rod_mm": 40}, {"compression_ratio": 1.0}], ids=lambda b: next(iter(b))
)
def test_impossible_geometry_is_refused(bad: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="must be"):
        g.CylinderGeometry(**bad)


# T = angle / (6 rpm): worked numbers of tooth timing
@pytest.mark.parametrize(
    ("rpm", "deg", "ms"),
    [
        (200, 6, 5.0),
        (200, 10, 8.3333),
        (200, 360, 300.0),
        (150, 6, 6.6667),
        (250, 6, 4.0),
        (700, 6, 1.4286),
        (3000, 6, 0.3333),
    ],
)
def test_tooth_timing(rpm: float, deg: float, ms: float) -> None:
    assert seconds_for(deg, rpm) * 1e3 == pytest.approx(ms, abs=5e-5)
    assert rpm_from(deg, seconds_for(deg, rpm)) == pytest.approx(rpm)


@pytest.mark.parametrize(("rpm", "rate_hz", "deg"), [(250, 1e5, 0.015), (3000, 1e6, 0.018), (3000, 2e4, 0.9)])
def test_angle_per_sample(rpm: float, rate_hz: float, deg: float) -> None:
    assert 6 * rpm / rate_hz == pytest.approx(deg)
    assert seconds_for(deg, rpm) == pytest.approx(1 / rate_hz)


def test_compression_events_of_an_inline_four_at_cranking_speed() -> None:
    assert 1 / seconds_for(180, 200) == pytest.approx(6.667, abs=5e-4)


def _passing_times(w0: float, accel: float, marks_deg: np.ndarray) -> np.ndarray:
    """Times at which angles pass at w0 + accel t, from theta = w0 t + accel t^2 / 2."""
    return (np.sqrt(w0**2 + 2 * accel * np.radians(marks_deg)) - w0) / accel


@pytest.mark.parametrize(
    ("w0", "accel", "before", "after", "centred", "share"),
    [(15.0, 150.0, 2.6782, 3.3052, 2.9589, 0.5967), (25.0, -250.0, 3.3124, 2.6702, 2.9568, 0.5965)],
)
def test_gap_ratio_under_acceleration(
    w0: float, accel: float, before: float, after: float, centred: float, share: float
) -> None:
    # tooth, tooth, gap of three pitches, tooth: 6, 18, 6 degrees from the first of them
    t_prev, t_gap, t_next = np.diff(_passing_times(w0, accel, np.array([0.0, 6.0, 24.0, 30.0])))
    assert t_gap / t_prev == pytest.approx(before, abs=6e-5)
    assert t_gap / t_next == pytest.approx(after, abs=6e-5)
    assert 2 * t_gap / (t_prev + t_next) == pytest.approx(centred, abs=6e-5)
    assert t_gap / (t_prev + t_gap + t_next) == pytest.approx(share, abs=6e-5)
