"""Ripple of a coasting engine: falls with the square of speed where the wheel sits fast, stays where it rocks."""

from __future__ import annotations

import numpy as np
import pytest

from witnessmark.engine.coasting import coasting_ripple
from witnessmark.wheel.model import CrankAngle, Segment


def coasting_down(rocks_deg: float, fast_rpm: float = 2400.0, idle_rpm: float = 800.0) -> CrankAngle:
    """A four-cylinder engine that coasts from ``fast_rpm`` to an idle; gas torque moves its speed by 5 per cent there.

    Worked from d(w^2/2)/dangle = torque/J: the square of speed rises and falls by the same amount at any speed.
    """
    angle = np.arange(0.0, 360.0 * 70, 2.0)
    turns = angle / 360.0
    mean = np.interp(turns, [0.0, 40.0, 70.0], [fast_rpm, idle_rpm, idle_rpm]) * np.pi / 30.0
    gas = 0.05 * 2.0 * (idle_rpm * np.pi / 30.0) ** 2
    omega = np.sqrt(mean**2 + gas * np.sin(2.0 * np.radians(angle)))
    time = np.concatenate([[0.0], np.cumsum(np.radians(np.diff(angle)) / omega[1:])])
    knots = np.arange(0.0, angle[-1] - 6.0, 6.0)
    # a wheel that is ahead by some degrees passes its teeth at a smaller crank angle
    crank = knots - rocks_deg * np.sin(2.0 * np.radians(knots))
    at = np.interp(crank, angle, time)
    return CrankAngle(at, knots, (Segment(0, len(knots), float(at[0]), float(at[-1]), float(knots[-1] / 360.0)),))


def test_a_wheel_that_sits_fast_ripples_with_the_inverse_square_of_speed():
    found = coasting_ripple(coasting_down(0.0))
    assert found is not None
    assert found.strokes == 4
    assert found.idle == pytest.approx(0.05, rel=0.05)
    assert found.growth == pytest.approx(1.0, abs=0.1)


def test_a_wheel_that_rocks_ripples_at_any_speed():
    """Two events a turn, one degree: its speed is off by 2 times 1 degree in radians, 3.5 per cent."""
    found = coasting_ripple(coasting_down(1.0))
    assert found is not None
    assert found.coasting == pytest.approx(0.035, abs=0.012)
    assert found.growth > 2.0


def test_one_speed_alone_tells_nothing():
    assert coasting_ripple(coasting_down(1.0, fast_rpm=900.0)) is None
