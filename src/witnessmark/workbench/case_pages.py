"""What the page of a case shows, as JSON data made of its state: everything in words, no place on the machine in it."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from dataclasses import asdict
from typing import Any

from witnessmark.cases.bodies import (
    KIND_OF,
    Analysed,
    ChosenTest,
    Closed,
    Disabled,
    Opened,
    Outcome,
    Photo,
    ProposedTest,
    RecordingAdded,
    Reopened,
    Restored,
    Snapshot,
    Verified,
    Work,
)
from witnessmark.cases.codec import body_data
from witnessmark.cases.document import tone
from witnessmark.cases.model import Attachment, Case, Logged
from witnessmark.cases.phrases import STATED, cause, changed_since, out_of_date, say
from witnessmark.cases.store import Cases
from witnessmark.cases.verify import before_repair
from witnessmark.cases.weighing import balances
from witnessmark.errors import BadCase, WitnessmarkError
from witnessmark.report.words import percent
from witnessmark.scan.model import SCHEMA as SCAN
from witnessmark.workbench.folder import Card, Folder

SHOWN_CAUSES = 5
KINDS = {
    "opened": "Complaint", "observation": "Seen by hand", "work": "Part or work", "recording": "Recording",
    "analysis": "What the recording says", "photo": "Photo", "snapshot": "Codes and live data", "test": "Test chosen",
    "outcome": "What the test showed", "decision": "Decision", "disabled": "Disabled", "restored": "Put back",
    "verification": "Check of the repair", "closed": "Closed", "reopened": "Opened again",
    "correction": "Correction", "retraction": "Withdrawal",
}  # fmt: skip
FIELDS = {
    "complaint": "Complaint", "vehicle": "Vehicle", "customer": "Customer", "codes": "Trouble codes", "text": "What",
    "test": "Test", "outcome": "Outcome", "part_number": "Part number", "when": "When", "who": "By whom",
    "earlier": "Before this case", "note": "Note", "name": "File name", "statement": "What to do", "why": "Why",
    "result": "What it showed", "then": "What follows", "because": "Rests on entries", "item": "What was disabled",
    "how": "How it was checked", "target": "Which slot, line or cylinder",
}  # fmt: skip
"""Fields that a correction on the page may change, in words; others are corrected at the command line."""
FileOf = Callable[[str], Attachment | None]


def page_of(store: Cases, case: Case, cards: tuple[Card, ...]) -> dict[str, Any]:
    """Everything the page shows of a case; ``cards``: the recordings on the bench."""

    def file(sha256: str) -> Attachment | None:
        return store.file(case.id, sha256)

    return {
        "case": case.id,
        "open": case.is_open,
        "last": case.last,
        "tone": tone(case),
        "opened_utc": case.log[0].entry.at_utc,
        "vehicle": _vehicle(case),
        "standing": _standing(case),
        "balance": _balance(case),
        "next": _next(case, file),
        "log": [entry_of(e) for e in reversed(case.log)],
        "recordings": _recordings(case, cards),
        "arriving": [_short(c) for c in cards if c.case == case.id and c.entry is None],
        "bench": [_short(c) for c in cards if c.stage == "ready"],
        "compare": _compare(case),
        "snapshots": [_snapshot(n, s) for n, s in case.of(Snapshot)],
        "photos": [{"number": n, "note": p.note, "name": p.name, "file": p.file} for n, p in case.of(Photo)],
        "to_restore": [{"number": n, "item": d.item, "why": d.why} for n, d in case.to_restore],
        "restored": _restored(case),
        "work": [{"number": n, "says": say(w), "earlier": w.earlier} for n, w in case.of(Work)],
    }


def _vehicle(case: Case) -> dict[str, Any]:
    opened = case.opened
    return {
        "description": opened.vehicle,
        "complaint": opened.complaint,
        "customer": opened.customer,
        "vin": opened.vin,
        "codes": _meanings(opened.codes),
    }


def _meanings(codes: tuple[str, ...]) -> list[dict[str, str]]:
    from witnessmark.scan.meanings import meaning

    out = []
    for code in codes:
        try:
            said = meaning(code)
            out.append({"code": code, "words": said.words, "hint": said.hint})
        except WitnessmarkError:
            out.append({"code": code, "words": "", "hint": ""})
    return out


def _standing(case: Case) -> list[str]:
    """How it stands, in a sentence or two."""
    out = []
    if case.closed is not None:
        out.append(f"Closed: {say(case.closed)}")
    if case.verification is not None:
        out.append(case.verification[1].statement)
    elif case.outdated is not None:
        out.append(f"{out_of_date(case.outdated)}.")
    elif unchecked(case) is not None and case.is_open:
        out.append("The repair is not checked yet.")
    moved = balances(case)
    if case.verification is None and moved and moved[-1].causes:
        first = moved[-1].causes[0]
        out.append(f"Most probable: {cause(first)} ({percent(first.probability)}).")
    return out or ["No recording is analysed yet: nothing can be said of the cause."]


def _balance(case: Case) -> dict[str, Any] | None:
    judged = case.verdict
    if judged is None:
        return None
    number, made = judged
    moved = balances(case)

    def lines(causes: tuple[Any, ...], most: int) -> list[dict[str, Any]]:
        return [{"id": c.id, "words": cause(c), "probability": c.probability} for c in causes[:most]]

    return {
        "entry": number,
        "recording": made.recording,
        "causes": lines(moved[-1].causes, SHOWN_CAUSES),
        "after": [{"number": b.number, "causes": lines(b.causes, 3)} for b in moved],
        "closed_cases": made.closed_cases,
        "scanned": list(made.scanned),
        "what_would_change": made.what_would_change,
    }


def _next(case: Case, file: FileOf) -> dict[str, Any]:
    """The tests chosen and not done yet, else those the last analysis proposes, and why this one and no other."""
    chosen = [{"number": n, **_test(t)} for n, t in case.tests_open]
    judged = case.verdict
    proposed: list[dict[str, Any]] = []
    advice: dict[str, Any] = {}
    if judged is not None and case.is_open and case.verification is None:
        done = {t for _, t, _ in case.observed} | {t.test for _, t in case.tests_open}
        proposed = [{"id": t.id, "minutes": t.minutes, **_test(t)} for t in judged[1].next_tests if t.id not in done]
        # what was seen by hand since is not weighed in the words of an older analysis
        fresh = not any(n > judged[0] for n, _, _ in case.observed)
        advice = _advice(file(judged[1].file)) if fresh else {}
    return {
        "showed": _showed(case),
        "unchecked": unchecked(case) if case.is_open else None,
        "again": _cautions() if case.is_open and case.verification is None else [],
        "chosen": chosen,
        "proposed": proposed,
        **{key: advice.get(key) or "" for key in ("why_not", "stop", "robust")},
        "actions": [str(a.get("statement", "")) for a in advice.get("actions") or ()],
    }


def _showed(case: Case) -> dict[str, Any] | None:
    """What the last chosen test showed and what follows from it, until work is done on the vehicle."""
    made = case.of(Outcome)
    if not made or any(n > made[-1][0] for n, w in case.of(Work) if not w.earlier):
        return None
    number, last = made[-1]
    return {"number": number, "result": last.result, "then": last.then}


def unchecked(case: Case) -> int | None:
    """The last recording made after the last work, while no check of the repair holds; None where there is none."""
    done = [n for n, w in case.of(Work) if not w.earlier]
    since = [n for n, _ in case.of(RecordingAdded) if done and n > done[-1]]
    return since[-1] if since and case.verification is None else None


def _cautions() -> list[str]:
    """What to mind when a start is recorded again."""
    from witnessmark.causes.catalogue import load_knowledge
    from witnessmark.causes.engines import EngineFacts

    return list(load_knowledge().caution_texts(("rotation", "battery", "exhaust"), EngineFacts()))


def _test(t: ChosenTest | ProposedTest) -> dict[str, Any]:
    return {"statement": t.statement, "why": t.why, "outcomes": [asdict(o) for o in t.outcomes],
            "cautions": list(t.cautions)}  # fmt: skip


def _advice(file: Attachment | None) -> dict[str, Any]:
    """What the analysis says of its choice of the next test."""
    if file is None:
        return {}
    try:
        found = json.loads(file.data).get("advice")
    except (ValueError, AttributeError):
        return {}
    return found if isinstance(found, dict) else {}


def entry_of(e: Logged) -> dict[str, Any]:
    """An entry as it counts now and as it was written, in words."""
    return {
        "number": e.number,
        "at_utc": e.entry.at_utc,
        "by": e.entry.by,
        "kind": e.entry.kind,
        "words": KINDS.get(e.entry.kind, e.entry.kind),
        "says": placeless(say(e.body), e),
        "written": placeless(say(e.entry.body), e) if e.corrected_by else "",
        "corrected_by": list(e.corrected_by),
        "withdrawn_by": e.withdrawn_by,
        "fields": _fields(e) if e.counts else [],
        "withdrawable": e.counts and not isinstance(e.body, Opened | Closed | Reopened | Disabled),
    }


def placeless(text: str, e: Logged) -> str:
    """The words of an entry with names instead of places on the machine."""
    for body in (e.body, e.entry.body):
        if isinstance(body, RecordingAdded):
            for path in (body.path, body.setup_path):
                text = text.replace(path, os.path.basename(path)) if path else text
    return text


def _fields(e: Logged) -> list[dict[str, Any]]:
    """What a correction on the page may change: name, words, value and form of each field."""
    fixed = e.body.FIXED
    if fixed is None:
        return []
    out: list[dict[str, Any]] = []
    for name, value in body_data(e.body).items():
        if name in fixed or name not in FIELDS or (KIND_OF[type(e.body)], name) == ("test", "outcomes"):
            continue
        form = "list" if isinstance(value, list) else "yes" if isinstance(value, bool) else "text"
        out.append({"name": name, "words": FIELDS[name], "value": value, "form": form})
    if isinstance(e.body, Opened):
        out.append({"name": "vin", "words": "Vehicle number (17 characters)", "value": "", "form": "text"})
    return out


def _recordings(case: Case, cards: tuple[Card, ...]) -> list[dict[str, Any]]:
    analysed = {made.recording: made for _, made in case.of(Analysed)}
    out = []
    for number, added in case.of(RecordingAdded):
        card = next((c for c in cards if c.case == case.id and c.entry == number), None)
        made = analysed.get(number)
        first = made.causes[0] if made is not None and made.causes else None
        out.append(
            {"number": number, "name": os.path.basename(added.path), "note": added.note,
             "bench": None if card is None else card.id, "setup": bool(added.setup_file),
             "says": "" if first is None else f"{cause(first)}: {percent(first.probability)}"}
        )  # fmt: skip
    return out


def _short(card: Card) -> dict[str, Any]:
    return {"id": card.id, "name": card.name, "stage": card.stage, "share": card.share, "said": card.said,
            "case": card.case, "entry": card.entry}  # fmt: skip


def card_of(folder: Folder, card: Card) -> dict[str, Any]:
    """A recording on the bench for the first page, with its verdict once there is one."""
    verdict = card.verdict
    if not verdict and card.stage == "ready":
        try:
            verdict = folder.read_json(card.id, "views.json").get("verdict", "")
        except WitnessmarkError:
            verdict = ""
    return {**_short(card), "at_utc": card.at_utc, "verdict": verdict}


def _compare(case: Case) -> dict[str, Any]:
    """The recording that stands for before the repair, and what was compared already."""
    try:
        before: int | None = before_repair(case)[0]
    except BadCase:
        before = None
    made = case.of(Verified)
    told = None
    if made:
        number, last = made[-1]
        told = {
            "number": number,
            "before": last.before,
            "after": last.after,
            "overall": last.overall,
            "statement": last.statement,
            "holds": case.verification is not None,
            "since": "" if case.outdated is None else changed_since(case.outdated[2]),
            "findings": [{"statement": f.statement, "became": f.became, "because": f.because} for f in last.findings],
            "cautions": list(last.cautions),
        }
    return {"before": before, "made": told, "worked": any(not w.earlier for _, w in case.of(Work))}


def _snapshot(number: int, body: Snapshot) -> dict[str, Any]:
    found = [{"statement": f.statement, "stated": f.confidence >= STATED} for f in body.findings]
    return {"number": number, "name": body.name, "note": body.note, "codes": _meanings(body.codes), "findings": found,
            "read": body.schema == SCAN}  # fmt: skip


def _restored(case: Case) -> list[dict[str, Any]]:
    items = dict(case.of(Disabled))
    return [{"number": r.disabled, "item": items[r.disabled].item, "how": r.how} for _, r in case.of(Restored)]


def list_of(found: tuple[Case, ...]) -> list[dict[str, Any]]:
    """The cases for the first page: open ones first, each group the one written to last first."""
    ordered = sorted(found, key=lambda c: c.log[-1].entry.at_utc, reverse=True)
    return [
        {
            "case": c.id,
            "open": c.is_open,
            "vehicle": c.opened.vehicle,
            "complaint": c.opened.complaint,
            "entries": c.last,
            "last_utc": c.log[-1].entry.at_utc,
            "last_says": f"{KINDS.get(c.log[-1].entry.kind, c.log[-1].entry.kind)}: "
            f"{placeless(say(c.log[-1].body), c.log[-1])}",
            "to_restore": len(c.to_restore),
        }
        for c in sorted(ordered, key=lambda c: not c.is_open)
    ]
