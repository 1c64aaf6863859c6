"""Pitch errors on exact angles, and the centred ratio's worked numbers."""

from __future__ import annotations

import numpy as np
import pytest

from tests.wheel.test_alignment import times
from witnessmark.wheel import layouts, pitch


def test_a_displaced_tooth_is_measured_and_its_neighbours_are_not_accused() -> None:
    layout = layouts.single_gap(60, 2)
    time_s = times(layout, 12, swing=0.2)
    tooth = np.tile(np.arange(58, dtype=np.int32), 12)
    angle = np.concatenate([np.asarray(layout.teeth_deg) + 360.0 * t for t in range(12)])
    late = tooth == 22
    speed = np.gradient(angle, time_s)
    moved = time_s + np.where(late, 1.5 / speed, 0.0)
    got = pitch.measure(layout, tooth, angle, moved, np.zeros(angle.size, np.int64), 0.02)
    assert got.suspects == (22,)
    assert got.mean_deg[22] == pytest.approx(1.5, abs=0.1)
    others = np.delete(np.abs(got.mean_deg), 22)
    assert np.nanmax(others) < 0.15


@pytest.mark.filterwarnings("error")
def test_a_slip_of_the_decoding_is_no_displaced_tooth_and_unseen_teeth_raise_nothing() -> None:
    layout = layouts.single_gap(60, 2)
    time_s = times(layout, 12, swing=0.2)
    tooth = np.tile(np.arange(58, dtype=np.int32), 12)
    angle = np.concatenate([np.asarray(layout.teeth_deg) + 360.0 * t for t in range(12)])
    keep = tooth != 40  # never seen
    late = np.where(tooth == 22, 25.0, 0.0) / np.gradient(angle, time_s)
    got = pitch.measure(
        layout, tooth[keep], angle[keep], (time_s + late)[keep], np.zeros(int(keep.sum()), np.int64), 0.02
    )
    assert 22 not in got.suspects
    assert np.isnan(got.mean_deg[40])
    only_one = tooth < 7  # too few to have neighbours on both sides in more than one place
    pitch.measure(layout, tooth[only_one], angle[only_one], time_s[only_one], np.zeros(84, np.int64), 0.02)


def test_centred_ratio_of_a_60_2_gap_under_acceleration() -> None:
    """Worked numbers of theta = w t + a t^2 / 2 (derived): 15 rad/s with +150, 25 rad/s with -250 rad/s^2."""
    for w, a, before, after, centred in ((15.0, 150.0, 2.6782, 3.3052, 2.9589), (25.0, -250.0, 3.3124, 2.6702, 2.9568)):
        angle = np.radians([0.0, 6.0, 24.0, 30.0])
        t = (-w + np.sqrt(w * w + 2.0 * a * angle)) / a
        one, gap, two = np.diff(t)
        assert gap / one == pytest.approx(before, abs=2e-4)
        assert gap / two == pytest.approx(after, abs=2e-4)
        assert 2.0 * gap / (one + two) == pytest.approx(centred, abs=2e-4)
