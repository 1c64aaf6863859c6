"""Commands on coil and injector lines, in time and in crank degrees, one table for the coils and one for injectors."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine.facts import Facts, facts_from
from witnessmark.engine.model import Output, OutputEvent
from witnessmark.report.compose_parts import measured
from witnessmark.report.model import Analysis, Section, Sentence, Table
from witnessmark.report.words import listed, plural

DASH = "–"
TITLE = "The commands to coils and injectors"
HEADS = {
    "coil": (
        "Coil", "Cyl.", "Sparks", "Missing", "First s", "Last s", "Dwell ms", "Dwell from", "Spark at", "From its TDC",
    ),
    "injector": (
        "Injector", "Cyl.", "Injections", "Missing", "First s", "Last s", "Length ms", "Begins at", "Ends at",
        "Begin from its TDC",
    ),
}  # fmt: skip


def outputs_section(analysis: Analysis) -> Section:
    """What was commanded, line by line; empty where no such line was recorded."""
    return Section("commands", TITLE, tuple(_sentences(analysis)), (), outputs_tables(analysis))


def outputs_tables(analysis: Analysis) -> tuple[Table, ...]:
    """How many commands each line gave, when, how long, where in the cycle, and how many stayed away beside the others.

    One table a role; none where none was recorded.
    """
    skips = skipped_of(analysis)
    return tuple(_table(analysis, role, skips) for role in HEADS if _of(analysis, role))


def skipped_of(analysis: Analysis) -> dict[str, tuple[int, int]]:
    """(missing, due) of each line, where the other lines of its kind show when a command is due."""
    angle = analysis.wheel.angle
    from witnessmark.engine import cadence  # compiled code, which a summary need not load

    every = [s for role in HEADS for s in cadence.skips_of(_of(analysis, role), angle)]
    return {s.output.channel: (len(s.skipped_s), s.due) for s in cadence.alone(every) if s.due}


def _of(analysis: Analysis, role: str) -> list[Output]:
    return [o for o in analysis.engine.outputs if o.role == role]


def _sentences(analysis: Analysis) -> list[Sentence]:
    """One sentence a role on the whole: how many cylinders and which of them missed commands."""
    out = []
    skips = skipped_of(analysis)
    for role, word in (("coil", "spark"), ("injector", "injection")):
        mine = _of(analysis, role)
        if not mine:
            continue
        silent = [o.channel for o in mine if not o.events]
        text = f"{plural(sum(len(o.events) for o in mine), word)} on {plural(len(mine), role + ' line')}"
        gone = [f"{o.channel} ({skips[o.channel][0]})" for o in mine if skips.get(o.channel, (0, 0))[0]]
        if gone and len(gone) == len([o for o in mine if o.channel in skips]):
            text += "; commands stay away on every line"
        elif gone:
            text += f"; missing while the others go on: {listed(gone)}"
        elif any(o.channel in skips for o in mine):
            text += "; none is missing while the others go on"
        text += f"; none at all on {listed(silent)}" if silent else ""
        out.append(measured(analysis, f"{text}."))
    return out


def _table(analysis: Analysis, role: str, skips: dict[str, tuple[int, int]]) -> Table:
    phase = analysis.engine.phase
    cycle = 720.0 if phase.known and phase.turn_known else 360.0
    facts = facts_from(analysis.setup)
    rows = tuple(_row(o, cycle, _own(analysis, facts, o), skips.get(o.channel)) for o in _of(analysis, role))
    length = "Dwell" if role == "coil" else "Length"
    if role == "injector" and _of(analysis, "coil"):
        return Table("injections", HEADS[role], rows, (), "The injections likewise; length: the time of the command.")
    caption = (
        f"{length} and angles are medians with their spread over the record (half of what 68 in 100 lie within). "
        f"Angles: {phase.reference.rstrip('.')}. Missing: commands due, by the other lines of the kind, that did not "
        f"come. {DASH} where the record does not hold it."
    )
    return Table("sparks" if role == "coil" else "injections", HEADS[role], rows, (), caption)


def _row(output: Output, cycle_deg: float, own: str, skipped: tuple[int, int] | None) -> tuple[str, ...]:
    events = output.events
    length = np.array([e.end_s - e.start_s for e in events]) * 1e3
    return (
        output.channel,
        DASH if output.cylinder is None else str(output.cylinder),
        str(len(events)),
        DASH if skipped is None else f"{skipped[0]} of {skipped[1]}",
        f"{events[0].start_s:.3f}" if events else DASH,
        f"{events[-1].start_s:.3f}" if events else DASH,
        _length(length),
        _angle(events, _begin, cycle_deg),
        _angle(events, _end, cycle_deg),
        own,
    )


def _length(length_ms: NDArray[np.float64]) -> str:
    if length_ms.size == 0:
        return DASH
    middle = f"{np.median(length_ms):.2f}"
    return middle if length_ms.size < 3 else f"{middle} ± {_half(length_ms):.2f}"


def _half(values: NDArray[np.float64]) -> float:
    low, high = np.quantile(values, [0.16, 0.84])
    return float(high - low) / 2


def _begin(event: OutputEvent) -> float | None:
    return event.start_deg


def _end(event: OutputEvent) -> float | None:
    return event.end_deg


def _own(analysis: Analysis, facts: Facts, output: Output) -> str:
    """Where the spark (the begin of injection) lies against the firing TDC of the line's own cylinder, in words."""
    phase = analysis.engine.phase
    firing = facts.firing_deg.get(output.cylinder or 0)
    if not phase.known or firing is None or phase.tdc_source == "coil":
        return DASH  # a TDC that was taken from sparks is no measure of a spark
    cycle = 720.0 if phase.turn_known and facts.ignition != "wasted-spark" else 360.0
    pick = _end if output.role == "coil" else _begin
    got = _middle([a for e in output.events if (a := pick(e)) is not None], cycle)
    if got is None:
        return DASH
    after = (got[0] - firing + cycle / 2) % cycle - cycle / 2
    spread = "" if got[1] is None else f" ± {got[1]:.0f}°"
    return f"{abs(after):.0f}°{spread} {'before' if after < 0 else 'after'}"


def _middle(angles_deg: Sequence[float], cycle_deg: float) -> tuple[float, float | None] | None:
    """(median about the circle, half the distance of the 16 and 84 % quantiles; None with fewer than three)."""
    known: NDArray[np.float64] = np.asarray(angles_deg, dtype=np.float64)
    if known.size == 0:
        return None
    turned = np.exp(1j * np.radians(known * 360.0 / cycle_deg)).sum()
    centre = float(np.degrees(np.angle(turned)) * cycle_deg / 360.0) if abs(turned) > 1e-9 else float(known[0])
    away = (known - centre + cycle_deg / 2) % cycle_deg - cycle_deg / 2
    middle = float((centre + np.median(away)) % cycle_deg)
    return middle, None if known.size < 3 else _half(away)


def _angle(events: tuple[OutputEvent, ...], pick: Callable[[OutputEvent], float | None], cycle_deg: float) -> str:
    got = _middle([a for e in events if (a := pick(e)) is not None], cycle_deg)
    if got is None:
        return DASH
    whole = f"{round(got[0]) % cycle_deg:.0f}°"
    return whole if got[1] is None else f"{whole} ± {got[1]:.0f}°"
