"""A wheel that runs out: angle error, or pulse size, once per turn.

Two witnesses. The angle error beside what the gas does (``wheel.runout``), with its standard error; and, on
variable-reluctance lines, the size of the pulses, which follows the air gap. Geometry ties them: where the wheel stands
out most the pulses are largest, and a quarter turn before that its edges come latest. Each alone may deceive (a wheel
in order is round within a tenth of a millimetre, its pulses swing by magnetism too), so both are weighed together: how
probable is what was measured with a wheel that runs out, and how probable with one in order.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from witnessmark.findings.measured import Family, Measured, Outcome, Rows, from_odds, speeds
from witnessmark.findings.model import Finding, NotAssessed
from witnessmark.findings.weak import tooth_strength
from witnessmark.wheel.model import Runout

RUNNING_RPM = 450.0
# Largest eccentricity looked for, in degrees (2 mm on 80 mm radius); beyond it the teeth would touch the sensor.
MOST_DEG = 1.5
# Swings of pulse size that eccentricity of 0.2 mm and more makes in air gaps of 0.5 to 1.5 mm (derived).
SWINGS = np.linspace(0.15, 0.8, 14)
# Share of wheels running out that wobble (axially) rather than stand eccentric: their pulses swing, by WOBBLE at least,
# and their angle is in order (estimate, no source).
WOBBLING, WOBBLE = 0.1, 0.3
TAILS = 6.0  # degrees of freedom of the t distribution that allows for a standard error that is too small itself
# Standard error, in useful ones, from which an angle error alone states nothing: it is then larger than what is to be
# told apart, and edges scattered by noise make a long tail (an open recording's 1.8 degrees, 0.4 of standard error).
COARSE, HINTED = 2.0, 0.45
ODD_PAIRS = 3  # cylinders


@dataclass(frozen=True)
class Swing:
    """Once-per-turn change of pulse size over the mean, place of the largest pulse, share of variance explained.

    rest: spread of what the wave leaves over, relative to the mean.
    """

    relative: float
    phase_deg: float
    explained: float
    rest: float


def amplitude_swing(m: Measured) -> Swing | None:
    """Order-1 part of the teeth's pulse sizes; None on two-level lines or with fewer than ten teeth."""
    if not m.is_vr or m.layout is None or m.teeth < 10:
        return None
    size = tooth_strength(m)
    ok = np.isfinite(size)
    if ok.sum() < 10:
        return None
    a, y = np.radians(np.asarray(m.layout.teeth_deg)[ok]), size[ok]
    keep = np.ones(y.size, bool)
    for _ in range(3):  # single teeth (weak, beside a gap) are no runout
        design = np.column_stack([np.ones(a.size), np.cos(a), np.sin(a)])
        solved = np.linalg.lstsq(design[keep], y[keep], rcond=None)[0]
        off = np.abs(y - design @ solved)
        keep = off <= 4.0 * 1.4826 * np.median(off[keep]) + 1e-9
    mean = max(float(solved[0]), 1e-9)
    left, variance = float(np.var((y - design @ solved)[keep])), float(np.var(y[keep]))
    return Swing(
        float(np.hypot(solved[1], solved[2]) / mean),
        float(np.degrees(np.arctan2(solved[2], solved[1])) % 360.0),
        1.0 - left / variance if variance > 0 else 0.0,
        float(np.sqrt(left)) / mean,
    )


def log10_bayes(
    once: Runout | None, swing: Swing | None, sound_deg: float, faulty_deg: float, swing_sd: float
) -> float:
    """log10 of the odds that the measured angle and pulse sizes give for a wheel that runs out against one in order.

    sound_deg: standard deviation of order 1 (each of cosine and sine) of wheels in order. faulty_deg: least amplitude
    of one that runs out (log-uniform up to MOST_DEG, any direction). swing_sd: likewise for the pulses of wheels in
    order, raised by what the wave leaves over (a bump or a step is no runout).
    """
    size = np.exp(np.linspace(np.log(faulty_deg), np.log(MOST_DEG), 40))[:, None]
    phase = np.radians(np.arange(0.0, 360.0, 2.0))[None, :]
    with_fault = np.zeros((size.size, phase.size))
    without, wobbling = 0.0, -np.inf
    if once is not None:
        seen = once.amplitude_deg * np.exp(1j * np.radians(once.phase_deg))
        with_fault = with_fault + _log_t(np.abs(seen - size * np.exp(1j * phase)), once.se_deg)
        without += float(_log_t(np.abs(seen), float(np.hypot(once.se_deg, sound_deg))))
    if swing is not None:
        sd = float(np.hypot(swing_sd, swing.rest))
        seen = swing.relative * np.exp(1j * np.radians(swing.phase_deg - 90.0))
        each = -0.5 * np.abs(seen - SWINGS[:, None] * np.exp(1j * phase)) ** 2 / sd**2
        with_fault = with_fault + np.log(np.mean(np.exp(each), axis=0))[None, :]
        wobbling = without + float(np.log(np.mean(np.exp(each[SWINGS >= WOBBLE]))))
        without += -0.5 * abs(seen) ** 2 / sd**2
    top = float(with_fault.max())
    eccentric = top + float(np.log(np.mean(np.exp(with_fault - top))))
    both = np.logaddexp(np.log(1.0 - WOBBLING) + eccentric, np.log(WOBBLING) + wobbling)
    return float((both - without) / np.log(10.0))


