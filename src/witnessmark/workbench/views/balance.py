"""The balance: every cause with its probability, which finding moved it how far, and the tests that would move it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from witnessmark.causes.catalogue import Knowledge, load_knowledge
from witnessmark.causes.ids import NONE_FOUND
from witnessmark.causes.say import name_of, share, slot_words, times_words
from witnessmark.causes.weigh import Balance, Entry, Weighed, balance_of
from witnessmark.pipeline import context_of
from witnessmark.report import verdict_json
from witnessmark.report.words import KINDS
from witnessmark.workbench.views.arrays import number

if TYPE_CHECKING:
    from witnessmark.causes.model import Cause
    from witnessmark.report.model import Analysis

LISTED, ALWAYS = 8, 3  # causes drawn as bars at most and at least; the rest is summed up in words
WORTH_A_BAR = 0.005
SAYS_NOTHING = 1.1  # a finding that makes less than this between two causes does not tell them apart


def balance_view(analysis: Analysis) -> dict[str, Any]:
    """Causes in order of probability with the findings that moved them, next tests in words, what would change it."""
    verdict = analysis.verdict
    knowledge = load_knowledge()
    balance = _balance(analysis, knowledge)
    shares = [told["probability"] for told in verdict_json.causes(verdict.causes)]
    causes = [
        _cause(c, verdict.causes, p, balance, knowledge) for c, p in zip(_ordered(verdict.causes), shares, strict=True)
    ]
    bars = min(LISTED, max(ALWAYS, sum(c["probability"] >= WORTH_A_BAR for c in causes)))
    bars = len(causes) if len(causes) == bars + 1 else bars  # one left over is named rather than counted
    return {
        "causes": causes[:bars],
        "rest": number(math.fsum(c["probability"] for c in causes[bars:]), 6) if causes[bars:] else None,
        "rest_count": len(causes[bars:]),
        "what_would_change": verdict.what_would_change,
        "tests": [_test(t, knowledge) for t in verdict.next_tests],
        "advice": verdict_json.advice(verdict.advice),
        "observed": [verdict_json.observed(o) for o in verdict.observed],
        "says": _says(causes),
    }


def _ordered(causes: tuple[Cause, ...]) -> list[Cause]:
    return sorted(causes, key=lambda c: -c.probability)


def _balance(analysis: Analysis, knowledge: Knowledge) -> Balance:
    """The findings weighed again, for what each of them says (which no prior changes)."""
    context = context_of(analysis.signals, analysis.wheel, analysis.engine, analysis.setup, analysis.in_motion)
    return balance_of(analysis.findings, context, knowledge)


def _cause(
    cause: Cause, causes: tuple[Cause, ...], probability: float, balance: Balance, knowledge: Knowledge
) -> dict[str, Any]:
    rival = _rival(cause, causes)
    return {
        "id": cause.id,
        "with": cause.with_,
        "name": name_of(cause, knowledge),
        "target": cause.target,
        "where": _where(cause),
        "probability": probability,
        "in_words": share(cause.probability),
        "statement": cause.statement,
        "because": list(cause.because),
        "against": None if rival is None else name_of(rival, knowledge),
        "moved": [] if rival is None else _moved(cause, rival, balance),
    }


def _rival(cause: Cause, causes: tuple[Cause, ...]) -> Cause | None:
    """What a cause is held against: the first one, or for the first the strongest behind it that is a cause.

    None for "nothing wrong", which the findings do not weigh against anything: it falls with their confidence.
    """
    ordered = [c for c in _ordered(causes) if c.id != NONE_FOUND]
    if cause.id == NONE_FOUND or len(ordered) < 2:
        return None
    return ordered[1] if cause is ordered[0] else ordered[0]


def _where(cause: Cause) -> str:
    if cause.target is None:
        return ""
    if isinstance(cause.target, int):
        return slot_words([cause.target]) if cause.id.startswith("trigger-wheel") else f"cylinder {cause.target}"
    return str(cause.target)


def _log(weighed: Weighed, cause: Cause | Entry) -> float:
    members = (cause.id,) if cause.with_ is None else (cause.id, cause.with_)
    return max(weighed.log(m) for m in members)


def _moved(cause: Cause, rival: Cause, balance: Balance) -> list[dict[str, Any]]:
    """How many times more (below 1: less) each weighed finding speaks for a cause than for its rival."""
    out = []
    for weighed in balance.weighed:
        log = balance.sharpness * (_log(weighed, cause) - _log(weighed, rival))
        times = math.exp(min(max(log, -30.0), 30.0))
        if max(times, 1.0 / times) < SAYS_NOTHING:
            words = "tells the two hardly apart"
        elif times > 1.0:
            words = f"speaks for it, {times_words(times)} times likelier with it"
        else:
            words = f"speaks against it, {times_words(1.0 / times)} times likelier with the other"
        out.append({"finding": weighed.finding.id, "kind": KINDS[weighed.finding.kind], "times": float(f"{times:.4g}"),
                    "says": words})  # fmt: skip
    return sorted(out, key=lambda row: -abs(math.log(row["times"])))


def _test(test: Any, knowledge: Knowledge) -> dict[str, Any]:
    """A next test as the analysis has it, with names for the causes after each outcome."""
    out = verdict_json.next_test(test)
    out["name"] = test.id.replace("-", " ")
    for told, outcome in zip(out["outcomes"], test.outcomes, strict=True):
        told["after_words"] = [
            {"name": name_of(Entry(s.id, s.probability, s.with_), knowledge), "in_words": share(s.probability)}
            for s in outcome.after[:3]
        ]
    return out


def _says(causes: list[dict[str, Any]]) -> str:
    if not causes:
        return "No cause was weighed."
    first = causes[0]
    if first["id"] == NONE_FOUND:
        return f"Nothing stands out: nothing wrong was seen ({first['in_words']})."
    at = f" ({first['where']})" if first["where"] else ""
    rival = next((c for c in causes[1:] if c["id"] != NONE_FOUND), None)
    behind = "" if rival is None else f" Next comes {rival['name']}, {rival['in_words']}."
    return f"Most probable: {first['name']}{at}, {first['in_words']}.{behind}"
