"""A case as plain JSON data: its state, with every entry as it counts now and as it was written."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from witnessmark import __version__
from witnessmark.cases.codec import body_data
from witnessmark.cases.history import History, holding
from witnessmark.cases.model import Case, Logged
from witnessmark.cases.phrases import say
from witnessmark.cases.weighing import balances
from witnessmark.causes.model import Prior

SCHEMA = "witnessmark.case-state/1"


def state_json(case: Case, vin: str, since: int = 0) -> dict[str, Any]:
    """The state. ``vin``: the vehicle number as it may be shown; ``since``: only the entries after this one."""
    verified, outdated = case.verification, case.outdated
    return {
        "schema": SCHEMA,
        "program": {"name": "witnessmark", "version": __version__},
        "case": case.id,
        "open": case.is_open,
        "head": case.head,
        "last": case.last,
        "opened_utc": case.log[0].entry.at_utc,
        "vehicle": {
            "description": case.opened.vehicle,
            "vin": vin or None,
            "complaint": case.opened.complaint,
            "customer": case.opened.customer,
            "codes": list(case.opened.codes),
        },
        "closed": _closed(case),
        "observed": [{"number": n, "test": t, "outcome": o} for n, t, o in case.observed],
        "balance": [
            {
                "number": b.number,
                "causes": [
                    {"id": c.id, "with": c.with_, "target": c.target, "probability": c.probability} for c in b.causes
                ],
            }
            for b in balances(case)
        ],
        "to_restore": [{"number": n, "item": d.item, "why": d.why} for n, d in case.to_restore],
        "tests_open": [{"number": n, "test": t.test, "statement": t.statement} for n, t in case.tests_open],
        "verification": None
        if verified is None
        else {"number": verified[0], "overall": verified[1].overall, "statement": verified[1].statement},
        "out_of_date": None
        if outdated is None
        else {"number": outdated[0], "overall": outdated[1].overall, "since": outdated[2].number},
        "entries": [_entry(e) for e in case.log if e.number > since],
    }


def _closed(case: Case) -> dict[str, Any] | None:
    end = case.closed
    return None if end is None else {"text": end.text, "cause": end.cause or None, "target": end.target or None}


def _entry(e: Logged) -> dict[str, Any]:
    return {
        "number": e.number,
        "at_utc": e.entry.at_utc,
        "by": e.entry.by,
        "kind": e.entry.kind,
        "says": say(e.body),
        "body": body_data(e.body),
        "written": body_data(e.entry.body) if e.corrected_by else None,
        "corrected_by": list(e.corrected_by),
        "withdrawn_by": e.withdrawn_by,
        "hash": e.entry.hash,
    }


def list_json(cases: tuple[Case, ...], damaged: tuple[str, ...] = ()) -> dict[str, Any]:
    """All cases in short. ``damaged``: a line for each that cannot be read."""
    return {
        "schema": "witnessmark.case-list/1",
        "cases": [
            {
                "case": c.id,
                "open": c.is_open,
                "opened_utc": c.log[0].entry.at_utc,
                "last_utc": c.log[-1].entry.at_utc,
                "entries": c.last,
                "description": c.opened.vehicle,
                "complaint": c.opened.complaint,
                "closed": _closed(c),
                "to_restore": len(c.to_restore),
                "verification": None if c.verification is None else c.verification[1].overall,
            }
            for c in cases
        ],
        "damaged": list(damaged),
    }


def priors_json(found: tuple[Prior, ...], now: History) -> dict[str, Any]:
    """The priors that closed cases moved, and the resets. ``since_utc``: closed cases count from then; null: all do."""
    held = holding(now.resets)
    return {
        "schema": "witnessmark.case-priors/1",
        "priors": [asdict(p) for p in found],
        "closed_cases": sum(now.counts.values()),
        "left_out": now.left_out,
        "since_utc": now.since_utc or None,
        "resets": [{**asdict(r), "holds": r == held} for r in now.resets],
    }
