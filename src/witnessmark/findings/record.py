"""What is wrong with the record itself, and what it therefore cannot carry."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from witnessmark.findings import cuts
from witnessmark.findings.measured import Family, Floats, Measured, Outcome, beyond
from witnessmark.findings.model import Finding, NotAssessed


def find(m: Measured, earlier: Outcome) -> Outcome:
    """record-clipped, record-rate-low, record-blocks-lost."""
    return _clipped(m) + _rate(m) + _blocks(m) + cuts.find(m)


def _clipped(m: Measured) -> Outcome:
    out = Outcome()
    whole = {p.channel for p in m.engine.pressures if p.used and p.cut_off < m.limits["pressure.cut_off"]}
    for line in m.signals.lines:
        if line.sensor != "vr" and line.role != "cylinder-pressure":
            continue  # a two-level line may well sit at an end, and so does the pressure of a pipe at rest
        if line.name in whole:
            continue  # a rounded peak in coarse steps looks cut off; its flanks lead no higher
        share = line.levels.clipped
        confidence = beyond(share / m.limits["record.clipped_share"], 1.0)
        if not np.isfinite(share) or confidence <= 0.05:
            continue
        out += Outcome((Finding(
            "", "record-clipped", line.name, "none",
            f"{share:.1%} of the samples of {line.name} stand at the end of the recorder's range "
            f"({line.levels.minimum:.2f} to {line.levels.maximum:.2f}): sizes of pulses are not to be believed there.",
            confidence, _at_extremes(m, line.name), None, value=share, unit="share of samples",
            evidence={"clipped_share": share, "minimum": line.levels.minimum, "maximum": line.levels.maximum},
        ),))  # fmt: skip
    return out


def _at_extremes(m: Measured, name: str) -> tuple:  # type: ignore[type-arg]
    """Some of the stretches at the end of the range: about the largest pulses."""
    edges = m.signals.line(name).edges
    if len(edges) == 0:
        return ()
    order = np.argsort(-edges.peak_before_v)[:40]
    t = np.sort(edges.time_s[order])
    return m.around(t, np.full(t.size, np.nan), 0.0, name)


# Findings that false edges at an overloaded input can make by themselves, and those that say an edge is missing: an
# overloaded wave still crosses its zero line, so these are doubted only where stray edges show that it was disturbed.
_FROM_EDGES = frozenset({"tooth-displaced", "tooth-extra", "wheel-runout", "edges-dropped", "signal-lost",
                         "edges-spurious"})  # fmt: skip
_MISSING = frozenset({"tooth-absent", "tooth-weak"})


def clipped_s(m: Measured) -> Floats:
    """Times of the crank edges whose half waves reach the end of the recorder's range; empty where none is cut off."""
    line = m.line
    if line is None or not m.is_vr or not line.levels.clipped > m.limits["record.clipped_some"]:
        return np.empty(0)
    e, level = line.edges, line.levels
    up, down = 0.98 * (level.maximum - level.zero), 0.98 * (level.zero - level.minimum)
    before, after = np.where(e.rising, down, up), np.where(e.rising, up, down)
    return np.asarray(e.time_s[(e.peak_before_v >= before) | (e.peak_after_v >= after)])


