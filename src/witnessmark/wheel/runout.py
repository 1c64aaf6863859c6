"""Once-per-turn error of the wheel, told apart from what the gas does to the speed once per turn.

Over whole working cycles the times of the edges are fitted by a speed whose energy follows a slow trend, a part that
all cylinders share (harmonics of the firing order, free) and what each cylinder adds of its own (the shape of its gas
work, see ``gas``); the wheel is the order-1 lateness beside them. Gas moves the energy of the crank by the same amount
at any speed, so its lateness falls with speed squared, and it cannot move order 1 without moving the half orders or
order 3 with it: the eccentric wheel can. What is left uncertain by that (cylinders known to differ by a few per cent
beforehand) is in the standard error, with the scatter between cycles and the errors of the single teeth.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from witnessmark.wheel import cycles, firing
from witnessmark.wheel.cycles import Beat, System, Window
from witnessmark.wheel.model import CrankAngle, Layout, Passes, Runout
from witnessmark.wheel.passes import angle_of_passes, piece_of

Array = NDArray[np.float64]

LEAST_TEETH = 10  # order 1 needs points well above the orders that compression makes
MOST_WINDOWS = 16  # cycles used, spread over the record: the mean of 16 is sharp enough
RUNNING_RPM = 450.0
# What the shape of the gas work may be wrong by, of one cylinder's work, running and cranking, and of the gas part
# found: measured on simulated engines of other compression, leak and inertia (errors over standard errors near 1).
SHAPE_RUNNING, SHAPE_CRANKING, SHAPE_OF_FOUND = 0.02, 0.005, 0.25
SHAPE_OF_UNLIKE = 1.0  # of what fired cylinders differ by beyond the usual: one that burns badly burns late as well
MOST_UNLIKE = 50.0  # times the usual difference of cylinders: a dead one stays below, what is above is no gas
FEW = 2.0  # cycles: with so few the scatter between them is not known, and the standard error is raised
PITCH_DEG = 0.01  # least spread of the teeth's own errors (memory: 0.03 to 0.2 degrees on wheels in order)


def of_passes(
    passes: Passes, layout: Layout, angle: CrankAngle, vr: bool, suspects: Iterable[int], cylinders: int | None
) -> Runout | None:
    """Once-per-turn error of the wheel from all passages in use; None where it cannot be measured.

    vr: variable-reluctance line, whose teeth beside a gap come late and early by design. suspects: teeth (indices)
    taken for displaced. cylinders: None where not known.
    """
    rows = np.flatnonzero(passes.used & (passes.edge >= 0))
    piece = piece_of(passes, angle)
    rows = rows[piece[rows] >= 0]
    teeth = np.asarray(layout.teeth_deg)
    apart = np.zeros(teeth.size, bool)
    apart[list(suspects)] = True
    if vr:
        step = np.diff(np.append(teeth, teeth[0] + 360.0))
        gap = step > 1.4 * np.median(step)
        apart |= gap | np.roll(gap, 1)
    try:
        got = angle_runout(
            angle_of_passes(passes, layout)[rows], passes.time_s[rows], piece[rows],
            passes.tooth[rows].astype(np.int64), teeth, apart, cylinders,
        )  # fmt: skip
    except np.linalg.LinAlgError:  # edges so irregular that no speed explains them
        return None
    return None if got is None else replace(got, first=rows[got.first])


@dataclass(frozen=True)
class _Stretch:
    """Cycles with the same cylinders' differences: reduced systems, info and vector of wheel and teeth over them."""

    beat: Beat
    systems: list[System]
    reduced: list[tuple[Array, Array]]
    info: Array
    vector: Array
    shared_info: Array
    shared_vector: Array


