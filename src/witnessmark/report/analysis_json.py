"""The analysis as plain JSON data, in the published order of keys (docs/analysis.schema.json)."""

from __future__ import annotations

from typing import Any

import numpy as np

from witnessmark import __version__
from witnessmark.engine.facts import facts_from
from witnessmark.findings.model import Finding
from witnessmark.recording.setup import Setup
from witnessmark.report import cam_edges, collect, verdict_json, where
from witnessmark.report.compose_replay import replay_json
from witnessmark.report.model import Analysis, Whereabouts
from witnessmark.report.plain import angle, number, plain, seconds, share
from witnessmark.report.pressures_json import pressures_json
from witnessmark.signals.model import Line
from witnessmark.spans import Evidence, Span
from witnessmark.wheel.model import Alternative, Layout, Tooth, WheelResult

SCHEMA = "witnessmark.analysis/1"


def analysis_json(analysis: Analysis) -> dict[str, Any]:
    """The whole analysis: plain str, int, float, bool, None, list and dict only; unknown is None, never 0 or NaN.

    Times in s on the recording's clock (to 0.1 us), angles in crank degrees (to 0.0001), speeds in rev/min.
    """
    return {
        "schema": SCHEMA,
        "program": {"name": "witnessmark", "version": __version__},
        "recording": _recording(analysis),
        "setup": {"path": analysis.setup_path, "given": plain(_given(analysis.setup))},
        "channels": [_channel(line) for line in analysis.signals.lines],
        "attempts": [_attempt(a) for a in analysis.engine.attempts],
        "timeline": _timeline(analysis),
        "crank_wheel": _crank_wheel(analysis.wheel),
        "phase": _phase(analysis),
        "engine": _engine(analysis),
        "cams": _cams(analysis),
        "outputs": _outputs(analysis),
        "cylinders": _cylinders(analysis),
        "pressures": pressures_json(analysis.engine),
        "findings": [finding_json(f) for f in analysis.findings.found],
        "not_assessed": [
            {"question": n.question, "reason": n.reason, "needs": n.needs} for n in analysis.findings.not_assessed
        ],
        "bounds": list(analysis.findings.bounds),
        "replay": replay_json(analysis.findings.replay),
        "causes": verdict_json.causes(analysis.verdict.causes),
        "what_would_change": analysis.verdict.what_would_change or None,
        "next_tests": [verdict_json.next_test(t) for t in analysis.verdict.next_tests],
        "advice": verdict_json.advice(analysis.verdict.advice),
        "observed": [verdict_json.observed(o) for o in analysis.verdict.observed],
        "priors": [verdict_json.prior(p) for p in analysis.verdict.priors],
        "where_to_look": [_where(w) for w in analysis.whereabouts],
        "cautions": list(collect.cautions(analysis)),
        "provenance": [
            {
                "stage": s.stage,
                "what": s.what,
                "parameters": plain(s.parameters),
                "used": plain(s.used),
                "seen": plain(s.seen),
                "because": s.because,
            }
            for s in collect.steps(analysis)
        ],
    }


def _given(setup: Setup) -> dict[str, Any]:
    """Only what the setup file said: no defaults, no empty tables."""
    return setup.model_dump(exclude_unset=True, exclude_none=True)


def _span(span: Span) -> dict[str, Any]:
    return {"start_s": seconds(span.start_s), "end_s": seconds(span.end_s), "reason": span.reason}


def _recording(analysis: Analysis) -> dict[str, Any]:
    recording = analysis.recording
    rates = [c.rate_hz for c in recording.channels if c.rate_hz is not None]
    holes = collect.gaps(recording)
    return {
        "path": recording.path,
        "duration_s": seconds(recording.duration_s),
        "rate_hz": number(max(rates), 6) if rates else None,
        "samples": int(max(c.samples for c in recording.channels)),
        "gaps": len(holes),
        "gap_spans": [_span(s) for s in holes],
        "format": recording.format,
        "start_s": seconds(recording.start_s),
        "end_s": seconds(recording.end_s),
    }


