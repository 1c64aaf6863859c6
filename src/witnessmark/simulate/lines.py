"""The lines of a recording: what sensors, outputs and supply put on each channel, from a run that is done."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from witnessmark.simulate import cams, crankline, mechanics, outputs, pressures, supply, waveforms
from witnessmark.simulate.drive import RUNS_RAD_S
from witnessmark.simulate.scenario import Channel, Fault, Scenario

if TYPE_CHECKING:
    from witnessmark.simulate.run import Run

F64 = NDArray[np.float64]

STREAMS = {"wheel": 1, "start": 2, "noise": 3, "cam": 4, "spurious": 5}


def channel_name(channel: Channel) -> str:
    """The channel's name in the recording."""
    plain = channel.role.replace("-", " ")
    numbered = channel.role in ("coil", "injector", "cylinder-pressure")
    if channel.role in ("second-tap", "sensor-supply", "sensor-ground") and channel.of:
        plain = f"{channel.of} {plain}"
    if channel.role == "cam" and channel.cam > 1:
        plain = f"cam {channel.cam}"
    return channel.name or (f"{plain} {channel.cylinder}" if numbered else plain)


def _charging(scenario: Scenario, run: Run) -> F64:
    """Share of the way from rest to charging voltage, on the run's grid; the generator follows within 0.6 s."""
    fast = run.omega_rad_s > RUNS_RAD_S
    charge = np.empty(len(fast))
    level = 1.0 if scenario.running.initial == "running" else 0.0
    for k in range(0, len(fast), 50):
        level += ((1.0 if fast[k] else 0.0) - level) * 50 * run.dt_s / 0.6
        charge[k : k + 50] = level
    return charge


def battery_v(scenario: Scenario, run: Run, n: int) -> F64:
    """Battery volts at every sample: sag by starter current, loads after key-on, charging once running."""
    c = scenario.cranking
    t = np.arange(n) / scenario.sampling.rate_hz
    amps = np.interp(t, run.time_s, run.current_a)
    supply = mechanics.supplies(c)
    row = np.searchsorted(supply[:, 0], t, side="right") - 1
    rest = supply[row, 1] - np.where(t >= c.key_on_s, 0.15, 0.0)
    up = np.interp(t, run.time_s, _charging(scenario, run))
    volts: F64 = rest - amps * supply[row, 2] + up * (scenario.running.charging_v - rest)
    return volts


def _starter_current(scenario: Scenario, run: Run, n: int) -> F64:
    """Starter current in A with brush ripple (commutator passages go with crank speed)."""
    t = np.arange(n) / scenario.sampling.rate_hz
    amps = np.interp(t, run.time_s, run.current_a)
    angle = np.deg2rad(np.interp(t, run.time_s, run.theta_deg))
    return amps * (1.0 + 0.02 * np.sin(angle * 12.0 * 23.0))


def _crank_levels(scenario: Scenario, run: Run, at_unit: bool = True) -> tuple[F64, F64, float]:
    """Level changes of a two-level crank line: times, volts after each, volts at the start.

    At the sensor's end those are there too that a fault beyond it keeps from the control unit.
    """
    s = scenario.sensor
    high = s.low_v + (s.high_v - s.low_v) * crankline.gain(scenario)
    at_end = crankline.marks_at_end(scenario)
    there = run.passes[:, 4] > 0
    if not at_unit:
        there |= (run.passes[:, 4] < 0) & ~supply.dead(scenario, run.passes[:, 0])
    shown = run.passes[there]
    marking = run.turn.edges.marking[shown[:, 1].astype(int)]
    begins = marking != at_end
    on_tooth = begins == (shown[:, 2] > 0)
    volts = np.where(on_tooth == s.tooth_high, high, s.low_v)
    times = shown[:, 0]
    key = scenario.cranking.key_on_s if scenario.running.initial == "standstill" else -1.0
    wheel = (run.theta_deg[0] + run.offset_deg) % 360.0
    e = int(np.searchsorted(run.turn.edges.angle_deg, wheel, side="right") - 1)
    inside = bool(run.turn.edges.marking[e] != at_end)
    idle = high if inside == s.tooth_high else s.low_v
    keep = times > key
    order = np.argsort(times[keep], kind="stable")
    times, volts = times[keep][order], volts[keep][order]
    if key > 0:
        return np.concatenate([[key], times]), np.concatenate([[idle], volts]), 0.0
    return times, volts, idle


