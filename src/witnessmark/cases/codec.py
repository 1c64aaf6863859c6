"""Bodies and entries as JSON and back, and the hash of an entry."""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import asdict
from datetime import UTC, datetime
from functools import cache
from typing import Any

from pydantic import TypeAdapter, ValidationError

from witnessmark.cases.bodies import KIND_OF, KINDS, Body
from witnessmark.cases.model import Entry
from witnessmark.cases.words import clean
from witnessmark.errors import BadCase

LONGEST_BODY = 2_000_000  # characters of JSON; an analysis' summary has some thousand
LONGEST_NAME = 200
_AT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z")


def canonical(data: Any) -> str:
    """JSON that is the same for the same content: sorted keys, no blanks, ASCII only."""
    return json.dumps(data, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False)


@cache
def _form(kind: str) -> TypeAdapter[Body]:
    return TypeAdapter(KINDS[kind])


def body_from(kind: str, text: str, where: str) -> Body:
    """The body of this kind from JSON; BadCase names ``where`` it stands, the field and what is wrong."""
    if kind not in KINDS:
        raise BadCase(f'{where}: unknown kind "{kind[:40]}"; it may come from a newer version of this program: update')
    if len(text) > LONGEST_BODY:
        raise BadCase(f"{where}: {len(text)} characters, expected at most {LONGEST_BODY}; add large things as files")
    try:
        return _form(kind).validate_json(text)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        if first["type"] == "json_invalid":
            raise BadCase(f"{where}: holds broken letters or control characters; write plain text") from None
        field = ".".join(str(p) for p in first["loc"]) or kind
        raise BadCase(f"{where}: {field}: {first['msg'].removeprefix('Value error, ')}; correct it") from None


def body_data(body: Body) -> dict[str, Any]:
    """The body as plain JSON data."""
    data: dict[str, Any] = json.loads(json.dumps(asdict(body), allow_nan=False))
    return data


def checked(body: Body, where: str = "new entry") -> Body:
    """The body, cleaned and checked as if read from a file."""
    kind = KIND_OF[type(body)]
    return body_from(kind, canonical(asdict(body)), where)


def hash_of(case_id: str, number: int, at_utc: str, by: str, kind: str, text: str, previous: str) -> str:
    """SHA-256 of an entry (published: FIPS 180-4), over its parts as a canonical JSON list."""
    return hashlib.sha256(canonical([case_id, number, at_utc, by, kind, text, previous]).encode()).hexdigest()


def made(case_id: str, number: int, by: str, body: Body, previous: str, at_utc: str | None = None) -> Entry:
    """A new entry. ``at_utc``: now where not given. BadCase where body or name cannot stand in a log."""
    who = named(by)
    at = at_utc or datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    kind = KIND_OF[type(body)]
    whole = checked(body)
    text = canonical(asdict(whole))
    parts = (case_id, number, at, who, kind, text, previous)
    return Entry(*parts, hash_of(*parts), whole)


def named(by: str) -> str:
    """The name of who writes, cleaned; BadCase where it is none."""
    try:
        who = " ".join(clean(by).split())
    except ValueError:
        who = ""
    if not who or len(who) > LONGEST_NAME:
        raise BadCase(f"--by: expected a name of 1 to {LONGEST_NAME} characters, no control characters; say who writes")
    return who


def restored(row: dict[str, Any], where: str) -> Entry:
    """An entry read back; BadCase where it is not what was written (its hash does not fit)."""
    _whole_heads(row, where)
    parts = (row["case_id"], row["number"], row["at_utc"], row["by"], row["kind"], row["text"], row["previous"])
    if hash_of(*parts) != row["hash"]:
        raise BadCase(f"{where}: entry {row['number']} is not as it was written (hash does not fit); restore a backup")
    body = body_from(row["kind"], row["text"], f"{where}: entry {row['number']}")
    return Entry(*parts, row["hash"], body)


def _whole_heads(row: dict[str, Any], where: str) -> None:
    """Refuse a time or a name that this program would not have written."""
    try:
        fits = bool(_AT.fullmatch(row["at_utc"])) and named(row["by"]) == row["by"]
    except BadCase:
        fits = False
    if not fits:
        raise BadCase(f"{where}: entry {row['number']}: expected a time in UTC and a name; the file was changed")
