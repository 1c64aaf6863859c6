"""Readiness bits: parameter 01 (since codes were erased) and parameter 41 (this drive cycle).

Layout (published: public extract of the bit table of parameter 41; the rest SAE J1979 as cited, not opened):
A7 lamp, A6-A0 number of codes. B0-B2 misfire, fuel system, components supported; B4-B6 the same, 1 = NOT complete;
B3 0 spark, 1 compression ignition. C supported, D not complete, by the same bits.
"""

from __future__ import annotations

from dataclasses import dataclass

from witnessmark.errors import BadScan

CONTINUOUS = ("misfire", "fuel-system", "components")
SPARK = ("catalyst", "heated-catalyst", "fuel-vapour", "secondary-air", "air-conditioning", "oxygen-sensor",
         "oxygen-sensor-heater", "egr-or-vvt")  # fmt: skip
COMPRESSION = ("nmhc-catalyst", "nox-aftertreatment", "", "boost-pressure", "", "exhaust-gas-sensor",
               "particulate-filter", "egr-or-vvt")  # fmt: skip
NAMES = {
    "misfire": "misfire",
    "fuel-system": "fuel system",
    "components": "components",
    "catalyst": "catalyst",
    "heated-catalyst": "heated catalyst",
    "fuel-vapour": "fuel vapour system",
    "secondary-air": "secondary air",
    "air-conditioning": "air conditioning (reassigned in later editions)",
    "oxygen-sensor": "oxygen sensors",
    "oxygen-sensor-heater": "oxygen sensor heaters",
    "egr-or-vvt": "exhaust gas recirculation or variable valve timing",
    "nmhc-catalyst": "hydrocarbon catalyst",
    "nox-aftertreatment": "nitrogen oxide aftertreatment",
    "boost-pressure": "boost pressure",
    "exhaust-gas-sensor": "exhaust gas sensors",
    "particulate-filter": "particulate filter",
}


@dataclass(frozen=True, slots=True)
class Monitor:
    """One self-test of the control unit: whether it has run to its end (parameter 41: in this drive cycle)."""

    name: str
    complete: bool
    continuous: bool


@dataclass(frozen=True, slots=True)
class Readiness:
    """Lamp, number of codes and the self-tests the unit supports (parameter 41: enabled in this drive cycle).

    lamp, codes: None for parameter 41, whose first byte says nothing. ignition: ``spark`` or ``compression``.
    """

    lamp: bool | None
    codes: int | None
    ignition: str
    monitors: tuple[Monitor, ...]

    @property
    def incomplete(self) -> tuple[str, ...]:
        """Names of the tests that are supported and not complete."""
        return tuple(m.name for m in self.monitors if not m.complete)


def readiness(data: bytes, this_cycle: bool = False) -> Readiness:
    """The four data bytes of parameter 01, or of 41 with ``this_cycle``; BadScan where they are not four."""
    if len(data) != 4:
        raise BadScan(f"readiness is four bytes, not {len(data)}; read the answer again")
    a, b, c, d = data
    compression = bool(b & 8)
    monitors = [Monitor(n, not b >> (4 + k) & 1, True) for k, n in enumerate(CONTINUOUS) if b >> k & 1]
    names = COMPRESSION if compression else SPARK
    monitors += [Monitor(n, not d >> k & 1, False) for k, n in enumerate(names) if n and c >> k & 1]
    return Readiness(
        lamp=None if this_cycle else bool(a & 0x80),
        codes=None if this_cycle else a & 0x7F,
        ignition="compression" if compression else "spark",
        monitors=tuple(monitors),
    )


def readiness_bytes(state: Readiness) -> bytes:
    """The four bytes that say this state: the other way round, for the simulated control unit and for checks."""
    names = COMPRESSION if state.ignition == "compression" else SPARK
    b = 8 if state.ignition == "compression" else 0
    c = d = 0
    for m in state.monitors:
        if m.continuous:
            k = CONTINUOUS.index(m.name)
            b |= 1 << k | (0 if m.complete else 1 << (4 + k))
        else:
            k = names.index(m.name)
            c |= 1 << k
            d |= 0 if m.complete else 1 << k
    return bytes([(0x80 if state.lamp else 0) | (state.codes or 0), b, c, d])
