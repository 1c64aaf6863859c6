"""With what does a fault repeat: wheel angle, cycle angle, speed, time, another line's events, or nothing?

Each domain is a model of where failures may gather; its marginal likelihood (rates integrated out, places and splits
tried averaged over) times its prior gives its probability. What was tried is paid for by that averaging.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from witnessmark.findings.statistics import AT_PLACE, BACKGROUND, log_marginal
from witnessmark.special import log_sum_exp

# Before looking: a wheel fault and a plain random one are equally likely, the rest share what is left.
LOCK_PRIOR: dict[str, float] = {"wheel": 0.3, "cycle": 0.05, "speed": 0.15, "time": 0.15, "event": 0.05, "none": 0.3}


@dataclass(frozen=True, slots=True)
class LockPosterior:
    """Probability of each domain a fault may repeat with; log10 Bayes factors against "none"; the places (teeth).

    ``events``: faults after grouping of bursts; ``passages``: chances used. ``speed_rpm``: the split believed.
    """

    probability: dict[str, float]
    log10_bf: dict[str, float]
    teeth: tuple[int, ...]
    events: int
    passages: int
    speed_rpm: float | None

    @property
    def best(self) -> str:
        """The most probable domain."""
        return max(self.probability, key=lambda k: self.probability[k])


def _log_places(hits: NDArray[np.float64], n: NDArray[np.float64], most: int) -> tuple[float, NDArray[np.int64]]:
    """Log marginal of "up to ``most`` places have their own rates", and the places.

    One place is summed over all places; of larger sets only the best is counted (a lower bound).
    """
    own = log_marginal(hits, n, AT_PLACE)
    total_hits, total = hits.sum(), n.sum()
    single = own + log_marginal(total_hits - hits, total - n, BACKGROUND) - np.log(hits.size)
    best_log, best = float(log_sum_exp(single)), np.asarray([int(np.argmax(single))])
    order = np.argsort(log_marginal(hits, n, BACKGROUND) - own, kind="stable")
    log_sets = 0.0
    for k in range(1, min(most, hits.size - 1) + 1):
        log_sets += np.log((hits.size - k + 1) / k) + (np.log(2.0) if k > 1 else 0.0)
        if k == 1:
            continue
        chosen = order[:k]
        value = own[chosen].sum() + log_marginal(total_hits - hits[chosen].sum(), total - n[chosen].sum(), BACKGROUND)
        if float(value) - log_sets > best_log:
            best_log, best = float(value) - log_sets, chosen
    return best_log, best


def _log_split(hit: NDArray[np.bool_], key: NDArray[np.float64], cuts: int = 12) -> tuple[float, float]:
    """Log marginal of "below (or above) some value of ``key`` the rate is another", and the value."""
    order = np.argsort(key, kind="stable")
    cum = np.concatenate([[0.0], np.cumsum(hit[order])])
    n = hit.size
    at = np.unique(np.clip(np.round(n * np.geomspace(0.01, 0.5, cuts)).astype(int), 1, n - 1))
    at = np.unique(np.concatenate([at, n - at]))
    below, above = cum[at], cum[-1] - cum[at]
    low = log_marginal(below, at, AT_PLACE) + log_marginal(above, n - at, BACKGROUND)
    high = log_marginal(below, at, BACKGROUND) + log_marginal(above, n - at, AT_PLACE)
    both = np.concatenate([low, high])
    place = at[int(np.argmax(both)) % at.size]
    return float(log_sum_exp(both) - np.log(both.size)), float(key[order][place])


def _log_stretch(hit: NDArray[np.bool_], time_s: NDArray[np.float64], parts: int = 16) -> float:
    """Log marginal of "within one stretch of time the rate is another" (stretches on a grid of ``parts``)."""
    order = np.argsort(time_s, kind="stable")
    cum = np.concatenate([[0.0], np.cumsum(hit[order])])
    n = hit.size
    grid = np.unique(np.round(np.linspace(0, n, parts + 1)).astype(int))
    start, stop = np.triu_indices(grid.size, 1)
    a, b = grid[start], grid[stop]
    keep = b - a < n
    a, b = a[keep], b[keep]
    if a.size == 0:
        return -np.inf
    inside = cum[b] - cum[a]
    logs = log_marginal(inside, b - a, AT_PLACE) + log_marginal(cum[-1] - inside, n - (b - a), BACKGROUND)
    return float(log_sum_exp(logs) - np.log(logs.size))


def _first_of_bursts(hit: NDArray[np.bool_], burst_passages: int) -> NDArray[np.bool_]:
    """Passages to keep: all but the failures that follow another within ``burst_passages``."""
    keep = np.ones(hit.size, dtype=bool)
    at = np.flatnonzero(hit)
    keep[at[1:][np.diff(at) <= burst_passages]] = False
    return keep


def lock_posterior(
    failed: ArrayLike,
    tooth: ArrayLike,
    turn: ArrayLike | None,
    speed_rpm: ArrayLike,
    time_s: ArrayLike,
    near_event: ArrayLike | None = None,
    *,
    burst_passages: int = 1,
    most_teeth: int = 3,
    prior: dict[str, float] | None = None,
) -> LockPosterior:
    """Probability of each domain from the passages of all teeth, in order of time [n].

    ``failed`` bool; ``tooth`` index of the tooth (0..); ``turn`` whole turn (None: parity not comparable, no cycle
    domain); ``near_event`` bool: within reach of another line's event (None: domain not tried). Failures that follow
    each other within ``burst_passages`` count once, as their first. Raises ValueError when lengths differ.
    """
    hit = np.asarray(failed, dtype=bool).ravel()
    columns = [np.asarray(c, dtype=np.float64).ravel() for c in (tooth, speed_rpm, time_s)]
    parity = None if turn is None else np.asarray(turn, dtype=np.int64).ravel() % 2
    near = None if near_event is None else np.asarray(near_event, dtype=bool).ravel()
    if any(c.size != hit.size for c in (*columns, *(x for x in (parity, near) if x is not None))):
        raise ValueError("all passages need tooth, turn, speed and time")
    keep = _first_of_bursts(hit, burst_passages)
    hit = hit[keep]
    index, speed, time = columns[0][keep].astype(np.int64), columns[1][keep], columns[2][keep]
    n, k = hit.size, int(hit.sum())
    chosen_prior = dict(LOCK_PRIOR if prior is None else prior)
    logs: dict[str, float] = {"none": float(log_marginal(k, n, BACKGROUND))}
    teeth: tuple[int, ...] = ()
    split: float | None = None
    if n >= 4:
        wheel, best = _log_places(*_counts(hit, index), most_teeth)
        logs["wheel"], teeth = wheel, tuple(int(t) for t in best)
        if parity is not None:
            m = int(index.max()) + 1
            logs["cycle"], _ = _log_places(*_counts(hit, index + m * parity[keep]), 2)
        logs["speed"], split = _log_split(hit, speed)
        logs["time"] = _log_stretch(hit, time)
        if near is not None and near[keep].any() and not near[keep].all():
            mask = near[keep]
            logs["event"] = float(
                log_marginal(hit[mask].sum(), mask.sum(), AT_PLACE)
                + log_marginal(hit[~mask].sum(), (~mask).sum(), BACKGROUND)
            )
    names = [name for name in chosen_prior if name in logs]
    weights = np.asarray([logs[name] + np.log(chosen_prior[name]) for name in names])
    shares = np.exp(weights - log_sum_exp(weights))
    return LockPosterior(
        {name: float(share) for name, share in zip(names, shares, strict=True)},
        {name: float((logs[name] - logs["none"]) / np.log(10.0)) for name in names},
        teeth,
        k,
        n,
        split,
    )


def _counts(hit: NDArray[np.bool_], place: NDArray[np.int64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Failures and passages at each place (places never passed count as passed zero times)."""
    n = np.bincount(place).astype(np.float64)
    return np.bincount(place[hit], minlength=n.size).astype(np.float64), n
