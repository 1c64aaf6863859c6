"""What several stages say about the same thing, gathered once for every output: cautions, steps, suspects, spans."""

from __future__ import annotations

import math
from dataclasses import replace
from statistics import median

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine.cams import PARKED_RPM
from witnessmark.engine.model import Cam, EngineResult
from witnessmark.findings.model import Finding
from witnessmark.provenance import Step
from witnessmark.recording.model import ChannelInfo, Recording
from witnessmark.report.model import Analysis
from witnessmark.report.words import SYMPTOM_KINDS, TOOTH_KINDS
from witnessmark.spans import Evidence, Span, merge
from witnessmark.wheel.model import Tooth, WheelResult

# Fewer teeth with an error than this have no scatter to speak of.
LEAST_FOR_SCATTER = 5


def cautions(analysis: Analysis) -> tuple[str, ...]:
    """Every caution once: of the file, the lines, the whole, and the verdict, in that order."""
    every = (
        *analysis.recording.cautions,
        *analysis.signals.cautions,
        *analysis.cautions,
        *analysis.verdict.cautions,
    )
    return tuple(dict.fromkeys(every))


def steps(analysis: Analysis) -> tuple[Step, ...]:
    """Every processing step once, in the order of the stages."""
    read = [s for s in analysis.steps if s.stage == "recording"]
    rest = [s for s in analysis.steps if s.stage != "recording"]
    every = (*read, *analysis.signals.steps, *analysis.wheel.steps, *analysis.engine.steps, *rest)
    return tuple({(s.stage, s.what, repr(sorted(s.parameters.items()))): s for s in every}.values())


def gaps(recording: Recording) -> list[Span]:
    """The stretches without usable samples on any channel, joined."""
    return merge([gap for channel in recording.channels for gap in channel.gaps])


def as_found(wheel: WheelResult, found: tuple[Finding, ...]) -> WheelResult:
    """The wheel with the best per-tooth errors there are, and a displaced tooth as its finding measured it.

    Errors from the decoding come from a fit among neighbours, which follows a hard compression only so far. Where whole
    working cycles were modelled (gas and trend taken out), theirs are better: on 60 simulated records 2 per cent of the
    teeth were off by more than 0.15 degrees instead of 15. They stand beside the once-per-turn part, which is the
    runout. Where there is no such model, the uncertainty holds the scatter of the teeth among each other, in which what
    the neighbours could not follow shows.
    """
    told = {f.slot: f for f in found if f.kind == "tooth-displaced" and f.slot is not None and f.value is not None}
    best = _modelled(wheel) if wheel.once is not None else _with_scatter(wheel)
    return replace(wheel, teeth=tuple(_as_found(t, told.get(t.slot)) for t in best))


def _modelled(wheel: WheelResult) -> tuple[Tooth, ...]:
    """Per-tooth errors from the model of whole cycles; a tooth it says nothing about keeps the neighbours' fit."""
    once, layout = wheel.once, wheel.layout
    if once is None or layout is None or once.single_deg.size != len(layout.tooth_slots):
        return _with_scatter(wheel)
    by_slot = dict(zip(layout.tooth_slots, zip(once.single_deg, once.single_se_deg, strict=True), strict=True))
    out = []
    for tooth in wheel.teeth:
        error, se = by_slot.get(tooth.slot, (math.nan, math.nan))
        known = tooth.error_deg is not None and math.isfinite(error) and math.isfinite(se)
        out.append(replace(tooth, error_deg=float(error), error_se_deg=float(se)) if known else tooth)
    return tuple(out)


def _with_scatter(wheel: WheelResult) -> tuple[Tooth, ...]:
    errors = [t.error_deg for t in wheel.teeth if t.error_deg is not None]
    if len(errors) < LEAST_FOR_SCATTER:
        return wheel.teeth
    scatter = 1.4826 * median([abs(e) for e in errors])
    return tuple(
        t if t.error_se_deg is None else replace(t, error_se_deg=math.hypot(t.error_se_deg, scatter))
        for t in wheel.teeth
    )


def _as_found(tooth: Tooth, finding: Finding | None) -> Tooth:
    if finding is None or not tooth.expected:
        return tooth
    se, spread = finding.evidence.get("standard_error_deg"), finding.evidence.get("spread_deg")
    return replace(
        tooth,
        error_deg=finding.value,
        error_se_deg=float(se) if isinstance(se, int | float) else None,
        error_sd_deg=float(spread) if isinstance(spread, int | float) else tooth.error_sd_deg,
    )


def turning_s(wheel: WheelResult, engine: EngineResult) -> float | None:
    """Time in s over which the crank turns, decoded or not; None where nothing is known to turn."""
    spans = [Span(m.start_s, m.end_s) for m in wheel.motions] + [Span(a.start_s, a.end_s) for a in engine.attempts]
    return sum(s.end_s - s.start_s for s in merge(spans)) if spans else None


