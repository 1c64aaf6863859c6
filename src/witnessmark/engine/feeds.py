"""Supply and ground of sensors while the engine turns, and samples that a recorder held: what needs the samples."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine.model import Attempt, Feed, Held
from witnessmark.engine.sampled import smooth, thinned
from witnessmark.engine.witnesses import at_speed_beside, cam_goes_on
from witnessmark.recording.model import Recording
from witnessmark.signals.model import Line, Signals
from witnessmark.wheel.model import WheelResult

Array = NDArray[np.float64]

RATE_HZ = 5000.0
SMOOTH_SAMPLES = 9  # two milliseconds: switching spikes are no sag
LEAST_SAMPLES = 50
# A supply that falls below this share of its usual as the rotation ends, and over what time, was turned off.
KEY_OFF, KEY_OFF_S = 0.95, 0.05
# A role that the line's name tells.
SURE = 0.9
# Supply before the engine turns, with the key on: what a starter that pulls it down all the time is compared with.
BEFORE_S = 1.0
# Supply after the crank line has fallen silent for good: one that stays, or comes back, was not turned off by the key.
AFTER_S = 1.0
# Samples looked at for held ones, and changes that are enough to tell.
LOOKED_AT, MOST_CHANGES = 4_000_000, 20_000


def feeds_of(
    signals: Signals, recording: Recording, wheel: WheelResult, attempts: Sequence[Attempt]
) -> tuple[Feed, ...]:
    """Every supply and ground line that the setup or its name tells, over the time in which the engine turns."""
    turning = [(a.start_s, a.end_s) for a in attempts] or [(s.start_s, s.end_s) for s in wheel.angle.segments]
    spans = _joined(signals, wheel, sorted(turning))
    starter = signals.by_role("starter-current")
    out = []
    for role in ("sensor-supply", "sensor-ground"):
        for line in signals.by_role(role):
            if line.scale_known and (line.role_source == "setup" or line.role_confidence >= SURE):
                made = _feed(recording, line, spans, starter[0] if starter else None)
                out += [made] if made is not None else []
    return tuple(out)


def _joined(signals: Signals, wheel: WheelResult, turning: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Stretches of rotation, joined over what lies between two where the crank turned on.

    A crank line that goes with its supply makes one attempt look like two; between two real ones the key may be off.
    """
    crank = next((x for x in signals.lines if x.name == wheel.channel and x.sensor == "hall"), None)
    edges = np.empty(0) if crank is None else crank.edges.time_s[crank.edges.rising == wheel.marking_rising]
    out: list[tuple[float, float]] = []
    for start, end in turning:
        on = bool(out) and (cam_goes_on(signals, out[-1][1], start) or at_speed_beside(edges, out[-1][1], start))
        out = [*out[:-1], (out[-1][0], end)] if on else [*out, (start, end)]
    return out


def _feed(recording: Recording, line: Line, spans: list[tuple[float, float]], starter: Line | None) -> Feed | None:
    if line.role == "sensor-supply":
        spans = [*spans[:-1], (spans[-1][0], spans[-1][1] + AFTER_S)]
    parts = [thinned(recording, line.name, a, b, RATE_HZ) for a, b in spans]
    parts = [(t, smooth(v, SMOOTH_SAMPLES)) for t, v in parts if t.size]
    if not parts:
        return None
    before = thinned(recording, line.name, spans[0][0] - BEFORE_S, spans[0][0], RATE_HZ)[1]
    usual = max(float(np.quantile(v, 0.9)) for v in (np.concatenate([v for _, v in parts]), before) if v.size)
    if line.role == "sensor-ground":  # it is flat at rest: what counts is where it stands while the engine turns
        usual = float(np.quantile(np.concatenate([v for _, v in parts]), 0.9))
    else:
        parts = [_without_key_off(t, v) for t, v in parts]
    time, volts = (np.concatenate(x) for x in zip(*parts, strict=True))
    if time.size < LEAST_SAMPLES:
        return None
    low = float(volts.min())
    under = volts <= usual - 0.5 * (usual - low)
    return Feed(
        channel=line.name, role=line.role, of=line.of, usual_v=usual, lowest_v=low,
        low_share=float(under.mean()), low_start_s=float(time[under][0]), low_end_s=float(time[under][-1]),
        start_s=float(time[0]), end_s=float(time[-1]), with_starter=_together(recording, starter, time, volts),
    )  # fmt: skip


def _without_key_off(time: Array, volts: Array) -> tuple[Array, Array]:
    """A stretch of rotation without a fall of the supply that lasts to its end: a key turned off ends both."""
    good = np.flatnonzero(volts > KEY_OFF * np.median(volts))
    # the fall begins before it is deep: as long again as the filter and the capacitors take
    keep = time < time[good[-1] if good.size else -1] - KEY_OFF_S
    return time[keep], volts[keep]


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
