"""Which of the two turns fires, from the pressure pulses in intake and exhaust pipes.

A pulse follows its cylinder's stroke by a delay that runners, valves and the pressure line's passage make: unknown, but
small against a turn. Where the cylinders fire at uneven distances, or an odd number of them, the pulses of the two
turns fall on different places: one of the two readings needs a delay no engine has. Where all distances are even the
readings differ only in which cylinder a pulse belongs to; one that is unlike the others keeps the stretches of a record
on one cycle, and tells the turn where a stored misfire code names its cylinder. Pulses all alike tell neither.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine import pulses
from witnessmark.engine.count import Count
from witnessmark.engine.pulses import AT_DEG, CELLS, LEAST_EXPLAINED, STEP_DEG, WIDTHS_DEG
from witnessmark.engine.tracks import Alignment, Track
from witnessmark.engine.unroll import UNKNOWN_TURN, Unrolled
from witnessmark.recording.model import Recording
from witnessmark.recording.setup import Setup
from witnessmark.signals.model import Line, Signals

Array = NDArray[np.float64]

CYCLE_DEG, TURN = 720.0, CELLS // 2
MIDDLE_DEG = (np.arange(CELLS) + 0.5) * STEP_DEG
# Delay of a pulse after its stroke: none with this standard deviation (common practice: runner and valve within some
# 45 degrees); a pulse never blows more than this much up, of the middle one, and never draws.
DELAY_SD_DEG, MOST_GAIN = 30.0, 2.0
DELAYS_DEG = np.arange(-180.0, 180.0, 2.0 * STEP_DEG)
# A reading explains the wave as well as the best where it leaves no more than so many times what that leaves, or this
# share of the wave.
AS_WELL, AS_WELL_SHARE = 2.0, 0.05
SURE = 0.95  # below it the turn is left open
LEAST_CYCLES = 4
ODD_NOISE = 4.0  # power that changes from turn to turn, over what noise leaves of it
ODD_SHARE = 0.01  # and of the wave's
# One pulse unlike the others: by this much of them, so many deviations, and so many times as much as the next.
UNLIKE, UNLIKE_SURE, NEXT = 0.15, 4.0, 2.0
# A misfire code names its cylinder by the control unit's own phase, at some time before (estimate, no source).
BY_CODE = 0.7
MISFIRE = re.compile(r"P03(0[1-9]|1[0-2])")
ALIKE = "the pulses in the pipe are all alike from turn to turn: they do not tell the two turns apart"


@dataclass(frozen=True, slots=True)
class PipeTurn:
    """turn: 0 or 1 turns to add to a TDC known within the turn, None where it stays open. certainty: 0 to 1."""

    turn: int | None
    certainty: float
    channel: str
    because: str


@dataclass(frozen=True, slots=True)
class Wave:
    """Cycles of one pipe's pressure by crank angle: rows [chain] of [cycles, CELLS], on the chain's own scale."""

    line: Line
    rows: dict[int, Array]


@dataclass(frozen=True)
class Pipes:
    """The pipe pressures of a record, read when they are first asked for."""

    signals: Signals
    recording: Recording
    unrolled: Unrolled
    setup: Setup

    @cached_property
    def waves(self) -> tuple[Wave, ...]:
        """Every intake and exhaust line with whole cycles of steady speed."""
        lines = [*self.signals.by_role("intake-pressure"), *self.signals.by_role("exhaust-pressure")]
        out = []
        for line in lines:
            rows = {}
            for chain in range(self.unrolled.chains):
                each, rpm = pulses.cycles_of(self.recording, line, self.unrolled, chain, 0.0)
                steady = each[pulses.steady(rpm)] if len(each) else each
                if len(steady) >= 2:
                    rows[chain] = steady
            if rows:
                out.append(Wave(line, rows))
        return tuple(out)

    def tracks(self) -> list[Track]:
        """One track a line whose wave changes from turn to turn: where it stands higher than a turn before."""
        return [t for w in self.waves if (t := _track(w, self.unrolled)) is not None]

    def turn(self, alignment: Alignment, count: Count, firing_deg: dict[int, float], tdc_deg: float) -> PipeTurn | None:
        """Which turn after ``tdc_deg`` (CrankAngle scale, within the turn) is the firing one; None without a line."""
        told = [
            tell(w.line.name, w.line.role, rows, count, firing_deg, tdc_deg, self.setup.vehicle.codes or ())
            for w in self.waves
            if len(rows := _aligned(w, alignment, self.unrolled))
        ]
        return max(told, key=lambda t: (t.turn is not None, t.certainty)) if told else None


def _aligned(wave: Wave, alignment: Alignment, unrolled: Unrolled) -> Array:
    """All cycles [n, CELLS] on the scale of aligned turns."""
    out = [np.empty((0, CELLS))]
    for chain, rows in wave.rows.items():
        turn = alignment.turn[unrolled.members(chain)[0]]
        if turn != UNKNOWN_TURN:
            out.append(np.roll(rows, TURN * turn, axis=1))
    return np.concatenate(out)


def _odd(rows: Array) -> tuple[Array, bool]:
    """(what a place has over the same place a turn on, whether that is more than noise)."""
    mean = rows.mean(axis=0)
    odd = 0.5 * (mean - np.roll(mean, TURN))
    if len(rows) < 2:
        return odd, False
    each = 0.5 * (rows - np.roll(rows, TURN, axis=1))
    noise = float((each.var(axis=0, ddof=1) / len(rows)).sum())
    power = float((odd**2).sum())
    return odd, power > ODD_NOISE * noise and power > ODD_SHARE * float((mean**2).sum())


def _track(wave: Wave, unrolled: Unrolled) -> Track | None:
    angle, segment = [], []
    for chain, rows in wave.rows.items():
        odd, real = _odd(rows)
        if real:
            high = MIDDLE_DEG[odd > 0.5 * odd.max()]
            angle += [high + CYCLE_DEG * k for k in range(len(rows))]
            segment += [np.full(len(high), unrolled.members(chain)[0], dtype=np.int64)] * len(rows)
    if not angle:
        return None
    at, where = np.concatenate(angle), np.concatenate(segment)
    ones = np.ones(len(at), dtype=np.int64)
    # times are not asked for: the events stand for places in the cycle
    return Track(wave.line, np.full(len(at), np.nan), at, where, ones, ones.astype(np.bool_))


def tell(
    channel: str, role: str, rows: Array, count: Count, firing_deg: dict[int, float], tdc_deg: float,
    codes: Sequence[str] = (),
) -> PipeTurn:  # fmt: skip
    """The turn by one line's cycles [n, CELLS], which begin at 0 on the scale of ``tdc_deg``."""
    places = firing_deg
    if len(firing_deg) != count.cylinders and count.even:  # of uneven ones it matters which is cylinder 1
        places = dict(enumerate(count.firing_deg, start=1))
    if not count.cylinders or len(places) != count.cylinders or count.cycle_deg != CYCLE_DEG:
        return PipeTurn(None, 0.0, channel, "the number of cylinders or the angles they fire at are not known")
    if len(rows) < LEAST_CYCLES:
        return PipeTurn(None, 0.0, channel, f"{len(rows)} cycles of steady speed in the pipe's pressure only")
    if not _odd(rows)[1]:
        return PipeTurn(None, 0.0, channel, ALIKE)
    if _even_in_turns(list(places.values())):
        return _by_cylinder(channel, role, rows, places, tdc_deg, codes, firing_deg == places)
    return _by_places(channel, role, rows.mean(axis=0), list(places.values()), tdc_deg)


