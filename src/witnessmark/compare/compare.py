"""Two analyses of one engine, before and after a repair, into one comparison with an overall verdict."""

from __future__ import annotations

from witnessmark.causes.catalogue import load_knowledge
from witnessmark.causes.engines import engine_facts
from witnessmark.compare.judge import judge
from witnessmark.compare.measure import cams_of, same_wheel, starts_of, teeth_of
from witnessmark.compare.model import Comparison, Judged, Overall
from witnessmark.report.model import Analysis
from witnessmark.report.words import KINDS, SYMPTOM_KINDS, listed

# Shown with every comparison: what a repair leaves behind (knowledge/cautions.toml).
CAUTIONS = ("put-back", "rotation", "evidence", "rules-first")
COMES_AND_GOES = (
    "A fault that follows heat, wet or shaking can be absent from a record for as long as the record lasts: repeat "
    "what made it happen before the job is closed."
)
# Locks under which a fault need not show in every record.
PASSING = frozenset({"time", "none", "event"})


def compare(before: Analysis, after: Analysis) -> Comparison:
    """Everything the two records say about what the repair did."""
    judged = judge(before, after)
    overall = verdict_of(judged)
    knowledge = load_knowledge()
    cautions = list(knowledge.caution_texts(CAUTIONS, engine_facts(after.setup, after.engine.cylinders)))
    if any(j.verdict == "gone" and j.weighty and _passing(j) for j in judged):
        cautions.insert(0, COMES_AND_GOES)
    return Comparison(
        before=before,
        after=after,
        findings=judged,
        teeth=teeth_of(before, after),
        teeth_why_not=same_wheel(before, after),
        cams=cams_of(before, after),
        starts=(starts_of(before), starts_of(after)),
        overall=overall,
        statement=_statement(overall, judged),
        cautions=tuple(cautions),
    )


def _passing(judged: Judged) -> bool:
    return judged.shown.lock in PASSING and judged.shown.kind not in SYMPTOM_KINDS


def verdict_of(judged: tuple[Judged, ...]) -> Overall:
    """The overall verdict: where a signal was wrong decides, and starts only where nothing else was."""
    before = [j for j in judged if j.before is not None and j.weighty]
    new = [j for j in judged if j.verdict == "new" and j.weighty]
    main = [j for j in before if j.shown.kind not in SYMPTOM_KINDS] or before
    if not main:
        return "new-fault" if new else "nothing-to-compare"
    if any(j.verdict == "still there" for j in main):
        return "not-repaired"
    if any(j.verdict == "changed" for j in main):
        return "changed"
    if new:
        return "new-fault"
    if any(j.verdict == "not comparable" for j in main):
        return "partly-proven" if any(j.verdict == "gone" for j in main) else "not-proven"
    rest = [j for j in before if j not in main]
    # a start that is only too few to tell does not unsay a signal proven whole; a fault that it still shows does
    return "changed" if any(j.verdict in ("still there", "changed") for j in rest) else "repaired"


def named(judged: Judged) -> str:
    """A finding in a few words with its place."""
    f = judged.shown
    place = f" (slot {f.slot})" if f.slot is not None else f" (cylinder {f.cylinder})" if f.cylinder is not None else ""
    return f"{KINDS[f.kind]}{place}"


def _statement(overall: Overall, judged: tuple[Judged, ...]) -> str:
    of = {v: [named(j) for j in judged if j.verdict == v and j.weighty] for v in
          ("gone", "still there", "changed", "new", "not comparable")}  # fmt: skip
    head = {
        "repaired": "What was wrong before the repair is gone from the record after it",
        "partly-proven": "Part of what was wrong is proven gone, for the rest the record after is too little",
        "not-proven": "The record after the repair is too little to tell whether the fault is gone",
        "not-repaired": "The fault is still there after the repair",
        "changed": "The repair changed what the record shows, but what is left is not in order",
        "new-fault": "The record after the repair shows a fault that the one before does not",
        "nothing-to-compare": "The record before the repair states no fault, so there is nothing to prove gone",
    }[overall]
    parts = [f"{words}: {listed(list(dict.fromkeys(of[v])))}" for v, words in (
        ("still there", "Still there"), ("changed", "Changed"), ("new", "New"), ("gone", "Gone"),
        ("not comparable", "Seen before, too little after to compare"),
    ) if of[v]]  # fmt: skip
    return "".join(f"{sentence}. " for sentence in (head, *parts)).rstrip()
