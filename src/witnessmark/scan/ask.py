"""What is asked of a vehicle, in which order, and the snapshot of the answers; erasing, which asks nothing back."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from time import sleep

from witnessmark.errors import BadScan, NoLink, NotConfirmed
from witnessmark.scan.assemble import Unit, shortened
from witnessmark.scan.frames import Message, Note, address
from witnessmark.scan.link import Link
from witnessmark.scan.model import Engine, Kind, ScanSnapshot, Source
from witnessmark.scan.parameters import FROZEN_BY, SUPPORT
from witnessmark.scan.services import CALIBRATION, NAME, NOT_DONE, VERIFICATION, VIN, Refused, Supported, decode

BUSY = 0x21
BUSY_TIMES, BUSY_PAUSE_S = 3, 0.2
# Asked again and again while watching: speed, supply, then what the trims need, the slow long-term ones last.
WATCHED = (0x0C, 0x42, 0x03, 0x06, 0x08, 0x07, 0x09)
AT_ONCE = 6  # parameters in one request (SAE J1979 on CAN, as cited)
INFORMATION = (VIN, CALIBRATION, VERIFICATION, NAME)
WORD = "erase"  # what a person types to erase; nothing else does


def _silent(text: str) -> None:
    """Say nothing."""


@dataclass
class Reading:
    """A vehicle while it is being read."""

    link: Link
    units: dict[int, Unit] = field(default_factory=dict)
    supported: dict[tuple[int, int], set[int]] = field(default_factory=dict)  # (service, unit) -> numbers
    answers: int = 0

    def ask(self, *request: int) -> list[Message]:
        """Ask all units and take in what they say; waiting ends when those have answered that announced the number."""
        announced = [i for i in self.units if set(request[1:]) & self.supported.get((request[0], i), set())]
        heard = self.link.ask(bytes(request), announced or self.units)
        for _ in range(BUSY_TIMES):
            if not any(m.payload[:1] == bytes([NOT_DONE]) and m.payload[2] == BUSY for m in heard):
                break
            sleep(BUSY_PAUSE_S)
            heard = self.link.ask(bytes(request), announced or self.units)
        for m in heard:
            self._take(m)
        return heard

    def _take(self, m: Message) -> None:
        unit = self.units.setdefault(m.identifier, Unit(address(m.identifier, m.wide)))
        try:
            unit.hear(m.payload, m.time_s)
            said = decode(m.payload)
        except BadScan as error:
            self.link.notes.append(Note(m.time_s, unit.address, str(error)))
            return
        self.answers += 1
        for s in said:
            if isinstance(s, Supported):
                self.supported.setdefault((s.service, m.identifier), set()).update(s.numbers)

    def any_supports(self, service: int, number: int) -> bool:
        """Whether one of the units announced it."""
        return any(number in numbers for (s, _), numbers in self.supported.items() if s == service)

    def numbers(self, service: int, *tail: int) -> list[int]:
        """Ask which numbers of a service there are, base after base; what was announced, without the bases."""
        for base in SUPPORT:
            if base == 0 or self.any_supports(service, base):
                self.ask(service, base, *tail)
        every: Iterable[set[int]] = (numbers for (s, _), numbers in self.supported.items() if s == service)
        return sorted(set().union(*every) - set(SUPPORT))


def read_vehicle(
    link: Link,
    engine: Engine | None = None,
    watch_s: float = 0.0,
    kind: Kind = "live",
    say: Callable[[str], None] = _silent,
) -> ScanSnapshot:
    """The snapshot of all control units of an open link.

    engine: what it does meanwhile, as the user says. watch_s: how long speed, supply and trims are read again and
    again, first of all, so that a crank is not over before the rest is read. say: told what is being done.
    Raises :class:`~witnessmark.errors.NoLink` where nothing answers.
    """
    reading = Reading(link)
    say("asking who is there")
    if not reading.ask(0x01, 0x00):
        raise NoLink(
            f"{link.bus.channel_info}: no control unit answers; is the ignition on and the bit rate right (250000 and "
            f"500000 are usual)? {'Try without' if link.wide else 'Try'} --wide-ids"
        )
    began_s = link.now_s()
    live = reading.numbers(0x01)
    if watch_s > 0.0:
        say(f"watching speed and supply for {watch_s:g} s")
        _watch(reading, [p for p in WATCHED if p in live][:AT_ONCE], watch_s)
    say("reading codes")
    for service in (0x03, 0x07, 0x0A):
        reading.ask(service)
    say("reading live values")
    for pid in live:
        reading.ask(0x01, pid)
    _freeze_frames(reading)
    say("reading vehicle information and on-board tests")
    offered = reading.numbers(0x09)
    for kind_of in INFORMATION:
        if kind_of in offered:
            reading.ask(0x09, kind_of)
    for monitor in reading.numbers(0x06):
        reading.ask(0x06, monitor)
    taken = datetime.now(UTC).isoformat(timespec="seconds")
    source = Source(
        kind, str(link.bus.channel_info), "can", taken, engine, link.now_s() - began_s, link.frames, reading.answers
    )
    units = tuple(reading.units[i].finished() for i in sorted(reading.units))
    return ScanSnapshot(source, units, shortened(link.notes))


def _watch(reading: Reading, watched: list[int], watch_s: float) -> None:
    until, together = reading.link.now_s() + watch_s, True
    while watched and reading.link.now_s() < until:
        if together and not reading.ask(0x01, *watched):
            together = False  # a unit that takes one parameter at a time: speed and supply alone then
        for pid in () if together else watched[:2]:
            reading.ask(0x01, pid)


def _freeze_frames(reading: Reading) -> None:
    """Frame 0 (the only one the standard asks for), where a code has frozen one."""
    reading.ask(0x02, FROZEN_BY, 0)
    if not any(f.code for u in reading.units.values() for f in u.frozen.values()):
        return
    for pid in reading.numbers(0x02, 0):
        if pid != FROZEN_BY:
            reading.ask(0x02, pid, 0)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one unit made of the request to erase: done, or why not."""

    address: str
    erased: bool
    why: str = ""


def erase_codes(link: Link, units: Iterable[int], typed: str) -> tuple[Outcome, ...]:
    """Ask all units to erase codes, freeze frames, readiness and trims (service 04).

    units: identifiers that answered before; one that stays silent is told as such. typed: what a person typed after the
    list of what will be lost; anything but :data:`WORD` raises :class:`~witnessmark.errors.NotConfirmed` and erases
    nothing. Nothing is asked twice.
    """
    if typed.strip() != WORD:
        raise NotConfirmed("not confirmed; nothing was erased")
    units = tuple(units)
    heard = {m.identifier: m for m in link.ask(b"\x04", units)}
    out = []
    for identifier in sorted({*units, *heard}):
        name = address(identifier, link.wide)
        if identifier not in heard:
            out.append(Outcome(name, False, "no answer"))
            continue
        said = decode(heard[identifier].payload)[0]
        out.append(Outcome(name, not isinstance(said, Refused), said.words if isinstance(said, Refused) else ""))
    return tuple(out)
