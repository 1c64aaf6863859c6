"""A virtual bus with the simulated van at its other end. All that is read from it is simulated."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from itertools import count

import can

from witnessmark.scan.control_unit import Serving, SimulatedUnit, bakery_van
from witnessmark.scan.link import Link

_number = count()


@contextmanager
def served(
    units: list[SimulatedUnit] | None = None, wide: bool = False, tap: list[can.Message] | None = None
) -> Iterator[Link]:
    """A link to the units (the van's by default); ``tap`` collects every frame of the bus."""
    channel = f"van{next(_number)}"
    far = can.Bus(interface="virtual", channel=channel)
    listener = can.Bus(interface="virtual", channel=channel)
    try:
        with (
            Serving(far, bakery_van(wide=wide) if units is None else units, wide),
            Link(can.Bus(interface="virtual", channel=channel), wide) as link,
        ):
            yield link
            while tap is not None and (frame := listener.recv(0.0)) is not None:
                tap.append(frame)
    finally:
        far.shutdown()
        listener.shutdown()
