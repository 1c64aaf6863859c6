"""Relative compression by work, on an engine integrated here (no simulator of the program's own)."""

from __future__ import annotations

import numpy as np
import pytest

from witnessmark.engine import compression, contribution
from witnessmark.engine.compression import STEP_DEG, Speed

CYCLES = 8


def cranked(charge: list[float], inertia: float = 0.18, stall_nm: float = 190.0, leak: int | None = None) -> Speed:
    """Crank speed over angle: gas by p V^n = const (Heywood ch. 9), a starter falling with speed, Euler steps."""
    n = len(charge)
    step = 0.1
    deg = np.arange(0.0, 720.0 * (CYCLES + 2), step)
    bore, stroke, rod, ratio = 0.086, 0.086, 0.143, 10.0
    area, r = np.pi / 4 * bore**2, stroke / 2
    swept = area * stroke
    speed = np.empty(len(deg))
    w = 20.0
    left = np.ones(n)
    for i, a in enumerate(deg):
        torque = stall_nm * (1.0 - w / 38.0) - 25.0
        for c in range(n):
            off = (a - 720.0 / n * c + 360.0) % 720.0 - 360.0
            if not -130.0 <= off <= 130.0:
                left[c] = 1.0
                continue
            t, t0 = np.radians(off), np.radians(130.0)

            def volume(x: float) -> float:
                travel = r + rod - r * np.cos(x) - np.sqrt(rod**2 - (r * np.sin(x)) ** 2)
                return float(swept / (ratio - 1.0) + area * travel)

            arm = area * r * np.sin(t) * (1.0 + r * np.cos(t) / np.sqrt(rod**2 - (r * np.sin(t)) ** 2))
            p = 0.97 * charge[c] * left[c] * (volume(t0) / volume(t)) ** 1.28
            left[c] *= 1.0 - np.radians(step) / w / (0.12 if c == leak else 0.6) * (1.0 - 1.0 / max(p, 0.05))
            torque += (p - 1.0) * 1e5 * arm
        w = max(np.sqrt(max(w**2 + 2 * torque / inertia * np.radians(step), 25.0)), 5.0)
        speed[i] = w
    rows = speed[int(1440 / step) :].reshape(-1, int(STEP_DEG / step))
    return Speed(1440.0 + STEP_DEG * (np.arange(len(rows)) + 0.5), 1.0 / (1.0 / rows).mean(axis=1))


@pytest.mark.parametrize(("inertia", "stall_nm"), [(0.14, 200.0), (0.2, 200.0), (0.26, 180.0)])
def test_the_weak_cylinder_is_named_over_inertia_and_starter(inertia: float, stall_nm: float) -> None:
    s = cranked([1.0, 1.0, 0.6, 1.0], inertia, stall_nm)
    got = compression.relative([s], np.arange(4) * 180.0)
    assert got is not None
    assert int(np.argmin(got.rel)) == 2
    # ratio of works (0.6 W1 - W0)/(W1 - W0) with the same law: about 0.45
    assert 0.35 < got.rel[2] < 0.55
    assert np.abs(np.delete(got.rel, 2) - 1.0).max() < 0.06


def test_the_slowest_point_accuses_a_neighbour_and_work_does_not() -> None:
    """The crank is slowest after the weak cylinder, at the sound one that follows (its dip deepens)."""
    s = cranked([1.0, 1.0, 0.6, 1.0])
    off = s.angle_deg % 720.0
    assert round(float(off[np.argmin(s.rad_s)]) / 180.0) % 4 == 3
    got = compression.relative([s], np.arange(4) * 180.0)
    assert got is not None
    assert int(np.argmin(got.rel)) == 2


def test_sound_cylinders_are_alike() -> None:
    got = compression.relative([cranked([1.0, 1.0, 1.0])], np.arange(3) * 240.0)
    assert got is not None
    assert np.abs(got.rel - 1.0).max() < 0.02
    assert (got.sd >= compression.SHAPE_SD).all()


def test_few_cycles_are_not_compared() -> None:
    s = cranked([1.0, 1.0, 0.6, 1.0])
    short = Speed(s.angle_deg[:240], s.rad_s[:240])
    assert compression.relative([short], np.arange(4) * 180.0) is None


def test_segment_speeds_of_a_worked_example() -> None:
    """Published form dw/dt of segment times 42.86, 42.86, 43.90, 42.90 ms of a four: 0, -40.03, +38.44 rad/s2."""
    t = np.array([42.86, 42.86, 43.90, 42.90]) * 1e-3
    w = np.pi / t
    assert w == pytest.approx([73.2989, 73.2989, 71.5625, 73.2306], abs=1e-3)
    assert np.diff(w) / (0.5 * (t[1:] + t[:-1])) == pytest.approx([0.0, -40.03, 38.44], abs=0.05)


def fired(usual: float) -> list[tuple[Speed, float, float]]:
    """Energy of a fired four, drawn from the shapes; cylinder 2 without burn in every third cycle; a wheel error too.

    usual: combustion of a sound cycle over compression.
    """
    from witnessmark.wheel import gas

    rng = np.random.default_rng(1)
    tdc = np.arange(4) * 180.0
    cycles = []
    for k in range(30):
        angle = -90.0 + STEP_DEG * (np.arange(120) + 0.5)
        fine = -90.0 + np.arange(720) + 0.5
        burn = usual + rng.normal(0.0, 0.05, 4)
        burn[1] *= k % 3 != 0
        work = gas.at(gas.torque("burnt"), fine[:, None] - tdc) @ burn
        work = work + gas.at(gas.torque("motored"), fine[:, None] - tdc).sum(axis=1)
        energy = (np.cumsum(work - work.mean()) * np.radians(1.0)).reshape(-1, 6).mean(axis=1)
        w = np.sqrt(80.0**2 + 2 * 6.0 * energy) * (1.0 + 0.002 * np.sin(np.radians(angle * 3)))
        cycles.append((Speed(angle, w), 0.15 * k, 0.15 * (k + 1)))
    return cycles


def test_on_the_over_run_no_cylinder_is_compared() -> None:
    """Shares of a burn that is a quarter of the compression tell the wheel's and the pistons' errors."""
    assert contribution.contribution(fired(0.2), np.arange(4) * 180.0) is None


def test_a_cylinder_without_burn_is_found_cycle_by_cycle() -> None:
    got = contribution.contribution(fired(1.0), np.arange(4) * 180.0)
    assert got is not None
    assert int(np.argmin(got.rel)) == 1
    assert abs(int(got.low[1]) - 10) <= 1
    assert got.low[[0, 2, 3]].max() <= 1
