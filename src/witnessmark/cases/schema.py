"""The published schema of a case's state (JSON Schema 2020-12), built from the bodies of its entries.

``python -m witnessmark.cases.schema`` prints it; docs/case.schema.json is that print. Fields may be added; none is ever
renamed or dropped.
"""

from __future__ import annotations

import json

from pydantic import TypeAdapter

from witnessmark.cases.bodies import KINDS, Body
from witnessmark.cases.state_json import SCHEMA
from witnessmark.report.schema_parts import FLAG, TEXT, Schema, among, listing, maybe, record

NUMBER: Schema = {"type": "integer", "minimum": 1}
HASH: Schema = {"type": "string", "pattern": "^[0-9a-f]{64}$"}


def case_schema() -> Schema:
    """The schema of what ``case show --json`` prints, and every command that writes into a case."""
    bodies = TypeAdapter(Body).json_schema(mode="serialization")
    definitions = bodies.pop("$defs")
    definitions["Body"] = bodies
    body: Schema = {"$ref": "#/$defs/Body"}
    entry = record(
        {
            "number": NUMBER,
            "at_utc": TEXT,
            "by": TEXT,
            "kind": among(tuple(KINDS)),
            "says": TEXT,
            "body": body,
            "written": maybe(body),
            "corrected_by": listing(NUMBER),
            "withdrawn_by": maybe(NUMBER),
            "hash": HASH,
        }
    )
    whole = record(
        {
            "schema": {"const": SCHEMA},
            "program": record({"name": TEXT, "version": TEXT}),
            "case": TEXT,
            "open": FLAG,
            "head": HASH,
            "last": NUMBER,
            "opened_utc": TEXT,
            "vehicle": record(
                {"description": TEXT, "vin": maybe(TEXT), "complaint": TEXT, "customer": TEXT, "codes": listing(TEXT)}
            ),
            "closed": maybe(record({"text": TEXT, "cause": maybe(TEXT), "target": maybe(TEXT)})),
            "observed": listing(record({"number": NUMBER, "test": TEXT, "outcome": TEXT})),
            "balance": listing(
                record(
                    {
                        "number": NUMBER,
                        "causes": listing(
                            record(
                                {
                                    "id": TEXT,
                                    "with": maybe(TEXT),
                                    "target": {"type": ["string", "integer", "null"]},
                                    "probability": {"type": "number", "minimum": 0, "maximum": 1},
                                }
                            )
                        ),
                    }
                ),
                description="causes by the first analysis of the recording that counts, then after each entry that "
                "moved them",
            ),
            "to_restore": listing(record({"number": NUMBER, "item": TEXT, "why": TEXT})),
            "tests_open": listing(record({"number": NUMBER, "test": TEXT, "statement": TEXT})),
            "verification": maybe(record({"number": NUMBER, "overall": TEXT, "statement": TEXT})),
            "out_of_date": maybe(record({"number": NUMBER, "overall": TEXT, "since": NUMBER})),
            "entries": listing(entry),
        }
    )
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Witnessmark case, version 1",
        "description": "The state of a case: entries as they count now (body) and, where corrected, as they were "
        "written. Times in UTC. Unknown is null, never 0. The vehicle number is masked unless asked for.",
        **whole,
        "$defs": definitions,
    }


def main() -> None:
    """Print the schema."""
    print(json.dumps(case_schema(), indent=2, ensure_ascii=False))


if __name__ == "__main__":
    main()
