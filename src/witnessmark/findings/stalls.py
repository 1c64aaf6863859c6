"""Whether a pause of the crank line may be the crank itself, all but standing in a compression."""

from __future__ import annotations

import numpy as np

from witnessmark.findings import pauses
from witnessmark.findings.measured import Floats, Measured
from witnessmark.findings.slots import intervals
from witnessmark.signals import vr
from witnessmark.signals.model import GLITCH

# Pulses on either side of a pause that show a fade, and the share of the largest to which the last must have sunk:
# ripple of a third in speed, which a lost line meets by chance in a quarter of cranking.
FADE_PULSES = 7
FADED = 0.75
# Longest way a compression keeps the crank slow: a third of one of four cylinders. Without a wheel its pitch is that of
# 60 slots, the finest usual one (common practice).
SLOW_DEG, FINE_DEG = 60.0, 6.0
# A gap by design of a pick-up: its flanks over the half waves beside them (four times on simulated lines; memory
# elsewhere), marks on a side that give its pace, least length in pitches and how far its length may be off (ripple).
TALL, GAP_BESIDE, LEAST_GAP, GAP_SLACK = 1.5, 2, 1.4, 0.9
# The most a first fire adds within one event, from 225 to 525 rpm (common practice: 100 to 300 rpm at once), doubled;
# and the ratio above which a running crank does not change from one tooth to the next but one (working choice).
MOST_ENERGY_RPM2, MOST_RATIO = 2.0 * (525.0**2 - 225.0**2), 1.4
EVEN_STEP = 1.5  # ratio of two intervals in a row; a compression of cranking gives 1.4 on six degrees (simulated)
LEAST_PULSES = 24  # that show how the size goes with speed
SMALLEST = 0.01  # share of the pulses read that are smaller than what counts as read for sure


def fades(m: Measured, start_s: float, end_s: float) -> bool:
    """Whether a pick-up's pulses sink towards a pause from both sides while cranking: in a compression the crank is at
    its slowest, and so is the pulse; one that drops below the line's noise there is weak, not lost.
    """
    if m.line is None or not m.is_vr:
        return False
    e = m.line.edges
    rows = np.flatnonzero(e.rising == m.wheel.marking_rising)
    at = int(np.searchsorted(e.time_s[rows], start_s + 1e-9))
    back = int(np.searchsorted(e.time_s[rows], end_s - 1e-9))
    size = (e.peak_before_v + e.peak_after_v).astype(np.float64)[rows]
    before, after = size[max(0, at - FADE_PULSES) : at], size[back : back + FADE_PULSES]
    if min(before.size, after.size) < 3:
        return False
    return bool(before[-1] < FADED * before.max() and after[0] < FADED * after.max())


def slipped(m: Measured, start_s: float, end_s: float, teeth: float) -> bool:
    """Whether a pause is the decoding's alone: it was out of step with a line that goes on."""
    return gap_shaped(m, start_s, end_s) or goes_on(m, start_s, end_s, teeth) or out_of_step(m, start_s, end_s)


def gap_shaped(m: Measured, start_s: float, end_s: float) -> bool:
    """Whether a pause of a pick-up's line is a gap by design: as long as one, its two flanks far taller than the teeth
    beside them (the flux has further to swing there). A line that is cut off or comes back makes no such pair.

    Then the decoding was out of step, with its own gap where none is.
    """
    if m.line is None or not m.is_vr or m.layout is None:
        return False
    e = m.line.edges
    rows = np.flatnonzero(e.rising == m.wheel.marking_rising)
    t = e.time_s[rows]
    at, back = int(np.searchsorted(t, start_s - 1e-9)), int(np.searchsorted(t, end_s - 1e-9))
    if at < GAP_BESIDE or back != at + 1 or back + GAP_BESIDE >= t.size:
        return False
    tall = min(
        e.peak_after_v[rows[at]] / e.peak_before_v[rows[at]], e.peak_before_v[rows[back]] / e.peak_after_v[rows[back]]
    )
    pace = np.sqrt(np.diff(t[at - GAP_BESIDE : at + 1]).mean() * np.diff(t[back : back + GAP_BESIDE + 1]).mean())
    long = intervals(m.layout) / m.layout.pitch_deg
    return bool(tall > TALL and np.any(np.abs((end_s - start_s) / pace - long[long > LEAST_GAP]) < GAP_SLACK))


def goes_on(m: Measured, start_s: float, end_s: float, teeth: float) -> bool:
    """Whether marks come on and on in a pause by the decoding, each as long after the last as that one or nearly so:
    the line is not silent, the decoding left its edges out. Noise on a dead line keeps no such time.
    """
    if m.line is None:
        return False
    e = m.line.edges
    t = e.time_s[(e.rising == m.wheel.marking_rising) & (e.label != GLITCH)]
    first, last = int(np.searchsorted(t, start_s - 1e-9)), int(np.searchsorted(t, end_s - 1e-9))
    if first < 1 or last + 1 >= t.size or 2 * (last - first - 1) < teeth:
        return False
    step = np.log(np.diff(t[first - 1 : last + 2]))
    return bool(np.abs(np.diff(step)).max() < np.log(EVEN_STEP))


