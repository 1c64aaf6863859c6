"""Causes and next tests as plain JSON data."""

from __future__ import annotations

from typing import Any

from witnessmark.causes.model import Advice, Cause, NextTest, Observed, Prior, Share
from witnessmark.report.plain import plain, rounded_to_one, share


def causes(found: tuple[Cause, ...]) -> list[dict[str, Any]]:
    """Causes by probability; the probabilities sum to 1 as written."""
    ordered = sorted(found, key=lambda c: -c.probability)
    probabilities = rounded_to_one([c.probability for c in ordered])
    return [
        {
            "id": cause.id,
            "with": cause.with_,
            "target": plain(cause.target),
            "probability": probability,
            "statement": cause.statement,
            "because": list(cause.because),
        }
        for cause, probability in zip(ordered, probabilities, strict=True)
    ]


def next_test(test: NextTest) -> dict[str, Any]:
    """One test with its outcomes and cautions."""
    return {
        "id": test.id,
        "statement": test.statement,
        "why": test.why,
        "minutes": int(test.minutes),
        "gain_bits": share(test.gain_bits),
        "outcomes": [
            {
                "result": o.result,
                "then": o.then,
                "probability": None if o.probability is None else share(o.probability),
                "after": [_share(s) for s in o.after],
                "sees": list(o.sees),
            }
            for o in test.outcomes
        ],
        "cautions": list(test.cautions),
        "cost_min": _minutes(test.cost_min),
        "worth_min": _minutes(test.worth_min),
        "invasiveness": test.invasiveness,
        "equipment": list(test.equipment),
    }


def _share(one: Share) -> dict[str, Any]:
    return {"id": one.id, "with": one.with_, "probability": share(one.probability)}


def _minutes(value: float | None) -> float | None:
    return None if value is None else round(value, 2)


def advice(given: Advice | None) -> dict[str, Any] | None:
    """Why the first test comes next, what would change it, and what may be repaired."""
    if given is None:
        return None
    return {
        "cost_now_min": _minutes(given.cost_now_min),
        "chosen": given.chosen,
        "direct": given.direct,
        "runner_up": given.runner_up,
        "behind_min": _minutes(given.behind_min),
        "why_not": given.why_not,
        "turns": [{"cause": t.cause, "factor": float(f"{t.factor:.4g}"), "test": t.test} for t in given.turns],
        "reach": given.reach,
        "robust": given.robust,
        "actions": [
            {"cause": a.cause, "probability": share(a.probability), "statement": a.statement, "test": a.test}
            for a in given.actions
        ],
        "stop": given.stop,
    }


def observed(seen: Observed) -> dict[str, Any]:
    """One observation by hand, and what it did to the cause that was first before it."""
    return {
        "test": seen.test,
        "result": seen.result,
        "sees": list(seen.sees),
        "against": list(seen.against),
        "when": seen.when,
        "by": seen.by,
        "note": seen.note,
        "cause": seen.cause,
        "with": seen.with_,
        "before": share(seen.before),
        "after": share(seen.after),
    }


def prior(one: Prior) -> dict[str, Any]:
    """One prior: as delivered, closed cases, as used."""
    return {
        "cause": one.cause,
        "knowledge": share(one.knowledge),
        "cases": one.cases,
        "used": share(one.used),
        "low_90": share(one.low_90),
        "high_90": share(one.high_90),
    }
