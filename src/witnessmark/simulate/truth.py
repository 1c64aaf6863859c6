"""What really happened in a simulated recording, and the setup that goes with it."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np

from witnessmark.simulate import cams, mechanics, probe
from witnessmark.simulate.scenario import Cam, Channel, Fault, Scenario

if TYPE_CHECKING:
    from witnessmark.simulate.run import Run

CAUSE_OF = {
    "tooth-absent": "trigger-wheel-tooth", "tooth-weak": "trigger-wheel-tooth",
    "tooth-displaced": "trigger-wheel-tooth", "tooth-extra": "trigger-wheel-tooth",
    "wheel-runout": "trigger-wheel-runout",
    "wheel-unexpected": "trigger-wheel-wrong", "edges-dropped": "crank-sensor", "signal-lost": "crank-circuit",
    "edges-spurious": "electrical-interference", "polarity-reversed": "sensor-polarity",
    "signal-low": "sensor-air-gap", "cranking-slow": "cranking-system", "brown-out": "cranking-system",
    "compression-low": "cylinder-compression", "misfire": "cylinder-misfire",
    "coil-command-absent": "ignition-output", "coil-current-poor": "ignition-output",
    "injector-command-absent": "fuel-output", "fuel-starved": "fuel-supply", "lockout": "security-lockout",
    "cam-jumped": "cam-timing", "chain-stretched": "cam-timing", "phaser-stuck": "cam-phaser",
    "phaser-hunting": "cam-phaser", "cam-target": "cam-target", "cam-dead": "cam-sensor", "cam-lost": "cam-circuit",
    "wheel-moved": "trigger-wheel-shifted", "wheel-loose": "trigger-wheel-loose", "sensor-delay": "sensor-wrong",
    "supply-drop": "crank-circuit", "ground-lift": "crank-circuit", "probe": "measurement-fault",
    "unit-silent": "control-unit", "unit-resets": "control-unit", "spark-shifted": "control-unit",
}  # fmt: skip

CAUSE_AT = {("signal-lost", "sensor"): "crank-sensor", ("polarity-reversed", "probe"): "measurement-fault"}
TWO_LEVEL_CAUSE_OF = {
    # a wide gap leaves a two-level sensor's levels alone until its edges stop; a high level that is not reached is the
    # pull-up, the supply or a load on the wire
    "signal-low": "crank-circuit",
}


def cause_of(kind: str, sensor: str, where: str = "") -> str:
    """The cause behind a fault of the simulator on a crank sensor of this kind ("hall" or "vr"), by where it sits."""
    if (kind, where) in CAUSE_AT:
        return CAUSE_AT[kind, where]
    return (TWO_LEVEL_CAUSE_OF if sensor == "hall" else {}).get(kind, CAUSE_OF[kind])


def _severity(fault: Fault, scenario: Scenario) -> float:
    """The number that says how bad a fault is, in its own unit."""
    hall = scenario.sensor.kind == "hall"
    return {
        "tooth-weak": fault.share if hall else fault.amplitude, "tooth-displaced": abs(fault.deg),
        "wheel-runout": abs(fault.deg), "edges-dropped": fault.share, "signal-low": fault.amplitude,
        "signal-lost": float(sum(b for _, b in fault.stretches)), "cranking-slow": fault.rpm,
        "compression-low": fault.share, "misfire": fault.share, "coil-command-absent": fault.share,
        "coil-current-poor": fault.share, "injector-command-absent": fault.share, "spark-shifted": abs(fault.deg),
        "brown-out": fault.rpm, "unit-resets": float(len(fault.stretches)),
        "edges-spurious": fault.rate_hz if fault.follows == "time" else fault.share, "tooth-extra": fault.deg,
    }.get(fault.kind, 1.0)  # fmt: skip


def layout_of(wheel: Any) -> dict[str, Any]:
    """A wheel in the words of the setup file."""
    if wheel.regular:
        return {"name": wheel.name, "slots": wheel.slots, "missing": list(wheel.missing), "teeth_deg": None}
    return {
        "name": wheel.name,
        "slots": wheel.slots,
        "missing": [],
        "teeth_deg": [round(float(t), 4) for t in wheel.teeth_deg],
    }


def _held(run: Run, rpm: float, hold_s: float, start_s: float, end_s: float) -> float | None:
    """First time in s within [start, end] from which the mean over 20 ms stays above ``rpm`` for ``hold_s``."""
    k = max(1, round(0.02 / run.dt_s))
    smooth = np.convolve(run.omega_rad_s, np.ones(k) / k, "same") * 30.0 / np.pi
    fast = smooth >= rpm
    change = np.flatnonzero(np.diff(np.concatenate([[0], fast.astype(np.int8), [0]])))
    for a, b in zip(change[::2], change[1::2], strict=True):
        a = max(a, int(start_s / run.dt_s))
        if (b - a) * run.dt_s >= hold_s and a * run.dt_s <= end_s:
            return float(a * run.dt_s)
    return None


def motions(run: Run, scenario: Scenario) -> list[tuple[float, float]]:
    """Stretches of turning in s, one for each attempt.

    Standstills while the starter is engaged (a crank that hangs in a compression), and ones shorter than 60 ms, do not
    part them.
    """
    moving = np.abs(run.omega_rad_s) > 0.02
    for attempt in scenario.cranking.attempts:
        pulled = np.flatnonzero(moving & (run.time_s >= attempt.start_s) & (run.time_s < attempt.end_s))
        if len(pulled) and scenario.running.initial == "standstill":
            moving[pulled[0] : pulled[-1]] = True
    change = np.flatnonzero(np.diff(np.concatenate([[0], moving.astype(np.int8), [0]])))
    spans: list[tuple[float, float]] = []
    for a, b in zip(change[::2] * run.dt_s, change[1::2] * run.dt_s, strict=True):
        if spans and a - spans[-1][1] < 0.06:
            spans[-1] = (spans[-1][0], float(b))
        else:
            spans.append((float(a), float(b)))
    return [s for s in spans if s[1] - s[0] > 0.02]


def _outputs(run: Run, scenario: Scenario, start_s: float, end_s: float, recorded: bool) -> dict[str, float | None]:
    """First fuel, first spark and first rightly timed spark within [start, end)."""
    log = run.outputs
    inside = (log[:, 2] >= start_s - 0.1) & (log[:, 2] < end_s)
    coils = {c.cylinder - 1 for c in scenario.channel if c.role == "coil"}
    injectors = {c.cylinder - 1 for c in scenario.channel if c.role == "injector"}
    spark = log[inside & (log[:, 0] == 0) & (log[:, 4] > 0)]
    fuel = log[inside & (log[:, 0] == 1)]
    if recorded:
        spark = spark[np.isin(spark[:, 1].astype(int), list(coils))]
        fuel = fuel[np.isin(fuel[:, 1].astype(int), list(injectors))]
    tdc = mechanics.tdc_deg(scenario.engine)
    half = 0.5 * scenario.engine.cycle_deg
    after = (spark[:, 5] - tdc[spark[:, 1].astype(int)] + half) % (2.0 * half) - half
    right = spark[(after >= -60.0) & (after <= 20.0)]
    return {
        "first_fuel_s": float(fuel[:, 2].min()) if len(fuel) else None,
        "first_spark_s": float(spark[:, 3].min()) if len(spark) else None,
        "sync_s": float(right[:, 3].min()) if len(right) else None,
        "sparks": len(spark),
    }


def _attempts(run: Run, scenario: Scenario) -> list[dict[str, Any]]:
    out: list[dict[str, Any]] = []
    if scenario.running.initial == "running":
        return out
    for start, end in motions(run, scenario):
        a, b = int(start / run.dt_s), min(int(end / run.dt_s), len(run.theta_deg) - 1)
        span = run.theta_deg[a : b + 1]
        events = _outputs(run, scenario, start, end, recorded=False)
        fire = events["sync_s"]
        stop = min(end, fire) if fire is not None else end
        cranked = run.current_a[a : int(stop / run.dt_s) + 1] > 1.0
        speed = run.omega_rad_s[a : int(stop / run.dt_s) + 1][cranked] * 30.0 / np.pi
        running = _held(run, 450.0, 0.4, start, end)
        turns = float((span.max() - span[0]) / 360.0)
        to_sync = None if fire is None else float((np.interp(fire, run.time_s, run.theta_deg) - span[0]) / 360.0)
        out.append({
            "start_s": start, "end_s": end, "turns": turns, "started": running is not None, "running_s": running,
            "turns_to_sync": to_sync, "cranking_rpm": float(speed.mean()) if len(speed) else None,
            "rock_back_deg": float(span.max() - span[-1]), **events,
            "recorded": _outputs(run, scenario, start, end, recorded=True),
        })  # fmt: skip
    return out


def _manifest(run: Run, scenario: Scenario) -> dict[str, Any]:
    """How often the faults show while the crank turns: passages without a pulse, extra pulses, time without signal."""
    marking = run.turn.edges.marking[run.passes[:, 1].astype(int)]
    slot = run.turn.teeth.slot[run.turn.edges.tooth[run.passes[:, 1].astype(int)]]
    stretches = [(a, a + b) for f in scenario.fault if f.kind == "signal-lost" for a, b in f.stretches]
    when = run.passes[:, 0]
    in_lost = np.zeros(len(when), bool)
    for a, b in stretches:
        in_lost |= (when >= a) & (when < b)
    gone = marking & (run.passes[:, 4] == 0.0) & ~in_lost
    moving = np.abs(run.omega_rad_s) > 1.0
    lost = sum(float(np.sum(moving[(run.time_s >= a) & (run.time_s < b)])) * run.dt_s for a, b in stretches)
    return {
        "pulses_missed": int(gone.sum()),
        "pulses_missed_by_slot": {str(k): int(np.sum(slot[gone] == k)) for k in np.unique(slot[gone])},
        "passages": int(marking.sum()),
        "extra_pulses": len(run.spurious_s),
        "lost_s": lost,
        "pulses_in_lost": int(np.sum(marking & in_lost)),
    }


def compression_rel(scenario: Scenario, run: Run) -> dict[str, float]:
    """Work that each compression absorbs at cranking speed, over the median of the other cylinders'."""
    turning = run.omega_rad_s[(run.omega_rad_s > 8.0) & (run.omega_rad_s < 47.0)]
    speed = float(turning.mean()) if len(turning) else 25.0
    work = mechanics.compression_work(scenario, speed)
    if len(work) < 2:
        return {}
    return {str(c + 1): float(work[c] / np.median(np.delete(work, c))) for c in range(len(work))}


