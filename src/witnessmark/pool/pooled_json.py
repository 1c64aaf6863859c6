"""The pool as plain JSON data."""

from __future__ import annotations

from typing import Any

from witnessmark.pool.model import Pooled, PooledFinding
from witnessmark.report import verdict_json
from witnessmark.report.analysis_json import finding_json
from witnessmark.report.plain import share

SCHEMA = "witnessmark.pooled/1"


def pooled_json(pooled: Pooled) -> dict[str, Any]:
    """Recordings, findings over all, teeth, bounds and the balance; next tests as in an analysis."""
    verdict = pooled.verdict
    return {
        "schema": SCHEMA,
        "recordings": [
            {"mark": m.mark, "path": m.path, "turns": round(m.turns, 3), "turning": m.turning, "stated": m.stated}
            for m in pooled.members
        ],
        "turns": round(pooled.turns, 3),
        "findings": [_finding(p) for p in pooled.findings],
        "teeth": [
            {
                "slot": t.slot,
                "expected": t.expected,
                "seen": t.seen,
                "passages": t.passages,
                "each": [{"mark": mark, "seen": seen, "passages": passages} for mark, seen, passages in t.each],
            }
            for t in pooled.teeth
        ],
        "bounds": list(pooled.bounds),
        "causes": verdict_json.causes(verdict.causes),
        "what_would_change": verdict.what_would_change or None,
        "next_tests": [verdict_json.next_test(t) for t in verdict.next_tests],
        "advice": verdict_json.advice(verdict.advice),
        "observed": [verdict_json.observed(o) for o in verdict.observed],
        "priors": [verdict_json.prior(p) for p in verdict.priors],
        "cautions": list(pooled.cautions),
    }


def _finding(one: PooledFinding) -> dict[str, Any]:
    return {
        **finding_json(one.finding),
        "members": [{"mark": mark, "id": i} for mark, i in one.members],
        "judged": list(one.judged),
        "hits": one.hits,
        "chances": one.chances,
        "low_95": None if one.low_95 is None else share(one.low_95),
        "high_95": None if one.high_95 is None else share(one.high_95),
    }
