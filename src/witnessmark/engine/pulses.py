"""Pressure pulses at intake and exhaust, averaged over cycles of steady speed, given to the cylinders they follow.

Every cylinder draws (or blows) once a cycle: the averaged wave is fitted by one pulse a cylinder, all of one shape and
one delay, each with a height of its own. Height says how much charge went that way; runners delay the pulse by an
unknown angle, so where events lie close it stays open which of two neighbours it is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine.cylinder_pressure import on_crank
from witnessmark.engine.facts import Facts
from witnessmark.engine.model import Phase
from witnessmark.engine.pressure_model import Pulse, Pulses
from witnessmark.engine.unroll import UNKNOWN_TURN, Unrolled
from witnessmark.recording.model import Recording
from witnessmark.signals.model import Line, Signals

Array = NDArray[np.float64]

STEP_DEG = 6.0
CELLS = 120
LEAST_CYCLES = 4
STEADY = 0.12  # mean speed of a cycle against the middle of all used
# Where the pulse lies after firing TDC: the piston's fastest draw in the intake stroke, the blow-down after the exhaust
# opens (derived from the strokes; DOMAIN gives 30 to 60 degrees before bottom dead centre for the opening).
AT_DEG = {"intake-pressure": 450.0, "exhaust-pressure": 175.0}
# Runner and valve delay looked for, and widths of a pulse (common practice, no source).
DELAYS_DEG = np.arange(-60.0, 61.0, 6.0)
WIDTHS_DEG = (20.0, 28.0, 36.0, 46.0, 60.0)
LEAST_EXPLAINED = 0.7  # of the wave's variance
VAGUE_REL = 0.15  # a pulse known worse than this against the others says nothing
DELAY_DOUBT_DEG = 45.0  # how far the delay may be off: nearer neighbours are named as well


@dataclass(frozen=True, slots=True)
class _Waves:
    each: Array  # [cycles, CELLS] less mean and trend
    rpm: float


def read(
    signals: Signals, recording: Recording, facts: Facts, unrolled: Unrolled, phase: Phase, cylinders: int | None
) -> tuple[Pulses, ...]:
    """Every intake and exhaust pressure line; ``why_not`` where its pulses cannot be given to cylinders."""
    lines = [*signals.by_role("intake-pressure"), *signals.by_role("exhaust-pressure")]
    return tuple(_line(x, recording, facts, unrolled, phase, cylinders) for x in lines)


def _none(line: Line, why: str, cycles: int = 0, rpm: float = 0.0) -> Pulses:
    return Pulses(line.name, line.role, cycles, rpm, 0.0, 0.0, 0.0, 0.0, (), line.info.unit, why)


def _line(
    line: Line, recording: Recording, facts: Facts, unrolled: Unrolled, phase: Phase, cylinders: int | None
) -> Pulses:
    if facts.cycle_deg != 720.0:
        return _none(line, "only four-stroke engines are compared by their pulses")
    if not phase.known or not phase.turn_known:
        return _none(line, "cylinder 1's firing TDC is not known: a pulse cannot be given to a cylinder")
    if not cylinders or len(facts.firing_deg) != cylinders or cylinders < 2:
        return _none(line, "number of cylinders or firing order not known, or one cylinder only")
    waves = _waves(line, recording, unrolled, phase)
    if waves is None or len(waves.each) < LEAST_CYCLES:
        return _none(line, f"{0 if waves is None else len(waves.each)} cycles of steady speed only")
    return _fitted(line, waves, facts)


def _waves(line: Line, recording: Recording, unrolled: Unrolled, phase: Phase) -> _Waves | None:
    parts: list[tuple[Array, Array]] = []
    for chain in range(unrolled.chains):
        members = unrolled.members(chain)
        turn = phase.per_segment_turn[members[0]] if members[0] < len(phase.per_segment_turn) else 0
        if turn != UNKNOWN_TURN:
            # per_segment_turn counts from the segment's own turns, the chain from its first segment's
            shift = 360.0 * (turn - unrolled.shift_turns[members[0]]) - (phase.tdc_deg or 0.0)
            parts.append(cycles_of(recording, line, unrolled, chain, shift))
    rows = np.concatenate([np.empty((0, CELLS)), *(p[0] for p in parts)])
    rpm = np.concatenate([np.empty(0), *(p[1] for p in parts)])
    if not len(rows):
        return None
    keep = steady(rpm)
    return _Waves(rows[keep], float(np.median(rpm[keep])))


def steady(rpm: Array) -> NDArray[np.bool_]:
    """Cycles near the middle speed of all."""
    return np.asarray(np.abs(rpm / np.median(rpm) - 1.0) < STEADY)


def cycles_of(
    recording: Recording, line: Line, unrolled: Unrolled, chain: int, shift_deg: float
) -> tuple[Array, Array]:  # fmt: skip
    """(pressure of whole cycles by cells [n, CELLS] less mean and drift, their speed in rpm [n]).

    Cycles begin at whole multiples of 720 of the chain's angle plus ``shift_deg``.
    """
    time, value, angle = on_crank(recording, line, unrolled, chain)
    rows: list[Array] = []
    speeds: list[float] = []
    if len(time) < CELLS:
        return np.empty((0, CELLS)), np.empty(0)
    angle = angle + shift_deg
    x = np.linspace(-1.0, 1.0, CELLS)
    for start in np.arange(np.ceil(angle[0] / 720.0) * 720.0, angle[-1] - 720.0, 720.0):
        lo, hi = np.searchsorted(angle, [start, start + 720.0])
        cell = np.minimum(((angle[lo:hi] - start) / STEP_DEG).astype(np.int64), CELLS - 1)
        count = np.bincount(cell, minlength=CELLS)
        if (count == 0).any():
            continue
        wave = np.bincount(cell, value[lo:hi], minlength=CELLS) / count
        wave = wave - wave.mean()
        # a drift from cycle to cycle: its slope is that between the ends of the cycle, which are the same place
        ends = wave[-6:].mean() - wave[:6].mean()
        rows.append(wave - 0.5 * ends * x if abs(ends) > 2.0 * wave.std() else wave)
        speeds.append(120.0 / max(float(time[hi - 1] - time[lo]), 1e-9))
    return np.array(rows).reshape(-1, CELLS), np.array(speeds)


def _design(facts: Facts, numbers: list[int], at_deg: float, width: float) -> Array:
    """Columns [CELLS, n]: a bell of one width at every cylinder's event, less its mean."""
    middle = (np.arange(CELLS) + 0.5) * STEP_DEG
    places = np.array([facts.firing_deg[c] for c in numbers]) + at_deg
    off = np.mod(middle[:, None] - places[None, :] + 360.0, 720.0) - 360.0
    bell = np.exp(-0.5 * (off / width) ** 2)
    return np.asarray(bell - bell.mean(axis=0))


