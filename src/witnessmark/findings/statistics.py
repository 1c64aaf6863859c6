"""Does a fault repeat with something, and what does "nothing seen" mean? Pure functions on counts, angles and times.

Rates are per passage (one due edge at the sensor). Angles are degrees. Logarithms say their base in the name.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from witnessmark.special import log_beta

# Beta(1, 200) on the rate of a random dropout: a mean of one in 200 passages. A healthy line loses fewer than one in
# thousands and one that loses more than one in twenty cannot be decoded, so this is wide over what can be met.
BACKGROUND: tuple[float, float] = (1.0, 200.0)
# Beta(1, 1) on the rate at the place a fault repeats with: anything from seldom to always.
AT_PLACE: tuple[float, float] = (1.0, 1.0)


# --- one place or chance ---------------------------------------------------------------------------------------------


def same_place_chance(events: int, places: int) -> float:
    """Probability that ``events`` independent events all fall on one (unnamed) place of ``places``: m^-(k-1).

    Raises ValueError for places < 1 or events < 1.
    """
    if events < 1 or places < 1:
        raise ValueError("events and places must be at least 1")
    return float(places) ** -(events - 1)


def log_marginal(hits: ArrayLike, trials: ArrayLike, prior: tuple[float, float]) -> NDArray[np.float64]:
    """Natural log of the beta-binomial marginal likelihood of a given sequence of ``hits`` in ``trials``.

    No binomial coefficient: the sequence is the data. Broadcasts; prior is (alpha, beta) of the rate.
    """
    k = np.asarray(hits, dtype=np.float64)
    n = np.asarray(trials, dtype=np.float64)
    return np.asarray(log_beta(prior[0] + k, prior[1] + n - k) - log_beta(*prior), dtype=np.float64)


def log10_bf_one_tooth(hits: int, turns: int, elsewhere: int, teeth: int) -> float:
    """Bayes factor (log10) for "one tooth has its own rate" against "one rate everywhere".

    ``hits``: turns of ``turns`` in which the most affected tooth failed; ``elsewhere``: failures at the other teeth.
    The tooth is not known beforehand (prior 1/teeth). Above 2 is strong; two hits prove nothing.
    """
    if not 0 <= hits <= turns or teeth < 2 or not 0 <= elsewhere <= turns * (teeth - 1):
        raise ValueError("need 0 <= hits <= turns, teeth >= 2, 0 <= elsewhere <= turns * (teeth - 1)")
    one = (
        log_marginal(hits, turns, AT_PLACE)
        + log_marginal(elsewhere, turns * (teeth - 1), BACKGROUND)
        - np.log(float(teeth))
    )
    everywhere = log_marginal(hits + elsewhere, turns * teeth, BACKGROUND)
    return float((one - everywhere) / np.log(10.0))


@dataclass(frozen=True, slots=True)
class Rayleigh:
    """Rayleigh test: resultant R, mean resultant length (0..1), z = R^2/n, p, direction of the cluster in deg."""

    n: int
    resultant: float
    mean_resultant: float
    z: float
    p: float
    direction_deg: float


def rayleigh(angles_deg: ArrayLike, order: int = 1) -> Rayleigh:
    """Rayleigh test of uniform angles against one cluster (``order`` > 1: against ``order`` even clusters a turn).

    p by the approximation of Zar (Biostatistical Analysis; also Mardia & Jupp, Directional Statistics), good for n >= 5
    and usable from 4. Raises ValueError without angles.
    """
    theta = np.deg2rad(np.asarray(angles_deg, dtype=np.float64).ravel()) * order
    n = theta.size
    if n == 0:
        raise ValueError("no angles to test")
    vector = np.exp(1j * theta).sum()
    r = float(np.abs(vector))
    p = float(np.exp(np.sqrt(1.0 + 4.0 * n + 4.0 * max(n**2 - r**2, 0.0)) - (1.0 + 2.0 * n)))
    direction = float(np.rad2deg(np.angle(vector)) % 360.0) / order
    return Rayleigh(n, r, r / n, r**2 / n, min(p, 1.0), direction)


# --- absence and rates -----------------------------------------------------------------------------------------------


def upper_rate_of_none(n: int, confidence: float = 0.95) -> float:
    """Largest rate compatible with zero events in ``n`` chances: 1 - (1 - confidence)^(1/n); 1 for n = 0."""
    return 1.0 if n <= 0 else float(-np.expm1(np.log1p(-confidence) / n))


def clopper_pearson(hits: int, n: int, confidence: float = 0.95) -> tuple[float, float]:
    """Exact two-sided interval of a rate (Clopper & Pearson 1934); (0, 1) for n = 0."""
    if n <= 0:
        return 0.0, 1.0
    if hits == 0:
        return 0.0, upper_rate_of_none(n, (1.0 + confidence) / 2.0)
    from scipy.special import betaincinv  # 0.4 s to import, and most records have nothing to count

    tail = (1.0 - confidence) / 2.0
    low = float(betaincinv(hits, n - hits + 1, tail))
    high = 1.0 if hits == n else float(betaincinv(hits + 1, n - hits, 1.0 - tail))
    return low, high


def chances_needed(rate: float, confidence: float = 0.95) -> int:
    """Chances needed to see a fault of this ``rate`` at least once with ``confidence``."""
    if not 0.0 < rate <= 1.0:
        raise ValueError("rate must lie in (0, 1]")
    return 1 if rate == 1.0 else int(np.ceil(np.log1p(-confidence) / np.log1p(-rate)))


# --- dependence with speed held fixed --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Dependence:
    """Mutual information in bits between event and bin (within strata) and its permutation p value."""

    information_bits: float
    p: float
    permutations: int


def _information_bits(counts: NDArray[np.float64], totals: NDArray[np.float64]) -> NDArray[np.float64]:
    """Plug-in mutual information; counts [..., bins] events, totals [bins] chances."""
    n = totals.sum()
    hits = counts.sum(axis=-1, keepdims=True)
    with np.errstate(divide="ignore", invalid="ignore"):
        yes = np.where(counts > 0, counts * np.log2(counts * n / (hits * totals)), 0.0)
        rest = totals - counts
        no = np.where(rest > 0, rest * np.log2(rest * n / ((n - hits) * totals)), 0.0)
    return np.asarray((yes + no).sum(axis=-1) / n, dtype=np.float64)


def dependence_within_strata(
    event: ArrayLike, bins: ArrayLike, strata: ArrayLike | None = None, permutations: int = 999, seed: int = 0
) -> Dependence:
    """Whether ``event`` [n] (bool) depends on ``bins`` [n] (integers >= 0) with ``strata`` [n] (speed classes) held.

    Events are shuffled within each stratum (as hypergeometric draws of the counts), so that speed, which slow wheel
    angles share, cannot pass for angle. p = (1 + shuffles at least as informative) / (1 + permutations).
    """
    hit = np.asarray(event, dtype=bool).ravel()
    where = np.asarray(bins, dtype=np.int64).ravel()
    stratum = np.zeros(hit.size, dtype=np.int64) if strata is None else np.asarray(strata).ravel()
    if not hit.size == where.size == stratum.size:
        raise ValueError("event, bins and strata must be equally long")
    rng = np.random.default_rng(seed)
    observed, shuffled = 0.0, np.zeros(permutations)
    for value in np.unique(stratum):
        mask = stratum == value
        totals = np.bincount(where[mask])
        totals_here = totals[totals > 0]
        counts = np.bincount(where[mask & hit], minlength=totals.size)[totals > 0]
        weight = mask.sum() / hit.size
        observed += weight * float(_information_bits(counts.astype(float), totals_here.astype(float)))
        draws = rng.multivariate_hypergeometric(totals_here, int(counts.sum()), size=permutations)
        shuffled += weight * _information_bits(draws.astype(float), totals_here.astype(float))
    at_least = int((shuffled >= observed - 1e-12).sum())
    return Dependence(observed, (1 + at_least) / (1 + permutations), permutations)


# --- bursts and lags -------------------------------------------------------------------------------------------------


def group_bursts(time_s: ArrayLike, gap_s: float | ArrayLike) -> NDArray[np.int64]:
    """Burst number of each event [n]: events closer than ``gap_s`` (scalar, or [n] per event) share one.

    Times must rise. Events of one burst have one cause and count once in every test of repetition.
    """
    t = np.asarray(time_s, dtype=np.float64).ravel()
    if t.size == 0:
        return np.zeros(0, dtype=np.int64)
    if np.any(np.diff(t) < 0):
        raise ValueError("times must rise")
    gap = np.broadcast_to(np.asarray(gap_s, dtype=np.float64), t.shape)
    return np.concatenate([[0], np.cumsum(np.diff(t) > gap[1:])]).astype(np.int64)


@dataclass(frozen=True, slots=True)
class LagMatch:
    """The channel whose events the edges follow best: lag window after the event, edges inside it of edges tried.

    ``expected``: edges that chance would put there. ``p``: corrected for windows, anchors and channels tried.
    """

    channel: str
    lag_s: float
    width_s: float
    inside: int
    of: int
    expected: float
    p: float


# Widths tried for "at a fixed lag": from the timing spread of a switched coil (tens of us) to a bouncing relay (ms).
LAG_WIDTHS_S: tuple[float, ...] = (50e-6, 200e-6, 1e-3, 4e-3)
# Noise may cross the crank line's level a little before the other line's own edge is timed.
LAG_LEAD_S = 100e-6


def _lags(at_s: NDArray[np.float64], events_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Time since the latest event; times before the first event are left out."""
    index = np.searchsorted(events_s, at_s, side="right") - 1
    return np.asarray(at_s[index >= 0] - events_s[index[index >= 0]], dtype=np.float64)


