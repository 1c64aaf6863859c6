"""The published schema of the comparison (JSON Schema 2020-12), built from the closed word lists.

``python -m witnessmark.compare.schema`` prints it; docs/comparison.schema.json is that print. Fields may be added, so
objects stay open; none of those below is ever renamed or dropped.
"""

from __future__ import annotations

import json

from witnessmark.compare.comparison_json import SCHEMA
from witnessmark.compare.model import OVERALL, VERDICTS
from witnessmark.report.schema import SLOT
from witnessmark.report.schema_parts import COUNT, FLAG, NUMBER, POSITIVE, SHARE, TEXT, Schema, among, listing, maybe
from witnessmark.report.schema_parts import record as record_of
from witnessmark.report.words import CAUSES, KINDS, ROLES


def _record() -> Schema:
    return record_of(
        {
            "path": TEXT,
            "duration_s": POSITIVE,
            "wheel": maybe(TEXT),
            "turns_decoded": POSITIVE,
            "runout_deg": maybe(POSITIVE),
            "runout_se_deg": maybe(POSITIVE),
            "channels": listing(record_of({"name": TEXT, "role": among(ROLES)})),
            "causes": listing(
                record_of(
                    {"id": among(CAUSES), "target": {"type": ["integer", "string", "null"]}, "probability": SHARE}
                ),
                minItems=1,
            ),
        }
    )


def _finding() -> Schema:
    stretch = record_of({"channel": TEXT, "start_s": NUMBER, "end_s": NUMBER})
    return record_of(
        {
            "id": {"type": "string", "pattern": "^F[0-9]+$"},
            "kind": among(KINDS),
            "stated": FLAG,
            "confidence": SHARE,
            "value": maybe(NUMBER),
            "unit": TEXT,
            "statement": TEXT,
            "ranges": listing(stretch),
        }
    )


def _judged() -> Schema:
    return record_of(
        {
            "verdict": among(VERDICTS),
            "kind": among(KINDS),
            "channel": TEXT,
            "slot": maybe(SLOT),
            "cylinder": maybe(SLOT),
            "because": TEXT,
            "before": maybe(_finding()),
            "after": maybe(_finding()),
            "value_after": maybe(NUMBER),
            "rate_before": {**maybe(SHARE), "description": "share of the chances in which it showed before"},
            "chances_after": {**maybe(COUNT), "description": "turns, passages or starts in which it could have shown"},
            "bound_after": {
                **maybe(SHARE), "description": "largest share that none in so many leaves open: 1 - 0.05^(1/n)",
            },
        }
    )  # fmt: skip


def _tooth() -> Schema:
    return record_of(
        {
            "expected": FLAG,
            "present": maybe(SHARE),
            "passages": COUNT,
            "error_deg": maybe(NUMBER),
            "error_sd_deg": maybe(POSITIVE),
            "amplitude": maybe(POSITIVE),
        }
    )


def _cam() -> Schema:
    return record_of(
        {
            "channel": TEXT,
            "edges": COUNT,
            "cycles": COUNT,
            "offset_deg": maybe(NUMBER),
            "spread_deg": maybe(POSITIVE),
            "present": maybe(SHARE),
        }
    )


def _starts() -> Schema:
    return record_of(
        {
            "attempts": COUNT,
            "started": COUNT,
            "turns_to_sync": maybe(POSITIVE),
            "cranking_rpm": maybe(POSITIVE),
            "time_to_run_s": maybe(POSITIVE),
        }
    )


def comparison_schema() -> Schema:
    """The schema of :func:`witnessmark.compare.comparison_json.comparison_json`'s result."""
    pair = record_of({"slot": SLOT, "before": maybe(_tooth()), "after": maybe(_tooth())})
    cams = record_of({"name": TEXT, "moved_deg": maybe(NUMBER), "before": maybe(_cam()), "after": maybe(_cam())})
    body = record_of(
        {
            "schema": {"const": SCHEMA},
            "before": _record(),
            "after": _record(),
            "verdict": record_of({"id": among(OVERALL), "statement": TEXT}),
            "findings": listing(_judged()),
            "teeth": listing(pair),
            "teeth_not_comparable": maybe(TEXT),
            "cams": listing(cams),
            "starts": record_of({"before": _starts(), "after": _starts()}),
            "cautions": listing(TEXT, minItems=1),
        },
        {"program": record_of({"name": TEXT, "version": TEXT}), "setup": record_of({"path": maybe(TEXT)})},
    )
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Witnessmark comparison, version 1",
        "description": "Two recordings of one engine, before and after a repair. Angles in crank degrees, times in "
        "seconds, speeds in rev/min. Unknown is null, never 0.",
        **body,
    }


def main() -> None:
    """Print the schema."""
    print(json.dumps(comparison_schema(), indent=2, ensure_ascii=False))


if __name__ == "__main__":
    main()