def out_of_step(m: Measured, start_s: float, end_s: float) -> bool:
    """Whether the decoding has the crank jump in speed over a pause by more than combustion can do: it is out of step.

    What gas does to a crank is energy, the square of the speed.
    """
    t = m.wheel.passes.time_s
    a, b = int(np.searchsorted(t, start_s + 1e-9)), int(np.searchsorted(t, end_s - 1e-9))
    if m.layout is None or a < 2 or b + 1 >= t.size:
        return False
    rpm = [m.layout.pitch_deg / 6.0 / m.pace_s(i, i + 1) for i in (a - 2, b)]
    return max(rpm) > MOST_RATIO * min(rpm) and abs(rpm[0] ** 2 - rpm[1] ** 2) > MOST_ENERGY_RPM2


def faint(m: Measured, t: Floats, at: int, pace_s: float) -> bool:
    """Whether the pulses of a pick-up at this pace (s a pitch) are too few of the recorder's steps, or too little above
    noise, to be read for sure, and the pause after mark ``at`` is no longer than a compression keeps the crank slow.

    Their size goes with speed (Faraday): taken from all of the record, it is known at the pace beside the pause.
    """
    pitch_deg = FINE_DEG if m.layout is None else m.layout.pitch_deg
    if m.line is None or not m.is_vr or float(t[at + 1] - t[at]) / pace_s * pitch_deg > SLOW_DEG:
        return False
    e, levels = m.line.edges, m.line.levels
    rows = np.flatnonzero(e.rising == m.wheel.marking_rising)
    if rows.size < LEAST_PULSES:
        return False
    half = 0.5 * (e.peak_before_v + e.peak_after_v).astype(np.float64)[rows]
    beside_s = np.diff(e.time_s[rows])
    expected = float(np.nanmedian(0.5 * (half[:-1] + half[1:]) * beside_s)) / pace_s
    read = min(vr.least_armed(levels.noise, levels.step), float(np.nanquantile(half, SMALLEST)))
    return expected < read + levels.step  # a step is lost in rounding the wave and its zero line


def teeth_to_rest(m: Measured, t: Floats, at: int, way: int) -> float:
    """Teeth in which the crank comes to rest at mark ``at`` (way -1), or since which it left rest (way 1).

    The square of the speed, energy, falls by about as much on each pitch of a compression. Infinite where it does not
    fall, or where the engine runs.
    """
    part = t[max(0, at - 5) : at + 1] if way < 0 else t[at : at + 6][::-1]
    if part.size < 5:
        return float("inf")
    pitch_deg = m.layout.pitch_deg if m.layout is not None else np.nan
    pitches = np.abs(np.diff(m.wheel.angle.at(part))) / pitch_deg
    pitches = np.where(np.isfinite(pitches), pitches, 1.0)
    took = np.abs(np.diff(part))
    if pitches[-1] > 1.5 and _step(1.0 / took[-1], pitches[-2] / took[-2]) < _step(
        pitches[-1] / took[-1], pitches[-2] / took[-2]
    ):
        pitches[-1] = 1.0  # beside a stall the decoded slot may be one off: there is no gap where the speed shows none
    speed = pitches / took
    energy = float(speed[:2].mean() ** 2), float(speed[-2:].mean() ** 2)
    used_a_pitch = (energy[0] - energy[1]) / (speed.size - 2)
    running = pitch_deg / 6.0 * speed[-1] > m.limits["lost.running_rpm"]
    return energy[1] / used_a_pitch if used_a_pitch > 0.0 and not running else float("inf")


def may_rest(m: Measured, t: Floats, at: int) -> bool:
    """Whether the crank, slowing as it did before on one pitch of a compression, may rest before its next tooth shows.

    A gap hides the way to rest; the square of the speed, energy, falls by about as much on each pitch of a compression.
    """
    assert m.layout is not None
    if m.layout.pitch_deg / 6.0 / float(np.median(np.diff(t[at - 6 : at + 1]))) > m.limits["lost.running_rpm"]:
        return False
    part = t[max(0, at - 2 * m.teeth) : at + 1]
    turned = np.diff(m.wheel.angle.at(part)) / m.layout.pitch_deg
    with np.errstate(invalid="ignore"):
        energy = np.where((turned > 0.5) & (turned < 1.5), turned / np.diff(part), np.nan) ** 2
    lost = energy[:-3] - energy[3:]
    if not np.isfinite(lost).any() or not np.isfinite(energy[-1]):
        return False
    here = float(m.wheel.angle.at(float(t[at]))[0]) % 360.0
    ahead = np.sort((np.asarray(m.layout.teeth_deg) - here - 0.5 * m.layout.pitch_deg) % 360.0)[0]
    gap = float(ahead) / m.layout.pitch_deg + 0.5
    return float(energy[-1]) < float(np.nanquantile(lost, 0.95)) / 3.0 * (gap + m.limits["lost.stop_teeth"])


def _step(a: float, b: float) -> float:
    return abs(float(np.log(a / b)))


def stalls(m: Measured, t: Floats, at: int, after: int | None) -> bool:
    """Whether a pause may be a stall, in which a weak signal fades by itself: rest is near before it, and after it, and
    the pause is long enough to come to rest and turn again.
    """
    before = teeth_to_rest(m, t, at, -1)
    since = before if after is None else teeth_to_rest(m, t, after, 1)
    if min(before, since) >= m.limits["lost.stop_teeth"] and max(before, since) >= m.limits["lost.stall_teeth"]:
        return False
    if after is None or after + 1 >= t.size or at < 1:
        return True
    need_s = pauses.time_to_rest_s(before, float(t[at] - t[at - 1]), since, float(t[after + 1] - t[after]))
    return float(t[after] - t[at]) > pauses.REST_SHARE * need_s
