"""What is said to be within reach is shown by the cases of the accuracy table, and by which lines.

Simulated truth: a case's cause is the simulator's.
"""

from __future__ import annotations

from functools import cache

import pytest

from accuracy import whole
from accuracy.cases import FEWER, PER_KIND, RANGES, Case, of_kind, of_whole
from accuracy.memory import recording_of
from accuracy.score import cause_right, setup_of
from witnessmark.causes.reach import FaultRow, load_reach
from witnessmark.pipeline import analyze_recording
from witnessmark.recording.setup import Setup
from witnessmark.simulate.run import simulate
from witnessmark.simulate.truth import cause_of

# Lines that a first recording usually has (common practice, no source).
FIRST = {"crank", "cam", "battery", "starter-current", "coil", "injector"}
ROWS = load_reach().fault
SHOWN = [(row, kind) for row in ROWS for kind in row.cases]


@cache
def drawn(kind: str) -> tuple[Case, ...]:
    make = of_whole if kind in whole.MAKERS else of_kind
    return tuple(make(kind, FEWER.get(kind, PER_KIND)))


def causes(case: Case) -> set[str]:
    return {cause_of(f.kind, case.scenario.sensor.kind, f.where) for f in case.scenario.fault}


def roles(case: Case) -> set[str]:
    return {c.role for c in case.scenario.channel}


@pytest.mark.parametrize("row", ROWS, ids=lambda r: r.id)
def test_a_verdict_has_the_cases_it_needs(row: FaultRow) -> None:
    assert set(row.cases) <= set(RANGES)
    if row.verdict == "out of reach":
        assert row.cases == []
        return
    assert row.cases, "what can be told must be measured"
    every = [c for kind in row.cases for c in drawn(kind)]
    assert set(row.causes) <= set().union(*map(causes, every)), "a cause of the row that no case has"
    for kind in row.cases:
        assert any(causes(c) & set(row.causes) for c in drawn(kind)), kind
    # one kind at least has the lines of the row in every case
    assert any(all(set(row.lines) <= roles(c) for c in drawn(kind)) for kind in row.cases)
    if row.verdict == "found":
        assert set(row.lines) <= FIRST
        assert any(not c.with_setup for c in every), "found means without a setup too"


@pytest.mark.slow
@pytest.mark.parametrize(("row", "kind"), SHOWN, ids=[f"{r.id}: {k}" for r, k in SHOWN])
def test_a_plain_case_is_told_as_the_row_says(row: FaultRow, kind: str) -> None:
    """The cause first, by a stated finding of the row's kinds, in one of the two plainest (the table counts all)."""
    plain = [c for c in reversed(drawn(kind)) if causes(c) & set(row.causes)][:2]
    assert any(told(case, row) for case in plain)


def told(case: Case, row: FaultRow) -> bool:
    one = simulate(case.scenario)
    got = analyze_recording(recording_of(one), setup_of(one) if case.with_setup else Setup())
    named = {f.kind for f in got.findings.found if f.stated} & set(row.kinds)
    true = [c for c in row.causes if c in causes(case)]
    return bool(named) and any(cause_right([c], got) for c in true)  # as the table counts: look-alikes must be named
