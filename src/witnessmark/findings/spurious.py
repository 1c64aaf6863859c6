"""Edges too many that keep to no wheel angle: how often, and whose switching they follow."""

from __future__ import annotations

import numpy as np

from witnessmark.findings.measured import Family, Floats, Measured, Outcome, Rows, speeds
from witnessmark.findings.model import Finding, NotAssessed
from witnessmark.findings.statistics import LagMatch, lag_test, upper_rate_of_none
from witnessmark.signals.model import GLITCH


def find(m: Measured, earlier: Outcome) -> Outcome:
    """edges-spurious while turning, noise at standstill as a hint, or the bound."""
    standing = _standing(m)
    if m.layout is None:
        return _undecoded(m) + standing
    keep = m.settled_extras.copy()
    keep[list(earlier.extras)] = False
    rows = np.flatnonzero(_loud(m, keep))
    turns = _turns(m)
    if turns <= 0.0:
        return standing
    if rows.size == 0:
        n = max(1, int((m.wheel.passes.used & m.settled).sum()))
        most = upper_rate_of_none(n) * n / turns
        bound = f"No edge too many in {turns:.1f} turns: more than {most:.2f} a turn would have shown (95 %)."
        return Outcome(bounds=(bound,)) + standing
    match = _match(m, m.wheel.extras.time_s[rows])
    followed = match is not None and match.p < m.limits["spurious.event_p"] and match.inside >= 3
    need = m.limits["spurious.events_stated"]
    rate = rows.size / turns
    base = 0.2 if rows.size == 1 else 0.4 if rows.size < need else float(0.97 - 0.42 * 0.7 ** (rows.size - need))
    confidence = max(base, 0.9) if followed else base
    return Outcome((_finding(m, rows, rate, match if followed else None, confidence),)) + standing


def _turns(m: Measured) -> float:
    """Turns of passages in use where the count is confirmed."""
    return float((m.wheel.passes.used & m.settled).sum() / max(m.teeth, 1))


def _loud(m: Measured, keep: np.ndarray) -> np.ndarray:
    """On variable-reluctance lines only edges that a control unit's input could take for a tooth."""
    if not m.is_vr or m.line is None:
        return keep
    margin = m.line.edges.arm_margin[m.wheel.extras.edge]
    return np.asarray(keep & ~(margin < m.limits["spurious.arm_margin"]))


def _match(m: Measured, times: Floats) -> LagMatch | None:
    others = {k: v for k, v in m.engine.event_time_s.items() if len(v)}
    if times.size < 2 or not others:
        return None
    stretches = [(s.start_s, s.end_s) for s in m.wheel.angle.segments]
    return lag_test(times, others, stretches)


def _finding(m: Measured, rows: Rows, rate: float, match: LagMatch | None, confidence: float) -> Finding:
    x = m.wheel.extras
    pitch = m.layout.pitch_deg if m.layout is not None else 6.0
    n = rows.size
    words = f"{n} edge{'s' if n > 1 else ''} too many ({rate:.2f} a turn) {speeds(x.speed_rpm[rows])}"
    if match is not None:
        words += (
            f"; {match.inside} of {match.of} come {match.lag_s * 1e3:.2f} ms after the switching of {match.channel}, "
            f"where chance would put {match.expected:.1f}"
        )
    elif not m.engine.event_time_s:
        words += "; no other line in the record that they could follow"
    else:
        words += "; they follow none of the other lines recorded" if n >= 3 else "; too few to tell what they follow"
    return Finding(
        "", "edges-spurious", m.channel, "event" if match is not None else "none", f"{words}.", confidence,
        m.around(x.time_s[rows], x.speed_rpm[rows], 2.0 * pitch), None, start_s=float(x.time_s[rows[0]]),
        end_s=float(x.time_s[rows[-1]]), value=rate, unit="a turn",
        evidence={
            "stray_edges": int(n), "per_turn": rate,
            "follows": None if match is None else match.channel,
            "lag_ms": None if match is None else match.lag_s * 1e3,
            "inside_window": None if match is None else match.inside, "p": None if match is None else match.p,
        },
    )  # fmt: skip


def _undecoded(m: Measured) -> Outcome:
    """Where no wheel can be decoded: many pulses far shorter than the line's habit speak of noise."""
    line = m.line
    if line is None or line.sensor != "hall" or len(line.edges) < 20:
        return Outcome()
    short = line.edges.label == GLITCH
    share = float(short.mean())
    if share < m.limits["spurious.glitch_share"]:
        return Outcome()
    times = line.edges.time_s[short]
    finding = Finding(
        "", "edges-spurious", line.name, "none",
        f"{int(short.sum())} of {len(line.edges)} edges belong to pulses far shorter than the line's habit; no "
        "wheel can be "
        "decoded among them.",
        0.5 + 0.4 * min(1.0, share), m.around(times, np.full(times.size, np.nan), 0.0, line.name), None,
        start_s=float(times[0]), end_s=float(times[-1]), value=share, unit="share of edges",
        evidence={"short_pulses": int(short.sum()), "edges": len(line.edges)},
    )  # fmt: skip
    return Outcome((finding,))


def _standing(m: Measured) -> Outcome:
    """Edges outside all motion: noise while the crank stands, no fault of the signal by itself."""
    line = m.line
    if line is None or not m.wheel.motions:
        return Outcome()
    t = line.edges.time_s
    outside = np.ones(t.size, bool)
    for motion in m.wheel.motions:
        outside &= ~((t >= motion.start_s - 0.2) & (t <= motion.end_s + 0.2))
    count = int(outside.sum())
    if count < m.limits["spurious.standing_edges"]:
        return Outcome()
    return Outcome(not_assessed=(NotAssessed(
        "Is the line quiet while the crank stands?",
        f"{count} edges came while nothing turned; key-on and the sensor's own start make some",
        "a record with the key on and the crank standing for some seconds",
    ),))  # fmt: skip


FAMILY = Family(
    "spurious",
    ("edges-spurious",),
    ("stray edges", "switching times of other lines", "short pulses"),
    (
        "spurious.events_stated", "spurious.event_p", "spurious.arm_margin", "spurious.glitch_share",
        "spurious.standing_edges",
    ),
    "lag test against other lines' events, corrected for windows and lines tried",
    find,
)  # fmt: skip
