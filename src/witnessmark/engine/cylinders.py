"""Number of cylinders: from the setup, else from the ripple of speed, held against what coil and injector lines show.

Where speed does not tell (few teeth), the ripple of the starter's current is asked.

The ripple counts compressions in two turns. A two-stroke engine makes each of its compressions in every turn: where no
line shows that something comes once in two turns only, an even number is open to that reading too. A wrong number does
more harm than none, so every contradiction leaves it unknown.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from witnessmark.engine.count import Count
from witnessmark.engine.facts import Facts
from witnessmark.engine.tracks import Alignment, Track
from witnessmark.wheel import firing
from witnessmark.wheel.firing import Firing, Pattern, Place, Ripple
from witnessmark.wheel.model import WheelResult

RUNNING_RPM = 450.0
# How sure a number is (estimates): where the pattern explains nearly all of the ripple, most of it, where lines confirm
# it, and the share kept where a two-stroke engine is not ruled out (rare in vehicles).
CLEAR, FAIR, CONFIRMED, FOUR_STROKES = 0.95, 0.88, 0.98, 0.92
NEARLY_ALL = 0.05
BY_SPARKS = 0.75
# Intervals of a line that must keep a distance, and how exactly.
MOST_OF_THEM, WITHIN_DEG = 0.8, 25.0
# Distances between the sparks of one coil that serves all cylinders: three to eight of them, four strokes.
SHARED_DEG = {240.0: 3, 180.0: 4, 144.0: 5, 120.0: 6, 90.0: 8}


def find(
    facts: Facts, wheel: WheelResult, alignment: Alignment, outputs: Sequence[Track],
    current: Callable[[], list[Ripple]] | None = None,
) -> Count:  # fmt: skip
    """The number of cylinders.

    outputs: commands of the coil and injector lines on crank angle. current: the ripple as the starter's current shows
    it, asked for where that of speed does not tell.
    """
    ripples = [] if wheel.layout is None else firing.ripples_of(wheel.passes, wheel.layout, wheel.angle, RUNNING_RPM)
    if facts.cylinders is not None:
        return _said(facts, facts.cylinders, ripples)
    told = firing.told(ripples)
    if told.pattern is None and current is not None:
        told = _by_current(told, firing.told(current(), "starter current"))
    if facts.strokes == 2:
        return _two_stroke(told)
    return _four_stroke(told, _once_in_two_turns(alignment, outputs), outputs)


def _by_current(speed: Firing, current: Firing) -> Firing:
    """What the starter's current tells where speed does not: how many and how they fire, not where their TDC is."""
    if current.pattern is None:
        return speed
    return replace(current, places=(), because=f"{current.because}; {speed.because}")


def _said(facts: Facts, n: int, ripples: list[firing.Ripple]) -> Count:
    """The setup's number, and where the ripple puts its firing pattern."""
    cycle = facts.cycle_deg
    known = len(facts.firing_deg) == n
    angles = tuple(sorted(facts.firing_deg.values())) if known else tuple(cycle / n * k for k in range(n))
    uneven = None if known or cycle != firing.CYCLE_DEG else firing.told(ripples).pattern
    if uneven is not None and uneven.cylinders == n:  # the setup says how many, not how they fire
        angles = uneven.tdc_deg
    places: tuple[Place, ...] = ()
    if cycle == firing.CYCLE_DEG and ripples:
        places = firing.matched(ripples, (Pattern(n, angles),))[0].places
    return Count(n, "setup", 1.0, "given in the setup", angles, cycle, places)


def _two_stroke(told: Firing) -> Count:
    """The setup says two strokes and no number: the ripple's pattern comes twice in two turns."""
    n = 0 if told.pattern is None or not told.pattern.even else told.pattern.cylinders
    if n == 0 or n % 2:
        return Count(None, "", 0.0, told.because)
    angles = tuple(720.0 / n * k for k in range(n // 2))
    return Count(n // 2, "inferred", FAIR, f"{told.because}, every one of them in each turn", angles, 360.0)


def _four_stroke(told: Firing, proven: str, outputs: Sequence[Track]) -> Count:
    shared = _shared_coil(outputs)
    if told.pattern is None:
        if shared is not None and proven:
            angles = tuple(720.0 / shared * k for k in range(shared))
            why = f"one coil sparks every {720 / shared:.0f} degrees, and {proven}; {told.because}"
            return Count(shared, "inferred", BY_SPARKS, why, angles)
        return Count(None, "", 0.0, told.because)
    n = told.pattern.cylinders
    against = _against(n, shared, outputs)
    if against:
        return Count(None, "", 0.0, f"{told.because}, but {against}")
    if n % 2 == 0 and not proven and (n == 2 or _every_turn(outputs)):
        other = f"a two-stroke engine of {n // 2} cylinder{'s' if n > 2 else ''} would look the same"
        return Count(None, "", 0.0, f"{told.because}; {other}")
    certainty = CLEAR if told.left < NEARLY_ALL else FAIR
    why = told.because
    if shared == n or _lines_of(outputs) == n:
        certainty = CONFIRMED
        why += ", as many as the outputs serve"
    if proven:
        why += f"; {proven}"
    elif n % 2 == 0:
        certainty *= FOUR_STROKES
        why += "; taken for a four-stroke engine"
    return Count(n, "inferred", certainty, why, told.pattern.tdc_deg, 720.0, told.places)


def _against(n: int, shared: int | None, outputs: Sequence[Track]) -> str:
    """What the output lines say against a number of cylinders; "" where nothing."""
    if shared is not None and shared != n:
        return f"one coil sparks {shared} times in two turns"
    numbered = [t.line.cylinder for t in outputs if t.line.cylinder is not None]
    if numbered and max(numbered) > n:
        return f"a line belongs to cylinder {max(numbered)}"
    return f"{_lines_of(outputs)} lines of one kind each serve a cylinder" if _lines_of(outputs) > n else ""


def _lines_of(outputs: Sequence[Track]) -> int:
    """Largest number of lines of one kind that give one command in two turns each."""
    kinds = [t.line.role for t in outputs if _keeps(t, 720.0)]
    return max((kinds.count(k) for k in set(kinds)), default=0)


def _once_in_two_turns(alignment: Alignment, outputs: Sequence[Track]) -> str:
    """What shows that the engine's cycle is two turns long, in words; "" where nothing does."""
    if alignment.tells and alignment.source == "cam":
        return "a cam line repeats every second turn"
    line = next((t.line for t in outputs if _keeps(t, 720.0)), None)
    return "" if line is None else f"{line.name} gives one command in two turns"


def _every_turn(outputs: Sequence[Track]) -> bool:
    """Whether an output line gives a command in every turn."""
    return any(_keeps(t, 360.0) for t in outputs)


def _shared_coil(outputs: Sequence[Track]) -> int | None:
    """Cylinders that the only coil line serves at even distances; None where it is not such a line."""
    coils = [t for t in outputs if t.line.role == "coil"]
    if len(coils) != 1:
        return None
    return next((n for deg, n in SHARED_DEG.items() if _keeps(coils[0], deg)), None)


def _keeps(track: Track, distance_deg: float) -> bool:
    """Whether a line's commands keep one distance."""
    each = [np.diff(track.angle_deg[track.segment == s]) for s in np.unique(track.segment)]
    gaps = np.concatenate([np.empty(0), *each])
    within = min(WITHIN_DEG, distance_deg / 8.0)
    return len(gaps) >= 3 and float(np.mean(np.abs(gaps - distance_deg) < within)) >= MOST_OF_THEM
