"""Pressure in a cylinder without spark against the crank angle: firing TDC, exponent, leak, valve events.

The transducer may read absolute or gauge pressure with any zero and scale: both are fitted (pressure_fit). Cycles that
fired, or that are no compression, are told by the fit and left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine import circular, pressure_fit, valve_events
from witnessmark.engine.facts import Facts
from witnessmark.engine.geometry import CylinderGeometry
from witnessmark.engine.pressure_fit import FlankFit
from witnessmark.engine.pressure_model import CylinderPressure, Kind, PressureCycle
from witnessmark.engine.tracks import Alignment, Track
from witnessmark.engine.unroll import UNKNOWN_TURN, Unrolled
from witnessmark.recording.model import Recording
from witnessmark.recording.setup import Setup
from witnessmark.signals.averaged import averaged
from witnessmark.signals.model import Line, Signals

Array = NDArray[np.float64]

ENOUGH_HZ = 20_000.0  # 0.3 degrees a sample at 1000 rev/min
LONG_S, LEAST_HZ = 120.0, 5000.0
WIDER, LEAST_HOLE_DEG = 1.7, 45.0  # a gap with a tooth gone beside it is no hole
CHUNK = 1 << 15  # means read at once
CELL_DEG = 2.0
MOST_CYCLES = 60
# Heat loss puts the peak of a motored cylinder 0.4 to 1.3 degrees before TDC (published: dissertation on dynamic TDC
# measurement). Part of it the fit takes for a leak; what is left of it is, by integrating the energy balance of a gas
# that cools on its walls, 0.2 to 1.0 degrees at idle and cranking speed alike (derived; tests/engine). Its middle, with
# half the range as two standard deviations, and more while cranking, where walls and charge are less known (memory).
LOSS_DEG, LOSS_SD_DEG, CRANKING_LOSS_SD_DEG = 0.6, 0.25, 0.4
CRANKING_RPM = 450.0
# Between two teeth the angle is interpolated: this share of the pitch is taken as its error (derived: speed changes by
# a tenth within a few pitches while cranking).
PITCH_SHARE = 0.01
# Transducer, its passage and the crank sensor lag by about this, unknown (memory); a long hose lags by a millisecond.
DELAY_SD_S = 1e-4
# What counts as a motored compression: the law describes the curve (rms of what is left and smooth), with an exponent
# of a gas and no more pressure after TDC than before.
MOST_SWING, EXPONENTS, LEAST_LEAK = 0.02, (1.02, 1.5), -1.0
MOST_GAIN, FIRED_PEAK = 1.25, 0.9
LEAST_HEIGHT = 12.0  # the peak over the noise of a sample
TWICE = 0.5  # a second peak one turn on, of this share of the height: no four-stroke compression
MOST_SPREAD_DEG = 3.0
SHORTER_FITS = 0.5  # of what the whole flanks leave: shorter ones are another curve's, cut where the exhaust opens
# Compression ratios tried where the setup says none: of engines with spark and with compression ignition.
RATIOS, TRIED = (10.0, 8.0, 13.0, 17.0), 3
HALF_TURN_PORTS_DEG = 70.0  # two-stroke: ports are closed for less
BAR = {"bar": 1.0, "kpa": 0.01, "mbar": 0.001, "psi": 0.0689476, "pa": 1e-5, "mpa": 10.0}


@dataclass(frozen=True, slots=True)
class Raw:
    """One pressure line with its cycles, before the turns of the record's parts are known.

    track: one event a cycle, at the middle of its peak. fits [cycles]; rpm, peak_s, peak, events alike.
    """

    line: Line
    why_not: str
    track: Track | None = None
    fits: tuple[FlankFit | None, ...] = ()
    cycles: tuple[PressureCycle, ...] = ()
    opens: tuple[float, ...] = ()  # NaN where not seen
    closes: tuple[tuple[float, float], ...] = ()  # and how well each is known
    pitch_deg: float = 6.0


def read(signals: Signals, recording: Recording, setup: Setup, facts: Facts, unrolled: Unrolled) -> tuple[Raw, ...]:
    """Every cylinder-pressure line on the crank angle."""
    size = geometry_of(setup)
    tries = (size,) if setup.engine.compression_ratio else tuple(replace(size, compression_ratio=r) for r in RATIOS)
    return tuple(_line(x, recording, tries, facts.cycle_deg, unrolled) for x in signals.by_role("cylinder-pressure"))


def geometry_of(setup: Setup) -> CylinderGeometry:
    """The engine's dimensions where said; usual ones elsewhere (they matter little to the centre of two flanks)."""
    e, usual = setup.engine, CylinderGeometry()
    stroke = e.stroke_mm or usual.stroke_mm
    rod = e.rod_mm or usual.rod_mm / usual.stroke_mm * stroke
    return CylinderGeometry(e.bore_mm or usual.bore_mm, stroke, rod, e.compression_ratio or usual.compression_ratio)