def _even_in_turns(firing_deg: Sequence[float]) -> bool:
    """Whether the firing places are the same in both turns."""
    at = np.sort(np.mod(np.asarray(firing_deg), CYCLE_DEG))
    return bool(np.allclose(np.sort(np.mod(at + 360.0, CYCLE_DEG)), at, atol=2.0))


def _by_places(channel: str, role: str, mean: Array, firing_deg: Sequence[float], tdc_deg: float) -> PipeTurn:
    """The turn whose delay an engine may have."""
    total = float((mean**2).sum())
    first = tdc_deg + AT_DEG[role]
    left = np.array([
        [min(_left(mean, first + 360.0 * h + d, w, firing_deg) for w in WIDTHS_DEG) for d in DELAYS_DEG] for h in (0, 1)
    ])  # fmt: skip
    best = float(left.min())
    if 1.0 - best / max(total, 1e-30) < LEAST_EXPLAINED:
        return PipeTurn(None, 0.0, channel, "no pulse in step with each cylinder's stroke stands out of the line")
    as_well = left <= max(AS_WELL * best, best + AS_WELL_SHARE * total)
    weight = np.where(as_well, np.exp(-0.5 * (DELAYS_DEG / DELAY_SD_DEG) ** 2), 0.0)
    share = weight.max(axis=1) / max(float(weight.max(axis=1).sum()), 1e-30)
    turn = int(np.argmax(share))
    delay = [float(DELAYS_DEG[int(np.argmax(w))]) if w.any() else None for w in weight]
    words = [f"{d:+.0f} degrees" if d is not None else "none that fits" for d in delay]
    if share[turn] < SURE:
        why = f"the pulses fit both turns, with delays of {words[0]} and {words[1]}"
        return PipeTurn(None, float(share[turn]), channel, why)
    why = (
        f"the pulses of {channel} follow their strokes by {words[turn]} in this turn; in the other by {words[1 - turn]}"
    )
    return PipeTurn(turn, float(share[turn]), channel, why)


