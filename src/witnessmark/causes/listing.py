"""The catalogue of tests as plain text, for a terminal."""

from __future__ import annotations

import re
import textwrap
from typing import get_args

from witnessmark.causes.catalogue import Knowledge, Measured, TestRow
from witnessmark.causes.observations import find_test
from witnessmark.causes.worth import price_of

WIDTH = 100
NAME = 34


def listed(knowledge: Knowledge) -> str:
    """Every test in a line or two, grouped by what it measures: id, minutes, what it is."""
    groups = {name: [t for t in knowledge.test if t.measures == name] for name in get_args(Measured)}
    parts = [f"{name.capitalize()}\n" + "\n".join(_line(t) for t in tests) for name, tests in groups.items() if tests]
    return "\n\n".join(parts) + "\n"


def _line(test: TestRow) -> str:
    return textwrap.fill(
        f"  {test.id:<{NAME}}{test.minutes:>3} min  {plain(test.statement)}", WIDTH,
        subsequent_indent=" " * (NAME + 11), break_on_hyphens=False,
    )  # fmt: skip


def test_page(test: str, knowledge: Knowledge) -> str:
    """One test: what to do, cost, cautions, outcomes by number. Raises BadObservation for an id that is none."""
    row = find_test(test, knowledge, "tests")
    price = price_of(row, knowledge)
    lines = [row.id, *_wrapped(plain(row.statement))]
    lines += _wrapped(
        f"{row.minutes} min of work, {price.total:.0f} min in all; with "
        f"{', '.join(knowledge.equipment[e] for e in row.equipment)}."
    )
    lines += [line for c in row.cautions for line in _wrapped(f"Caution: {knowledge.caution_text(c)}")]
    for k, outcome in enumerate(row.outcomes, start=1):
        seen = f" (seen at the part: {', '.join(outcome.sees)})" if outcome.sees else ""
        lines += _wrapped(f"{row.id}={k}: {outcome.result}{seen}. {outcome.then}")
    return "\n".join(lines) + "\n"


def plain(statement: str) -> str:
    """A statement without the places that a finding fills in."""
    return re.sub(r" ?\(?\{\w+\}\)?", "", statement)


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent="  ", subsequent_indent="    ", break_on_hyphens=False)
