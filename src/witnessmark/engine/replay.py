"""A synchronising counter run over recorded edges from every place the crank may have stood at.

Its rules are generic (knowledge/sync_rules.toml): find an interval that looks like the wheel's gap, count the teeth to
the next one, believe the place when the count fits. No control unit's own programme is known here, so what comes out is
a range over rule sets and is said to be "consistent with" the record, never more.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field

from witnessmark.knowledge import load
from witnessmark.wheel.model import Layout

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

FILE = Path(__file__).parent / "knowledge" / "sync_rules.toml"

# A step of the layout from this many pitches on is a gap.
GAP_PITCHES = 1.5
# A longer interval is a stop: the counter begins anew (the slowest turning crank passes a gap of three pitches sooner).
STOP_S = 0.5
# More start positions than this say nothing new: they are thinned evenly.
MOST_STARTS = 2000


class Rule(BaseModel):
    """One rule set; the file's head says what the fields mean. least_gap: pitches the wheel's gap must have for it."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    id: Annotated[str, Field(pattern=r"^[a-z-]+$")]
    words: Annotated[str, Field(min_length=5)]
    test: Literal["before", "both", "centred"]
    limit: Annotated[float, Field(gt=0.33, lt=4.0)]
    confirm: Annotated[int, Field(ge=0, le=3)]
    slack: Annotated[int, Field(ge=0, le=2)]
    cam: bool
    least_gap: float = 0.0
    mark: Literal["published", "common practice", "memory", "derived", "measured"]
    source: Annotated[str, Field(min_length=3)]


