"""A wheel that rocks on the crank with every firing stroke: seen by the edges of all cams, each where it stands.

A cam edge is measured against the wheel. Where the wheel rocks by an angle that repeats with the firing strokes, an
edge is early or late by what the wheel does at that place of the stroke, the same on every cam; a cam's own drive
shifts all edges of that cam alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine.facts import Facts, facts_from
from witnessmark.findings.measured import Measured, Outcome, beyond
from witnessmark.findings.model import Finding

Array = NDArray[np.float64]

LEAST_CYCLES = 8
# Edges beyond those that the fit itself uses up, what it may leave of the motion, and what it must explain of each cam.
SPARE_EDGES, LEFT, OF_EACH = 2, 0.4, 0.6


@dataclass(frozen=True, slots=True)
class _Rocking:
    """Amplitude in degrees of the motion that all cams share, and the root mean square of what it leaves."""

    amplitude_deg: float
    left_deg: float
    edges: int
    cams: int


def rocking(m: Measured) -> Outcome:
    """wheel-shifted with lock ``speed`` where all cams show the wheel to rock with the firing strokes."""
    facts = facts_from(m.setup)
    waves = _strokes(m, facts)
    if waves is None or len(m.engine.cams) < 2:
        return Outcome()
    r = _fit(_known(m), waves)
    limit = m.limits["cam.rocking_deg"]
    if r is None or r.amplitude_deg < 0.8 * limit:
        return Outcome()
    times = [c.motion.time_s for c in m.engine.cams if c.motion is not None]
    start, end = min(float(t[0]) for t in times), max(float(t[-1]) for t in times)
    finding = Finding(
        "", "wheel-shifted", m.channel, "speed",
        f"With every firing stroke the edges of all {r.cams} cams come early and late by up to {r.amplitude_deg:.1f} "
        f"degrees, each by its place in the stroke and not by its cam (left over: {r.left_deg:.1f}): the wheel rocks "
        "on the crank.",
        beyond(r.amplitude_deg / limit), (m.stretch(m.channel, start, end),), None, start_s=start, end_s=end,
        value=2.0 * r.amplitude_deg, unit="deg",
        evidence={"rocking_deg": r.amplitude_deg, "left_deg": r.left_deg, "edges": r.edges, "cams": r.cams},
    )  # fmt: skip
    return Outcome((finding,))


def _strokes(m: Measured, facts: Facts) -> float | None:
    """Firing strokes in a turn of the crank; None where their number is not known or they are uneven."""
    count = facts.cylinders
    if count is None:
        return None
    firing = np.sort(np.asarray(list(facts.firing_deg.values())))
    if len(firing) == count and count > 1 and np.ptp(np.diff(firing)) > 1.0:
        return None
    return 360.0 * count / facts.cycle_deg


def _known(m: Measured) -> list[tuple[Array, Array]]:
    """(edges' angles, how late each is against the setup's) for every cam that the setup describes."""
    wheels = {w.channel: w for w in m.setup.cam_wheel}
    out = []
    for cam in m.engine.cams:
        late = np.asarray(cam.late_deg, dtype=np.float64)
        wheel = wheels.get(cam.channel)
        angle = np.asarray([a for a, _ in (wheel.edges_deg if wheel else None) or ()])
        if len(late) != len(angle) or cam.cycles < LEAST_CYCLES:
            continue
        seen = np.isfinite(late)
        out.append((angle[seen], late[seen]))
    return [x for x in out if len(x[0]) >= 2]


def _columns(angle: Array, waves: float) -> Array:
    phase = np.deg2rad(waves * angle)
    return np.column_stack((np.cos(phase), np.sin(phase)))


def _fit(cams: list[tuple[Array, Array]], waves: float) -> _Rocking | None:
    """One wave of the firing strokes common to all cams, each with its own constant; None where it does not fit."""
    edges = sum(len(a) for a, _ in cams)
    if len(cams) < 2 or edges < len(cams) + 2 + SPARE_EDGES:
        return None
    wave = [_columns(a, waves) for a, _ in cams]
    centred = [(w - w.mean(axis=0), y - y.mean()) for w, (_, y) in zip(wave, cams, strict=True)]
    x, y = (np.concatenate([c[i] for c in centred]) for i in (0, 1))
    if np.linalg.cond(x) > 20.0:
        return None
    by = np.linalg.lstsq(x, y, rcond=None)[0]
    amplitude = float(np.hypot(*by))
    left = float(np.sqrt(np.sum((y - x @ by) ** 2) / (edges - len(cams) - 2)))
    if left > LEFT * amplitude:
        return None
    telling = [(w, v) for w, v in centred if np.abs(w).max() > 0.3]  # edges a stroke apart stand at the same place
    if len(telling) < 2 or any(np.sum((v - w @ by) ** 2) > (1.0 - OF_EACH) * np.sum(v**2) for w, v in telling):
        return None
    return _Rocking(amplitude, left, edges, len(cams))
