"""The comparison as plain JSON data, in the published order of keys (docs/comparison.schema.json)."""

from __future__ import annotations

from typing import Any

from witnessmark import __version__
from witnessmark.compare.model import CamSide, Comparison, Judged, StartSide
from witnessmark.findings.model import Finding
from witnessmark.report.analysis_json import evidence_range
from witnessmark.report.model import Analysis
from witnessmark.report.plain import angle, number, plain, rounded_to_one, seconds, share
from witnessmark.wheel.model import Tooth

SCHEMA = "witnessmark.comparison/1"


def comparison_json(c: Comparison) -> dict[str, Any]:
    """The whole comparison: plain str, int, float, bool, None, list and dict only; unknown is None, never 0."""
    return {
        "schema": SCHEMA,
        "program": {"name": "witnessmark", "version": __version__},
        "setup": {"path": c.after.setup_path},
        "before": _record(c.before),
        "after": _record(c.after),
        "verdict": {"id": c.overall, "statement": c.statement},
        "findings": [_judged(j) for j in c.findings],
        "teeth": [{"slot": p.slot, "before": _tooth(p.before), "after": _tooth(p.after)} for p in c.teeth],
        "teeth_not_comparable": c.teeth_why_not or None,
        "cams": [
            {"name": p.name, "moved_deg": angle(p.moved_deg), "before": _cam(p.before), "after": _cam(p.after)}
            for p in c.cams
        ],
        "starts": {"before": _starts(c.starts[0]), "after": _starts(c.starts[1])},
        "cautions": list(c.cautions),
    }


def _record(a: Analysis) -> dict[str, Any]:
    causes = sorted(a.verdict.causes, key=lambda x: -x.probability)
    odds = rounded_to_one([x.probability for x in causes])
    return {
        "path": a.recording.path,
        "duration_s": seconds(a.recording.duration_s),
        "wheel": None if a.wheel.layout is None else a.wheel.layout.name,
        "turns_decoded": number(a.wheel.angle.turns, 4),
        "runout_deg": angle(a.wheel.runout_deg),
        "runout_se_deg": angle(a.wheel.runout_se_deg),
        "channels": [{"name": line.name, "role": line.role} for line in a.signals.lines],
        "causes": [
            {"id": x.id, "target": plain(x.target), "probability": p} for x, p in zip(causes, odds, strict=True)
        ],
    }


def _judged(j: Judged) -> dict[str, Any]:
    f = j.shown
    return {
        "verdict": j.verdict,
        "kind": f.kind,
        "channel": f.channel,
        "slot": plain(f.slot),
        "cylinder": plain(f.cylinder),
        "because": j.because,
        "before": _finding(j.before),
        "after": _finding(j.after),
        "value_after": plain(j.value_after),
        "rate_before": share(j.rate),
        "chances_after": plain(j.chances),
        "bound_after": share(j.bound),
    }


def _finding(f: Finding | None) -> dict[str, Any] | None:
    if f is None:
        return None
    return {
        "id": f.id,
        "kind": f.kind,
        "stated": bool(f.stated),
        "confidence": share(f.confidence),
        "value": plain(f.value),
        "unit": f.unit,
        "statement": f.statement,
        "ranges": [evidence_range(r) for r in f.ranges],
    }


def _tooth(t: Tooth | None) -> dict[str, Any] | None:
    if t is None:
        return None
    return {
        "expected": bool(t.expected),
        "present": share(t.present),
        "passages": int(t.passages),
        "error_deg": angle(t.error_deg),
        "error_sd_deg": angle(t.error_sd_deg),
        "amplitude": share(t.amplitude),
    }


def _cam(s: CamSide | None) -> dict[str, Any] | None:
    if s is None:
        return None
    return {
        "channel": s.channel,
        "edges": int(s.edges),
        "cycles": int(s.cycles),
        "offset_deg": angle(s.offset_deg),
        "spread_deg": angle(s.spread_deg),
        "present": share(s.present),
    }


def _starts(s: StartSide) -> dict[str, Any]:
    return {
        "attempts": int(s.attempts),
        "started": int(s.started),
        "turns_to_sync": number(s.turns_to_sync, 4),
        "cranking_rpm": number(s.cranking_rpm, 2),
        "time_to_run_s": seconds(s.time_to_run_s),
    }
