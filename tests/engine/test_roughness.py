"""Running unevenness by segments: published forms with numbers worked by hand, and a simulated engine."""

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.findings.test_whole_engine import LINES, RUNNING, analysed
from witnessmark.engine import roughness
from witnessmark.engine.compression import STEP_DEG, Speed


def test_segment_correction_of_a_worked_example():
    """US 2005/0061064: TG_0 100, a cycle later 104 ms, TG_2 103 of four segments: (3 - 2)/(100 + 2) = 0.98039 %."""
    got = roughness.segment_deviation(np.array([100.0, 101.0, 103.0, 103.0]), 104.0)
    assert got[2] == pytest.approx(0.0098039, abs=5e-8)
    assert got[[0, 1, 3]] == pytest.approx([0.0, 0.0, 0.0])


def test_roughness_of_a_worked_example():
    """Segments 42.86, 42.86, 43.90, 42.90 ms, no drift; (T[n+1] - T[n]) / T[n]^3 worked by hand:

    1.04e-3 / 42.86e-3^3 = 13.209; -1.00e-3 / 43.90e-3^3 = -11.820; -0.04e-3 / 42.90e-3^3 = -0.507 per s^2.
    """
    got = roughness.unevenness(np.array([42.86, 42.86, 43.90, 42.90]) * 1e-3, 42.86e-3)
    assert got == pytest.approx([-0.5066, 0.0, 13.209, -11.820], abs=2e-3)


def test_steady_speeding_up_is_no_roughness():
    """Metamorphic: segment times that fall evenly have no unevenness of their own."""
    times = 40e-3 - 0.1e-3 * np.arange(4)
    assert roughness.unevenness(times, 40e-3 - 0.4e-3) == pytest.approx([0.0] * 4, abs=1e-6)


def test_times_of_segments_come_from_the_speed():
    """A four that turns 2 % slower in its second segment (integration by hand: T = 30/n s for 180 degrees at n rpm)."""
    angle = -90.0 + STEP_DEG * (np.arange(120) + 0.5)
    rpm = np.where((angle > 180.0) & (angle < 360.0), 784.0, 800.0)
    length = float(np.sum(STEP_DEG / 6.0 / rpm))
    cycles = [(Speed(angle, rpm * np.pi / 30.0), k * length, (k + 1) * length) for k in range(20)]
    got = roughness.roughness(cycles, np.arange(4) * 180.0, 720.0)
    slow, usual = 30.0 / 784.0, 30.0 / 800.0
    assert got.per_s2[1] == pytest.approx((slow - usual) / usual**3, rel=1e-6)
    assert got.per_s2[2] == pytest.approx((usual - slow) / slow**3, rel=1e-6)
    assert got.per_s2[[0, 3]] == pytest.approx([0.0, 0.0], abs=1e-6)
    apart = [(s, a + k, b + k) for k, (s, a, b) in enumerate(cycles)]
    assert roughness.roughness(apart, np.arange(4) * 180.0, 720.0) is None  # cycles that do not follow each other


def test_a_cylinder_without_burn_is_the_rough_one():
    """Simulated truth: cylinder 3 never burns; its segment is the slow one in the analysis too."""
    analysis = analysed(RUNNING | {"duration_s": 7.0}, LINES, {"kind": "misfire", "cylinder": 3, "share": 1.0})
    rough = {r.cylinder: r.roughness_per_s2 for r in analysis.engine.cylinder_results}
    assert max(rough, key=rough.get) == 3
    assert rough[3] > 5.0
    sound = analysed(RUNNING | {"duration_s": 7.0}, LINES)
    assert max(abs(r.roughness_per_s2) for r in sound.engine.cylinder_results) < 0.25 * rough[3]
