"""All families of findings over one snapshot."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

from witnessmark.findings.limits import Limits, load_limits
from witnessmark.findings.measured import numbered
from witnessmark.findings.model import Findings
from witnessmark.scan import history, temperatures, values
from witnessmark.scan.measured import FILE, Family, Heard, Outcome
from witnessmark.scan.model import ScanSnapshot

FAMILIES: tuple[Family, ...] = (history.FAMILY, values.SPEED, values.TRIMS, values.CHARGING, temperatures.FAMILY)


@lru_cache(maxsize=1)
def default_limits() -> Limits:
    """The limits that come with the program."""
    return load_limits(FILE)


def judge(snapshot: ScanSnapshot, limits: Limits | None = None) -> Findings:
    """Everything odd in the snapshot by confidence, and what could not be judged.

    Never raises for what a snapshot holds. The findings have the form of those of a recording; they rest on no stretch
    of one: their evidence names control unit, parameters, bytes and times instead.
    """
    heard = Heard(snapshot, limits or default_limits())
    out = Outcome()
    for family in FAMILIES:
        out += family.find(heard)
    return Findings(numbered(out.found), out.not_assessed)


def beside(recorded: Findings, scan: Findings) -> Findings:
    """The findings of a recording with those of a snapshot of the same vehicle after them, numbered on."""
    first = len(recorded.found) + 1
    more = tuple(replace(f, id=f"F{n}") for n, f in enumerate(scan.found, start=first))
    return replace(recorded, found=recorded.found + more, not_assessed=recorded.not_assessed + scan.not_assessed)
