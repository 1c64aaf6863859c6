"""Working cycles of the crank as linear systems: what trend, gas and wheel each add to the times of the edges.

Unit of a window: one whole cycle (720 degrees). Speed is described by K, half its square in (deg/s)^2: energy over
inertia, in which torques add up. A change f of K makes an edge at angle a late by -w(a) * integral of f / (2 K w) in
degrees (w: speed), an angle error of the wheel makes it late by itself.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from witnessmark.wheel import gas

Array = NDArray[np.float64]

CYCLE_DEG = 720.0
STEP_DEG = 2.0
GRID = np.arange(0.0, CYCLE_DEG + 0.5 * STEP_DEG, STEP_DEG)
STEADY = 0.18  # log of the ratio of the second turn's time to the first's; beyond it the engine runs up or down
COUNTS = (3, 4, 5, 6, 8)  # of cylinders; with one or two, compression itself comes once per turn
LEAST_TO_SHARPEN = 28  # teeth
SHIFTS_DEG = (-6.0, -3.0, 0.0, 3.0, 6.0)
LAGS = (0.3, 0.6, 0.9, 1.2, 1.5)  # of a starter, per radian (derived: slope of torque over speed / (inertia * speed))
BEAT_ORDER = 6.0  # highest order that the phase of the firing events is taken from
FREE_ORDER = 6.0  # highest order of what all cylinders share
# Share by which cylinders of an engine in order differ in charge and in combustion, and by which combustion varies
# from cycle to cycle, as standard deviations (common practice: 10 to 15 % of spread accepted in compression; memory:
# combustion scatters by 5 to 10 % at idle).
UNLIKE, UNLIKE_BURNT, UNSTEADY, UNSTEADY_CRANKING = 0.02, 0.02, 0.07, 0.01


@dataclass(frozen=True)
class Window:
    """One cycle: passages [k] with angle in degrees, time in s, tooth; first: index of the first of them."""

    group: int
    first: int
    angle_deg: Array
    time_s: Array
    tooth: NDArray[np.int64]
    rpm: float

    @cached_property
    def look(self) -> tuple[Array, NDArray[np.complex128], Array]:
        """``energy`` of this cycle, worked out once."""
        return energy(self)


@dataclass(frozen=True)
class Beat:
    """The firing events of a stretch: how many a cycle, firing TDC of one of them, K per unit of gas torque, lag."""

    cylinders: int
    tdc_deg: float
    size: float
    lag: float
    fired: bool
    one_deg: float  # lateness at order 1 that the whole gas work of one cylinder would make


@dataclass(frozen=True)
class System:
    """One cycle: late [k] against its smooth speed, rows [k, p] of gas differences (``shared`` of them) and the rest.

    prior [p]: information known beforehand. wheel [k, 2]: cosine and sine of each passage's angle. tooth [k].
    cost: twice the negative log likelihood at the best values, up to a constant.
    """

    wheel: Array
    rows: Array
    shared: int
    late: Array
    prior: Array
    tooth: NDArray[np.int64]
    noise_deg: float
    cost: float
    first: int
    rpm: float

    def reduced(self, teeth: int) -> tuple[Array, Array]:
        """Information and vector of wheel (2), single teeth (``teeth``) and shared gas; what varies is taken out."""
        single = np.zeros((self.late.size, teeth))
        single[np.arange(self.late.size), self.tooth] = 1.0
        full = np.column_stack([self.wheel, single, self.rows]) / self.noise_deg
        keep = 2 + teeth + self.shared
        info = full.T @ full
        info[np.arange(keep, info.shape[0]), np.arange(keep, info.shape[0])] += self.prior[self.shared :]
        vector = full.T @ (self.late / self.noise_deg)
        solved = np.linalg.solve(info[keep:, keep:], np.column_stack([info[keep:, :keep], vector[keep:]]))
        part = info[:keep, keep:]
        return info[:keep, :keep] - part @ solved[:, :keep], vector[:keep] - part @ solved[:, keep]


def windows(
    angle_deg: Array, time_s: Array, group: NDArray[np.int64], tooth: NDArray[np.int64], teeth: int, most: int
) -> list[Window]:
    """Whole cycles in steady rotation, one after the other in each stretch, at most ``most`` spread over the record."""
    out: list[Window] = []
    for number in np.unique(group):
        rows = np.flatnonzero(group == number)
        a, t = angle_deg[rows], time_s[rows]
        if rows.size < 2 * teeth or np.any(np.diff(a) <= 0.0) or np.any(np.diff(t) <= 0.0):
            continue
        # counted from the end: what is left over at the start is spin-up
        for start in np.arange(a[-1] - CYCLE_DEG, a[0] - 1e-6, -CYCLE_DEG)[::-1]:
            i, j = np.searchsorted(a, [start - 1e-6, start + CYCLE_DEG + 1e-6])
            if j - i < 1.6 * teeth:
                continue
            first, middle, last = np.interp(start + np.array([0.0, 360.0, 720.0]), a, t)
            if abs(np.log((last - middle) / (middle - first))) > STEADY:
                continue
            mine = rows[i:j]
            out.append(Window(int(number), int(mine[0]), a[i:j], t[i:j], tooth[mine], 120.0 / (last - first)))
    if len(out) > most:
        out = [out[k] for k in np.unique(np.linspace(0, len(out) - 1, most).astype(int))]
    return out


def _waves(angle_deg: Array, orders: Array) -> Array:
    turned = np.radians(np.outer(angle_deg, orders))
    return np.concatenate([np.cos(turned), np.sin(turned)], axis=1)


def energy(w: Window) -> tuple[Array, NDArray[np.complex128], Array]:
    """First look at one cycle: K on the window's grid, and its parts at ``orders`` relative to the mean."""
    step = np.diff(w.angle_deg)
    middle = w.angle_deg[:-1] + 0.5 * step
    k = 0.5 * (step / np.diff(w.time_s)) ** 2
    orders = np.arange(0.5, min(BEAT_ORDER, w.angle_deg.size / 8.0) + 0.1, 0.5)
    weight = np.sqrt(step)[:, None]
    x = (middle - w.angle_deg[0]) / CYCLE_DEG - 0.5
    columns = np.column_stack([np.ones(x.size), x, x * x, _waves(middle, orders)])
    solved = np.linalg.lstsq(columns * weight, k * weight[:, 0], rcond=None)[0]
    grid = w.angle_deg[0] + GRID
    x = GRID / CYCLE_DEG - 0.5
    on_grid = np.column_stack([np.ones(x.size), x, x * x, _waves(grid, orders)]) @ solved
    mean = float(np.mean(k))
    lines = (solved[3 : 3 + orders.size] - 1j * solved[3 + orders.size :]) / mean
    return np.maximum(on_grid, 0.1 * mean), lines, orders


