"""The marking edges of the crank line, with what each edge's own shape says about being a tooth."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from witnessmark.signals.model import FIRST, GLITCH, Edges, Line
from witnessmark.wheel.lattice import Clock, Path, clock_of


@dataclass(frozen=True)
class Marks:
    """Edges of one polarity, K of them.

    index [K] into Edges. time_s [K]. extra_cost, match_cost [K] additions to the log probability of being extra or a
    tooth (nats). duty [K]: share of the interval since the previous mark in which the line was in the state that the
    mark ends (width coding). time_sd_s: timing uncertainty of one edge from sampling.
    """

    index: NDArray[np.int64]
    time_s: NDArray[np.float64]
    extra_cost: NDArray[np.float64]
    match_cost: NDArray[np.float64]
    duty: NDArray[np.float64]
    time_sd_s: float
    vr: bool = False  # variable reluctance: teeth beside a gap are drawn towards it
    from_rest: bool = False  # the record begins with the line still

    @cached_property
    def clock(self) -> Clock:
        """What every alignment of these marks needs of their times (two or more marks)."""
        return clock_of(self.time_s)

    @cached_property
    def paths(self) -> dict[Hashable, Path]:
        """Alignments already worked out: several questions ask for the same one."""
        return {}

    def window(self, start: int, stop: int) -> Marks:
        """Marks [start, stop)."""
        part = slice(start, stop)
        return Marks(
            self.index[part],
            self.time_s[part],
            self.extra_cost[part],
            self.match_cost[part],
            self.duty[part],
            self.time_sd_s,
            self.vr,
            self.from_rest,
        )


WHOLE = 0.7  # of the usual pulse: ripple shortens one beside another by a fifth within a compression
FEWEST_SHORT, IN_STEP = 4, 0.8  # intervals between short pulses, and the share of them that must agree
# Edges before the crank moves at most, and a pause after them longer than so many of the first intervals after it: even
# out of rest the first tooth takes no longer (root of the angle: three times the tenth), nor a gap of four pitches.
MOST_AT_POWER_UP, BEGINNING, LONG_BEFORE = 3, 8, 15.0
REST_S = 0.25  # no edge for this long at the start: slower than 20 rpm on any wheel but the coarsest


def marks_of(line: Line, rising: bool) -> Marks:
    """The line's edges of one polarity with their costs."""
    edges = line.edges
    index = np.flatnonzero(edges.rising == rising)
    index = index[_at_power_up(edges.time_s[index]) :]
    extra = np.zeros(index.size)
    match = np.zeros(index.size)
    label = edges.label[index]
    if line.sensor == "vr":
        # The only short pulses told on such a line are folds of an overloaded input, and no tooth makes one.
        extra[label == GLITCH] += 6.0
        match[label == GLITCH] -= 12.0
    elif not (_counted_off(np.flatnonzero(label == GLITCH)) and _between_whole_pulses(edges)):
        # A short pulse is more likely noise than tooth, yet direction-coded sensors send nothing else: a lean.
        extra[label == GLITCH] += 3.0
        match[label == GLITCH] -= 2.0
    match[label == FIRST] -= 1.0
    if line.sensor == "vr":
        weak = np.clip(1.0 - np.nan_to_num(edges.arm_margin[index], nan=1.0), 0.0, 1.0)
        extra += 4.0 * weak
        match -= 1.5 * weak
    rate = line.info.rate_hz
    # an interpolated crossing is good to about a third of a sample; a change list to its written digits
    sd = 0.3 / rate if rate else 1e-6
    time_s = edges.time_s[index].astype(np.float64)
    still = bool(time_s.size and time_s[0] - line.info.start_s > REST_S)
    return Marks(index, time_s, extra, match, _duty(edges, index), sd, line.sensor == "vr", still)


def _at_power_up(time_s: NDArray[np.float64]) -> int:
    """Number of leading edges that no tooth made: a sensor is switched on, and the crank begins to turn later."""
    for n in range(1, min(MOST_AT_POWER_UP, time_s.size - BEGINNING - 1) + 1):
        pause, after = time_s[n] - time_s[n - 1], float(np.median(np.diff(time_s[n : n + BEGINNING + 1])))
        if pause > REST_S and pause > LONG_BEFORE * after:
            return n
    return 0


def _counted_off(at: NDArray[np.int64]) -> bool:
    """Whether short pulses (numbers of their marks) come after always the same number of marks: the wheel makes them.

    Two teeth close together leave a narrow valley (6+1, 12+1), which noise does not do turn after turn.
    """
    apart = np.diff(at)
    if apart.size < FEWEST_SHORT:
        return False
    return bool(np.bincount(apart)[2:].max(initial=0) >= IN_STEP * apart.size)


def _between_whole_pulses(edges: Edges) -> bool:
    """Whether the pulses beside short ones are as long as usual: two whole teeth stand close together.

    Metal that does not belong there stands in a valley and leaves less of it on either side.
    """
    width = np.diff(edges.time_s)
    at = np.flatnonzero((edges.label[:-1] == GLITCH) & (edges.label[1:] == GLITCH))
    at = at[(at > BEGINNING) & (at < width.size - BEGINNING - 1)]
    if not at.size:
        return False
    about = np.arange(1 - BEGINNING, BEGINNING + 2, 2)  # every second pulse, those beside the short one among them
    usual = np.median(width[np.clip(at[:, None] + about, 0, width.size - 1)], axis=1)
    beside = np.minimum(width[at - 1], width[at + 1])
    return bool(np.median(beside / usual) > WHOLE)


def _duty(edges: Edges, index: NDArray[np.int64]) -> NDArray[np.float64]:
    """Share of each mark-to-mark interval since the last opposite edge; NaN where there is none inside."""
    out = np.full(index.size, np.nan)
    if index.size < 2:
        return out
    here = edges.time_s[index]
    before = np.maximum(index - 1, 0)
    opposite = (edges.rising[before] != edges.rising[index]) & (index > 0)
    interval = np.diff(here)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = (here[1:] - edges.time_s[before[1:]]) / interval
    out[1:] = np.where(opposite[1:] & (share > 0) & (share < 1), share, np.nan)
    return out