def _fitted(line: Line, waves: _Waves, facts: Facts) -> Pulses:
    numbers = sorted(facts.firing_deg, key=lambda c: facts.firing_deg[c])
    mean = waves.each.mean(axis=0)
    total = float((mean**2).sum())
    n, cycles = len(numbers), len(waves.each)
    interval = 720.0 / n
    reach = [float(d) for d in DELAYS_DEG if abs(d) <= 0.45 * interval]
    tries = [(d, w) for d in reach for w in WIDTHS_DEG]

    def left(delay: float, width: float) -> float:
        a = _design(facts, numbers, AT_DEG[line.role] + delay, width)
        return float(((mean - a @ np.linalg.lstsq(a, mean, rcond=1e-6)[0]) ** 2).sum())

    delay, width = min(tries, key=lambda t: left(*t))
    explained = 1.0 - left(delay, width) / max(total, 1e-30)
    common = np.tile(mean.reshape(n, -1).mean(axis=0), n) if CELLS % n == 0 else mean
    once = float(((mean - common) ** 2).sum()) / max(total, 1e-30)
    noise = float(np.mean(waves.each.std(axis=0, ddof=1))) / np.sqrt(cycles)
    if explained < LEAST_EXPLAINED or np.sqrt(total / CELLS) < 3.0 * noise:
        return _none(line, "no pulse in step with each cylinder's stroke stands out of the line", cycles, waves.rpm)
    a = _design(facts, numbers, AT_DEG[line.role] + delay, width)
    solve = np.linalg.pinv(a, rcond=1e-3)
    each = waves.each @ solve.T
    gain = each.mean(axis=0)
    # what the fit of the mean leaves is no noise: it stays the same from cycle to cycle
    bias = np.sqrt(left(delay, width) / max(CELLS - n - 2, 1)) * np.sqrt((solve**2).sum(axis=1)) * 3.0
    sd = np.hypot(each.std(axis=0, ddof=1) / np.sqrt(cycles), bias)
    middle = float(np.median(gain))
    if middle == 0.0 or not (np.sign(gain) == np.sign(middle)).sum() >= n - 1:
        return _none(line, "the pulses overlap: their heights cannot be told apart", cycles, waves.rpm)
    others = np.array([np.median(np.delete(gain, i)) for i in range(n)])
    rel, rel_sd = gain / others, sd / np.abs(others)
    if float(np.median(rel_sd)) > VAGUE_REL:
        return _none(line, "the pulses overlap or vary: none is known against the others", cycles, waves.rpm)
    place = np.array([facts.firing_deg[c] for c in numbers])
    gap = np.mod(np.roll(place, -1) - place, 720.0)
    # the nearer of the two neighbours in firing order, where the delay may be off by half the way to it
    near = [
        numbers[(i + 1) % n if gap[i] <= gap[i - 1] else i - 1]
        if min(gap[i], gap[i - 1]) < 2.0 * DELAY_DOUBT_DEG + 1.0
        else None
        for i in range(n)
    ]
    told = tuple(Pulse(c, float(rel[i]), float(rel_sd[i]), near[i]) for i, c in enumerate(numbers))
    return Pulses(line.name, line.role, cycles, waves.rpm, abs(middle), delay, explained, once, told, line.info.unit)
