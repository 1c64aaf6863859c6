"""From a scenario to a recording with its truth."""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.errors import BadRecording
from witnessmark.simulate import cams, crankline, mechanics, outputs, pressures, probe, supply, truth, waveforms
from witnessmark.simulate.dynamics import RUNS_RAD_S, integrate
from witnessmark.simulate.layouts import Wheel, named
from witnessmark.simulate.scenario import Channel, Fault, Scenario, load_scenario

F64 = NDArray[np.float64]

STEP_S = 1e-4  # at 6000 rpm 3.6 degrees a step; within a step speed is linear in time
STREAMS = {"wheel": 1, "start": 2, "noise": 3, "cam": 4, "spurious": 5}


@dataclass(frozen=True)
class Run:
    """What happened: grids of steps + 1 values every dt_s, and the logs of ``dynamics.integrate``."""

    dt_s: float
    theta_deg: F64  # crank angle after cylinder 1's firing TDC, not folded
    omega_rad_s: F64
    current_a: F64
    synced: NDArray[np.uint8]
    passes: F64
    outputs: F64
    spurious_s: F64
    manifold_bar: F64
    loose_deg: F64  # how far the wheel is ahead of its seat
    turn: crankline.Turn
    design: Wheel
    fitted: Wheel
    offset_deg: float  # angle of the fitted wheel from slot 1 = theta + offset

    @property
    def time_s(self) -> F64:
        """Time of the grid in s."""
        return np.arange(len(self.theta_deg), dtype=np.float64) * self.dt_s


@dataclass(frozen=True)
class Simulated:
    """A simulated recording. channels: native codes; value = code * gains[name][0] + gains[name][1], in units[name]."""

    channels: dict[str, NDArray[np.int16]]
    rate_hz: float
    units: dict[str, str]
    gains: dict[str, tuple[float, float]]
    truth: dict[str, Any]
    setup: dict[str, Any]
    run: Run
    metadata: dict[str, str] = field(default_factory=dict)

    def values(self, name: str) -> F64:
        """One channel in its unit."""
        gain, offset = self.gains[name]
        return self.channels[name].astype(np.float64) * gain + offset


def _rng(scenario: Scenario, stream: str) -> np.random.Generator:
    return np.random.default_rng([scenario.seed, STREAMS[stream]])


def _fitted(scenario: Scenario, design: Wheel) -> tuple[Wheel, float]:
    """The wheel really on the crank, and how far its slot 1 is ahead of the design's in degrees."""
    for fault in scenario.fault:
        if fault.kind == "wheel-unexpected":
            return named(fault.layout, scenario.wheel.duty), fault.tdc_shift_deg
        if fault.kind == "wheel-moved":
            return design, -fault.deg
    return design, 0.0


def _slowed(scenario: Scenario) -> Scenario:
    """Apply cranking-slow to battery, starter or engine."""
    for fault in scenario.fault:
        if fault.kind in ("cranking-slow", "brown-out"):
            scenario = mechanics.slow(scenario, fault)
    return scenario


def run(scenario: Scenario) -> Run:
    """Turn the engine; deterministic for a scenario (cranking-slow faults must have been applied, see ``simulate``)."""
    design = scenario.wheel.wheel()
    fitted, shift = _fitted(scenario, design)
    turn = crankline.build_turn(fitted, scenario, _rng(scenario, "wheel"))
    offset = mechanics.wheel_offset_deg(scenario, design)
    turn = replace(turn, edges=turn.edges._replace(offset_deg=offset + shift))
    rng = _rng(scenario, "start")
    running = scenario.running.initial == "running"
    start = scenario.start_deg if scenario.start_deg is not None else mechanics.rest_deg(scenario, rng, running)
    steps = int(np.ceil(scenario.duration_s / STEP_S)) + 1
    out = integrate(
        STEP_S, steps, int(rng.integers(1, 2**31)), float(start), mechanics.initial_rad_s(scenario),
        mechanics.mechanics(scenario), mechanics.starter(scenario), turn.edges,
        mechanics.unit(scenario, design, offset), mechanics.noise(scenario, _rng(scenario, "spurious")),
        mechanics.governor(scenario),
    )  # fmt: skip
    return Run(STEP_S, *out, turn, design, fitted, offset + shift)


