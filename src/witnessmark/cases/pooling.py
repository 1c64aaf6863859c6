"""The recordings of one case put together: those of the vehicle in one state, each led back to its entry."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from witnessmark.cases.bodies import RecordingAdded
from witnessmark.cases.evidence import Analyse
from witnessmark.cases.history import history
from witnessmark.cases.model import Case
from witnessmark.cases.store import Cases
from witnessmark.cases.verify import as_it_was, setup_of
from witnessmark.cases.weighing import seen, works_before
from witnessmark.errors import BadCase
from witnessmark.pool.model import Pooled
from witnessmark.pool.pool import pool


@dataclass(frozen=True)
class CasePool:
    """entries: the recordings' entries, in the order of the pool's marks R1, R2, ..."""

    case: str
    entries: tuple[int, ...]
    pooled: Pooled


def pooled(store: Cases, case: Case, analyse: Analyse) -> CasePool:
    """Every recording between the same works as the one that the verdict rests on; a content that came twice once.

    What tests showed by hand and closed cases are weighed, snapshots are not. BadCase where there is no recording, or
    one is no longer as it was.
    """
    judged = case.verdict
    if judged is None:
        raise BadCase(f"case {case.id}: no recording is analysed yet; add some with case add recording")
    works = works_before(case, judged[1].recording)
    kept: dict[str, tuple[int, RecordingAdded]] = {}
    for number, added in case.of(RecordingAdded):
        if works_before(case, number) == works:
            kept.setdefault(added.sha256, (number, added))
    made = []
    for number, added in kept.values():
        path = as_it_was(case.id, number, added)
        with setup_of(store, case, added) as (setup, _):
            made.append(analyse(path, setup, observations=(), closed=None))
    told = tuple(o for _, o in seen(case, works))
    closed = history(store, case.id).counts or None
    entries = tuple(n for n, _ in kept.values())
    return CasePool(case.id, entries, pool(made, observations=told, closed=closed))


def summary(found: CasePool) -> str:
    """The pool for the terminal, with the entry of each recording first."""
    from witnessmark.pool.terminal import summary as told

    marks = ", ".join(f"{m.mark} is recording {n}" for m, n in zip(found.pooled.members, found.entries, strict=True))
    return f"{'Case':<10}{found.case}: {marks}\n{told(found.pooled)}"


def pool_json(found: CasePool) -> dict[str, Any]:
    """The pool as JSON, with the entry of each of its recordings."""
    from witnessmark.cases.vin import without_vins
    from witnessmark.pool.pooled_json import pooled_json

    marks = zip(found.pooled.members, found.entries, strict=True)
    return {
        "schema": "witnessmark.case-pooled/1",
        "case": found.case,
        "recordings": [{"mark": m.mark, "number": n} for m, n in marks],
        "pooled": without_vins(pooled_json(found.pooled)),
    }
