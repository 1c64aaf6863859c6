"""Cam lines that are dead, or go for a stretch, while the crank turns; and what the line's other end says."""

from __future__ import annotations

import numpy as np

from witnessmark.findings.measured import Measured, Outcome, beyond
from witnessmark.findings.model import Finding
from witnessmark.signals.model import GLITCH, Line

GOOD_SUPPLY_V = 4.5  # least that a five-volt sensor is fed with (common practice)
NO_SIGNAL_V = 0.2  # a sensor's line that moves by less carries no signal (common practice: 0.3 V and more)
MOST_SEEN = 0.8
# Ends of one line: edges needed at the sensor's end, how far in s the same edge may be apart at both (filters at an
# input), share of edges that may be at one end only, and how many in a row are a loss: one alone may be a spike.
LEAST_BOTH, APART_S, MOST_ALONE, ROW = 8, 2e-3, 0.5, 2
FEW_EDGES = 2  # a line that rises at key-on and falls at key-off has not turned


def lost(m: Measured) -> Outcome:
    """cam-signal-lost for every line of role cam."""
    if m.layout is None:
        return Outcome()
    out = Outcome()
    for line in m.signals.by_role("cam"):
        if _flat(m, line):
            out += _dead(m, line)
        elif len(line.edges) > FEW_EDGES:
            found = _stretches(m, line)
            out += found if found.found else _between_ends(m, line)
    return out


def _flat(m: Measured, line: Line) -> bool:
    """No edges, or those of noise: a swing far too small for any sensor and nothing that comes again."""
    if len(line.edges) <= FEW_EDGES:
        # pulses that could not be read are no silence
        return not line.levels.moving or (line.scale_known and _swing(line) < NO_SIGNAL_V)
    if not line.levels.moving:
        return True
    cam = next((c for c in m.engine.cams if c.channel == line.name), None)
    small = line.scale_known and _swing(line) < NO_SIGNAL_V
    return small and (cam is None or not any(e.present > 0.5 for e in cam.edges))


def _swing(line: Line) -> float:
    """From lowest to highest in the record, in the line's unit: a few pulses in a long record count."""
    return line.levels.maximum - line.levels.minimum


def _beside(m: Measured, line: Line, role: str) -> Line | None:
    return next((x for x in m.signals.by_role(role) if x.of in (line.name, line.label)), None)


def _ends(m: Measured, line: Line, spans: list[tuple[float, float]]) -> dict[str, object]:
    """What the other end, supply and ground show in the stretches: 1 whole, 0 not; nothing where not recorded."""
    out: dict[str, object] = {}
    tap = _beside(m, line, "second-tap")
    if tap is not None:
        t = tap.edges.time_s
        out["other_end_whole"] = int(all(np.sum((t > a) & (t < b)) >= 2 for a, b in spans))
    supply = _beside(m, line, "sensor-supply")
    if supply is not None and supply.scale_known:
        out["supply_good"] = int(supply.levels.high > GOOD_SUPPLY_V and supply.levels.low > 0.8 * GOOD_SUPPLY_V)
        if not supply.levels.moving:
            out["supply_good"] = int(supply.levels.high > GOOD_SUPPLY_V)
    return out


def _words(ends: dict[str, object]) -> str:
    if ends.get("other_end_whole") == 1:
        return "; at the sensor's end of the same line the edges are there"
    if ends.get("other_end_whole") == 0:
        fed = ", its supply is good" if ends.get("supply_good") == 1 else ""
        return f"; the sensor's end of the line is as silent{fed}"
    return ""


def _dead(m: Measured, line: Line) -> Outcome:
    turns = m.wheel.angle.turns
    if turns < m.limits["cam.dead_turns"]:
        return Outcome()
    segments = m.wheel.angle.segments
    span = (segments[0].start_s, segments[-1].end_s)
    turns *= 1.0 - m.recording.unrecorded_s(line.name, *span) / max(span[1] - span[0], 1e-9)
    if turns < m.limits["cam.dead_turns"]:
        return Outcome()
    ends = _ends(m, line, [span])
    finding = Finding(
        "", "cam-signal-lost", line.name, "none",
        f"{line.name} shows no edge in {turns:.0f} turns of the crank{_words(ends)}.",
        beyond(turns / m.limits["cam.dead_turns"] + 0.5), (m.stretch(line.name, *span),), None,
        start_s=span[0], end_s=span[1], value=turns, unit="turns",
        evidence={"turns": turns, "edges": len(line.edges), "whole_record": True, **ends},
    )  # fmt: skip
    return Outcome((finding,))


