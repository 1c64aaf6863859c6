"""The first turns of a motion at a tempo of their own: a stiff one that wins by the running part stumbles in them."""

from __future__ import annotations

import numpy as np

from tests.wheel.test_rings import named
from witnessmark.wheel.beginnings import Tried, mended
from witnessmark.wheel.damage import SOUND, align_marks
from witnessmark.wheel.lattice import Tempo
from witnessmark.wheel.marks import Marks


def start(turns: int = 40) -> tuple[Marks, np.ndarray]:
    """A 30-2 wheel: four turns with a swing of 2.6 : 1 from compression to compression, then an even 750 rpm."""
    wheel = named("30-2")
    slots = np.asarray(wheel.tooth_slots)
    place = np.concatenate([(slots - 1) * 12.0 + 360.0 * t for t in range(turns)])[9:]
    grid = np.arange(0.0, 360.0 * turns, 0.5)
    rpm = np.where(grid < 1440.0, 190.0 * np.exp(0.48 * np.cos(np.radians(2.0 * grid))), 750.0)
    time = np.interp(place, grid, np.concatenate(([0.0], np.cumsum(0.5 / (6.0 * rpm[:-1])))))
    time = time + np.random.default_rng(4).normal(0.0, 2e-6, time.size)
    zero = np.zeros(time.size)
    true = np.tile(np.arange(slots.size), turns)[9:]
    return Marks(np.arange(time.size), time, zero, zero, zero * np.nan, 1e-6), true


def test_a_stumbling_beginning_is_taken_from_a_looser_tempo() -> None:
    marks, true = start()
    stiff, loose = Tempo(1e-5, 0.004), Tempo(1.4e-2, 0.004)
    wheel = named("30-2")
    best, other = (Tried(align_marks(marks, wheel, t), t) for t in (stiff, loose))
    wrong = best.path.tooth != true[best.path.edge]
    assert wrong.sum() > 20  # the stiff tempo misses teeth on light flywheels
    assert best.path.score > other.path.score  # and wins all the same
    path = mended(marks, wheel, SOUND, best, [other])
    assert np.array_equal(path.tooth, true[path.edge])
    assert path.edge.size == true.size
    assert path.restart.sum() == 1
    assert np.all(path.stride[1:] == 1)


def test_a_tooth_lost_in_the_beginning_stays_lost() -> None:
    marks, true = start()
    keep = np.arange(true.size) != 33
    less = Marks(marks.index[:-1], marks.time_s[keep], *([np.zeros(true.size - 1)] * 2), np.full(true.size - 1, np.nan),
                 1e-6)  # fmt: skip
    tempos = (Tempo(1.4e-2, 0.004), Tempo(1e-3, 0.004), Tempo(1e-5, 0.004))
    tries = sorted((Tried(align_marks(less, named("30-2"), t), t) for t in tempos), key=lambda x: -x.path.score)
    path = mended(less, named("30-2"), SOUND, tries[0], tries[1:])
    assert np.array_equal(path.tooth, true[keep][path.edge])
    assert np.flatnonzero(path.stride > 1).tolist() == [33]
