"""Edit one tooth of a real recording: the teeth are counted here by plain interval ratios, not by the decoder.

A change list loses, moves or keeps whole pulses. A variable-reluctance line is edited by superposition: the pulse of
one tooth is estimated from the record itself (least squares over all teeth; the gap, where neighbours do not overlap,
is what tells it from its neighbours), and taken away, scaled or set down elsewhere. A tooth taken away then leaves what
the design's own gap looks like, only shorter.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

GAP_RATIO = 1.9  # an interval this much longer than its neighbours' median is a gap: one of a missing tooth is 2
NEIGHBOURS = 4  # intervals on either side that give the local pitch
LEAST_GAPS = 0.9  # share of the expected gaps that must stand where counting puts them, or the record is not used
ARM_SHARE = 0.25  # of a half wave that the line must rise before a falling crossing counts
OVERSHOOT = 0.75  # pitches: crossings closer than this to the next are no teeth (0.53 to 0.66 where the input overshot)
REACH_DEG = 15.0  # how far from its tooth a pulse reaches: two and a half pitches of 6 degrees
STEP_DEG = 0.5  # grid of the estimated pulse
RIDGE = 1e-3  # keeps the sum over a full pitch, which only the gap can tell, from running away


@dataclass(frozen=True)
class Teeth:
    """Every passage of a tooth by counting: m of them.

    time_s [m] marking edge, rising. place [m] 0..teeth-1, counted from the first tooth after a gap (or from the first
    passage). pitch_s [m] local time of one pitch.
    """

    time_s: Floats
    place: Ints
    pitch_s: Floats


def local_pitch(interval: Floats, unit: Floats | None = None) -> Floats:
    """Time of one pitch at each interval: median of the neighbours' intervals, each divided by its own pitches."""
    per = interval if unit is None else interval / unit
    span = range(per.size)
    return np.array([np.median(per[max(0, i - NEIGHBOURS) : i + NEIGHBOURS + 1]) for i in span])


def count_teeth(time_s: Floats, run: int, gap: int) -> Teeth:
    """Number passages by the gaps: ``run`` teeth, then an interval of ``gap`` pitches (1: none, count from the first).

    Raises ValueError unless at least LEAST_GAPS of the gaps stand exactly ``run`` teeth apart.
    """
    interval = np.diff(time_s)
    start = 0
    units = np.ones(interval.size)
    if gap > 1:
        long = np.flatnonzero(interval / local_pitch(interval) > GAP_RATIO)
        votes = np.bincount(long % run, minlength=run)
        residue = int(votes.argmax())
        due = len(range(residue, interval.size, run))
        if votes[residue] < LEAST_GAPS * due:
            raise ValueError(f"{votes[residue]} of {due} gaps are where counting {run} teeth puts them")
        start = (residue + 1) % run
        units[residue::run] = gap
    place = (np.arange(time_s.size) - start) % run
    pitch = local_pitch(interval, units)
    return Teeth(time_s, place.astype(np.int64), np.append(pitch, pitch[-1]))


def pulses(time_s: Floats, level: NDArray[np.uint8], active: int) -> Ints:
    """Rows [n, 2] at which a pulse of the active level begins and ends (row 0 is no change)."""
    begin = np.flatnonzero(level[:-1] == active)
    begin = begin[begin > 0]
    return np.column_stack([begin, begin + 1])


def without(time_s: Floats, level: NDArray[np.uint8], rows: Ints) -> tuple[Floats, NDArray[np.uint8]]:
    """The change list with these pulses gone: the line stays inactive."""
    keep = np.ones(time_s.size, dtype=np.bool_)
    keep[rows.ravel()] = False
    return time_s[keep], level[keep]


def moved(time_s: Floats, rows: Ints, by_s: Floats) -> Floats:
    """Times with these pulses moved as a whole; ValueError where one would run into its neighbour."""
    out = time_s.copy()
    for column in (0, 1):
        out[rows[:, column]] += by_s
    if (np.diff(out) <= 0).any():
        raise ValueError("the pulse would run into its neighbour")
    return out


def shaken(time_s: Floats, pitch: float, rng: np.random.Generator) -> Floats:
    """Every edge moved at random by ``pitch`` (standard deviation) of the local distance of edges; order kept."""
    interval = np.diff(time_s)
    room = np.minimum(np.append(interval, interval[-1]), np.insert(interval, 0, interval[0]))
    pair = local_pitch(np.append(interval, interval[-1])) * 2.0
    by = np.clip(rng.normal(0.0, pitch, time_s.size) * pair, -0.4 * room, 0.4 * room)
    by[0] = 0.0
    return np.asarray(time_s + by)


def falls(value: Floats, middle: float, arm: float) -> Floats:
    """Fractional samples at which the line falls through ``middle`` after it stood above ``middle + arm``."""
    high = value > middle + arm
    below = value <= middle
    out = []
    armed = False
    for i in np.flatnonzero(high | np.append(False, below[1:] & ~below[:-1])):
        if high[i]:
            armed = True
        elif armed:
            out.append(i - 1 + (value[i - 1] - middle) / (value[i - 1] - value[i]))
            armed = False
    return np.array(out)


@dataclass(frozen=True)
class Reluctance:
    """A variable-reluctance line with its teeth counted. wild [n]: samples about overshoots, no part of the wave."""

    value: Floats
    rate_hz: float
    teeth: Teeth
    middle: float
    half: float
    wild: NDArray[np.bool_]


