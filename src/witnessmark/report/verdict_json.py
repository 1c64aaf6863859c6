"""Causes and next tests as plain JSON data."""

from __future__ import annotations

from typing import Any

from witnessmark.causes.model import Cause, NextTest
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
        "outcomes": [{"result": o.result, "then": o.then} for o in test.outcomes],
        "cautions": list(test.cautions),
    }
