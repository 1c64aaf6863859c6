"""From the fields of a form to the bodies of entries. What a case takes is decided where cases are."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Literal

from witnessmark.cases.bodies import (
    Body,
    Closed,
    Correction,
    Decision,
    Disabled,
    Observation,
    Reopened,
    Restored,
    Retraction,
    Work,
)
from witnessmark.cases.model import Attachment, Case
from witnessmark.cases.work import outcome, test_chosen
from witnessmark.errors import BadCase

Make = Callable[[Case], Sequence[Body]]
Fields = dict[str, Any]


def bodies_for(kind: str, fields: Fields) -> tuple[Make, tuple[Attachment, ...]]:
    """What appends an entry of this kind to a case, and the files that go with it. BadCase for an unknown kind."""
    if kind == "correction":
        return _correction(fields)
    make = MAKERS.get(kind)
    if make is None:
        raise BadCase(f'"{kind[:40]}" is nothing that is entered on this page; reload it')
    return lambda case: make(case, fields), ()


def _text(fields: Fields, name: str) -> str:
    value = fields.get(name)
    return value if isinstance(value, str) else ""


def _number(fields: Fields, name: str) -> int:
    value = fields.get(name)
    if not isinstance(value, int) or isinstance(value, bool):
        raise BadCase(f"{name}: expected the number of an entry; reload the page")
    return value


def _observation(case: Case, f: Fields) -> list[Body]:
    return [Observation(_text(f, "text"), _text(f, "test"), _text(f, "outcome"))]


def _work(case: Case, f: Fields) -> list[Body]:
    what: Literal["part", "work"] = "work" if f.get("what") == "work" else "part"
    return [
        Work(what, _text(f, "text"), _text(f, "part_number"), _text(f, "when"), _text(f, "who"), bool(f.get("earlier")))
    ]  # fmt: skip


def _test(case: Case, f: Fields) -> list[Body]:
    return [test_chosen(case, _text(f, "test") or None, _text(f, "statement"), _text(f, "why"))]


def _outcome(case: Case, f: Fields) -> list[Body]:
    return [outcome(case, _number(f, "chosen"), _text(f, "result"), _text(f, "note"))]


def _decision(case: Case, f: Fields) -> list[Body]:
    because = f.get("because")
    numbers = tuple(n for n in because if isinstance(n, int)) if isinstance(because, list) else ()
    return [Decision(_text(f, "text"), numbers)]


def _restored(case: Case, f: Fields) -> list[Body]:
    return [Restored(_number(f, "disabled"), _text(f, "how"))]


def _closed(case: Case, f: Fields) -> list[Body]:
    from witnessmark.causes.ids import CAUSES

    cause = _text(f, "cause")
    if cause and cause not in CAUSES:
        raise BadCase(f'"{cause[:40]}" is no cause; choose one of the list')
    return [Closed(_text(f, "text"), cause, _text(f, "target"))]


def _correction(fields: Fields) -> tuple[Make, tuple[Attachment, ...]]:
    """A correction; the vehicle number is sealed, and only its mask stands in the log."""
    from witnessmark.cases.vin import sealed

    changes = dict(fields["changes"]) if isinstance(fields.get("changes"), dict) else {}
    files: tuple[Attachment, ...] = ()
    vin = changes.pop("vin", "")
    if isinstance(vin, str) and vin.strip():
        masked, seal = sealed(vin)
        changes |= {"vin": masked, "vin_file": seal.sha256}
        files = (seal,)
    if not changes:
        raise BadCase("nothing is changed: write other words in a field")
    body = Correction(_number(fields, "entry"), changes, _text(fields, "why"))
    return lambda case: [body], files


MAKERS: dict[str, Callable[[Case, Fields], list[Body]]] = {
    "observation": _observation,
    "work": _work,
    "test": _test,
    "outcome": _outcome,
    "decision": _decision,
    "disabled": lambda case, f: [Disabled(_text(f, "item"), _text(f, "why"))],
    "restored": _restored,
    "retraction": lambda case, f: [Retraction(_number(f, "entry"), _text(f, "why"))],
    "closed": _closed,
    "reopened": lambda case, f: [Reopened(_text(f, "why"))],
}
