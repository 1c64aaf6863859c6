"""Edges that go missing now and then without keeping to a tooth: how often, and what they repeat with."""

from __future__ import annotations

import numpy as np

from witnessmark.findings.domains import LockPosterior, lock_posterior
from witnessmark.findings.measured import Bools, Family, Floats, Measured, Outcome, speeds
from witnessmark.findings.model import Finding, NotAssessed
from witnessmark.findings.statistics import clopper_pearson, dependence_within_strata, upper_rate_of_none

# Without the wheel among the domains: teeth that keep to a slot were taken out before.
# Even parts by rank in which losses are counted to see whether they gather.
PARTS = 8
# Speed is taken over this angle: a third of a compression of four cylinders, and several pitches of most wheels.
SPEED_DEG = 60.0
PRIOR = {"cycle": 0.05, "speed": 0.2, "time": 0.2, "event": 0.05, "none": 0.5}


def find(m: Measured, earlier: Outcome) -> Outcome:
    """edges-dropped, or the bound on what was not seen."""
    return _dropped(m, earlier) + _unread(m, earlier)


def _unread(m: Measured, earlier: Outcome) -> Outcome:
    """Pulses that are in the line and gave no edge: the record, not the sensor."""
    count = int((m.coarse & ~np.isin(m.wheel.passes.tooth, list(earlier.teeth))).sum())
    if count == 0:
        return Outcome()
    return Outcome(not_assessed=(NotAssessed(
        "Are edges lost where the pulses are smallest?",
        f"{count} pulses are there but too few of the recorder's steps high to be read as edges",
        "a smaller input range, or a recorder of more bits",
    ),))  # fmt: skip


def _dropped(m: Measured, earlier: Outcome) -> Outcome:
    p = m.wheel.passes
    if m.layout is None or not p.used.any():
        return Outcome()
    use = p.used & m.settled & ~np.isin(p.tooth, list(earlier.teeth))
    use[list(earlier.passes)] = False
    failed = use & m.believed_missing
    use &= failed | (p.edge >= 0)
    n, k = int(use.sum()), int(failed.sum())
    if n == 0:
        return Outcome()
    rows = np.flatnonzero(failed)
    near = _stray_beside(m, m.missing)
    if k == 0:
        rate = upper_rate_of_none(n)
        return Outcome(
            bounds=(f"No edge lost in {n} tooth passages: a dropout rate above {rate:.2%} would have shown (95 %).",)
        )
    lock = lock_posterior(
        failed[use], p.tooth[use], p.turn[use], _smooth_rpm(m, use), p.time_s[use], _near_events(m, use), prior=PRIOR
    )
    confidence = _confidence(m, lock.events, k, n, earlier)
    if confidence <= 0.05:
        return Outcome(extras=near)
    return Outcome((_finding(m, failed, n, lock, confidence),), extras=near, passes=frozenset(rows.tolist()))


def _confidence(m: Measured, events: int, k: int, n: int, earlier: Outcome) -> float:
    """By number of separate misses: one is a hint, from ``dropouts.events_stated`` on they are stated."""
    need = m.limits["dropouts.events_stated"]
    stray = int(m.settled_extras.sum()) - len(earlier.extras)
    base = 0.25 if events == 1 else 0.45 if events < need else float(0.97 - 0.42 * 0.6 ** (events - need))
    # false edges displace true ones: where they outnumber the misses, the misses are theirs
    return min(base, 0.4) if stray > m.limits["dropouts.stray_per_miss"] * k else base


def _smooth_rpm(m: Measured, use: Bools) -> Floats:
    """Speed over SPEED_DEG about each passage: the same measure for edges seen and missed.

    The speed between neighbours scatters less over a missed edge than over seen ones, so that none of the missed would
    lie at the fastest readings.
    """
    p = m.wheel.passes
    rpm = m.wheel.angle.rpm(p.time_s[use], SPEED_DEG)
    return np.asarray(np.where(np.isfinite(rpm), rpm, p.speed_rpm[use]))


def _stray_beside(m: Measured, failed: Bools) -> frozenset[int]:
    """Stray edges within a pitch of a missed passage: what is left of the edge, not one too many."""
    assert m.layout is not None
    p, x = m.wheel.passes, m.wheel.extras
    due = m.angle_deg[failed]
    if due.size == 0 or x.edge.size == 0:
        return frozenset()
    due = np.sort(due)
    at = np.clip(np.searchsorted(due, x.angle_deg), 1, due.size) if due.size else np.zeros(0, int)
    left = np.abs(x.angle_deg - due[at - 1])
    right = np.abs(x.angle_deg - due[np.minimum(at, due.size - 1)])
    close = np.minimum(left, right) < m.layout.pitch_deg
    return frozenset(int(i) for i in np.flatnonzero(close)) if p.time_s.size else frozenset()


