"""The pool as plain text for the terminal; at most 100 columns."""

from __future__ import annotations

import os

from witnessmark.pool.model import Pooled
from witnessmark.report.blocks import block
from witnessmark.report.compose_advice import observed_words
from witnessmark.report.words import CAUSES, local_once, percent, plural

CAUSES_SHOWN = 4
FINDINGS_SHOWN = 6
WORTH_A_LINE = 0.01


def summary(pooled: Pooled) -> str:
    """About a screenful, without a line break at the end."""
    advice = pooled.verdict.advice
    tests = pooled.verdict.next_tests
    lines = block("Pooled", [_head(pooled)])
    lines += block("From", [_member(pooled, n) for n in range(len(pooled.members))])
    lines += block("Causes", [_causes(pooled)])
    lines += block("Evidence", _evidence(pooled))
    lines += block("Bounds", list(pooled.bounds))
    lines += block("Observed", [observed_words(o) for o in pooled.verdict.observed])
    lines += block("Repair", [] if advice is None else [a.statement for a in advice.actions])
    if tests:
        lines += block("Next test", [f"{tests[0].statement.rstrip('.')} ({tests[0].minutes} min).",
                                      *(f"Caution: {c}" for c in local_once(tests[0].cautions))])  # fmt: skip
    lines += block("Cautions", [c for c in pooled.cautions if not tests or c not in tests[0].cautions])
    return "\n".join(lines)


def _head(pooled: Pooled) -> str:
    return f"{plural(len(pooled.members), 'recording')}, {plural(round(pooled.turns), 'turn')} decoded in all."


def _member(pooled: Pooled, number: int) -> str:
    member = pooled.members[number]
    found = plural(member.stated, "finding")
    return f"{member.mark}: {os.path.basename(member.path)}, {plural(round(member.turns), 'turn')}, {found}."


def _causes(pooled: Pooled) -> str:
    shown = [c for k, c in enumerate(pooled.verdict.causes) if k == 0 or c.probability >= WORTH_A_LINE][:CAUSES_SHOWN]
    parts = []
    for cause in shown:
        at = f" at slot {cause.target}" if isinstance(cause.target, int) and "tooth" in cause.id else ""
        with_ = f" with {CAUSES.get(cause.with_, cause.with_)}" if cause.with_ else ""
        parts.append(f"{CAUSES.get(cause.id, cause.id)}{at}{with_} {percent(cause.probability)}")
    return "; ".join(parts) + "."


def _evidence(pooled: Pooled) -> list[str]:
    stated = [p for p in pooled.findings if p.finding.stated]
    out = [
        f"{p.finding.id} {p.finding.statement.rstrip('.')} (confidence {p.finding.confidence:.2f}; "
        f"{', '.join(f'{mark} {i}' for mark, i in p.members)})."
        for p in stated[:FINDINGS_SHOWN]
    ]
    if len(stated) > FINDINGS_SHOWN:
        out.append(f"and {plural(len(stated) - FINDINGS_SHOWN, 'more finding')}.")
    hints = len(pooled.findings) - len(stated)
    return out + ([f"{plural(hints, 'hint')} besides."] if hints else []) or ["No finding is stated."]
