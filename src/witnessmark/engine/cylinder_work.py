"""Which cylinder's compression takes how much: crank speed, starter current and battery volts, put on crank angle."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine import compression, contribution, roughness
from witnessmark.engine.compression import STEP_DEG, Relative, Speed
from witnessmark.engine.count import Count
from witnessmark.engine.facts import Facts
from witnessmark.engine.geometry import CylinderGeometry
from witnessmark.engine.model import Attempt, CylinderResult, Phase
from witnessmark.engine.sampled import thinned
from witnessmark.engine.unroll import Unrolled
from witnessmark.recording.model import Recording
from witnessmark.recording.setup import Setup
from witnessmark.signals.model import Signals
from witnessmark.wheel.model import Layout

Array = NDArray[np.float64]

UNEVEN = "the cylinders fire at uneven distances and the setup does not say at which"
SPIN_UP_S = 0.4
# A step of speed needs teeth: with fewer than 18 a turn one event is a few intervals only (derived: 120 degrees an
# event of a six-cylinder engine hold six intervals then).
FEWEST_TEETH = 18
# A line that follows speed while cranking: at least this correlation with it (derived: two thirds of its variance).
FOLLOWS = 0.8
# Above this residual the fitted work does not describe the record (common for records that fire or a wheel misread).
WORST_FIT = 0.35
# Number of cylinders from the fit: it leaves less than SURE_FIT of the ripple, any other CLEARLY more (derived: a
# wrong number of compressions leaves most of the ripple).
COUNTS = (2, 3, 4, 5, 6, 8)
SURE_FIT, CLEARLY, EMPTY = 0.25, 1.6, 0.35
FIRES_RPM = 400.0
SURELY_RPM = 450.0  # runs, whatever else is not known (as for the start attempts)
RUNS_RPM = 330.0  # a weak engine goes on below its idle; no starter turns one as fast
SETTLE_S = 1.5  # first seconds after a start belong to no cylinder (common practice, no source)


@dataclass(frozen=True, slots=True)
class _Stretch:
    angle_deg: Array  # edges of the steps, after cylinder 1's firing TDC (or from the first TDC of any cylinder)
    time_s: Array
    good: NDArray[np.bool_]  # [k - 1] of the steps: not in a gap of the wheel


def measure_compression(
    signals: Signals, recording: Recording, setup: Setup, facts: Facts, layout: Layout | None, unrolled: Unrolled,
    phase: Phase, attempts: Sequence[Attempt], cylinders: int | None,
) -> tuple[tuple[CylinderResult, ...], str]:  # fmt: skip
    """(one result an event or cylinder, why none). Cylinder numbers only where firing order, TDC and turn are known."""
    if layout is None:
        return (), "crank angle not known"
    if cylinders == 1:
        return (), "one cylinder has no other to be compared with"
    if len(layout.teeth_deg) < FEWEST_TEETH:
        return (), f"{len(layout.teeth_deg)} teeth a turn are too few to follow one compression"
    stretches = _stretches(unrolled, phase, attempts, facts.cycle_deg)
    if not stretches:
        return (), "no steady cranking without firing in the record"
    speeds = [_speed(s) for s in stretches]
    size = _geometry(setup)
    cylinders = cylinders or _count(speeds, size, facts.cycle_deg)
    if not cylinders:
        return (), "number of cylinders not known"
    named = phase.known and phase.turn_known and len(facts.firing_deg) == cylinders
    offsets = _offsets(facts, cylinders)
    if not phase.known:
        named = False
        shift, _ = compression.placed(speeds, offsets, size, facts.cycle_deg)
        offsets = offsets + shift
    found = [compression.relative(speeds, offsets, size, facts.cycle_deg)]
    for role, words in (("starter-current", "starter current"), ("battery", "battery voltage")):
        other = _other(signals, recording, role, stretches, speeds)
        if other:
            found.append(compression.relative(other, offsets, size, facts.cycle_deg, words))
    good = [f for f in found if f is not None and f.residual < WORST_FIT]
    if not good:
        turned = sum(len(s.angle_deg) for s in speeds) * STEP_DEG / facts.cycle_deg
        few = turned < compression.LEAST_CYCLES + 1
        return (), f"{turned:.1f} cycles of cranking only" if few else "cranking speed does not follow compressions"
    numbers: list[int | None] = [*facts.firing_deg] if named else [None] * cylinders
    if named:
        order = np.array([facts.firing_deg[c] for c in facts.firing_deg])
        at = {float(np.round(a, 3)): i for i, a in enumerate(np.round(offsets, 3))}
        pick = [at[float(np.round(a, 3))] for a in order]
    else:
        pick = list(range(cylinders))
    return tuple(_result(good, i, numbers[k], float(offsets[i])) for k, i in enumerate(pick)), ""


def compared(facts: Facts, count: Count) -> int | None:
    """The number where the firing angles are known too: given in the setup, or equal."""
    return count.cylinders if len(facts.firing_deg) == count.cylinders else count.of_even


def measure(
    signals: Signals, recording: Recording, setup: Setup, facts: Facts, layout: Layout | None, unrolled: Unrolled,
    phase: Phase, attempts: Sequence[Attempt], count: Count,
) -> tuple[tuple[CylinderResult, ...], str, str]:  # fmt: skip
    """(one result a cylinder or event, why no compression, why no contribution)."""
    cylinders = compared(facts, count)
    if cylinders is None and count.cylinders is not None:
        return (), UNEVEN, UNEVEN
    results, why = measure_compression(signals, recording, setup, facts, layout, unrolled, phase, attempts, cylinders)
    if layout is None or cylinders == 1 or len(layout.teeth_deg) < FEWEST_TEETH:
        return results, why, "crank angle not known, one cylinder or too few teeth"
    named = phase.known and phase.turn_known and bool(cylinders) and len(facts.firing_deg) == cylinders
    if not named or not cylinders:
        return _unnamed(results, why, unrolled, phase, attempts, facts, cylinders)
    numbers = sorted(facts.firing_deg, key=lambda c: facts.firing_deg[c])
    tdc = np.array([facts.firing_deg[c] for c in numbers])
    cycles = _cycles(unrolled, phase, attempts, facts.cycle_deg, cylinders)
    found, rough = contribution.contribution(cycles, tdc), roughness.roughness(cycles, tdc, facts.cycle_deg)
    if found is None:
        return results, why, "no dozen cycles of steady running were decoded"
    before = {r.cylinder: r for r in results} if all(r.cylinder is not None for r in results) else {}
    out = []
    for i, c in enumerate(numbers):
        base = before.get(c) or CylinderResult(c, float(tdc[i]), None, None)
        out.append(replace(
            base, contribution_rel=float(found.rel[i]), contribution_sd=float(found.sd[i]), misfires=int(found.low[i]),
            run_cycles=found.cycles, run_start_s=found.start_s, run_end_s=found.end_s,
            roughness_per_s2=None if rough is None else float(rough.per_s2[i]),
            roughness_sd=None if rough is None else float(rough.sd[i]),
        ))  # fmt: skip
    return tuple(out), why, ""


def _unnamed(
    results: tuple[CylinderResult, ...], why: str, u: Unrolled, phase: Phase, attempts: Sequence[Attempt],
    facts: Facts, cylinders: int | None,
) -> tuple[tuple[CylinderResult, ...], str, str]:  # fmt: skip
    """Events of the cycle instead of cylinders, over one chain of stretches; their number from the ripple."""
    if results or facts.cycle_deg != 720.0 or len(facts.firing_deg) > 1:
        return results, why, "firing order, TDC or turn of the cycle not known"
    turns = tuple(int(x) % 2 for x in u.shift_turns)
    length = {c: sum(u.angle.segments[i].turns for i in u.members(c)) for c in range(u.chains)}
    longest = max(length, key=lambda c: length[c], default=-1)
    chained = tuple(t if c == longest else -1 for t, c in zip(turns, u.chain, strict=True))
    own = replace(phase, tdc_deg=0.0, per_segment_turn=chained)
    every = _cycles(u, own, attempts, 720.0, 4)
    cycles = [c for c in every if 120.0 / (c[2] - c[1]) > SURELY_RPM]
    at = contribution.placed(cycles, (cylinders,) if cylinders else COUNTS[1:])
    if at is None:
        return results, why, "number of cylinders, firing order, TDC or turn of the cycle not known"
    n, first = at
    tdc = first + np.arange(n) * 720.0 / n
    found = contribution.contribution(cycles, tdc)
    if found is None:
        return results, why, "no dozen cycles of steady running were decoded"
    out = [
        CylinderResult(
            None, float(tdc[i] - first), None, None, float(found.rel[i]), float(found.sd[i]), 0, (), None,
            int(found.low[i]), found.cycles, found.start_s, found.end_s,
        )
        for i in range(n)
    ]  # fmt: skip
    return tuple(out), why, ""


def _cycles(
    u: Unrolled, phase: Phase, attempts: Sequence[Attempt], cycle_deg: float, cylinders: int
) -> list[tuple[Speed, float, float]]:
    """Whole cycles of running, SETTLE_S after it began, from half an event before cylinder 1's firing TDC."""
    ran = [a for a in attempts if a.running_s is not None]
    begin = [(a.running_s or 0.0) + SETTLE_S for a in ran]
    starts = [a.start_s for a in attempts if not a.turning_at_start]
    lead = 0.5 * cycle_deg / cylinders
    out = []
    for i, seg in enumerate(u.angle.segments):
        turn = phase.per_segment_turn[i] if i < len(phase.per_segment_turn) else 0
        if turn < 0 and cycle_deg > 360.0:
            continue
        shift = 360.0 * max(turn, 0) - (phase.tdc_deg or 0.0)
        since = [b for b, a in zip(begin, ran, strict=True) if a.start_s <= seg.end_s]
        if not since and any(s <= seg.end_s for s in starts):
            continue  # cranked and never run: a fast starter is no running engine
        lo = max(seg.start_s, since[-1] if since else seg.start_s + SETTLE_S)
        if lo >= seg.end_s:
            continue
        a, b = (float(x) + shift for x in u.angle.at(np.array([lo, seg.end_s])))
        first = np.ceil((a + lead) / cycle_deg) * cycle_deg - lead
        knots = u.angle.angle_deg[seg.start : seg.stop] + shift
        for at in np.arange(first, b - cycle_deg, cycle_deg):
            grid = at + np.arange(0.0, cycle_deg + STEP_DEG / 2, STEP_DEG)
            time = u.angle.when(grid - shift)
            if np.isfinite(time).all() and cycle_deg / 6.0 / (time[-1] - time[0]) > RUNS_RPM:
                good = _between_teeth(knots, grid)
                stretch = _Stretch(grid - at - lead, time, good)
                out.append((_speed(stretch), float(time[0]), float(time[-1])))
    return out


