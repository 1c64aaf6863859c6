"""Simulated control units on a bus: they answer through can-isotp, as real ones do through theirs."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import count
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from witnessmark.scan.control_unit import SimulatedUnit
from witnessmark.scan.extra import needed
from witnessmark.scan.frames import REQUEST_TO_ALL, TESTER, WIDE_TO_ALL, request_to
from witnessmark.scan.link import Link, to_isotp

if TYPE_CHECKING:
    import can

_channels = count()


class Serving:
    """Answers on a bus in a thread of its own until left: ``with Serving(bus, bakery_van()): ...``."""

    def __init__(self, bus: can.BusABC, units: list[SimulatedUnit], wide: bool = False, pause_s: float = 0.02) -> None:
        """pause_s: how long a late answer takes."""
        self.bus, self.units, self.wide, self.pause_s = bus, units, wide, pause_s
        self._isotp = needed("isotp", "a simulated control unit")
        self._can = needed("can", "a simulated control unit")
        self._inbox: dict[int, deque[Any]] = {u.address: deque() for u in units}
        self._layers = {u.address: self._layer(u.address) for u in units}
        self._later: list[tuple[float, int, bytes]] = []
        self.answers = 0  # requests answered so far
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def _layer(self, address: int) -> Any:
        mode, inbox = self._isotp.AddressingMode, self._inbox[address]
        where = (
            self._isotp.Address(mode.NormalFixed_29bits, target_address=TESTER, source_address=address & 0xFF)
            if self.wide
            else self._isotp.Address(mode.Normal_11bits, rxid=request_to(address, False), txid=address)
        )

        def send(frame: Any) -> None:
            data = bytes(frame.data).ljust(8, b"\xaa")
            self.bus.send(self._can.Message(arbitration_id=frame.arbitration_id, is_extended_id=self.wide, data=data))

        return self._isotp.TransportLayerLogic(
            rxfn=lambda timeout: inbox.popleft() if inbox else None, txfn=send, address=where
        )

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._stop.set()
        self._thread.join(2.0)

    def run_until_stopped(self) -> None:
        """Serve in this thread until it is interrupted."""
        self._run()

    def _run(self) -> None:
        while not self._stop.is_set():
            frame = self.bus.recv(0.002)
            if frame is not None and bool(frame.is_extended_id) == self.wide:
                self._hear(frame)
            now = time.monotonic()
            for due in [item for item in self._later if item[0] <= now]:
                self._later.remove(due)
                self._layers[due[1]].send(due[2])
            for layer in self._layers.values():
                layer.process()

    def _hear(self, frame: can.Message) -> None:
        to_all = frame.arbitration_id == (WIDE_TO_ALL if self.wide else REQUEST_TO_ALL)
        for unit in self.units:
            alone = frame.arbitration_id == request_to(unit.address, self.wide)
            if alone and frame.data and frame.data[0] >> 4 == 3:
                self._inbox[unit.address].append(to_isotp(frame))
            elif (to_all or alone) and frame.data and 1 <= frame.data[0] <= 7:
                self._reply(unit, bytes(frame.data[1 : 1 + frame.data[0]]))

    def _reply(self, unit: SimulatedUnit, request: bytes) -> None:
        answer = unit.answer(request)
        if answer is None:
            return
        self.answers += 1
        if request[0] in unit.late:
            self._layers[unit.address].send(bytes([0x7F, request[0], 0x78]))
            self._later.append((time.monotonic() + self.pause_s, unit.address, answer))
        else:
            self._layers[unit.address].send(answer)


@contextmanager
def served(units: list[SimulatedUnit], wide: bool = False, tap: list[can.Message] | None = None) -> Iterator[Link]:
    """A link over a virtual bus of this process to simulated units; ``tap``: gets every frame of the bus in the end."""
    lib = needed("can", "a simulated control unit")
    channel = f"simulated{next(_channels)}"
    far, near, listener = (lib.Bus(interface="virtual", channel=channel) for _ in range(3))
    try:
        with Serving(far, units, wide), Link(near, wide) as link:
            yield link
            while tap is not None and (frame := listener.recv(0.0)) is not None:
                tap.append(frame)
    finally:
        far.shutdown()
        listener.shutdown()
