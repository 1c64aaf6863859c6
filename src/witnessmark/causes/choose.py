"""The choice among the tests, and how far a prior must move before another one is chosen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from witnessmark.causes.ids import NONE_FOUND
from witnessmark.causes.model import Turn
from witnessmark.causes.weigh import Entry
from witnessmark.causes.worth import F64, Bench

# A prior is moved at most this many times up or down: beyond it the advice is called firm.
REACH = 100.0
STEPS = 6  # on a logarithmic scale from 1 to REACH, before the place is narrowed down
HALVINGS = 7
NAMED = 2  # causes whose turn is narrowed down: the nearest ones
# Causes whose priors are moved: the others hold too little to matter.
MOVED = 4


Why = Literal["pays", "look", "tells"]


@dataclass(frozen=True)
class Choice:
    """Which test comes next: its row in the bench, and why.

    "pays": it saves more than it costs. "look": none does, and this is the look at the part that comes first in the
    order of repair. "tells": what comes first in that order cannot be looked at any more; this tells most for its cost.
    """

    row: int
    why: Why


def choose(bench: Bench, prior: F64) -> Choice | None:
    """The test with the greatest worth above zero; else the look that is first in the order of repair.

    The expected cost now is that of looking at cause after cause, so the first of these looks is what is done where no
    test lowers it; where that look has been done already, what tells most for its cost. None without any test.
    """
    if not bench.tests:
        return None
    values = bench.values(prior)
    if values.max() > 0.0:
        return Choice(int(values.argmax()), "pays")
    order = np.argsort(-prior / np.maximum(bench.look, 1e-9), kind="stable")
    first = next((k for k in order if bench.faults[k]), order[0])
    if bench.look_row[first] >= 0:
        return Choice(int(bench.look_row[first]), "look")
    return Choice(int((bench.bits(prior) / bench.cost).argmax()), "tells")


def moved(prior: F64, entries: Sequence[Entry], cause: str, factor: float) -> F64:
    """Probabilities if the prior of one cause were ``factor`` times what it is; nothing-wrong keeps its share."""
    out = np.array([p * factor if cause in e.members else p for p, e in zip(prior, entries, strict=True)])
    fault = np.array([e.id != NONE_FOUND for e in entries])
    before, after = prior[fault].sum(), out[fault].sum()
    out[fault] *= before / after if after > 0.0 else 1.0
    return out


def turns(bench: Bench, prior: F64, entries: Sequence[Entry], sharpness: float = 1.0) -> tuple[Turn, ...]:
    """The nearest factors on the priors of the weightier causes at which another test is chosen.

    Nearest first, at least two where there are. sharpness: the exponent on the shares, so that a factor on the prior is
    one on the share to this power. A cause whose prior may move by REACH either way without a change is left out.
    """
    now = choose(bench, prior)
    if now is None:
        return ()
    causes = list(dict.fromkeys(m for e in entries for m in e.members if m != NONE_FOUND))[:MOVED]
    scans = [_Scan(bench, prior, entries, cause, sign * sharpness) for cause in causes for sign in (1.0, -1.0)]
    steps = np.linspace(0.0, np.log(REACH), STEPS + 1)
    brackets: dict[str, tuple[float, float, _Scan]] = {}
    for low, high in pairwise(steps):
        for scan in scans:
            if scan.cause not in brackets and scan.chosen(float(high)) != now.row:
                brackets[scan.cause] = (float(low), float(high), scan)
        if len(brackets) >= NAMED:
            break
    found = [_narrowed(low, high, scan, now.row, sharpness) for low, high, scan in brackets.values()]
    return tuple(sorted(found, key=lambda t: (abs(np.log(t.factor)), t.cause)))


@dataclass(frozen=True)
class _Scan:
    """One cause's prior moved one way. power: exponent on the factor, negative downwards."""

    bench: Bench
    prior: F64
    entries: Sequence[Entry]
    cause: str
    power: float

    def chosen(self, log: float) -> int:
        """Row of the test chosen with the prior moved by this logarithm."""
        choice = choose(self.bench, moved(self.prior, self.entries, self.cause, float(np.exp(log * self.power))))
        return -1 if choice is None else choice.row


def _narrowed(low: float, high: float, scan: _Scan, now: int, sharpness: float) -> Turn:
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if scan.chosen(middle) != now else (middle, high)
    sign = 1.0 if scan.power > 0.0 else -1.0
    return Turn(scan.cause, float(np.exp(sign * high)), scan.bench.tests[scan.chosen(high)].id)