def on_crank(recording: Recording, line: Line, unrolled: Unrolled, chain: int) -> tuple[Array, Array, Array]:
    """(time s, value, angle degrees continuous over the chain) of means of a line's samples, gaps left out."""
    info = line.info
    if info.kind != "sampled" or info.rate_hz is None:
        return np.empty(0), np.empty(0), np.empty(0)
    # of a long record fewer samples a second: a compression of an engine that runs for minutes comes often enough
    turning = sum(s.end_s - s.start_s for s in unrolled.angle.segments)
    k = max(1, int(info.rate_hz / max(ENOUGH_HZ * min(1.0, LONG_S / max(turning, 1e-9)), LEAST_HZ)))
    thin, info = averaged(recording, info, k)
    assert info.rate_hz is not None
    parts = []
    for i in unrolled.members(chain):
        seg = unrolled.angle.segments[i]
        first = max(0, int(np.ceil((seg.start_s - info.start_s) * info.rate_hz)))
        last = min(info.samples, int(np.floor((seg.end_s - info.start_s) * info.rate_hz)) + 1)
        if last - first < 2:
            continue
        steps = range(first, last, CHUNK)
        value = np.concatenate([thin.values(line.name, a, min(a + CHUNK, last)) for a in steps])
        time = info.start_s + np.arange(first, first + len(value)) / info.rate_hz
        knots = slice(seg.start, seg.stop)
        angle = between(time, unrolled.angle.time_s[knots], unrolled.angle.angle_deg[knots])
        good = np.isfinite(value) & (time >= seg.start_s) & (time <= seg.end_s)
        good &= ~_lost(time, unrolled.angle.time_s[knots], unrolled.angle.angle_deg[knots])
        parts.append((time[good], value[good], angle[good] + 360.0 * unrolled.shift_turns[i]))
    if not parts:
        return np.empty(0), np.empty(0), np.empty(0)
    time, value, angle = (np.concatenate(x) for x in zip(*parts, strict=True))
    return time, value, angle


def _lost(time_s: Array, knot_s: Array, knot_deg: Array) -> NDArray[np.bool_]:
    """Samples in a hole between two decoded edges wider than the wheel's own gaps: their angle is a guess."""
    if len(knot_s) < 3:
        return np.ones(len(time_s), dtype=np.bool_)
    step = np.diff(knot_deg)
    i = np.clip(np.searchsorted(knot_s, time_s, side="right") - 1, 0, len(step) - 1)
    # one gap in sixty teeth is more than this share of the steps
    return np.asarray(step[i] > max(WIDER * float(np.quantile(step, 0.985)), LEAST_HOLE_DEG))