def _channel(line: Line) -> dict[str, Any]:
    info, levels = line.info, line.levels
    return {
        "name": line.name,
        "label": line.label,
        "role": line.role,
        "role_source": line.role_source,
        "sensor": line.sensor,
        "bank": plain(line.bank),
        "cylinder": plain(line.cylinder),
        "edges": len(line.edges),
        "role_confidence": share(line.role_confidence),
        "role_reason": line.role_reason,
        "sensor_source": line.sensor_source,
        "of": line.of or None,
        "position": int(info.position),
        "kind": info.kind,
        "samples": int(info.samples),
        "rate_hz": number(info.rate_hz, 6),
        "start_s": seconds(info.start_s),
        "unit": info.unit,
        "scale_known": bool(line.scale_known),
        "levels": {
            "low": number(levels.low, 6),
            "high": number(levels.high, 6),
            "noise": number(levels.noise, 6),
            "minimum": number(levels.minimum, 6),
            "maximum": number(levels.maximum, 6),
            "clipped": share(levels.clipped),
            "moving": bool(levels.moving),
        },
    }


_ATTEMPT_TIMES = ("first_fuel_s", "first_spark_s", "sync_s", "running_s")
_ATTEMPT_NUMBERS = (
    "running_rpm",
    "cranking_rpm_min",
    "cranking_rpm_max",
    "battery_rest_v",
    "battery_min_v",
    "battery_cranking_v",
    "starter_current_a",
)


def _attempt(attempt: Any) -> dict[str, Any]:
    out = {
        "start_s": seconds(attempt.start_s),
        "end_s": seconds(attempt.end_s),
        "turns": number(attempt.turns, 4),
        "started": bool(attempt.started),
        "cranking_rpm": number(attempt.cranking_rpm, 2),
        "turns_to_sync": number(attempt.turns_to_sync, 4),
    }
    out |= {name: seconds(getattr(attempt, name)) for name in _ATTEMPT_TIMES}
    out |= {name: number(getattr(attempt, name), 3) for name in _ATTEMPT_NUMBERS}
    return out | {"sparks": plain(attempt.sparks), "injections": plain(attempt.injections)}


def _timeline(analysis: Analysis) -> dict[str, Any]:
    timeline = analysis.engine.timeline
    names = ("motion_s", "first_fuel_s", "first_spark_s", "sync_s", "running_s", "end_s")
    out = {name: seconds(getattr(timeline, name)) for name in names}
    return out | {
        "turns": number(timeline.turns, 4),
        "turns_to_sync": number(timeline.turns_to_sync, 4),
        "cranking_rpm": number(timeline.cranking_rpm, 2),
        "running_rpm": number(timeline.running_rpm, 2),
    }


def _layout(layout: Layout | None) -> dict[str, Any]:
    if layout is None:
        return {"slots": None, "missing": None, "name": None}
    return {"slots": int(layout.slots), "missing": [int(m) for m in layout.missing], "name": layout.name}


def _alternative(other: Alternative) -> dict[str, Any]:
    return {
        "name": other.layout.name,
        "probability": share(other.probability),
        "because": other.because,
        "slots": int(other.layout.slots),
        "missing": [int(m) for m in other.layout.missing],
        "damaged_slots": [int(s) for s in other.damaged_slots],
    }


