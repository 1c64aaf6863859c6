"""The survivors' store of the alignment: it grows as it must, and lets go of what no path can come from any more."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

WITHIN = 64
"""Edges whose nodes all stay: more than a move, a restart or the end of the alignment looks back."""


@njit(nogil=True, inline="always")
def grown(a: Any, size: int) -> Any:
    """The same values with room for ``size``."""
    b = np.empty((size,) + a.shape[1:], a.dtype)  # noqa: RUF005 (numba knows no starred tuple)
    b[: a.shape[0]] = a
    return b


@njit(cache=True, nogil=True)
def thinned(
    node_edge: Any, node_tooth: Any, node_back: Any, node_step: Any, node_new: Any, node: Any, count: int,
    first: Any, best_node: Any, b_new: Any, k: int,
) -> int:  # fmt: skip
    """How many nodes are left of ``count``, in order and in place: those that paths of the last edges come from.

    Before edge k is entered: first [k + 1], best_node [k] and b_new, what its nodes would come from, are renumbered.
    Paths soon share all but their last edges, so that about one node an edge stays however long the record is.
    """
    keep = np.zeros(count, np.bool_)
    keep[first[max(0, k - WITHIN)] :] = True
    for q in range(count - 1, -1, -1):
        if keep[q] and node_back[q] >= 0:
            keep[node_back[q]] = True
    place = np.empty(count + 1, np.int64)  # kept before each
    left = 0
    for q in range(count):
        place[q] = left
        if keep[q]:
            node_edge[left] = node_edge[q]
            node_tooth[left] = node_tooth[q]
            node_back[left] = place[node_back[q]] if node_back[q] >= 0 else -1
            node_step[left] = node_step[q]
            node_new[left] = node_new[q]
            node[left] = node[q]
            left += 1
    place[count] = left
    for j in range(k + 1):
        first[j] = place[first[j]]
    for j in range(max(0, k - WITHIN), k):
        if best_node[j] >= 0:
            best_node[j] = place[best_node[j]]
    for i in range(b_new.size):
        if b_new[i] >= 0:
            b_new[i] = place[b_new[i]]
    return left