class _LagShare:
    """Share of the time in ``stretches`` (after the first event) that lies at most ``lag`` after the latest event."""

    def __init__(self, stretches: Sequence[tuple[float, float]], events_s: NDArray[np.float64]) -> None:
        from_, to = [], []
        for start, end in stretches:
            start = max(start, float(events_s[0]))
            if end <= start:
                continue
            inner = events_s[(events_s > start) & (events_s < end)]
            cuts = np.concatenate([[start], inner, [end]])
            latest = np.concatenate([events_s[np.searchsorted(events_s, [start], "right") - 1], inner])
            from_.append(cuts[:-1] - latest)
            to.append(cuts[1:] - latest)
        self._from = np.sort(np.concatenate(from_)) if from_ else np.zeros(0)
        self._to = np.sort(np.concatenate(to)) if to else np.zeros(0)
        self.total_s = float(self._to.sum() - self._from.sum())

    @staticmethod
    def _ramps(lag: NDArray[np.float64], knots: NDArray[np.float64]) -> NDArray[np.float64]:
        """Sum over knots of max(lag - knot, 0)."""
        n = np.searchsorted(knots, lag)
        return np.asarray(n * lag - np.concatenate([[0.0], np.cumsum(knots)])[n], dtype=np.float64)

    def between(self, low: NDArray[np.float64], high: NDArray[np.float64]) -> NDArray[np.float64]:
        """Share of time with a lag between ``low`` and ``high`` (>= 0)."""
        seconds = [self._ramps(x, self._from) - self._ramps(x, self._to) for x in (low, high)]
        return np.clip((seconds[1] - seconds[0]) / self.total_s, 0.0, 1.0)


