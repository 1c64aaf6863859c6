"""From a recording to its lines: sensor kind, levels, edges and role of every channel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from witnessmark.provenance import Step
from witnessmark.recording.model import ChannelInfo, Recording
from witnessmark.recording.setup import ChannelSetup, Setup
from witnessmark.signals import kernels, kinds, levels, reluctance, role_words, roles, twolevel, vr
from witnessmark.signals.crossings import Crossings, Thresholds, find_crossings
from witnessmark.signals.model import FIRST, GLITCH, Edges, Levels, Sensor, Signals
from witnessmark.signals.summary import LONG_CHANNEL, Summary, native, summarise, whole_blocks
from witnessmark.special import median
from witnessmark.threads import each

MOVING_SIGMAS = 12.0
"""A line moves when its range exceeds this many noise deviations: a million normal samples span under 10, and the
noise is taken from the quieter blocks, up to a tenth low."""


def extract(recording: Recording, setup: Setup, chunk: int = 1 << 22) -> Signals:
    """Every line of ``recording`` with sensor kind, levels, edges and role.

    Times are seconds on the recording's clock, levels in the channel's unit. ``chunk`` is the number of samples held
    at once (rounded up to whole blocks for the first pass); the result does not depend on it. What the setup says
    about a channel wins over what is inferred.
    """
    told = [setup.channel_for(info.name, info.position) for info in recording.channels]
    pairs = list(zip(recording.channels, told, strict=True))
    if max((info.samples for info in recording.channels), default=0) >= LONG_CHANNEL:
        read = each(lambda one: _read_channel(recording, *one, chunk), pairs)
    else:  # more is done in Python than in the compiled loops: threads would wait for one another
        read = [_read_channel(recording, info, said, chunk) for info, said in pairs]
    lines = roles.assign(
        [
            roles.Candidate(
                r.info, r.sensor, r.sensor_told, r.levels, r.edges, said, _scale_known(recording, said), r.trend
            )
            for r, said in zip(read, told, strict=True)
        ]
    )
    return Signals(tuple(lines), tuple(r.step for r in read), ())


def _scale_known(recording: Recording, said: ChannelSetup | None) -> bool:
    return recording.format.casefold() != "wav" or (said is not None and said.scale is not None)


@dataclass(frozen=True)
class _Read:
    """One channel read: everything but its role."""

    info: ChannelInfo
    sensor: Sensor
    sensor_told: bool
    levels: Levels
    edges: Edges
    step: Step
    trend: NDArray[np.float64]


def _read_channel(recording: Recording, info: ChannelInfo, said: ChannelSetup | None, chunk: int) -> _Read:
    if info.kind == "changes":
        return _read_changes(recording, info)
    told = said.sensor if said is not None else None
    if info.samples == 0:
        return _Read(
            info, told or "analog", told is not None, _no_levels(), no_edges(info.name), _step(info, 0, {}), np.empty(0)
        )
    summary = summarise(recording, info, chunk)
    sensor: Sensor = told or "analog"
    edges = no_edges(info.name)
    zero: vr.Zero | None = None
    used, crossings, modes = None, None, levels.Modes(np.nan, np.nan, 0.0)
    if told in (None, "hall"):
        used, crossings, modes = _two_level(recording, info, summary, told == "hall", chunk)
    if crossings is not None:
        sensor, edges = "hall", _hall_edges(info, crossings)
    if crossings is None and told in (None, "vr"):
        average = told == "vr" or (
            info.unit.strip() in kinds.VOLTS and role_words.may_turn(info.name, said.role if said is not None else None)
        )
        pick_up, zero = reluctance.read(recording, info, summary, told == "vr", average, chunk)
        used = zero.thresholds
        if pick_up is not None:
            sensor, used = "vr", pick_up.thresholds
            edges = _vr_edges(info, pick_up.crossings, pick_up.folds)
    found = _levels(recording, info, summary, sensor, modes, zero, edges, chunk)
    return _Read(
        info,
        sensor,
        told is not None,
        found,
        edges,
        _step(info, len(edges), _parameters(sensor, used)),
        summary.trend(),
    )


def _two_level(
    recording: Recording, info: ChannelInfo, summary: Summary, told: bool, chunk: int
) -> tuple[Thresholds | None, Crossings | None, levels.Modes]:
    """Read the line as one of two levels; no crossings where it is none. Of several pairs of levels that fit (pulses
    that end in a spike) the one with the longer pulses is the line's own. A line told to be two-level is read as such.
    """
    pairs = levels.find_modes(summary)
    best: tuple[Thresholds | None, Crossings | None, levels.Modes] = None, None, pairs[0]
    longest = 0.0
    for modes in pairs:
        if not told and not kinds.two_level_candidate(summary, modes):
            continue
        used = twolevel.thresholds(summary, modes)
        crossings = find_crossings(recording, info, summary, used, chunk)
        fits = kinds.sharp(crossings, modes, summary) and not kinds.load_like(
            crossings, modes, summary, info.gain, info.offset, info.unit
        )
        length = kinds.pulse_length(crossings) if fits else 0.0
        if length > longest or (told and best[1] is None):
            best, longest = (used, crossings, modes), length
    return best


def _parameters(sensor: Sensor, used: Thresholds | None) -> dict[str, object]:
    if used is None or sensor == "analog":
        return {"sensor": sensor}
    return {
        "sensor": sensor,
        "down": median(used.down),
        "mid": median(used.mid),
        "up": median(used.up),
        "following": len(used.mid) > 1,
    }


def _step(info: ChannelInfo, edges: int, parameters: dict[str, object]) -> Step:
    what = f"edges of {info.name}"
    return Step("signals", what, parameters, used=edges, seen=edges)


def no_edges(channel: str) -> Edges:
    """The edges of a line that has none."""
    f32 = np.empty(0, np.float32)
    return Edges(
        channel,
        np.empty(0),
        np.empty(0, np.int64),
        f32,
        np.empty(0, np.bool_),
        np.empty(0, np.uint8),
        f32,
        f32,
        f32,
        f32,
    )


def _no_levels() -> Levels:
    nan = float("nan")
    return Levels(nan, nan, nan, nan, nan, nan, 0.0, False)


def _times(info: ChannelInfo, c: Crossings) -> NDArray[np.float64]:
    assert info.rate_hz is not None
    return info.start_s + (c.sample + c.fraction) / info.rate_hz


def _fraction(c: Crossings) -> NDArray[np.float32]:
    return np.minimum(c.fraction.astype(np.float32), np.nextafter(np.float32(1), np.float32(0)))


def _hall_edges(info: ChannelInfo, c: Crossings) -> Edges:
    time_s = _times(info, c)
    rising = c.rising if info.gain >= 0 else ~c.rising
    label = twolevel.label_edges(time_s, rising, c.first)
    nan = np.full(len(c), np.nan, np.float32)
    return Edges(info.name, time_s, c.sample, _fraction(c), rising, label, nan, nan, nan, nan)


def _vr_edges(info: ChannelInfo, c: Crossings, folds: NDArray[np.bool_]) -> Edges:
    assert info.rate_hz is not None
    time_s = _times(info, c)
    rising = c.rising if info.gain >= 0 else ~c.rising
    label = twolevel.label_edges(time_s, rising, c.first)
    label[folds & (label != FIRST)] = GLITCH
    gain = abs(info.gain)
    volt = {"V": 1.0, "mV": 1e3}.get(info.unit, 0.0)  # of an unknown unit nothing is known to be too little
    least = volt * vr.NOMINAL_LEAST_V / gain if gain > 0 else 0.0
    return Edges(
        info.name,
        time_s,
        c.sample,
        _fraction(c),
        rising,
        label,
        (c.peak_before * gain).astype(np.float32),
        (c.peak_after * gain).astype(np.float32),
        (c.step * gain * info.rate_hz).astype(np.float32),
        vr.arm_margin(c, least).astype(np.float32),
    )


def _levels(
    recording: Recording,
    info: ChannelInfo,
    summary: Summary,
    sensor: Sensor,
    modes: levels.Modes,
    zero: vr.Zero | None,
    edges: Edges,
    chunk: int,
) -> Levels:
    least, most = summary.extremes
    moving = bool(most - least > max(MOVING_SIGMAS * summary.noise, 2.5 * summary.quantum))
    if sensor == "hall":
        low, high, level = modes.low, modes.high, 0.5 * (modes.low + modes.high)
    elif sensor == "vr" and zero is not None and len(edges):
        gain = abs(info.gain) or 1.0
        high = (
            zero.level + float(np.median(edges.peak_before_v[~edges.rising])) / gain if (~edges.rising).any() else most
        )
        low = zero.level - float(np.median(edges.peak_before_v[edges.rising])) / gain if edges.rising.any() else least
        level = zero.level
    else:
        values = summary.values if len(summary.values) else np.array([np.nan])
        low, level, high = (float(values[round(q * (len(values) - 1))]) for q in (0.05, 0.5, 0.95))
    clipped = 0.0
    if moving and sensor != "hall":
        clipped = _clipped(recording, info, summary, least, most, chunk)
    scaled = [v * info.gain + info.offset for v in (low, high, level, least, most)]
    if info.gain < 0:
        scaled[0], scaled[1], scaled[3], scaled[4] = scaled[1], scaled[0], scaled[4], scaled[3]
    return Levels(
        scaled[0], scaled[1], scaled[2], summary.noise * abs(info.gain), scaled[3], scaled[4], clipped, moving,
        summary.quantum * abs(info.gain),
    )  # fmt: skip


def _clipped(recording: Recording, info: ChannelInfo, summary: Summary, low: float, high: float, chunk: int) -> float:
    """Share of samples at the extreme codes in runs."""
    near = max(1.5 * summary.quantum, 3.0 * summary.noise, 0.01 * (high - low))
    state = np.zeros(3, np.int64)
    total = 0
    size = whole_blocks(chunk, summary.block)
    for start in range(0, info.samples, size):
        stop = min(start + size, info.samples)
        a, b = start // summary.block, -(-stop // summary.block)
        touches = (summary.lo[a:b] <= low) | (summary.hi[a:b] >= high)
        if not touches.any():
            state[:] = 0
            continue
        x = native(recording.read(info.name, start, stop))
        total += kernels.clipped_runs(x, start, summary.shift, summary.lo, summary.hi, low, high, near, state)
    return total / info.samples


def _read_changes(recording: Recording, info: ChannelInfo) -> _Read:
    """A change list is read as it stands: the written time is the edge."""
    changes = recording.changes(info.name)
    level = np.asarray(changes.level).astype(np.bool_)
    turn = np.flatnonzero(level[1:] != level[:-1]) + 1 if len(level) > 1 else np.empty(0, np.int64)
    time_s = np.asarray(changes.time_s, dtype=np.float64)[turn]
    first = np.zeros(len(turn), np.bool_)
    first[:1] = True
    for gap in info.gaps:
        after = int(np.searchsorted(time_s, gap.end_s))
        if after < len(first):
            first[after] = True
    rising = level[turn]
    nan = np.full(len(turn), np.nan, np.float32)
    edges = Edges(
        info.name,
        time_s,
        turn.astype(np.int64),
        np.zeros(len(turn), np.float32),
        rising,
        twolevel.label_edges(time_s, rising, first),
        nan,
        nan,
        nan,
        nan,
    )
    low, high = (0.0, 1.0) if len(turn) else (float(level.min()), float(level.max())) if len(level) else (0.0, 0.0)
    found = Levels(low, high, 0.5 * (low + high), 0.0, low, high, 0.0, len(turn) > 0)
    return _Read(
        info, "hall", False, found, edges, _step(info, len(turn), {"sensor": "hall", "change list": True}), np.empty(0)
    )


__all__ = ["FIRST", "GLITCH", "extract", "no_edges"]
