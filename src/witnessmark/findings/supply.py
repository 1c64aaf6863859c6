"""Supply, ground and the other end of the crank sensor's line: sensor, supply, ground or line."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from witnessmark.engine.model import Feed
from witnessmark.findings.measured import Family, Floats, Measured, Outcome, beyond
from witnessmark.findings.model import Finding, NotAssessed
from witnessmark.findings.silent import lowest_v
from witnessmark.signals.model import GLITCH, Line

SILENT_EDGES = 8  # edges in a row at one end and none at the other: jitter swaps two at most
NOISE_SHARE = 0.1  # of a fast tooth's pulse; cranking gives a quarter of an idle's
MARGIN_S = 2e-3  # two ends of one line differ by far less
LOSSES = ("signal-lost", "edges-dropped")


def find(m: Measured, earlier: Outcome) -> Outcome:
    """supply-faulty and line-faulty for the crank line."""
    return _supply(m) + _ground(m) + _ends(m, earlier)


def _of_crank(m: Measured, role: str) -> Line | None:
    """The line of this role that belongs to the crank line (or says of none)."""
    names = {m.channel, "" if m.line is None else m.line.label, ""}
    return next((x for x in m.signals.by_role(role) if x.of in names), None)


def _feed(m: Measured, role: str) -> Feed | None:
    """Supply or ground of the crank sensor, as measured while the engine turns."""
    names = {m.channel, "" if m.line is None else m.line.label, ""}
    return next((f for f in m.engine.feeds if f.role == role and f.of in names), None)


def _supply(m: Measured) -> Outcome:
    f = _feed(m, "sensor-supply")
    if f is None or f.usual_v < 1.0:
        return Outcome()
    if f.usual_v > m.limits["supply.regulated_v"]:  # fed from the battery, which falls by a quarter while cranking
        ratio = m.limits["supply.sensor_least_v"] / max(f.lowest_v, 0.1)
    else:
        ratio = (f.usual_v - f.lowest_v) / (m.limits["supply.sag_share"] * f.usual_v)
    battery = lowest_v(m, f.low_start_s, f.low_end_s)
    brown = battery is not None and battery < m.limits["supply.brown_out_v"]
    confidence = min(beyond(ratio), 0.4 if brown else 1.0)
    if ratio < 0.8:
        return Outcome()
    doubt = f"; the battery falls to {battery:.1f} V meanwhile, below what holds any supply" if brown else ""
    finding = Finding(
        "", "supply-faulty", f.channel, "time",
        f"The sensor's supply falls from {f.usual_v:.1f} to {f.lowest_v:.1f} V, for {100 * f.low_share:.0f} % of the "
        f"time the engine turns{doubt}.",
        confidence, (m.stretch(f.channel, f.low_start_s, f.low_end_s),), None,
        start_s=f.low_start_s, end_s=f.low_end_s, value=f.lowest_v, unit="V",
        evidence={
            "usual_v": f.usual_v, "lowest_v": f.lowest_v, "share_of_time": f.low_share, "ground": 0,
            "battery_min_v": battery,
        },
    )  # fmt: skip
    return Outcome((finding,))


def _ground(m: Measured) -> Outcome:
    f = _feed(m, "sensor-ground")
    if f is None or f.usual_v < 0.8 * m.limits["supply.ground_v"]:
        return Outcome()
    follows = f.with_starter > 0.5
    finding = Finding(
        "", "supply-faulty", f.channel, "event" if follows else "time",
        f"The sensor's ground stands {f.usual_v:.1f} V above the battery's negative while the engine turns"
        f"{', with the starter current' if follows else ''}.",
        beyond(f.usual_v / m.limits["supply.ground_v"]), (m.stretch(f.channel, f.start_s, f.end_s),), None,
        start_s=f.start_s, end_s=f.end_s, value=f.usual_v, unit="V",
        evidence={"ground_v": f.usual_v, "correlation": f.with_starter, "ground": 1},
    )  # fmt: skip
    return Outcome((finding,))


# --- the other end ----------------------------------------------------------------------------------------------------


def _losses(found: tuple[Finding, ...]) -> list[Finding]:
    return [f for f in found if f.kind in LOSSES and f.ranges]


def _whole(m: Measured, tap: Line, finding: Finding) -> float:
    """Share of the lost stretches in which the line's other end goes on: two edges more than this end, or more.

    The edges at a stretch's very ends are this line's own, which jitter puts inside or outside of it at the other end.
    """
    mine = m.line.edges.time_s if m.line is not None else np.empty(0)

    def inside(t: Floats, start_s: float, end_s: float) -> int:
        margin = min(MARGIN_S, 0.1 * (end_s - start_s))
        return int(np.sum((t > start_s + margin) & (t < end_s - margin)))

    more = [inside(tap.edges.time_s, r.start_s, r.end_s) - inside(mine, r.start_s, r.end_s) for r in finding.ranges]
    return float(np.mean([n >= 2 for n in more]))


def _solid(line: Line) -> Floats:
    """Times in s of edges that a tooth made: a pick-up at rest gives its noise's, other ones at either end."""
    e = line.edges
    use = e.label != GLITCH
    if line.sensor == "vr" and len(e):
        peak = np.minimum(e.peak_before_v, e.peak_after_v)
        use &= peak >= NOISE_SHARE * float(np.nanquantile(peak, 0.9))
    return np.asarray(e.time_s[use])


