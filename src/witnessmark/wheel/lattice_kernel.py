"""The compiled inner loop of the alignment: Viterbi over (edge, tooth) with the tempo carried per survivor.

The moves and their likelihoods are told in ``lattice``. Most moves lose clearly: a bound without logarithms throws them
out before the exact score is worked out, so what survives is what a full evaluation would leave, bit for bit.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from witnessmark.wheel.lattice_nodes import grown, thinned

MAX_SKIP_TEETH = 6  # longest stride in teeth (five missed in a row); longer losses restart and are linked afterwards
MAX_SKIP_EDGES = 7  # longest run of extra edges inside one stride is one less
MAX_LOOK_BACK = 23  # edges a restart may leave unmatched before it
_STALL_ENERGY = 0.65  # half a pitch on, less than this share of the energy left: the crank may stall (0.3 a pitch on)
_LOG_STALL = -4.5  # log density of a stall's length: spread over two nats, and one in twenty such strides
_LOG_STALL_MISS = -1.5  # of a tooth that passes so slowly that a pick-up may give no pulse
_STALL_TEETH = 3  # longest stride in teeth that a stall may take
_LEAST_ENERGY = 0.15  # share of the energy at the last mark that is left at the next one, towards a stall
_LEAST_WALK, _MOST_WALK = 1e-2, 1e4  # of a torque's walk in the log speed, as shares of that at the slowest tenth
_NU = 4.0  # Student-t degrees of freedom: a displaced tooth may cost, but must not break the path
_DUTY_GAIN = 1.427  # _LOG_T_NORM - log 0.09: the t density of a width share with spread 0.09, against a uniform one
_LOG_T_NORM = -0.9808  # log Gamma(2.5)/(Gamma(2) sqrt(4 pi)), the t density's constant for nu = 4
_NEVER = -1e300
_REACHED = -1e299
_LOG_GAP = 0.0597  # most by which a chord of log between powers of two lies below it
_SURE = 1e-6  # far above the rounding of a bound, far below anything that decides


@njit(nogil=True, inline="always")
def _log_below(x: Any) -> Any:
    """A lower bound of log x (x > 0), at most _LOG_GAP below: chords between powers of two, read off the exponent."""
    return 0.6931471805599453 * (np.float64(x).view(np.int64) * 2.220446049250313e-16 - 1023.0)


@njit(nogil=True, inline="always")
def _strides(teeth: Any, max_d: int, dead: Any, rough: Any, jitter: float, relax: float) -> Any:
    """Every stride of d teeth from tooth i [n, max_d + 1]: angle, its log, cost of the teeth missed on the way, the
    variance of its log that scatter and ``rough`` make; and as the slope of the log speed falls back to nothing over
    ``relax`` degrees, how far it counts, and what is left of it after.
    """
    n = teeth.size
    angle = np.empty((n, max_d + 1))
    log_angle = np.empty((n, max_d + 1))
    miss = np.zeros((n, max_d + 1))
    scatter = np.empty((n, max_d + 1))
    counts = np.empty((n, max_d + 1))
    kept = np.empty((n, max_d + 1))
    for i in range(n):
        for d in range(1, max_d + 1):
            j = i + d
            a = teeth[j % n] + 360.0 * (j // n) - teeth[i] if n > 1 else 360.0 * d
            angle[i, d] = a
            log_angle[i, d] = np.log(a)
            scatter[i, d] = 2.0 * jitter * jitter / (a * a) + rough[i, d]
            kept[i, d] = np.exp(-a / relax)
            counts[i, d] = relax * (1.0 - kept[i, d])
            if d > 1:
                miss[i, d] = miss[i, d - 1] + dead[(i + d - 1) % n]
    return angle, log_angle, miss, scatter, counts, kept


@njit(nogil=True, inline="always")
def _ahead(g: Any, counts: Any, torque: Any) -> Any:
    """Mean log speed over a stride against that at its start, and the share of the slope in it (degrees)."""
    if not torque:
        return g * (0.5 * counts), 0.5 * counts
    # energy linear in angle: the mean speed over the stride is the mean of its ends' speeds
    root = np.sqrt(max(1.0 + 2.0 * g * counts, _LEAST_ENERGY))
    return np.log(0.5 * (1.0 + root)), counts / (root * (1.0 + root))


@njit(nogil=True, inline="always")
def _first_there(dead: Any, max_d: int) -> Any:
    """Teeth ahead to the next one that is mostly there [n]: a tooth that is mostly missing is not next."""
    n = dead.size
    out = np.ones(n, np.int64)
    for i in range(n):
        while out[i] < max_d and dead[(i + out[i]) % n] > -0.7:
            out[i] += 1
    return out


@njit(nogil=True, inline="always")
def _fit(v: Any, r: Any, log_dt: Any) -> Any:
    """Log density over time of a log interval with residual r under variance v."""
    return _LOG_T_NORM - 0.5 * np.log(v) - 2.5 * np.log(1.0 + r * r / (_NU * v)) - log_dt


@njit(nogil=True, inline="always")
def _width_fit(seen: Any, drawn: Any) -> Any:
    """What a width share says about a tooth; 0 where either is not known."""
    e = (seen - drawn) / 0.09
    return _DUTY_GAIN - 2.5 * np.log(1.0 + e * e / _NU) if e == e else 0.0


@njit(nogil=True, inline="always")
def _step_by_one(
    expected: Any, start: int, stop: int, node_tooth: Any, node: Any, sure: float, between: float,
    log_stride: Any, stride: Any, scatter: Any, log_dt: float, sampling: float, match_cost: float, duty: float,
    tooth_duty: Any,
) -> None:  # fmt: skip
    """Scores of the moves to the next tooth with no edge between, into ``expected`` [n]: they mostly win, and what is
    sure to be reached spares the longer strides to the same tooth. Survivors below ``sure`` might be left out.
    """
    n = tooth_duty.size
    for q in range(start, stop):
        base = node[q, 0] + between
        if base < sure or node[q, 10] == 0.0:
            continue
        i0 = node_tooth[q]
        i = i0 + 1 if i0 + 1 < n else 0
        a = stride[i0, 1]
        h = node[q, 9]
        meas = scatter[i0, 1] + sampling
        meas += node[q, 6] * a * a * a / 24.0
        v = node[q, 3] + 2 * h * node[q, 4] + h * h * node[q, 5] + meas
        r = log_stride[i0, 1] - log_dt - (node[q, 1] + node[q, 8])
        expected[i] = base + _fit(v, r, log_dt) + match_cost
        expected[i] += _width_fit(duty, tooth_duty[i])


@njit(cache=True, nogil=True, error_model="numpy")
def survivors(
    t: NDArray[np.float64],
    extra_cost: NDArray[np.float64],
    match_cost: NDArray[np.float64],
    duty: NDArray[np.float64],
    stall: NDArray[np.bool_],
    teeth: NDArray[np.float64],
    tooth_duty: NDArray[np.float64],
    dead: NDArray[np.float64],
    rough: NDArray[np.float64],
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
) -> Any:
    """Nodes of all survivors: edge, tooth, node before, teeth stepped, restarted, state (score, log rate ...); and the
    first node of every edge [K + 1].

    t [K] s; extra_cost, match_cost [K] log probabilities added when the edge is extra or matched; duty [K] share of the
    period the line is active (NaN: not used); teeth [n] deg; tooth_duty [n]; dead [n] log probability of missing tooth
    i; rough [n, MAX_SKIP_TEETH + 1] further variance of the log interval by stride; stall [K]: the interval before it
    may be a stall; pitch, jitter, relax deg; base_walk: growth of the slope's variance, per cubic degree; torque,
    log_ref: see ``lattice``; time_sd: scatter of one edge, still_s: longest interval of no standstill (s); beam nats.
    """
    n_edges = t.size
    n = teeth.size
    max_d = min(MAX_SKIP_TEETH, max(1, n)) if n > 1 else MAX_SKIP_TEETH
    stride, log_stride, miss, scatter, counts, kept = _strides(teeth, max_d, dead, rough, jitter, relax)
    ahead = _first_there(dead, max_d)
    least_scatter = np.empty(max_d + 1)  # of any stride of d teeth, for bounds
    least_cube = np.empty(max_d + 1)
    for d in range(1, max_d + 1):
        least_scatter[d] = scatter[:, d].min()
        least_cube[d] = stride[:, d].min() ** 3 / 24.0
    cap = 1 << 14
    node_edge = np.empty(cap, np.int64)
    node_tooth = np.empty(cap, np.int32)
    node_back = np.empty(cap, np.int64)
    node_step = np.empty(cap, np.int32)
    node_new = np.empty(cap, np.bool_)
    # score, log rate, its slope, their covariance (00, 01, 11), growth of the slope's variance from here, 1.0 where the
    # crank may stall, for a stride of one tooth what _ahead says, and 1.0 where bounds hold (the covariance is one)
    node = np.empty((cap, 11))
    count = 0
    first = np.zeros(n_edges + 1, np.int64)
    extra_sum = np.zeros(n_edges + 1)
    extra_sum[1:] = np.cumsum(extra_cost)
    best_at = np.full(n_edges, _NEVER)  # best score of nodes at edge k
    best_node = np.full(n_edges, -1, np.int64)
    b_new = np.empty(n, np.int64)
    d_new = np.empty(n, np.int32)
    new = np.empty((n, 6))  # as in node
    r_new = np.empty(n, np.bool_)
    log_pitch = np.log(pitch)
    limit = np.empty(max_d + 1)
    least_walk = base_walk * _LEAST_WALK if torque else base_walk
    expected = np.empty(n)
    for k in range(n_edges):
        for i in range(n):
            new[i, 0] = _NEVER
            expected[i] = _NEVER
            b_new[i] = -1
            r_new[i] = False
        easy = False
        frontier = _NEVER
        gain = match_cost[k] + (_DUTY_GAIN if duty[k] == duty[k] else 0.0) + _SURE
        for j in range(1, MAX_SKIP_EDGES + 1):
            kk = k - j
            if kk < 0:
                break
            dt = t[k] - t[kk]
            if dt <= 0:
                continue
            if dt > still_s:
                break
            if best_at[kk] < _REACHED:
                continue
            between = extra_sum[k] - extra_sum[kk + 1]
            if j > 1 and best_at[kk] + between < frontier - beam:
                continue
            log_dt = np.log(dt)
            sampling = 2.0 * time_sd * time_sd / (dt * dt)
            if j == 1 and best_node[kk] >= 0:
                # the best survivor expects just this interval: no survivor need look far here
                q = best_node[kk]
                a = stride[node_tooth[q], 1]
                h = 0.5 * a
                v = node[q, 3] + 2 * h * node[q, 4] + h * h * node[q, 5]
                v += scatter[node_tooth[q], 1] + sampling
                v += base_walk * a * a * a / 24.0
                r = log_stride[node_tooth[q], 1] - log_dt - (node[q, 1] + node[q, 2] * h)
                easy = r * r < 4.0 * v and v < 0.04
            reach = min(2, max_d) if easy else max_d
            for d in range(1, reach + 1):  # no stride of d teeth can be likelier than this
                v = least_scatter[d] + sampling + least_walk * least_cube[d]
                limit[d] = _LOG_T_NORM - 0.5 * _log_below(v) - log_dt + gain
            stopped = stall[k] and j == 1
            if j == 1 and not stopped:
                _step_by_one(
                    expected, first[kk], first[kk + 1], node_tooth, node,
                    best_at[kk] + between + limit[1 : reach + 1].max() - beam, between,
                    log_stride, stride, scatter, log_dt, sampling, match_cost[k], duty[k], tooth_duty,
                )  # fmt: skip
            for q in range(first[kk], first[kk + 1]):
                i0 = node_tooth[q]
                base = node[q, 0] + between
                if base < frontier - beam:
                    continue
                m0 = node[q, 1]
                g0 = node[q, 2]
                p00 = node[q, 3]
                p01 = node[q, 4]
                p11 = node[q, 5]
                if j > 1:
                    base += -(j - 1) * (log_pitch - m0)
                slope_walk = node[q, 6]
                slow_deg = dt * np.exp(m0) if node[q, 7] > 0.0 else 0.0
                for d in range(1, reach + 1):
                    i = i0 + d
                    if i >= n:
                        i %= n
                    near = d <= _STALL_TEETH
                    exact = (near and (stopped or slow_deg > 0.0)) or node[q, 10] == 0.0
                    least = max(new[i, 0], frontier - beam, min(expected[i], frontier))
                    here = base + miss[i0, d]
                    if here + limit[d] < least and not exact:
                        continue
                    a = stride[i0, d]
                    ae = counts[i0, d]
                    # process noise over the stride seen at its middle (integrated white noise on the slope)
                    meas = scatter[i0, d] + sampling
                    meas += slope_walk * a * a * a / 24.0
                    if here + _LOG_T_NORM - log_dt - 0.5 * _log_below(meas) + gain < least and not exact:
                        continue
                    ahead_m, h = (node[q, 8], node[q, 9]) if d == 1 else _ahead(g0, ae, torque)
                    v = p00 + 2 * h * p01 + h * h * p11 + meas
                    r = log_stride[i0, d] - log_dt - (m0 + ahead_m)
                    slowed = near and 1.7 * a < slow_deg
                    stalls = False
                    if d == 1 and j == 1 and expected[i] > _REACHED:
                        sc = expected[i]
                    else:
                        most = 2.0 * (_log_below(v) + _LOG_GAP) - 2.5 * _log_below(v + r * r / _NU)
                        if here + _LOG_T_NORM - log_dt + most + gain < least and not exact:
                            continue
                        like = _fit(v, r, log_dt)
                        like += max(miss[i0, d], (d - 1) * _LOG_STALL_MISS) if slowed else miss[i0, d]
                        stalled = _LOG_STALL + (d - 1) * _LOG_STALL_MISS - log_dt
                        stalls = near and stopped and stalled > like
                        if stalls:
                            like = stalled
                        sc = base + like + match_cost[k]
                        sc += _width_fit(duty[k], tooth_duty[i])
                    if sc > new[i, 0]:
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
                        new[i, 0] = sc
                        new[i, 1] = mm + gg * ae
                        if torque:
                            f = 1.0 / max(1.0 + 2.0 * gg * ae, 0.3)
                            new[i, 1] = mm - 0.5 * np.log(f)
                        b = ae * f
                        f2 = f * f * kept[i0, d]
                        new[i, 2] = gg * f * kept[i0, d]
                        new[i, 3] = c00 + 2 * b * c01 + b * b * c11 + slope_walk * a * a * a / 3.0
                        new[i, 4] = f2 * (c01 + b * c11) + slope_walk * a * a / 2.0
                        new[i, 5] = min(f2 * f2 * c11 + slope_walk * a, 1.0 / (pitch * pitch))
                        if stalls or slowed:
                            # the crank all but stood: how it leaves says nothing of how it came
                            new[i, 1] = log_stride[i, 1] - np.log(max(t[min(k + 1, n_edges - 1)] - t[k], 1e-6))
                            new[i, 2] = 0.0
                            new[i, 3] = 0.35
                            new[i, 4] = 0.0
                            new[i, 5] = (1.0 if torque else 0.09) / (pitch * pitch)
                        frontier = max(frontier, sc)
            if easy:
                break
        # start here afresh: after a standstill, a long loss, or a burst of noise
        if not easy:
            prev = _NEVER
            prev_node = -1
            for j in range(1, MAX_LOOK_BACK + 1):
                kk = k - j
                if kk < 0:
                    break
                if best_at[kk] > _REACHED:
                    spent = best_at[kk] + extra_sum[k] - extra_sum[kk + 1]
                    x = max(1e-6, t[k] - t[kk]) / j
                    ending = log_restart if t[k] - t[kk] <= still_s else log_restart * 0.4
                    if spent - (j - 1) * _log_below(x) + ending + _SURE < prev:
                        continue
                    cost = spent - (j - 1) * np.log(x)
                    cost += ending
                    if cost > prev:
                        prev = cost
                        prev_node = best_node[kk]
            if prev_node < 0:
                prev = extra_sum[k]
            dt_next = t[k + 1] - t[k] if k + 1 < n_edges else (t[k] - t[k - 1] if k > 0 else 1.0)
            if dt_next <= 0:
                dt_next = 1e-6
            log_next = np.log(dt_next)
            lost = prev - np.log(n) - log_next
            frontier = max(frontier, lost)
            if lost > frontier - beam:
                for i in range(n):
                    if lost > new[i, 0]:
                        b_new[i] = prev_node
                        d_new[i] = 0
                        r_new[i] = True
                        # the next interval is an ordinary pitch more often than not; the spread covers the rest
                        new[i, 0] = lost
                        new[i, 1] = log_stride[i, ahead[i]] - log_next
                        new[i, 2] = 0.0
                        new[i, 3] = 0.35
                        new[i, 4] = 0.0
                        new[i, 5] = 0.09 / (pitch * pitch)
        if count + n >= cap:
            count = thinned(
                node_edge, node_tooth, node_back, node_step, node_new, node, count, first, best_node, b_new, k
            )
            if 2 * (count + n) >= cap:
                cap *= 2
                node_edge = grown(node_edge, cap)
                node_tooth = grown(node_tooth, cap)
                node_back = grown(node_back, cap)
                node_step = grown(node_step, cap)
                node_new = grown(node_new, cap)
                node = grown(node, cap)
        for i in range(n):
            if new[i, 0] > frontier - beam and new[i, 0] > _REACHED:
                node_edge[count] = k
                node_tooth[count] = i
                node_back[count] = b_new[i]
                node_step[count] = d_new[i]
                node_new[count] = r_new[i]
                node[count, :6] = new[i]
                node[count, 6] = base_walk
                node[count, 7] = 0.0
                if torque:
                    # the speed half a pitch on decides how much the torque can do
                    u = max(1.0 + new[i, 2] * pitch, _LEAST_ENERGY)
                    node[count, 7] = u < _STALL_ENERGY
                    grows = np.exp(-4.0 * (new[i, 1] + 0.5 * np.log(u) - log_ref))
                    node[count, 6] = base_walk * min(max(grows, _LEAST_WALK), _MOST_WALK)
                node[count, 8], node[count, 9] = _ahead(new[i, 2], counts[i, 1], torque)
                node[count, 10] = new[i, 3] * new[i, 5] >= new[i, 4] * new[i, 4]
                if new[i, 0] > best_at[k]:
                    best_at[k] = new[i, 0]
                    best_node[k] = count
                count += 1
        first[k + 1] = count
    return node_edge, node_tooth, node_back, node_step, node_new, node, first
