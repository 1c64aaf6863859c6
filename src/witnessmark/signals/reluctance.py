"""Read a channel as a variable-reluctance line, on means of samples where its pulses sink into the noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.model import ChannelInfo, Recording
from witnessmark.signals import flanks, kinds, vr
from witnessmark.signals.averaged import averaged, back, worth
from witnessmark.signals.crossings import Crossings, Scanner, Thresholds, find_crossings
from witnessmark.signals.summary import LONG_CHANNEL, Summary, native, summarise

SUNK = 18.0
"""Usual half wave in noise deviations below which the arming level (a quarter of it at most) lies in the noise."""

LONGEST_S = 0.4e-3
"""Longest mean: an eighth of a tooth of a 60-slot wheel at 300 rpm; pulses are lost in noise at low speed only."""

SHORTEST_HALF = 6.0
"""Usual half wave in means: with fewer, a mean takes too much off its top (5 % at six, computed)."""

TOO_SHORT = 512
"""Means a channel must hold."""

LOOKS, LOOK, OFTEN = 8, 1 << 17, 64
"""Stretches of a long channel looked at before all of it is searched, their length in samples, and the crossings in one
that show whether they have a rhythm."""


@dataclass(frozen=True)
class Found:
    """The line read: zero line (native units), thresholds used, its crossings (samples of the channel) and folds."""

    zero: vr.Zero
    thresholds: Thresholds
    crossings: Crossings
    folds: NDArray[np.bool_]
    means_of: int = 1

    @property
    def clearness(self) -> float:
        """Usual half wave over noise."""
        return self.zero.amplitude / max(self.zero.noise, 1e-30)


def read(
    recording: Recording, info: ChannelInfo, summary: Summary, told: bool, average: bool, chunk: int
) -> tuple[Found | None, vr.Zero]:
    """The line as a pick-up's, None where it is none, and its zero line; ``told``: it is one, whatever it looks like.

    ``average``: look under the noise too, on means of samples.
    """
    zero = vr.find_zero(summary)
    best = _found(recording, info, summary, zero, told, 1, chunk)
    if not average or zero.amplitude >= SUNK * zero.noise or not worth(summary):
        return best, zero
    assert info.rate_hz is not None
    clear = zero.amplitude / max(zero.noise, 1e-30)
    k = 4 if clear <= 0.0 else max(4, 1 << int(np.ceil(np.log2((1.4 * SUNK / clear) ** 2))))
    k = min(k, 1 << max(0, int(LONGEST_S * info.rate_hz).bit_length() - 1))
    while k > 1 and k <= LONGEST_S * info.rate_hz and info.samples // k >= TOO_SHORT:
        less_noisy, slower = averaged(recording, info, k)
        piece = max(1, chunk // k)
        means = summarise(less_noisy, slower, piece)
        made = _found(less_noisy, slower, means, vr.find_zero(means), False, k, piece)
        if made is not None and (best is None or made.clearness > best.clearness):
            best = made
        if best is not None and best.clearness >= SUNK:
            break
        k *= 2
    return (best, zero) if best is None else (best, best.zero)


def _found(
    recording: Recording, info: ChannelInfo, summary: Summary, zero: vr.Zero, told: bool, k: int, chunk: int
) -> Found | None:
    if not told and not kinds.may_be_reluctance(summary, zero):
        return None
    if not told and _noise_only(recording, info, summary, zero):
        return None
    crossings = vr.prune(find_crossings(recording, info, summary, zero.thresholds, chunk))
    if not told and not kinds.reluctance_like(summary, zero, crossings, info.gain, info.offset, info.unit):
        return None
    if k > 1 and (len(crossings) < 3 or np.median(np.diff(crossings.sample)) < SHORTEST_HALF):
        return None
    least, most = summary.extremes
    folds = vr.folds(crossings, most - least)
    fitted = flanks.fit(recording, info, crossings, zero.thresholds, summary, chunk)
    return Found(zero, zero.thresholds, back(fitted, k), folds, k)


def _noise_only(recording: Recording, info: ChannelInfo, summary: Summary, zero: vr.Zero) -> bool:
    """Does a long channel cross its zero line often and without rhythm wherever one looks? Then its zero line lies in
    noise; a minute of it has a million crossings, which are spared.
    """
    if info.samples < LONG_CHANNEL or info.gaps:
        return False
    often = 0
    for start in np.linspace(0, info.samples - LOOK, LOOKS).astype(np.int64):
        scanner = Scanner(recording, info, summary, zero.thresholds)
        scanner.feed(native(recording.read(info.name, int(start), int(start) + LOOK)), int(start))
        crossings = scanner.result()
        if len(crossings) < OFTEN:
            continue
        if kinds.unsteady(crossings) <= 1.5 * kinds.REGULAR:
            return False
        often += 1
    return 2 * often > LOOKS
