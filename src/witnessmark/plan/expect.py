"""The pictures to expect, simulated from what is known of the engine: healthy, and under each cause still open."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from witnessmark.causes.model import Share
from witnessmark.errors import BadScenario
from witnessmark.plan.amounts import IDLE_RPM
from witnessmark.plan.catalogue import PictureRow, PlanKnowledge
from witnessmark.plan.model import F64, Expected, PlannedLine, Strip
from witnessmark.recording.setup import Setup

RATE_HZ = 50_000.0  # of the picture, enough for the eye
CRANKED_S = 2.0
RUNNING_S = 1.5
SHOWN_TURNS = 2.0  # a whole cycle of a four-stroke engine
POINTS = 1600
UNSHOWN = "these lines do not show it within two turns"
DRAWN = frozenset({
    "crank", "cam", "coil", "injector", "battery", "starter-current", "cylinder-pressure", "sensor-supply",
    "sensor-ground", "second-tap", "temperature",
})  # fmt: skip
COMMANDED = frozenset({"coil", "injector"})
OF_EDGES = frozenset({"crank", "cam", "second-tap"})


@dataclass(frozen=True, slots=True)
class Engine:
    """What the pictures are drawn from; wheel as in the setup file (slots and missing, or teeth_deg and widths_deg)."""

    setup: Setup
    sensor: Literal["hall", "vr"]
    cam_sensor: Literal["hall", "vr"]
    cylinders: int
    wheel: dict[str, Any]
    slot: int | None = None


def pictures(
    engine: Engine,
    lines: Sequence[PlannedLine],
    state: str,
    rpm: float,
    causes: Sequence[tuple[Share, str]],
    knowledge: PlanKnowledge,
) -> tuple[Expected, ...]:
    """The healthy picture first, then one for each cause (with its name), as far as the simulator has it."""
    drawn = [line for line in lines if line.role in DRAWN]
    if not drawn:
        return ()
    speed, strips, middle_s = _simulated(engine, drawn, state, rpm, None)
    out = [Expected(None, "healthy", "all lines whole and regular", speed, strips)]
    for cause, name in causes:
        row = knowledge.picture_of(cause.id, engine.sensor)
        if row is not None:
            one = _under(engine, drawn, state, rpm, row, name, middle_s)
            out.append(replace(one, rpm=None, strips=(), why_none=UNSHOWN) if _alike(one.strips, strips) else one)
    return tuple(out)


def _alike(strips: tuple[Strip, ...], healthy: tuple[Strip, ...]) -> bool:
    """Whether the lines show nothing of the fault (the simulator repeats itself to the sample)."""
    same = (
        len(a.value) == len(b.value) and np.array_equal(a.value, b.value) for a, b in zip(strips, healthy, strict=False)
    )
    return len(strips) == len(healthy) and all(same)


def _under(
    engine: Engine, lines: list[PlannedLine], state: str, rpm: float, row: PictureRow, name: str, middle_s: float
) -> Expected:
    if row.fault is None:
        return Expected(row.cause, name, row.look_for, None, (), row.no_picture or "")
    if row.state is not None and row.state != state:
        state, rpm = row.state, IDLE_RPM
    try:
        speed, strips, _ = _simulated(engine, lines, state, rpm, _filled(row.fault, engine, middle_s))
    except BadScenario as error:
        return Expected(row.cause, name, row.look_for, None, (), f"it does not fit this engine ({error})")
    return Expected(row.cause, name, row.look_for, speed, strips)


def _filled(fault: dict[str, Any], engine: Engine, middle_s: float) -> dict[str, Any]:
    """The fault with slot, time and other wheel put in."""
    count = engine.wheel.get("slots") or len(engine.wheel.get("teeth_deg", ())) or 60
    gone = set(engine.wheel.get("missing", ()))
    slot = engine.slot or next(s for s in range(max(count // 2, 1), 0, -1) if s not in gone)
    other = "36-1" if engine.wheel.get("slots") == 60 else "60-2"
    # so many of the edges that a picture of two turns shows some of them
    few = min(max(4.0 / (SHOWN_TURNS * (count - len(gone))), 0.03), 0.5)
    switching = "injector" if engine.setup.engine.ignition == "compression" else "coil"
    words: dict[str, Any] = {
        "{few}": few,
        "{switching}": switching,
        "{slot}": slot,
        "{mid}": middle_s,
        "{other}": other,
    }

    def put(value: Any) -> Any:
        if isinstance(value, list):
            return [put(v) for v in value]
        return words.get(value, value) if isinstance(value, str) else value

    return {key: put(value) for key, value in fault.items()}


def scenario_of(
    engine: Engine, lines: Sequence[PlannedLine], state: str, rpm: float, fault: dict[str, Any] | None
) -> dict[str, Any]:
    """The simulator's scenario for these lines. While cranking the engine is kept from starting."""
    said = engine.setup.engine
    build = said.model_dump(
        include={"strokes", "ignition", "cranked_by", "firing_order", "firing_angles_deg", "bore_mm", "stroke_mm",
                 "rod_mm", "compression_ratio"},
        exclude_none=True,
    )  # fmt: skip
    faults = [fault] if fault is not None else []
    commanded = any(line.role in COMMANDED for line in lines)
    if state == "cranking" and commanded and not any(f["kind"] == "fuel-starved" for f in faults):
        faults.append({"kind": "fuel-starved"})
    running = {"initial": "running", "targets": [[0.0, rpm]]} if state == "running" else {"may_start": commanded}
    return {
        "seed": 1,
        "title": "picture to expect",
        "duration_s": RUNNING_S if state == "running" else CRANKED_S,
        "engine": {**build, "cylinders": engine.cylinders},
        "cranking": {"attempts": [{"start_s": 0.1, "end_s": 60.0}], "key_on_s": 0.02},
        "running": running,
        "wheel": engine.wheel,
        "sensor": {"kind": engine.sensor, **_edge(engine)},
        "cam": _cams(engine),
        "sampling": {"rate_hz": RATE_HZ},
        "channel": [_channel(line, n) for n, line in enumerate(lines)],
        "fault": faults,
    }


