"""Results of on-board tests (service 06): numbers with units (from memory of SAE J1979's table; check the standard)."""

from __future__ import annotations

from typing import Final

from witnessmark.scan.services import OnBoardTest

# Scaling number: factor and unit; from 80 on the same idea with signed numbers. From memory; others stay raw.
SCALINGS: Final[dict[int, tuple[float, str]]] = {
    0x01: (1, ""), 0x02: (0.1, ""), 0x03: (0.01, ""), 0x04: (0.001, ""), 0x05: (2 / 65536, ""), 0x06: (20 / 65536, ""),
    0x07: (0.25, "rpm"), 0x08: (0.01, "km/h"), 0x09: (1, "km/h"), 0x0A: (0.122e-3, "V"), 0x0B: (0.001, "V"),
    0x0C: (0.01, "V"), 0x0D: (0.00390625, "mA"), 0x0E: (0.001, "A"), 0x0F: (0.01, "A"), 0x10: (0.001, "s"),
    0x11: (0.1, "s"), 0x12: (1, "s"), 0x13: (0.001, "ohm"), 0x14: (1, "ohm"), 0x15: (1000, "ohm"),
    0x17: (0.01, "kPa"), 0x1A: (1, "kPa"), 0x1B: (10, "kPa"), 0x1C: (0.01, "deg"), 0x1D: (0.5, "deg"),
    0x1E: (2 / 65536, "lambda"), 0x21: (0.001, "Hz"), 0x22: (1, "Hz"), 0x23: (1000, "Hz"), 0x24: (1, "counts"),
    0x25: (1, "km"), 0x2F: (0.01, "%"), 0x34: (1, "min"), 0x35: (0.01, "s"), 0x81: (1, ""), 0x82: (0.1, ""),
    0x83: (0.01, ""), 0x84: (0.001, ""), 0x8B: (0.001, "V"), 0x8C: (0.01, "V"), 0x8E: (0.001, "A"),
    0x90: (0.001, "s"), 0x9C: (0.01, "deg"), 0x9D: (0.5, "deg"), 0xAF: (0.01, "%"), 0xFE: (0.25, "Pa"),
}  # fmt: skip
MISFIRE_GENERAL = 0xA1  # then one for each cylinder
AVERAGED, CURRENT = 0x0B, 0x0C  # misfire counts: over the last ten drive cycles; this or the last one (from memory)
_MOST_CYLINDERS = 12


def scaled(test: OnBoardTest) -> tuple[float, float, float, str]:
    """(value, least allowed, most allowed, unit) of a result; raw numbers where the scaling is not known."""
    factor, unit = SCALINGS.get(test.scaling, (1.0, f"raw, scaling {test.scaling:02X}"))
    numbers = (_signed(v) if test.scaling >= 0x80 else v for v in (test.value, test.low, test.high))
    value, low, high = (n * factor for n in numbers)
    return value, low, high, unit


def _signed(raw: int) -> int:
    return raw - 0x10000 if raw & 0x8000 else raw


def passed(test: OnBoardTest) -> bool:
    """Whether the value lies within what the result itself allows."""
    value, low, high, _ = scaled(test)
    return low <= value <= high


def name(test: OnBoardTest) -> str:
    """What the test is, where it is about misfire; else its numbers."""
    cylinder = test.monitor - MISFIRE_GENERAL
    where = "all cylinders" if cylinder == 0 else f"cylinder {cylinder}"
    what = {AVERAGED: "misfires, average of ten drive cycles", CURRENT: "misfires, this or the last drive cycle"}
    if 0 <= cylinder <= _MOST_CYLINDERS and test.test in what:
        return f"{what[test.test]}, {where}"
    return f"monitor {test.monitor:02X}, test {test.test:02X}"
