"""What the alignment keeps of a long record: all that a path may come from, and hardly more."""

from __future__ import annotations

import numpy as np
import pytest

from witnessmark.wheel import lattice
from witnessmark.wheel.lattice_nodes import WITHIN, thinned


def _chain(edge, tooth, back, node):
    out = []
    while node >= 0:
        out.append((int(edge[node]), int(tooth[node])))
        node = int(back[node])
    return out


@pytest.mark.parametrize("seed", range(5))
def test_every_path_of_the_last_edges_is_what_it_was(seed):
    """Against following each path before and after, on nodes that come from anywhere within the last edges."""
    rng = np.random.default_rng(seed)
    edges, teeth = 40 + 60 * seed, 6
    edge, tooth, back, first = [], [], [], [0]
    for k in range(edges):
        for i in rng.permutation(teeth)[: rng.integers(0, teeth + 1)]:
            from_edge = max(0, k - int(rng.integers(1, 8)))
            edge.append(k)
            tooth.append(int(i))
            options = range(first[from_edge], first[k])
            back.append(int(rng.choice(options)) if options and rng.random() < 0.95 else -1)
        first.append(len(edge))
    count = len(edge)
    edge, back = np.array(edge, np.int64), np.array(back, np.int64)
    tooth, step = np.array(tooth, np.int32), np.arange(count, dtype=np.int32)
    new, node = back < 0, rng.normal(size=(count, 11))
    first = np.array([*first, 0, 0], np.int64)  # room for edges to come
    last = max(0, edges - WITHIN)
    best = np.array([rng.integers(first[k], first[k + 1]) if first[k + 1] > first[k] else -1 for k in range(edges)])
    roots = np.arange(first[last], count)
    b_new = np.append(rng.choice(roots, 4), -1)
    before = [_chain(edge, tooth, back, q) for q in [*roots, *b_new, *best[last:]]]
    state = node[roots].copy()

    left = thinned(edge, tooth, back, step, new, node, count, first, best, b_new, edges)

    after = [_chain(edge, tooth, back, q) for q in [*range(int(first[last]), left), *b_new, *best[last:]]]
    assert after == before
    assert left == first[edges] == len({q for chain in before for q in chain})
    np.testing.assert_array_equal(node[first[last] : left], state)
    assert all((edge[first[k] : first[k + 1]] == k).all() for k in range(edges))


def test_a_long_record_takes_a_node_or_two_an_edge(monkeypatch):
    """Simulated: 60-2 with noise on every edge, 600 turns; each edge is on its tooth from beginning to end."""
    kept = []

    def counted(*arguments):
        nodes = survivors(*arguments)
        kept.append((int(nodes[-1][-1]), len(nodes[0])))
        return nodes

    survivors = lattice.survivors
    monkeypatch.setattr(lattice, "survivors", counted)
    rng = np.random.default_rng(8)
    teeth = np.arange(58) * 6.0
    angle = (teeth + 360.0 * np.arange(600)[:, None]).ravel() + rng.normal(0.0, 0.05, 58 * 600)
    path = lattice.align(angle / 1200.0, teeth, lattice.Tempo())
    np.testing.assert_array_equal(path.tooth, np.tile(np.arange(58), 600))
    ((count, room),) = kept
    assert count < angle.size + (1 << 14)
    assert room <= 4 * angle.size
