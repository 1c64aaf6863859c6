"""The whole engine: cases of every cause beyond the crank signal's own, drawn from the ranges written here.

Which lines are hooked up belongs to a case: the line that decides is recorded, except where none can (``LOOK_ALIKE`` in
``accuracy.score``).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from accuracy import valves
from accuracy.draw import Draft
from accuracy.hooks import base, cams, edges, ends, fault, hook, lasts, outputs, sweep

Maker = Callable[[np.random.Generator, float], tuple[Draft, float]]

# value at plain and at barely visible, unit, log scale
SPANS: dict[str, tuple[float, float, str, bool]] = {
    "wheel-moved": (24.0, 6.0, "degrees against TDC", True),
    "wheel-loose": (20.0, 8.0, "degrees, swing with torque", True),
    "sensor-delay": (600.0, 150.0, "microseconds", True),
    "cam-jumped": (3.0, 1.0, "teeth of an 18 to 24 tooth sprocket", False),
    "valves-jumped": valves.SPAN, "valve-leaks": valves.LEAK_SPAN,
    "chain-stretched": (16.0, 8.0, "degrees late", True),
    "phaser-stuck": (30.0, 9.0, "degrees off its park", True),
    "phaser-hunting": (14.0, 5.0, "degrees (amplitude)", True),
    "cam-target": (24.0, 8.0, "degrees, one edge alone (or absent, or wandering)", True),
    "cam-dead": (6.0, 2.0, "seconds recorded", True),
    "cam-lost": (1200.0, 300.0, "ms in one stretch", True),
    "compression-low": (0.35, 0.78, "of the full charge", False),
    "misfire": (1.0, 0.3, "of the cycles", False),
    "coil-command-absent": (1.0, 0.3, "of the events", False),
    "coil-current-poor": (0.1, 0.5, "of the full current", False),
    "injector-command-absent": (1.0, 0.3, "of the events", False),
    "fuel-starved": (5.0, 2.0, "seconds of cranking", True),
    "lockout": (1.0, 2.5, "seconds until cut", False),
    "unit-silent": (5.0, 2.0, "seconds of cranking", True),
    "unit-resets": (4.0, 1.0, "resets", False),
    "spark-shifted": (60.0, 25.0, "degrees", True),
    "brown-out": (8.0, 6.4, "V at which the control unit gives up", False),
    "supply-drop": (1.0, 3.6, "V left of the sensor's supply", False),
    "ground-lift": (3.2, 1.2, "V at the sensor's ground", False),
    "sensor-dies": (1000.0, 150.0, "ms in one stretch", True),
    "line-breaks": (1000.0, 150.0, "ms in one stretch", True),
    "probe-ac": (0.4, 2.5, "Hz corner (reversed)", False),
    "probe-thinned": (1.0, 0.0, "-", False),
    "probe-blocks-lost": (200.0, 40.0, "ms cut out", True),
    "probe-ratio": (1.0, 0.0, "-", False),
}  # fmt: skip


def value_of(kind: str, severity: float) -> float:
    """The kind's own number at a severity 0 (barely visible) to 1 (plain)."""
    plain, barely, _, log = SPANS[kind]
    if log:
        return float(np.exp(np.log(barely) + severity * (np.log(plain) - np.log(barely))))
    return barely + severity * (plain - barely)


# --- wheel, sensor and cams ------------------------------------------------------------------------------------------


