"""What tells cylinder 1's firing TDC, or the turn it lies in, beside cams and setup: ripple and injection."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from witnessmark.engine import circular
from witnessmark.engine.count import Count
from witnessmark.engine.tracks import Alignment, Track
from witnessmark.engine.unroll import UNKNOWN_TURN, Unrolled
from witnessmark.wheel.firing import CYCLE_DEG, Place

# Ripple of cranking that the firing pattern must explain (share of its power it may leave), over so many cycles.
MOST_LEFT, LEAST_CYCLES = 0.12, 4
# Half width of a TDC by the ripple: gas model and starter are those of a usual engine (measured on simulated ones of
# one to twelve cylinders: within 8 degrees).
RIPPLE_DOUBT_DEG = 10.0
RIPPLE_CERTAINTY = 0.6
# The turn is told where the ripple's TDC lies this near to one turn's, in shares of half a repeat of the firing
# pattern, and this many times nearer than to the other turn's.
NEAR, NEARER = 0.4, 2.0
TURN_CERTAINTY = 0.85
# Pulses within one compression stroke serve the same charge (common practice, no source).
SAME_CHARGE_DEG = 80.0


def ripple_place(count: Count, unrolled: Unrolled, alignment: Alignment) -> tuple[float, float] | None:
    """(cylinder 1's firing TDC on the scale of aligned turns, angle after which the pattern repeats) by the ripple.

    From the longest stretch of cranking whose turn is known; None where there is none that is explained.
    """
    best: tuple[int, Place] | None = None
    for place in count.places:
        turn = alignment.turn[place.group] if place.group < len(alignment.turn) else UNKNOWN_TURN
        good = not place.running and place.left <= MOST_LEFT and place.cycles >= LEAST_CYCLES
        if good and turn != UNKNOWN_TURN and (best is None or place.cycles > best[1].cycles):
            best = (turn + unrolled.shift_turns[place.group], place)
    if best is None:
        return None
    turns, place = best
    return float(np.mod(place.tdc_deg + 360.0 * turns, CYCLE_DEG)), place.repeat_deg


def turn_by_ripple(place: tuple[float, float] | None, tdc_deg: float) -> int | None:
    """Which of the two turns after a TDC known within the turn is the firing one, by the ripple.

    Only where compressions of the two turns interleave: odd numbers of cylinders and uneven firing.
    """
    if place is None:
        return None
    deg, repeat = place
    off = [abs(float(circular.signed(deg - tdc_deg - 360.0 * h, repeat))) for h in (0, 1)]
    best = int(np.argmin(off))
    if off[best] > NEAR * 0.5 * repeat or off[1 - best] < NEARER * max(off[best], 1.0):
        return None
    return best


def whole_cycle(count: Count, place: tuple[float, float] | None) -> float | None:
    """Cylinder 1's firing TDC by the ripple alone: where the pattern comes once a cycle and cylinder 1 is known."""
    known = count.cylinders == 1 or count.source == "setup"
    return place[0] if place is not None and known and place[1] >= CYCLE_DEG else None


def first_of_charge(track: Track) -> Track:
    """A line's commands without those that follow another for the same charge (pilot and main injection)."""
    first = np.ones(len(track), np.bool_)
    first[1:] = (np.diff(track.angle_deg) > SAME_CHARGE_DEG) | (np.diff(track.segment) != 0)
    return replace(
        track, time_s=track.time_s[first], angle_deg=track.angle_deg[first], segment=track.segment[first],
        kind=track.kind[first], trusted=track.trusted[first],
    )  # fmt: skip