def angle_runout(
    angle_deg: Array,
    time_s: Array,
    group: NDArray[np.int64],
    tooth: NDArray[np.int64],
    teeth_deg: Array,
    apart: NDArray[np.bool_],
    cylinders: int | None = None,
) -> Runout | None:
    """Order-1 lateness over working cycles; None without a whole one in steady rotation.

    angle_deg, time_s, group, tooth [m]: nominal angle, time, decoded stretch and tooth of each passage seen. teeth_deg
    [n]: the wheel. apart [n]: teeth that may be late for reasons of their own (beside a gap on a variable-reluctance
    line, displaced). cylinders: where known, else told by the ripple.
    """
    n = teeth_deg.size
    if n < LEAST_TEETH:
        return None
    windows = cycles.windows(angle_deg, time_s, group, tooth, n, MOST_WINDOWS)
    known = cylinders
    if known is None:
        known = _told(angle_deg, time_s, group, tooth, teeth_deg)
    if known is None:
        return None
    beats: list[tuple[list[Window], Beat]] = []
    for running in (False, True):
        for number in sorted({w.group for w in windows}):
            mine = [w for w in windows if w.group == number and (w.rpm > RUNNING_RPM) == running]
            beat = cycles.beat(mine, running, known) if mine else None
            if beat is not None:
                beats.append((mine, beat))
    single, spread = _single_teeth(beats, n)
    if single is None:
        return None
    sharp = [(mine, cycles.sharpened(mine, beat, single)) for mine, beat in beats]
    parts = [p for mine, beat in sharp if (p := _stretch(mine, beat, single, n)) is not None]
    prior = np.maximum(spread, np.where(np.abs(single) > 4.0 * spread, np.abs(single), 0.0))
    prior[apart] = 1.0
    return _together(parts, 1.0 / prior**2, known) if parts else None


def _told(
    angle_deg: Array, time_s: Array, group: NDArray[np.int64], tooth: NDArray[np.int64], teeth_deg: Array
) -> int | None:
    """Number of evenly firing cylinders by the ripple; None where it is not clear, or they fire unevenly."""
    found = firing.told(firing.ripples(angle_deg, time_s, group, tooth, teeth_deg, RUNNING_RPM))
    return found.pattern.cylinders if found.pattern is not None and found.pattern.even else None


def _single_teeth(beats: list[tuple[list[Window], Beat]], teeth: int) -> tuple[Array | None, float]:
    """Mean lateness left of each tooth (0 where unseen), without order 1, and its robust spread; from a first pass."""
    got = [made for mine, beat in beats for w in mine if (made := cycles.system(w, beat, np.zeros(teeth))) is not None]
    if not got:
        return None, 0.0
    tooth = np.concatenate([s.tooth for s, _ in got])
    left = np.concatenate([x / s.noise_deg for s, x in got])
    weight = np.concatenate([np.full(x.size, 1.0 / s.noise_deg) for s, x in got])
    total = np.bincount(tooth, weight, minlength=teeth)
    mean = np.bincount(tooth, left, minlength=teeth) / np.maximum(total, 1e-12)
    seen = total > 0
    return np.where(seen, mean, 0.0), max(float(1.4826 * np.median(np.abs(mean[seen]))), PITCH_DEG)


def _stretch(windows: list[Window], beat: Beat, single: Array, teeth: int) -> _Stretch | None:
    """Cycles of one stretch together: the cylinders keep their differences, combustion varies by itself.

    Cylinders that differ by more than those of an engine in order (a weak one, a dead one) are allowed to.
    """
    wider = 1.0
    for _ in range(3):
        made = _reduced(windows, beat, single, teeth, wider)
        if made is None:
            return None
        info = made.info.copy()
        info[np.arange(2, 2 + teeth), np.arange(2, 2 + teeth)] += PITCH_DEG**-2
        differ = made.shared_vector - made.shared_info @ np.linalg.solve(info, made.vector)
        unlike = float(np.sqrt(np.mean(differ**2 * made.systems[0].prior[: differ.size]))) * wider
        if unlike < 2.0 * wider:
            break
        wider = 1.5 * unlike
        if wider > MOST_UNLIKE:
            return None
    return made


def _reduced(windows: list[Window], beat: Beat, single: Array, teeth: int, wider: float) -> _Stretch | None:
    """The cycles of a stretch with what varies and what they share taken out."""
    systems = [got[0] for w in windows if (got := cycles.system(w, beat, single, wider)) is not None]
    if not systems:
        return None
    usual = float(np.median([s.noise_deg for s in systems]))
    systems = [s for s in systems if s.noise_deg <= 3.0 * usual]  # an engine that does not fire evenly yet
    reduced = [s.reduced(teeth) for s in systems]
    keep, shared = 2 + teeth, systems[0].shared
    info = np.sum([i for i, _ in reduced], axis=0)
    vector = np.sum([v for _, v in reduced], axis=0)
    own = info[keep:, keep:] + np.diag(systems[0].prior[:shared])
    solved = np.linalg.solve(own, np.column_stack([info[keep:, :keep], vector[keep:]]))
    cross = info[:keep, keep:]
    return _Stretch(
        beat, systems, reduced, info[:keep, :keep] - cross @ solved[:, :keep], vector[:keep] - cross @ solved[:, keep],
        solved[:, :keep], solved[:, keep],
    )  # fmt: skip


