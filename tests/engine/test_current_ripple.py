"""Cylinders counted by the ripple of the starter's current, where the wheel has too few teeth.

The crank's motion is integrated by the tests' own torque model and the current follows the voltage balance of a
direct-current motor, supply = current * resistance + speed * constant (electrical handbooks); one whole record comes
from the project's own simulator (simulated truth).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from accuracy.engines import _starter
from accuracy.memory import recording_of
from tests.engine.engine_bench import Bench
from tests.findings.made import gas_driven
from tests.findings.test_pressures import CRANKED
from witnessmark.engine import current_ripple
from witnessmark.pipeline import analyze_recording
from witnessmark.recording.setup import Setup
from witnessmark.simulate.run import simulate
from witnessmark.simulate.scenario import parse_scenario
from witnessmark.wheel import firing
from witnessmark.wheel.model import CrankAngle, Segment

COARSE = ("12-1", "8 even", "6+1")
STALL_A, NO_LOAD_RPM, BEGIN_S = 850.0, 370.0, 0.2


def told(
    n: int, noise_a: float = 2.0, charge: list[float] | None = None, scale: float = 1.0, inrush: bool = True,
    mark_deg: float = 90.0,
) -> firing.Firing:  # fmt: skip
    """What the current of n evenly firing cylinders tells with marks of the wheel every ``mark_deg``."""
    when = gas_driven(charge or [1.0] * n, 220.0, False)
    angle = np.arange(0.0, 14 * 360.0, 0.5)
    time = BEGIN_S + when(angle)
    t = np.arange(0.0, time[-1], 1e-4)
    speed = np.interp(t, time, np.gradient(angle, time) / 6.0) * (t >= BEGIN_S)
    current = STALL_A * (1.0 - speed / NO_LOAD_RPM) * (t >= BEGIN_S)
    current[(t >= BEGIN_S) & (t < BEGIN_S + 0.03)] = STALL_A if inrush else current[-1]
    current += noise_a * np.random.default_rng(4).standard_normal(len(t))
    bench = Bench(t, np.interp(t, time, angle)).analog("starter", "starter-current", scale * current, "A")
    marks = np.arange(0.0, angle[-1], mark_deg)
    marks_s = BEGIN_S + when(marks)
    segment = Segment(0, len(marks), float(marks_s[0]), float(marks_s[-1]), float(marks[-1] / 360.0))
    wheel = CrankAngle(marks_s, marks, (segment,))
    starter = ((BEGIN_S, float(t[-1])),)
    return firing.told(current_ripple.ripples(bench.signals(), bench.recording(), wheel, starter, 450.0))


@pytest.mark.parametrize("n", [3, 4, 5, 6, 8])
def test_the_current_of_a_motor_counts_the_compressions(n: int) -> None:
    got = told(n)
    assert got.pattern is not None, got.because
    assert (got.pattern.cylinders, got.pattern.even) == (n, True)


@pytest.mark.parametrize("more", [{"scale": 0.01}, {"inrush": False}, {"noise_a": 25.0}, {"mark_deg": 360.0}])
def test_scale_inrush_noise_and_single_marks_do_not_matter(more: dict[str, Any]) -> None:
    """A clamp read in volts; a record that begins late; a poor clamp; one mark a turn."""
    got = told(4, **more)
    assert got.pattern is not None, got.because
    assert got.pattern.cylinders == 4


def test_a_steady_current_and_noise_tell_nothing() -> None:
    t = np.arange(0.0, 4.0, 1e-4)
    current = 180.0 * (t > 0.2) + 5.0 * np.random.default_rng(1).standard_normal(len(t))
    marks = np.arange(0.0, 4320.0, 90.0)
    seconds = 0.2 + marks / 1320.0
    wheel = CrankAngle(seconds, marks, (Segment(0, len(marks), float(seconds[0]), float(seconds[-1]), 12.0),))
    bench = Bench(t, 1320.0 * t).analog("starter", "starter-current", current, "A")
    found = current_ripple.ripples(bench.signals(), bench.recording(), wheel, ((0.2, 4.0),), 450.0)
    assert firing.told(found).pattern is None


def test_one_weak_cylinder_is_no_other_number() -> None:
    got = told(4, charge=[1.0, 0.5, 1.0, 1.0])
    assert got.pattern is None or got.pattern.cylinders == 4


@pytest.mark.parametrize(
    ("layout", "n"),
    [("12-1", 6), *(pytest.param(w, n, marks=pytest.mark.slow) for w in COARSE for n in (3, 4, 5, 8))],
)  # fmt: skip
def test_a_whole_record_on_a_coarse_wheel(layout: str, n: int) -> None:
    """Counted right with the current in the record; never wrong without it."""
    engine = {"cylinders": n, "inertia_kg_m2": 0.18 + 0.02 * n}
    lines = [{"role": "crank"}, {"role": "cam"}, {"role": "starter-current"}]
    base = {"seed": 5, "duration_s": 4.0, "engine": engine, "cranking": _starter(n), "sensor": {"kind": "hall"}}
    record = parse_scenario({**base, "wheel": {"layout": layout}, "channel": lines, **CRANKED})
    got = analyze_recording(recording_of(simulate(record)), Setup()).engine.counted
    assert got is not None
    assert got.cylinders == n, got.because
    bare = parse_scenario({**base, "wheel": {"layout": layout}, "channel": lines[:2], **CRANKED})
    got = analyze_recording(recording_of(simulate(bare)), Setup()).engine.counted
    assert got is not None
    assert got.cylinders in (n, None), got.because
