"""Once-per-turn error of the wheel beside the gas: shapes against the engine stage's own, and known wheels."""

from __future__ import annotations

import numpy as np
import pytest

from tests.findings.made import Scene, gas_driven, steady
from witnessmark.engine import geometry
from witnessmark.wheel import gas
from witnessmark.wheel.model import Runout


def test_gas_torque_is_that_of_the_slider_crank_of_the_engine_stage() -> None:
    # second implementation: geometry of Heywood ch. 2 with the same rod, ratio and exponent
    size = geometry.CylinderGeometry(86.0, 86.0, gas.ROD_OVER_CRANK * 43.0, gas.COMPRESSION_RATIO)
    deg = np.arange(-120.0, 121.0, 10.0)
    pressure = geometry.polytropic_pressure_bar(deg, size, gas.POLYTROPIC, gas.CLOSED_DEG[0])
    per_clearance = geometry.gas_torque_nm(deg, pressure, size, 0.0) / (1e5 * size.clearance_cc * 1e-6)
    leak = 1.0 - gas.LEAK * (deg - gas.CLOSED_DEG[0]) / (gas.CLOSED_DEG[1] - gas.CLOSED_DEG[0])
    assert gas.at(gas.torque("motored"), deg) == pytest.approx(per_clearance * leak, rel=1e-6, abs=1e-9)
    assert np.allclose(gas.torque("fired"), gas.torque("burnt") + gas.torque("fired") - gas.torque("burnt"))


def test_energy_coefficients_are_those_of_the_energy() -> None:
    grid = np.arange(0.0, 720.0, 2.0)
    energy = gas.periodic("fired", grid, np.array([100.0]), np.zeros(grid.size))[:, 0]
    for order in (0.5, 1.0, 1.5, 2.0):
        seen = 2.0 * np.mean(energy * np.exp(-1j * np.radians(order * (grid - 100.0))))
        expected = gas.coefficients("fired", np.array([order]), 0.0)[0]
        assert seen == pytest.approx(expected, abs=0.05 * abs(expected))


@pytest.mark.parametrize("rpm", [240.0, 800.0])
@pytest.mark.parametrize("charge", [[1.0, 0.98, 1.02, 0.99], [1.0, 0.97, 1.01], [1.0, 1.0, 0.97, 1.02, 1.0, 0.99]])
def test_wheel_and_gas_are_parted_within_the_standard_error(rpm: float, charge: list[float]) -> None:
    when = gas_driven(charge, rpm, fired=rpm > 450.0)
    late = {i: float(0.4 * np.cos(np.radians(6.0 * i - 75.0))) for i in range(58)}
    once = Scene(sensor="hall", turns=21, when=when, late_deg=late, setup_cylinders=len(charge)).made().wheel.once
    assert once is not None
    found = once.amplitude_deg * np.exp(1j * np.radians(once.phase_deg))
    assert abs(found - 0.4 * np.exp(1j * np.radians(75.0))) < 3.0 * once.se_deg
    assert once.se_deg < (0.13 if rpm < 450.0 else 0.06)


def test_uneven_firing_is_no_runout() -> None:
    # twins on pins 90 degrees apart push once a turn more in one half of the cycle: order 1 by design
    made = Scene(
        sensor="hall", turns=31, when=gas_driven([1.0, 1.0], 800.0, True, (0.0, 270.0)), setup_cylinders=None
    ).made()
    assert made.wheel.once is None


def test_single_teeth_are_measured_beside_a_gap_while_cranking() -> None:
    when = gas_driven([1.0, 0.98, 1.02, 0.99], 240.0, fired=False)
    once = Scene(sensor="hall", turns=13, when=when, late_deg={0: 0.5, 30: -0.7}, scatter_deg=0.02).made().wheel.once
    assert isinstance(once, Runout)
    assert once.single_deg[0] == pytest.approx(0.5, abs=0.1)
    assert once.single_deg[30] == pytest.approx(-0.7, abs=0.1)
    others = np.delete(once.single_deg, [0, 30])
    assert np.abs(others).max() < 0.15


def test_fewer_than_three_cylinders_and_short_records_give_nothing() -> None:
    assert Scene(sensor="hall", turns=20, setup_cylinders=2).made().wheel.once is None
    assert Scene(sensor="hall", turns=2, when=steady(800.0)).made().wheel.once is None
