"""A scan snapshot with what it says, as JSON: snapshot, meanings, findings, and codes against a recording."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from witnessmark.findings.model import Findings
from witnessmark.report.analysis_json import finding_json
from witnessmark.scan.against import Agreement
from witnessmark.scan.meanings import meaning
from witnessmark.scan.model import ScanSnapshot
from witnessmark.scan.snapshot_json import snapshot_json

SCHEMA = "witnessmark.scan-findings/1"


def scan_json(
    snapshot: ScanSnapshot, findings: Findings, agreements: tuple[Agreement, ...] = (), show_vin: bool = False
) -> dict[str, Any]:
    """The JSON object; the snapshot in it is what :func:`witnessmark.scan.snapshot_json.snapshot_json` writes."""
    codes = sorted({c for u in snapshot.units for c in u.codes})
    said = [meaning(c) for c in codes]
    return {
        "schema": SCHEMA,
        "snapshot": snapshot_json(snapshot, show_vin),
        "codes": [
            {"code": m.code, "meaning": m.words, "group": m.group.id if m.group else None, "hint": m.hint} for m in said
        ],
        "findings": [finding_json(f) for f in findings.found],
        "not_assessed": [asdict(n) for n in findings.not_assessed],
        "against_recording": [{**asdict(a), "because": list(a.because)} for a in agreements],
    }
