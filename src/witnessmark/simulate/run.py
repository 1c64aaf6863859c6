"""From a scenario to a recording with its truth."""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.errors import BadRecording
from witnessmark.simulate import crankline, lines, mechanics, probe, truth, waveforms
from witnessmark.simulate.dynamics import integrate
from witnessmark.simulate.layouts import Wheel, named
from witnessmark.simulate.lines import channel_name
from witnessmark.simulate.scenario import Channel, Scenario, load_scenario

F64 = NDArray[np.float64]

STEP_S = 1e-4  # at 6000 rpm 3.6 degrees a step; within a step speed is linear in time


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
    return np.random.default_rng([scenario.seed, lines.STREAMS[stream]])


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
    battery = lines.battery_v(effective, done, n)
    feed = lines.supply_at(effective, done, n)
    channels: dict[str, NDArray[np.int16]] = {}
    gains: dict[str, tuple[float, float]] = {}
    units: dict[str, str] = {}
    for channel in scenario.channel:
        name = channel_name(channel)
        line = lines.line_of(channel, effective, done, n, battery, rng, feed)
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
            simulated=True,
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
