"""All families of findings over one snapshot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache

from witnessmark.findings.limits import Limits, load_limits
from witnessmark.findings.measured import numbered
from witnessmark.findings.model import Finding, Findings
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


def together(said: Sequence[Findings]) -> tuple[Findings, tuple[int, ...]]:
    """What several snapshots of one vehicle say, oldest first, and for each finding which of them it is from.

    What a later one says again of the same control unit (and code) stands as the later says it: read again, it is no
    further evidence. A question stays open where every one of them leaves it open.
    """
    kept: list[tuple[int, Finding]] = []
    for n, one in enumerate(said):
        again = {_subject(f) for f in one.found}
        kept = [(k, f) for k, f in kept if _subject(f) not in again] + [(n, f) for f in one.found]
    kept.sort(key=lambda p: (not p[1].stated, -p[1].confidence))
    found = tuple(replace(f, id=f"F{k}") for k, (_, f) in enumerate(kept, start=1))
    asked = dict.fromkeys(q for one in said for q in one.not_assessed)
    open_ = tuple(q for q in asked if all(q in one.not_assessed for one in said))
    return Findings(found, open_), tuple(n for n, _ in kept)


def _subject(f: Finding) -> tuple[object, ...]:
    return f.kind, f.evidence.get("control_unit"), f.evidence.get("code")