def _together(parts: list[_Stretch], prior: Array, cylinders: int) -> Runout:
    """All stretches: wheel and teeth are the same in each, the cylinders' differences are found for each."""
    info = np.sum([p.info for p in parts], axis=0)
    info[np.arange(2, info.shape[0]), np.arange(2, info.shape[0])] += prior
    covariance = np.linalg.inv(info)
    found = covariance @ np.sum([p.vector for p in parts], axis=0)
    wheel, known = found[:2], found.size
    own, off, moved, weight, doubt = [], [], [], [], []
    for p in parts:
        differ = p.shared_vector - p.shared_info @ found
        for i, v in p.reduced:
            alone = i[:2, :2]
            rest = v[:2] - i[:2, 2:known] @ found[2:] - i[:2, known:] @ differ
            own.append(alone)
            off.append(rest - alone @ wheel)
            moved.append(np.linalg.solve(alone, i[:2, known:] @ differ))
            weight.append(np.trace(alone))
            unlike = float(np.linalg.norm([d - d.mean() for d in np.split(differ, differ.size // p.beat.cylinders)]))
            beyond = max(0.0, unlike - cycles.UNLIKE * np.sqrt(differ.size))
            share = np.hypot(SHAPE_RUNNING, SHAPE_OF_UNLIKE * beyond) if p.beat.fired else SHAPE_CRANKING
            doubt.append(share * p.beat.one_deg)
    count = len(own)
    plain = np.linalg.inv(np.sum(own, axis=0))
    extra = 0.0
    if count > 1:  # cycles that scatter more than their own errors say
        seen = plain @ (np.array(off).T @ np.array(off)) @ plain * count / (count - 1.0)
        extra = max(0.0, 0.5 * float(np.trace(seen) - np.trace(plain)))
    by_gas = float(np.hypot(*np.average(np.array(moved), axis=0, weights=np.array(weight))))
    shape = float(np.average(doubt, weights=weight)) ** 2 + 0.5 * (SHAPE_OF_FOUND * by_gas) ** 2
    variance = 0.5 * float(np.trace(covariance[:2, :2])) + extra + shape
    variance *= 1.0 + (FEW / count) ** 2
    first = np.array([s.first for p in parts for s in p.systems], np.int64)
    rpm = np.array([s.rpm for p in parts for s in p.systems])
    order = np.argsort(first)
    return Runout(
        float(np.hypot(*wheel)), float(np.degrees(np.arctan2(wheel[1], wheel[0])) % 360.0), float(np.sqrt(variance)),
        2 * count, by_gas, cylinders, float(np.mean(rpm > RUNNING_RPM)), first[order], rpm[order],
        found[2:], np.sqrt(np.diag(covariance)[2:]),
    )  # fmt: skip


def amplitude_runout(
    tooth_angle_deg: NDArray[np.float64], strength: NDArray[np.float64]
) -> tuple[float, float, float] | None:
    """(relative order-1 amplitude, angle where strongest in deg, share of the variance it explains) of tooth strengths.

    strength [n]: amplitude over speed relative to the median tooth; NaN left out. None with fewer than eight teeth.
    """
    ok = np.isfinite(strength)
    if ok.sum() < 8:
        return None
    a = np.radians(tooth_angle_deg[ok])
    y = strength[ok]
    keep = np.abs(y - np.median(y)) < 0.6  # one dead tooth is no runout
    a, y = a[keep], y[keep]
    if y.size < 8:
        return None
    design = np.column_stack([np.ones(a.size), np.cos(a), np.sin(a)])
    solved = np.linalg.lstsq(design, y, rcond=None)[0]
    fitted = design @ solved
    variance = float(np.var(y))
    explained = 1.0 - float(np.var(y - fitted)) / variance if variance > 0 else 0.0
    size = float(np.hypot(solved[1], solved[2]) / max(solved[0], 1e-9))
    return size, float(np.degrees(np.arctan2(solved[2], solved[1])) % 360.0), explained