def _seen_deg(m: Measured, line: Line, start_s: float, end_s: float) -> float:
    """Degrees that the crank turned in a stretch of one segment while the line was recorded."""
    turned = float(np.diff(m.wheel.angle.at(np.array([start_s, end_s])))[0])
    lost = m.recording.unrecorded_s(line.name, start_s, end_s)
    return turned * (1.0 - lost / max(end_s - start_s, 1e-9))


def _turns(m: Measured, start_s: float, end_s: float, turned_deg: float) -> bool:
    """Whether the crank line itself shows the rotation: most of the teeth due between the two times were seen."""
    p = m.wheel.passes
    seen = np.sum((p.edge >= 0) & (p.time_s >= start_s) & (p.time_s <= end_s))
    return bool(seen >= MOST_SEEN * turned_deg / 360.0 * m.teeth)


def _between_ends(m: Measured, line: Line) -> Outcome:
    """Edges in a row that the sensor's end of the line gives and this end does not: shorter losses than a cycle."""
    tap = _beside(m, line, "second-tap")
    if tap is None or tap.sensor != line.sensor:
        return Outcome()
    theirs, mine = (x.edges.time_s[x.edges.label != GLITCH] for x in (tap, line))
    if len(theirs) < LEAST_BOTH or len(mine) < 2:
        return Outcome()
    at = np.clip(np.searchsorted(mine, theirs), 1, len(mine) - 1)
    alone = np.minimum(np.abs(theirs - mine[at - 1]), np.abs(mine[at] - theirs)) > APART_S
    if float(np.mean(alone)) > MOST_ALONE:
        return Outcome()  # two signals, not two ends of one line
    edges = np.flatnonzero(np.diff(np.concatenate(([0], alone.astype(np.int8), [0]))))
    runs = [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a >= ROW]
    spans = [
        (float(theirs[a]), float(theirs[b - 1])) for a, b in runs
        if m.recording.unrecorded_s(line.name, float(theirs[a]), float(theirs[b - 1])) <= 0.0
    ]  # fmt: skip
    if not spans:
        return Outcome()
    lost = sum(b - a for a, b in runs)
    ends = _ends(m, line, [(a - APART_S, b + APART_S) for a, b in spans])
    finding = Finding(
        "", "cam-signal-lost", line.name, "time",
        f"{line.name} misses {lost} edges in {'one stretch' if len(spans) == 1 else f'{len(spans)} stretches'} "
        f"(at {spans[0][0]:.2f} s){_words(ends)}.",
        beyond(lost / ROW, 1.5), tuple(m.stretch(line.name, a, b) for a, b in spans[:40]), None,
        start_s=spans[0][0], end_s=spans[-1][1], value=float(lost), unit="edges",
        evidence={"stretches": len(spans), "edges_lost": lost, "whole_record": False, **ends},
    )  # fmt: skip
    return Outcome((finding,))


def _stretches(m: Measured, line: Line) -> Outcome:
    """Stretches of the decoded rotation without a cam edge, much longer than any the line's own pattern has."""
    angle = m.wheel.angle
    cycle = 360.0 if m.setup.engine.strokes == 2 else 720.0
    times = line.edges.time_s
    spans: list[tuple[float, float, float]] = []
    for seg in angle.segments:
        mine = times[(times >= seg.start_s) & (times <= seg.end_s)]
        marks = np.concatenate(([seg.start_s], mine, [seg.end_s]))
        turned = np.diff(angle.at(np.clip(marks, seg.start_s, seg.end_s)))
        for i in np.flatnonzero(turned > m.limits["cam.lost_cycles"] * cycle):
            if not _turns(m, float(marks[i]), float(marks[i + 1]), float(turned[i])):
                continue  # turns that were only bridged: the crank may have stood
            if _seen_deg(m, line, float(marks[i]), float(marks[i + 1])) <= m.limits["cam.lost_cycles"] * cycle:
                continue  # the cam line was not recorded there
            spans.append((float(marks[i]), float(marks[i + 1]), float(turned[i])))
    if not spans:
        return Outcome()
    longest = max(s[2] for s in spans)
    ends = _ends(m, line, [(a, b) for a, b, _ in spans])
    finding = Finding(
        "", "cam-signal-lost", line.name, "time",
        f"{line.name} gives no edge for {longest / 360.0:.1f} turns of the crank"
        f"{f' ({len(spans)} times)' if len(spans) > 1 else ''} and is there before or after{_words(ends)}.",
        beyond(longest / (m.limits["cam.lost_cycles"] * cycle) + 0.2),
        tuple(m.stretch(line.name, a, b) for a, b, _ in spans[:40]), None,
        start_s=spans[0][0], end_s=spans[-1][1], value=longest / 360.0, unit="turns",
        evidence={"stretches": len(spans), "longest_turns": longest / 360.0, "whole_record": False, **ends},
    )  # fmt: skip
    return Outcome((finding,))