def _wheel_moved(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    made = base(rng, ("cranking",))
    value = value_of("wheel-moved", severity)
    cams(rng, made, both=bool(rng.random() < 0.6))
    hook(made, {"role": "cylinder-pressure", "cylinder": 1})
    lasts(made, 3.0)
    fault(made, kind="wheel-moved", deg=value * float(rng.choice([-1.0, 1.0])))
    return made, value


def _wheel_loose(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    made = base(rng, ("running",))
    value = value_of("wheel-loose", severity)
    cams(rng, made, both=True)
    sweep(rng, made)
    fault(made, kind="wheel-loose", deg=value)
    return made, value


def _sensor_delay(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    made = base(rng, ("running",), sensor="hall")
    value = value_of("sensor-delay", severity)
    cams(rng, made, both=True)
    sweep(rng, made)
    fault(made, kind="sensor-delay", delay_us=value)
    return made, value


def _cam_jumped(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    made = base(rng, ("cranking",))
    value = float(round(value_of("cam-jumped", severity)))
    cams(rng, made, both=bool(rng.random() < 0.6))
    hook(made, {"role": "cylinder-pressure", "cylinder": 1})
    lasts(made, 3.0)
    banks = made.tables["engine"].get("banks")
    mine = [n for n, c in enumerate(made.tables["cam"], start=1) if c["bank"] == 1] if banks else []
    fault(
        made, kind="cam-jumped", teeth=int(value) * int(rng.choice([-1, 1])),
        sprocket_teeth=int(rng.choice([18, 20, 22, 24])), cams=mine,
    )  # fmt: skip
    return made, value


def _chain_stretched(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    made = base(rng, ("cranking",))
    value = value_of("chain-stretched", severity)
    cams(rng, made, both=bool(rng.random() < 0.6))
    hook(made, {"role": "cylinder-pressure", "cylinder": 1})
    lasts(made, 3.0)
    fault(made, kind="chain-stretched", deg=value, wander_deg=0.15 * value)
    return made, value


def _phaser_stuck(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    made = base(rng, ("cranking", "start"))
    value = value_of("phaser-stuck", severity)
    cams(rng, made, both=True)
    lasts(made, 3.0)
    fault(made, kind="phaser-stuck", cams=[int(rng.integers(1, len(made.tables["cam"]) + 1))], deg=-value)
    return made, value


def _phaser_hunting(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    made = base(rng, ("running",))
    value = value_of("phaser-hunting", severity)
    cams(rng, made, both=True)
    made.tables["duration_s"] = max(made.tables["duration_s"], 5.0)
    cam = int(rng.integers(1, len(made.tables["cam"]) + 1))
    fault(made, kind="phaser-hunting", cams=[cam], deg=value, hz=float(rng.uniform(0.4, 1.5)))
    return made, value


def _cam_target(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    made = base(rng, ("cranking", "start"))
    value = value_of("cam-target", severity)
    cams(rng, made, both=bool(rng.random() < 0.5))
    lasts(made, 3.0)
    cam = int(rng.integers(1, len(made.tables["cam"]) + 1))
    while len(made.tables["cam"][cam - 1]["edges_deg"]) < 4:  # one edge of two off is a cam of another width
        made.tables["cam"][cam - 1]["edges_deg"] = edges(rng)
    edge = int(rng.integers(0, len(made.tables["cam"][cam - 1]["edges_deg"])))
    way = str(rng.choice(["moved", "moved", "absent", "wander"]))
    how: dict[str, Any] = {"absent": True} if way == "absent" else (
        {"wander_deg": 0.6 * value} if way == "wander" else {"deg": value * float(rng.choice([-1.0, 1.0]))}
    )  # fmt: skip
    fault(made, kind="cam-target", cams=[cam], edge=edge, **how)
    return made, value


def _cam_ends(made: Draft) -> None:
    """Both ends of the first cam's line, its supply and its ground."""
    name = made.tables["cam"][0]["name"]
    hook(made, *({"role": role, "of": name} for role in ("second-tap", "sensor-supply", "sensor-ground")))


def _cam_dead(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    made = base(rng, ("start", "cranking"))
    value = value_of("cam-dead", severity)
    cams(rng, made, both=bool(rng.random() < 0.5))
    _cam_ends(made)
    lasts(made, value)
    fault(made, kind="cam-dead", cams=[1], level_v=float(rng.choice([0.1, 5.0])))
    return made, value


def _cam_lost(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    made = base(rng, ("start", "cranking"))
    value = value_of("cam-lost", severity)
    cams(rng, made, both=bool(rng.random() < 0.5))
    _cam_ends(made)
    lasts(made, 3.5)
    start = made.tables["cranking"]["attempts"][0]["start_s"] + float(rng.uniform(0.9, 1.4))
    fault(made, kind="cam-lost", cams=[1], stretches=[[start, value / 1e3]])
    return made, value


# --- cylinders and outputs -------------------------------------------------------------------------------------------


def _cylinder(rng: np.random.Generator, made: Draft) -> int:
    return int(rng.integers(1, made.tables["engine"]["cylinders"] + 1))


def _compression_low(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    made = base(rng, ("cranking",), vee=0.2)
    value = value_of("compression-low", severity)
    hook(made, {"role": "starter-current"}, {"role": "battery"})
    lasts(made, float(rng.uniform(4.0, 6.0)))
    how = str(rng.choice(["trapped", "leak"]))
    fault(made, kind="compression-low", cylinder=_cylinder(rng, made), share=value, how=how)
    return made, value


def _running(rng: np.random.Generator, seconds: float, vee: float = 0.2) -> Draft:
    made = base(rng, ("running",), vee=vee)
    # three cylinders and fewer idle faster: one of them out would stall them at once
    few = 1.5 if made.tables["engine"]["cylinders"] <= 3 else 1.0
    made.tables["running"]["targets"] = [[0.0, few * float(rng.uniform(700.0, 900.0))]]
    made.tables["duration_s"] = max(made.tables["duration_s"], seconds)
    cams(rng, made, both=False)
    return made


def _misfire(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    made = _running(rng, 7.0)
    value = value_of("misfire", severity)
    outputs(made)
    fault(made, kind="misfire", cylinder=_cylinder(rng, made), share=value)
    return made, value


def _coil_absent(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    made = _running(rng, 5.0)
    value = value_of("coil-command-absent", severity)
    outputs(made)
    fault(made, kind="coil-command-absent", cylinders=[_cylinder(rng, made)], share=value)
    return made, value


def _coil_poor(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    made = _running(rng, 5.0)
    value = value_of("coil-current-poor", severity)
    outputs(made, coil_style="current")
    fault(made, kind="coil-current-poor", cylinder=_cylinder(rng, made), share=value)
    return made, value


def _injector_absent(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    made = _running(rng, 5.0)
    value = value_of("injector-command-absent", severity)
    outputs(made)
    fault(made, kind="injector-command-absent", cylinders=[_cylinder(rng, made)], share=value)
    return made, value


def _no_start(rng: np.random.Generator, seconds: float) -> Draft:
    made = base(rng, ("start",), vee=0.2)
    cams(rng, made, both=False)
    outputs(made)
    hook(made, {"role": "battery"})
    lasts(made, seconds)
    return made


def _fuel_starved(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    value = value_of("fuel-starved", severity)
    made = _no_start(rng, value)
    fault(made, kind="fuel-starved")
    return made, value


def _lockout(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    value = value_of("lockout", severity)
    made = _no_start(rng, 5.0)
    if rng.random() < 0.7:
        fault(made, kind="lockout", mode=str(rng.choice(["fuel", "both"])), after_s=value)
    else:
        fault(made, kind="lockout", mode="fuel")
    return made, value


def _unit_silent(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    value = value_of("unit-silent", severity)
    made = _no_start(rng, value)
    fault(made, kind="unit-silent")
    return made, value


def _unit_resets(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    value = float(round(value_of("unit-resets", severity)))
    made = _running(rng, 6.0)
    outputs(made)
    hook(made, {"role": "battery"})
    # above idle: an engine that stalls on the first restart is not to be told from one whose key was turned off
    made.tables["running"]["targets"] = [[0.0, float(rng.uniform(2000.0, 3000.0))]]
    starts = 0.8 + np.arange(int(value)) * float(rng.uniform(1.0, 1.3))
    fault(made, kind="unit-resets", stretches=[[float(s), float(rng.uniform(0.05, 0.12))] for s in starts])
    return made, value


def _spark_shifted(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    value = value_of("spark-shifted", severity)
    made = _no_start(rng, 3.5)
    fault(made, kind="spark-shifted", deg=value * float(rng.choice([-1.0, 1.0])))
    return made, value


def _brown_out(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    value = value_of("brown-out", severity)
    made = _no_start(rng, 4.0)
    hook(made, {"role": "starter-current"})
    made.table("control")["reset_below_v"] = value
    fault(made, kind="brown-out", cause="battery", rpm=110.0)
    return made, value


# --- sensor or wire, and the measurement -----------------------------------------------------------------------------


def _supply_drop(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    made = base(rng, ("start", "cranking"), sensor="hall")
    value = value_of("supply-drop", severity)
    ends(made)
    lasts(made, 3.0)
    first = made.tables["cranking"]["attempts"][0]["start_s"]
    starts = first + 0.5 + np.sort(rng.uniform(0.0, 1.6, 3))
    fault(
        made, kind="supply-drop", v=value, follows="time",
        stretches=[[float(s), float(rng.uniform(0.1, 0.35))] for s in starts],
    )  # fmt: skip
    return made, value


def _ground_lift(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    made = base(rng, ("start", "cranking"), sensor="hall")
    value = value_of("ground-lift", severity)
    ends(made)
    hook(made, {"role": "starter-current"})
    lasts(made, 3.0)
    fault(made, kind="ground-lift", v=value, follows="starter")
    return made, value


def _loses(rng: np.random.Generator, made: Draft, ms: float, where: str) -> None:
    first = made.tables["cranking"]["attempts"][0]["start_s"] + 0.5
    starts = first + np.sort(rng.uniform(0.0, 1.8, int(rng.integers(1, 4))))
    lasts(made, 2.6 + ms / 1e3)
    fault(made, kind="signal-lost", where=where, stretches=[[float(s), ms / 1e3] for s in starts])


def _sensor_dies(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    made = base(rng, ("start", "cranking"), sensor="hall")
    value = value_of("sensor-dies", severity)
    ends(made)
    _loses(rng, made, value, "sensor")
    return made, value


def _line_breaks(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    made = base(rng, ("start", "cranking"))
    value = value_of("line-breaks", severity)
    ends(made)
    _loses(rng, made, value, "line")
    return made, value


def _blocks(rng: np.random.Generator, made: Draft, ms: float) -> list[list[float]]:
    """Three blocks cut out while the engine turns."""
    first = 0.4 if made.record == "running" else made.tables["cranking"]["attempts"][0]["start_s"] + 0.8
    made.tables["duration_s"] = max(made.tables["duration_s"], first + 2.5)
    return [[float(first + 0.5 * k + rng.uniform(0.0, 0.2)), ms / 1e3] for k in range(3)]


def _probe(what: str, sensor: str, records: tuple[str, ...]) -> Maker:
    def make(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
        made = base(rng, records, sensor=sensor)
        value = value_of(f"probe-{what}", severity)
        if what != "ratio":
            cams(rng, made, both=False)
        held = 4 if made.tables["sampling"]["rate_hz"] < 1e5 else int(rng.choice([4, 8]))
        how: dict[str, Any] = {
            "ac": {"corner_hz": value}, "thinned": {"every": held},
            "blocks-lost": {"stretches": _blocks(rng, made, value)},
            "ratio": {"factor": float(rng.choice([0.1, 10.0]))},
        }[what]  # fmt: skip
        if what == "ratio" and how["factor"] > 1.0:
            next(c for c in made.tables["channel"] if c["role"] == "crank")["range"] = [-200.0, 200.0]
        fault(made, kind="probe", channel="crank", what=what, **how)
        return made, value

    return make


MAKERS: dict[str, Maker] = {
    "wheel-moved": _wheel_moved, "wheel-loose": _wheel_loose, "sensor-delay": _sensor_delay,
    "cam-jumped": _cam_jumped, "valves-jumped": valves.jumped, "chain-stretched": _chain_stretched,
    "phaser-stuck": _phaser_stuck, "phaser-hunting": _phaser_hunting, "cam-target": _cam_target,
    "cam-dead": _cam_dead, "cam-lost": _cam_lost,
    "compression-low": _compression_low, "valve-leaks": valves.leaks, "misfire": _misfire,
    "coil-command-absent": _coil_absent,
    "coil-current-poor": _coil_poor, "injector-command-absent": _injector_absent, "fuel-starved": _fuel_starved,
    "lockout": _lockout, "unit-silent": _unit_silent, "unit-resets": _unit_resets, "spark-shifted": _spark_shifted,
    "brown-out": _brown_out, "supply-drop": _supply_drop, "ground-lift": _ground_lift, "sensor-dies": _sensor_dies,
    "line-breaks": _line_breaks, "probe-ac": _probe("ac", "hall", ("start", "cranking", "running")),
    "probe-thinned": _probe("thinned", "hall", ("running", "start")),
    "probe-blocks-lost": _probe("blocks-lost", "", ("running", "start")),
    "probe-ratio": _probe("ratio", "hall", ("start", "cranking", "running")),
}  # fmt: skip

# told only against what the setup says of cams and TDC
NEEDS_SETUP = frozenset({
    "wheel-moved", "sensor-delay", "cam-jumped", "valves-jumped", "chain-stretched", "phaser-stuck", "cam-target",
    "spark-shifted", "cam-dead", "cam-lost", "supply-drop", "ground-lift", "sensor-dies", "line-breaks",
})  # fmt: skip
