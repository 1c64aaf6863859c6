"""Polarity and size of the crank signal."""

from __future__ import annotations

import numpy as np

from witnessmark.findings.measured import Family, Floats, Measured, Outcome, Rows, beyond, speeds, spread
from witnessmark.findings.model import Finding, NotAssessed
from witnessmark.signals.model import Line

COMMON_RPM = 200.0  # speed to which pulse sizes are brought: their size grows with speed


def find(m: Measured, earlier: Outcome) -> Outcome:
    """polarity-reversed and signal-low."""
    if m.line is None:
        return Outcome()
    return _polarity(m) + (_vr_low(m, m.line) if m.is_vr else _hall_low(m, m.line))


# --- polarity ---------------------------------------------------------------------------------------------------------


def _synchronised(m: Measured) -> bool | None:
    """Whether the outputs show a control unit that finds its place quickly; None where no output tells.

    An engine that starts with sparks in time has one too, however many turns of the cam it waited for.
    """
    told = [a for a in m.engine.attempts if a.sparks is not None]
    if not told:
        return None
    quick = m.limits["polarity.sync_turns"]
    return any(a.turns_to_sync is not None and (a.turns_to_sync <= quick or a.started) for a in told)


def _polarity(m: Measured) -> Outcome:
    if not m.is_vr:
        return Outcome()
    if m.wheel.polarity == "unknown":
        why = m.wheel.polarity_reason or "the line gives no steep and lazy crossings to compare"
        return Outcome(not_assessed=(NotAssessed(
            "Is the sensor connected the right way round?", why,
            "a record at a higher rate, or a look at the signal at a gap",
        ),))  # fmt: skip
    if m.wheel.polarity != "reversed":
        return Outcome()
    synced = _synchronised(m)
    # without a setup the other edge may be what this control unit is made for: one that copes shows nothing wrong
    told = bool(m.setup.crank_wheel and m.setup.crank_wheel.edge)
    confidence = {None: 0.8, False: 0.95, True: 0.75 if told else 0.4}[synced] * m.wheel.polarity_confidence
    state = {
        None: "no output line tells whether the control unit copes",
        False: "the outputs show no quick synchronisation, so the control unit sees it reversed too",
        True: "the outputs show quick synchronisation and so rather the probe is reversed than the sensor",
    }[synced]
    rows = _some_turns(m)
    p = m.wheel.passes
    finding = Finding(
        "", "polarity-reversed", m.channel, "none",
        f"The signal is the wrong way round: {m.wheel.polarity_reason}; exchanged sensor leads and an "
        "exchanged probe look the "
        f"same on this line, and {state}.",
        confidence, m.at_passes(rows) if rows.size else (), None,
        start_s=float(p.time_s[rows[0]]) if rows.size else None, end_s=float(p.time_s[rows[-1]]) if rows.size else None,
        evidence={
            "marking_edge": "rising" if m.wheel.marking_rising else "falling",
            "polarity_confidence": m.wheel.polarity_confidence, "synchronised": synced,
            "unit_copes": None if synced is None else int(synced),
        },
    )  # fmt: skip
    return Outcome((finding,))


def _some_turns(m: Measured) -> Rows:
    """The first tooth after the gap in every turn: there the two crossings are told apart."""
    return np.flatnonzero(m.wheel.passes.used & (m.wheel.passes.tooth == 0))


# --- size -------------------------------------------------------------------------------------------------------------


# No two-level line of a vehicle stands at more (24 V systems included): values above it are no volts.
MOST_V = 60.0


