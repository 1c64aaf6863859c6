"""How many cylinders fire, and how evenly, from the ripple of the crank's speed.

Over a working cycle the energy of the crank follows the gas of its cylinders: their number and the angles between them
say which orders of the ripple are there and in which proportion and phase, whatever its size. Every pattern is fitted
to the orders seen; the one that leaves least is believed where every other number of cylinders leaves clearly more.
Six cylinders 90 and 150 degrees apart make mostly the orders of three, twins 270 and 450 apart those of one and three:
it is proportion and phase that tell them from the evenly firing ones.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np
from numpy.typing import NDArray

from witnessmark.wheel import cycles, gas
from witnessmark.wheel.cycles import LAGS
from witnessmark.wheel.model import CrankAngle, Layout, Passes

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

CYCLE_DEG = 720.0
TOP_ORDER = 12.0  # per turn: the firing order of twelve cylinders and its first multiple
STEP_DEG = 2.0
# Share of the ripple (of its power) that the believed pattern may leave, and how many times more any other number of
# cylinders has to leave (measured on simulated engines of one to twelve cylinders, see tests).
LEAVES, CLEARLY = 0.2, 3.0
# Ripple of speed squared below which nothing is told: as much as teeth in order make by their own errors (0.05 degrees
# on 6 are 1 % of an interval, a few tenths of it in one order).
LEAST = 0.006
# Cycles looked at together, so that a trend is told from the slowest order, and how many such blocks of a stretch.
BLOCK, MOST_BLOCKS = 2, 10
# Of so many cylinders and more, uneven firing is believed only where orders up to this are seen: below, five even ones
# look like four uneven ones (simulated, 12 slots with one gap).
MANY, MANY_ORDERS = 4, 4.0
LEAST_TEETH = 8  # of a turn, to do without those beside a gap
WHOLE = 0.8  # least share of a block's teeth that must have been seen


@dataclass(frozen=True, slots=True)
class Pattern:
    """Firing TDCs of one kind of engine in degrees of its cycle, cylinder 1's first."""

    cylinders: int
    tdc_deg: tuple[float, ...]

    @property
    def even(self) -> bool:
        """Whether all intervals are equal."""
        return bool(np.allclose(np.diff([*self.tdc_deg, CYCLE_DEG]), CYCLE_DEG / self.cylinders))


def _even(n: int) -> Pattern:
    return Pattern(n, tuple(CYCLE_DEG / n * k for k in range(n)))