def _charging(scenario: Scenario, run: Run) -> F64:
    """Share of the way from rest to charging voltage, on the run's grid; the generator follows within 0.6 s."""
    fast = run.omega_rad_s > RUNS_RAD_S
    charge = np.empty(len(fast))
    level = 1.0 if scenario.running.initial == "running" else 0.0
    for k in range(0, len(fast), 50):
        level += ((1.0 if fast[k] else 0.0) - level) * 50 * run.dt_s / 0.6
        charge[k : k + 50] = level
    return charge


def _battery(scenario: Scenario, run: Run, n: int) -> F64:
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
class _Supply:
    """What feeds the crank sensor, at every sample."""

    supply_v: F64
    lift_v: F64
    shared_v: F64


def _supply(scenario: Scenario, run: Run, n: int) -> _Supply:
    rate = scenario.sampling.rate_hz
    grid = (scenario, run.time_s, run.current_a, run.outputs)

    def sampled(values: F64) -> F64:
        return supply.at_samples(values, run.dt_s, n, rate)

    return _Supply(
        sampled(supply.supply_v(*grid)), sampled(supply.ground_lift(*grid)), sampled(supply.ground_lift(*grid, True))
    )


def _lost(scenario: Scenario, at_unit: bool) -> list[tuple[Fault, tuple[float, float]]]:
    """Stretches without a signal at this end of the line."""
    ends = ("", "line", "sensor", "supply") if at_unit else ("sensor", "supply")
    return [(f, s) for f in scenario.fault if f.kind == "signal-lost" and f.where in ends for s in f.stretches]


def _crank_hall(scenario: Scenario, run: Run, n: int, feed: _Supply, at_unit: bool) -> F64:
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


def _crank(scenario: Scenario, run: Run, n: int, rng: np.random.Generator, feed: _Supply, at_unit: bool = True) -> F64:
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


def _cam(scenario: Scenario, run: Run, n: int, number: int, feed: _Supply, at_unit: bool = True) -> F64:
    """A cam line; both ends of one line show the same edges."""
    seed = [scenario.seed, STREAMS["cam"]] + ([number] if number > 1 else [])
    motion = cams.Motion(run.dt_s, run.theta_deg, run.omega_rad_s)
    shared = feed.shared_v if any(f.kind == "ground-lift" and f.shared for f in scenario.fault) else None
    return cams.line(scenario, number, motion, n, np.random.default_rng(seed), shared, at_unit)


def _belongs(channel: Channel, scenario: Scenario) -> Channel:
    """The channel that a supply, ground or second tap is of."""
    mine = (c for c in scenario.channel if channel.of in (channel_name(c), c.role) and c.role in ("crank", "cam"))
    return next(mine, Channel(role="crank"))


def _beside(channel: Channel, scenario: Scenario, run: Run, n: int, rng: np.random.Generator, feed: _Supply) -> F64:
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


def _line(
    channel: Channel, scenario: Scenario, run: Run, n: int, battery: F64, rng: np.random.Generator, feed: _Supply
) -> F64:
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


def _range(channel: Channel, line: F64, scenario: Scenario) -> tuple[float, float]:
    """The recorder's input range: as asked, else the usual one for the line."""
    if channel.range is not None:
        return channel.range
    if scenario.sensor.kind == "vr" and channel.role in ("crank", "second-tap"):
        need = 1.1 * float(np.abs(line).max())
        top = next((r for r in (0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0) if r >= need), 200.0)
        return (-top, top)
    tops = {"battery": 20.0, "starter-current": 1000.0, "injector": 100.0, "cylinder-pressure": 25.0}
    top = 5.0 if channel.role in ("intake-pressure", "exhaust-pressure") else tops.get(channel.role, 10.0)
    if channel.role == "temperature":
        top = 150.0
    if channel.style == "current":
        top = {"coil": 20.0, "injector": 2.0}.get(channel.role, top)
    if channel.role == "cylinder-pressure" and scenario.engine.compression_ratio > 12.0:
        top = 60.0
    return (-top, top)