def _vr_low(m: Measured, line: Line) -> Outcome:
    """Peak to peak of the pulses, brought to one speed, against common practice."""
    p = m.wheel.passes
    if not line.scale_known or line.info.unit not in ("V", ""):
        return Outcome(not_assessed=(_scale(),))
    rows = np.flatnonzero(p.used & np.isfinite(p.amplitude_v) & (p.speed_rpm > 20.0))
    if rows.size < 10:
        return _vr_low_undecoded(m, line)
    size = 2.0 * p.amplitude_v[rows] * COMMON_RPM / p.speed_rpm[rows]
    middle = float(np.median(size))
    limit = m.limits["level.vr_peak_to_peak_v"]
    confidence = beyond(limit / max(middle, 1e-6))
    if confidence <= 0.05:
        return Outcome()
    low, high = (float(q) for q in np.quantile(2.0 * p.amplitude_v[rows], [0.1, 0.9]))
    unseen = int(m.unseen.sum())
    weakest = rows[np.argsort(size)[: max(40, rows.size // 50)]]
    return Outcome((Finding(
        "", "signal-low", m.channel, "none",
        f"The pulses are {low:.2f} to {high:.2f} V peak to peak {speeds(p.speed_rpm[rows])}, {middle:.2f} V brought to "
        f"{COMMON_RPM:.0f} rpm (usual: {limit:.1f} V and more); a control unit with the nominal threshold "
        f"would miss {unseen} "
        f"of {int(p.used.sum())} teeth.",
        confidence, m.at_passes(np.sort(weakest)), None, start_s=float(p.time_s[rows[0]]),
        end_s=float(p.time_s[rows[-1]]),
        value=middle, unit="V peak to peak at 200 rpm",
        evidence={
            "peak_to_peak_at_200_rpm_v": middle, "limit_v": limit, "lowest_tenth_v": low, "highest_tenth_v": high,
            "unseen_by_nominal_unit": unseen, "passages": int(p.used.sum()),
        },
    ),))  # fmt: skip


def _vr_low_undecoded(m: Measured, line: Line) -> Outcome:
    """Without a decoded wheel the pulses have no speed: what is small at any cranking speed is said as a hint."""
    e = line.edges
    if len(e) < 40:
        return Outcome()
    size = (e.peak_before_v + e.peak_after_v).astype(np.float64)
    upper = float(np.quantile(size, 0.9))
    ratio = m.limits["level.vr_peak_to_peak_v"] / max(upper, 1e-6)
    if ratio < 1.0:
        return Outcome()
    take = spread(len(e))
    stretches = m.around(e.time_s[take], np.full(take.size, np.nan), 0.0, line.name)
    turning = any(a.battery_cranking_v is not None or a.starter_current_a is not None for a in m.engine.attempts)
    turning = turning or any(a.seen_on != "crank" for a in m.engine.attempts)
    confidence = min(beyond(ratio), 0.75 if turning else 0.45)
    return Outcome((Finding(
        "", "signal-low", line.name, "none",
        f"Nine in ten pulses are below {upper:.3f} V peak to peak and no wheel can be decoded from them.",
        confidence, stretches, None, start_s=float(e.time_s[0]), end_s=float(e.time_s[-1]), value=upper,
        unit="V peak to peak", evidence={"highest_tenth_v": upper},
    ),))  # fmt: skip


def _hall_low(m: Measured, line: Line) -> Outcome:
    """Levels of a two-level line against a 5 V or 12 V supply."""
    if line.info.kind == "changes":
        return Outcome(not_assessed=(NotAssessed(
            "Are the levels of the crank line right?", "the record holds level changes only",
            "an analog record of the line",
        ),))  # fmt: skip
    if not line.scale_known or line.info.unit not in ("V", ""):
        return Outcome(not_assessed=(_scale(),))
    if not line.levels.moving or not np.isfinite(line.levels.swing) or len(line.edges) < 6:
        return Outcome()
    low, high, swing = line.levels.low, line.levels.high, line.levels.swing
    if line.info.unit == "" and max(abs(low), abs(high)) > MOST_V:
        return Outcome(not_assessed=(_scale(),))  # a recorder's counts
    if swing <= 1.2 and 0.9 <= high <= 1.1 and abs(low) < 0.05 and line.info.unit == "":
        return Outcome(not_assessed=(_scale(),))  # logic recorded as 0 and 1
    small = beyond(m.limits["level.hall_swing_v"] / max(swing, 1e-6))
    lifted = beyond(low / m.limits["level.hall_low_v"], 1.5) if low > 0 else 0.0
    confidence = max(small, lifted)
    if confidence <= 0.05:
        return Outcome()
    words = (
        f"The line swings by {swing:.2f} V only, between {low:.2f} and {high:.2f} V"
        if small >= lifted
        else (f"The low level of the line stands at {low:.2f} V, the high one at {high:.2f} V")
    )
    rule = (
        f"a two-level sensor on 5 V or more swings by {m.limits['level.hall_swing_v']:.1f} V at least and pulls below "
    )
    times = _active(line)
    return Outcome((Finding(
        "", "signal-low", line.name, "none", f"{words}; {rule}{m.limits['level.hall_low_v']:.1f} V.", confidence,
        m.around(times, np.full(times.size, np.nan), 0.0, line.name), None, start_s=float(line.edges.time_s[0]),
        end_s=float(line.edges.time_s[-1]), value=swing if small >= lifted else low, unit="V",
        evidence={"low_v": low, "high_v": high, "swing_v": swing},
    ),))  # fmt: skip


def _active(line: Line) -> Floats:
    return line.edges.time_s[spread(len(line.edges))]


def _scale() -> NotAssessed:
    return NotAssessed(
        "Is the crank signal large enough?",
        "the recording does not say what its numbers are in volts",
        "scale and unit of the crank channel in the setup",
    )


FAMILY = Family(
    "levels",
    ("polarity-reversed", "signal-low"),
    ("steepness of both crossings", "pulse sizes", "levels of the line", "first correctly timed spark"),
    ("polarity.sync_turns", "level.vr_peak_to_peak_v", "level.hall_swing_v", "level.hall_low_v"),
    "induction law for polarity and growth with speed; common practice for sizes",
    find,
)