def between(time_s: Array, knot_s: Array, knot_deg: Array) -> Array:
    """Angle between teeth by cubics through the knots, with the slope of the parabola through each and its neighbours
    (piecewise cubic Hermite interpolation, numerical handbooks): a gap in a speeding crank is bridged by its curve.
    """
    if len(knot_s) < 3:
        return np.asarray(np.interp(time_s, knot_s, knot_deg))
    h = np.diff(knot_s)
    rate = np.diff(knot_deg) / h
    slope = np.empty(len(knot_s))
    slope[1:-1] = (rate[:-1] * h[1:] + rate[1:] * h[:-1]) / (h[1:] + h[:-1])
    slope[0], slope[-1] = 2 * rate[0] - slope[1], 2 * rate[-1] - slope[-2]
    i = np.clip(np.searchsorted(knot_s, time_s, side="right") - 1, 0, len(h) - 1)
    u = (time_s - knot_s[i]) / h[i]
    # a crank that only goes forward: slopes within three times the mean keep the cubic rising (Fritsch & Carlson 1980)
    a, b = np.clip(slope[i], 0.0, 3.0 * rate[i]), np.clip(slope[i + 1], 0.0, 3.0 * rate[i])
    return np.asarray(knot_deg[i] + h[i] * (rate[i] * u**2 * (3 - 2 * u) + a * u * (1 - u) ** 2 - b * u**2 * (1 - u)))


def _line(
    line: Line, recording: Recording, sizes: Sequence[CylinderGeometry], cycle_deg: float, unrolled: Unrolled
) -> Raw:
    if not unrolled.angle.segments:
        return Raw(line, "the crank angle is not known")
    bar = BAR.get(line.info.unit.strip().lower()) if line.scale_known else None
    half = pressure_fit.HALF_DEG if cycle_deg > 360.0 else HALF_TURN_PORTS_DEG
    found: list[tuple[float, float, PressureCycle, FlankFit | None, float, tuple[float, float]]] = []
    why = "no whole compression within the decoded turns"
    for chain in range(unrolled.chains):
        time, value, angle = on_crank(recording, line, unrolled, chain)
        if len(time) < pressure_fit.LEAST_POINTS:
            continue
        centre, trouble = _centre(angle, value, cycle_deg)
        if trouble:
            why = trouble
            continue
        first = np.ceil((angle[0] + half - centre) / cycle_deg) * cycle_deg + centre
        places = np.arange(first, angle[-1] - 0.8 * half, cycle_deg)
        size = sizes[0] if len(sizes) == 1 else _best_size(sizes, time, value, angle, places, bar, half)
        for about in places[_spread_over(len(places))]:
            made = _cycle(time, value, angle, float(about), size, bar, half, cycle_deg)
            if made is not None:
                found.append((float(np.interp(about, angle, time)), float(about), *made))
    if not found:
        return Raw(line, why)
    keep = [found[i] for i in _spread_over(len(found))]
    when = np.array([k[0] for k in keep])
    segment = unrolled.segment_of(when)
    inside = segment >= 0
    keep = [k for k, ok in zip(keep, inside, strict=True) if ok]
    ones = np.ones(len(keep), dtype=np.int64)
    track = Track(line, when[inside], np.array([k[1] for k in keep]), segment[inside], ones, ones.astype(np.bool_))
    return Raw(
        line, "", track, tuple(k[3] for k in keep), _told_apart([k[2] for k in keep]), tuple(k[4] for k in keep),
        tuple(k[5] for k in keep), float(np.median(np.diff(unrolled.angle.angle_deg))),
    )  # fmt: skip


def _spread_over(n: int) -> NDArray[np.int64]:
    """At most MOST_CYCLES of n indices, evenly over all."""
    return np.unique(np.linspace(0, n - 1, min(n, MOST_CYCLES)).astype(np.int64)) if n else np.empty(0, np.int64)


def _best_size(
    sizes: Sequence[CylinderGeometry], time: Array, value: Array, angle: Array, places: Array, bar: float | None,
    half: float,
) -> CylinderGeometry:  # fmt: skip
    """The compression ratio whose law leaves least of a few cycles: where the setup does not say it."""
    few = places[np.unique(np.linspace(0, max(len(places) - 1, 0), TRIED).astype(int))] if len(places) else places

    def left(size: CylinderGeometry) -> float:
        made = [pressure_fit.fit(angle, value, time, size, float(a), bar, half) for a in few]
        swings = [f.swing for f in made if f is not None]
        return float(np.median(swings)) if swings else np.inf

    return min(sizes, key=left)