def _left(mean: Array, first_deg: float, width: float, firing_deg: Sequence[float]) -> float:
    """What pulses of one sign and no more than MOST_GAIN times the middle one leave of a wave."""
    a = _bells(first_deg, width, firing_deg)
    gain = np.linalg.lstsq(a, mean, rcond=1e-6)[0]
    middle = float(np.median(gain))
    if middle == 0.0:
        return float((mean**2).sum())
    model = a @ (np.clip(gain / middle, 0.0, MOST_GAIN) * middle)
    scale = float(model @ mean) / max(float(model @ model), 1e-30)
    return float(((mean - max(scale, 0.0) * model) ** 2).sum())


def _bells(first_deg: float, width: float, firing_deg: Sequence[float]) -> Array:
    """Columns [CELLS, n]: a bell of one width at every place, less its mean."""
    off = np.mod(MIDDLE_DEG[:, None] - first_deg - np.asarray(firing_deg)[None, :] + 360.0, CYCLE_DEG) - 360.0
    bell = np.exp(-0.5 * (off / width) ** 2)
    return np.asarray(bell - bell.mean(axis=0))


def _by_cylinder(
    channel: str, role: str, rows: Array, places: dict[int, float], tdc_deg: float, codes: Sequence[str], named: bool
) -> PipeTurn:
    """The turn in which the one unlike pulse is that of the cylinder a misfire code names."""
    numbers = sorted(places, key=lambda c: places[c])
    at = [places[c] for c in numbers]
    n = len(numbers)
    mean = rows.mean(axis=0)
    reach = [d for d in DELAYS_DEG if abs(d) <= 0.45 * CYCLE_DEG / n]
    first = tdc_deg + AT_DEG[role]
    delay, width = min(
        ((float(d), w) for d in reach for w in WIDTHS_DEG), key=lambda t: _left(mean, first + t[0], t[1], at)
    )
    each = rows @ np.linalg.pinv(_bells(first + delay, width, at), rcond=1e-3).T
    gain, sd = each.mean(axis=0), each.std(axis=0, ddof=1) / np.sqrt(len(rows))
    middle = float(np.median(gain)) or 1e-30
    off, sd = np.abs(gain / middle - 1.0), sd / abs(middle)
    order = np.argsort(-off)
    worst, after = int(order[0]), int(order[1])
    if off[worst] < max(UNLIKE, UNLIKE_SURE * sd[worst]) or off[worst] < NEXT * off[after]:
        return PipeTurn(None, 0.0, channel, "no single pulse in the pipe is clearly unlike the others")
    pair = (numbers[worst], next(c for c in numbers if abs((places[c] - at[worst]) % CYCLE_DEG - 360.0) < 2.0))
    said = {int(m.group(1)) for c in codes if (m := MISFIRE.fullmatch(c))}
    hits = [h for h in (0, 1) if pair[h] in said]
    if not named or len(said) != 1 or len(hits) != 1:
        who = f" (cylinder {pair[0]} in the one, {pair[1]} in the other)" if named else ""
        why = f"one pulse in the pipe is unlike the others, but whose it is depends on the turn{who}"
        return PipeTurn(None, 0.5, channel, f"{why}; a misfire code of one cylinder, or a cam line, would tell")
    code = f"P03{pair[hits[0]]:02d}"
    return PipeTurn(hits[0], BY_CODE, channel, f"the unlike pulse of {channel} is cylinder {pair[hits[0]]}'s by {code}")