def beat(stretch: list[Window], running: bool, cylinders: int) -> Beat | None:
    """Phase and size of the ripple of one stretch; None where compression comes once per turn or less, or unseen."""
    looks = [w.look for w in stretch]
    least = min(look[1].size for look in looks)
    if cylinders < COUNTS[0] or cylinders > least:
        return None
    lines = np.mean([look[1][:least] for look in looks], axis=0)
    orders = looks[0][2][:least]
    mean = float(np.mean([np.mean(look[0]) for look in looks]))
    mine = np.arange(cylinders - 1, least, cylinders)
    seen = lines[mine] / orders[mine]
    tdc = np.arange(0.0, CYCLE_DEG / cylinders, 0.5)
    turned = np.exp(-1j * np.radians(np.outer(tdc, orders[mine]))) / orders[mine]
    part: gas.Part = "fired" if running else "motored"
    tried = []
    for lag in (0.0,) if running else LAGS:
        model = cylinders * gas.coefficients(part, orders[mine], lag)[None, :] * turned
        size = np.real(model.conj() @ seen) / np.sum(np.abs(model) ** 2, axis=1)
        left = np.sum(np.abs(seen[None, :] - size[:, None] * model) ** 2, axis=1) + 1e9 * (size < 0)
        k = int(np.argmin(left))
        tried.append((float(left[k]), float(tdc[k]), float(size[k]), lag))
    _, phase, relative, lag = min(tried)
    whole = abs(gas.coefficients(part, np.array([1.0]), lag)[0])
    return Beat(cylinders, phase, relative * mean, lag, running, float(np.degrees(0.5 * relative * whole)))


def _lateness(columns: Array, k: Array, w: Window) -> tuple[Array, Array]:
    """(rows [edges, columns], lateness against K in degrees plus what K itself gives) of columns [grid, p] of K."""
    speed = np.sqrt(2.0 * k)
    inner = columns / (2.0 * k * speed)[:, None]
    summed = np.concatenate([np.zeros((1, columns.shape[1])), np.cumsum(0.5 * (inner[1:] + inner[:-1]), axis=0)])
    summed *= STEP_DEG
    slow = 1.0 / speed
    clock = np.concatenate([[0.0], np.cumsum(0.5 * (slow[1:] + slow[:-1]))]) * STEP_DEG
    x = (w.angle_deg - w.angle_deg[0]) / STEP_DEG
    low = np.minimum(x.astype(np.int64), GRID.size - 2)
    part = x - low
    at = np.interp(x, np.arange(GRID.size), speed)
    rows = -(summed[low] * (1.0 - part)[:, None] + summed[low + 1] * part[:, None]) * at[:, None]
    due = clock[low] * (1.0 - part) + clock[low + 1] * part
    rows = np.column_stack([rows, at / at.mean()])
    return rows, (w.time_s - w.time_s[0] - 1.5 * due) * at