def _log_t(distance: np.ndarray | float, se: float) -> np.ndarray:
    """Log density, up to a constant, of a t distribution in the plane."""
    return np.asarray(-0.5 * (TAILS + 2.0) * np.log1p((np.asarray(distance) / se) ** 2 / TAILS) - 2.0 * np.log(se))


def find(m: Measured, earlier: Outcome) -> Outcome:
    """Runout by angle, by pulse size or by both; what the record cannot tell is said, with the bound reached."""
    if m.layout is None:
        return Outcome()
    once = m.wheel.once if m.teeth >= m.limits["runout.teeth_min"] else None
    if once is not None and once.turns < 2 * m.limits["runout.cycles_min"]:
        once = None
    swing = amplitude_swing(m)
    if once is not None and once.amplitude_deg > 2.0 * MOST_DEG + 2.0 * once.se_deg:
        return Outcome(not_assessed=(_open(m, swing, "the once-per-turn error is larger than any wheel can have"),))
    if once is None and swing is None:
        return Outcome(not_assessed=(_open(m, swing, ""),))
    odds = log10_bayes(
        once, swing, m.limits["runout.sound_deg"], m.limits["runout.angle_deg"], m.limits["runout.amplitude"]
    )
    confidence = from_odds(odds + m.limits["runout.log_prior_odds"])
    if once is not None and once.se_deg > COARSE * m.limits["runout.useful_deg"]:
        confidence = min(confidence, max(HINTED, _by_pulses(m, swing)))
    out = Outcome()
    if once is not None and _odd_pairs(m, once):
        confidence = min(confidence, max(HINTED, _by_pulses(m, swing)))
    if confidence >= m.limits["runout.hint"]:
        out += Outcome((_finding(m, once, swing, odds, confidence),))
    if once is None or once.se_deg > m.limits["runout.useful_deg"]:
        return out + Outcome(not_assessed=(_open(m, swing, ""),))
    if confidence < 0.5:
        bound = once.amplitude_deg + 2.0 * once.se_deg
        out += Outcome(
            bounds=(
                f"Runout of the wheel in angle is below {bound:.2f} degrees (measured {once.amplitude_deg:.2f}, "
                f"standard error {once.se_deg:.2f}, {once.turns} turns {speeds(once.rpm)}).",
            )
        )
    return out


def _by_pulses(m: Measured, swing: Swing | None) -> float:
    """Confidence that the pulses' sizes alone give."""
    if swing is None:
        return 0.0
    odds = log10_bayes(
        None, swing, m.limits["runout.sound_deg"], m.limits["runout.angle_deg"], m.limits["runout.amplitude"]
    )
    return from_odds(odds + m.limits["runout.log_prior_odds"])


def _words(once: Runout | None, swing: Swing | None) -> str:
    said = []
    if once is not None:
        where = f"{once.turns} turns {speeds(once.rpm)}"
        said.append(
            f"the edges come {once.amplitude_deg:.2f} (standard error {once.se_deg:.2f}) degrees late and early once "
            f"per turn over {where}, latest {once.phase_deg:.0f} degrees after slot 1, beside "
            f"{once.gas_deg:.2f} degrees that the cylinders' differences make"
        )
    if swing is not None:
        said.append(
            f"the pulses swing by {swing.relative:.0%} once per turn, largest {swing.phase_deg:.0f} degrees "
            "after slot 1"
        )
    if once is not None and swing is not None and once.amplitude_deg > max(0.1, 3.0 * once.se_deg):
        off = (swing.phase_deg - once.phase_deg - 90.0 + 180.0) % 360.0 - 180.0
        said.append(f"an eccentric wheel has the one a quarter turn after the other: {abs(off):.0f} degrees off that")
    if once is None:
        said.append("whether the angle runs out too cannot be told: no whole working cycles of steady rotation")
    text = "; ".join(said)
    return f"{text[:1].upper()}{text[1:]}."


