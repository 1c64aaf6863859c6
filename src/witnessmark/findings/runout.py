"""A wheel that runs out: angle error, or pulse size, once per turn.

Gas torque also swings once per turn when cylinders are not quite alike, and relative to speed it falls with speed
squared. So angle runout is judged on turns of steady running only; what cranking alone shows is said to be open.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from witnessmark.findings.measured import Family, Floats, Measured, Outcome, Rows, beyond, speeds
from witnessmark.findings.model import Finding, NotAssessed
from witnessmark.findings.weak import tooth_strength

RUNNING_RPM = 450.0


@dataclass(frozen=True)
class Once:
    """Once-per-turn lateness over steady running: amplitude, standard error, phase; first row and rpm of each cycle."""

    amplitude_deg: float
    se_deg: float
    phase_deg: float
    rows: Rows
    rpm: Floats


@dataclass(frozen=True)
class Swing:
    """Once-per-turn change of pulse size over the mean, place of the largest pulse, share of variance explained."""

    relative: float
    phase_deg: float
    explained: float


def steady_runout(m: Measured) -> Once | None:
    """Order-1 lateness over working cycles of steady running; None with fewer than ``runout.cycles_min`` of them."""
    p = m.wheel.passes
    seen = np.flatnonzero(p.used & (p.edge >= 0) & (m.segment >= 0))
    vectors: list[complex] = []
    rpm: list[float] = []
    firsts: list[int] = []
    for number in np.unique(m.segment[seen]):
        rows = seen[m.segment[seen] == number]
        if rows.size < 6 * m.teeth:
            continue
        angle, time = m.angle_deg[rows], p.time_s[rows]
        first = np.ceil(angle[0] / 360.0)
        mark = np.interp((first + np.arange(int(angle[-1] / 360.0 - first) + 1)) * 360.0, angle, time)
        for k in range(2, mark.size - 4):
            z = _one_cycle(m, angle / 360.0 - first, time, mark, k)
            if z is not None:
                vectors.append(z)
                rpm.append(120.0 / (mark[k + 2] - mark[k]))
                firsts.append(int(rows[np.searchsorted(angle, (first + k) * 360.0)]))
    if len(vectors) < m.limits["runout.cycles_min"]:
        return None
    cloud = np.asarray(vectors)
    middle = complex(np.median(cloud.real), np.median(cloud.imag))
    # windows overlap and neighbours share their marks, so a quarter of them counts
    se = (
        1.25
        * float(np.median(np.abs(cloud - middle)))
        / np.sqrt(max(len(vectors) / 4.0, 1.0))
        * (1.0 + 3.0 / len(vectors))
    )
    phase = float(np.degrees(np.arctan2(middle.imag, middle.real)) % 360.0)
    return Once(abs(middle), se, phase, np.asarray(firsts, np.int64), np.asarray(rpm))


def _one_cycle(m: Measured, turn: Floats, time: Floats, mark: Floats, k: int) -> complex | None:
    """Order-1 lateness in degrees over turns k and k + 1 against a cubic through every second turn mark.

    Marks two turns apart carry the same part of the working cycle, so a cylinder that differs from the others (orders
    0.5 and 1.5, fitted beside order 1) moves them alike. None unless the engine runs steadily there.
    """
    before, here, after = mark[k] - mark[k - 2], mark[k + 2] - mark[k], mark[k + 4] - mark[k + 2]
    if 120.0 / here < RUNNING_RPM or abs(after / before - 1.0) > m.limits["runout.steady"]:
        return None
    lo, hi = np.searchsorted(turn, [k, k + 2])
    if hi - lo < 1.4 * m.teeth:
        return None
    cubic = np.polynomial.polynomial.polyfit([-1.5, -0.5, 0.5, 1.5], mark[[k - 2, k, k + 2, k + 4]], 3)
    x = (turn[lo:hi] - k) / 2.0
    late = (time[lo:hi] - np.polynomial.polynomial.polyval(x - 0.5, cubic)) * 720.0 / here
    waves = [f(2.0 * np.pi * n * x) for n in (2, 1, 3, 4) for f in (np.cos, np.sin)]
    solved = np.linalg.lstsq(np.column_stack([*waves, np.ones(x.size)]), late, rcond=None)[0]
    return complex(solved[0], solved[1])


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
    fitted = design @ solved
    variance = float(np.var(y[keep]))
    explained = 1.0 - float(np.var((y - fitted)[keep])) / variance if variance > 0 else 0.0
    relative = float(np.hypot(solved[1], solved[2]) / max(solved[0], 1e-9))
    return Swing(relative, float(np.degrees(np.arctan2(solved[2], solved[1])) % 360.0), explained)


def find(m: Measured, earlier: Outcome) -> Outcome:
    """Runout in angle (running) or in pulse size (variable reluctance); what is not separable is said."""
    if m.layout is None:
        return Outcome()
    once = steady_runout(m) if m.teeth >= m.limits["runout.teeth_min"] else None
    swing = amplitude_swing(m)
    by_angle = 0.0
    if once is not None:
        by_angle = min(
            once.amplitude_deg / m.limits["runout.angle_deg"],
            once.amplitude_deg / max(m.limits["runout.standard_errors"] * once.se_deg, 1e-9),
        )
    by_size = 0.0
    if swing is not None and swing.explained >= m.limits["runout.sinusoid"]:
        by_size = swing.relative / m.limits["runout.amplitude"]
    # an eccentric wheel shows in both, so what each lacks alone they may reach together
    confidence = beyond(float(np.hypot(by_angle, by_size)))
    out = Outcome()
    if once is not None and once.amplitude_deg > 0.3 * m.layout.pitch_deg and once.amplitude_deg > 3.0:
        confidence = 0.0  # no wheel runs out by that much (5 mm on 80 mm radius): the decoding slips
    if confidence > 0.05:
        out += Outcome((_finding(m, once, swing, confidence),))
    if once is None:
        out += Outcome(not_assessed=(_open(m, swing),))
    elif confidence < 0.5:
        bound = max(m.limits["runout.angle_deg"], once.amplitude_deg + 2.0 * once.se_deg)
        out += Outcome(
            bounds=(f"Runout of the wheel in angle is below {bound:.2f} degrees ({once.rows.size} running cycles).",)
        )
    return out


def _finding(m: Measured, once: Once | None, swing: Swing | None, confidence: float) -> Finding:
    words = []
    if once is not None:
        words.append(
            f"the edges come {once.amplitude_deg:.2f} (standard error {once.se_deg:.2f}) degrees late and early once "
            f"per turn over {once.rows.size} cycles of steady running {speeds(once.rpm)}, latest "
            f"{once.phase_deg:.0f} degrees after slot 1"
        )
    if swing is not None:
        words.append(
            f"the pulses swing by {swing.relative:.0%} once per turn, largest {swing.phase_deg:.0f} degrees "
            "after slot 1"
        )
    rows = once.rows if once is not None else _turn_starts(m)
    p = m.wheel.passes
    text = "; ".join(words)
    if once is None:
        text += "; whether the angle runs out too cannot be told from cranking alone"
    return Finding(
        "", "wheel-runout", m.channel, "wheel", f"{text[:1].upper()}{text[1:]}.", confidence,
        m.around(p.time_s[rows], p.speed_rpm[rows], 180.0), None, start_s=float(p.time_s[rows[0]]),
        end_s=float(p.time_s[rows[-1]]), value=None if once is None else once.amplitude_deg,
        unit="" if once is None else "deg",
        evidence={
            "runout_deg": None if once is None else once.amplitude_deg,
            "standard_error_deg": None if once is None else once.se_deg,
            "latest_at_deg": None if once is None else once.phase_deg,
            "amplitude_swing": None if swing is None else swing.relative,
            "amplitude_sinusoid_share": None if swing is None else swing.explained,
            "running_cycles": 0 if once is None else int(once.rows.size),
        },
    )  # fmt: skip


def _turn_starts(m: Measured) -> Rows:
    """One passage in use of each turn."""
    rows = np.flatnonzero(m.wheel.passes.used)
    _, first = np.unique(m.wheel.passes.turn[rows], return_index=True)
    return rows[first]


def _open(m: Measured, swing: Swing | None) -> NotAssessed:
    few = m.teeth < m.limits["runout.teeth_min"]
    why = (
        f"{m.teeth} teeth a turn are too few to part runout from the speed ripple of compression"
        if few
        else (
            "too few turns of steady running: at cranking speed uneven compression shifts the edges once per "
            "turn as runout does"
        )
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
    ("times of all edges over running turns", "pulse amplitudes"),
    (
        "runout.angle_deg", "runout.standard_errors", "runout.steady", "runout.cycles_min", "runout.teeth_min",
        "runout.amplitude", "runout.sinusoid",
    ),
    "geometry of an eccentric wheel: angle error (e/r) sin, air gap and so amplitude once per turn",
    find,
)  # fmt: skip
