"""When the control unit is synchronised, as its sparks show it: the first correctly timed spark.

With the phase known: a spark within 60 degrees before to 20 after its cylinder's firing TDC. Without: the first spark
after which the sparks of that coil stay regular in crank degrees.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine.facts import Facts
from witnessmark.engine.model import Phase
from witnessmark.engine.outputs import Commands
from witnessmark.engine.phase import EARLIEST_SPARK_DEG, LATEST_SPARK_DEG
from witnessmark.engine.unroll import Unrolled, after_tdc_deg

Array = NDArray[np.float64]

# Sparks are regular when each comes a whole number of half turns after the one before, within this many degrees: the
# advance moves by less from one spark to the next (common practice), a spark out of place by more.
REGULAR_WITHIN_DEG = 45.0
# "Stay regular": of the intervals that follow in the attempt at least this share, and the next two in any case.
REGULAR_SHARE = 0.9
# Usual distances between two sparks of one coil: per cycle, per turn, or a distributor's per event.
PERIODS_DEG = (720.0, 360.0, 240.0, 180.0, 144.0, 120.0, 90.0)


def timed_right(unrolled: Unrolled, phase: Phase, facts: Facts, coil: Commands) -> NDArray[np.bool_] | None:
    """Which sparks of a coil are timed correctly; None where that cannot be judged (no TDC, or one from sparks)."""
    if not phase.known or phase.tdc_source in ("", "coil"):
        return None
    cylinder = coil.line.cylinder
    sparks = coil.main_s
    if facts.ignition == "distributor" or (cylinder is None and facts.ignition is None):
        # one coil for all, or one whose cylinder nobody said: only a known set of firing angles can judge it
        if facts.ignition != "distributor" or not facts.cylinders or len(facts.firing_deg) < facts.cylinders:
            return None
        near = [after_tdc_deg(unrolled.angle, phase, sparks, f) for f in facts.firing_deg.values()]
        return np.asarray(np.any([_within(d) for d in near], axis=0))
    firing = facts.firing_deg.get(cylinder or 0)
    if firing is None:
        return None
    late = after_tdc_deg(unrolled.angle, phase, sparks, firing)
    if facts.ignition == "wasted-spark":
        late = np.mod(late + 180.0, 360.0) - 180.0
    return _within(late)


def _within(late_deg: Array) -> NDArray[np.bool_]:
    with np.errstate(invalid="ignore"):
        return np.asarray((late_deg >= EARLIEST_SPARK_DEG) & (late_deg <= LATEST_SPARK_DEG))


def first_regular(turns: Array) -> int | None:
    """Index of the first spark after which the sparks stay regular. turns: crank turns at each spark, in order.

    At least three sparks at one usual distance are needed; a coil's usual distance is the one that most intervals keep.
    One spark left out (twice the distance) puts none out of place.
    """
    gaps = 360.0 * np.diff(turns)
    if len(gaps) < 2:
        return None
    kept = [np.abs(gaps - p) <= min(REGULAR_WITHIN_DEG, p / 6) for p in PERIODS_DEG]
    usual = int(np.argmax([k.sum() for k in kept]))
    period = PERIODS_DEG[usual]
    good = kept[usual] | (np.abs(gaps - 2 * period) <= min(REGULAR_WITHIN_DEG, period / 6))
    for i in range(len(gaps) - 1):
        if good[i] and good[i + 1] and good[i:].mean() >= REGULAR_SHARE:
            return i
    return None


def first_sync(
    start_s: float, end_s: float, coils: Sequence[Commands], unrolled: Unrolled, phase: Phase, facts: Facts
) -> float | None:
    """Time of the first correctly timed spark within an attempt, over all coils; None where there is none."""
    found: list[float] = []
    for coil in coils:
        sparks = coil.main_s
        here = (sparks >= start_s) & (sparks <= end_s)
        right = timed_right(unrolled, phase, facts, coil)
        if right is not None:
            good = sparks[here & right]
            found += [float(good[0])] if len(good) else []
            continue
        mine = sparks[here]
        angle, segment = unrolled.at(mine)
        chain = np.asarray([*unrolled.chain, -1])[segment]
        for c in np.unique(chain[chain >= 0]):
            first = first_regular(angle[chain == c] / 360.0)
            if first is not None:
                found.append(float(mine[chain == c][first]))
                break
    return min(found, default=None)
