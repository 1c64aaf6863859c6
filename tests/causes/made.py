"""Findings made up for the tests (no recording behind them)."""

from __future__ import annotations

from typing import Any

from witnessmark.causes.model import Verdict
from witnessmark.causes.weigh import Context, weigh
from witnessmark.findings.model import Finding, Findings, NotAssessed

VR = Context(sensor="vr", crank_judged=True, has_setup_wheel=True, roles=frozenset({"crank"}), turns=120.0)
HALL = Context(sensor="hall", crank_judged=True, roles=frozenset({"crank"}), turns=120.0)


def finding(kind: str, lock: str = "none", confidence: float = 0.9, **more: Any) -> Finding:
    slot = more.get("slot")
    where = f" at slot {slot}" if slot is not None else ""
    defaults: dict[str, Any] = {
        "id": f"F-{kind}-{slot}",
        "channel": "crank line",
        "statement": f"{kind}{where} in the made record",
    }
    return Finding(kind=kind, lock=lock, confidence=confidence, ranges=(), **{**defaults, **more})


def verdict(*found: Finding, context: Context = VR, not_assessed: tuple[NotAssessed, ...] = ()) -> Verdict:
    return weigh(Findings(found, not_assessed), context)


def chances(result: Verdict) -> dict[str, float]:
    """Probability that a cause is there, alone or in a pair."""
    out: dict[str, float] = {}
    for cause in result.causes:
        for member in (cause.id, cause.with_):
            if member is not None:
                out[member] = out.get(member, 0.0) + cause.probability
    return out
