"""A plan and a hookup as plain text for the terminal; at most 100 columns."""

from __future__ import annotations

from witnessmark.plan.amounts import ATTEMPT_S
from witnessmark.plan.model import Hookup, Plan
from witnessmark.report.blocks import block
from witnessmark.report.words import local_once


def head(plan: Plan) -> str:
    """The test in a sentence."""
    return f"{plan.statement.rstrip('.')}.{'' if plan.lines else f' {_none(plan)}'}"


def _none(plan: Plan) -> str:
    """That there is nothing to record, and which test does ask for it."""
    if plan.instead:
        return f"It needs no recording; the next test that does is {plan.instead} (--test {plan.instead})."
    return "It needs no recording."


def amounts_words(plan: Plan) -> tuple[str, ...]:
    """Rate, turns, attempts and length in sentences."""
    if not plan.lines:
        return ()
    out = [
        f"Record at {plan.rate_hz / 1e3:g} kHz or more: {plan.why_rate}.",
        f"Record {plan.turns} turns or more: {plan.why_turns}.",
    ]
    if plan.state == "cranking":
        starts = f"{plan.attempts} start attempt{'s' if plan.attempts != 1 else ''}"
        each = plan.turning_s / plan.attempts
        out.append(
            f"That is {plan.turning_s:.0f} s of cranking in {starts} of about {each:.0f} s (never more than "
            f"{ATTEMPT_S:.0f} s, a minute or two of rest between them); begin before the key turns: about "
            f"{plan.record_s:.0f} s recorded in all."
        )
    else:
        out.append(f"That is about {plan.record_s:.0f} s recorded in all.")
    return tuple(out)


def summary(plan: Plan) -> str:
    """The plan in a screenful, without a line break at the end."""
    lines = block("Test", [head(plan)])
    lines += block("Caution", local_once(plan.cautions))
    lines += block(
        "Pick up",
        [
            f"{n}: {line.label} ({line.why}): {line.pick_up}; {line.lead}; {line.low:g} to {line.high:g} {line.unit}, "
            f"{line.rate_hz / 1e3:g} kHz or more."
            for n, line in enumerate(plan.lines, start=1)
        ],
    )
    lines += block("Left out", [f"{t}." for t in plan.left_out])
    lines += block("Record", list(amounts_words(plan)))
    lines += block("Do", list(plan.do))
    lines += block("Expect", [_expected(plan, n) for n in range(len(plan.pictures))])
    lines += block("Assumed", [f"{t}." for t in plan.assumed])
    return "\n".join(lines)


def _expected(plan: Plan, number: int) -> str:
    picture = plan.pictures[number]
    what = "Healthy" if picture.cause is None else f"If it is {picture.name}"
    strips = "; ".join(
        f"{s.label} {s.low:.2g} to {s.high:.2g} {s.unit}"
        + (f", {edges_words(s.edges_per_turn)} a turn" if s.edges_per_turn is not None else "")
        for s in picture.strips
    )
    numbers = f" Simulated: {strips}." if strips and picture.cause is None else ""
    return f"{what}: {picture.look_for}.{numbers}"


def edges_words(count: float) -> str:
    """How many edges."""
    return "1 edge" if round(count) == 1 else f"{count:.0f} edges"


def hookup_summary(hookup: Hookup) -> str:
    """What the first seconds show of every planned line."""
    wrong = [c for c in hookup.lines if c.problem is not None]
    unknown = [c for c in hookup.lines if c.problem is None and c.ok is None]
    if wrong:
        verdict = f"{len(wrong)} of {len(hookup.lines)} lines: put right what is written below before cranking on."
    elif unknown:
        verdict = f"Nothing wrong is seen; {len(unknown)} of {len(hookup.lines)} lines cannot be told yet."
    else:
        verdict = "All planned lines are hooked up as they should be."
    lines = block("Hookup", [verdict])
    for name, group in (("Wrong", wrong), ("Unknown", unknown), ("Good", [c for c in hookup.lines if c.ok])):
        lines += block(name, [f"{c.statement}{f' {c.do}' if c.do else ''}" for c in group])
    lines += block("Caution", local_once(hookup.plan.cautions))
    return "\n".join(lines)
