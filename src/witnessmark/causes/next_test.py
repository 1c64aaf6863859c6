"""Which test next: the one that lowers the expected cost of repair most after its own cost is paid.

Decision-theoretic troubleshooting after Heckerman, Breese & Rommelse, Communications of the ACM 38(3), 1995: with one
fault and independent costs, causes are tried in order of probability over cost; the expected cost of that order (ECR)
before and after a test prices the test. The gain in bits is shown for information. Costs are minutes; opening and
risk are minutes added.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from witnessmark.causes.catalogue import Knowledge, TestRow
from witnessmark.causes.ids import NONE_FOUND
from witnessmark.causes.model import Cause, NextTest, Outcome
from witnessmark.causes.say import name_of, share, slot_words
from witnessmark.causes.weigh import Balance, Context, Entry
from witnessmark.findings.model import Findings

# Minutes added for how deep one goes: back-probing disturbs little, an opened engine must be put together again.
OPENING_MINUTES = (0.0, 2.0, 8.0, 20.0, 60.0)
# Minutes added per caution shown beside a step: preparing for it properly takes that long.
CAUTION_MINUTES = 1.0
# "Nothing wrong" costs nothing to put right, but handing the vehicle back unproven does: half an hour.
HAND_BACK_MINUTES = 30.0
SHOWN = 4
# Above this the first cause is to be seen at the part before anything is opened. Below it, sorting out comes first.
CONFIRM_ABOVE = 0.75
# A test is not shown when it tells less than this share of what the most telling one does.
LEAST_SHARE = 0.4
LEAST_BITS = 0.02
# Below this worth of silence the first thing needed is a record that can be judged.
WORTH_A_RECORD = 0.5


def repair_order(probability: Sequence[float], cost: Sequence[float]) -> tuple[tuple[int, ...], float]:
    """Best order to try causes (indices, by p/c) and its expected cost; the try that helps ends the search."""
    if len(probability) != len(cost):
        raise ValueError("a cost for each probability")
    order = tuple(sorted(range(len(cost)), key=lambda i: (-probability[i] / max(cost[i], 1e-9), i)))
    return order, expected_cost(probability, cost, order)


def expected_cost(probability: Sequence[float], cost: Sequence[float], order: Sequence[int]) -> float:
    """Expected cost of trying causes in ``order``: cost i is paid unless an earlier one was it."""
    left, total = math.fsum(probability), 0.0
    for i in order:
        total += cost[i] * left
        left -= probability[i]
    return total


def entropy_bits(probability: Sequence[float]) -> float:
    """Shannon entropy in bits."""
    return -math.fsum(p * math.log2(p) for p in probability if p > 0.0)


def posterior(prior: Sequence[float], chance: Sequence[float]) -> tuple[float, list[float]]:
    """Probability of an outcome and the posterior after it; ``chance``: of the outcome under each hypothesis."""
    joint = [p * c for p, c in zip(prior, chance, strict=True)]
    total = math.fsum(joint)
    return total, [j / total for j in joint] if total > 0.0 else list(prior)


def gain_bits(prior: Sequence[float], chances: Sequence[Sequence[float]]) -> float:
    """Expected drop of entropy; ``chances``: for each outcome, its chance under each hypothesis."""
    after = 0.0
    for chance in chances:
        p, belief = posterior(prior, chance)
        after += p * entropy_bits(belief)
    return max(entropy_bits(prior) - after, 0.0)


@dataclass(frozen=True, slots=True)
class Worth:
    """A test with its numbers: expected cost before and after it, its own cost, the gain in bits."""

    test: TestRow
    before_min: float
    after_min: float
    cost_min: float
    bits: float

    @property
    def value_min(self) -> float:
        """Minutes saved on average after its own cost is paid (negative: it costs more than it saves)."""
        return self.before_min - self.after_min - self.cost_min


def worth_of(test: TestRow, entries: Sequence[Entry], knowledge: Knowledge) -> Worth:
    """Price one test against the present balance."""
    prior = [e.probability for e in entries]
    cost = [_repair_cost(e, knowledge) for e in entries]
    rows = [_chance_row(test, e) for e in entries]
    chances = [[row[k] for row in rows] for k in range(len(test.outcomes))]
    after = 0.0
    for chance in chances:
        p, belief = posterior(prior, chance)
        after += p * repair_order(belief, cost)[1]
    own = test.minutes + OPENING_MINUTES[test.invasiveness] + CAUTION_MINUTES * len(test.cautions)
    return Worth(test, repair_order(prior, cost)[1], after, own, gain_bits(prior, chances))


def _repair_cost(entry: Entry, knowledge: Knowledge) -> float:
    if entry.id == NONE_FOUND:
        return HAND_BACK_MINUTES
    rows = [knowledge.cause_row(m) for m in entry.members]
    return math.fsum(r.repair_minutes + r.parts_minutes + OPENING_MINUTES[r.opening] for r in rows)


def _chance_row(test: TestRow, entry: Entry) -> list[float]:
    """Chances of the outcomes; of a pair, those of the member the test knows (the first outcome likelier wins)."""
    return max((test.chance.get(m, test.others) for m in entry.members), key=lambda row: row[0])


def next_tests(
    balance: Balance, causes: tuple[Cause, ...], findings: Findings, context: Context, knowledge: Knowledge
) -> tuple[NextTest, ...]:
    """Tests sorted by worth, at most four. A first cause above 0.9 is to be seen at the part first.

    Where nothing wrong was seen the tests are further records; where that says little because little could be judged,
    first of all one that can be judged.
    """
    clean = causes[0].id == NONE_FOUND
    fit = [t for t in knowledge.test if t.clean == clean and _applies(t, balance, context)]
    priced = [worth_of(t, balance.entries, knowledge) for t in fit]
    ranked = _confirm_first(_ranked(priced, 0.0 if clean else LEAST_SHARE), priced, causes)
    if clean:
        ranked.sort(key=lambda w: not w.test.unjudged)
    shown = [w for k, w in enumerate(ranked) if k == 0 or w.bits >= LEAST_BITS][:SHOWN]
    return tuple(_as_test(w, causes, findings, context, knowledge) for w in shown)


def _ranked(priced: list[Worth], least_share: float) -> list[Worth]:
    """Tests that pay, by what they save; then the others by bits per minute. What tells next to nothing is left out."""
    most = max((w.bits for w in priced), default=0.0)
    telling = [w for w in priced if w.bits > 1e-6 and w.bits >= least_share * most]
    paying = sorted((w for w in telling if w.value_min > 0.0), key=lambda w: (-w.value_min, w.test.id))
    rest = sorted((w for w in telling if w.value_min <= 0.0), key=lambda w: (-w.bits / w.cost_min, w.test.id))
    return [*paying, *rest]


def _applies(test: TestRow, balance: Balance, context: Context) -> bool:
    dead = any(w.row.whole_record for w in balance.weighed)
    checks = (
        test.engine is None or test.engine.fits(context.engine),
        test.sensor is None or context.sensor is None or context.sensor in test.sensor,
        test.lacks is None or bool(set(test.lacks) - context.roles),
        test.needs is None or set(test.needs) <= context.roles,
        not (test.needs_signal and dead),
        not test.unjudged or context.worth_of_silence < WORTH_A_RECORD,
    )
    return all(checks)


def _belief(causes: tuple[Cause, ...]) -> float:
    """Probability that the first cause is there, alone or as one of a pair."""
    return math.fsum(c.probability for c in causes if causes[0].id in (c.id, c.with_))


def _confirms(test: TestRow, causes: tuple[Cause, ...]) -> bool:
    """Whether the test is the direct look that a nearly certain first cause asks for."""
    return causes[0].id in test.observes and _belief(causes) >= CONFIRM_ABOVE


def _confirm_first(ranked: list[Worth], priced: list[Worth], causes: tuple[Cause, ...]) -> list[Worth]:
    """Put the direct look at a nearly certain first cause before everything else (the one that tells most)."""
    looks = [w for w in priced if _confirms(w.test, causes)]
    if not looks:
        return ranked
    look = max(looks, key=lambda w: (w.bits, -w.cost_min, w.test.id))
    return [look, *(w for w in ranked if w is not look)]


def _as_test(
    worth: Worth, causes: tuple[Cause, ...], findings: Findings, context: Context, knowledge: Knowledge
) -> NextTest:
    test = worth.test
    slots = sorted({f.slot for f in findings.found if f.slot is not None and f.stated and f.kind.startswith("tooth")})
    lacking = list(dict.fromkeys(n.needs for n in findings.not_assessed if n.needs))[:2]
    wording = next((w for w in test.wording if w.engine.fits(context.engine)), None)
    statement = test.statement if wording is None else wording.statement
    dangers = test.cautions if wording is None or wording.cautions is None else wording.cautions
    statement = statement.replace("{slot}", slot_words(slots) if slots else "the one suspected")
    statement = statement.replace("{channel}", str(causes[0].target or "the crank line"))
    statement = statement.replace("{needs}", f" ({'; '.join(lacking)})" if lacking else "")
    return NextTest(
        id=test.id,
        statement=statement,
        why=_why(worth, causes, context, knowledge),
        minutes=test.minutes,
        gain_bits=round(worth.bits, 4),
        outcomes=tuple(Outcome(o.result, o.then) for o in test.outcomes),
        cautions=knowledge.caution_texts(dangers, context.engine),
    )


def _why(worth: Worth, causes: tuple[Cause, ...], context: Context, knowledge: Knowledge) -> str:
    """The test in numbers: expected cost before and after, its own cost, and what it separates."""
    cause = causes[0]
    numbers = (
        f"expected cost of the repair {worth.before_min:.0f} min before and {worth.after_min:.0f} min after it, "
        f"for {worth.cost_min:.0f} min of its own (minutes, opening, precautions); gain {worth.bits:.2f} bit"
    )
    if cause.id == NONE_FOUND and context.motion is False:
        return f"Nothing turns in this record, so only another one can tell anything: {numbers}."
    if cause.id == NONE_FOUND and worth.test.unjudged:
        return f"Too little of the crank signal could be judged to clear or to accuse anything: {numbers}."
    if cause.id == NONE_FOUND:
        return f"Nothing wrong was seen ({share(cause.probability)}), so only another record can tell more: {numbers}."
    if _confirms(worth.test, causes):
        what = f"{name_of(cause, knowledge)} ({share(_belief(causes))})"
        return (
            f"The record locates, it does not see the part: {what} is to be seen or measured there before anything is "
            f"opened or changed: {numbers}."
        )
    if worth.value_min <= 0.0:
        return (
            f"It costs {-worth.value_min:.0f} min more than it saves on average; listed for what it tells: {numbers}."
        )
    return f"It saves {worth.value_min:.0f} min on average: {numbers}."
