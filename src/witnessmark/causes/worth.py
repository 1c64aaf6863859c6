"""What a test is worth: the expected cost of repair before and after it, and its own cost.

Decision-theoretic troubleshooting after Heckerman, Breese & Rommelse, Communications of the ACM 38(3), 1995: causes are
looked at one after the other, each look costs, and the one that is found is repaired. With one fault and independent
costs the best order is by probability over cost of the look, and

    ECR = sum over the order of (look i x chance that none before was it)  +  sum of probability i x repair i.

The look at a cause is the cheapest test that sees it at the part, its cost over its sensitivity (a look that finds it
half of the time has to be done twice); where no test sees it, trying the repair is the only look. A test is worth
ECR now - sum over its outcomes of P(outcome) x ECR(outcome) - its own cost. After an outcome that shows a cause at the
part, that cause needs no further look. All costs are minutes of work.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from witnessmark.causes.catalogue import CostRow, Knowledge, TestRow
from witnessmark.causes.chances import shows_within, while_absent
from witnessmark.causes.ids import CAUSES, NONE_FOUND
from witnessmark.causes.weigh import Entry

F64 = NDArray[np.float64]
KEPT = 4  # tables kept: the delivered knowledge and a few of the user's own
_KEPT: list[_Table] = []


def repair_order(probability: Sequence[float], cost: Sequence[float]) -> tuple[tuple[int, ...], float]:
    """Best order to try causes (indices, by p/c) and its expected cost; the try that helps ends the search."""
    if len(probability) != len(cost):
        raise ValueError("a cost for each probability")
    order = tuple(sorted(range(len(cost)), key=lambda i: (-probability[i] / max(cost[i], 1e-9), i)))
    return order, expected_cost(probability, cost, order)


def expected_cost(probability: Sequence[float], cost: Sequence[float], order: Sequence[int]) -> float:
    """Expected cost of trying causes in ``order``: cost i is paid unless an earlier one was it."""
    left, total = math.fsum(probability), 0.0
    for i in order:
        total += cost[i] * left
        left -= probability[i]
    return total


def search_cost(probability: F64, look: F64) -> F64:
    """Expected cost of the looks in their best order, along the last axis (vectorised :func:`repair_order`)."""
    order = np.argsort(-probability / np.maximum(look, 1e-9), axis=-1, kind="stable")
    p = np.take_along_axis(probability, order, axis=-1)
    c = np.take_along_axis(np.broadcast_to(look, probability.shape), order, axis=-1)
    before = np.concatenate([np.zeros_like(p[..., :1]), np.cumsum(p, axis=-1)[..., :-1]], axis=-1)
    left = p.sum(axis=-1, keepdims=True) - before
    total: F64 = (c * left).sum(axis=-1)
    return total


@dataclass(frozen=True, slots=True)
class Price:
    """What a test costs, in minutes."""

    work: float
    opening: float
    precautions: float
    risk: float
    irreversible: float
    material: float

    @property
    def total(self) -> float:
        """All of it."""
        return self.work + self.opening + self.precautions + self.risk + self.irreversible + self.material


def price_of(test: TestRow, knowledge: Knowledge) -> Price:
    """The price of a test: minutes x rate + opening + precautions + risk + what cannot be taken back + material."""
    cost = knowledge.cost
    return Price(
        work=test.minutes * cost.rate,
        opening=cost.opening_minutes[test.invasiveness],
        precautions=cost.caution_minutes * len(test.cautions),
        risk=test.risk_minutes,
        irreversible=test.irreversible_minutes,
        material=test.material_minutes,
    )


def repair_minutes(entry: Entry, knowledge: Knowledge) -> float:
    """What it costs to put the causes of an entry right."""
    if entry.id == NONE_FOUND:
        return 0.0
    rows = [knowledge.cause_row(m) for m in entry.members]
    return math.fsum(r.repair_minutes + r.parts_minutes + knowledge.cost.opening_minutes[r.opening] for r in rows)


@dataclass(frozen=True, slots=True)
class Worth:
    """A test with its numbers: expected cost before and after it, its own cost, the gain in bits.

    outcome: probability of each outcome. belief: for each outcome, the probabilities of the entries after it.
    """

    test: TestRow
    before_min: float
    after_min: float
    price: Price
    bits: float
    outcome: tuple[float, ...] = ()
    belief: tuple[tuple[float, ...], ...] = ()

    @property
    def cost_min(self) -> float:
        """Its own cost."""
        return self.price.total

    @property
    def value_min(self) -> float:
        """Minutes saved on average after its own cost is paid (negative: it costs more than it saves)."""
        return self.before_min - self.after_min - self.cost_min


@dataclass(frozen=True)
class Bench:
    """Tests against entries, as arrays: tests x outcomes (padded with impossible ones) x entries.

    look: cost of the look at each entry now; look_after: after each outcome (0 for what it shows at the part).
    look_row: row of the cheapest look at each entry, -1 where no test of the bench sees it. repair: cost of putting
    each right. cost: all that each test costs. faults: which entries are a fault at all.
    """

    tests: tuple[TestRow, ...]
    prices: tuple[Price, ...]
    chance: F64
    look: F64
    look_after: F64
    look_row: NDArray[np.int64]
    repair: F64
    cost: F64
    faults: NDArray[np.bool_]

    def before(self, prior: F64) -> float:
        """Expected cost of repair now."""
        return float(search_cost(prior, self.look)) + float(prior @ self.repair)

    def values(self, prior: F64) -> F64:
        """Minutes that each test saves on average, its own cost paid."""
        # scale and order of a row are of no matter, so P(outcome) x search cost after it is that of the joint
        after = search_cost(self.chance * prior, self.look_after).sum(axis=-1)
        saved: F64 = float(search_cost(prior, self.look)) - after - self.cost
        return saved

    def bits(self, prior: F64) -> F64:
        """Expected drop of entropy by each test."""
        joint = self.chance * prior
        p = joint.sum(axis=-1)
        after = (p * entropy(joint / np.where(p > 0.0, p, 1.0)[..., None])).sum(axis=-1)
        gained: F64 = np.maximum(float(entropy(prior)) - after, 0.0)
        return gained

    def worth(self, prior: F64) -> list[Worth]:
        """All tests with their numbers."""
        before = self.before(prior)
        values = self.values(prior)
        now = float(entropy(prior))
        out = []
        for k, test in enumerate(self.tests):
            n = len(test.outcomes)
            joint = self.chance[k, :n] * prior
            p = joint.sum(axis=-1)
            belief = joint / np.where(p > 0.0, p, 1.0)[:, None]
            bits = max(now - float(np.dot(p, entropy(belief))), 0.0)
            price = self.prices[k]
            after = before - price.total - float(values[k])
            outcomes = tuple(float(x) for x in p)
            out.append(Worth(test, before, after, price, bits, outcomes, tuple(tuple(map(float, b)) for b in belief)))
        return out


def entropy(p: F64) -> F64:
    """Shannon entropy in bits along the last axis."""
    out: F64 = -np.sum(p * np.log2(np.where(p > 0.0, p, 1.0)), axis=-1)
    return out


def chance_row(test: TestRow, entry: Entry, shows: float | None = None) -> list[float]:
    """Chances of the outcomes under an entry; scaled where the test catches only what shows while it watches."""
    row = test.chances(entry.members)
    if test.watches is None or shows is None:
        return row
    return while_absent(row, test.others, shows_within(min(shows, 1.0), test.watches))


@dataclass(frozen=True)
class _Table:
    """All tests of a knowledge against all causes: tests x outcomes (padded with impossible ones) x causes."""

    tests: list[TestRow]
    cost: CostRow
    row: dict[str, int]
    column: dict[str, int]
    prices: tuple[Price, ...]
    chance: F64
    usual: F64  # tests x outcomes
    sees: NDArray[np.bool_]
    watches: F64  # 0 where it does not have to wait for the fault


def _table(knowledge: Knowledge) -> _Table:
    """The table of a knowledge, kept as long as its tests are the same ones (updated priors leave them as they are)."""
    for kept in _KEPT:
        if kept.tests is knowledge.test and kept.cost is knowledge.cost:
            return kept
    tests = knowledge.test
    most = max(len(t.outcomes) for t in tests)
    chance = np.zeros((len(tests), most, len(CAUSES)))
    sees = np.zeros(chance.shape, dtype=np.bool_)
    usual = np.zeros((len(tests), most))
    for k, test in enumerate(tests):
        n = len(test.outcomes)
        usual[k, :n] = test.others
        for c, cause in enumerate(CAUSES):
            chance[k, :n, c] = test.chance.get(cause, test.others)
            for o, outcome in enumerate(test.outcomes):
                sees[k, o, c] = cause in outcome.sees
    made = _Table(
        tests=tests,
        cost=knowledge.cost,
        row={t.id: k for k, t in enumerate(tests)},
        column={c: k for k, c in enumerate(CAUSES)},
        prices=tuple(price_of(t, knowledge) for t in tests),
        chance=chance,
        usual=usual,
        sees=sees,
        watches=np.array([float(t.watches or 0) for t in tests]),
    )
    _KEPT.insert(0, made)
    del _KEPT[KEPT:]
    return made


def _shown(table: _Table, shows_per_turn: float | None) -> F64:
    """Chances of the outcomes, where the fault shows in that share of the turns (None: always)."""
    if shows_per_turn is None:
        return table.chance
    caught = 1.0 - (1.0 - min(shows_per_turn, 1.0)) ** table.watches
    share = np.where(table.watches > 0, caught, 1.0)[:, None, None]
    scaled: F64 = share * table.chance + (1.0 - share) * table.usual[:, :, None]
    return scaled


def bench_of(
    tests: Sequence[TestRow],
    entries: Sequence[Entry],
    knowledge: Knowledge,
    *,
    looks: Sequence[TestRow] | None = None,
    seen: frozenset[str] = frozenset(),
    shows_per_turn: float | None = None,
) -> Bench:
    """Lay tests against entries. looks: the tests with which causes may be looked at (``tests`` where not given).

    seen: causes already observed at the part. shows_per_turn: share of the turns in which the fault shows, if known.
    """
    table = _table(knowledge)
    rows = [table.row[t.id] for t in tests]
    shown = _shown(table, shows_per_turn)
    at_hand = rows if looks is None else [table.row[t.id] for t in looks]
    single, _ = _looks(table, shown, at_hand, knowledge)
    _, best = _looks(table, shown, rows, knowledge)
    known = np.array([c in seen for c in CAUSES], dtype=np.bool_)
    still = single * ~known
    after = single * ~(known | table.sees[rows])
    chance = np.zeros((*shown[rows].shape[:2], len(entries)))
    look, look_after = np.zeros(len(entries)), np.zeros(chance.shape)
    look_row = np.full(len(entries), -1)
    for j, entry in enumerate(entries):
        at = np.array([table.column[m] for m in entry.members])
        first = np.argmax(shown[rows][:, 0, at], axis=1) if len(at) > 1 else np.zeros(len(rows), dtype=np.int64)
        chance[:, :, j] = shown[rows][np.arange(len(rows)), :, at[first]]
        look[j] = still[at].sum()
        look_after[:, :, j] = after[:, :, at].sum(axis=-1)
        unseen = [best[k] for k in at if not known[k] and best[k] >= 0]
        look_row[j] = rows.index(unseen[0]) if unseen else -1
    return Bench(
        tests=tuple(tests),
        prices=tuple(table.prices[r] for r in rows),
        chance=chance,
        look=look,
        look_after=look_after,
        look_row=look_row,
        repair=np.array([repair_minutes(e, knowledge) for e in entries]),
        cost=np.array([table.prices[r].total for r in rows]),
        faults=np.array([e.id != NONE_FOUND for e in entries], dtype=np.bool_),
    )


def _looks(table: _Table, shown: F64, rows: list[int], knowledge: Knowledge) -> tuple[F64, list[int]]:
    """Cost of the look at each cause: the least price over sensitivity, else trying the repair; and its test's row."""
    tried = np.array([repair_minutes(Entry(c, 0.0), knowledge) for c in CAUSES])
    tried[table.column[NONE_FOUND]] = knowledge.cost.hand_back_minutes
    if not rows:
        return tried, [-1] * len(CAUSES)
    found = (shown[rows] * table.sees[rows]).sum(axis=1)
    price = np.array([table.prices[r].total for r in rows])[:, None]
    cost = np.where(found > 0.0, price / np.where(found > 0.0, found, 1.0), np.inf)
    least = cost.min(axis=0)
    best = [rows[k] if np.isfinite(c) else -1 for k, c in zip(cost.argmin(axis=0), least, strict=True)]
    return np.where(np.isfinite(least), least, tried), best


def worth_of(test: TestRow, entries: Sequence[Entry], knowledge: Knowledge) -> Worth:
    """Price one test against the present balance, all delivered tests being at hand as looks."""
    prior = np.array([e.probability for e in entries])
    return bench_of([test], entries, knowledge, looks=knowledge.test).worth(prior)[0]
