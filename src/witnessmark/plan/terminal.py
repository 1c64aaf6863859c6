"""A plan and a hookup as plain text for the terminal; at most 100 columns."""

from __future__ import annotations

import textwrap

from witnessmark.plan.amounts import ATTEMPT_S
from witnessmark.plan.model import Hookup, Plan
from witnessmark.report.phrases import local_once

WIDTH = 100
LABEL = 10


def head(plan: Plan) -> str:
    """The test in a sentence."""
    more = "" if plan.lines else " It needs no recording."
    return f"{plan.statement.rstrip('.')}.{more}"


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
    lines = _block("Test", [head(plan)])
    lines += _block("Caution", local_once(plan.cautions))
    lines += _block(
        "Pick up",
        [
            f"{n}: {line.label} ({line.why}): {line.pick_up}; {line.lead}; {line.low:g} to {line.high:g} {line.unit}, "
            f"{line.rate_hz / 1e3:g} kHz or more."
            for n, line in enumerate(plan.lines, start=1)
        ],
    )
    lines += _block("Left out", [f"{t}." for t in plan.left_out])
    lines += _block("Record", list(amounts_words(plan)))
    lines += _block("Do", list(plan.do))
    lines += _block("Expect", [_expected(plan, n) for n in range(len(plan.pictures))])
    lines += _block("Assumed", [f"{t}." for t in plan.assumed])
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
    lines = _block("Hookup", [verdict])
    for name, group in (("Wrong", wrong), ("Unknown", unknown), ("Good", [c for c in hookup.lines if c.ok])):
        lines += _block(name, [f"{c.statement}{f' {c.do}' if c.do else ''}" for c in group])
    lines += _block("Caution", local_once(hookup.plan.cautions) if wrong else [])
    return "\n".join(lines)


def _block(label: str, items: list[str]) -> list[str]:
    out: list[str] = []
    for item in items:
        first = label if not out else ""
        out += textwrap.wrap(
            item, WIDTH, initial_indent=f"{first:<{LABEL}}", subsequent_indent=" " * (LABEL + 2),
            break_on_hyphens=False,
        )  # fmt: skip
    return out
