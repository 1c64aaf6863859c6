"""Noise at standstill is told from slow turns by how rough and how slow it is."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from witnessmark.spans import Span
from witnessmark.wheel import layouts, segments, standstill

PITCH = 10.0


def turning(rpm: NDArray[np.float64] | float, teeth: int, start_s: float, jitter: float = 0.01) -> NDArray[np.float64]:
    rng = np.random.default_rng(3)
    interval = PITCH / 6.0 / np.broadcast_to(rpm, (teeth,)) * np.exp(rng.normal(0.0, jitter, teeth))
    return start_s + np.cumsum(interval)


def judged(time_s: NDArray[np.float64]) -> NDArray[np.bool_]:
    return standstill.noisy(time_s, PITCH * np.arange(time_s.size), np.zeros(time_s.size, np.int64), PITCH)


def test_random_edges_between_two_starts_are_no_turn() -> None:
    first = turning(230.0, 150, 0.0)
    noise = first[-1] + np.cumsum(np.random.default_rng(5).exponential(0.06, 40))
    last = turning(230.0, 150, float(noise[-1]))
    out = judged(np.concatenate((first, noise, last)))
    assert not out[:145].any()
    assert not out[-145:].any()
    assert out[155:185].all()


@pytest.mark.parametrize("slow", [20.0, 45.0, 80.0])
def test_slow_turns_between_quick_ones_stay(slow: float) -> None:
    first = turning(230.0, 150, 0.0, 0.05)
    middle = turning(slow, 40, float(first[-1]), 0.05)
    assert not judged(np.concatenate((first, middle, turning(230.0, 150, float(middle[-1]), 0.05)))).any()


def test_a_slow_ripple_of_compression_stays() -> None:
    angle = np.arange(0.0, 3600.0, PITCH)
    assert not judged(turning(80.0 * np.exp(0.6 * np.sin(np.radians(2.0 * angle))), angle.size, 0.0)).any()


def test_a_rough_record_of_one_speed_stays() -> None:
    assert not judged(turning(60.0, 300, 0.0, 0.4)).any()


def test_only_its_own_stretches_are_cut() -> None:
    spans = (Span(1.0, 2.0, standstill.WHY), Span(3.0, 4.0, "lost"))
    assert standstill.without(np.array([0.5, 1.5, 2.5, 3.5]), spans).tolist() == [0.5, 2.5, 3.5]


DATA = Path(os.environ.get("WITNESSMARK_OPEN_DATA") or Path(__file__).parents[3] / "shared" / "open-data")


@pytest.mark.skipif(not DATA.is_dir(), reason="the open recordings are not here (WITNESSMARK_OPEN_DATA)")
def test_the_noisy_open_record_holds_two_starts_and_accuses_nothing() -> None:
    """Seen in its edges: motion until about 1 s, none until 2.17 s (waits of 20 to 70 ms in no order), motion again."""
    from witnessmark.pipeline import analyze

    analysis = analyze(DATA / "logic-36-2-noisy.csv")
    first, second = analysis.engine.attempts
    assert first.end_s == pytest.approx(1.0, abs=0.12)
    assert second.start_s == pytest.approx(2.17, abs=0.05)
    assert second.cranking_rpm == pytest.approx(225.0, abs=5.0)
    assert not [f for f in analysis.findings.found if f.stated]


def test_wide_vanes_do_not_stretch_a_standstill() -> None:
    """Vanes 110 degrees apart at 20 rpm would pass in 0.9 s; a starter that turns the crank at all is quicker."""
    vanes = layouts.unequal("vanes", (0.0, 70.0, 180.0, 250.0))
    t = np.concatenate((np.arange(40) * 0.06, 40 * 0.06 + 0.8 + np.arange(40) * 0.06))
    assert len(segments.motions_of(t, segments.still_for(vanes))) == 2
    assert segments.still_for(layouts.single_gap(60, 2)) == pytest.approx(0.4)
