"""Commands on coil and injector lines, in time and in crank degrees, as one table."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine.model import Output, OutputEvent
from witnessmark.report.model import Analysis, Table
from witnessmark.report.words import ROLES

DASH = "–"


def outputs_tables(analysis: Analysis) -> tuple[Table, ...]:
    """How many commands each line gave, when, how long, and where in the cycle; none where none was recorded."""
    outputs = analysis.engine.outputs
    if not outputs:
        return ()
    phase = analysis.engine.phase
    cycle = 720.0 if phase.known and phase.turn_known else 360.0
    rows = tuple(_row(output, cycle) for output in outputs)
    columns = ("Line", "Command", "Cyl.", "Events", "First s", "Last s", "Length ms", "Begins at", "Ends at")
    caption = (
        f"Commands on the recorded lines. Angles are medians with their spread, {phase.reference.rstrip('.')}; "
        f"{DASH} where the record does not hold it."
    )
    return (Table("outputs", columns, rows, (), caption),)


def _row(output: Output, cycle_deg: float) -> tuple[str, ...]:
    events = output.events
    begins, ends = (_angle(events, pick, cycle_deg) for pick in (_begin, _end))
    length = np.array([e.end_s - e.start_s for e in events]) * 1e3
    return (
        output.channel,
        ROLES.get(output.role, output.role),
        DASH if output.cylinder is None else str(output.cylinder),
        str(len(events)),
        f"{events[0].start_s:.3f}" if events else DASH,
        f"{events[-1].start_s:.3f}" if events else DASH,
        f"{np.median(length):.2f}" if events else DASH,
        begins,
        ends,
    )


def _begin(event: OutputEvent) -> float | None:
    return event.start_deg


def _end(event: OutputEvent) -> float | None:
    return event.end_deg


def _angle(events: tuple[OutputEvent, ...], pick: Callable[[OutputEvent], float | None], cycle_deg: float) -> str:
    """Median and half the distance of the 16 and 84 % quantiles, about the circle."""
    known: NDArray[np.float64] = np.array([a for e in events if (a := pick(e)) is not None], dtype=np.float64)
    if known.size == 0:
        return DASH
    away = (known - known[0] + cycle_deg / 2) % cycle_deg - cycle_deg / 2
    middle = float((known[0] + np.median(away)) % cycle_deg)
    if known.size < 3:
        return f"{middle:.0f}°"
    low, high = np.quantile(away, [0.16, 0.84])
    return f"{middle:.0f}° ± {(high - low) / 2:.0f}°"