def lag_test(
    edges_s: ArrayLike,
    others: Mapping[str, ArrayLike],
    stretches: Sequence[tuple[float, float]],
    burst_gap_s: float = 1e-3,
    widths_s: tuple[float, ...] = LAG_WIDTHS_S,
) -> LagMatch | None:
    """Whether stray edges come at a fixed lag after another channel's events; the best channel, or None without data.

    ``stretches``: (start, end) in s where a stray edge could have come (while the crank turns): they give the share
    of time inside each lag window, so a busy channel is no better a match than a rare one. Each stray edge in turn
    anchors windows about its lag; the other edges inside are compared with a binomial of that share; p is corrected
    for anchors, widths and channels (Bonferroni). Bursts count as their first edge.
    """
    from scipy.special import bdtrc  # 0.4 s to import, and most records have no stray edges

    stray = np.sort(np.asarray(edges_s, dtype=np.float64).ravel())
    if stray.size:
        stray = stray[np.concatenate([[True], np.diff(group_bursts(stray, burst_gap_s)) > 0])]
    sorted_events = {name: np.sort(np.asarray(e, dtype=np.float64).ravel()) - LAG_LEAD_S for name, e in others.items()}
    channels = {name: e for name, e in sorted_events.items() if e.size}
    matches = []
    for name, events in channels.items():
        lags, chance = np.sort(_lags(stray, events)), _LagShare(stretches, events)
        if lags.size < 2 or chance.total_s <= 0.0:
            continue
        for width in widths_s:
            low, high = np.maximum(lags - width / 2.0, 0.0), lags + width / 2.0
            inside = np.searchsorted(lags, high, "right") - np.searchsorted(lags, low, "left")
            share = chance.between(low, high)
            tried = lags.size * len(widths_s) * len(channels)
            p = np.minimum(bdtrc(inside - 2, lags.size - 1, share) * tried, 1.0)
            k = int(np.lexsort((share, -inside, p))[0])  # where p ties at 0 or 1, the window with most edges
            at, expected = float(lags[k]) - LAG_LEAD_S, float(share[k] * lags.size)
            matches.append(LagMatch(name, at, width, int(inside[k]), int(stray.size), expected, float(p[k])))
    return min(matches, key=lambda m: (m.p, -m.inside), default=None)
