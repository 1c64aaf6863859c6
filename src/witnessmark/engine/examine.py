"""The engine stage: every line but the crank put on crank angle, and the record cut into start attempts."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine import current_ripple, cylinder_pressure, cylinder_work, gas_tdc, pressure_phase, pulses
from witnessmark.engine import cylinders as cylinder_count
from witnessmark.engine.attempts import Surroundings, find_attempts, is_start, starter_on, timeline_of
from witnessmark.engine.cam_motion import joined, motion_of
from witnessmark.engine.cams import learn, to_cam
from witnessmark.engine.facts import facts_from
from witnessmark.engine.feeds import feeds_of, held_of
from witnessmark.engine.model import Attempt, EngineResult, Phase
from witnessmark.engine.motions import solid_edges, trimmed
from witnessmark.engine.outputs import Commands, find_commands, to_output
from witnessmark.engine.phase import find_phase
from witnessmark.engine.pipe_turn import Pipes
from witnessmark.engine.rotation import battery_stretches, find_rotations
from witnessmark.engine.starting import supply_of
from witnessmark.engine.tracks import Track, best_alignment, cam_track, track_of
from witnessmark.engine.unroll import Unrolled, unroll
from witnessmark.provenance import Step
from witnessmark.recording.model import Recording
from witnessmark.recording.setup import Setup
from witnessmark.signals.model import Line, Signals
from witnessmark.wheel.model import WheelResult


def _command_track(commands: Commands, unrolled: Unrolled) -> Track:
    time = commands.main_s
    return track_of(
        commands.line, time, np.ones(len(time), dtype=np.int64), np.ones(len(time), dtype=np.bool_), unrolled
    )


def _event_times(
    commands: Sequence[Commands], starter: Sequence[tuple[float, float]], signals: Signals
) -> dict[str, NDArray[np.float64]]:
    """Moments at which other lines could disturb the crank line: sparks, injector switching, starter on and off."""
    out: dict[str, NDArray[np.float64]] = {c.line.name: c.main_s for c in commands}
    lines = signals.by_role("starter-current")
    if lines and starter:
        out[lines[0].name] = np.sort(np.asarray(starter, dtype=np.float64).ravel())
    return out


def _steps(
    phase: Phase, unrolled: Unrolled, commands: Sequence[Commands], attempts: Sequence[Attempt], cylinder_why: str
) -> tuple[Step, ...]:
    steps = [
        Step(
            "engine",
            "phase",
            {"tdc": phase.tdc_source or "unknown", "turn": phase.turn_source or "unknown"},
            used=sum(t >= 0 for t in phase.per_segment_turn),
            seen=len(unrolled.chain),
            because=phase.reference,
        ),
        Step("engine", "attempts", {"running_rpm": 450.0, "held_s": 0.4}, used=len(attempts), seen=len(attempts)),
        Step("engine", "cylinders", {}, because=cylinder_why),
    ]
    for c in commands:
        level = "high" if c.active_high else "low"
        seen = len(c.start_s) + c.dropped
        steps.append(Step("engine", f"commands on {c.line.name}", {"on": level}, len(c.start_s), seen, c.because))
    return tuple(steps)


def examine(signals: Signals, wheel: WheelResult, setup: Setup, recording: Recording) -> EngineResult:
    """Phase, cams, outputs, attempts and timeline of one recording.

    Times in s on the recording's clock, angles in crank degrees per ``Phase.reference``. Lines that are not in the
    recording leave None; nothing is guessed for them. Reads samples only of battery, current and analog coil lines.
    """
    facts = facts_from(setup)
    crank = _crank_line(signals, wheel)
    starter = starter_on(signals, recording)
    pulled = starter or tuple(s for line in signals.by_role("battery") for s in battery_stretches(recording, line))
    motions = trimmed(wheel.motions, crank, wheel.layout, wheel.marking_rising, recording.start_s, pulled)
    unrolled = unroll(wheel.angle, motions)
    commands = find_commands(signals, recording)
    cam_tracks = [
        cam_track(line, unrolled, motions, recording.start_s)
        for line in signals.by_role("cam")
        if len(line.edges) and line.levels.moving  # the edges of a dead line are its noise's
    ]
    coil_tracks = [_command_track(c, unrolled) for c in commands if c.role == "coil"]
    injector_tracks = [_command_track(c, unrolled) for c in commands if c.role == "injector"]
    raw = cylinder_pressure.read(signals, recording, setup, facts, unrolled)
    tower_tracks = [r.track for r in raw if r.track is not None]
    pipes = Pipes(signals, recording, unrolled, setup)
    groups = [("cam", cam_tracks), ("pressure", tower_tracks), ("coil", coil_tracks), ("injector", injector_tracks)]
    alignment = best_alignment(unrolled, groups)
    if not alignment.tells and facts.strokes != 2:
        alignment = best_alignment(unrolled, [("pulses", pipes.tracks())])
    pressures = tuple(cylinder_pressure.settle(r, alignment, setup, facts.cycle_deg) for r in raw)
    patterns = [joined(learn(track, unrolled, alignment, facts.cycle_deg), facts.cycle_deg) for track in cam_tracks]
    count = cylinder_count.find(
        facts, wheel, alignment, [*coil_tracks, *injector_tracks],
        lambda: current_ripple.ripples(signals, recording, wheel.angle, starter, cylinder_count.RUNNING_RPM),
    )  # fmt: skip
    by_pressure = pressure_phase.of(pressures, facts)
    phase = find_phase(
        facts, wheel, setup, unrolled, alignment, patterns, coil_tracks, by_pressure, injector_tracks, count, pipes
    )
    rotations = find_rotations(signals, wheel, motions, starter, recording, unrolled)
    edge_s, per_turn = _countable(crank, wheel)

    around = Surroundings(
        signals, recording, unrolled, phase, facts, commands, wheel.layout, count.window_deg, starter, edge_s, per_turn
    )
    attempts = find_attempts(rotations, around)
    compared = cylinder_work.compared(facts, count)
    results, why_none, why_idle = cylinder_work.measure(
        signals, recording, setup, facts, wheel.layout, unrolled, phase, attempts, count
    )
    return EngineResult(
        phase=phase,
        cams=tuple(to_cam(p, phase, facts, motion_of(p, unrolled, alignment, facts.cycle_deg)) for p in patterns),
        outputs=tuple(to_output(c, wheel.angle, phase) for c in commands),
        attempts=tuple(a for a in attempts if is_start(a)),
        timeline=timeline_of(attempts),
        cylinders=count.cylinders,
        counted=count,
        event_time_s=_event_times(commands, starter, signals),
        tdc_by_gas=gas_tdc.find(wheel, facts, phase, compared),
        feeds=feeds_of(signals, recording, wheel, attempts),
        held=held_of(recording, crank),
        steps=_steps(phase, unrolled, commands, attempts, count.because),
        cylinder_results=results,
        why_no_compression=why_none,
        why_no_contribution=why_idle,
        supply=supply_of(signals, recording),
        pressures=pressures,
        tdc_by_pressure=pressure_phase.against(by_pressure, phase, facts),
        pulses=pulses.read(signals, recording, facts, unrolled, phase, compared),
    )


def _crank_line(signals: Signals, wheel: WheelResult) -> Line | None:
    """The line the wheel was decoded from; None where there is none or it has no edges."""
    return next((x for x in signals.lines if x.name == wheel.channel and len(x.edges)), None)


def _countable(crank: Line | None, wheel: WheelResult) -> tuple[NDArray[np.float64], float]:
    """(times of the crank line's marking edges that a turning wheel made, how many of them a turn has)."""
    if crank is None or wheel.layout is None:
        return np.empty(0), 0.0
    return solid_edges(crank, wheel.marking_rising), float(len(wheel.layout.teeth_deg))
