"""Which teeth stand out from all others: by passages without an edge, and by stray edges at one wheel angle."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from witnessmark.findings.measured import Bools, Measured, Rows
from witnessmark.findings.statistics import log10_bf_one_tooth

# Teeth that can stand out at once; more bad teeth than this are no matter of single teeth.
MOST_TEETH = 4


@dataclass(frozen=True)
class Standout:
    """A tooth (index) that failed in ``hits`` of ``passages``, all teeth not standing out in ``elsewhere`` of the rest.

    log10_bf: "this tooth has its own rate" against "one rate everywhere".
    """

    tooth: int
    hits: int
    passages: int
    elsewhere: int
    elsewhere_passages: int
    log10_bf: float


def by_tooth(flag: Bools, m: Measured) -> Rows:
    """Count of flagged passages of each tooth [n]."""
    return np.bincount(m.wheel.passes.tooth[flag], minlength=m.teeth).astype(np.int64)


def standing_out(miss: Bools, m: Measured, least_log10: float, leave_out: Iterable[int] = ()) -> list[Standout]:
    """Teeth whose failures one rate for all teeth does not explain, most failing first."""
    n = m.teeth
    if n < 2:
        return []
    hits, passages = by_tooth(miss, m), by_tooth(m.wheel.passes.used, m)
    left = np.ones(n, bool)
    left[list(leave_out)] = False
    chosen: list[int] = []
    while len(chosen) < MOST_TEETH and (left & (hits > 0)).any():
        share = np.where(left & (passages > 0), hits / np.maximum(passages, 1), -1.0)
        worst = int(np.lexsort((hits, share))[-1])
        if _stands_out(worst, left, hits, passages).log10_bf < least_log10:
            break
        chosen.append(worst)
        left[worst] = False
    return [_stands_out(i, left, hits, passages) for i in chosen]


def _stands_out(tooth: int, left: Bools, hits: Rows, passages: Rows) -> Standout:
    others = left.copy()
    others[tooth] = False
    teeth = int(others.sum()) + 1
    turns, k = int(passages[tooth]), int(hits[tooth])
    elsewhere, trials = int(hits[others].sum()), int(passages[others].sum())
    if teeth < 2 or turns == 0 or trials == 0:
        return Standout(tooth, k, turns, elsewhere, trials, -np.inf)
    # the same number of turns for all teeth (a record seldom ends with a whole turn)
    scaled = min(round(elsewhere * turns * (teeth - 1) / trials), turns * (teeth - 1))
    return Standout(tooth, k, turns, elsewhere, trials, log10_bf_one_tooth(k, turns, scaled, teeth))


@dataclass(frozen=True)
class Cluster:
    """Stray edges (rows of ``WheelResult.extras``) at one wheel angle (degrees after slot 1): ``hits`` of ``turns``."""

    rows: Rows
    angle_deg: float
    spread_deg: float
    hits: int
    turns: int
    elsewhere: int
    log10_bf: float


def clusters(m: Measured, share_of_pitch: float, least_log10: float) -> list[Cluster]:
    """Wheel angles at which stray edges come again turn after turn; window half width in shares of a pitch."""
    rows = np.flatnonzero(m.usable_extras)
    if m.layout is None or rows.size < 2:
        return []
    half = share_of_pitch * m.layout.pitch_deg
    angle = m.wheel.extras.angle_deg[rows]
    out: list[Cluster] = []
    while rows.size >= 2 and len(out) < MOST_TEETH:
        best = _densest(angle, half)
        turn = np.floor((angle[best] - np.median(np.mod(angle[best], 360.0)) + 180.0) / 360.0)
        hits, elsewhere = int(np.unique(turn).size), int(rows.size - best.sum())
        place = _mean_angle(angle[best])
        turns = max(_turns_over(m, place), hits)
        places = max(2, round(180.0 / half))
        bf = log10_bf_one_tooth(hits, turns, min(elsewhere, turns * (places - 1)), places)
        if hits < 2 or bf < least_log10:
            break
        off = (angle[best] - place + 180.0) % 360.0 - 180.0
        out.append(Cluster(rows[best], place, float(np.std(off)), hits, turns, elsewhere, bf))
        rows, angle = rows[~best], angle[~best]
    return out


def _densest(angle: np.ndarray, half: float) -> Bools:
    """The stray edges within the fullest window of the turn."""
    folded = np.mod(angle, 360.0)
    off = np.abs((folded[:, None] - folded[None, :] + 180.0) % 360.0 - 180.0) <= half
    return np.asarray(off[int(np.argmax(off.sum(axis=1)))])


def _mean_angle(angle: np.ndarray) -> float:
    """Circular mean in degrees, 0 <= a < 360."""
    z = np.exp(1j * np.radians(angle)).mean()
    return float(np.degrees(np.angle(z)) % 360.0)


def _turns_over(m: Measured, angle_deg: float) -> int:
    """How often this wheel angle passed in stretches in use: passages of the nearest tooth."""
    assert m.layout is not None
    teeth = np.asarray(m.layout.teeth_deg)
    nearest = int(np.argmin(np.abs((teeth - angle_deg + 180.0) % 360.0 - 180.0)))
    return int(np.sum(m.wheel.passes.used & (m.wheel.passes.tooth == nearest)))