def _crank_wheel(wheel: WheelResult) -> dict[str, Any]:
    layout = wheel.layout
    out: dict[str, Any] = {"channel": wheel.channel, "source": wheel.source}
    out |= _layout(layout)
    out |= {
        "slot_reference": wheel.slot_reference,
        "teeth_deg": None if layout is None or layout.regular else [angle(a) for a in layout.teeth_deg],
        "alternatives": [_alternative(a) for a in wheel.alternatives],
        "turns_decoded": number(wheel.angle.turns, 4),
        "teeth": [] if layout is None else teeth(wheel, layout),
        "runout_deg": angle(wheel.runout_deg),
        "runout_phase_deg": angle(wheel.runout_phase_deg),
        "runout_se_deg": angle(wheel.runout_se_deg),
        "amplitude_runout": share(wheel.amplitude_runout),
        "belief": share(wheel.belief),
        "marking_edge": None if layout is None else ("rising" if wheel.marking_rising else "falling"),
        "polarity": {
            "as": wheel.polarity,
            "reason": wheel.polarity_reason,
            "confidence": share(wheel.polarity_confidence),
        },
        "nats_per_turn": number(wheel.nats_per_turn, 4),
        "residual_rms": share(wheel.residual_rms),
        "why_not": wheel.why_not or None,
        "undecidable": wheel.undecidable or None,
        "widths_deg": None if layout is None or layout.widths_deg is None else [angle(a) for a in layout.widths_deg],
        "segments": [
            {"start_s": seconds(s.start_s), "end_s": seconds(s.end_s), "turns": number(s.turns, 4)}
            for s in wheel.angle.segments
        ],
        "undecoded": [_span(s) for s in wheel.angle.undecoded],
        "motions": [
            {"start_s": seconds(m.start_s), "end_s": seconds(m.end_s), "reversed": bool(m.reversed)}
            for m in wheel.motions
        ],
    }
    return out


def teeth(wheel: WheelResult, layout: Layout) -> list[dict[str, Any]]:
    """Every slot of the design once, those without a tooth by design too: there, an edge seen is an extra one."""
    known = {t.slot: _tooth(t) for t in wheel.teeth if t.expected or t.passages or not layout.regular}
    for slot in range(1, layout.slots + 1):
        if slot not in known and layout.regular:
            known[slot] = _toothless(wheel, layout, slot)
    return [known[slot] for slot in sorted(known)]


def _tooth(tooth: Tooth) -> dict[str, Any]:
    return {
        "slot": int(tooth.slot),
        "expected": bool(tooth.expected),
        "present": share(tooth.present),
        "error_deg": angle(tooth.error_deg),
        "error_sd_deg": angle(tooth.error_sd_deg),
        "amplitude": share(tooth.amplitude),
        "error_se_deg": angle(tooth.error_se_deg),
        "seen": int(tooth.seen),
        "passages": int(tooth.passages),
        "arm_margin": number(tooth.arm_margin, 4),
        "residual": share(tooth.residual),
    }


def _toothless(wheel: WheelResult, layout: Layout, slot: int) -> dict[str, Any]:
    """A slot without a tooth: the share of turns in which an edge came all the same."""
    turns = len(np.unique(wheel.passes.turn))
    near = np.round(np.mod(wheel.extras.angle_deg, 360.0) / layout.pitch_deg).astype(int) % layout.slots == slot - 1
    seen = len(np.unique(np.floor(wheel.extras.angle_deg[near] / 360.0)))
    return _tooth(Tooth(slot, False, min(seen, turns), turns, None, None, None, None, None))


def _phase(analysis: Analysis) -> dict[str, Any]:
    phase = analysis.engine.phase
    return {
        "known": bool(phase.known),
        "turn_known": bool(phase.turn_known),
        "tdc_deg": angle(phase.tdc_deg),
        "source": phase.source or None,
        "turn_source": phase.turn_source or None,
        "certainty": share(phase.certainty),
        "angle_reference": phase.reference,
    }


def _cams(analysis: Analysis) -> list[dict[str, Any]]:
    return [
        {
            "channel": cam.channel,
            "bank": plain(cam.bank),
            "camshaft": cam.camshaft,
            "edges": [
                {
                    "angle_deg": angle(e.angle_deg),
                    "sd_deg": angle(e.sd_deg),
                    "kind": e.kind,
                    "present": share(e.present),
                }
                for e in cam.edges
            ],
            "offset_deg": angle(collect.cam_offset_deg(analysis, cam)),
            "offset_to_wheel_deg": angle(cam.offset_deg),
            "cycles": int(cam.cycles),
            "angle_reference": cam_edges.reference(analysis.engine.phase, facts_from(analysis.setup)),
        }
        for cam in analysis.engine.cams
    ]


