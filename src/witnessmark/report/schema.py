"""The published schema of the analysis (JSON Schema 2020-12), built from the closed word lists.

``python -m witnessmark.report.schema`` prints it; docs/analysis.schema.json is that print.
Fields may be added to an analysis, so objects stay open; none of those below is ever renamed or dropped.
"""

from __future__ import annotations

import json

from witnessmark.report.schema_advice import advice_schema, next_test_schema, observed_schema, prior_schema
from witnessmark.report.schema_parts import (
    COUNT,
    FLAG,
    NUMBER,
    POSITIVE,
    SHARE,
    TEXT,
    Schema,
    among,
    listing,
    maybe,
    record,
)
from witnessmark.report.words import CAUSES, KINDS, LOCKS, ROLES, SENSORS

SPAN = record({"start_s": NUMBER, "end_s": NUMBER, "reason": TEXT})
SLOT: Schema = {"type": "integer", "minimum": 1}
ANGLE_IN_CYCLE: Schema = {"type": "number", "minimum": 0, "maximum": 720}
REFERENCE: Schema = {"type": "string", "description": "what the degrees beside it are counted from"}


def _recording() -> Schema:
    return record(
        {
            "path": TEXT,
            "duration_s": POSITIVE,
            "rate_hz": {**maybe(POSITIVE), "description": "highest rate of any channel; null for change lists"},
            "samples": {**COUNT, "description": "samples of the longest channel"},
            "gaps": {**COUNT, "description": "stretches without usable samples on some channel"},
        },
        {"gap_spans": listing(SPAN), "format": TEXT, "start_s": NUMBER, "end_s": NUMBER},
    )


def _channel() -> Schema:
    return record(
        {
            "name": TEXT,
            "label": TEXT,
            "role": among(ROLES),
            "role_source": among(["setup", "inferred"]),
            "sensor": among(SENSORS),
            "bank": maybe(SLOT),
            "cylinder": maybe(SLOT),
            "edges": COUNT,
        },
        {
            "role_confidence": maybe(SHARE),
            "role_reason": TEXT,
            "of": maybe(TEXT),
            "unit": TEXT,
            "rate_hz": maybe(NUMBER),
        },
    )


def _attempt() -> Schema:
    return record(
        {
            "start_s": NUMBER,
            "end_s": NUMBER,
            "turns": POSITIVE,
            "started": FLAG,
            "cranking_rpm": maybe(POSITIVE),
            "turns_to_sync": maybe(POSITIVE),
        },
        {name: maybe(NUMBER) for name in ("first_fuel_s", "first_spark_s", "sync_s", "running_s", "running_rpm")},
    )


def _timeline() -> Schema:
    times = ("motion_s", "first_fuel_s", "first_spark_s", "sync_s", "running_s", "end_s")
    return record(
        {
            **{name: maybe(NUMBER) for name in times},
            "turns": POSITIVE,
            "turns_to_sync": maybe(POSITIVE),
            "cranking_rpm": maybe(POSITIVE),
            "running_rpm": maybe(POSITIVE),
        }
    )


def _tooth() -> Schema:
    return record(
        {
            "slot": SLOT,
            "expected": FLAG,
            "present": {**maybe(SHARE), "description": "share of the used passages with an edge"},
            "error_deg": {**maybe(NUMBER), "description": "positive: the edge comes late"},
            "error_sd_deg": maybe(POSITIVE),
            "amplitude": {**maybe(POSITIVE), "description": "over speed, relative to the median tooth"},
        },
        {"seen": COUNT, "passages": COUNT, "arm_margin": maybe(NUMBER), "residual": maybe(NUMBER)},
    )


def _crank_wheel() -> Schema:
    alternative = record({"name": TEXT, "probability": SHARE}, {"because": TEXT, "damaged_slots": listing(SLOT)})
    return record(
        {
            "channel": maybe(TEXT),
            "source": among(["setup", "inferred"]),
            "slots": maybe(SLOT),
            "missing": {**maybe(listing(SLOT)), "description": "by design only: never a damaged slot"},
            "name": maybe(TEXT),
            "slot_reference": {**TEXT, "description": "the rule by which slot 1 was chosen, in words"},
            "teeth_deg": {**maybe(listing(NUMBER)), "description": "marking edges of an unequal wheel"},
            "alternatives": listing(alternative),
            "turns_decoded": POSITIVE,
            "teeth": listing(_tooth()),
            "runout_deg": {**maybe(POSITIVE), "description": "amplitude: half of peak to peak"},
            "runout_phase_deg": maybe(NUMBER),
        },
        {"belief": maybe(SHARE), "why_not": maybe(TEXT), "undecidable": maybe(TEXT), "undecoded": listing(SPAN)},
    )


