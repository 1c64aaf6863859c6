"""Which test next: the one that lowers the expected cost of repair most after its own cost is paid.

Method and costs: :mod:`witnessmark.causes.worth`. Where no test lowers it, the first look in the order of repair comes
next; once a cause is above the line and was observed at the part, none does. The gain in bits is shown for information.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from witnessmark.causes.argue import action_of, robust_words, stop_words, why_not_words, why_words
from witnessmark.causes.catalogue import Knowledge, TestRow
from witnessmark.causes.choose import REACH, Choice, Why, choose, turns
from witnessmark.causes.ids import NONE_FOUND
from witnessmark.causes.model import Advice, Cause, NextTest, Observed, Outcome, Share
from witnessmark.causes.observations import seen_at_the_part
from witnessmark.causes.say import slot_words
from witnessmark.causes.weigh import Balance, Context, Entry
from witnessmark.causes.worth import Worth, bench_of
from witnessmark.findings.model import Findings

SHOWN = 4
# A further test is not shown when it tells less than this share of what the most telling one does.
LEAST_SHARE = 0.4
LEAST_BITS = 0.02
# Below this worth of silence the first thing needed is a record that can be judged.
WORTH_A_RECORD = 0.5
# Causes named after each outcome.
NAMED_AFTER = 3


@dataclass(frozen=True, slots=True)
class _Told:
    """What all tests are worded with."""

    balance: Balance
    causes: tuple[Cause, ...]
    findings: Findings
    context: Context
    knowledge: Knowledge


def advise(
    balance: Balance,
    causes: tuple[Cause, ...],
    findings: Findings,
    context: Context,
    knowledge: Knowledge,
    observed: tuple[Observed, ...] = (),
) -> tuple[tuple[NextTest, ...], Advice]:
    """Tests sorted by worth, at most four, and why the first of them is.

    Where nothing wrong was seen the tests are further records; where that says little because little could be judged,
    first of all one that can be judged. Tests already done are not proposed again. None where a cause may be put right.
    """
    told = _Told(balance, causes, findings, context, knowledge)
    clean = causes[0].id == NONE_FOUND
    done = {o.test for o in observed}
    seen = seen_at_the_part(observed)
    actions = action_of(balance, observed, knowledge)
    looks = [t for t in knowledge.test if t.clean == clean and _applies(t, balance, context)]
    fit = [t for t in looks if t.id not in done]
    shows = shows_per_turn(findings, context)
    bench = bench_of(fit, balance.entries, knowledge, looks=looks, seen=seen, shows_per_turn=shows)
    prior = np.array([e.probability for e in balance.entries])
    now = bench.before(prior)
    stop = stop_words(balance, actions, observed, knowledge)
    settled = Advice(now, None, None, None, False, (), REACH, actions, stop=stop)
    if actions and set(balance.entries[0].members) <= {a.cause for a in actions}:
        return (), settled
    worths = bench.worth(prior)
    choice = None if clean else choose(bench, prior)
    ranked = _ranked(worths, choice, least_share=0.0 if clean else LEAST_SHARE)
    if not ranked:
        return (), settled
    why: Why = "tells" if choice is None else choice.why
    shown = [w for k, w in enumerate(ranked) if k == 0 or w.bits >= LEAST_BITS][:SHOWN]
    tests = tuple(_as_test(w, told, why if k == 0 else None) for k, w in enumerate(shown))
    runner = shown[1] if len(shown) > 1 else _best(worths, shown[0])
    moves = () if clean else turns(bench, prior, balance.entries, balance.sharpness)
    gap = {"pays": shown[0].value_min, "look": 0.0}.get(why)
    behind = None if runner is None or gap is None else gap - runner.value_min
    return tests, replace(
        settled,
        chosen=shown[0].test.id,
        runner_up=None if runner is None else runner.test.id,
        behind_min=behind,
        direct=why == "look",
        turns=moves,
        why_not=why_not_words(shown[0], runner, why, clean),
        robust="" if clean else robust_words(moves, knowledge),
    )


def _best(worths: list[Worth], but: Worth) -> Worth | None:
    return max((w for w in worths if w is not but), key=lambda w: (w.value_min, w.test.id), default=None)


def _ranked(worths: list[Worth], choice: Choice | None, least_share: float) -> list[Worth]:
    """The choice; then tests that pay, by what they save; then the others by bits per minute."""
    chosen = [] if choice is None else [worths[choice.row]]
    others = [w for w in worths if w not in chosen]
    most = max((w.bits for w in worths), default=0.0)
    telling = [w for w in others if w.bits > 1e-6 and w.bits >= least_share * most]
    paying = sorted((w for w in telling if w.value_min > 0.0), key=lambda w: (-w.value_min, w.test.id))
    rest = sorted((w for w in telling if w.value_min <= 0.0), key=lambda w: (-w.bits / w.cost_min, w.test.id))
    return [*chosen, *sorted([*paying, *rest], key=lambda w: not w.test.unjudged)]


def _applies(test: TestRow, balance: Balance, context: Context) -> bool:
    dead = any(w.row.whole_record for w in balance.weighed)
    checks = (
        test.engine is None or test.engine.fits(context.engine),
        test.sensor is None or context.sensor is None or context.sensor in test.sensor,
        test.lacks is None or bool(set(test.lacks) - context.roles),
        test.needs is None or set(test.needs) <= context.roles,
        not (test.needs_signal and dead),
        not (test.running and context.runs is False),
        not test.unjudged or context.worth_of_silence < WORTH_A_RECORD,
    )
    return all(checks)


def shows_per_turn(findings: Findings, context: Context) -> float | None:
    """Share of the turns in which the fault shows, from the counts behind the stated findings; None where not counted.

    Of several findings the one that shows most often counts: a test that watches for the fault would catch that one.
    """
    rates = []
    for finding in findings.found:
        evidence = finding.evidence
        if not finding.stated:
            continue
        missed, passages = _number(evidence.get("missed")), _number(evidence.get("passages"))
        events, turned = _number(evidence.get("stretches")), context.turns
        if missed and passages and finding.slot is not None:
            rates.append(missed / passages)  # passages of one slot are turns
        elif missed and turned:
            rates.append(missed / turned)
        elif events and turned:
            rates.append(events / turned)
    return min(max(rates), 1.0) if rates else None


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def _as_test(worth: Worth, told: _Told, why: Why | None) -> NextTest:
    test, context, knowledge = worth.test, told.context, told.knowledge
    wording = next((w for w in test.wording if w.engine.fits(context.engine)), None)
    statement = test.statement if wording is None else wording.statement
    dangers = test.cautions if wording is None or wording.cautions is None else wording.cautions
    return NextTest(
        id=test.id,
        statement=_filled(statement, told),
        why=why_words(worth, told.causes, context, knowledge, why),
        minutes=test.minutes,
        gain_bits=round(worth.bits, 4),
        outcomes=tuple(
            Outcome(o.result, o.then, p, _after(told.balance.entries, belief), tuple(o.sees))
            for o, p, belief in zip(test.outcomes, worth.outcome, worth.belief, strict=True)
        ),
        cautions=knowledge.caution_texts(dangers, context.engine),
        cost_min=worth.cost_min,
        worth_min=worth.value_min,
        invasiveness=test.invasiveness,
        equipment=tuple(knowledge.equipment[e] for e in test.equipment),
    )


def _filled(statement: str, told: _Told) -> str:
    found = [f for f in told.findings.found if f.slot is not None and f.stated and f.kind.startswith("tooth")]
    slots = sorted({f.slot for f in found if f.slot is not None})
    lacking = list(dict.fromkeys(n.needs for n in told.findings.not_assessed if n.needs))[:2]
    statement = statement.replace("{slot}", slot_words(slots) if slots else "the one suspected")
    statement = statement.replace("{channel}", str(told.causes[0].target or "the crank line"))
    return statement.replace("{needs}", f" ({'; '.join(lacking)})" if lacking else "")


def _after(entries: tuple[Entry, ...], belief: tuple[float, ...]) -> tuple[Share, ...]:
    """The most probable entries after an outcome."""
    ranked = sorted(zip(belief, entries, strict=True), key=lambda pair: (-pair[0], pair[1].id))
    return tuple(Share(e.id, p, e.with_) for p, e in ranked[:NAMED_AFTER] if p > 0.0 and not math.isnan(p))
