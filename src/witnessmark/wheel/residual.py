"""What is left of a missing tooth in the raw line: a stub that still makes a ripple is weak, a clean gap is absent."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.model import Recording
from witnessmark.wheel.model import Layout, Passes

MOST_LOOKS = 400


def of_missing(
    recording: Recording, channel: str, passes: Passes, layout: Layout, marking_rising: bool
) -> NDArray[np.float64]:
    """Steepest marking-way slope within half a pitch of each missing passage, over the median of its seen neighbours.

    [m], NaN where nothing was looked at (change lists, seen teeth). On a lazy flank through a gap the slope has the
    other sign, so a clean gap gives about 0 or below.
    """
    out = np.full(passes.tooth.size, np.nan)
    info = recording.info(channel)
    if info.kind != "sampled" or info.rate_hz is None:
        return out
    missing = np.flatnonzero((passes.edge < 0) & passes.used)
    if missing.size > MOST_LOOKS:
        missing = missing[np.linspace(0, missing.size - 1, MOST_LOOKS).astype(int)]
    sign = 1.0 if marking_rising else -1.0
    for m in missing:
        here = _slope(recording, channel, passes.time_s[m], passes.speed_rpm[m], layout, sign)
        near = [q for q in range(max(0, int(m) - 4), min(passes.tooth.size, int(m) + 5)) if passes.edge[q] >= 0]
        others = [_slope(recording, channel, passes.time_s[q], passes.speed_rpm[q], layout, sign) for q in near]
        usual = float(np.median(others)) if others else 0.0
        if usual > 0 and np.isfinite(here):
            out[m] = here / usual
    return out


def _slope(recording: Recording, channel: str, time_s: float, rpm: float, layout: Layout, sign: float) -> float:
    """Largest drop (or rise) of the line over a quarter pitch within half a pitch of a time, in volts."""
    info = recording.info(channel)
    assert info.rate_hz is not None
    if not np.isfinite(rpm) or rpm <= 0:
        return float("nan")
    half = 0.45 * layout.pitch_deg / (6.0 * rpm) * info.rate_hz
    centre = (time_s - info.start_s) * info.rate_hz
    start, stop = int(centre - half), int(centre + half) + 2
    if start < 0 or stop > info.samples or stop - start < 4:
        return float("nan")
    values = recording.values(channel, start, stop)
    lag = max(1, int(half / 2))
    if values.size <= lag:
        return float("nan")
    return float(np.max(sign * (values[lag:] - values[:-lag])))
