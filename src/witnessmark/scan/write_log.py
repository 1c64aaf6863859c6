"""A log of the simulated van being read, for tests and for trying things out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from witnessmark.errors import BadOutput
from witnessmark.output import check_places, writing
from witnessmark.scan.ask import read_vehicle
from witnessmark.scan.control_unit import bakery_van
from witnessmark.scan.extra import needed
from witnessmark.scan.model import Engine
from witnessmark.scan.serving import served

if TYPE_CHECKING:
    import can

WRITERS = {".log": "CanutilsLogWriter", ".asc": "ASCWriter", ".blf": "BLFWriter", ".trc": "TRCWriter"}


def write_simulated(out: str, engine: Engine, wide: bool = False) -> int:
    """Read the van over a virtual bus and write every frame of it; the number of frames. BadOutput with one line."""
    suffix = Path(out).suffix.lower()
    if suffix not in WRITERS:
        raise BadOutput(f"{out}: the suffix chooses the format, expected one of {', '.join(WRITERS)}; rename it")
    check_places([out])
    lib = needed("can", f"{out}: writing a log of the bus")
    frames: list[can.Message] = []
    with served(bakery_van(engine, wide), wide, frames) as link:
        read_vehicle(link, engine, watch_s=1.0, kind="simulated")
    with writing(out) as goal, getattr(lib, WRITERS[suffix])(goal.name) as log:  # the library opens it by its name
        if suffix == ".trc":
            log.filepath = Path(out).name  # which it writes into the head of the log
        for frame in frames:
            log.on_message_received(frame)
    return len(frames)