class _File(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    rule: tuple[Rule, ...]


@lru_cache(maxsize=4)
def load_rules(path: Path = FILE) -> tuple[Rule, ...]:
    """The rule sets; BadKnowledge (one line) when the file breaks its schema."""
    return load(_File, path).rule


@dataclass(frozen=True, slots=True)
class Train:
    """Edges as a control unit sees them. time_s [n] rising; deg [n] cumulative degrees; tooth [n]: -1 an extra."""

    time_s: Array
    deg: Array
    tooth: Ints


@dataclass(frozen=True, slots=True)
class Outcome:
    """One rule set over one train. turns [starts]: to the first right place, NaN where it finds none in the record.

    wrong: share of the starts from which a wrong place was believed before. ahead: turns the shortest start has left.
    """

    rule: Rule
    turns: Array
    wrong: float
    ahead: float

    @property
    def synced(self) -> float:
        """Share of the starts that find the place."""
        return float(np.isfinite(self.turns).mean()) if len(self.turns) else 0.0

    @property
    def median(self) -> float | None:
        """Median turns, starts that find no place counted as longer; None where half of them do not."""
        if len(self.turns) == 0:
            return None
        filled = np.where(np.isfinite(self.turns), self.turns, np.inf)
        middle = float(np.sort(filled)[len(filled) // 2])
        return middle if np.isfinite(middle) else None


def counts_of(layout: Layout) -> tuple[tuple[int, int], ...]:
    """For every gap of the wheel, in order: (tooth after it, intervals from it to the next gap); empty without gaps."""
    teeth = np.asarray(layout.teeth_deg)
    step = np.mod(teeth - np.roll(teeth, 1), 360.0)
    after = np.flatnonzero(step >= GAP_PITCHES * layout.pitch_deg)
    if len(teeth) < 4 or len(after) == 0:
        return ()
    following = np.append(after[1:], after[0] + len(teeth))
    return tuple((int(a), int(b - a)) for a, b in zip(after, following, strict=True))


def widest_gap(layout: Layout) -> float:
    """The widest gap in pitches."""
    teeth = np.asarray(layout.teeth_deg)
    return float(np.mod(teeth - np.roll(teeth, 1), 360.0).max() / layout.pitch_deg)


def gap_intervals(time_s: Array, rule: Rule) -> Bools:
    """Which intervals [n] (from edge n - 1 to n) a rule takes for the gap; the first two never."""
    out = np.zeros(len(time_s), dtype=np.bool_)
    if len(time_s) < 4:
        return out
    t = np.diff(time_s)
    now, before, after = t[1:-1], t[:-2], t[2:]
    fresh = (now < STOP_S) & (before < STOP_S)
    if rule.test == "before":
        hit = now > rule.limit * before
    elif rule.test == "both":
        hit = (now > rule.limit * before) & (now > rule.limit * after)
    else:
        hit = now > rule.limit * (before + now + after)
    out[2:-1] = hit & fresh
    return out


def _chain(
    first: int, gaps: Ints, tooth: Ints, broken: Ints, counts: tuple[tuple[int, int], ...], rule: Rule, periods: int
) -> tuple[int, bool]:
    """(number of the gap at which the right place is believed, or -1; whether a wrong one was believed before)."""
    n = len(counts)
    everyone = frozenset(range(n))
    here, confirmed, wrong = everyone, 0, False
    for j in range(first, len(gaps)):
        if j > first:
            count = int(gaps[j] - gaps[j - 1])
            stopped = broken[gaps[j]] != broken[gaps[j - 1]]
            here = frozenset((h + 1) % n for h in here if abs(counts[h][1] - count) <= rule.slack and not stopped)
            confirmed = confirmed + 1 if here else 0
            here = here or everyone
        places = {h % max(n // periods, 1) for h in here}
        if confirmed >= rule.confirm and len(places) == 1:
            if int(tooth[gaps[j]]) in {counts[h][0] for h in here}:
                return j, wrong
            wrong, here, confirmed = True, everyone, 0
    return -1, wrong


def run(train: Train, layout: Layout, rule: Rule, ahead_turns: float, cam_s: Array | None = None) -> Outcome | None:
    """One rule set from every edge that has ``ahead_turns`` turns left; None where the rule does not apply.

    cam_s: edges of a cam in s, for rules that wait for one.
    """
    counts = counts_of(layout)
    told = rule.confirm > 0 or len(counts) == layout.periods
    if (
        not counts
        or not told
        or widest_gap(layout) < rule.least_gap
        or (rule.cam and (cam_s is None or not len(cam_s)))
    ):
        return None
    starts = np.flatnonzero(train.deg <= train.deg[-1] - 360.0 * ahead_turns) if len(train.deg) else np.empty(0, int)
    if len(starts) == 0:
        return None
    starts = starts[:: max(1, len(starts) // MOST_STARTS)]
    gaps = np.flatnonzero(gap_intervals(train.time_s, rule))
    broken = np.concatenate(([0], np.cumsum(np.diff(train.time_s) >= STOP_S)))
    late = 0 if rule.test == "before" else 1  # the edge at which the test can be made
    found = [_chain(j, gaps, train.tooth, broken, counts, rule, layout.periods) for j in range(len(gaps))]
    last = len(train.deg) - 1
    ends = [
        _with_cam(train, min(int(gaps[at]) + late, last), cam_s if rule.cam else None) if at >= 0 else np.nan
        for at, _ in found
    ]
    first = np.searchsorted(gaps, starts + 2)
    seen = np.append(ends, np.nan)[first]
    wrong = np.append([w for _, w in found], False)[first].astype(np.bool_)
    turns = (seen - train.deg[starts]) / 360.0
    return Outcome(rule, turns, float(wrong.mean()), ahead_turns)


def _with_cam(train: Train, at: int, cam_s: Array | None) -> float:
    """Crank angle at an edge, or at the next cam edge after it; NaN where none follows."""
    if cam_s is None:
        return float(train.deg[at])
    i = int(np.searchsorted(cam_s, train.time_s[at]))
    if i >= len(cam_s) or cam_s[i] > train.time_s[-1]:
        return float("nan")
    return float(np.interp(cam_s[i], train.time_s, train.deg))


def run_all(
    train: Train, layout: Layout, ahead_turns: float, cam_s: Array | None = None, rules: Sequence[Rule] | None = None
) -> tuple[Outcome, ...]:
    """Every rule set that applies to this wheel."""
    found = (run(train, layout, rule, ahead_turns, cam_s) for rule in (rules or load_rules()))
    return tuple(o for o in found if o is not None)