def _near_events(m: Measured, use: Bools) -> Bools | None:
    """Passages within reach of another line's switching; None where no other line switches."""
    times = [t for t in m.engine.event_time_s.values() if len(t)]
    if not times:
        return None
    every = np.sort(np.concatenate(times))
    t = m.wheel.passes.time_s[use]
    at = np.clip(np.searchsorted(every, t, side="right") - 1, 0, every.size - 1)
    since = t - every[at]
    return np.asarray((since >= -1e-4) & (since < m.limits["dropouts.event_reach_s"]))


def _finding(m: Measured, failed: Bools, n: int, lock: LockPosterior, confidence: float) -> Finding:
    p = m.wheel.passes
    rows = np.flatnonzero(failed)
    k = rows.size
    low, high = clopper_pearson(lock.events, n)
    slots = np.unique(p.tooth[rows]).size
    best = lock.best if lock.probability[lock.best] >= m.limits["dropouts.lock_share"] else "none"
    if best in ("speed", "time") and not _uneven(m, failed, best, lock.speed_rpm):
        best = "none"
    many, places = "s" if k > 1 else "", "s" if slots > 1 else ""
    words = f"{k} edge{many} of {n} went missing {speeds(p.speed_rpm[rows])}, at {slots} different slot{places}"
    return Finding(
        "", "edges-dropped", m.channel, best,
        f"{words}: {k / n:.2%} (95 % interval of single losses {low:.2%} to {high:.2%}){_repeats(lock, best)}.",
        confidence, m.at_passes(rows), None, start_s=float(p.time_s[rows[0]]), end_s=float(p.time_s[rows[-1]]),
        value=k / n, unit="share of passages",
        evidence={
            "missed": int(k), "passages": n, "single_losses": lock.events, "rate_low_95": low, "rate_high_95": high,
            "slots": int(slots), "lock_probabilities": {d: round(v, 4) for d, v in lock.probability.items()},
            "speed_rpm": lock.speed_rpm,
        },
    )  # fmt: skip


def _uneven(m: Measured, failed: Bools, over: str, split_rpm: float | None) -> bool:
    """Whether losses are spread over speed, or time, more unevenly than shuffled ones; by speed only towards slow ones.

    The posterior alone would call a high rate uneven, because it gives a place of its own any rate but all passages
    together a low one. Signals weaken when the crank turns slowly; no fault is known that goes the other way by itself.
    """
    use = m.wheel.passes.used & m.settled
    lost, key = failed[use], (_smooth_rpm(m, use) if over == "speed" else m.wheel.passes.time_s[use])
    if over == "speed":
        slow = key <= (split_rpm or 0.0)
        if not slow.any() or slow.all() or lost[slow].mean() <= lost[~slow].mean():
            return False
    parts = np.argsort(np.argsort(key, kind="stable"), kind="stable") * PARTS // max(key.size, 1)
    return dependence_within_strata(lost, parts).p <= m.limits["dropouts.uneven_p"]


def _repeats(lock: LockPosterior, best: str) -> str:
    """What the losses repeat with, in words."""
    if lock.events < 3:
        return "; too few to tell what they repeat with"
    share = lock.probability.get(best, 0.0)
    if best == "speed" and lock.speed_rpm is not None:
        return f"; they gather below {lock.speed_rpm:.0f} rpm ({share:.2f})"
    words = {
        "time": "gather in one stretch of time", "cycle": "repeat with the working cycle",
        "event": "follow another line's switching", "none": "keep to no slot, speed or stretch of time",
    }  # fmt: skip
    return f"; they {words.get(best, 'keep to nothing')} ({share:.2f})"


FAMILY = Family(
    "dropouts",
    ("edges-dropped",),
    ("passages of every tooth", "switching times of other lines"),
    (
        "dropouts.residual_max",
        "dropouts.settle_turns",
        "dropouts.settle_teeth",
        "dropouts.pause",
        "dropouts.events_stated",
        "dropouts.stray_per_miss",
        "dropouts.event_reach_s",
        "dropouts.lock_share",
        "dropouts.uneven_p",
    ),
    "exact binomial interval (Clopper and Pearson 1934); marginal likelihoods of the domains",
    find,
)