def tooth_errors(run: Run) -> dict[str, float]:
    """How late each tooth's marking edge is against the fitted wheel as drawn, in degrees, by slot."""
    edges, wheel = run.turn.edges, run.fitted
    place = dict(zip(wheel.tooth_slots, wheel.teeth_deg, strict=True))
    out = {}
    for k in np.flatnonzero(edges.marking):
        slot = int(run.turn.teeth.slot[edges.tooth[k]])
        if slot in place:
            out[str(slot)] = float((edges.angle_deg[k] - place[slot] + 180.0) % 360.0 - 180.0)
    return out


def truth_of(scenario: Scenario, run: Run, name_of: Callable[[Channel], str]) -> dict[str, Any]:
    """The truth of a recording; angles in crank degrees after cylinder 1's firing TDC, times in s."""
    faults = []
    for f in scenario.fault:
        faults.append({
            "kind": f.kind, "cause": cause_of(f.kind, scenario.sensor.kind, f.where), "slots": list(f.slots),
            "severity": _severity(f, scenario), "settings": f.model_dump(exclude_defaults=True),
        })  # fmt: skip
    first = faults[0] if faults else None
    step = max(1, round(0.005 / run.dt_s))
    slot = scenario.fault[0].slots[0] if scenario.fault and scenario.fault[0].slots else None
    tdc_slot = mechanics.tdc_slot(scenario, run.design)
    moving = np.abs(run.omega_rad_s[run.omega_rad_s != 0]) * 30 / np.pi
    return {
        "origin": "simulated",
        "cause": first["cause"] if first else "none-found",
        "causes": list(dict.fromkeys(f["cause"] for f in faults)),
        "kind": first["kind"] if first else None,
        "slot": slot,
        "severity": first["severity"] if first else None,
        "faults": faults,
        "design": layout_of(run.design),
        "fitted": layout_of(run.fitted),
        "tdc_slot": tdc_slot,
        "attempts": _attempts(run, scenario),
        "runs_at_start": scenario.running.initial == "running",
        "turns": float((run.theta_deg.max() - run.theta_deg[0]) / 360.0),
        "rpm": {"median": float(np.median(moving)), "max": float(moving.max())} if len(moving) else None,
        "manifest": _manifest(run, scenario),
        "engine": {
            "cylinders": scenario.engine.cylinders,
            "strokes": scenario.engine.strokes,
            "firing_deg": {str(c + 1): float(d) for c, d in enumerate(mechanics.tdc_deg(scenario.engine))},
        },
        "compression_rel": compression_rel(scenario, run),
        "tooth_error_deg": tooth_errors(run),
        "cams": [
            {
                "name": name_of(c),
                "bank": scenario.cam[c.cam - 1].bank,
                "camshaft": scenario.cam[c.cam - 1].camshaft,
                "edges_deg": [list(x) for x in scenario.cam[c.cam - 1].edges_deg],
                "offset_deg": cams.parked_offset_deg(scenario, c.cam),
            }
            for c in scenario.channel
            if c.role == "cam"
        ],
        "tdc_error_deg": sum(f.deg for f in scenario.fault if f.kind == "wheel-moved"),
        "blocks_lost_s": [list(s) for s in probe.cut_spans(scenario)],
        "crank_angle": {
            "time_s": [round(float(t), 4) for t in run.time_s[::step]],
            "deg": [round(float(d), 3) for d in run.theta_deg[::step]],
        },
    }


