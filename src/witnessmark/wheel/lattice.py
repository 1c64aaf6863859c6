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
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

MAX_SKIP_TEETH = 6  # longest stride in teeth (five missed in a row); longer losses restart and are linked afterwards
MAX_SKIP_EDGES = 7  # longest run of extra edges inside one stride is one less
_STALL_ENERGY = 0.65  # half a pitch on, less than this share of the energy left: the crank may stall (0.3 a pitch on)
_LOG_STALL = -4.5  # log density of a stall's length: spread over two nats, and one in twenty such strides
_LOG_STALL_MISS = -1.5  # of a tooth that passes so slowly that a pick-up may give no pulse
_LEAST_ENERGY = 0.15  # share of the energy at the last mark that is left at the next one, towards a stall
_NU = 4.0  # Student-t degrees of freedom: a displaced tooth may cost, but must not break the path
_DUTY_GAIN = 1.427  # _LOG_T_NORM - log 0.09: the t density of a width share with spread 0.09, against a uniform one
_LOG_T_NORM = -0.9808  # log Gamma(2.5)/(Gamma(2) sqrt(4 pi)), the t density's constant for nu = 4


@dataclass(frozen=True, slots=True)
class Tempo:
    """How freely the speed may change, and how sharp edges are; in pitches, so that no layout gains by its scale alone.

    walk: variance growth of the log-speed slope per pitch, (1/pitch)^2. jitter: standard deviation of one edge's place
    in pitches. torque: what walks is a torque over angle, so kinetic energy is what changes smoothly; walk holds at the
    slowest tenth of the marks and falls with the fourth power of the speed (the log-speed slope is torque over twice the
    energy), down to a hundredth; it grows alike towards a stall.
    relax: pitches over which a slope falls back to nothing by a factor of e (torque turns between two compressions).
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
    """

    edge: NDArray[np.int64]
    tooth: NDArray[np.int32]
    stride: NDArray[np.int32]
    restart: NDArray[np.bool_]
    log_rate: NDArray[np.float64]
    score: float


