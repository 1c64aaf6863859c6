"""Number of cylinders from the ripple of cranking speed, where it is clear."""

from __future__ import annotations

import numpy as np

from witnessmark.engine.unroll import Unrolled

# Firing orders per turn of one to twelve cylinders, four-stroke.
COUNTS = (1, 2, 3, 4, 5, 6, 8, 10, 12)
# A cycle of 720 degrees is one line of the spectrum; four of them are the least that tells a firing order from drift.
LEAST_CYCLES = 4
# Compression moves cranking speed by tens of per cent (published: V8, 85 to 225 rpm about 150: Tech Briefs article
# 21269); runout of a wheel or a stretch of speeding up by a few.
LEAST_RIPPLE = 0.04
# The firing order must stand out of all orders that are not its multiples by this factor in amplitude.
CLEAR = 2.5
STEP_DEG = 6.0


def infer(unrolled: Unrolled, cranking: list[tuple[float, float]]) -> tuple[int | None, str]:
    """(cylinders or None, why). cranking: (start, end) in s of steady cranking stretches.

    Equal-angle resampling and a Fourier sum over whole cycles (order tracking: Fyfe & Munck 1997, cited from memory).
    """
    spectrum: list[np.ndarray] = []
    for start, end in cranking:
        spectrum += _spectra(unrolled, start, end)
    if not spectrum:
        return None, "no four whole cycles of steady cranking were decoded"
    size = np.mean(spectrum, axis=0)  # index: events per cycle of 720 degrees
    best = max(COUNTS, key=lambda n: size[n])
    if size[best] < LEAST_RIPPLE:
        return None, f"cranking speed ripples by {100 * size[best]:.1f} per cent only"
    others = [size[k] for k in range(1, 25) if k % best]
    if others and size[best] < CLEAR * max(others):
        return None, "no one firing order stands out of the cranking ripple"
    return best, f"{best} compressions a cycle in the cranking speed, ripple {100 * size[best]:.0f} per cent"


def _spectra(unrolled: Unrolled, start_s: float, end_s: float) -> list[np.ndarray]:
    out: list[np.ndarray] = []
    angle = unrolled.angle
    for seg in angle.segments:
        lo, hi = angle.at(np.clip([start_s, end_s], seg.start_s, seg.end_s))
        cycles = int((hi - lo) // 720)
        if cycles < LEAST_CYCLES:
            continue
        grid = lo + np.arange(0.0, 720.0 * cycles, STEP_DEG)
        speed = angle.rpm(angle.when(grid), 2 * STEP_DEG)
        if not np.isfinite(speed).all():
            continue
        # the trend of the whole stretch is not ripple
        x = np.linspace(-1.0, 1.0, len(speed))
        trend = np.polynomial.polynomial.polyval(x, np.polynomial.polynomial.polyfit(x, speed, 2))
        lines = np.abs(np.fft.rfft(speed / trend - 1.0)) * 2 / len(speed)
        out.append(lines[: 24 * cycles + 1 : cycles])
    return out
