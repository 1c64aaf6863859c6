"""A virtual bus with the simulated van at its other end. All that is read from it is simulated."""

from __future__ import annotations

from contextlib import AbstractContextManager

import can

from witnessmark.scan import serving
from witnessmark.scan.control_unit import SimulatedUnit, bakery_van
from witnessmark.scan.link import Link


def served(
    units: list[SimulatedUnit] | None = None, wide: bool = False, tap: list[can.Message] | None = None
) -> AbstractContextManager[Link]:
    """A link to the units (the van's by default); ``tap`` collects every frame of the bus."""
    return serving.served(bakery_van(wide=wide) if units is None else units, wide, tap)