@njit(cache=True, nogil=True)
def _viterbi(
    t: NDArray[np.float64],
    extra_cost: NDArray[np.float64],
    match_cost: NDArray[np.float64],
    duty: NDArray[np.float64],
    stall: NDArray[np.bool_],
    teeth: NDArray[np.float64],
    tooth_duty: NDArray[np.float64],
    dead: NDArray[np.float64],
    pitch: float,
    base_walk: float,
    relax: float,
    torque: bool,
    log_ref: float,
    jitter: float,
    time_sd: float,
    log_restart: float,
    still_s: float,
    beam: float,
) -> tuple[
    NDArray[np.int64],
    NDArray[np.int32],
    NDArray[np.int64],
    NDArray[np.int32],
    NDArray[np.bool_],
    NDArray[np.float64],
    NDArray[np.float64],
]:
    """Nodes (edge, tooth, back pointer, teeth stepped, restarted, log rate, score) of all survivors; see module docstring.

    t [K] s; extra_cost, match_cost [K] log probabilities added when the edge is extra or matched; duty [K] share of the
    period the line is active (NaN: not used); teeth [n] deg; tooth_duty [n]; dead [n] log probability of missing tooth i.
    """  # noqa: E501
    n_edges = t.size
    n = teeth.size
    max_d = MAX_SKIP_TEETH
    if max_d > n:
        max_d = max(1, n)
    if n == 1:
        max_d = MAX_SKIP_TEETH
    # angle of every stride and the cost of the teeth missed on the way
    stride = np.empty((n, max_d + 1))
    log_stride = np.empty((n, max_d + 1))
    # the slope of the log speed falls back to nothing: how far it counts over a stride, and what is left of it after
    reach_deg = np.empty((n, max_d + 1))
    kept = np.empty((n, max_d + 1))
    miss = np.zeros((n, max_d + 1))
    for i in range(n):
        for d in range(1, max_d + 1):
            j = i + d
            a = teeth[j % n] + 360.0 * (j // n) - teeth[i] if n > 1 else 360.0 * d
            stride[i, d] = a
            log_stride[i, d] = np.log(a)
            kept[i, d] = np.exp(-a / relax)
            reach_deg[i, d] = relax * (1.0 - kept[i, d])
            if d > 1:
                miss[i, d] = miss[i, d - 1] + dead[(i + d - 1) % n]
    cap = 1 << 14
    node_edge = np.empty(cap, np.int64)
    node_tooth = np.empty(cap, np.int32)
    node_back = np.empty(cap, np.int64)
    node_step = np.empty(cap, np.int32)
    node_new = np.empty(cap, np.bool_)
    node_m = np.empty(cap)
    node_g = np.empty(cap)
    node_p = np.empty((cap, 3))
    node_score = np.empty(cap)
    count = 0
    first = np.zeros(n_edges + 1, np.int64)
    extra_sum = np.zeros(n_edges + 1)
    for k in range(n_edges):
        extra_sum[k + 1] = extra_sum[k] + extra_cost[k]
    best_at = np.full(n_edges, -1e300)  # best score of nodes at edge k
    best_node = np.full(n_edges, -1, np.int64)
    s_new = np.empty(n)
    b_new = np.empty(n, np.int64)
    d_new = np.empty(n, np.int32)
    m_new = np.empty(n)
    g_new = np.empty(n)
    p_new = np.empty((n, 3))
    r_new = np.empty(n, np.bool_)
    log_n = np.log(n)
    for k in range(n_edges):
        slope_walk = base_walk
        for i in range(n):
            s_new[i] = -1e300
            b_new[i] = -1
            r_new[i] = False
        easy = False
        frontier = -1e300
        for j in range(1, MAX_SKIP_EDGES + 1):
            kk = k - j
            if kk < 0:
                break
            dt = t[k] - t[kk]
            if dt <= 0:
                continue
            if dt > still_s:
                break
            if best_at[kk] < -1e299:
                continue
            between = extra_sum[k] - extra_sum[kk + 1]
            if j > 1 and best_at[kk] + between < frontier - beam:
                continue
            log_dt = np.log(dt)
            if j == 1 and best_node[kk] >= 0:
                # the best survivor expects just this interval: no survivor need look far here
                q = best_node[kk]
                a = stride[node_tooth[q], 1]
                h = 0.5 * a
                v = node_p[q, 0] + 2 * h * node_p[q, 1] + h * h * node_p[q, 2]
                v += 2.0 * jitter * jitter / (a * a) + 2.0 * time_sd * time_sd / (dt * dt)
                v += slope_walk * a * a * a / 24.0
                r = log_stride[node_tooth[q], 1] - log_dt - (node_m[q] + node_g[q] * h)
                easy = r * r < 4.0 * v and v < 0.04
            reach = min(2, max_d) if easy else max_d
            for q in range(first[kk], first[kk + 1]):
                i0 = node_tooth[q]
                base = node_score[q] + between
                if base < frontier - beam:
                    continue
                m0 = node_m[q]
                g0 = node_g[q]
                p00 = node_p[q, 0]
                p01 = node_p[q, 1]
                p11 = node_p[q, 2]
                if j > 1:
                    base += -(j - 1) * (np.log(pitch) - m0)
                stalling = False
                if torque:
                    # the speed half a pitch on decides how much the torque can do
                    u = max(1.0 + g0 * pitch, _LEAST_ENERGY)
                    stalling = u < _STALL_ENERGY
                    slope_walk = base_walk * min(max(np.exp(-4.0 * (m0 + 0.5 * np.log(u) - log_ref)), 1e-2), 1e4)
                for d in range(1, reach + 1):
                    a = stride[i0, d]
                    i = (i0 + d) % n
                    ae = reach_deg[i0, d]
                    h = 0.5 * ae
                    ahead_m = g0 * h
                    if torque:
                        # energy linear in angle: the mean speed over the stride is the mean of its ends' speeds
                        root = np.sqrt(max(1.0 + 2.0 * g0 * ae, _LEAST_ENERGY))
                        ahead_m = np.log(0.5 * (1.0 + root))
                        h = ae / (root * (1.0 + root))
                    # process noise over the stride seen at its middle (integrated white noise on the slope)
                    z = log_stride[i0, d] - log_dt
                    var0 = p00 + 2 * h * p01 + h * h * p11
                    meas = 2.0 * jitter * jitter / (a * a) + 2.0 * time_sd * time_sd / (dt * dt)
                    meas += slope_walk * a * a * a / 24.0
                    v = var0 + meas
                    r = z - (m0 + ahead_m)
                    like = _LOG_T_NORM - 0.5 * np.log(v) - 2.5 * np.log(1.0 + r * r / (_NU * v)) - log_dt
                    slowed = stalling and d <= 3 and 1.7 * a < dt * np.exp(m0)
                    like += max(miss[i0, d], (d - 1) * _LOG_STALL_MISS) if slowed else miss[i0, d]
                    stalled = _LOG_STALL + (d - 1) * _LOG_STALL_MISS - log_dt
                    stalls = j == 1 and d <= 3 and stall[k] and stalled > like
                    if stalls:
                        like = stalled
                    sc = base + like + match_cost[k]
                    if duty[k] == duty[k] and tooth_duty[i] == tooth_duty[i]:
                        e = (duty[k] - tooth_duty[i]) / 0.09
                        sc += _DUTY_GAIN - 2.5 * np.log(1.0 + e * e / _NU)
                    if sc > s_new[i]:
                        s_new[i] = sc
                        b_new[i] = q
                        d_new[i] = d
                        r_new[i] = False
                        # robust gain: a large residual (a displaced tooth) moves the tempo less
                        w = 1.0 / (1.0 + r * r / (9.0 * v))
                        k0 = (p00 + h * p01) / v
                        k1 = (p01 + h * p11) / v
                        mm = m0 + w * k0 * r
                        gg = g0 + w * k1 * r
                        c00 = p00 - w * k0 * (p00 + h * p01)
                        c01 = p01 - w * k0 * (p01 + h * p11)
                        c11 = p11 - w * k1 * (p01 + h * p11)
                        f = 1.0
                        m_new[i] = mm + gg * ae
                        if torque:
                            f = 1.0 / max(1.0 + 2.0 * gg * ae, 0.3)
                            m_new[i] = mm - 0.5 * np.log(f)
                        b = ae * f
                        f2 = f * f * kept[i0, d]
                        g_new[i] = gg * f * kept[i0, d]
                        p_new[i, 0] = c00 + 2 * b * c01 + b * b * c11 + slope_walk * a * a * a / 3.0
                        p_new[i, 1] = f2 * (c01 + b * c11) + slope_walk * a * a / 2.0
                        p_new[i, 2] = min(f2 * f2 * c11 + slope_walk * a, 1.0 / (pitch * pitch))
                        if stalls or slowed:
                            # the crank all but stood: how it leaves says nothing of how it came
                            m_new[i] = log_stride[i, 1] - np.log(max(t[min(k + 1, n_edges - 1)] - t[k], 1e-6))
                            g_new[i] = 0.0
                            p_new[i, 0] = 0.35
                            p_new[i, 1] = 0.0
                            p_new[i, 2] = (1.0 if torque else 0.09) / (pitch * pitch)
                        if sc > frontier:
                            frontier = sc
            if easy:
                break
        # start here afresh: after a standstill, a long loss, or a burst of noise
        prev = -1e300
        prev_node = -1
        lost = 0.0
        if not easy:
            for j in range(1, 24):
                kk = k - j
                if kk < 0:
                    break
                if best_at[kk] > -1e299:
                    cost = (
                        best_at[kk] + extra_sum[k] - extra_sum[kk + 1] - (j - 1) * np.log(max(1e-6, t[k] - t[kk]) / j)
                    )
                    cost += log_restart if t[k] - t[kk] <= still_s else log_restart * 0.4
                    if cost > prev:
                        prev = cost
                        prev_node = best_node[kk]
            if prev_node < 0:
                prev = extra_sum[k]
            dt_next = t[k + 1] - t[k] if k + 1 < n_edges else (t[k] - t[k - 1] if k > 0 else 1.0)
            if dt_next <= 0:
                dt_next = 1e-6
            lost = prev - log_n - np.log(dt_next)
            if lost > frontier:
                frontier = lost
            for i in range(n):
                if lost > s_new[i] and lost > frontier - beam:
                    s_new[i] = lost
                    b_new[i] = prev_node
                    d_new[i] = 0
                    r_new[i] = True
                    # the next interval is an ordinary pitch more often than not; the spread covers the rest
                    ahead = 1
                    while ahead < max_d and dead[(i + ahead) % n] > -0.7:  # a tooth that is mostly missing is not next
                        ahead += 1
                    m_new[i] = log_stride[i, ahead] - np.log(dt_next)
                    g_new[i] = 0.0
                    p_new[i, 0] = 0.35
                    p_new[i, 1] = 0.0
                    p_new[i, 2] = 0.09 / (pitch * pitch)
        if count + n >= cap:
            cap2 = cap * 2
            node_edge = _grow_i(node_edge, cap2)
            node_tooth = _grow_i32(node_tooth, cap2)
            node_back = _grow_i(node_back, cap2)
            node_step = _grow_i32(node_step, cap2)
            node_new = _grow_b(node_new, cap2)
            node_m = _grow_f(node_m, cap2)
            node_g = _grow_f(node_g, cap2)
            p2 = np.empty((cap2, 3))
            p2[:cap] = node_p
            node_p = p2
            node_score = _grow_f(node_score, cap2)
            cap = cap2
        for i in range(n):
            if s_new[i] > frontier - beam and s_new[i] > -1e299:
                node_edge[count] = k
                node_tooth[count] = i
                node_back[count] = b_new[i]
                node_step[count] = d_new[i]
                node_new[count] = r_new[i]
                node_m[count] = m_new[i]
                node_g[count] = g_new[i]
                node_p[count, 0] = p_new[i, 0]
                node_p[count, 1] = p_new[i, 1]
                node_p[count, 2] = p_new[i, 2]
                node_score[count] = s_new[i]
                if s_new[i] > best_at[k]:
                    best_at[k] = s_new[i]
                    best_node[k] = count
                count += 1
        first[k + 1] = count
    return (
        node_edge[:count],
        node_tooth[:count],
        node_back[:count],
        node_step[:count],
        node_new[:count],
        node_m[:count],
        node_score[:count],
    )


@njit(cache=True)
def _grow_i(a: NDArray[np.int64], n: int) -> NDArray[np.int64]:
    b = np.empty(n, np.int64)
    b[: a.size] = a
    return b


@njit(cache=True)
def _grow_i32(a: NDArray[np.int32], n: int) -> NDArray[np.int32]:
    b = np.empty(n, np.int32)
    b[: a.size] = a
    return b


@njit(cache=True)
def _grow_b(a: NDArray[np.bool_], n: int) -> NDArray[np.bool_]:
    b = np.empty(n, np.bool_)
    b[: a.size] = a
    return b


@njit(cache=True)
def _grow_f(a: NDArray[np.float64], n: int) -> NDArray[np.float64]:
    b = np.empty(n)
    b[: a.size] = a
    return b


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


def _reference(time_s: NDArray[np.float64], pitch: float) -> float:
    """Log speed in log(deg/s) at which a torque's walk holds: that of the slowest tenth of the marks, a little above."""
    local = np.maximum(np.diff(time_s), 1e-9)
    if local.size >= 9:
        local = np.median(np.lib.stride_tricks.sliding_window_view(np.pad(local, 4, mode="edge"), 9), axis=1)
    return float(np.log(pitch / (0.75 * np.percentile(local, 90))))


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
    time_sd_s: float = 0.0,
    still_s: float = 0.7,
    beam: float = 25.0,
    pitch_deg: float | None = None,
) -> Path:
    """Best alignment of edge times [K] (s, rising) to teeth [n] (deg, rising from 0 within one turn).

    extra_cost, match_cost [K]: additions to the log probability of the edge being extra / a tooth. duty [K] with
    tooth_duty [n]: width coding. log_missed [n]: log probability of a miss by tooth. still_s: an interval longer than
    this is a standstill. pitch_deg: the unit of the tempo (default: median tooth distance). Returns an empty path when there are fewer than two edges.
    """  # noqa: E501
    k = time_s.size
    n = teeth_deg.size
    if k < 2:
        none = np.empty(0)
        whole = none.astype(np.int32)
        return Path(none.astype(np.int64), whole, whole, none.astype(bool), none, 0.0)
    pitch = pitch_deg or (float(np.median(np.diff(np.append(teeth_deg, teeth_deg[0] + 360.0)))) if n > 1 else 360.0)
    extra = np.full(k, tempo.log_extra) + (0.0 if extra_cost is None else extra_cost)
    nodes = _viterbi(
        np.ascontiguousarray(time_s, dtype=np.float64),
        extra,
        np.zeros(k) if match_cost is None else match_cost.astype(np.float64),
        np.full(k, np.nan) if duty is None else duty.astype(np.float64),
        stalls_of(time_s),
        np.ascontiguousarray(teeth_deg, dtype=np.float64),
        np.full(n, np.nan) if tooth_duty is None else tooth_duty.astype(np.float64),
        np.full(n, tempo.log_missed) if log_missed is None else log_missed.astype(np.float64),
        pitch,
        tempo.walk / pitch**3,
        tempo.relax * pitch,
        tempo.torque,
        _reference(time_s, pitch),
        tempo.jitter * pitch,
        time_sd_s,
        tempo.log_restart,
        still_s,
        beam,
    )
    return _trace(nodes, extra, time_s)