def beside_cuts(m: Measured, found: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Findings about teeth and edges where the recorder left samples out, lowered to hints."""
    doubted = cuts.near(m, found)
    words = "; it lies beside or after a place where the recorder left samples out, which makes this by itself."
    return tuple(
        replace(f, confidence=min(f.confidence, 0.3), statement=f.statement.rstrip(".") + words) if f in doubted else f
        for f in found
    )


def discounted(m: Measured, found: tuple[Finding, ...], explained: frozenset[int]) -> tuple[Finding, ...]:
    """Findings from edges mostly where the crank line is clipped, lowered to hints: overload makes false edges.

    explained: stray edges (rows of ``WheelResult.extras``) that belong to a finding: they are not false.
    """
    times = clipped_s(m)
    if times.size == 0:
        return found
    near = m.limits["record.clipped_near_s"]
    stray = np.delete(m.wheel.extras.time_s, list(explained))
    out = []
    for f in found:
        doubtful = f.channel == m.channel and _mostly(f, times, near)
        if f.kind == "tooth-extra" and doubtful:
            continue  # false edges are said once, as stray ones
        if doubtful and (f.kind in _FROM_EDGES or (f.kind in _MISSING and _disturbed(f, stray))):
            words = f.statement.rstrip(".") + "; most of it lies where the record is clipped, which makes false edges."
            f = replace(f, confidence=min(f.confidence, 0.3), statement=words)
        out.append(f)
    return tuple(out)


def _mostly(f: Finding, times: Floats, near: float) -> bool:
    """Whether most stretches of a finding have one of these times within ``near`` seconds."""
    hit = [np.any((times > r.start_s - near) & (times < r.end_s + near)) for r in f.ranges]
    return bool(hit) and float(np.mean(hit)) > 0.5


def _disturbed(f: Finding, stray: Floats) -> bool:
    """Whether a missing edge is told from sizes alone, or most of its stretches hold stray edges too."""
    return "missed" not in f.evidence or _mostly(f, stray, 0.0)


def _rate(m: Measured) -> Outcome:
    line = m.line
    if line is None or m.layout is None or not line.info.rate_hz:
        return Outcome()
    rate = line.info.rate_hz
    slow = [u for u in m.wheel.angle.undecoded if "too few samples" in u.reason]
    out = Outcome()
    if slow:
        seconds = sum(u.end_s - u.start_s for u in slow)
        out += Outcome((Finding(
            "", "record-rate-low", line.name, "speed",
            f"At {rate:.0f} samples a second {seconds:.2f} s of rotation hold too few samples a tooth to be "
            "decoded; nothing is "
            "said about the wheel there.",
            0.9, tuple(m.stretch(line.name, u.start_s, u.end_s) for u in slow[:40]), None, start_s=slow[0].start_s,
            end_s=slow[-1].end_s, value=rate, unit="Hz", evidence={"undecoded_s": seconds, "rate_hz": rate},
        ),))  # fmt: skip
    rpm = m.wheel.passes.speed_rpm[m.wheel.passes.used]
    if rpm.size:
        step = 6.0 * float(np.nanmedian(rpm)) / rate
        if step > m.limits["record.step_pitch"] * m.layout.pitch_deg:
            out += Outcome(not_assessed=(NotAssessed(
                "Small angle errors of single teeth",
                f"one sample is {step:.2f} degrees at the usual speed of this record, a pitch is "
                f"{m.layout.pitch_deg:.0f}",
                f"{6.0 * float(np.nanmedian(rpm)) / (0.01 * m.layout.pitch_deg):.0f} samples a second or more",
            ),))  # fmt: skip
    return out


def _blocks(m: Measured) -> Outcome:
    out = Outcome()
    for line in m.signals.lines:
        gaps = line.info.gaps
        if not gaps:
            continue
        seconds = sum(g.end_s - g.start_s for g in gaps)
        out += Outcome((Finding(
            "", "record-blocks-lost", line.name, "time",
            f"{line.name} has {len(gaps)} gap{'s' if len(gaps) > 1 else ''} without samples ({seconds:.3f} s "
            "in all); nothing is "
            "said about them.",
            0.9, tuple(m.stretch(line.name, g.start_s, g.end_s) for g in gaps[:40]), None, start_s=gaps[0].start_s,
            end_s=gaps[-1].end_s, value=seconds, unit="s", evidence={"gaps": len(gaps), "lost_s": seconds},
        ),))  # fmt: skip
    return out


FAMILY = Family(
    "record",
    ("record-clipped", "record-rate-low", "record-blocks-lost"),
    ("levels of all lines", "gaps of the recording", "stretches not decoded", "teeth between gaps of the wheel"),
    ("record.clipped_share", "record.clipped_some", "record.clipped_near_s", "record.step_pitch", "pressure.cut_off"),
    "angle per sample = 6 rpm / rate; runs of samples at the extreme codes",
    find,
)