def judged_share(wheel: WheelResult, engine: EngineResult) -> float | None:
    """Share (0 to 1) of the rotation over which the crank angle is decoded; None where nothing is known to turn.

    By turns in the start attempts (slow starts and run-downs last long and turn little), by time where there are none.
    """
    if wheel.layout is None:
        return 0.0
    segments = wheel.angle.segments
    if engine.attempts:
        inside = [s for s in segments if any(s.start_s < a.end_s and s.end_s > a.start_s for a in engine.attempts)]
        decoded, turned = sum(s.turns for s in inside), sum(a.turns for a in engine.attempts)
    else:
        decoded, turned = sum(s.end_s - s.start_s for s in segments), turning_s(wheel, engine) or 0.0
    return min(decoded / turned, 1.0) if turned > 0.0 else None


def by_weight(analysis: Analysis) -> list[Finding]:
    """Findings, weightiest first: where a signal is wrong before what the start shows because of it; hints last.

    Among equals those the first cause rests on come first, a tooth before the rest where a tooth is that cause.
    """
    top = analysis.verdict.causes[0] if analysis.verdict.causes else None
    because = set(top.because) if top is not None else set()
    at_tooth = top is not None and top.id == "trigger-wheel-tooth"

    def key(f: Finding) -> tuple[bool, bool, bool, bool, bool, float]:
        record = f.kind.startswith("record-")
        other = at_tooth and f.kind not in TOOTH_KINDS
        return not f.stated, f.kind in SYMPTOM_KINDS, record, f.id not in because, other, -f.confidence

    return sorted(analysis.findings.found, key=key)


def stated(analysis: Analysis) -> list[Finding]:
    """Findings of confidence 0.5 or more, weightiest first."""
    return [f for f in by_weight(analysis) if f.stated]


def too_weak(wheel: WheelResult) -> NDArray[np.bool_]:
    """Passages [m] whose pulse is there but under the threshold of a control unit with the nominal input."""
    passes = wheel.passes
    return (passes.edge >= 0) & passes.used & (np.nan_to_num(passes.arm_margin, nan=np.inf) < 1.0)


def suspects(analysis: Analysis) -> list[int]:
    """Slots of the stated findings at a place of the wheel, weightiest first."""
    slots = [f.slot for f in stated(analysis) if f.kind in TOOTH_KINDS and f.slot is not None]
    return list(dict.fromkeys(slots))


def sample_of(info: ChannelInfo, time_s: float) -> int:
    """The sample of a sampled channel at this time, within the channel."""
    assert info.rate_hz is not None
    return int(min(max(round((time_s - info.start_s) * info.rate_hz), 0), info.samples))


def samples_between(analysis: Analysis, channel: str, start_s: float, end_s: float) -> tuple[int, int]:
    """(first, stop) sample of the stretch, at least one long; changes are counted on a change list."""
    info = analysis.recording.info(channel)
    if info.rate_hz is not None:
        start, stop = sample_of(info, start_s), sample_of(info, end_s)
    else:
        times = analysis.recording.changes(channel).time_s
        start, stop = int(times.searchsorted(start_s)), int(times.searchsorted(end_s, side="right"))
    start = min(start, info.samples - 1)
    return start, max(stop, start + 1)


def decoded_ranges(analysis: Analysis) -> tuple[Evidence, ...]:
    """The stretches of the crank line that were decoded: what a measurement over all turns rests on."""
    wheel = analysis.wheel
    if wheel.channel is None:
        return ()
    out = []
    for segment in wheel.angle.segments:
        start, stop = samples_between(analysis, wheel.channel, segment.start_s, segment.end_s)
        out.append(Evidence(wheel.channel, segment.start_s, segment.end_s, start, stop, None))
    return tuple(out)


def whole_record(analysis: Analysis, channel: str | None = None) -> tuple[Evidence, ...]:
    """The whole of one channel (the first, if none is named): what a sentence about the record rests on."""
    info = analysis.recording.info(channel) if channel else analysis.recording.channels[0]
    return (Evidence(info.name, info.start_s, analysis.recording.end_s, 0, info.samples, None),)


def cam_offset_deg(analysis: Analysis, cam: Cam) -> float | None:
    """How late a cam is with its phaser parked, against the piston.

    ``Cam.offset_deg`` counts from the wheel. Where the wheel is found to stand wrong on the crank by an angle, that is
    taken off; where it slips or its signal lags, or the cam swings in a record that only shows it running, None.
    """
    told = [f for f in stated(analysis) if f.kind == "wheel-shifted"]
    if cam.offset_deg is None or any(f.lock == "speed" for f in told):
        return None
    swings = any(f.kind == "cam-wander" and f.channel == cam.channel and f.lock == "time" for f in stated(analysis))
    if swings and (cam.motion is None or not bool(np.any(cam.motion.rpm < PARKED_RPM))):
        return None
    moved = next((f.value for f in told if f.unit == "deg" and f.value is not None), 0.0)
    return cam.offset_deg + moved