def _trace(nodes: tuple[NDArray[Any], ...], extra: NDArray[np.float64], time_s: NDArray[np.float64]) -> Path:
    """The path that ends best, edges left over at the end counted as extra."""
    node_edge, node_tooth, node_back, node_step, node_new, node_m, node_score = nodes
    k = time_s.size
    tail = np.append(np.cumsum(extra[::-1])[::-1], 0.0)
    dt = float(np.median(np.diff(time_s[max(0, k - 50) :])))
    left = k - 1 - node_edge
    end = node_score + tail[np.asarray(node_edge, dtype=np.int64) + 1] - left * np.log(max(dt, 1e-9))
    end[left > 40] = -np.inf
    at = int(np.argmax(end))
    score = float(end[at])
    rows: list[int] = []
    while at >= 0:
        rows.append(at)
        at = int(node_back[at])
    pick = np.asarray(rows[::-1], dtype=np.int64)
    # readable scale: per unit of log time between neighbouring edges, the same for every layout
    score += float(np.log(np.maximum(np.diff(time_s), 1e-9)).sum())
    return Path(
        node_edge[pick].astype(np.int64),
        node_tooth[pick].astype(np.int32),
        node_step[pick].astype(np.int32),
        node_new[pick].astype(bool),
        node_m[pick],
        score,
    )