def _count(speeds: list[Speed], size: CylinderGeometry, cycle_deg: float) -> int | None:
    """Evenly firing cylinders that explain the cranking best; None where two numbers do so about as well.

    One weak cylinder spoils the ripple's spectrum, not this fit. Twice the true number fits as well with every second
    cylinder empty: such a fit does not count.
    """
    tries = []
    for n in COUNTS:
        offsets = np.arange(n) * cycle_deg / n
        shift, left = compression.placed(speeds, offsets, size, cycle_deg)
        tries.append((left, n, offsets + shift))
    best: tuple[float, int] | None = None
    for left, n, at in sorted(tries, key=lambda t: t[0]):
        if left > (SURE_FIT if best is None else CLEARLY * best[0]):
            break
        found = compression.relative(speeds, at, size, cycle_deg)
        if found is not None and (found.rel < EMPTY).sum() <= 1 and found.rel.max() < 2.0:
            if best is not None and left < CLEARLY * best[0]:
                return None
            best = best or (left, n)
    return None if best is None else best[1]


def _offsets(facts: Facts, cylinders: int) -> Array:
    """Firing TDCs after cylinder 1's; even where the setup says nothing else."""
    if len(facts.firing_deg) == cylinders:
        return np.sort(np.array(list(facts.firing_deg.values())))
    return np.arange(cylinders) * facts.cycle_deg / cylinders