def channel_name(channel: Channel) -> str:
    """The channel's name in the recording."""
    plain = channel.role.replace("-", " ")
    numbered = channel.role in ("coil", "injector", "cylinder-pressure")
    if channel.role in ("second-tap", "sensor-supply", "sensor-ground") and channel.of:
        plain = f"{channel.of} {plain}"
    if channel.role == "cam" and channel.cam > 1:
        plain = f"cam {channel.cam}"
    return channel.name or (f"{plain} {channel.cylinder}" if numbered else plain)


def unit_of(channel: Channel) -> str:
    """Unit of the channel's values."""
    if channel.role.endswith("pressure"):
        return "bar"
    if channel.role == "temperature":
        return "degC"
    return "A" if channel.role == "starter-current" or channel.style == "current" else "V"


def simulate(scenario: Scenario) -> Simulated:
    """Simulate one recording; the same scenario gives the same samples."""
    effective = _slowed(scenario)
    done = run(effective)
    rate = scenario.sampling.rate_hz
    n = round(scenario.duration_s * rate)
    rng = _rng(scenario, "noise")
    battery = _battery(effective, done, n)
    feed = _supply(effective, done, n)
    channels: dict[str, NDArray[np.int16]] = {}
    gains: dict[str, tuple[float, float]] = {}
    units: dict[str, str] = {}
    for channel in scenario.channel:
        name = channel_name(channel)
        line = _line(channel, effective, done, n, battery, rng, feed)
        line = probe.spoil(line, channel, name, scenario)
        low, high = _range(channel, line, scenario)
        line += scenario.sampling.noise_share * (high - low) * rng.standard_normal(n, dtype=np.float32)
        line = probe.cut(line, scenario)
        channels[name], gain, offset = waveforms.quantise(line, low, high, scenario.sampling.bits)
        channels[name] = probe.held(channels[name], channel, name, scenario)
        gains[name] = (gain, offset)
        units[name] = unit_of(channel)
    meta = {"origin": "simulated", "title": scenario.title, "seed": str(scenario.seed)}
    setup = truth.setup_of(scenario, done, channel_name)
    return Simulated(channels, rate, units, gains, truth.truth_of(scenario, done, channel_name), setup, done, meta)


def write_simulation(scenario_path: str | Path, out_path: str | Path) -> tuple[Path, Path, Path]:
    """Simulate a scenario file; write recording (by suffix), ``<stem>.truth.json`` and ``<stem>.setup.toml``.

    Returns the three paths. BadScenario for a scenario that cannot be used, BadRecording for an unknown suffix.
    """
    from witnessmark.recording.write import write_recording

    scenario = load_scenario(scenario_path)
    made = simulate(scenario)
    out = Path(out_path)
    try:
        write_recording(
            out, made.channels, made.rate_hz, units=made.units,
            gains={n: g for n, (g, _) in made.gains.items()}, offsets={n: o for n, (_, o) in made.gains.items()},
        )  # fmt: skip
        truth_path = out.with_name(out.stem + ".truth.json")
        truth_path.write_text(json.dumps(made.truth, indent=1) + "\n", encoding="utf-8")
        setup_path = out.with_name(out.stem + ".setup.toml")
        setup = truth.for_wav(made.setup, made.gains) if out.suffix.lower() == ".wav" else made.setup
        setup_path.write_text(truth.setup_toml(setup), encoding="utf-8")
    except ValueError as error:
        raise BadRecording(str(error)) from None
    except OSError as error:
        raise BadRecording(f"{out}: {error.strerror or error}; choose a folder that can be written") from None
    return out, truth_path, setup_path