def _outputs(analysis: Analysis) -> list[dict[str, Any]]:
    return [
        {
            "channel": output.channel,
            "role": output.role,
            "cylinder": plain(output.cylinder),
            "events": [
                {
                    "start_s": seconds(e.start_s),
                    "end_s": seconds(e.end_s),
                    "start_deg": angle(e.start_deg),
                    "end_deg": angle(e.end_deg),
                }
                for e in output.events
            ],
            "angle_reference": analysis.engine.phase.reference,
            "active_high": bool(output.active_high),
        }
        for output in analysis.engine.outputs
    ]


def _engine(analysis: Analysis) -> dict[str, Any]:
    """Number of cylinders, where it comes from and how sure it is."""
    counted = analysis.engine.counted
    if counted is None:
        return {"cylinders": analysis.engine.cylinders, "source": None, "certainty": 0.0, "because": ""}
    return {
        "cylinders": counted.cylinders,
        "source": counted.source or None,
        "certainty": share(counted.certainty),
        "because": counted.because,
        "fires_evenly": counted.even if counted.firing_deg else None,
    }


def _cylinders(analysis: Analysis) -> list[dict[str, Any]]:
    """One entry a cylinder; ratios to the median of the others, where they were measured."""
    count = analysis.engine.cylinders or 0
    told = {r.cylinder: r for r in analysis.engine.cylinder_results if r.cylinder is not None}
    out: list[dict[str, Any]] = []
    for n in range(1, count + 1):
        r = told.get(n)
        out.append(
            {
                "cylinder": n,
                "compression_rel": None if r is None else share(r.compression_rel),
                "compression_sd": None if r is None else share(r.compression_sd),
                "contribution_rel": None if r is None else share(r.contribution_rel),
                "contribution_sd": None if r is None else share(r.contribution_sd),
                "misfires": None if r is None else plain(r.misfires),
                "roughness_per_s2": None if r is None else number(r.roughness_per_s2, 3),
                "roughness_sd": None if r is None else number(r.roughness_sd, 3),
                "cycles": None if r is None else plain(r.run_cycles or r.cycles),
            }
        )
    return out


def evidence_range(stretch: Evidence) -> dict[str, Any]:
    """One stretch a finding rests on."""
    return {
        "channel": stretch.channel,
        "start_s": seconds(stretch.start_s),
        "end_s": seconds(stretch.end_s),
        "start_sample": int(stretch.start_sample),
        "stop_sample": int(stretch.stop_sample),
        "turn": plain(stretch.turn),
    }


def finding_json(finding: Finding) -> dict[str, Any]:
    """One finding with its evidence and stretches."""
    numbers = {k: v for k, v in plain(finding.evidence).items() if k != "ranges"}
    return {
        "id": finding.id,
        "kind": finding.kind,
        "channel": finding.channel,
        "slot": plain(finding.slot),
        "cylinder": plain(finding.cylinder),
        "lock": finding.lock,
        "start_s": seconds(finding.start_s),
        "end_s": seconds(finding.end_s),
        "value": plain(finding.value),
        "unit": finding.unit,
        "statement": finding.statement,
        "evidence": {**numbers, "ranges": [evidence_range(r) for r in finding.ranges]},
        "confidence": share(finding.confidence),
        "stated": bool(finding.stated),
    }


def _where(spot: Whereabouts) -> dict[str, Any]:
    return {
        "slot": int(spot.slot),
        "angle_from_slot1_deg": angle(spot.angle_from_slot1_deg),
        "instead_of": spot.instead_of,
        "angle_atdc_deg": angle(spot.angle_atdc_deg),
        "direction": "normal direction of rotation",
        "guides": [{"reference": reference, "bar_deg": angle(bar)} for reference, bar in spot.guides],
        "cautions": list(where.CAUTIONS),
    }