def _geometry(setup: Setup) -> CylinderGeometry:
    e, usual = setup.engine, CylinderGeometry()
    stroke = e.stroke_mm or usual.stroke_mm
    rod = e.rod_mm or usual.rod_mm / usual.stroke_mm * stroke
    return CylinderGeometry(e.bore_mm or usual.bore_mm, stroke, rod, e.compression_ratio or usual.compression_ratio)


def _result(good: list[Relative], i: int, cylinder: int | None, at_deg: float) -> CylinderResult:
    """Sources combined by variance; a spread beyond what they state widens it (published: Birge ratio, R. T. Birge,
    Phys. Rev. 40 (1932), from memory)."""
    value, sd = np.array([g.rel[i] for g in good]), np.array([g.sd[i] for g in good])
    weight = 1.0 / sd**2
    mean = float((value * weight).sum() / weight.sum())
    own = max(float(1.0 / np.sqrt(weight.sum())), compression.SHAPE_SD)
    birge = np.sqrt(float((((value - mean) / sd) ** 2).sum()) / max(len(good) - 1, 1))
    back = float(sum(g.back_rel[i] * w for g, w in zip(good, weight, strict=True)) / weight.sum())
    return CylinderResult(
        cylinder, at_deg, mean, own * max(1.0, float(birge)), None, None, good[0].cycles,
        tuple((g.source, float(g.rel[i]), float(g.sd[i])) for g in good), back,
    )  # fmt: skip