def _cam() -> Schema:
    edge = record(
        {"angle_deg": NUMBER, "sd_deg": maybe(POSITIVE), "kind": among(["rising", "falling"]), "present": SHARE}
    )
    return record(
        {
            "channel": TEXT,
            "bank": maybe(SLOT),
            "camshaft": maybe(among(["intake", "exhaust"])),
            "edges": listing(edge),
            "offset_deg": {**maybe(NUMBER), "description": "positive: late, against the piston, phaser parked"},
            "offset_to_wheel_deg": {**maybe(NUMBER), "description": "the same against the wheel as it stands"},
        },
        {"angle_reference": REFERENCE, "cycles": COUNT},
    )


def _output() -> Schema:
    event = record(
        {"start_s": NUMBER, "end_s": NUMBER, "start_deg": maybe(ANGLE_IN_CYCLE), "end_deg": maybe(ANGLE_IN_CYCLE)}
    )
    return record(
        {
            "channel": TEXT,
            "role": among(["coil", "injector"]),
            "cylinder": maybe(SLOT),
            "events": listing(event),
        },
        {"angle_reference": REFERENCE, "active_high": FLAG},
    )


def _finding() -> Schema:
    stretch = record(
        {
            "channel": TEXT,
            "start_s": NUMBER,
            "end_s": NUMBER,
            "start_sample": COUNT,
            "stop_sample": COUNT,
            "turn": maybe({"type": "integer"}),
        }
    )
    return record(
        {
            "id": {"type": "string", "pattern": "^F[0-9]+$"},
            "kind": among(KINDS),
            "channel": TEXT,
            "slot": maybe(SLOT),
            "cylinder": maybe(SLOT),
            "lock": among(LOCKS),
            "start_s": maybe(NUMBER),
            "end_s": maybe(NUMBER),
            "value": maybe(NUMBER),
            "unit": TEXT,
            "statement": TEXT,
            "evidence": record({"ranges": listing(stretch)}),
            "confidence": {**SHARE, "description": "0.5 or more: stated as found; below: a hint"},
        },
        {"stated": FLAG},
    )


def _cause() -> Schema:
    return record(
        {
            "id": among(CAUSES),
            "with": maybe(among(CAUSES)),
            "target": {"type": ["integer", "string", "null"]},
            "probability": SHARE,
            "statement": TEXT,
            "because": listing({"type": "string", "pattern": "^F[0-9]+$"}),
        }
    )


def _where() -> Schema:
    guide = record({"reference": TEXT, "bar_deg": {"type": "number", "minimum": 0, "exclusiveMaximum": 360}})
    return record(
        {
            "slot": SLOT,
            "angle_from_slot1_deg": {"type": "number", "minimum": 0, "exclusiveMaximum": 360},
            "instead_of": maybe({"type": "integer", "minimum": 1}),
            "angle_atdc_deg": maybe(NUMBER),
            "guides": listing(guide),
            "cautions": listing(TEXT, minItems=1),
        }
    )


def _replay() -> Schema:
    rule = record(
        {
            "id": TEXT,
            "words": TEXT,
            "starts": COUNT,
            "median_turns": {**maybe(POSITIVE), "description": "null: half of the starts never find the place"},
            "synced": maybe(SHARE),
            "wrong_first": maybe(SHARE),
            "median_turns_restored": maybe(POSITIVE),
            "synced_restored": maybe(SHARE),
        }
    )
    attempt = record(
        {
            "number": SLOT,
            "turns": POSITIVE,
            "observed_turns": maybe(POSITIVE),
            "predicted_turns": listing(maybe(POSITIVE)),
        }
    )
    return record(
        {
            "suspects": listing(SLOT),
            "turns_low": maybe(POSITIVE),
            "turns_high": {**maybe(POSITIVE), "description": "null: at least one rule set never finds the place"},
            "turns_low_restored": maybe(POSITIVE),
            "turns_high_restored": maybe(POSITIVE),
            "explains": maybe(FLAG),
            "statement": TEXT,
            "attempts": listing(attempt),
            "rules": listing(rule),
        },
        description="a counter with generic rules run over the recorded edges, as recorded and with suspects put right",
    )