def _with_spurious(times: F64, volts: F64, first_v: float, run: Run, scenario: Scenario) -> tuple[F64, F64]:
    """Short pulses to the other level at the spurious times."""
    s = scenario.sensor
    widths = [f.width_us * 1e-6 for f in scenario.fault if f.kind == "edges-spurious"]
    if not widths or not len(run.spurious_s):
        return times, volts
    at = np.sort(run.spurious_s)
    high = s.low_v + (s.high_v - s.low_v) * crankline.gain(scenario)
    n = np.searchsorted(times, at, side="right") - 1
    here = np.where(n >= 0, volts[np.maximum(n, 0)], first_v)
    other = np.where(np.abs(here - high) < np.abs(here - s.low_v), s.low_v, high)
    end = at + widths[0]
    m = np.searchsorted(times, end, side="right") - 1
    after = np.where(m >= 0, volts[np.maximum(m, 0)], first_v)
    all_t = np.concatenate([times, at, end])
    all_v = np.concatenate([volts, other, after])
    order = np.argsort(all_t, kind="stable")
    return all_t[order], all_v[order]


@dataclass(frozen=True)
class Supply:
    """What feeds the crank sensor, at every sample."""

    supply_v: F64
    lift_v: F64
    shared_v: F64


def supply_at(scenario: Scenario, run: Run, n: int) -> Supply:
    """Supply and ground of the sensors at every sample."""
    rate = scenario.sampling.rate_hz
    grid = (scenario, run.time_s, run.current_a, run.outputs)

    def sampled(values: F64) -> F64:
        return supply.at_samples(values, run.dt_s, n, rate)

    return Supply(
        sampled(supply.supply_v(*grid)), sampled(supply.ground_lift(*grid)), sampled(supply.ground_lift(*grid, True))
    )


def _lost(scenario: Scenario, at_unit: bool) -> list[tuple[Fault, tuple[float, float]]]:
    """Stretches without a signal at this end of the line."""
    ends = ("", "line", "sensor", "supply") if at_unit else ("sensor", "supply")
    return [(f, s) for f in scenario.fault if f.kind == "signal-lost" and f.where in ends for s in f.stretches]


def _crank_hall(scenario: Scenario, run: Run, n: int, feed: Supply, at_unit: bool) -> F64:
    times, volts, first = _crank_levels(scenario, run, at_unit)
    times, volts = _with_spurious(times, volts, first, run, scenario)
    s, rate = scenario.sensor, scenario.sampling.rate_hz
    line = waveforms.level_line(n, rate, times, volts, first, s.rise_s, s.fall_s)
    if any(f.kind == "ground-lift" for f in scenario.fault):
        line += feed.lift_v * np.clip((s.high_v - line) / (s.high_v - s.low_v), 0.0, 1.0)
    supply.without_supply(line, scenario, feed.supply_v, s.high_v)
    for fault, (start, length) in _lost(scenario, at_unit):
        line[waveforms.stretch(n, rate, start, start + length)] = s.high_v if fault.level_v is None else fault.level_v
    return line


def _crank_vr(scenario: Scenario, run: Run, n: int, at_unit: bool) -> F64:
    s, rate = scenario.sensor, scenario.sampling.rate_hz
    assert run.turn.table is not None
    angle = run.theta_deg + run.loose_deg
    line = waveforms.vr_line(n, rate, run.dt_s, angle, run.omega_rad_s, run.offset_deg, run.turn.table)
    if any(f.kind == "edges-dropped" for f in scenario.fault):
        half = 0.5 * run.fitted.pitch_deg
        for when, _, _, speed, shown, _ in run.passes:
            if shown == 0.0 and abs(speed) > 0.5:
                wide = half / (abs(speed) * 57.29578)
                waveforms.fade(line, rate, when - wide, when + wide)
    for fault in scenario.fault:
        if fault.kind == "edges-spurious":
            size = _spurious_v(fault, scenario)
            for at in run.spurious_s:
                waveforms.add_pulse(line, rate, at, size, fault.width_us * 1e-6)
    for fault, (start, length) in _lost(scenario, at_unit):
        line[waveforms.stretch(n, rate, start, start + length)] = fault.level_v or 0.0
    if run.turn.edges.delay_s > 0.0:
        line = np.roll(line, round(run.turn.edges.delay_s * rate))
    if (s.edge == "rising") != (crankline.reversed_at(scenario, "sensor") or crankline.reversed_at(scenario, "probe")):
        line = -line
    return np.clip(line, -s.clip_v, s.clip_v)