def setup_of(scenario: Scenario, run: Run, name_of: Callable[[Channel], str]) -> dict[str, Any]:
    """The setup file's tables for this recording (the wheel as designed)."""
    e, w = scenario.engine, run.design
    wheel: dict[str, Any] = {"edge": scenario.sensor.edge}
    if w.regular:
        wheel |= {"slots": w.slots, "missing": list(w.missing), "tdc_slot": mechanics.tdc_slot(scenario, w)}
    else:
        wheel |= {"teeth_deg": [float(t) for t in w.teeth_deg], "widths_deg": [float(t) for t in w.widths_deg]}
        wheel |= {"tdc_slot": _slot_at(w.teeth_deg, mechanics.wheel_offset_deg(scenario, w))}
    channels = []
    for c in scenario.channel:
        row: dict[str, Any] = {"name": name_of(c), "role": c.role}
        if c.role == "crank":
            row["sensor"] = scenario.sensor.kind
        elif c.role == "cam":
            row["sensor"] = scenario.cam[c.cam - 1].sensor
            row["bank"] = scenario.cam[c.cam - 1].bank
        elif c.role in ("coil", "injector", "cylinder-pressure"):
            row["cylinder"] = c.cylinder
        elif c.role in ("second-tap", "sensor-supply", "sensor-ground"):
            row["of"] = c.of or next((name_of(x) for x in scenario.channel if x.role == "crank"), "crank")
        channels.append(row)
    shafts = [_cam_wheel(scenario.cam[c.cam - 1], name_of(c)) for c in scenario.channel if c.role == "cam"]
    order = e.order()
    return {
        "vehicle": {"description": f"{scenario.title} (simulated)".strip(), "complaint": scenario.complaint},
        "engine": {
            "cylinders": e.cylinders, "strokes": e.strokes, "ignition": e.ignition, "cranked_by": e.cranked_by,
            "firing_order": list(order), "firing_angles_deg": list(e.angles()),
            **({"banks": {k: list(v) for k, v in e.banks.items()}} if e.banks else {}),
            "bore_mm": e.bore_mm, "stroke_mm": e.stroke_mm, "rod_mm": e.rod_mm,
            "compression_ratio": e.compression_ratio, **_valves(scenario),
        },
        "crank_wheel": wheel,
        "cam_wheel": shafts,
        "channel": channels,
    }  # fmt: skip