def _pressure() -> Schema:
    valve = record({"angle_deg": NUMBER, "sd_deg": POSITIVE, "cycles": COUNT}, description="after firing TDC")
    cycle = record({"peak_s": NUMBER, "peak": NUMBER, "rpm": POSITIVE, "kind": among(["motored", "fired", "unclear"])})
    pulse = record({"cylinder": SLOT, "rel": maybe(NUMBER), "sd": maybe(POSITIVE), "or_cylinder": maybe(SLOT)})
    return record(
        {"channel": TEXT, "role": TEXT, "cycles": COUNT, "rpm": maybe(POSITIVE), "unit": TEXT, "why_not": maybe(TEXT)},
        {
            "cylinder": maybe(SLOT),
            "tdc_deg": {**maybe(ANGLE_IN_CYCLE), "description": "its firing TDC on the scale of phase.tdc_deg"},
            "tdc_sd_deg": {**maybe(POSITIVE), "description": "stated uncertainty, loss angle included"},
            "tdc_spread_deg": {**maybe(POSITIVE), "description": "over the cycles"},
            "tdc_late_deg": {**maybe(NUMBER), "description": "against the setup's TDC slot, positive late"},
            "loss_angle_deg": maybe(NUMBER),
            "peak_before_tdc_deg": maybe(NUMBER),
            "exponent": {**maybe(NUMBER), "description": "polytropic; null without the engine's dimensions"},
            "leak_per_s": {**maybe(NUMBER), "description": "share of the charge lost a second at high pressure"},
            "expansion_over_compression": {
                **maybe(POSITIVE),
                "description": "pressure 60 degrees after TDC over 60 before",
            },
            "peak": {**maybe(NUMBER), "description": "over the pressure at bottom dead centre, in unit"},
            "exhaust_opens": maybe(valve),
            "intake_closes": maybe(valve),
            "each": listing(cycle),
            "height": {**maybe(POSITIVE), "description": "intake and exhaust: a common pulse, in unit"},
            "delay_deg": maybe(NUMBER),
            "pulses": listing(pulse),
        },
    )


def _further() -> dict[str, Schema]:
    """Keys an analysis has beyond the fixed ones."""
    step = record({"stage": TEXT, "what": TEXT, "parameters": {"type": "object"}, "because": TEXT})
    return {
        "program": record({"name": TEXT, "version": TEXT}),
        "setup": record({"path": maybe(TEXT)}),
        "phase": record(
            {"known": FLAG, "turn_known": FLAG, "angle_reference": REFERENCE},
            {"turn_source": {**maybe(TEXT), "description": "what tells the cycle's two turns apart"}},
        ),
        "engine": record(
            {
                "cylinders": maybe(COUNT),
                "source": maybe(among(("setup", "inferred"))),
                "certainty": SHARE,
                "because": TEXT,
            },
            {"fires_evenly": maybe(FLAG)},
        ),
        "not_assessed": listing(record({"question": TEXT, "reason": TEXT, "needs": TEXT})),
        "bounds": listing(TEXT),
        "pressures": listing(_pressure(), description="lines of cylinder, intake and exhaust pressure"),
        "replay": maybe(_replay()),
        "what_would_change": maybe(TEXT),
        "advice": maybe(advice_schema()),
        "observed": listing(observed_schema(), description="tests done by hand, in the order in which they count"),
        "priors": listing(prior_schema(), description="empty where no closed cases were given"),
        "where_to_look": listing(_where()),
        "provenance": listing(step),
    }


def analysis_schema() -> Schema:
    """The schema of :func:`witnessmark.report.analysis_json.analysis_json`'s result."""
    body = record(
        {
            "schema": {"const": "witnessmark.analysis/1"},
            "recording": _recording(),
            "channels": listing(_channel()),
            "attempts": listing(_attempt()),
            "timeline": _timeline(),
            "crank_wheel": _crank_wheel(),
            "cams": listing(_cam()),
            "outputs": listing(_output()),
            "cylinders": listing(
                record(
                    {"cylinder": SLOT, "compression_rel": maybe(NUMBER), "contribution_rel": maybe(NUMBER)},
                    {
                        "compression_sd": maybe(POSITIVE),
                        "contribution_sd": maybe(POSITIVE),
                        "misfires": maybe(COUNT),
                        "roughness_per_s2": {
                            **maybe(NUMBER),
                            "description": "(T[n] - T[n-1]) / T[n-1]^3 of the firing segments' times, mean over cycles",
                        },
                        "roughness_sd": maybe(POSITIVE),
                        "cycles": maybe(COUNT),
                    },
                )
            ),
            "findings": listing(_finding()),
            "causes": listing(_cause(), minItems=1),
            "next_tests": listing(next_test_schema()),
            "cautions": listing(TEXT),
        },
        _further(),
    )
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Witnessmark analysis, version 1",
        "description": "Times in seconds on the recording's clock, angles in crank degrees, speeds in rev/min. "
        "Unknown is null, never 0. Causes are sorted by probability and sum to 1.",
        **body,
    }


def main() -> None:
    """Print the schema."""
    print(json.dumps(analysis_schema(), indent=2, ensure_ascii=False))


if __name__ == "__main__":
    main()