def reluctance(value: Floats, rate_hz: float, run: int, gap: int) -> Reluctance:
    """Teeth of a variable-reluctance line whose falling crossings mark them, its middle and its half wave.

    A crossing less than OVERSHOOT pitches before the next is an overshoot at the end of the range, not a tooth.
    """
    middle = float((np.quantile(value, 0.98) + np.quantile(value, 0.02)) / 2.0)
    half = float((np.quantile(value, 0.9) - np.quantile(value, 0.1)) / 2.0)
    at = falls(value, middle, ARM_SHARE * half) / rate_hz
    interval = np.diff(at)
    over = np.append(interval < OVERSHOOT * local_pitch(interval), False)
    wild = np.zeros(value.size, dtype=np.bool_)
    for i in np.flatnonzero(over):
        wild[round((at[i] - 0.5 * interval[i]) * rate_hz) : round((at[i] + 0.9 * interval[i]) * rate_hz)] = True
    return Reluctance(value, rate_hz, count_teeth(at[~over], run, gap), middle, half, wild)


@dataclass(frozen=True)
class Superposition:
    """A reluctance line as the sum of its teeth's pulses.

    theta_deg [n] crank angle of every sample (NaN outside the counted teeth). tooth_deg [m], size [m] angle and local
    size of every passage. pulse [p] one tooth's pulse on the grid -REACH_DEG..REACH_DEG.
    """

    theta_deg: Floats
    tooth_deg: Floats
    size: Floats
    pulse: Floats
    grid: Floats

    def of(self, passage: int, shift_deg: float = 0.0) -> Floats:
        """Pulse of one passage at every sample, set down ``shift_deg`` later."""
        away = self.theta_deg - self.tooth_deg[passage] - shift_deg
        return np.asarray(
            np.interp(np.nan_to_num(away, nan=1e9), self.grid, self.pulse, left=0.0, right=0.0) * self.size[passage]
        )


def superpose(line: Reluctance, pitch_deg: float, gap: int, like: Superposition | None = None) -> Superposition:
    """The line by its teeth's pulses.

    The pulse is estimated from the line, or taken from another record of the same kind of sensor where this one clips
    in its gaps: what a pulse looks like alone is seen only there.
    """
    teeth = line.teeth
    steps = np.where(teeth.place[1:] == 0, gap, 1) * pitch_deg
    angle = np.concatenate(([0.0], np.cumsum(steps)))
    at = np.arange(line.value.size) / line.rate_hz
    theta = np.interp(at, teeth.time_s, angle, left=np.nan, right=np.nan)
    size = _sizes(line)
    grid = np.arange(-REACH_DEG, REACH_DEG + STEP_DEG / 2, STEP_DEG)
    pulse = _estimate(line, theta, angle, size, grid) if like is None else like.pulse
    return Superposition(theta, angle, size, pulse, grid)


def _estimate(line: Reluctance, theta: Floats, angle: Floats, size: Floats, grid: Floats) -> Floats:
    """Least squares over all samples within the range of the recorder; a pulse ends in nothing."""
    low, high = line.value.min(), line.value.max()
    edge = 0.02 * (high - low)
    use = np.flatnonzero(np.isfinite(theta) & ~line.wild & (line.value > low + edge) & (line.value < high - edge))
    design = np.zeros((use.size, grid.size))
    for tooth, scale in zip(angle, size, strict=True):
        a, b = np.searchsorted(theta[use], [tooth - REACH_DEG, tooth + REACH_DEG])
        where = (theta[use][a:b] - tooth + REACH_DEG) / STEP_DEG
        cell = np.minimum(where.astype(int), grid.size - 2)
        rows = np.arange(a, b)
        design[rows, cell] += scale * (1.0 - (where - cell))
        design[rows, cell + 1] += scale * (where - cell)
    inner = design[:, 1:-1]
    square = inner.T @ inner
    square += RIDGE * np.trace(square) / square.shape[0] * np.eye(square.shape[0])
    return np.pad(np.linalg.solve(square, inner.T @ (line.value[use] - line.middle)), 1)


def _sizes(line: Reluctance) -> Floats:
    """Half of highest less lowest within half a pitch of each crossing; the neighbours' median (gaps stand out)."""
    own = []
    for t, p in zip(line.teeth.time_s, line.teeth.pitch_s, strict=True):
        part = line.value[max(0, int((t - p / 2) * line.rate_hz)) : int((t + p / 2) * line.rate_hz) + 1]
        own.append((part.max() - part.min()) / 2.0)
    raw = np.array(own)
    return np.array([np.median(raw[max(0, i - 6) : i + 7]) for i in range(raw.size)])


def as_recorded(value: Floats, like: Floats) -> Floats:
    """Back onto the steps and into the range that the recorder has shown."""
    steps = np.unique(like)
    at = np.clip(np.searchsorted(steps, value), 1, steps.size - 1)
    lower = value - steps[at - 1] < steps[at] - value
    return np.asarray(np.where(lower, steps[at - 1], steps[at]))


def reshape(value: Floats, passages: Ints, change: Callable[[int], Floats]) -> Floats:
    """The line with ``change(passage)`` added for each passage, on the recorder's own steps."""
    out = value.copy()
    for passage in passages.tolist():
        out += change(passage)
    edited = as_recorded(out, value)
    return np.asarray(np.where(out == value, value, edited))
