"""The words of the advice: why this test, why not the other, what would change it, and when a part may be named."""

from __future__ import annotations

import math
from typing import Final

from witnessmark.causes.catalogue import Knowledge
from witnessmark.causes.choose import REACH, Why
from witnessmark.causes.ids import NONE_FOUND
from witnessmark.causes.model import Action, Cause, Observed, Turn
from witnessmark.causes.observations import seen_at_the_part
from witnessmark.causes.say import name_of, share
from witnessmark.causes.weigh import Balance, Context
from witnessmark.causes.worth import Worth

# A part is named only above this and after a direct observation.
LINE: Final = 0.9
# From here on a look at the first cause is said to be what its standing asks for.
CONFIRM_ABOVE = 0.75
TURNS_NAMED = 2
WORTH_NAMING_BITS = 0.01  # a test that tells less is no rival


def test_words(test: str) -> str:
    """A test's id as words."""
    return test.replace("-", " ")


def belief_in(cause: str, balance: Balance) -> float:
    """Probability that a cause is there, alone or as one of a pair."""
    return math.fsum(e.probability for e in balance.entries if cause in e.members)


def action_of(balance: Balance, observed: tuple[Observed, ...], knowledge: Knowledge) -> tuple[Action, ...]:
    """What may be repaired: causes above the line that an observation showed at the part."""
    out = []
    for cause in sorted(seen_at_the_part(observed)):
        belief = belief_in(cause, balance)
        if belief > LINE:
            by = next(o for o in observed if cause in o.sees)
            text = (
                f"Repair or replacement is open: {knowledge.cause_row(cause).name} ({share(belief)}) was observed at "
                f"the part ({test_words(by.test)}: {by.result.rstrip('.').lower()}). Keep the evidence, and record "
                "again afterwards under the same conditions to prove that the fault is gone."
            )
            out.append(Action(cause, belief, text, by.test))
    return tuple(sorted(out, key=lambda a: (-a.probability, a.cause)))


def stop_words(
    balance: Balance, actions: tuple[Action, ...], observed: tuple[Observed, ...], knowledge: Knowledge
) -> str:
    """Whether a part may be named yet, and what is missing."""
    if actions:
        return " ".join(a.statement for a in actions)
    first = balance.entries[0]
    if first.id == NONE_FOUND:
        return "No part is named: nothing wrong was seen."
    belief = belief_in(first.id, balance)
    seen = first.id in seen_at_the_part(observed)
    have = f"{name_of(first, knowledge)} stands at {share(belief)}"
    needs = f"above {LINE:.2f} and an observation at the part are needed"
    looked = any(first.id in t.observes for t in knowledge.test if t.id in {o.test for o in observed})
    if belief > LINE:
        lacks = "the look at the part did not show it" if looked and not seen else "the observation is missing"
    else:
        lacks = "it was observed, but stands too low" if seen else "both are missing"
    return f"No part is named yet: {have}; {needs}, and {lacks}." if belief <= LINE else (
        f"No part is named yet: {have}, and {lacks}."
    )  # fmt: skip


def why_words(worth: Worth, causes: tuple[Cause, ...], context: Context, knowledge: Knowledge, why: Why | None) -> str:
    """The test in numbers: expected cost before and after, its own cost, and what it separates.

    why: how the test came to be the next one, None for those after it.
    """
    cause = causes[0]
    numbers = (
        f"expected cost of the repair {worth.before_min:.0f} min before and {worth.after_min:.0f} min after it, "
        f"for {worth.cost_min:.0f} min of its own ({_parts(worth)}); gain {worth.bits:.2f} bit"
    )
    if cause.id == NONE_FOUND and context.motion is False:
        return f"Nothing turns in this record, so only another one can tell anything: {numbers}."
    if cause.id == NONE_FOUND and worth.test.unjudged:
        return f"Too little of the crank signal could be judged to clear or to accuse anything: {numbers}."
    if cause.id == NONE_FOUND:
        return f"Nothing wrong was seen ({share(cause.probability)}), so only another record can tell more: {numbers}."
    belief = math.fsum(c.probability for c in causes if cause.id in (c.id, c.with_))
    what = f"{name_of(cause, knowledge)} ({share(belief)})"
    if why == "look" and cause.id in worth.test.observes and belief >= CONFIRM_ABOVE:
        return (
            f"The record locates, it does not see the part: {what} is to be seen or measured there before anything is "
            f"opened or changed: {numbers}."
        )
    if why == "look":
        looked = " or ".join(knowledge.cause_row(c).name for c in worth.test.observes)
        return (
            f"No test pays for itself before {looked} is looked at, the look most likely to end the search for its "
            f"cost: {numbers}."
        )
    if why == "tells":
        return (
            f"No test that is left can show {what} at the part, and none saves more time than it costs; this one tells "
            f"most about the causes for its cost: {numbers}."
        )
    if worth.value_min <= 0.0:
        return (
            f"It costs {-worth.value_min:.0f} min more than it saves on average; listed for what it tells: {numbers}."
        )
    return f"It saves {worth.value_min:.0f} min on average: {numbers}."


def _parts(worth: Worth) -> str:
    """What its own cost is made of."""
    price = worth.price
    parts = {
        "work": price.work, "opening": price.opening, "precautions": price.precautions, "risk": price.risk,
        "what cannot be taken back": price.irreversible, "material": price.material,
    }  # fmt: skip
    return ", ".join(f"{name} {minutes:.0f}" for name, minutes in parts.items() if minutes >= 0.5)


def why_not_words(chosen: Worth, runner: Worth | None, why: Why, clean: bool) -> str:
    """Why the runner-up does not come first."""
    if runner is None or (not clean and runner.bits < WORTH_NAMING_BITS):
        return "No other test tells anything worth its cost."
    name = f"“{test_words(runner.test.id)}”"
    if clean:
        return f"Next to it comes {name}: gain {runner.bits:.2f} bit against {chosen.bits:.2f}."
    gain = f"(gain {runner.bits:.2f} bit)"
    if why == "tells":
        each = f"{60.0 * runner.bits / runner.cost_min:.2g} against {60.0 * chosen.bits / chosen.cost_min:.2g} bit"
        return f"Not {name} first: it tells less for its cost ({each} an hour)."
    if why == "look":
        return f"Not {name} first: it would cost {-runner.value_min:.0f} min more than it saves {gain}."
    behind = chosen.value_min - runner.value_min
    if runner.value_min > 0.0:
        return f"Not {name} first: it would save {runner.value_min:.0f} min, {behind:.0f} less {gain}."
    return (
        f"Not {name} first: it would cost {-runner.value_min:.0f} min more than it saves, which is {behind:.0f} worse "
        f"{gain}."
    )


def robust_words(turns: tuple[Turn, ...], knowledge: Knowledge) -> str:
    """How far the priors must move before another test is chosen."""
    if not turns:
        return f"No prior of a single cause, moved up to {REACH:.0f} times either way, changes this choice."
    parts = []
    for turn in turns[:TURNS_NAMED]:
        way = (
            f"{turn.factor:.2g} times as likely" if turn.factor >= 1.0 else f"{1.0 / turn.factor:.2g} times less likely"
        )
        parts.append(f"{knowledge.cause_row(turn.cause).name} were {way} beforehand (then “{test_words(turn.test)}”)")
    return f"The choice changes if {', or if '.join(parts)}."
