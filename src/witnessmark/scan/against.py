"""Trouble codes held against what a recording of the same vehicle shows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from witnessmark.findings.kinds import CAM_KINDS, CRANK_KINDS
from witnessmark.findings.model import Finding, Findings
from witnessmark.scan.meanings import Meaning, meaning
from witnessmark.scan.model import ScanSnapshot

Verdict = Literal["agrees", "hinted", "not-borne-out", "not-recorded", "no-test", "contradicts", "without-code"]
CONFIDENCE_LEFT = 0.05  # of the bound: a fault in more turns than it says would have shown with 95 %


@dataclass(frozen=True, slots=True)
class Recorded:
    """What the recording held: the roles of its lines, and turns of the crank that were decoded (None: no wheel)."""

    roles: frozenset[str]
    turns: float | None


@dataclass(frozen=True, slots=True)
class Agreement:
    """One code (``""`` for a finding that no code speaks of) and what the recording says of it.

    because: ids of the recording's findings it rests on, or of those that no code speaks of.
    """

    code: str
    verdict: Verdict
    statement: str
    because: tuple[str, ...] = ()


def against(snapshot: ScanSnapshot, signals: Findings, scan: Findings, recorded: Recorded) -> tuple[Agreement, ...]:
    """Each code of the snapshot against the recording, then what only one of the two sides knows of.

    signals: findings of the recording; scan: :func:`witnessmark.scan.judge.judge`'s of the snapshot.
    """
    codes = sorted({c for u in snapshot.units for c in (*u.codes, *u.earlier)})
    told = [_code(meaning(c), signals, recorded) for c in codes]
    return (*told, *_speed(scan, recorded), *_without_code(codes, signals, scan))


def _code(said: Meaning, signals: Findings, recorded: Recorded) -> Agreement:
    name = f"{said.code} ({said.words})"
    group = said.group
    if group is None or not group.agrees or not group.roles:
        return Agreement(
            said.code, "no-test", f"{name}: a recording of these lines can neither bear it out nor refute it."
        )
    meant = cylinder_of(said.code)
    near = [f for f in signals.found if f.kind in group.agrees and _same_cylinder(meant, f)]
    stated = [f for f in near if f.stated]
    if stated:
        return Agreement(said.code, "agrees", f"{name}: the recording shows what it says ({_named(stated)}).",
                         tuple(f.id for f in stated))  # fmt: skip
    missing = [r for r in group.roles if r not in recorded.roles]
    if missing:
        lines = " and ".join(missing)
        return Agreement(said.code, "not-recorded", f"{name}: cannot be tried, for no {lines} line was recorded.")
    if near:
        hints = f"{name}: the recording hints at it ({_named(near)}) and does not prove it."
        return Agreement(said.code, "hinted", hints, tuple(f.id for f in near))
    if recorded.turns is None or recorded.turns < 1.0:
        return Agreement(said.code, "not-recorded", f"{name}: cannot be tried, for no turn of the crank was decoded.")
    bound = 1.0 - CONFIDENCE_LEFT ** (1.0 / recorded.turns)
    return Agreement(
        said.code, "not-borne-out",
        f"{name}: nothing of it is seen in {recorded.turns:.0f} turns. What happens in more than {100 * bound:.2g} % "
        "of turns would have shown (95 %); it may be older, rarer, or lie between the tap and the control unit.",
    )  # fmt: skip


def _named(found: list[Finding]) -> str:
    return ", ".join(f"{f.id} {f.kind}" for f in found)


def _same_cylinder(meant: int | None, f: Finding) -> bool:
    return meant is None or f.cylinder is None or f.cylinder == meant


def cylinder_of(code: str) -> int | None:
    """The cylinder a code names: misfire P0301-12, injector P0201-12 and P0261-96, three to a cylinder; else None."""
    if code[:2] != "P0" or not code[2:].isdecimal():
        return None
    number = int(code[2:])
    for first, last, step in ((301, 312, 1), (201, 212, 1), (261, 296, 3)):
        if first <= number <= last:
            return (number - first) // step + 1
    return None


def _speed(scan: Findings, recorded: Recorded) -> tuple[Agreement, ...]:
    """The control unit sees no speed, and the recording holds turns: the pulses are there at the tap."""
    blind = [f for f in scan.found if f.kind == "speed-not-seen" and f.stated]
    if not blind or recorded.turns is None or recorded.turns < 1.0:
        return ()
    return (
        Agreement(
            "", "contradicts",
            f"The control unit sees no speed, and {recorded.turns:.0f} turns are decoded from the recorded crank line: "
            "if both were taken of the same cranking, what is wrong lies between the tap and the control unit, or the "
            "unit does not accept these pulses.",
            tuple(f.id for f in blind),
        ),
    )  # fmt: skip


def _without_code(codes: list[str], signals: Findings, scan: Findings) -> tuple[Agreement, ...]:
    """Stated findings of crank and cam lines that no code speaks of."""
    spoken = {k for c in codes if (g := meaning(c).group) is not None for k in g.agrees}
    left = [f for f in signals.found if f.stated and f.kind in (*CRANK_KINDS, *CAM_KINDS) and f.kind not in spoken]
    if not left:
        return ()
    erased = [f for f in scan.found if f.kind == "codes-erased" and f.stated]
    why = ": the codes were erased not long ago" if erased else ""
    return (
        Agreement(
            "", "without-code", f"No code speaks of {_named(left)}{why}. No code is no proof that nothing is wrong.",
            tuple(f.id for f in left),
        ),
    )  # fmt: skip