def _valves(scenario: Scenario) -> dict[str, float]:
    """The drawn valve timing, told where a pressure line could show it."""
    e = scenario.engine
    if e.strokes == 2 or not any(c.role == "cylinder-pressure" for c in scenario.channel):
        return {}
    closes, opens = e.valve_closed_deg
    return {"exhaust_opens_deg": opens, "intake_closes_deg": closes + 720.0}


def _cam_wheel(cam: Cam, channel: str) -> dict[str, Any]:
    """A cam in the words of the setup file; a variable-reluctance line shows its falling edges only."""
    seen = [list(x) for x in cam.edges_deg if cam.sensor == "hall" or x[1] == "falling"]
    row: dict[str, Any] = {
        "channel": channel, "bank": cam.bank, "camshaft": cam.camshaft, "edges_deg": seen, "tolerance_deg": 6.0,
    }  # fmt: skip
    return row | ({"phaser_range_deg": cam.phaser_range_deg} if cam.phaser_range_deg else {})


def _slot_at(teeth_deg: Any, deg: float) -> float:
    """Fractional slot position of an angle on an unequal wheel (linear between its teeth)."""
    closed = np.append(teeth_deg, 360.0 + teeth_deg[0])
    return float(np.interp(deg % 360.0, closed, np.arange(1, len(closed) + 1)))


def for_wav(setup: dict[str, Any], gains: dict[str, tuple[float, float]]) -> dict[str, Any]:
    """The setup for a WAV file: channels by position, with label and scale (raw is normalised to -1..+1)."""
    rows, place = [], {}
    for n, row in enumerate(setup["channel"], start=1):
        gain, offset = gains[row["name"]]
        place[row["name"]] = str(n)
        unit = "bar" if row["role"].endswith("pressure") else ("A" if row["role"] == "starter-current" else "V")
        rows.append(
            {**row, "name": str(n), "label": row["name"], "unit": unit, "scale": gain * 32768.0, "offset": offset}
        )
    cams = [{**c, "channel": place[c["channel"]]} for c in setup["cam_wheel"]]
    return {**setup, "channel": rows, "cam_wheel": cams}


def _value(value: Any) -> str:
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_value(v)}" for key, v in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    return repr(round(value, 6)) if isinstance(value, float) else str(value)


def setup_toml(setup: dict[str, Any]) -> str:
    """The setup as TOML text."""
    lines = ["# setup of a simulated recording"]
    for table, content in setup.items():
        for row in content if isinstance(content, list) else [content]:
            lines += ["", f"[[{table}]]" if isinstance(content, list) else f"[{table}]"]
            lines += [f"{key} = {_value(value)}" for key, value in row.items()]
    return "\n".join(lines) + "\n"