def _edge(engine: Engine) -> dict[str, Any]:
    wheel = engine.setup.crank_wheel
    return {} if wheel is None or wheel.edge is None else {"edge": wheel.edge}


def _cams(engine: Engine) -> list[dict[str, Any]]:
    """The first cam of the setup, or the simulator's own."""
    known = [c for c in engine.setup.cam_wheel if c.edges_deg]
    cam: dict[str, Any] = {"sensor": engine.cam_sensor}
    if known:
        cam["edges_deg"] = [list(e) for e in known[0].edges_deg or ()]
        cam["camshaft"] = known[0].camshaft or "intake"
    return [cam]


def _channel(line: PlannedLine, n: int) -> dict[str, Any]:
    row: dict[str, Any] = {"role": line.role, "name": f"{n} {line.label}", "of": line.of}
    if line.role in COMMANDED:
        row["style"] = "current"
    return row


def _simulated(
    engine: Engine, lines: list[PlannedLine], state: str, rpm: float, fault: dict[str, Any] | None
) -> tuple[float | None, tuple[Strip, ...], float]:
    """Mean speed in rpm, the lines over the last two turns, and the middle of those in s."""
    from witnessmark.simulate.run import simulate
    from witnessmark.simulate.scenario import parse_scenario

    made = simulate(parse_scenario(scenario_of(engine, lines, state, rpm, fault), "picture"))
    run = made.run
    start_s, end_s = _window(run.time_s, run.theta_deg, run.omega_rad_s)
    turned = float(np.interp(end_s, run.time_s, run.theta_deg) - np.interp(start_s, run.time_s, run.theta_deg)) / 360.0
    speed = 60.0 * turned / (end_s - start_s) if end_s > start_s else None
    strips = []
    for n, line in enumerate(lines):
        values = made.values(f"{n} {line.label}")
        first, last = round(start_s * RATE_HZ), round(end_s * RATE_HZ)
        part = values[first:last]
        time = np.arange(first, first + len(part)) / RATE_HZ
        edges = _edges(part, line) / turned if line.role in OF_EDGES and turned > 0.0 else None
        kept = _kept(part)
        strips.append(Strip(line.role, line.label, line.unit, time[kept] - start_s, part[kept], edges))
    return speed, tuple(strips), 0.5 * (start_s + end_s)


def _window(time_s: F64, theta_deg: F64, omega_rad_s: F64) -> tuple[float, float]:
    """The last two turns at half of the usual speed or more (a run-down is left out), or as much as there is."""
    turning = omega_rad_s[omega_rad_s > 1.0]
    usual = float(np.median(turning)) if len(turning) else 0.0
    fast = np.flatnonzero(omega_rad_s >= 0.5 * usual)
    last = int(fast[-1]) if len(fast) else len(time_s) - 1
    first = int(np.searchsorted(theta_deg[: last + 1], theta_deg[last] - 360.0 * SHOWN_TURNS))
    return float(time_s[min(first, last - 1)]), float(time_s[last])


def _edges(values: F64, line: PlannedLine) -> float:
    """Falling crossings of the middle (two-level) or of zero, each after a rise; none where the line is still."""
    if not len(values) or np.ptp(values) <= (0.1 if line.sensor == "vr" else 1.0):
        return 0.0
    middle = 0.0 if line.sensor == "vr" else 0.5 * float(values.min() + values.max())
    arm = (0.04 if line.sensor == "vr" else 0.2) * float(np.ptp(values))
    state, count = False, 0
    for above, below in zip(values > middle + arm, values < middle - arm, strict=True):
        if above:
            state = True
        elif below and state:
            state, count = False, count + 1
    return float(count)


def _kept(values: F64) -> np.ndarray[Any, np.dtype[np.int64]]:
    """Samples that the picture keeps: lowest and highest of each bin."""
    from witnessmark.report.draw_style import kept

    return kept(values, POINTS)
