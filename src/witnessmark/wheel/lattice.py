"""Semi-Markov alignment of edge times to a cyclic wheel layout (Viterbi over teeth, tempo carried per survivor).

A node says "edge k is tooth i". A move goes from (k', i') to (k, i): the k - k' - 1 edges between are extra, the teeth
between are missed. The log speed is a latent state with a slowly changing slope over angle (a two-state Kalman filter
per surviving path, in the angle domain, so that cranking ripple has one scale whatever the speed). Background: Viterbi
1967; Rabiner 1989; segment models with merge and split moves as in sequence alignment (Smith & Waterman 1981).

Likelihoods are densities over time, so that layouts can be compared on the same edges: a matched interval carries a
Student-t density of its log-interval residual, an extra edge a uniform density over one local pitch, a missed tooth
its log probability.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from witnessmark.special import running_median
from witnessmark.wheel.lattice_kernel import MAX_SKIP_TEETH, survivors
from witnessmark.wheel.lattice_trace import trace


@dataclass(frozen=True, slots=True)
class Tempo:
    """How freely the speed may change, and how sharp edges are; in pitches, so that no layout gains by its scale alone.

    walk: variance growth of the log-speed slope per pitch, (1/pitch)^2. jitter: standard deviation of one edge's place
    in pitches. torque: what walks is a torque over angle, so kinetic energy is what changes smoothly; walk holds at the
    slowest tenth of the marks and falls with the fourth power of the speed (the log-speed slope is torque over twice
    the energy), down to a hundredth; it grows alike towards a stall. relax: pitches over which a slope falls back to
    nothing by a factor of e (torque turns between two compressions).
    """

    walk: float = 1.7e-3
    jitter: float = 0.02
    torque: bool = False
    relax: float = 5.0
    log_missed: float = -4.6  # 1 % of teeth
    log_extra: float = -5.3  # 0.5 % of edges
    log_restart: float = -22.0


@dataclass(frozen=True, slots=True)
class Path:
    """The best path: matched edge numbers [p], their teeth [p], the teeth stepped since the match before [p] (1 = none
    missed), True where the tempo was restarted before the match [p], log speed in log(deg/s) after it [p].

    score: total log likelihood in nats, on a scale where log densities are per unit of log time between neighbours.
    turn: number of the turn within the circle aligned to [p], where that has several; None where it has one.
    """

    edge: NDArray[np.int64]
    tooth: NDArray[np.int32]
    stride: NDArray[np.int32]
    restart: NDArray[np.bool_]
    log_rate: NDArray[np.float64]
    score: float
    turn: NDArray[np.int32] | None = None


def stalls_of(time_s: NDArray[np.float64]) -> NDArray[np.bool_]:
    """True at the marks that end an interval in which the crank all but stood [K].

    Told from a gap by its neighbours: towards a stall the crank slows down tooth by tooth and leaves it alike, and the
    interval is far longer than the widest gap common wheels have (three pitches; 1.1 in log).
    """
    out = np.zeros(time_s.size, bool)
    y = np.log(np.maximum(np.diff(time_s), 1e-9))
    if y.size < 5:
        return out
    beside = 0.5 * (y[1:-3] + y[3:-1])
    cusp = beside - 0.5 * (y[:-4] + y[4:])
    above = y[2:-2] - np.maximum(y[1:-3], y[3:-1])
    out[3:-2] = (above > 1.2) & (cusp > 0.25)
    return out


@dataclass(frozen=True, slots=True)
class Clock:
    """What an alignment needs of the edge times alone, the same for every layout tried on them.

    stall [K]: ``stalls_of``. slow_s: interval of the slowest tenth of the marks, a little below. log_sum: sum of the
    log intervals. log_left: log of the usual interval near the end.
    """

    stall: NDArray[np.bool_]
    slow_s: float
    log_sum: float
    log_left: float


def clock_of(time_s: NDArray[np.float64]) -> Clock:
    """The clock of these edge times [K], two or more (local speed: running median over nine intervals)."""
    dt = np.maximum(np.diff(time_s), 1e-9)
    local = dt
    if dt.size >= 9:
        local = running_median(dt, 4)
    slow = 0.75 * float(np.percentile(local, 90))
    left = float(np.median(np.diff(time_s[max(0, time_s.size - 50) :])))
    return Clock(stalls_of(time_s), slow, float(np.log(dt).sum()), float(np.log(max(left, 1e-9))))


def align(
    time_s: NDArray[np.float64],
    teeth_deg: NDArray[np.float64],
    tempo: Tempo,
    *,
    extra_cost: NDArray[np.float64] | None = None,
    match_cost: NDArray[np.float64] | None = None,
    duty: NDArray[np.float64] | None = None,
    tooth_duty: NDArray[np.float64] | None = None,
    log_missed: NDArray[np.float64] | None = None,
    rough: NDArray[np.float64] | None = None,
    time_sd_s: float = 0.0,
    still_s: float = 0.7,
    beam: float = 25.0,
    pitch_deg: float | None = None,
    clock: Clock | None = None,
) -> Path:
    """Best alignment of edge times [K] (s, rising) to teeth [n] (deg, rising from 0 within one turn).

    extra_cost, match_cost [K]: additions to the log probability of the edge being extra / a tooth. duty [K] with
    tooth_duty [n]: width coding. log_missed [n]: log probability of a miss by tooth. rough [n, MAX_SKIP_TEETH + 1]:
    variance that the log interval of a stride of so many teeth from this tooth has besides. still_s: an interval
    longer than this is a standstill. pitch_deg: the unit of the tempo (default: median tooth distance). clock:
    ``clock_of(time_s)`` where it is at hand. Returns an empty path when there are fewer than two edges.
    """
    k = time_s.size
    n = teeth_deg.size
    if k < 2:
        none = np.empty(0)
        whole = none.astype(np.int32)
        return Path(none.astype(np.int64), whole, whole, none.astype(bool), none, 0.0)
    pitch = pitch_deg or (float(np.median(np.diff(np.append(teeth_deg, teeth_deg[0] + 360.0)))) if n > 1 else 360.0)
    clock = clock or clock_of(time_s)
    extra = np.full(k, tempo.log_extra) + (0.0 if extra_cost is None else extra_cost)
    nodes = survivors(
        np.ascontiguousarray(time_s, dtype=np.float64),
        extra,
        np.zeros(k) if match_cost is None else match_cost.astype(np.float64),
        np.full(k, np.nan) if duty is None else duty.astype(np.float64),
        clock.stall,
        np.ascontiguousarray(teeth_deg, dtype=np.float64),
        np.full(n, np.nan) if tooth_duty is None else tooth_duty.astype(np.float64),
        np.full(n, tempo.log_missed) if log_missed is None else log_missed.astype(np.float64),
        np.zeros((n, MAX_SKIP_TEETH + 1)) if rough is None else rough,
        pitch,
        tempo.walk / pitch**3,
        tempo.relax * pitch,
        tempo.torque,
        float(np.log(pitch / clock.slow_s)),
        tempo.jitter * pitch,
        time_sd_s,
        tempo.log_restart,
        still_s,
        beam,
    )
    edge, tooth, stride, restart, log_rate, score = trace(nodes, extra, clock.log_left)
    # readable scale: per unit of log time between neighbouring edges, the same for every layout
    return Path(edge, tooth, stride, restart, log_rate, score + clock.log_sum)
