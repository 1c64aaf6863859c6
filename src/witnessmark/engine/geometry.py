"""Slider-crank geometry and motored cylinder pressure.

Angles are crank degrees after top dead centre (0 = TDC, 180 = BDC), arrays of any shape, no pin or bore offset.
Source: Heywood, Internal Combustion Engine Fundamentals, ch. 2 (geometry) and ch. 9 (polytropic compression).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

ATMOSPHERE_BAR = 1.01325


@dataclass(frozen=True, slots=True)
class CylinderGeometry:
    """One cylinder. bore, stroke and rod (eye to eye) in mm; compression_ratio geometric, over the full stroke.

    Raises ValueError where a length is not positive, the rod is not longer than half the stroke or the ratio is <= 1.
    """

    bore_mm: float = 86.0
    stroke_mm: float = 86.0
    rod_mm: float = 143.0
    compression_ratio: float = 10.0

    def __post_init__(self) -> None:
        """Refuse what cannot be built."""
        if self.bore_mm <= 0 or self.stroke_mm <= 0:
            raise ValueError("bore and stroke must be positive")
        if self.rod_mm <= self.stroke_mm / 2:
            raise ValueError("the rod must be longer than half the stroke")
        if self.compression_ratio <= 1:
            raise ValueError("the compression ratio must be above 1")

    @property
    def crank_radius_mm(self) -> float:
        """Half the stroke in mm."""
        return self.stroke_mm / 2

    @property
    def rod_ratio(self) -> float:
        """Rod length over crank radius."""
        return self.rod_mm / self.crank_radius_mm

    @property
    def piston_area_mm2(self) -> float:
        """Bore area in mm^2."""
        return float(np.pi * self.bore_mm**2 / 4)

    @property
    def displacement_cc(self) -> float:
        """Swept volume in cm^3."""
        return self.piston_area_mm2 * self.stroke_mm / 1000

    @property
    def clearance_cc(self) -> float:
        """Volume at TDC in cm^3."""
        return self.displacement_cc / (self.compression_ratio - 1)

    def volume_cc(self, angle_deg: ArrayLike) -> Array:
        """Cylinder volume in cm^3."""
        return self.clearance_cc * volume_ratio(angle_deg, self.rod_ratio, self.compression_ratio)


def piston_position_mm(angle_deg: ArrayLike, stroke_mm: float, rod_mm: float) -> Array:
    """Distance of the piston from TDC in mm."""
    t = np.radians(np.asarray(angle_deg, dtype=np.float64))
    a = stroke_mm / 2
    return np.asarray(rod_mm + a - (a * np.cos(t) + np.sqrt(rod_mm**2 - (a * np.sin(t)) ** 2)))


def volume_ratio(angle_deg: ArrayLike, rod_ratio: float, compression_ratio: float) -> Array:
    """Cylinder volume over clearance volume; rod_ratio is rod over crank radius."""
    t = np.radians(np.asarray(angle_deg, dtype=np.float64))
    travel = rod_ratio + 1 - np.cos(t) - np.sqrt(rod_ratio**2 - np.sin(t) ** 2)
    return np.asarray(1 + (compression_ratio - 1) / 2 * travel)


def piston_speed_ratio(angle_deg: ArrayLike, rod_ratio: float) -> Array:
    """Piston speed over its mean (2 x stroke x speed); positive away from TDC."""
    t = np.radians(np.asarray(angle_deg, dtype=np.float64))
    return np.asarray(np.pi / 2 * np.sin(t) * (1 + np.cos(t) / np.sqrt(rod_ratio**2 - np.sin(t) ** 2)))


def volume_slope_m3_per_rad(angle_deg: ArrayLike, cylinder: CylinderGeometry) -> Array:
    """dV/dtheta in m^3 per radian of crank angle."""
    # mean piston speed is 2 stroke per turn = stroke/pi per radian
    mm_per_rad = piston_speed_ratio(angle_deg, cylinder.rod_ratio) * cylinder.stroke_mm / np.pi
    return np.asarray(mm_per_rad * cylinder.piston_area_mm2 * 1e-9)


def polytropic_pressure_bar(
    angle_deg: ArrayLike,
    cylinder: CylinderGeometry,
    exponent: float = 1.30,
    closing_deg: float = -130.0,
    closing_bar: float = 1.0,
) -> Array:
    """Pressure p V^n = const in bar absolute, through ``closing_bar`` at intake closing (-130 = 50 deg after BDC).

    The law is applied at every angle given; motored_pressure_bar limits it to the closed part of the cycle.
    """
    v = volume_ratio(angle_deg, cylinder.rod_ratio, cylinder.compression_ratio)
    v0 = volume_ratio(closing_deg, cylinder.rod_ratio, cylinder.compression_ratio)
    return np.asarray(closing_bar * (v0 / v) ** exponent)


def motored_pressure_bar(
    cycle_deg: ArrayLike,
    cylinder: CylinderGeometry,
    exponent: float = 1.30,
    closing_deg: float = -130.0,
    opening_deg: float = 130.0,
    manifold_bar: float = 1.0,
    exhaust_bar: float = ATMOSPHERE_BAR,
) -> Array:
    """Motored four-stroke pressure in bar absolute over the cycle, 0 = firing TDC, any angle (folded to +-360).

    Polytropic from intake closing to exhaust opening, exhaust pressure from opening to overlap TDC (360), manifold
    pressure from there to closing. No blow-down: the step at exhaust opening is part of this simple law.
    """
    t = np.mod(np.asarray(cycle_deg, dtype=np.float64) + 360.0, 720.0) - 360.0
    closed = polytropic_pressure_bar(t, cylinder, exponent, closing_deg, manifold_bar)
    breathing = np.where(t > 0, exhaust_bar, manifold_bar)
    return np.asarray(np.where((t >= closing_deg) & (t <= opening_deg), closed, breathing))


def gas_torque_nm(
    angle_deg: ArrayLike, pressure_bar: ArrayLike, cylinder: CylinderGeometry, crankcase_bar: float = ATMOSPHERE_BAR
) -> Array:
    """Torque of the gas on the crank in N m, positive in the direction of rotation: (p - p_crankcase) dV/dtheta."""
    over_pa = (np.asarray(pressure_bar, dtype=np.float64) - crankcase_bar) * 1e5
    return np.asarray(over_pa * volume_slope_m3_per_rad(angle_deg, cylinder))


def inertia_torque_nm(
    angle_deg: ArrayLike, speed_rad_s: ArrayLike, mass_kg: float, cylinder: CylinderGeometry
) -> Array:
    """Torque in N m of a reciprocating mass at constant speed: -m x'(theta) x''(theta) omega^2.

    The second derivative is a central difference of the exact slope; the torque integrates to zero over a turn.
    """
    t = np.asarray(angle_deg, dtype=np.float64)
    step = np.degrees(1e-3)
    slope = volume_slope_m3_per_rad(t, cylinder) / (cylinder.piston_area_mm2 * 1e-6)
    ahead = volume_slope_m3_per_rad(t + step, cylinder)
    behind = volume_slope_m3_per_rad(t - step, cylinder)
    curve = (ahead - behind) / (cylinder.piston_area_mm2 * 1e-6 * 2e-3)
    return np.asarray(-mass_kg * slope * curve * np.asarray(speed_rad_s, dtype=np.float64) ** 2)


def polytropic_exponent(p1_bar: float, p2_bar: float, v1: float, v2: float) -> float:
    """n from two points of a compression (absolute pressures): ln(p2/p1) / ln(V1/V2)."""
    return float(np.log(p2_bar / p1_bar) / np.log(v1 / v2))
