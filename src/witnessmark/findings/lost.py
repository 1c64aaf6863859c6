"""Stretches in which the crank line gives nothing although the engine turns.

Rotation is known from the line itself (edges at speed before and after the silence) or, where the line is dead for a
whole attempt, from other lines. A run-down into standstill is no loss.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from witnessmark.findings.measured import Family, Floats, Measured, Outcome, beyond, spread
from witnessmark.findings.model import Finding, NotAssessed
from witnessmark.findings.slots import intervals

# Slower than this before or after a silence the crank may really have stood (common practice: starters turn faster).
TURNING_RPM = 60.0
# Longest silence between two stretches of one rotation that can be called a loss: a crank with a starter engaged does
# not stop and come back to the same speed within it (memory).
LONGEST_S = 1.5


@dataclass(frozen=True)
class Silence:
    """A pause of the crank line between two edges (times in s), with the teeth that were due in it."""

    start_s: float
    end_s: float
    teeth: float
    rpm: float


def silences(m: Measured) -> list[Silence]:
    """All silences within rotation: runs of due passages without an edge, and pauses that break the decoding."""
    if m.line is None or m.layout is None:
        return []
    inside = _runs(m)
    out = inside + [s for s in _pauses(m) if not any(s.start_s < i.end_s and i.start_s < s.end_s for i in inside)]
    return sorted(out, key=lambda s: s.start_s)


def _runs(m: Measured) -> list[Silence]:
    """Runs of passages in a row without an edge, between two edges of one decoded segment."""
    p = m.wheel.passes
    counts = [i for i, why in enumerate(p.reasons) if why == "" or "without signal" in why]
    gone = (p.edge < 0) & np.isin(p.reason, counts)
    step = np.diff(np.concatenate(([0], gone.astype(np.int8), [0])))
    out = []
    for a, b in zip(np.flatnonzero(step == 1), np.flatnonzero(step == -1), strict=True):
        if b - a < m.limits["lost.teeth_min"] or a == 0 or b >= gone.size or m.segment[a - 1] != m.segment[b]:
            continue
        out.append(Silence(float(p.time_s[a - 1]), float(p.time_s[b]), float(b - a), float(p.speed_rpm[a])))
    return out


def _pauses(m: Measured) -> list[Silence]:
    """Pauses of the line outside the decoded segments with edges at speed close on both sides."""
    line, layout = m.line, m.layout
    assert line is not None and layout is not None
    t = line.edges.time_s[line.edges.rising == m.wheel.marking_rising]
    if t.size < 8:
        return []
    widest = float(intervals(layout).max()) / layout.pitch_deg
    pause = np.diff(t)
    out = []
    for i in np.flatnonzero(pause > (widest + m.limits["lost.pause_teeth"] - 1.0) * _usual(pause)):
        if pause[i] > LONGEST_S or m.turn_at(0.5 * (t[i] + t[i + 1])) is not None:
            continue
        before, after = _pitch_s(pause, i, -1), _pitch_s(pause, i, 1)
        if before is None or after is None:
            continue
        rpm = [layout.pitch_deg / 6.0 / x for x in (before, after)]
        teeth = pause[i] / (0.5 * (before + after)) - widest
        if min(rpm) < TURNING_RPM or max(rpm) > 2.0 * min(rpm) or teeth < m.limits["lost.pause_teeth"]:
            continue
        out.append(Silence(float(t[i]), float(t[i + 1]), float(teeth), float(np.mean(rpm))))
    return out


def _usual(pause: Floats) -> Floats:
    """Running median interval, over 21 of them."""
    half = min(10, (pause.size - 1) // 2)
    windows = np.lib.stride_tricks.sliding_window_view(np.pad(pause, half, mode="edge"), 2 * half + 1)
    return np.asarray(np.median(windows, axis=1))


def _pitch_s(pause: Floats, at: int, way: int) -> float | None:
    """Longest of the three intervals on one side of a pause (a crank that comes to rest shows there); None with fewer."""
    part = pause[max(0, at - 3) : at] if way < 0 else pause[at + 1 : at + 4]
    return float(np.max(part)) if part.size == 3 else None


def find(m: Measured, earlier: Outcome) -> Outcome:
    """signal-lost: pauses within rotation, or a line dead while others show rotation."""
    dead = _dead(m)
    if dead is not None:
        return dead
    found = silences(m)
    if not found or m.layout is None:
        return Outcome()
    lost = sum(s.end_s - s.start_s for s in found)
    teeth = sum(s.teeth for s in found)
    longest = max(found, key=lambda s: s.end_s - s.start_s)
    explained = _passes_in(m, found)
    stray = frozenset(
        int(i)
        for i, t in enumerate(m.wheel.extras.time_s)
        if any(s.start_s - 1e-9 <= t <= s.end_s + 1e-9 for s in found)
    )
    ratio = longest.teeth / m.limits["lost.teeth_sure"] * (1.0 + 0.25 * (len(found) - 1))
    confidence = float(np.clip(0.5 + 0.45 * min(ratio, 1.0), 0.0, 0.97))
    confidence = _against_dropouts(m, found, confidence)
    some = [found[i] for i in spread(len(found))]
    many = f"{len(found)} stretches" if len(found) > 1 else "one stretch"
    return Outcome(
        (
            Finding(
                "", "signal-lost", m.channel, "time",
                f"The crank line fell silent in {many} of {_ms(found)} while the engine turned at {longest.rpm:.0f} rpm: "
                f"about {teeth:.0f} teeth are missing, with edges at speed before and after.",
                confidence, tuple(m.stretch(m.channel, s.start_s, s.end_s) for s in some), None,
                start_s=found[0].start_s, end_s=found[-1].end_s, value=lost, unit="s",
                evidence={
                    "stretches": len(found), "lost_s": lost, "longest_s": longest.end_s - longest.start_s,
                    "teeth_missing": teeth, "whole_record": False,
                },
            ),
        ),
        extras=stray,
        passes=explained,
    )  # fmt: skip


def _ms(found: list[Silence]) -> str:
    low, high = (f(s.end_s - s.start_s for s in found) * 1e3 for f in (min, max))
    return f"{high:.0f} ms" if round(low) == round(high) else f"{low:.0f} to {high:.0f} ms"


def _passes_in(m: Measured, found: list[Silence]) -> frozenset[int]:
    """Missing passages inside the silences."""
    p = m.wheel.passes
    out: list[int] = []
    for s in found:
        out += np.flatnonzero((p.edge < 0) & (p.time_s > s.start_s) & (p.time_s < s.end_s)).tolist()
    return frozenset(out)


def _against_dropouts(m: Measured, found: list[Silence], confidence: float) -> float:
    """Short silences among many single misses are what dropouts at random make now and then."""
    p = m.wheel.passes
    if p.time_s.size == 0:
        return confidence
    inside = _passes_in(m, found)
    single = int(m.missing.sum()) - len(inside & set(np.flatnonzero(m.missing).tolist()))
    n = max(int(p.used.sum()), 1)
    rate = max(single, 1) / n
    longest = int(max(s.teeth for s in found))
    by_chance = n * rate ** min(longest, 30)
    return confidence if by_chance < 0.05 or single < 3 else min(confidence, 0.4)


def _dead(m: Measured) -> Outcome | None:
    """A crank line without edges while other lines show an attempt; None where that is not so."""
    lines = m.signals.by_role("crank")
    if not lines:
        return None
    line = max(lines, key=lambda c: len(c.edges))
    attempts = [a for a in m.engine.attempts if a.seen_on != "crank"]
    if not attempts:
        return None
    quiet = []
    for a in attempts:
        inside = (line.edges.time_s >= a.start_s) & (line.edges.time_s <= a.end_s)
        seconds = max(a.end_s - a.start_s, 1e-3)
        if inside.sum() / seconds < m.limits["lost.edges_per_second"]:
            quiet.append(a)
    if not quiet:
        return None
    whole = len(quiet) == len(m.engine.attempts)
    total = sum(a.end_s - a.start_s for a in quiet)
    seen_on = sorted({a.seen_on for a in quiet})
    finding = Finding(
        "", "signal-lost", line.name, "time",
        f"The crank line gives no edges in {len(quiet)} of {len(m.engine.attempts)} attempts ({total:.1f} s) while the "
        f"{' and '.join(seen_on)} line shows the engine turning.",
        beyond(total / m.limits["lost.dead_s"]), tuple(m.stretch(line.name, a.start_s, a.end_s) for a in quiet[:40]), None,
        start_s=quiet[0].start_s, end_s=quiet[-1].end_s, value=total, unit="s",
        evidence={"stretches": len(quiet), "lost_s": total, "whole_record": whole, "seen_on": ", ".join(seen_on)},
    )  # fmt: skip
    return Outcome((finding,), not_assessed=(NotAssessed(
        "Wheel, teeth and polarity", "the crank line gives no edges", "a record with a live crank line",
    ),))  # fmt: skip


FAMILY = Family(
    "lost",
    ("signal-lost",),
    ("intervals of the crank line", "attempts that only other lines show"),
    ("lost.teeth_min", "lost.pause_teeth", "lost.teeth_sure", "lost.edges_per_second", "lost.dead_s"),
    "rotation on both sides of a silence, or on other lines during it",
    find,
)
