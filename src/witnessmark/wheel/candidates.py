"""Which wheels to try: the catalogue, regular relatives of what the gaps look like, and patterns learnt as they are."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from witnessmark.wheel import layouts
from witnessmark.wheel.marks import Marks
from witnessmark.wheel.model import Layout


def shortlist(marks: Marks) -> list[Layout]:
    """Catalogue, family and learnt layouts worth aligning to these marks."""
    out = list(layouts.catalogue())
    known = {(c.slots, c.missing) for c in out if c.regular}
    for slots, missing in sorted(_gap_guesses(marks.time_s)):
        gone = tuple(range(slots - missing + 1, slots + 1))
        if (slots, gone) not in known:
            known.add((slots, gone))
            out.append(
                layouts.single_gap(slots, missing, prior=family_prior(slots, missing), source="family", mark="derived")
            )
    out += [x for x in _split_guesses(marks.time_s) if not _same(x, out)]
    out += [layouts.even(n, prior=prior, source="catalogue", mark="memory") for n, prior in layouts.even_counts()]
    coded = width_coded(marks)
    if coded is not None:
        out.append(coded)
    for layout in learnt(marks.time_s):
        key = (layout.slots, layout.missing)
        if layout.regular and key in known:
            continue
        known.add(key)
        out.append(layout)
    return out


def family_prior(slots: int, missing: int) -> float:
    """Weight of a regular wheel that is in no list (common practice, no source).

    Gaps of one or two slots are what designers leave; three or four are far rarer than a sound design with a tooth
    gone beside its gap, which looks the same. And slots divide the turn into degrees
    that can be drawn: divisors of 360 and of 720 first, other even counts next, odd ones hardly ever.
    """
    gap = 1.0 if missing <= 2 else 5e-5 if missing == 3 else 1e-5
    return layouts.FAMILY_PRIOR * gap * _division(slots)


def _division(slots: int) -> float:
    """Weight of a count of slots by how well the turn divides into them."""
    return 1.0 if 720 % slots == 0 else 0.3 if slots % 2 == 0 else 0.02


def relative(time_s: NDArray[np.float64], reach: int = 4) -> NDArray[np.float64]:
    """Each interval over the median of its neighbours within ``reach``: about 1 for ordinary teeth, 2, 3 at gaps."""
    dt = np.maximum(np.diff(time_s), 1e-9)
    n = dt.size
    if n < 3:
        return np.ones(n)
    padded = np.pad(dt, reach, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1)
    return np.asarray(dt / np.median(windows, axis=1))


def _gap_guesses(time_s: NDArray[np.float64]) -> set[tuple[int, int]]:
    """(slots, missing) of single-gap wheels that would put gaps where long intervals are, read with some slack."""
    ratio = relative(time_s)
    out: set[tuple[int, int]] = set()
    slacks = (0, 1) if _splits(ratio).size < 2 else (-1, 0, 1)  # an edge too many between two teeth is no slot
    for low in (1.55, 2.4):
        out |= _wheels_with_gaps(np.flatnonzero(ratio > low), ratio, slacks)
    # near a stall whole runs of intervals are long: there a gap is what is long between two ordinary ones
    between = _between(time_s)
    out |= _wheels_with_gaps(np.flatnonzero(between > 1.55), between, slacks)
    if uneven(time_s):
        # stalls hide gaps and look like them: what designers draw is tried whatever the edges look like
        out |= {(slots, missing) for slots in range(20, 74, 2) for missing in (1, 2)}
    return out


# Log of the slowest tenth of the intervals over the middle one, and of the slowest fifth: in cranking without stalls up
# to 0.6 and 0.5, into stalls 0.65 to 1.6 and 0.4 to 1.0 (simulated). Gaps of a coarse wheel may fill the tenth.
UNEVEN, UNEVEN_FIFTH = 0.65, 0.42


def uneven(time_s: NDArray[np.float64]) -> bool:
    """Whether the crank slows down so much between compressions that a gap is not told by its length."""
    if time_s.size < 12:
        return False
    tenth, fifth, middle = np.log(np.maximum(np.percentile(np.diff(time_s), [90.0, 80.0, 50.0]), 1e-9))
    return bool(tenth - middle > UNEVEN and fifth - middle > UNEVEN_FIFTH)


def _wheels_with_gaps(
    at: NDArray[np.int64], ratio: NDArray[np.float64], slacks: tuple[int, ...]
) -> set[tuple[int, int]]:
    """(slots, missing) where these intervals [g], so long over their neighbours, are the gaps; slacks: slots more."""
    out: set[tuple[int, int]] = set()
    if at.size < 2:
        return out
    size = float(np.median(ratio[at]))
    for lag in (1, 2, 3):
        counts = at[lag:] - at[:-lag]
        if counts.size == 0:
            continue
        values, times = np.unique(counts, return_counts=True)
        for teeth in values[np.argsort(times)[::-1][:2]]:
            for missing in {max(1, round(size) - 1), max(1, int(size) - 1), int(size)}:
                for slack in slacks:
                    slots = int(teeth) + missing + slack
                    if 5 <= slots <= 180 and 1 <= missing <= 4 and missing * 3 < slots:
                        out.add((slots, missing))
    return out


def _between(time_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Each interval over the middle of its two neighbours; 1 where these are long themselves, or it is (a stall)."""
    dt = np.maximum(np.diff(time_s), 1e-9)
    out = np.ones(dt.size)
    if dt.size < 3:
        return out
    ordinary = 1.8 * float(np.median(dt))
    inner = dt[1:-1] / np.sqrt(dt[:-2] * dt[2:])
    out[1:-1] = np.where((np.maximum(dt[:-2], dt[2:]) < ordinary) & (inner < 5.5), inner, 1.0)
    return out


