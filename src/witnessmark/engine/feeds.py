"""Supply and ground of sensors while the engine turns, and samples that a recorder held: what needs the samples."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine.model import Attempt, Feed, Held
from witnessmark.engine.sampled import smooth, thinned
from witnessmark.recording.model import Recording
from witnessmark.signals.model import Line, Signals
from witnessmark.wheel.model import WheelResult

Array = NDArray[np.float64]

RATE_HZ = 5000.0
SMOOTH_SAMPLES = 9  # two milliseconds: switching spikes are no sag
LEAST_SAMPLES = 50
# Samples looked at for held ones, and changes that are enough to tell.
LOOKED_AT, MOST_CHANGES = 4_000_000, 20_000


def feeds_of(
    signals: Signals, recording: Recording, wheel: WheelResult, attempts: Sequence[Attempt]
) -> tuple[Feed, ...]:
    """Every supply and ground line named in the setup, over the time in which the engine turns."""
    turning = [(a.start_s, a.end_s) for a in attempts] or [(s.start_s, s.end_s) for s in wheel.angle.segments]
    if not turning:
        return ()
    # from the first to the last: a crank line that goes with its supply makes one attempt look like two
    spans = [(min(a for a, _ in turning), max(b for _, b in turning))]
    starter = signals.by_role("starter-current")
    out = []
    for role in ("sensor-supply", "sensor-ground"):
        for line in signals.by_role(role):
            if line.scale_known and line.role_source == "setup":
                made = _feed(recording, line, spans, starter[0] if starter else None)
                out += [made] if made is not None else []
    return tuple(out)


def _feed(recording: Recording, line: Line, spans: list[tuple[float, float]], starter: Line | None) -> Feed | None:
    parts = [thinned(recording, line.name, a, b, RATE_HZ) for a, b in spans]
    if not parts:
        return None
    time = np.concatenate([t for t, _ in parts])
    volts = np.concatenate([smooth(v, SMOOTH_SAMPLES) for _, v in parts])
    if time.size < LEAST_SAMPLES:
        return None
    usual, low = float(np.quantile(volts, 0.9)), float(volts.min())
    under = volts <= usual - 0.5 * (usual - low)
    return Feed(
        channel=line.name, role=line.role, of=line.of, usual_v=usual, lowest_v=low,
        low_share=float(under.mean()), low_start_s=float(time[under][0]), low_end_s=float(time[under][-1]),
        start_s=float(time[0]), end_s=float(time[-1]), with_starter=_together(recording, starter, time, volts),
    )  # fmt: skip


def _together(recording: Recording, starter: Line | None, time: Array, volts: Array) -> float:
    """Correlation with the starter current; 0 where that was not recorded or nothing moves."""
    if starter is None or float(np.std(volts)) < 1e-6:
        return 0.0
    when, amps = thinned(recording, starter.name, float(time[0]), float(time[-1]), RATE_HZ)
    if when.size < LEAST_SAMPLES or float(np.std(amps)) < 1e-6:
        return 0.0
    return float(np.corrcoef(volts, np.interp(time, when, smooth(amps, SMOOTH_SAMPLES)))[0, 1])


def held_of(recording: Recording, line: Line | None) -> Held | None:
    """By how many samples the line's changes stand apart at least: more than one where samples were held."""
    if line is None or line.info.kind != "sampled":
        return None
    raw = np.asarray(recording.read(line.name, 0, min(line.info.samples, LOOKED_AT)))
    changes = np.flatnonzero(raw[1:] != raw[:-1])[:MOST_CHANGES]
    if changes.size < 2:
        return None
    return Held(line.name, int(np.gcd.reduce(np.diff(changes))), int(changes.size))
