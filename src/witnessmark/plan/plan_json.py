"""Plans and hookups as plain JSON data."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from witnessmark.plan.model import Expected, Hookup, Plan, PlannedLine

PLAN = "witnessmark.plan/1"
HOOKUP = "witnessmark.hookup/1"


def plan_json(plan: Plan) -> dict[str, Any]:
    """The plan; pictures with their numbers and thinned traces, all said to be simulated."""
    return {
        "schema": PLAN,
        "test": plan.test,
        "statement": plan.statement,
        "state": plan.state,
        "lines": [_line(line) for line in plan.lines],
        "left_out": list(plan.left_out),
        "rate_hz": plan.rate_hz or None,
        "deg_per_sample": plan.deg_per_sample or None,
        "up_to_rpm": plan.up_to_rpm or None,
        "why_rate": plan.why_rate,
        "turns": plan.turns or None,
        "why_turns": plan.why_turns,
        "turning_s": plan.turning_s or None,
        "attempts": plan.attempts,
        "record_s": plan.record_s or None,
        "do": list(plan.do),
        "equipment": list(plan.equipment),
        "cautions": list(plan.cautions),
        "assumed": list(plan.assumed),
        "pictures": [_expected(p) for p in plan.pictures],
        "instead": plan.instead or None,
    }


def _line(line: PlannedLine) -> dict[str, Any]:
    row = asdict(line)
    row["of"] = line.of or None
    row["sensor"] = line.sensor or None
    row["resting"] = None if line.resting is None else list(line.resting)
    row["working"] = None if line.working is None else list(line.working)
    return row


def _expected(picture: Expected) -> dict[str, Any]:
    return {
        "origin": "simulated",
        "cause": picture.cause,
        "name": picture.name,
        "look_for": picture.look_for,
        "rpm": None if picture.rpm is None else round(picture.rpm, 1),
        "why_none": picture.why_none or None,
        "lines": [
            {
                "role": s.role,
                "label": s.label,
                "unit": s.unit,
                "low": round(s.low, 4),
                "high": round(s.high, 4),
                "edges_per_turn": None if s.edges_per_turn is None else round(s.edges_per_turn, 2),
                "time_s": [round(float(t), 6) for t in s.time_s],
                "value": [round(float(v), 4) for v in s.value],
            }
            for s in picture.strips
        ],
    }


def hookup_json(hookup: Hookup) -> dict[str, Any]:
    """What the first seconds show, line by line."""
    return {
        "schema": HOOKUP,
        "test": hookup.plan.test,
        "ok": hookup.ok,
        "turning": hookup.turning,
        "lines": [asdict(c) for c in hookup.lines],
        "cautions": list(hookup.plan.cautions),
    }
