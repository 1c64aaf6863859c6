"""What the control units of a vehicle said: one snapshot, whatever it was read from.

Unknown is None: a list that is None was not asked for or not answered, an empty one was answered and is empty.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from witnessmark.scan.frames import Note
from witnessmark.scan.readiness import Readiness
from witnessmark.scan.services import Link

SCHEMA = "witnessmark.scan/1"
Engine = Literal["off", "cranking", "running"]
Kind = Literal["live", "log", "hand", "simulated"]


@dataclass(frozen=True, slots=True)
class Source:
    """Where a snapshot comes from; taken: date and time as written by the source (ISO 8601), engine: as the user says.

    duration_s: from the first answer to the last; frames: how many were read; messages: answers that made sense.
    """

    kind: Kind
    path: str | None = None
    link: Link = "can"
    taken: str | None = None
    engine: Engine | None = None
    duration_s: float | None = None
    frames: int | None = None
    messages: int | None = None


@dataclass(frozen=True, slots=True)
class Series:
    """One live value over time; times_s: beside each value, None where nothing was timed; raw: the last bytes in hex.

    A parameter that the table does not hold has the key ``parameter-XX`` and no values, only its bytes.
    """

    key: str
    name: str
    unit: str
    values: tuple[float, ...]
    times_s: tuple[float, ...] | None = None
    raw: str | None = None

    @property
    def last(self) -> float | None:
        """The last value; None where there are only bytes."""
        return self.values[-1] if self.values else None


@dataclass(frozen=True, slots=True)
class FreezeFrame:
    """The values that were kept when ``code`` was stored."""

    number: int
    code: str | None
    values: tuple[Series, ...]


@dataclass(frozen=True, slots=True)
class TestResult:
    """One result of an on-board test with what the unit itself allows."""

    __test__ = False  # no test case, whatever its name

    name: str
    monitor: int
    test: int
    value: float
    low: float
    high: float
    unit: str
    passed: bool


@dataclass(frozen=True, slots=True)
class Refusal:
    """A request that the unit refused: the service in hex and why."""

    service: str
    reason: str


@dataclass(frozen=True, slots=True)
class ControlUnit:
    """One control unit by the identifier it answers with (``""`` where none is known).

    earlier: codes that were read first and were no longer there in the last answer of the same source.
    erased_s: times at which the unit confirmed that it has erased its codes.
    vin_check: ``fits``, ``does not fit`` or ``not well formed`` (see :mod:`witnessmark.scan.vin`).
    """

    address: str
    name: str | None = None
    stored: tuple[str, ...] | None = None
    pending: tuple[str, ...] | None = None
    permanent: tuple[str, ...] | None = None
    earlier: tuple[str, ...] = ()
    freeze_frames: tuple[FreezeFrame, ...] = ()
    readiness: Readiness | None = None
    readiness_this_cycle: Readiness | None = None
    series: tuple[Series, ...] = ()
    tests: tuple[TestResult, ...] = ()
    supported: tuple[str, ...] | None = None
    vin: str | None = None
    vin_check: str | None = None
    calibrations: tuple[str, ...] = ()
    verifications: tuple[str, ...] = ()
    refusals: tuple[Refusal, ...] = ()
    erased_s: tuple[float, ...] = ()

    @property
    def called(self) -> str:
        """How a sentence calls it: its name with its identifier, or what there is of them."""
        if self.name and self.address:
            return f"{self.name} ({self.address})"
        return self.name or (f"control unit {self.address}" if self.address else "the control unit")

    def one(self, key: str) -> Series | None:
        """The live value of this key, None where it was not read."""
        return next((s for s in self.series if s.key == key and s.values), None)

    @property
    def codes(self) -> dict[str, tuple[str, ...]]:
        """Each code and the lists it stands in (``stored``, ``pending``, ``permanent``), as the unit gave them."""
        lists = (("stored", self.stored), ("pending", self.pending), ("permanent", self.permanent))
        out: dict[str, tuple[str, ...]] = {}
        for kind, codes in lists:
            for code in codes or ():
                out[code] = (*out.get(code, ()), kind)
        return out


@dataclass(frozen=True, slots=True)
class ScanSnapshot:
    """Everything read in one go; notes: what was not used and why."""

    source: Source
    units: tuple[ControlUnit, ...]
    notes: tuple[Note, ...] = ()
    schema: str = SCHEMA

    @property
    def simulated(self) -> bool:
        """Whether a simulated control unit answered."""
        return self.source.kind == "simulated"
