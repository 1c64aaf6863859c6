"""Every field that programs outside rely on is in the schema, and required there."""

from __future__ import annotations

import json
from typing import Any

from witnessmark.report.schema import analysis_schema

# The fixed outside of the analysis: what is named here is never renamed or dropped.
FIELDS = json.loads("""
{"schema": 0, "recording": {"path": 0, "duration_s": 0, "rate_hz": 0, "samples": 0, "gaps": 0},
 "channels": [{"name": 0, "label": 0, "role": 0, "role_source": 0, "sensor": 0, "bank": 0, "cylinder": 0, "edges": 0}],
 "attempts": [{"start_s": 0, "end_s": 0, "turns": 0, "started": 0, "cranking_rpm": 0, "turns_to_sync": 0}],
 "timeline": {"motion_s": 0, "first_fuel_s": 0, "first_spark_s": 0, "sync_s": 0, "running_s": 0, "end_s": 0, "turns": 0,
              "turns_to_sync": 0, "cranking_rpm": 0, "running_rpm": 0},
 "crank_wheel": {"channel": 0, "source": 0, "slots": 0, "missing": 0, "name": 0, "slot_reference": 0, "teeth_deg": 0,
                 "alternatives": [{"name": 0, "probability": 0}], "turns_decoded": 0,
                 "teeth": [{"slot": 0, "expected": 0, "present": 0, "error_deg": 0, "error_sd_deg": 0, "amplitude": 0}],
                 "runout_deg": 0, "runout_phase_deg": 0},
 "cams": [{"channel": 0, "bank": 0, "camshaft": 0,
           "edges": [{"angle_deg": 0, "sd_deg": 0, "kind": 0, "present": 0}], "offset_deg": 0, "angle_reference": 0}],
 "outputs": [{"channel": 0, "role": 0, "cylinder": 0, "angle_reference": 0,
              "events": [{"start_s": 0, "end_s": 0, "start_deg": 0, "end_deg": 0}]}],
 "cylinders": [{"cylinder": 0, "compression_rel": 0, "contribution_rel": 0}],
 "findings": [{"id": 0, "kind": 0, "channel": 0, "slot": 0, "cylinder": 0, "lock": 0, "start_s": 0, "end_s": 0,
               "value": 0, "unit": 0, "statement": 0, "evidence": 0, "confidence": 0}],
 "causes": [{"id": 0, "with": 0, "target": 0, "probability": 0, "statement": 0, "because": 0}],
 "next_tests": [{"id": 0, "statement": 0, "why": 0, "minutes": 0, "gain_bits": 0,
                 "outcomes": [{"result": 0, "then": 0}], "cautions": 0}],
 "cautions": 0}
""")


def missing(fields: Any, schema: dict[str, Any], where: str = "") -> list[str]:
    """Names of fields that the schema lacks (or, but for angle_reference, does not require)."""
    if isinstance(fields, list):
        return missing(fields[0], schema["items"], where + "[]")
    if not isinstance(fields, dict):
        return []
    if "properties" not in schema:
        schema = next(s for s in schema["anyOf"] if "properties" in s)
    out = []
    for name, inner in fields.items():
        if name not in schema["properties"] or (name not in schema["required"] and name != "angle_reference"):
            out.append(f"{where}.{name}")
        else:
            out += missing(inner, schema["properties"][name], f"{where}.{name}")
    return out


def test_every_fixed_field_is_required_by_the_schema() -> None:
    assert missing(FIELDS, analysis_schema()) == []


def test_a_field_that_is_gone_is_noticed() -> None:
    schema = analysis_schema()
    del schema["properties"]["timeline"]["properties"]["sync_s"]
    assert missing(FIELDS, schema) == [".timeline.sync_s"]
