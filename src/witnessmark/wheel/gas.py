"""What one cylinder's gas does to the energy of the crank over a working cycle: the shape, not the size.

The kinetic energy of the crank changes by the work of the gas. One cylinder that differs from the others adds its own
share of that work, whose parts at half, one and one and a half events a turn stand in a fixed ratio: what is seen at
the orders no wheel error has tells what the gas does at order 1. Slider-crank and polytropic law as in Heywood,
Internal Combustion Engine Fundamentals, ch. 2 and 9; the figures below are those of a usual petrol engine (common
practice), and what they are wrong by is part of the uncertainty that the user of these shapes carries.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Part = Literal["motored", "fired", "burnt"]

ROWS = 720  # rows of a table of 720 degrees
ROD_OVER_CRANK = 3.3
COMPRESSION_RATIO = 10.0
POLYTROPIC = 1.28  # low at cranking speed (memory: 1.2 to 1.28)
CLOSED_DEG = (-130.0, 130.0)  # inlet closes, exhaust opens, after firing TDC
LEAK = 0.1  # share of the charge lost while the valves are closed, cranking (memory)
RISE = 2.4  # pressure rise by combustion over the motored pressure
BURN_DEG = (-10.0, 45.0)  # start and length of combustion


def _volume(angle_rad: Array | float) -> Array:
    """Cylinder volume over clearance volume."""
    t = np.asarray(angle_rad, dtype=np.float64)
    travel = ROD_OVER_CRANK + 1.0 - np.cos(t) - np.sqrt(ROD_OVER_CRANK**2 - np.sin(t) ** 2)
    return np.asarray(1.0 + 0.5 * (COMPRESSION_RATIO - 1.0) * travel)


@lru_cache(maxsize=3)
def torque(of: Part) -> Array:
    """Torque of one cylinder's gas, in units of trapped pressure times clearance volume [ROWS].

    Row k is k degrees after the firing TDC (0 to 719). "motored": what a larger charge adds without combustion;
    "fired": with it; "burnt": the part that combustion adds.
    """
    signed = _signed()
    t = np.radians(signed)
    lever = np.sin(t) * (1.0 + np.cos(t) / np.sqrt(ROD_OVER_CRANK**2 - np.sin(t) ** 2))
    slope = 0.5 * (COMPRESSION_RATIO - 1.0) * lever
    closes, opens = CLOSED_DEG
    motored = (_volume(np.radians(closes)) / _volume(t)) ** POLYTROPIC
    if of == "motored":
        motored = motored * (1.0 - LEAK * (signed - closes) / (opens - closes))
    x = np.maximum((signed - BURN_DEG[0]) / BURN_DEG[1], 0.0)
    burnt = RISE * (1.0 - np.exp(-6.9 * x**3))
    share = {"motored": np.ones(ROWS), "fired": 1.0 + burnt, "burnt": burnt}[of]
    pressure = motored * share
    return np.asarray(np.where((signed >= closes) & (signed <= opens), pressure, 0.0) * slope)


def _signed() -> Array:
    deg = np.arange(ROWS, dtype=np.float64) * (720.0 / ROWS)
    return np.asarray(np.where(deg > 360.0, deg - 720.0, deg))


@lru_cache(maxsize=3)
def _work(of: Part) -> Array:
    """Work since the inlet opened by one event, from -360 to 360 degrees of its firing TDC [ROWS]."""
    torques = np.roll(torque(of), ROWS // 2)
    return np.asarray(np.cumsum(torques) * np.radians(720.0 / ROWS))


def coefficients(of: Part, orders: Array, lag: float) -> NDArray[np.complex128]:
    """Energy of one cylinder as Re sum c e^(i order angle), angle from its firing TDC, for orders > 0; read only.

    lag: how fast the drive (a starter slows under load) takes back what the gas did, per radian.
    """
    return _coefficients(of, tuple(orders.tolist()), lag)


@lru_cache(maxsize=256)  # some lags for each set of orders: every pattern and stretch asks for the same ones
def _coefficients(of: Part, orders: tuple[float, ...], lag: float) -> NDArray[np.complex128]:
    many = np.array(orders)
    angle = np.radians(np.arange(ROWS) * (720.0 / ROWS))
    waves = np.exp(-1j * np.outer(many, angle))
    out = np.asarray(2.0 * (waves @ torque(of)) / ROWS / (1j * many + lag))
    out.flags.writeable = False
    return out


def periodic(of: Part, angle_deg: Array, tdc_deg: Array, lag: Array) -> Array:
    """Energy [angles, events] over an evenly spaced grid of one whole cycle by a cylinder that works in every cycle.

    tdc_deg: firing TDC of each. lag [angles]: as above. The mean work is carried by load or starter.
    """
    step = np.radians(angle_deg[1] - angle_deg[0])
    work = at(torque(of), angle_deg[:, None] - tdc_deg[None, :])
    work = work - work.mean(axis=0)
    grown = np.exp(np.cumsum(lag) * step)[:, None]
    summed = np.cumsum(work * grown, axis=0) * step
    first = summed[-1] / (grown[-1] - 1.0) if grown[-1, 0] > 1.0 + 1e-9 else 0.0
    out = (summed + first) / grown
    return np.asarray(out - out.mean(axis=0))


def once(of: Part, angle_deg: Array, tdc_deg: Array) -> Array:
    """Energy [angles, events] given by single events: nothing before and the net work after (no lag)."""
    off = angle_deg[:, None] - tdc_deg[None, :]
    rows = np.clip(np.rint((off + 360.0) * (ROWS / 720.0)).astype(np.int64), 0, ROWS - 1)
    return np.asarray(_work(of)[rows])


def at(table: Array, angle_deg: Array) -> Array:
    """A table of 720 degrees read at any angle (nearest row)."""
    return np.asarray(table[np.rint(np.mod(angle_deg, 720.0) * (ROWS / 720.0)).astype(np.int64) % ROWS])
