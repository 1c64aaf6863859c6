"""What a probe or a recorder does to a sound line: coupling, thinning, ratio. Each has a habit that no engine has."""

from __future__ import annotations

import numpy as np

from witnessmark.findings.measured import Family, Measured, Outcome, beyond
from witnessmark.findings.model import Finding
from witnessmark.signals.model import Line

# Levels that two-level sensors are pulled up to, in V (common practice), and how far off they may be.
PULL_UPS, NEAR = (5.0, 8.0, 12.0), 0.2
RATIOS = (0.1, 10.0)


def find(m: Measured, earlier: Outcome) -> Outcome:
    """record-ac-coupled, record-thinned and record-scale-doubtful."""
    out = Outcome()
    for line in m.signals.lines:
        if line.info.kind != "sampled" or len(line.edges) < 20:
            continue
        if line.role in ("crank", "cam", "second-tap"):
            out += _coupled(m, line) + _scale(m, line)
        if line.role == "crank":
            out += _thinned(m, line)
    return out


def _all(m: Measured, line: Line) -> tuple:  # type: ignore[type-arg]
    return (m.stretch(line.name, m.recording.start_s, m.recording.end_s),)


def _coupled(m: Measured, line: Line) -> Outcome:
    """A two-level line that stands about zero: its mean is gone, which a direct coupling keeps."""
    lv = line.levels
    swing = lv.high - lv.low
    if line.sensor != "hall" or not line.scale_known or line.info.unit != "V" or swing < m.limits["record.ac_swing_v"]:
        return Outcome()
    below = -lv.low / swing
    if below < 0.8 * m.limits["record.ac_below"]:
        return Outcome()
    return Outcome((Finding(
        "", "record-ac-coupled", line.name, "none",
        f"{line.name} switches between {lv.low:.1f} and {lv.high:.1f} V: a two-level sensor does not go below its "
        "ground, so the coupling takes its mean away (or the probe is on the wrong reference).",
        beyond(below / m.limits["record.ac_below"]), _all(m, line), None, value=below, unit="of the swing",
        evidence={"low_v": lv.low, "high_v": lv.high, "below_share": below, "plain": 1},
    ),))  # fmt: skip


def _scale(m: Measured, line: Line) -> Outcome:
    """Levels of no sensor that would be those of one with another probe ratio, on an engine that runs all the same."""
    lv = line.levels
    if line.sensor != "hall" or not line.scale_known or line.info.unit != "V" or lv.high <= 0.0:
        return Outcome()
    if any(abs(lv.high - v) <= NEAR * v for v in PULL_UPS):
        return Outcome()
    for ratio in RATIOS:
        fits = any(abs(lv.high / ratio - v) <= NEAR * v for v in PULL_UPS) and abs(lv.low) < 0.15 * lv.high
        if not fits or (ratio > 1.0 and lv.high < m.limits["record.scale_high_v"]):
            continue
        runs = any(a.started for a in m.engine.attempts) or _runs(m)
        return Outcome((Finding(
            "", "record-scale-doubtful", line.name, "none",
            f"{line.name} switches between {lv.low:.2f} and {lv.high:.2f} V; with a probe ratio of "
            f"{1 / ratio:g} set right it would be {lv.low / ratio:.1f} and {lv.high / ratio:.1f} V, as sensors give"
            f"{', and the engine runs on it' if runs else ''}.",
            0.8 if runs else 0.4, _all(m, line), None, value=ratio, unit="ratio",
            evidence={"low_v": lv.low, "high_v": lv.high, "ratio": ratio, "runs": int(runs), "plain": int(runs)},
        ),))  # fmt: skip
    return Outcome()


def _runs(m: Measured) -> bool:
    rpm = m.wheel.passes.speed_rpm[m.wheel.passes.used]
    return bool(rpm.size and np.nanmedian(rpm) > m.limits["record.running_rpm"])


def _thinned(m: Measured, line: Line) -> Outcome:
    """Samples that change at every n-th place only: held or thinned by n."""
    told = m.engine.held
    if told is None or told.channel != line.name or told.changes < m.limits["record.thinned_changes"]:
        return Outcome()
    held = told.held
    if held < m.limits["record.thinned_held"]:
        return Outcome()
    rate = float(line.info.rate_hz or 0.0) / held
    return Outcome((Finding(
        "", "record-thinned", line.name, "none",
        f"{line.name} changes at every {held}th sample only: the record holds {rate:.0f} samples a second and not "
        f"{held * rate:.0f}; what is shorter was left out.",
        0.9, _all(m, line), None, value=float(held), unit="samples held",
        evidence={"held": held, "changes": told.changes, "true_rate_hz": rate, "plain": 1},
    ),))  # fmt: skip


FAMILY = Family(
    "probe",
    ("record-ac-coupled", "record-thinned", "record-scale-doubtful"),
    ("levels of two-level lines", "samples of the crank line"),
    (
        "record.ac_swing_v", "record.ac_below", "record.scale_high_v", "record.running_rpm", "record.thinned_changes",
        "record.thinned_held",
    ),
    "a line pulled up to a supply stands between its ground and that supply",
    find,
)  # fmt: skip