def _spurious_v(fault: Fault, scenario: Scenario) -> float:
    return fault.level_v if fault.level_v is not None else 1.5 * scenario.sensor.peak_v


def _crank(scenario: Scenario, run: Run, n: int, rng: np.random.Generator, feed: Supply, at_unit: bool = True) -> F64:
    s, rate = scenario.sensor, scenario.sampling.rate_hz
    line = _crank_vr(scenario, run, n, at_unit) if s.kind == "vr" else _crank_hall(scenario, run, n, feed, at_unit)
    line += s.offset_v if s.kind == "vr" else 0.0
    if s.hum_v:
        line += s.hum_v * np.sin(2 * np.pi * s.hum_hz * np.arange(n) / rate + rng.uniform(0, 6.28))
    if s.ignition_pickup_v:
        for at in run.outputs[(run.outputs[:, 0] == 0) & (run.outputs[:, 4] > 0), 3]:
            part = waveforms.stretch(n, rate, at, at + 3e-4)
            t = np.arange(part.start, part.stop) / rate - at
            line[part] += s.ignition_pickup_v * np.exp(-t / 5e-5) * np.cos(2 * np.pi * 4e4 * t)
    if s.noise_v:
        line += s.noise_v * rng.standard_normal(n, dtype=np.float32)
    return line


def _cam(scenario: Scenario, run: Run, n: int, number: int, feed: Supply, at_unit: bool = True) -> F64:
    """A cam line; both ends of one line show the same edges."""
    seed = [scenario.seed, STREAMS["cam"]] + ([number] if number > 1 else [])
    motion = cams.Motion(run.dt_s, run.theta_deg, run.omega_rad_s)
    shared = feed.shared_v if any(f.kind == "ground-lift" and f.shared for f in scenario.fault) else None
    return cams.line(scenario, number, motion, n, np.random.default_rng(seed), shared, at_unit)


def _belongs(channel: Channel, scenario: Scenario) -> Channel:
    """The channel that a supply, ground or second tap is of."""
    mine = (c for c in scenario.channel if channel.of in (channel_name(c), c.role) and c.role in ("crank", "cam"))
    return next(mine, Channel(role="crank"))


def _beside(channel: Channel, scenario: Scenario, run: Run, n: int, rng: np.random.Generator, feed: Supply) -> F64:
    """Supply, ground or other end of a sensor's line."""
    of = _belongs(channel, scenario)
    if channel.role == "second-tap":
        if of.role == "cam":
            return _cam(scenario, run, n, of.cam, feed, at_unit=False)
        return _crank(scenario, run, n, rng, feed, at_unit=False)
    noise = 0.01 * rng.standard_normal(n)
    if channel.role == "sensor-ground":
        return noise + (feed.lift_v if of.role == "crank" else feed.shared_v)
    return noise + (feed.supply_v if of.role == "crank" else supply.SUPPLY_V)


def _slow_line(channel: Channel, scenario: Scenario, n: int) -> F64:
    """A temperature that creeps up, or a marker that was pressed once."""
    t = np.arange(n) / scenario.sampling.rate_hz
    if channel.role == "temperature":
        return 80.0 + 5.0 * (1.0 - np.exp(-t / 30.0))
    return np.where((t > 0.5 * scenario.duration_s) & (t < 0.5 * scenario.duration_s + 0.1), 5.0, 0.0)


def line_of(
    channel: Channel, scenario: Scenario, run: Run, n: int, battery: F64, rng: np.random.Generator, feed: Supply
) -> F64:
    """What the channel carries at every sample, in its unit."""
    if channel.role == "crank":
        return _crank(scenario, run, n, rng, feed)
    if channel.role == "cam":
        return _cam(scenario, run, n, channel.cam, feed)
    if channel.role in ("second-tap", "sensor-supply", "sensor-ground"):
        return _beside(channel, scenario, run, n, rng, feed)
    if channel.role in ("temperature", "marker"):
        return _slow_line(channel, scenario, n)
    if channel.role == "battery":
        return battery.copy()
    if channel.role == "starter-current":
        return _starter_current(scenario, run, n)
    if channel.role.endswith("pressure"):
        return pressures.line(channel, scenario, run.theta_deg, run.manifold_bar, run.dt_s, n)
    return outputs.line(channel, scenario, run.outputs, n, battery)
