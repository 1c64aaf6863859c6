"""From messages to the snapshot: every control unit collects what it said; the latest answer of a kind holds."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from witnessmark.errors import BadScan
from witnessmark.scan import on_board_tests
from witnessmark.scan.frames import Message, Note, address, is_answer, is_request
from witnessmark.scan.model import ControlUnit, FreezeFrame, Refusal, Series, TestResult
from witnessmark.scan.parameters import FROZEN_BY, READINESS, READINESS_NOW, parameters, quantities
from witnessmark.scan.readiness import Readiness, readiness
from witnessmark.scan.services import (
    CALIBRATION,
    NAME,
    VERIFICATION,
    VIN,
    Codes,
    Erased,
    Frozen,
    Link,
    Live,
    OnBoardTest,
    Refused,
    Said,
    Supported,
    Text,
    decode,
)
from witnessmark.scan.services import is_answer as speaks_of_services
from witnessmark.scan.vin import checked

MOST_NOTES = 50  # of one kind of trouble; the rest is counted


@dataclass
class _Track:
    """One live value as it comes in."""

    values: list[float] = field(default_factory=list)
    times_s: list[float | None] = field(default_factory=list)
    raw: str = ""


@dataclass
class _Frozen:
    code: str | None = None
    values: dict[str, Series] = field(default_factory=dict)


@dataclass
class Unit:
    """One control unit while its answers come in."""

    address: str
    link: Link = "can"
    codes: dict[str, tuple[str, ...]] = field(default_factory=dict)
    seen: list[str] = field(default_factory=list)
    tracks: dict[str, _Track] = field(default_factory=dict)
    frozen: dict[int, _Frozen] = field(default_factory=dict)
    states: dict[int, Readiness] = field(default_factory=dict)
    tests: dict[tuple[int, int], TestResult] = field(default_factory=dict)
    supported: set[int] = field(default_factory=set)
    texts: dict[int, tuple[str, ...]] = field(default_factory=dict)
    parts: dict[int, str] = field(default_factory=dict)
    refusals: dict[Refusal, None] = field(default_factory=dict)
    erased_s: list[float] = field(default_factory=list)

    def hear(self, payload: bytes, time_s: float | None) -> None:
        """Take one answer in; BadScan where it does not keep the form (nothing of it is then used)."""
        for said in decode(payload, self.link):
            self._take(said, time_s)

    def _take(self, said: Said, time_s: float | None) -> None:
        if isinstance(said, Live):
            self._live(said, time_s)
        elif isinstance(said, Frozen):
            self._freeze(said)
        elif isinstance(said, Codes):
            self._list(said)
        elif isinstance(said, Text):
            self._text(said)
        elif isinstance(said, OnBoardTest):
            value, low, high, unit = on_board_tests.scaled(said)
            self.tests[said.monitor, said.test] = TestResult(
                on_board_tests.name(said), said.monitor, said.test, value, low, high, unit, on_board_tests.passed(said)
            )
        elif isinstance(said, Supported):
            if said.service == 0x01:
                self.supported |= set(said.numbers)
        elif isinstance(said, Refused):
            if not said.wait:
                self.refusals[Refusal(f"{said.service:02X}", said.words)] = None
        elif isinstance(said, Erased):
            self.erased_s.append(time_s if time_s is not None else 0.0)

    def _live(self, said: Live, time_s: float | None) -> None:
        if said.pid in (READINESS, READINESS_NOW):
            self.states[said.pid] = readiness(said.data, said.pid == READINESS_NOW)
            return
        row = parameters().get(said.pid)
        if row is None or not row.values:
            self.tracks.setdefault(unknown(said.pid), _Track()).raw = said.data.hex(" ").upper()
            return
        for quantity in row.values:
            track = self.tracks.setdefault(quantity.key, _Track())
            track.values.append(quantity.value(said.data))
            track.times_s.append(time_s)
            track.raw = said.data.hex(" ").upper()

    def _freeze(self, said: Frozen) -> None:
        frame = self.frozen.setdefault(said.frame, _Frozen())
        if said.pid == FROZEN_BY:
            frame.code = said.code
            return
        row = parameters().get(said.pid)
        for quantity in row.values if row is not None else ():
            frame.values[quantity.key] = Series(
                quantity.key, quantity.name, quantity.unit, (quantity.value(said.data),), None,
                said.data.hex(" ").upper(),
            )  # fmt: skip

    def _list(self, said: Codes) -> None:
        before = self.codes.get(said.kind, ()) if self.link == "pre-can" else ()  # there, three to an answer
        self.codes[said.kind] = tuple(dict.fromkeys(before + said.codes))
        self.seen += [c for c in said.codes if c not in self.seen]

    def _text(self, said: Text) -> None:
        if said.part is None or said.kind != VIN:
            self.texts[said.kind] = said.items
            return
        self.parts[said.part] = said.items[0]
        self.texts[VIN] = ("".join(self.parts[k] for k in sorted(self.parts)),)

    def finished(self) -> ControlUnit:
        """The unit as it stands after all its answers."""
        vin = next((v for v in self.texts.get(VIN, ()) if v), None)
        there = {c for codes in self.codes.values() for c in codes}
        names = self.texts.get(NAME, ())
        return ControlUnit(
            self.address,
            name=next((n for n in names if n), None),
            stored=self.codes.get("stored"),
            pending=self.codes.get("pending"),
            permanent=self.codes.get("permanent"),
            earlier=tuple(c for c in self.seen if c not in there),
            freeze_frames=tuple(
                FreezeFrame(n, f.code, tuple(f.values.values()))
                for n, f in sorted(self.frozen.items())
                if f.code is not None or f.values
            ),
            readiness=self.states.get(READINESS),
            readiness_this_cycle=self.states.get(READINESS_NOW),
            series=tuple(series_of(key, track) for key, track in self.tracks.items()),
            tests=tuple(self.tests.values()),
            supported=tuple(f"{n:02X}" for n in sorted(self.supported)) if self.supported else None,
            vin=vin,
            vin_check=checked(vin) if vin is not None else None,
            calibrations=self.texts.get(CALIBRATION, ()),
            verifications=self.texts.get(VERIFICATION, ()),
            refusals=tuple(self.refusals),
            erased_s=tuple(self.erased_s),
        )


def unknown(pid: int) -> str:
    """The key of a parameter that the table does not hold."""
    return f"parameter-{pid:02X}"


def series_of(key: str, track: _Track) -> Series:
    """A live value as the snapshot holds it."""
    times = tuple(t for t in track.times_s if t is not None)
    timed = times if times and len(times) == len(track.values) else None
    if key not in quantities():
        return Series(key, f"parameter {key[-2:]}", "bytes", (), None, track.raw)
    quantity = quantities()[key][1]
    return Series(key, quantity.name, quantity.unit, tuple(track.values), timed, track.raw or None)


def units_of(
    messages: Iterable[Message], notes: list[Note], link: Link = "can"
) -> tuple[tuple[ControlUnit, ...], int, float | None]:
    """(control units, number of answers, seconds from the first answer to the last); trouble goes into ``notes``."""
    units: dict[str, Unit] = {}
    foreign, times = 0, []
    for m in messages:
        if is_request(m.identifier, m.wide) or not is_answer(m.identifier, m.wide):
            continue
        if not speaks_of_services(m.payload):
            foreign += 1
            continue
        name = address(m.identifier, m.wide)
        unit = units.setdefault(name, Unit(name, link))
        try:
            unit.hear(m.payload, m.time_s)
        except BadScan as error:
            notes.append(Note(m.time_s, name, str(error)))
            continue
        times.append(m.time_s)
    if foreign:
        notes.append(Note(None, "", f"{foreign} answers of other diagnostic services than 01 to 0A; left out"))
    found = tuple(units[name].finished() for name in sorted(units))
    return found, len(times), max(times) - min(times) if times else None


def shortened(notes: list[Note]) -> tuple[Note, ...]:
    """At most :data:`MOST_NOTES` notes; the rest is counted in one more."""
    if len(notes) <= MOST_NOTES:
        return tuple(notes)
    return (*notes[:MOST_NOTES], Note(None, "", f"and {len(notes) - MOST_NOTES} more frames or answers not used"))