def _pairs(n: int, apart_deg: float) -> Pattern:
    """Pairs at even distances, the second of each ``apart_deg`` after the first."""
    return Pattern(n, tuple(CYCLE_DEG / (n // 2) * (k // 2) + apart_deg * (k % 2) for k in range(n)))


# Even firing of one to twelve cylinders; uneven: twins on one or two pins at V angles of 45 to 90 degrees or with pins
# 180 apart, V fours and sixes of 90 degrees, V sixes and tens on pins of an even engine's V (memory, common layouts).
PATTERNS: tuple[Pattern, ...] = (
    *(_even(n) for n in (1, 2, 3, 4, 5, 6, 8, 10, 12)),
    *(_pairs(2, a) for a in (180.0, 270.0, 285.0, 300.0, 315.0)),
    _pairs(4, 90.0), Pattern(4, (0.0, 180.0, 450.0, 630.0)), _pairs(6, 90.0), _pairs(6, 110.0), _pairs(10, 54.0),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Place:
    """Where a pattern's first cylinder has its firing TDC in one stretch, modulo ``repeat_deg``.

    group: number of the stretch (the segment of CrankAngle, whose angle scale it is). left: share of that stretch's
    ripple (of its power) that the pattern leaves.
    """

    group: int
    running: bool
    tdc_deg: float
    repeat_deg: float
    left: float
    cycles: int


@dataclass(frozen=True, slots=True)
class Match:
    """A pattern where it fits best in every stretch. left: share of the ripple's power it leaves over all of them."""

    pattern: Pattern
    left: float
    places: tuple[Place, ...]


@dataclass(frozen=True, slots=True)
class Firing:
    """What the ripple says. pattern None: it says nothing, and why is in ``because``.

    left, next_left: share of the ripple's power left by the best pattern and by the best other number of cylinders.
    """

    pattern: Pattern | None
    because: str
    places: tuple[Place, ...] = ()
    left: float = 1.0
    next_left: float = 1.0
    cycles: int = 0


@dataclass(frozen=True, slots=True)
class Ripple:
    """Orders of speed squared of one stretch relative to its mean: lines [k] at ``orders`` per turn."""

    lines: Complex
    orders: Array
    running: bool
    cycles: int
    group: int


def beside_gap(teeth_deg: Array) -> NDArray[np.bool_]:
    """Teeth next to a gap: variable reluctance times them late and early by design."""
    step = np.diff(np.append(teeth_deg, teeth_deg[0] + 360.0))
    gap = step > 1.4 * np.median(step)
    return np.asarray(gap | np.roll(gap, 1))


def ripples(
    angle_deg: Array, time_s: Array, group: NDArray[np.int64], tooth: NDArray[np.int64], teeth_deg: Array,
    running_rpm: float,
) -> list[Ripple]:  # fmt: skip
    """The ripple of every stretch of cranking or running, averaged over blocks of BLOCK steady cycles.

    angle_deg, time_s, group, tooth [m]: nominal angle, time, decoded stretch and tooth of each passage seen.
    """
    away = ~beside_gap(teeth_deg)
    keep = away[tooth] if away.sum() >= LEAST_TEETH else np.ones(tooth.size, np.bool_)
    angle_deg, time_s, group = angle_deg[keep], time_s[keep], group[keep]
    teeth = int(away.sum()) if away.sum() >= LEAST_TEETH else away.size
    out = []
    for number in np.unique(group):
        a, t = angle_deg[group == number], time_s[group == number]
        if a.size < teeth or np.any(np.diff(a) <= 0.0) or np.any(np.diff(t) <= 0.0):
            continue
        blocks = _blocks(a, t, teeth)
        for running in (False, True):
            mine = [s for s, rpm in blocks if (rpm > running_rpm) == running]
            mine = [mine[k] for k in np.unique(np.linspace(0, len(mine) - 1, MOST_BLOCKS).astype(int))] if mine else []
            looks = [_lines(a[s], t[s]) for s in mine]
            if looks:
                least = min(line.size for line in looks)
                lines = np.mean([line[:least] for line in looks], axis=0)
                out.append(Ripple(lines, np.arange(1, least + 1) / 2.0, running, BLOCK * len(looks), int(number)))
    return out


def _blocks(angle_deg: Array, time_s: Array, teeth: int) -> list[tuple[slice, float]]:
    """(passages, rpm) of blocks of whole cycles in steady rotation, counted from the end: the start is spin-up."""
    size, out = BLOCK * CYCLE_DEG, []
    for start in np.arange(angle_deg[-1] - size, angle_deg[0] - 1e-6, -size)[::-1]:
        i, j = np.searchsorted(angle_deg, [start - 1e-6, start + size + 1e-6])
        if j - i < WHOLE * 2 * BLOCK * teeth:
            continue
        ends = np.interp(start + CYCLE_DEG * np.arange(BLOCK + 1), angle_deg, time_s)
        if np.ptp(np.log(np.diff(ends))) <= cycles.STEADY:
            out.append((slice(i, j), float(120.0 * BLOCK / (ends[-1] - ends[0]))))
    return out


def _lines(angle_deg: Array, time_s: Array) -> Complex:
    """Parts of half the square of speed at 0.5, 1.0, 1.5 .. per turn, relative to its mean, beside a slow trend."""
    step = np.diff(angle_deg)
    middle = angle_deg[:-1] + 0.5 * step
    k = 0.5 * (step / np.diff(time_s)) ** 2
    orders = np.arange(0.5, min(TOP_ORDER, angle_deg.size / (8.0 * BLOCK)) + 0.1, 0.5)
    x = (middle - angle_deg[0]) / (BLOCK * CYCLE_DEG) - 0.5
    turned = np.radians(np.outer(middle, orders))
    columns = np.column_stack([np.ones(x.size), x, x * x, np.cos(turned), np.sin(turned)])
    weight = np.sqrt(step)[:, None]
    solved = np.linalg.lstsq(columns * weight, k * weight[:, 0], rcond=None)[0]
    return np.asarray((solved[3 : 3 + orders.size] - 1j * solved[3 + orders.size :]) / np.mean(k))


def of_wheel(passes: Passes, layout: Layout, angle: CrankAngle, running_rpm: float) -> Firing:
    """Number and pattern of the firing cylinders of a decoded record."""
    return told(ripples_of(passes, layout, angle, running_rpm))


def ripples_of(passes: Passes, layout: Layout, angle: CrankAngle, running_rpm: float) -> list[Ripple]:
    """The ripple of every stretch of a decoded record."""
    from witnessmark.wheel.passes import angle_of_passes, piece_of  # what it imports compiles

    rows = np.flatnonzero(passes.used & (passes.edge >= 0))
    piece = piece_of(passes, angle)
    rows = rows[piece[rows] >= 0]
    tooth = passes.tooth[rows].astype(np.int64)
    nominal = angle_of_passes(passes, layout)[rows]
    for number in np.unique(piece[rows]):  # onto the scale of CrankAngle, by whole turns
        mine = piece[rows] == number
        nominal[mine] += 360.0 * np.rint(np.median(angle.at(passes.time_s[rows][mine]) - nominal[mine]) / 360.0)
    return ripples(nominal, passes.time_s[rows], piece[rows], tooth, np.asarray(layout.teeth_deg), running_rpm)


def told(found: list[Ripple], what: str = "speed") -> Firing:
    """Number and pattern of the firing cylinders from the ripple of all stretches together.

    what: whose ripple it is, in words.
    """
    seen = [r for r in found if float(np.sqrt(0.5 * np.sum(np.abs(r.lines) ** 2))) >= LEAST]
    if not seen:
        return Firing(
            None, f"the {what} does not ripple" if found else "no two whole cycles of steady rotation decoded"
        )
    matches = matched(seen)
    best = matches[0]
    other = next(m for m in matches if m.pattern.cylinders != best.pattern.cylinders)
    count = sum(r.cycles for r in seen)
    leaves = f"it leaves {100 * best.left:.0f} % of the ripple, the best other number {100 * other.left:.0f} %"
    if best.left > LEAVES or other.left < CLEARLY * best.left:
        why = f"no number of cylinders explains the ripple of {count} cycles clearly (of the best, {leaves})"
        return Firing(None, why, (), best.left, other.left, count)
    top = max(float(r.orders[-1]) for r in seen)
    if not best.pattern.even and best.pattern.cylinders >= MANY and top < MANY_ORDERS:
        why = f"the wheel shows the ripple up to {top:g} a turn only: too little to tell uneven firing from even"
        return Firing(None, why, (), best.left, other.left, count)
    how = "" if best.pattern.even else " at uneven distances"
    n = best.pattern.cylinders
    words = f"{n} compression{'s' if n > 1 else ''} a cycle{how} in the {what} of {count} cycles ({leaves})"
    return Firing(best.pattern, words, best.places, best.left, other.left, count)


def matched(seen: list[Ripple], patterns: tuple[Pattern, ...] = PATTERNS) -> list[Match]:
    """Every pattern at its best place in each stretch, sorted by what it leaves of all."""
    weight = np.array([r.cycles for r in seen], np.float64)
    out = []
    for pattern in patterns:
        places = tuple(_place(r, pattern) for r in seen)
        out.append(Match(pattern, float(np.average([p.left for p in places], weights=weight)), places))
    return sorted(out, key=lambda m: m.left)


def _place(r: Ripple, pattern: Pattern) -> Place:
    """One pattern where it fits best in one stretch."""
    orders = tuple(r.orders.tolist())
    together = _together(pattern, orders)
    repeat = repeat_deg(pattern)
    seen = r.lines[:, None] * _turned_back(orders, repeat)
    parts: tuple[gas.Part, ...] = ("motored", "burnt") if r.running else ("motored",)
    best = (np.inf, 0.0)
    for lag in (0.0,) if r.running else LAGS:
        columns = [gas.coefficients(part, r.orders, lag) * together for part in parts]
        left = _least(r.lines, columns, seen)
        k = int(np.argmin(left))
        best = min(best, (float(left[k]), float(k * STEP_DEG)))
    share = best[0] / float(np.sum(np.abs(r.lines) ** 2))
    return Place(r.group, r.running, best[1], repeat, share, r.cycles)


@lru_cache(maxsize=256)  # every stretch asks for the same ones
def _together(pattern: Pattern, orders: tuple[float, ...]) -> Complex:
    """What the pattern makes of one cylinder's part at each order [k]."""
    return np.asarray(np.exp(-1j * np.radians(np.outer(np.array(orders), np.array(pattern.tdc_deg)))).sum(axis=1))


@lru_cache(maxsize=32)  # one for each distance after which a pattern repeats
def _turned_back(orders: tuple[float, ...], repeat_deg: float) -> Complex:
    """Turns a ripple back to TDC at zero, from every place [k, places]."""
    places = np.arange(0.0, repeat_deg, STEP_DEG)
    return np.asarray(np.exp(-1j * np.radians(np.outer(np.array(orders), places))).conj())


def _least(lines: Complex, columns: list[Complex], seen: Complex) -> Array:
    """Power left at every place by the columns with sizes that are real and not negative.

    seen [k, places]: the lines turned back to TDC at zero from every place.
    """
    whole = np.sum(np.abs(lines) ** 2)
    one = [np.real(c.conj() @ seen) for c in columns]
    norm = [float(np.sum(np.abs(c) ** 2)) + 1e-12 for c in columns]
    gains = [np.maximum(o, 0.0) ** 2 / n for o, n in zip(one, norm, strict=True)]
    best = np.max(gains, axis=0)
    if len(columns) == 2:
        cross = float(np.real(columns[0].conj() @ columns[1]))
        det = norm[0] * norm[1] - cross**2
        if det > 1e-9 * norm[0] * norm[1]:
            a = (norm[1] * one[0] - cross * one[1]) / det
            b = (norm[0] * one[1] - cross * one[0]) / det
            both = a * one[0] + b * one[1]
            best = np.where((a > 0.0) & (b > 0.0), np.maximum(best, both), best)
    return np.asarray(np.maximum(whole - best, 0.0))


@cache
def repeat_deg(pattern: Pattern) -> float:
    """Angle after which the pattern repeats."""
    n = pattern.cylinders
    at = np.array(pattern.tdc_deg)
    for k in range(1, n + 1):
        if n % k == 0 and np.allclose(np.sort((at + CYCLE_DEG * k / n) % CYCLE_DEG), np.sort(at)):
            return CYCLE_DEG * k / n
    return CYCLE_DEG