def _stretches(u: Unrolled, phase: Phase, attempts: Sequence[Attempt], cycle_deg: float) -> list[_Stretch]:
    """Cranking stretches without firing. Without a known turn only the longest chain: chains do not share a turn."""
    out: list[tuple[int, _Stretch]] = []
    for a in attempts:
        end = min(t for t in (a.cranking_end_s, a.first_firing_s, a.end_s) if t is not None)
        start = a.start_s + (0.0 if a.turning_at_start else SPIN_UP_S)
        for i, seg in enumerate(u.angle.segments):
            lo, hi = max(seg.start_s, start), min(seg.end_s, end)
            if hi <= lo:
                continue
            turn, chain = u.shift_turns[i], u.chain[i]
            if phase.turn_known and cycle_deg > 360.0:
                turn, chain = (phase.per_segment_turn[i] if i < len(phase.per_segment_turn) else 0), 0
                if turn < 0:
                    continue
            first, last = (float(x) for x in u.angle.at(np.array([lo, hi])))
            grid = np.arange(first, last, STEP_DEG)
            time = u.angle.when(grid)
            ok = np.isfinite(time)
            long = ok.sum() * STEP_DEG >= compression.BLOCK * cycle_deg
            if long and np.diff(time[ok]).min() > STEP_DEG / 6 / FIRES_RPM:
                knots = u.angle.angle_deg[seg.start : seg.stop]
                good = _between_teeth(knots, grid[ok])
                out.append((chain, _Stretch(grid[ok] + 360.0 * turn - (phase.tdc_deg or 0.0), time[ok], good)))
    if phase.turn_known and cycle_deg > 360.0:
        return [s for _, s in out]
    length = {c: sum(len(s.time_s) for d, s in out if d == c) for c, _ in out}
    longest = max(length, key=lambda c: length[c], default=-1)
    return [s for c, s in out if c == longest]


def _between_teeth(knots_deg: Array, grid_deg: Array) -> NDArray[np.bool_]:
    """Steps of the grid that touch no gap: within one, speed is not seen."""
    pitch = np.diff(knots_deg)
    gap = np.flatnonzero(pitch > 1.5 * np.median(pitch))
    good = np.ones(len(grid_deg) - 1, bool)
    for g in gap:
        lo, hi = np.searchsorted(grid_deg, [knots_deg[g] + 1e-6, knots_deg[g + 1] - 1e-6])
        good[max(lo - 1, 0) : hi] = False
    return good


def _speed(s: _Stretch) -> Speed:
    return Speed(s.angle_deg[:-1] + STEP_DEG / 2, np.radians(STEP_DEG) / np.diff(s.time_s), s.good)


def _other(
    signals: Signals, recording: Recording, role: str, stretches: list[_Stretch], speeds: list[Speed]
) -> list[Speed]:
    """Speed as another line shows it: its own mean over each step, scaled to the crank's speed; empty where it does not
    follow."""
    lines = [x for x in signals.by_role(role) if x.info.kind == "sampled"]
    if not lines:
        return []
    out = []
    for s, v in zip(stretches, speeds, strict=True):
        time, value = thinned(recording, lines[0].name, float(s.time_s[0]), float(s.time_s[-1]))
        if len(time) < 4 * len(s.time_s):
            return []
        edge = np.searchsorted(time, s.time_s)
        total = np.concatenate(([0.0], np.cumsum(value)))
        mean = (total[edge[1:]] - total[edge[:-1]]) / np.maximum(np.diff(edge), 1)
        x = np.linspace(-1.0, 1.0, len(mean))
        trend = np.column_stack([np.ones_like(x), x, x**2])
        flat = mean - trend @ np.linalg.lstsq(trend, mean, rcond=None)[0]
        speed = v.rad_s - trend @ np.linalg.lstsq(trend, v.rad_s, rcond=None)[0]
        follows = float(np.corrcoef(flat, speed)[0, 1]) if flat.std() > 0 else 0.0
        if abs(follows) < FOLLOWS:
            return []
        seen = v.good if v.good is not None else np.ones(len(flat), bool)
        scale = speed[seen].std() / flat[seen].std()
        # both have errors: the ratio of spreads, not the slope, keeps the ripple's size
        out.append(Speed(v.angle_deg, v.rad_s - speed + np.sign(follows) * flat * scale))
    return out