def _same(layout: Layout, others: list[Layout]) -> bool:
    """Whether a layout with the same teeth (within a degree) is there already."""
    return any(
        len(o.teeth_deg) == len(layout.teeth_deg) and np.allclose(o.teeth_deg, layout.teeth_deg, atol=1.0)
        for o in others
    )


def _splits(ratio: NDArray[np.float64]) -> NDArray[np.int64]:
    """Where two short intervals make one pitch."""
    pair = ratio[:-1] + ratio[1:]
    return np.flatnonzero((pair > 0.75) & (pair < 1.3) & (ratio[:-1] < 0.87) & (ratio[1:] < 0.87))


def _split_guesses(time_s: NDArray[np.float64]) -> list[Layout]:
    """Wheels of equal teeth and one more between two of them: two short intervals make one pitch again and again."""
    ratio = relative(time_s)
    pair = ratio[:-1] + ratio[1:]
    short, long = np.minimum(ratio[:-1], ratio[1:]), np.maximum(ratio[:-1], ratio[1:])
    at = np.flatnonzero(
        (pair > 0.7) & (pair < 1.45) & (short < 0.8) & (long < 0.97)
    )  # ripple moves a pair by a quarter
    # a short interval makes a pair with the one before and the one after it: the pair nearest to a pitch is the split
    off = np.full(pair.size + 2, np.inf)
    off[at + 1] = np.abs(np.log(pair[at]))
    at = at[(off[at + 1] < off[at]) & (off[at + 1] <= off[at + 2])]
    if at.size < 2:
        return []
    counts, times = np.unique(np.diff(at), return_counts=True)
    fractions = (1 / 6, 1 / 5, 1 / 4, 1 / 3, 2 / 5, 1 / 2, 3 / 5, 2 / 3, 3 / 4, 4 / 5, 5 / 6)
    out = []
    for edges in counts[np.argsort(times)[::-1][:2]]:
        teeth = int(edges) - 1
        if not 3 <= teeth <= 120:
            continue
        # only pairs a turn apart speak of the place of the tooth between: others are start-up edges and ripple
        again = at[np.isin(at + edges, at) | np.isin(at - edges, at)]
        seen = float(np.median(ratio[again] / pair[again]))
        part = min(fractions, key=lambda f: abs(f - seen))
        pitch = 360.0 / teeth
        places = [0.0, part * pitch, *(i * pitch for i in range(1, teeth))]
        prior = 5 * layouts.FAMILY_PRIOR * _division(teeth)
        out.append(layouts.unequal(f"{teeth}+1", places, prior=prior, source="family", mark="derived"))
    return out


