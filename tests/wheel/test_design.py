"""Few vanes under cranking ripple: how far a reading may differ from the wheel behind it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.wheel.test_rings import candidate, named
from witnessmark.wheel import layouts
from witnessmark.wheel.damage import Damage, _tooth_duty
from witnessmark.wheel.design import _bent, _evened, _vanes_bent, _with_setup
from witnessmark.wheel.weighing import Candidate


def learnt(steps_deg: list[float], rpm: float) -> Candidate:
    """A pattern fitted interval by interval."""
    layout = layouts.from_intervals("learnt", steps_deg, prior=0.01, source="learnt", mark="derived")
    return replace(candidate(layout, 500.0), rpm=rpm)


@pytest.mark.parametrize(
    ("steps", "rpm", "bent"),
    [
        ([79.0, 83.0, 87.0, 111.0], 200.0, True),  # two cylinders cranked (simulated)
        ([40.0, 140.0, 40.0, 140.0], 200.0, False),  # 3.5 : 1 is no ripple of a sound engine
        ([79.0, 83.0, 87.0, 111.0], 700.0, False),  # nor does a running engine swing so
        ([42.0, 40.0, 41.0, 42.0, 45.0, 47.0, 49.0, 54.0], 150.0, True),  # one cylinder: two turns taken for one
        ([120.0, 120.0, 120.0], 200.0, False),
    ],
)
def test_a_pattern_read_off_cranking_may_be_even_vanes_bent_by_ripple(
    steps: list[float], rpm: float, bent: bool
) -> None:
    designed = layouts.even(4)
    assert _bent(designed, learnt(steps, rpm)) is bent


def test_named_vanes_stand_beside_a_damaged_wheel_that_ripple_makes_of_them() -> None:
    """70 and 110 degrees read as 60 and 120: six slots less one with another tooth gone, or the wheel as it is sold."""
    broken = candidate(layouts.single_gap(6, 1, source="family", prior=0.02), 92.0, Damage(dead=((2, 0.97),)))
    out = _vanes_bent([broken, candidate(named("4 vanes 70/110"), 16.5), candidate(named("3 vanes"), 10.0)])
    assert out[0].layout.name == "4 vanes 70/110"
    assert next(c for c in out if c.layout.name == "3 vanes").likelihood == 10.0
    sound = replace(broken, damage=Damage())
    assert _vanes_bent([sound, candidate(named("4 vanes 70/110"), 16.5)])[1].likelihood == 16.5


def test_a_pattern_one_compression_long_is_rather_an_even_wheel() -> None:
    """24 equal teeth of a six-cylinder engine, cranked: eight intervals come again, a third of a turn long."""
    eight = learnt([42.0, 40.0, 41.0, 42.0, 45.0, 47.0, 49.0, 54.0], 640.0)
    even = [candidate(layouts.even(n, prior=0.4), 174.0) for n in (24, 36, 30)]
    out = {c.layout.name: c.likelihood for c in _evened([eight, *even])}
    assert out["24 even"] == 500.0
    assert out["36 even"] == 174.0  # eight of its teeth are 80 degrees: no engine has nine cylinders
    assert out["30 even"] == 174.0
    wide = learnt([30.0, 30.0, 30.0, 90.0, 60.0, 60.0, 30.0, 30.0], 640.0)
    assert all(c.likelihood == 174.0 for c in _evened([wide, *even])[1:])


CODE = [5.0, 5.0, 10.0, 5.0, 10.0, 10.0, 5.0, 10.0, 10.0, 10.0, 5.0, 10.0]


def test_a_width_code_is_no_pattern_that_compressions_bend() -> None:
    """Twelve equal teeth of two widths over and over: another even count is not carried by the widths."""
    coded = layouts.unequal("12 width-coded", [30.0 * i for i in range(12)], CODE, source="learnt", mark="derived")
    out = _evened([candidate(coded, 500.0), candidate(layouts.even(24, prior=0.4), 174.0)])
    assert [c.likelihood for c in out] == [500.0, 174.0]


def test_widths_of_a_setup_may_end_or_begin_at_their_marks() -> None:
    """A tooth of 5 degrees that begins at its mark leaves a valley of 25 to the next of 30; equal ones say nothing."""
    teeth = [30.0 * i for i in range(12)]
    ends, begins = layouts.width_readings(layouts.unequal("as in the setup", teeth, CODE, source="setup"))
    assert _tooth_duty(ends) == pytest.approx(np.array(CODE) / 30.0)
    assert _tooth_duty(begins) == pytest.approx(1.0 - np.roll(CODE, 1) / 30.0)
    assert len(layouts.width_readings(layouts.unequal("as in the setup", teeth, [5.0] * 12, source="setup"))) == 1
    kept = _with_setup([candidate(begins, 500.0), candidate(ends, 300.0)], ends)
    assert [c.layout.width_after for c in kept] == [True]
