"""The compiled end of the alignment: which survivor ends best, and the way back from it."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

MAX_LEFT = 40  # edges that may be left over at the end


@njit(cache=True, nogil=True)
def trace(nodes: Any, extra_cost: Any, log_left: float) -> Any:
    """Matched edges, their teeth, teeth stepped, restarted, log rate after each, and the score; see ``lattice.Path``.

    nodes: what ``survivors`` gives; extra_cost [K] is paid for edges left over at the end. log_left: log of the usual
    interval there.
    """
    node_edge, node_tooth, node_back, node_step, node_new, node, first = nodes
    n_edges = extra_cost.size
    at = 0
    score = -np.inf
    tail = 0.0
    for k in range(n_edges - 1, max(-1, n_edges - 2 - MAX_LEFT), -1):
        for q in range(first[k + 1] - 1, first[k] - 1, -1):
            end = node[q, 0] + tail - (n_edges - 1 - k) * log_left
            if end >= score:
                score = end
                at = q
        tail += extra_cost[k]
    size = 0
    q = at
    while q >= 0:
        size += 1
        q = node_back[q]
    edge = np.empty(size, np.int64)
    tooth = np.empty(size, np.int32)
    step = np.empty(size, np.int32)
    restart = np.empty(size, np.bool_)
    rate = np.empty(size)
    q = at
    for p in range(size - 1, -1, -1):
        edge[p] = node_edge[q]
        tooth[p] = node_tooth[q]
        step[p] = node_step[q]
        restart[p] = node_new[q]
        rate[p] = node[q, 1]
        q = node_back[q]
    return edge, tooth, step, restart, rate, score