def learnt(time_s: NDArray[np.float64], most: int = 2) -> list[Layout]:
    """Cyclic patterns the marks themselves repeat with, best first; empty when nothing repeats.

    The period (in edges) minimises the median change of the log interval over that lag, after the running mean over
    one period is taken away (slow speed changes); the pattern is the median over periods. Patterns on a regular grid
    become regular wheels.
    """
    log_dt = np.log(np.maximum(np.diff(time_s), 1e-9))
    n = log_dt.size
    found: list[tuple[float, int]] = []
    for lag in range(2, min(130, n // 3) + 1):
        trend = np.convolve(log_dt, np.ones(lag) / lag, mode="valid")
        mid = log_dt[lag // 2 : lag // 2 + trend.size] - trend
        if mid.size <= lag + 3:
            continue
        spread = float(np.median(np.abs(mid - np.median(mid))))
        change = float(np.median(np.abs(mid[lag:] - mid[:-lag])))
        top = float(np.percentile(mid, 100 - 50 / lag)) - float(np.median(mid))
        if top > 0.25:  # a wheel without any marked interval is an even wheel and handled as such
            found.append((change / max(top, spread, 1e-6), lag))
    if not found:
        return []
    best = min(found)[0]
    lags = [lag for error, lag in sorted(found, key=lambda f: f[1]) if error < max(1.25 * best, 0.03)]
    out: list[Layout] = []
    for lag in lags:
        if any(lag % done == 0 for done in lags[: lags.index(lag)]):
            continue
        shape = _pattern(time_s, log_dt, lag)
        if shape is not None:
            out.append(shape)
        if len(out) == most:
            break
    return out


MOST_GAP, MOST_GAPS = 4, 4  # pitches and number of the gaps that a wheel is made with (common practice, no source)
FEW_TEETH = 10  # unequal spacing off any grid is made with few vanes only (common practice, no source)


def _pattern(time_s: NDArray[np.float64], log_dt: NDArray[np.float64], lag: int) -> Layout | None:
    """The layout of the median pattern with this period in edges.

    Intervals are first read against their neighbours (so that ripple locked to the turn does not enter) as whole
    pitches; a wheel of many teeth that is on no grid is not believed.
    """
    ratio = relative(time_s)
    of = np.arange(ratio.size) % lag
    beside = np.array([np.median(ratio[of == p]) for p in range(lag)])
    counts = np.maximum(1, np.round(beside)).astype(int)
    gaps = int(np.sum(counts > 1))
    if 1 < counts.max() <= MOST_GAP and gaps <= MOST_GAPS and np.all(np.abs(beside / counts - 1.0) < 0.3):
        counts = np.roll(counts, -layouts.first_tooth(counts.astype(float)))
        slots = int(counts.sum())
        places = np.concatenate(([0], np.cumsum(counts)[:-1])) + 1
        missing = tuple(s for s in range(1, slots + 1) if s not in set(places.tolist()))
        name = layouts.name_of(slots, missing)
        return layouts.regular(name, slots, missing, prior=0.01 * layouts.FAMILY_PRIOR, source="learnt", mark="derived")
    if lag > FEW_TEETH:
        return None
    trend = np.convolve(log_dt, np.ones(lag) / lag, mode="valid")
    mid = log_dt[lag // 2 : lag // 2 + trend.size] - trend
    phase = (np.arange(mid.size) + lag // 2) % lag
    shape = np.exp(np.array([np.median(mid[phase == p]) for p in range(lag)]))
    gaps = shape / shape.sum() * 360.0
    return layouts.from_intervals(
        f"{lag} unequal teeth", gaps, prior=0.05 * layouts.FAMILY_PRIOR, source="learnt", mark="derived"
    )


EVEN_LOG = 0.16  # four of five intervals within 17 % of their neighbours' median: even spacing under cranking ripple
LEAST_CODE = 8  # two or four vanes of unequal width repeat sooner: that is spacing, not a code


def width_coded(marks: Marks) -> Layout | None:
    """An even wheel whose tooth widths form a code, learnt from this record.

    None unless the widths fall into two classes whose sequence repeats over at least one and a half periods.
    """
    duty = marks.duty
    known = np.isfinite(duty)
    if marks.vr or known.sum() < 16 or known.mean() < 0.8:
        return None
    if float(np.percentile(np.abs(np.log(relative(marks.time_s))), 80)) > EVEN_LOG:
        return None  # the marks themselves are uneven: widths follow the spacing
    values = duty[known]
    low, high = np.percentile(values, [15, 85])
    mid = 0.5 * (low + high)
    narrow, wide = values[values < mid], values[values >= mid]
    if narrow.size < 4 or wide.size < 4:
        return None
    apart = float(np.median(wide) - np.median(narrow))
    within = float(max(narrow.std(), wide.std()))
    if apart < 0.2 or apart < 4.0 * within:
        return None
    code = np.where(known, duty > mid, False).astype(int)
    best: tuple[float, int] | None = None
    for lag in range(2, int(code.size / 1.5) + 1):
        same = float(np.mean(code[lag:] == code[:-lag]))
        if best is None or same > best[0] + 0.02:
            best = (same, lag)
    if best is None or best[0] < 0.93 or best[1] < LEAST_CODE:
        return None
    lag = best[1]
    phase = np.arange(code.size) % lag
    shares = np.array([np.nanmedian(np.where(phase == p, duty, np.nan)) for p in range(lag)])
    pitch = 360.0 / lag
    teeth = [i * pitch for i in range(lag)]
    return layouts.unequal(
        f"{lag} width-coded", teeth, [float(s) * pitch for s in shares], prior=2.0, source="learnt", mark="derived"
    )