def _told_apart(cycles: Sequence[PressureCycle]) -> tuple[PressureCycle, ...]:
    """A cycle lower than the motored ones did not fire: the crank stood within it when the starter came in."""
    usual = [c.peak for c in cycles if c.kind == "motored"]
    if not usual:
        return tuple(cycles)
    least = FIRED_PEAK * float(np.median(usual))
    return tuple(replace(c, kind="unclear") if c.kind == "fired" and c.peak < least else c for c in cycles)


def _centre(angle: Array, value: Array, cycle_deg: float) -> tuple[float, str]:
    """(place of the peak within the cycle, trouble): median over the cycles of the means of small cells."""
    cells = int(cycle_deg / CELL_DEG)
    cell = np.floor(angle / CELL_DEG).astype(np.int64)
    first = cell[0]
    count = np.bincount(cell - first)
    mean = np.where(count > 0, np.bincount(cell - first, value) / np.maximum(count, 1), np.nan)
    place = np.mod(np.arange(len(mean)) + first, cells)
    wave = np.full(cells, np.nan)
    for c in np.unique(place):
        here = mean[place == c]
        if np.isfinite(here).any():
            wave[c] = np.nanmedian(here)
    seen = np.isfinite(wave)
    if seen.sum() < 0.5 * cells:
        return 0.0, "less than half a cycle within the decoded turns"
    base = float(np.median(wave[seen]))
    height = float(np.nanmax(wave)) - base
    noise = float(np.median(np.abs(np.diff(value[: 1 << 18])))) + 1e-12
    if height < LEAST_HEIGHT * noise / 4.0 or height <= 0.0:
        return 0.0, "the line shows no peak in step with the crank"
    best = int(np.nanargmax(wave))
    if cycle_deg > 360.0:
        near = np.mod(best + cells // 2 + np.arange(-10, 11), cells)
        if np.isfinite(wave[near]).any() and np.nanmax(wave[near]) - base > TWICE * height:
            return 0.0, "the line peaks in every turn: a two-stroke engine, or no pressure in a cylinder"
    high = np.mod(best + np.arange(-15, 16), cells)
    rise = np.nan_to_num(np.maximum(wave[high] - base - 0.7 * height, 0.0))
    return float((best + 0.5 + (rise * np.arange(-15, 16)).sum() / max(rise.sum(), 1e-12)) * CELL_DEG), ""


def _cycle(
    time: Array, value: Array, angle: Array, about: float, size: CylinderGeometry, bar: float | None, half: float,
    cycle_deg: float,
) -> tuple[PressureCycle, FlankFit | None, float, tuple[float, float]] | None:  # fmt: skip
    """(the cycle, its fit where it is a motored compression, exhaust opens, intake closes); None for a part of one."""
    lo, hi = np.searchsorted(angle, [about - 0.5 * cycle_deg, about + 0.5 * cycle_deg])
    t, p, x = time[lo:hi], value[lo:hi], angle[lo:hi]
    near = np.abs(x - about) <= half
    if near.sum() < pressure_fit.LEAST_POINTS or x[-1] < about + 0.85 * half or x[0] > about - 0.85 * half:
        return None
    bottom = np.abs(x - about + 180.0) < 15.0
    low = float(np.median(p[bottom])) if bottom.any() else float(np.median(p[near & (np.abs(x - about) > 0.85 * half)]))
    top = int(np.flatnonzero(near)[np.argmax(p[near])])
    rpm = half / 3.0 / float(t[near][-1] - t[near][0])
    fit = pressure_fit.fit(x, p, t, size, about, bar, half)
    kind = _kind(fit, _gain(x - about, p - low))
    peak = float(np.median(p[np.abs(x - x[top]) < 1.0])) - low
    if fit is None or kind != "motored":
        return PressureCycle(float(t[top]), peak, rpm, kind), None, np.nan, valve_events.NOT_SEEN
    opens, closes = np.nan, valve_events.NOT_SEEN
    if cycle_deg > 360.0:
        fit, opens, sound = _opening(x, p, t, fit, size, about, bar)
        closes = valve_events.intake_closes(x - fit.tdc_deg, p, t, fit, size, bar) if sound else closes
    made = PressureCycle(float(t[top]), peak, rpm, kind, fit.tdc_deg - about, fit.peak_deg - about, fit.symmetry)
    return made, fit, opens, closes


def _opening(
    x: Array, p: Array, t: Array, fit: FlankFit, size: CylinderGeometry, about: float, bar: float | None
) -> tuple[FlankFit, float, bool]:  # fmt: skip
    """(fit, where the exhaust opens, whether the fit holds); over shorter flanks where it opens within the usual."""
    opens = valve_events.exhaust_opens(x - fit.tdc_deg, p, t, fit, size, bar)
    if opens > valve_events.FREE_UNTIL:
        return fit, opens, True
    early = opens <= valve_events.FREE_UNTIL
    short = pressure_fit.fit(x, p, t, size, about, bar, valve_events.EARLY_HALF_DEG)
    if short is None or _kind(short) != "motored" or (not early and short.swing > SHORTER_FITS * fit.swing):
        return fit, np.nan, not early
    opens = valve_events.exhaust_opens(x - short.tdc_deg, p, t, short, size, bar, valve_events.EARLY_FROM)
    if valve_events.EARLY_FROM < opens <= valve_events.FREE_UNTIL + valve_events.CELL_DEG or early:
        return short, opens if opens > valve_events.EARLY_FROM else np.nan, opens > valve_events.EARLY_FROM
    return fit, np.nan, True


def _gain(x: Array, over: Array) -> float:
    """Pressure 30 to 90 degrees after the peaks' place over that before; a late place makes it smaller."""
    after, before = (x > 30.0) & (x < 90.0), (x < -30.0) & (x > -90.0)
    if not after.any() or not before.any() or float(np.mean(over[before])) <= 0.0:
        return 1.0
    inner = x[np.abs(x) < 90.0]
    if inner[0] > -80.0 or inner[-1] < 80.0 or np.diff(inner).max() > pressure_fit.HOLE_DEG:
        return 1.0  # a flank with a hole in it is not compared
    return float(np.mean(over[after]) / np.mean(over[before]))


def _kind(fit: FlankFit | None, gain: float = 1.0) -> Kind:
    """motored, fired or unclear. gain: pressure after the peak over that before."""
    if fit is None:
        return "fired" if gain > MOST_GAIN else "unclear"
    gains = fit.symmetry > 1.05 or fit.leak_per_s < LEAST_LEAK - 3.0 * fit.leak_sd or gain > MOST_GAIN
    sound = EXPONENTS[0] - 2 * fit.exponent_sd <= fit.exponent <= EXPONENTS[1] + 2 * fit.exponent_sd
    if fit.swing < MOST_SWING and sound and not gains and fit.top > LEAST_HEIGHT * fit.noise:
        return "motored"
    return "fired" if gains else "unclear"


# --- all cycles together ----------------------------------------------------------------------------------------------


def settle(raw: Raw, alignment: Alignment, setup: Setup, cycle_deg: float) -> CylinderPressure:
    """The line's numbers over its motored cycles, on the cycle's common scale."""
    line = raw.line
    said = line.role_source == "setup" and line.cylinder is not None
    kinds = [c.kind for c in raw.cycles]
    none = CylinderPressure(
        line.name, line.cylinder, said, 0, kinds.count("fired"), kinds.count("unclear"), raw.why_not or
        "no compression without firing: every cycle is fired, or not as a piston compresses a gas", unit=line.info.unit,
    )  # fmt: skip
    if raw.track is None:
        return none
    turn = np.array([alignment.turn[s] for s in raw.track.segment])
    two = cycle_deg <= 360.0
    rows = [i for i, f in enumerate(raw.fits) if f is not None and (two or turn[i] != UNKNOWN_TURN)]
    fits = [f for i in rows if (f := raw.fits[i]) is not None]
    if not fits:
        return none
    tdc = np.array([f.tdc_deg + (0.0 if two else 360.0 * turn[i]) for i, f in zip(rows, fits, strict=True)])
    centre = circular.median(tdc, cycle_deg)
    off = circular.signed(tdc - centre, cycle_deg)
    spread = _spread(off)
    if len(fits) >= 3 and spread > MOST_SPREAD_DEG:
        return CylinderPressure(
            line.name, line.cylinder, said, 0, none.fired, none.unclear,
            f"the compressions do not agree on TDC (they spread by {spread:.1f} degrees)", unit=line.info.unit,
        )  # fmt: skip
    return _settled(raw, rows, fits, none, centre, spread, setup, cycle_deg)


def _spread(values: Array) -> float:
    """Standard deviation by the median of the deviations; 0 for one value."""
    if len(values) < 2:
        return 0.0
    return float(1.4826 * np.median(np.abs(values - np.median(values)))) or float(np.std(values, ddof=1))


def _settled(
    raw: Raw, rows: Sequence[int], fits: Sequence[FlankFit], none: CylinderPressure, centre: float, spread: float,
    setup: Setup, cycle_deg: float,
) -> CylinderPressure:  # fmt: skip
    n = len(fits)
    cycles = [raw.cycles[i] for i in rows]
    rpm = float(np.median([c.rpm for c in cycles]))
    loss_sd = CRANKING_LOSS_SD_DEG if rpm < CRANKING_RPM else LOSS_SD_DEG
    own = float(np.median([f.tdc_sd_deg for f in fits]))
    random = max(own, spread) / np.sqrt(n) if n > 1 else max(own, 0.1)
    sd = float(np.sqrt(random**2 + loss_sd**2 + (PITCH_SHARE * raw.pitch_deg) ** 2 + (6.0 * rpm * DELAY_SD_S) ** 2))
    said = setup.engine.compression_ratio is not None and setup.engine.stroke_mm is not None
    exponent, leak = np.array([f.exponent for f in fits]), np.array([f.leak_per_s for f in fits])
    symmetry = np.array([f.symmetry for f in fits])
    peak = np.array([c.peak for c in cycles])
    closes = np.array([raw.closes[i] for i in rows], dtype=np.float64)

    def doubt(values: Array, each: float) -> float:
        return float(max(_spread(values), each) / np.sqrt(n))

    return CylinderPressure(
        channel=none.channel, cylinder=none.cylinder, cylinder_said=none.cylinder_said, used=n, fired=none.fired,
        unclear=none.unclear, tdc_deg=float(np.mod(centre + LOSS_DEG, cycle_deg)), tdc_sd_deg=sd,
        tdc_spread_deg=spread, loss_deg=LOSS_DEG,
        peak_before_deg=float(np.median([f.tdc_deg - f.peak_deg for f in fits])) + LOSS_DEG,
        exponent=float(np.median(exponent)) if said else None,
        exponent_sd=doubt(exponent, float(np.median([f.exponent_sd for f in fits]))) if said else None,
        why_no_exponent="" if said else "stroke and compression ratio are not in the setup",
        leak_per_s=float(np.median(leak)), leak_sd=doubt(leak, float(np.median([f.leak_sd for f in fits]))),
        symmetry=float(np.median(symmetry)), symmetry_sd=doubt(symmetry, fits[0].noise / max(fits[0].top, 1e-12)),
        zero=float(np.median([f.zero for f in fits])), peak=float(np.median(peak)), peak_sd=_spread(peak),
        unit=none.unit, rpm=rpm, cut_off=float(np.median([f.cut_off for f in fits])),
        exhaust_opens=valve_events.over_cycles(np.array([raw.opens[i] for i in rows]), LOSS_DEG),
        intake_closes=valve_events.over_cycles(closes[:, 0], LOSS_DEG, closes[:, 1]), each=raw.cycles,
    )  # fmt: skip
