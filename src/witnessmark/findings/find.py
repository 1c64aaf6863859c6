"""All families of findings over one record, in an order in which each leaves out what those before have explained."""

from __future__ import annotations

import re
from dataclasses import replace

from witnessmark.engine.model import EngineResult
from witnessmark.findings import (
    cams,
    cylinders,
    dropouts,
    layout,
    levels,
    lost,
    outputs,
    pressures,
    record,
    record_probe,
    replayed,
    runout,
    spurious,
    start,
    supply,
    teeth,
    valves,
)
from witnessmark.findings.limits import Limits, default_limits
from witnessmark.findings.measured import Family, Measured, Outcome, numbered
from witnessmark.findings.model import Findings
from witnessmark.recording.model import Recording
from witnessmark.recording.setup import Setup
from witnessmark.signals.model import Signals
from witnessmark.wheel.model import WheelResult

FAMILIES: tuple[Family, ...] = (
    lost.FAMILY,
    teeth.FAMILY,
    runout.FAMILY,
    layout.FAMILY,
    dropouts.FAMILY,
    spurious.FAMILY,
    levels.FAMILY,
    supply.FAMILY,
    cams.FAMILY,
    start.FAMILY,
    outputs.FAMILY,
    cylinders.FAMILY,
    pressures.FAMILY,
    valves.FAMILY,
    record.FAMILY,
    record_probe.FAMILY,
)


def find(
    signals: Signals,
    wheel: WheelResult,
    engine: EngineResult,
    setup: Setup,
    recording: Recording,
    limits: Limits | None = None,
) -> Findings:
    """Everything odd in the record by confidence, what could not be judged, and what "nothing seen" means.

    Never raises for what a record holds. ``limits``: other than those that come with the program.
    """
    measured = Measured(signals, wheel, engine, setup, recording, limits or default_limits())
    out = Outcome()
    for family in FAMILIES:
        out += family.find(measured, out)
    unique = {n.question: n for n in reversed(out.not_assessed)}
    kept = tuple(n for n in out.not_assessed if unique[n.question] is n)
    believed = runout.beside_misfires(measured, layout.doubted(measured, out.found))
    believed = record.discounted(measured, believed, out.extras)
    believed = supply.with_ends(measured, record.beside_cuts(measured, pressures.beside_uneven(measured, believed)))
    result = replayed.replay(measured, believed)
    said = [replace(f, statement=spaced(f.statement)) for f in replayed.told(believed, result)]
    return Findings(
        numbered(said),
        tuple(replace(n, reason=spaced(n.reason)) for n in kept),
        tuple(spaced(b) for b in out.bounds),
        result,
    )


def spaced(text: str) -> str:
    """Per cent as the outputs write it everywhere: ``45 %``."""
    return re.sub(r"(\d)%", r"\1 %", text)
