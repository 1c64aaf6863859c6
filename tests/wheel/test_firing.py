"""Number and spacing of the firing cylinders from the ripple of speed.

The speed is made by the engine stage's geometry and polytropic pressures (Heywood ch. 2 and 9), a second implementation
beside the tables that the ripple is fitted with.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.findings.made import Scene, gas_driven
from witnessmark.wheel import firing
from witnessmark.wheel.firing import PATTERNS, Firing, Pattern

V6 = (0.0, 90.0, 240.0, 330.0, 480.0, 570.0)


def seen(charge: list[float], rpm: float, tdc_deg: tuple[float, ...] = (), turns: int = 13) -> Firing:
    when = gas_driven(charge, rpm, rpm > 450.0, tdc_deg)
    scene = Scene(sensor="hall", turns=turns, when=when, scatter_deg=0.02, setup_cylinders=len(charge))
    wheel = scene.made().wheel
    assert wheel.layout is not None
    return firing.of_wheel(wheel.passes, wheel.layout, wheel.angle, 450.0)


@pytest.mark.parametrize("pattern", PATTERNS, ids=lambda p: f"{p.cylinders} {p.tdc_deg[1] if not p.even else 'even'}")
def test_every_pattern_is_told_while_cranking(pattern: Pattern) -> None:
    found = seen([1.0] * pattern.cylinders, 240.0, pattern.tdc_deg)
    assert found.pattern is not None
    assert found.pattern.cylinders == pattern.cylinders
    assert found.pattern.even == pattern.even
    place = found.places[0]
    own = [np.mod(97.0 + t - place.tdc_deg + 180.0, 360.0) - 180.0 for t in pattern.tdc_deg]
    assert min(map(abs, own)) < 8.0


@pytest.mark.parametrize("n", [1, 2, 3, 4, 5, 6, 8])
def test_even_firing_is_told_at_idle(n: int) -> None:
    found = seen([1.0] * n, 800.0, turns=21)
    assert found.pattern is not None
    assert (found.pattern.cylinders, found.pattern.even) == (n, True)


@pytest.mark.parametrize("charge", [[1.0, 0.8, 1.0, 1.0], [1.05, 0.95, 1.0], [1.0, 0.9, 1.0, 1.0, 1.05, 1.0]])
def test_unequal_cylinders_are_counted_all_the_same(charge: list[float]) -> None:
    found = seen(charge, 240.0)
    assert found.pattern is not None
    assert found.pattern.cylinders == len(charge)


@pytest.mark.parametrize(
    ("charge", "tdc_deg"),
    [
        ([1.0, 0.0, 1.0, 1.0], ()),
        ([1.0] * 4, (0.0, 70.0, 360.0, 430.0)),
        ([1.0] * 6, (0.0, 75.0, 240.0, 315.0, 480.0, 555.0)),
        ([1.0] * 7, ()),
    ],
    ids=["one of four dead", "four of another kind", "six of another kind", "seven"],
)
@pytest.mark.parametrize("rpm", [240.0, 800.0])
def test_what_is_not_clear_is_not_said(charge: list[float], tdc_deg: tuple[float, ...], rpm: float) -> None:
    found = seen(charge, rpm, tdc_deg)
    assert found.pattern is None or found.pattern.cylinders == len(charge)
    assert found.because


def test_without_ripple_nothing_is_said() -> None:
    wheel = Scene(sensor="hall", turns=13, scatter_deg=0.02, setup_cylinders=4).made().wheel
    assert wheel.layout is not None
    assert firing.of_wheel(wheel.passes, wheel.layout, wheel.angle, 450.0).pattern is None
    assert firing.told([]).because == "no two whole cycles of steady rotation decoded"


def test_patterns_repeat_as_drawn() -> None:
    assert firing.repeat_deg(Pattern(6, V6)) == 240.0
    assert firing.repeat_deg(Pattern(4, (0.0, 180.0, 360.0, 540.0))) == 180.0
    assert firing.repeat_deg(Pattern(2, (0.0, 270.0))) == 720.0
    assert not Pattern(6, V6).even