def _odd_pairs(m: Measured, once: Runout) -> bool:
    """Whether three cylinders are only read off cranking: pairs of six that fire oddly look like three.

    Their uneven steps stand at every half order, and what the model of three leaves of them looks like runout (two
    simulated engines in order of six cylinders firing 90 and 150 degrees apart).
    """
    said = m.setup.engine.cylinder_count is not None
    return not said and once.cylinders == ODD_PAIRS and once.running == 0.0


# Burns that fail now and then: then no cycle is like another, and what they leave at order 1 is no error of the mean.
_MISFIRES = ("spark-absent", "fuel-absent", "contribution-uneven")


def beside_misfires(m: Measured, found: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Runout by angle of an engine that misfires is a hint: torque that comes and goes shifts edges once a turn too."""
    if not any(f.stated and f.kind in _MISFIRES and f.lock == "cycle" for f in found):
        return found
    most = max(HINTED, _by_pulses(m, amplitude_swing(m)))
    return tuple(
        replace(
            f, confidence=most,
            statement=f"{f.statement.rstrip('.')}; burns that fail shift the edges once a turn as well.",
        )
        if f.kind == "wheel-runout" and f.confidence > most
        else f
        for f in found
    )  # fmt: skip


def _finding(m: Measured, once: Runout | None, swing: Swing | None, odds: float, confidence: float) -> Finding:
    p = m.wheel.passes
    rows = once.first if once is not None else _turn_starts(m)
    return Finding(
        "", "wheel-runout", m.channel, "wheel", _words(once, swing), confidence,
        m.around(p.time_s[rows], p.speed_rpm[rows], 180.0), None, start_s=float(p.time_s[rows[0]]),
        end_s=float(p.time_s[rows[-1]]), value=None if once is None else once.amplitude_deg,
        unit="" if once is None else "deg",
        evidence={
            "runout_deg": None if once is None else once.amplitude_deg,
            "standard_error_deg": None if once is None else once.se_deg,
            "latest_at_deg": None if once is None else once.phase_deg,
            "gas_deg": None if once is None else once.gas_deg,
            "amplitude_swing": None if swing is None else swing.relative,
            "amplitude_sinusoid_share": None if swing is None else swing.explained,
            "turns": 0 if once is None else once.turns,
            "running_share": None if once is None else once.running,
            "log10_bayes_factor": odds,
        },
    )  # fmt: skip


def _turn_starts(m: Measured) -> Rows:
    """One passage in use of each turn."""
    rows = np.flatnonzero(m.wheel.passes.used)
    _, first = np.unique(m.wheel.passes.turn[rows], return_index=True)
    return rows[first]


def _open(m: Measured, swing: Swing | None, why: str) -> NotAssessed:
    once = m.wheel.once
    if m.teeth < m.limits["runout.teeth_min"]:
        why = f"{m.teeth} teeth a turn are too few to part runout from the speed ripple of compression"
    elif not why and once is None:
        why = "no whole working cycles of steady rotation of an engine of three or more cylinders"
    elif not why and once is not None:
        why = (
            f"{once.turns} turns {speeds(once.rpm)} give it with a standard error of {once.se_deg:.2f} degrees "
            "only: at low speed cylinders not quite alike shift the edges once per turn as runout does"
        )
    seen = "" if swing is None else f" (pulse sizes swing by {swing.relative:.0%} once per turn)"
    return NotAssessed(
        "Does the crank wheel run out in angle?",
        why + seen,
        "ten turns of steady running, or a dial gauge at the wheel",
    )


FAMILY = Family(
    "runout",
    ("wheel-runout",),
    ("times of all edges over whole working cycles", "pulse amplitudes"),
    (
        "runout.angle_deg", "runout.sound_deg", "runout.amplitude", "runout.log_prior_odds", "runout.hint",
        "runout.useful_deg", "runout.cycles_min", "runout.teeth_min",
    ),
    "geometry of an eccentric wheel: angle error (e/r) sin, air gap and so amplitude once per turn",
    find,
)  # fmt: skip