def _columns(w: Window, beat: Beat, k: Array, wider: float) -> tuple[Array, Array, int]:
    """Columns of K on the grid, the prior information of each (of rows too: the last is time), and how many are shared.

    Shared by all cycles of a stretch: how the cylinders differ in charge and, fired, in combustion; ``wider`` times
    what engines in order show.
    """
    grid = w.angle_deg[0] + GRID
    mean = float(k.mean())
    lag: Array = np.sqrt(np.float64(mean * beat.lag**2) / k)[:-1]
    step = CYCLE_DEG / beat.cylinders
    own: Array = beat.tdc_deg + step * np.arange(beat.cylinders, dtype=np.float64)
    parts = [gas.periodic("fired" if beat.fired else "motored", grid[:-1], own, lag)]
    prior = [np.full(own.size, (wider * UNLIKE) ** -2)]
    if beat.fired:
        parts.append(gas.periodic("burnt", grid[:-1], own, lag))
        prior.append(np.full(own.size, (wider * UNLIKE_BURNT) ** -2))
    shared = np.concatenate(parts, axis=1)
    events = beat.tdc_deg + step * np.arange(
        np.ceil((grid[0] - 130.0 - beat.tdc_deg) / step), np.floor((grid[-1] + 130.0 - beat.tdc_deg) / step) + 1
    )
    single = gas.once("burnt" if beat.fired else "motored", grid, events)
    prior.append(np.full(events.size, (UNSTEADY if beat.fired else UNSTEADY_CRANKING) ** -2))
    x = GRID / CYCLE_DEG - 0.5
    orders = 0.5 * beat.cylinders * np.arange(1, 13)
    orders = orders[orders <= max(min(FREE_ORDER, w.angle_deg.size / 8.0), orders[0])]
    # what all cylinders share: their gas as a whole for the high orders, the low ones free
    alike = [shared[:, i : i + beat.cylinders].sum(axis=1) for i in range(0, shared.shape[1], beat.cylinders)]
    free = np.column_stack([np.ones(x.size), x, x * x - 1.0 / 12.0, _waves(grid, orders)]) * mean
    free = np.column_stack([free, *(np.append(c, c[0]) * beat.size for c in alike)])
    prior.append(np.full(free.shape[1] + 1, 1e-8))
    columns = np.concatenate([np.vstack([shared, shared[:1]]) * beat.size, single * beat.size, free], axis=1)
    return columns, np.concatenate(prior), shared.shape[1]


def system(w: Window, beat: Beat, known_deg: Array, wider: float = 1.0) -> tuple[System, Array] | None:
    """The cycle as a linear system about its own smooth speed; None where that cannot be solved.

    known_deg [teeth]: errors of single teeth as far as known; they are kept out of the noise, not out of ``late``.
    wider: how many times more the cylinders may differ than in an engine in order. The second result is the lateness
    left over, those errors taken out [k].
    """
    k = w.look[0]
    wheel = _waves(w.angle_deg, np.array([1.0]))
    noise = 0.1
    for _ in range(2):
        columns, prior, shared = _columns(w, beat, k, wider)
        rows, late = _lateness(columns, k, w)
        full = np.column_stack([wheel, rows])
        info = full.T @ full / noise**2 + np.diag(np.concatenate([[1e-4, 1e-4], prior]))
        solved = np.linalg.solve(info, full.T @ (late - known_deg[w.tooth]) / noise**2)
        k = columns @ solved[2:-1]
        if not np.isfinite(k).all() or k.min() <= 0.02 * k.mean():
            return None
        left = late - known_deg[w.tooth] - full @ solved
        free = max(left.size - 0.7 * solved.size, 0.3 * left.size)
        white = max(float(np.sqrt(np.sum(left**2) / free)), 0.004)
        noise = max(white, _slow_noise(left, w.angle_deg))
    cost = float(left.size * np.log(white**2) + np.sum(prior * solved[2:] ** 2))
    return System(wheel, rows, shared, late, prior, w.tooth, noise, cost, w.first, w.rpm), left


def _slow_noise(left: Array, angle_deg: Array) -> float:
    """What white noise would have to be to leave as much at the half orders beside order 1 as was left there."""
    waves = _waves(angle_deg, np.array([0.5, 1.5, 2.5]))
    return float(np.sqrt(np.mean((2.0 / left.size * (waves.T @ left)) ** 2) * left.size / 2.0))


def sharpened(stretch: list[Window], beat: Beat, known_deg: Array) -> Beat:
    """The beat with the phase at which its gas explains a few of the cycles best, within ``SHIFTS_DEG``.

    On a coarse wheel the edges of one cycle are hardly more than the numbers fitted: there the first phase stays.
    """
    if known_deg.size < LEAST_TO_SHARPEN:
        return beat
    some = stretch[:: max(1, len(stretch) // 4)][:4]
    costs = []
    for shift in SHIFTS_DEG:
        made = [system(w, replace(beat, tdc_deg=beat.tdc_deg + shift), known_deg) for w in some]
        costs.append(sum(1e6 if one is None else one[0].cost for one in made))
    k = int(np.argmin(costs))
    shift = SHIFTS_DEG[k]
    if 0 < k < len(costs) - 1:  # the bottom of the parabola through three
        below, here, above = costs[k - 1], costs[k], costs[k + 1]
        bend = below - 2.0 * here + above
        shift += 0.5 * (below - above) / bend * (SHIFTS_DEG[1] - SHIFTS_DEG[0]) if bend > 0 else 0.0
    return replace(beat, tdc_deg=beat.tdc_deg + shift)
