"""The published schema of the advice: next tests, why this one, what was seen by hand, priors moved by closed cases."""

from __future__ import annotations

from witnessmark.report.schema_parts import (
    COUNT,
    FLAG,
    NUMBER,
    POSITIVE,
    SHARE,
    TEXT,
    Schema,
    among,
    listing,
    maybe,
    record,
)
from witnessmark.report.words import CAUSES

CAUSE = among(CAUSES)


def next_test_schema() -> Schema:
    """One test: cost, worth, outcomes and what each would do to the balance."""
    after = record({"id": CAUSE, "with": maybe(CAUSE), "probability": SHARE})
    outcome = record(
        {"result": TEXT, "then": TEXT},
        {
            "probability": {**maybe(SHARE), "description": "chance of this outcome as things stand"},
            "after": listing(after, description="the most probable causes after it"),
            "sees": listing(CAUSE, description="causes that it would show directly at the part"),
        },
    )
    return record(
        {
            "id": TEXT,
            "statement": TEXT,
            "why": TEXT,
            "minutes": COUNT,
            "gain_bits": POSITIVE,
            "outcomes": listing(outcome),
            "cautions": listing(TEXT),
        },
        {
            "cost_min": {**maybe(POSITIVE), "description": "minutes, opening, precautions, risk, what stays, material"},
            "worth_min": {**maybe(NUMBER), "description": "minutes saved on average after its cost is paid"},
            "invasiveness": {**maybe(COUNT), "description": "0 look at the record .. 4 open the engine"},
            "equipment": listing(TEXT),
        },
    )


def advice_schema() -> Schema:
    """Why the first test comes next."""
    turn = record({"cause": CAUSE, "factor": POSITIVE, "test": TEXT})
    action = record({"cause": CAUSE, "probability": SHARE, "statement": TEXT, "test": TEXT})
    return record(
        {
            "cost_now_min": {**POSITIVE, "description": "expected cost of the repair as things stand"},
            "chosen": {**maybe(TEXT), "description": "id of the next test"},
            "direct": {**FLAG, "description": "no test pays: the most worthwhile look at the part"},
            "runner_up": maybe(TEXT),
            "behind_min": {**maybe(NUMBER), "description": "by how much the runner-up is worse"},
            "why_not": TEXT,
            "turns": listing(turn, description="factors on priors at which another test is chosen, nearest first"),
            "reach": {**POSITIVE, "description": "priors were moved up to this many times either way"},
            "robust": TEXT,
            "actions": listing(action, description="what may be repaired: above 0.9 and observed at the part"),
            "stop": TEXT,
        }
    )


def observed_schema() -> Schema:
    """A test done by hand."""
    return record(
        {
            "test": TEXT,
            "result": TEXT,
            "sees": listing(CAUSE),
            "against": listing(CAUSE, description="causes that it looks for at the part and speaks against"),
            "when": TEXT,
            "by": TEXT,
            "note": TEXT,
            "cause": {**CAUSE, "description": "the cause that was first before it"},
            "with": maybe(CAUSE),
            "before": SHARE,
            "after": SHARE,
        }
    )


def prior_schema() -> Schema:
    """A prior with the closed cases that moved it."""
    return record(
        {"cause": CAUSE, "knowledge": SHARE, "cases": COUNT, "used": SHARE, "low_90": SHARE, "high_90": SHARE}
    )
