"""Simulated control units: what they answer, for tests and for trying things out. No vehicle is like them.

:func:`bakery_van` is the demo's van: P0336 stored and permanent, its codes erased two warm-ups ago, so most self-tests
have not run again; a second unit without codes. All they say names itself simulated where there is room for a name.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from witnessmark.scan.codes import code_bytes
from witnessmark.scan.model import Engine
from witnessmark.scan.parameters import FROZEN_BY, READINESS, READINESS_NOW, parameters, quantities
from witnessmark.scan.readiness import Monitor, Readiness, readiness_bytes
from witnessmark.scan.services import CALIBRATION, NAME, VERIFICATION, VIN
from witnessmark.scan.vin import CHECK_PLACE, check_digit

NOT_HERE, NOT_NOW = 0x12, 0x22
_ERASED_TO = {"warm-ups-since-erased": 0, "distance-since-erased": 0, "time-since-erased": 0, "distance-with-lamp": 0,
              "short-trim-1": 0, "long-trim-1": 0}  # fmt: skip


@dataclass
class SimulatedUnit:
    """One control unit: what it would answer. values: by the keys of the parameter table, in their units."""

    address: int
    name: str
    values: dict[str, float]
    readiness: Readiness
    stored: list[str] = field(default_factory=list)
    pending: list[str] = field(default_factory=list)
    permanent: list[str] = field(default_factory=list)
    frozen: dict[str, float] = field(default_factory=dict)
    vin: str = ""
    calibration: str = ""
    tests: Mapping[int, bytes] = field(default_factory=dict)
    late: frozenset[int] = frozenset()  # services answered with "later" first

    def answer(self, request: bytes) -> bytes | None:
        """The answer to a request; None where a real unit would stay silent (a request to all that is not its own)."""
        service, rest = request[0], request[1:]
        if service in (0x01, 0x02, 0x06, 0x09) and not rest:
            return bytes([0x7F, service, NOT_HERE])
        if service == 0x01:
            found = b"".join(bytes([p]) + d for p in rest if (d := self._live(p)) is not None)
        elif service == 0x02:
            data = self._frozen(rest[0])
            found = bytes([rest[0], 0]) + data if data is not None else b""
        elif service in (0x03, 0x07, 0x0A):
            codes = {0x03: self.stored, 0x07: self.pending, 0x0A: self.permanent}[service]
            found = bytes([len(codes)]) + b"".join(map(code_bytes, codes))
        elif service == 0x04:
            return self._erase()
        elif service == 0x06:
            found = b"".join(self._test(m) for m in rest)
        elif service == 0x09:
            found = self._information(rest[0])
        else:
            return None
        return bytes([service + 0x40]) + found if found else None

    def _numbers(self, keys: Mapping[str, float], more: set[int]) -> set[int]:
        there = {quantities()[k][0].number for k in keys} | more
        return there | {base for base in range(0x20, 0x100, 0x20) if any(n > base for n in there)}

    def _live(self, pid: int) -> bytes | None:
        numbers = self._numbers(self.values, {READINESS, READINESS_NOW})
        if pid % 0x20 == 0:
            return _support(numbers, pid)
        if pid in (READINESS, READINESS_NOW):
            return readiness_bytes(self.readiness) if pid == READINESS else b"\0" + readiness_bytes(self.readiness)[1:]
        return encoded(pid, self.values) if pid in numbers else None

    def _frozen(self, pid: int) -> bytes | None:
        numbers = self._numbers(self.frozen, {FROZEN_BY}) if self.frozen else {FROZEN_BY}
        if pid % 0x20 == 0:
            return _support(numbers, pid)
        if pid == FROZEN_BY:
            return code_bytes(self.stored[0]) if self.frozen and self.stored else b"\0\0"
        return encoded(pid, self.frozen) if pid in numbers else None

    def _test(self, monitor: int) -> bytes:
        if monitor % 0x20 == 0:
            support = _support(self._bases(set(self.tests)), monitor)
            return bytes([monitor]) + support if support is not None else b""
        return self.tests.get(monitor, b"")

    @staticmethod
    def _bases(numbers: set[int]) -> set[int]:
        return numbers | {b for b in range(0x20, 0x100, 0x20) if any(n > b for n in numbers)}

    def _information(self, kind: int) -> bytes:
        texts = {VIN: (self.vin, 17), CALIBRATION: (self.calibration, 16), NAME: (self.name, 20)}
        there = {k for k, (text, _) in texts.items() if text} | {VERIFICATION}
        if kind == 0:
            return b"\0" + (_support(there, 0) or b"")
        if kind == VERIFICATION:
            return bytes([kind, 1]) + b"\x51\x4d\x55\x4c"
        if kind not in there:
            return b""
        text, size = texts[kind]
        return bytes([kind, 1]) + text.encode("ascii").ljust(size, b"\0")[:size]

    def _erase(self) -> bytes:
        """A running engine refuses; permanent codes stay (they go only when the fault has been seen to be gone)."""
        if self.values.get("engine-speed", 0.0) > 0.0:
            return bytes([0x7F, 0x04, NOT_NOW])
        self.stored, self.pending, self.frozen = [], [], {}
        self.values |= {k: v for k, v in _ERASED_TO.items() if k in self.values}
        monitors = tuple(Monitor(m.name, m.continuous and m.name == "components", m.continuous)
                         for m in self.readiness.monitors)  # fmt: skip
        self.readiness = Readiness(False, 0, self.readiness.ignition, monitors)
        return b"\x44"


def encoded(pid: int, values: Mapping[str, float]) -> bytes:
    """Data bytes of a parameter from its values; what is not given is 0 raw."""
    row = parameters()[pid]
    data = bytearray(row.length)
    for q in row.values:
        if q.key in values:
            raw = round((values[q.key] - q.add) * q.divide / q.multiply)
            data[q.first : q.first + q.size] = raw.to_bytes(q.size, "big", signed=q.signed)
    return bytes(data)


def _support(numbers: set[int], base: int) -> bytes | None:
    """Four support bytes; None where nothing beyond the base is there."""
    bits = sum(1 << (32 - (n - base)) for n in numbers if base < n <= base + 32)
    return bits.to_bytes(4, "big") if bits or base == 0 else None


def _van_vin() -> str:
    """A made-up number with a check digit that fits: 000 as maker is given to nobody."""
    vin = "000BAKERY0VAN0001"
    return vin[:CHECK_PLACE] + check_digit(vin) + vin[CHECK_PLACE + 1 :]


def bakery_van(engine: Engine = "cranking", wide: bool = False) -> list[SimulatedUnit]:
    """The demo's van: its control unit sees the crank turn and does not like the pattern of the pulses."""
    running = engine == "running"
    speed_rpm = {"off": 0.0, "cranking": 204.0, "running": 780.0}[engine]
    supply_v = {"off": 12.3, "cranking": 10.2, "running": 14.1}[engine]
    values: dict[str, float] = {
        "fuel-loop-1": 2 if running else 1, "load": 22 if running else 0, "coolant-temperature": 84 if running else 17,
        "short-trim-1": 1.6, "long-trim-1": 3.1, "intake-pressure": 34 if running else 97,
        "engine-speed": speed_rpm, "vehicle-speed": 0, "spark-advance": 8, "intake-temperature": 19,
        "throttle": 14, "run-time": 140 if running else 0, "distance-with-lamp": 7, "warm-ups-since-erased": 2,
        "distance-since-erased": 7, "air-pressure": 98, "supply": supply_v,
        "time-since-erased": 34, "ambient-temperature": 16, "time-with-lamp": 21,
    }  # fmt: skip
    done = ("misfire", "fuel-system", "components", "oxygen-sensor-heater")
    names = (*done[:3], "catalyst", "fuel-vapour", "oxygen-sensor", "oxygen-sensor-heater", "egr-or-vvt")
    state = Readiness(True, 1, "spark", tuple(Monitor(n, n in done, n in done[:3]) for n in names))
    first, second = (0x18DAF110, 0x18DAF118) if wide else (0x7E8, 0x7E9)
    counts = {
        0xA1 + n: b"".join(bytes([0xA1 + n, t, 0x24]) + (0).to_bytes(2, "big") + b"\0\0\xff\xff" for t in (0x0B, 0x0C))
        for n in range(5)
    }
    ready = Readiness(False, 0, "spark", (Monitor("components", True, True),))
    return [
        SimulatedUnit(
            first, "SIMULATED engine", values, state, ["P0336"], ["P0336"], ["P0336"],
            {"engine-speed": 235, "coolant-temperature": 12, "load": 0, "vehicle-speed": 0, "run-time": 0},
            _van_vin(), "SIMULATED-VAN-01", counts, frozenset({0x09}),
        ),
        SimulatedUnit(second, "SIMULATED gearbox", {"vehicle-speed": 0}, ready),
    ]  # fmt: skip