def _silent(line: Line, tap: Line) -> list[tuple[float, float]]:
    """(start, end) in s of runs of edges at the other end without one at this end."""
    t, mine = _solid(tap), line.edges.time_s
    if t.size < SILENT_EDGES:
        return []
    none = np.diff(np.searchsorted(mine, t)) == 0
    change = np.flatnonzero(np.diff(np.concatenate(([0], none.astype(np.int8), [0]))))
    runs = zip(change[::2], change[1::2], strict=True)
    return [(float(t[a]), float(t[b])) for a, b in runs if b - a >= SILENT_EDGES]


def _line(m: Measured, tap: Line, silent: list[tuple[float, float]]) -> Finding:
    longest = max(b - a for a, b in silent)
    return Finding(
        "", "line-faulty", m.channel, "time",
        f"{tap.name}, the other end of the same line, goes on while {m.channel} gives nothing, {len(silent)} "
        f"time{'s' if len(silent) > 1 else ''}, {1e3 * longest:.0f} ms at the longest: the line between them fails.",
        0.95, tuple(m.stretch(m.channel, a, b) for a, b in silent[:40]), None, start_s=silent[0][0],
        end_s=silent[-1][1], value=longest, unit="s", evidence={"stretches": len(silent), "longest_s": longest},
    )  # fmt: skip


def _other_silent(m: Measured, tap: Line, silent: list[tuple[float, float]]) -> Finding:
    """The other end silent while the crank line goes on: where nobody said which end is which, the line between."""
    longest = max(b - a for a, b in silent)
    return Finding(
        "", "line-faulty", tap.name, "time",
        f"{m.channel} goes on while {tap.name}, by its edges the same line, gives nothing, {len(silent)} "
        f"time{'s' if len(silent) > 1 else ''}, {1e3 * longest:.0f} ms at the longest: the line between them, or the "
        "probe at it.",
        0.75 if tap.role_source == "inferred" else 0.45,
        tuple(m.stretch(tap.name, a, b) for a, b in silent[:40]), None, start_s=silent[0][0], end_s=silent[-1][1],
        value=longest, unit="s", evidence={"stretches": len(silent), "longest_s": longest, "other_silent": 1},
    )  # fmt: skip


def _ends(m: Measured, earlier: Outcome) -> Outcome:
    tap = _of_crank(m, "second-tap")
    lost = _losses(earlier.found)
    silent = [] if tap is None or m.line is None else _silent(m.line, tap)
    if tap is not None and silent:
        return Outcome((_line(m, tap, silent),))
    if tap is not None and m.line is not None and (silent := _silent(tap, m.line)):
        return Outcome((_other_silent(m, tap, silent),))
    if not lost:
        return Outcome()
    if tap is None:
        return Outcome(not_assessed=(NotAssessed(
            "Does the signal fail in the sensor or in the line?", "only one end of the line was recorded",
            "the same line at the sensor's terminals, with the sensor's supply and ground, in one record",
        ),))  # fmt: skip
    worst = max(lost, key=lambda f: f.confidence)
    share = _whole(m, tap, worst)
    if share < 0.5:
        return Outcome()
    finding = Finding(
        "", "line-faulty", m.channel, "time",
        f"Where {m.channel} gives nothing, {tap.name}, the other end of the same line, goes on in "
        f"{100 * share:.0f} % of the stretches: the line between them fails.",
        min(0.98, worst.confidence), worst.ranges, None, start_s=worst.start_s, end_s=worst.end_s, value=share,
        unit="of the stretches", evidence={"stretches": len(worst.ranges), "whole_share": share},
    )  # fmt: skip
    return Outcome((finding,))


def with_ends(m: Measured, found: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Losses of the crank signal and stray edges with what the other end, supply and ground show in their evidence.

    supply_good, ground_good, other_end_whole: 1 or 0, absent where not recorded.
    """
    tap = _of_crank(m, "second-tap")
    more: dict[str, object] = {}
    for role, name in (("sensor-supply", "supply_good"), ("sensor-ground", "ground_good")):
        feed = _feed(m, role)
        if feed is not None:
            more[name] = int(not any(f.kind == "supply-faulty" and f.channel == feed.channel for f in found))
    if tap is None and not more:
        return found
    out = []
    for f in found:
        if f.kind in (*LOSSES, "edges-spurious") and f.channel == m.channel:
            told = more if tap is None or f.kind == "edges-spurious" else {
                **more, "other_end_whole": int(_whole(m, tap, f) >= 0.5)}  # fmt: skip
            f = replace(f, evidence={**f.evidence, **told})
        out.append(f)
    return tuple(out)


FAMILY = Family(
    "supply",
    ("supply-faulty", "line-faulty"),
    ("sensor supply and ground", "the other end of the crank line", "losses of the crank signal"),
    ("supply.sag_share", "supply.regulated_v", "supply.sensor_least_v", "supply.brown_out_v", "supply.ground_v"),
    "a loss at one end of a line that its other end does not share lies between them",
    find,
)
