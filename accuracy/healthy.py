"""Sound engines made hard to read: each draws one to three of the difficulties below."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from accuracy import draw, hooks
from accuracy.draw import Draft
from witnessmark.simulate.layouts import named
from witnessmark.simulate.mechanics import cranking_rpm
from witnessmark.simulate.run import simulate
from witnessmark.simulate.scenario import parse_scenario

SLOWEST_HEALTHY_RPM = 150.0
COARSE_DEG = 20.0  # between teeth: on finer wheels no ripple within the limit below hides a gap from the simulated unit
LATEST_TURNS = 4.0  # by which a sound control unit gives fuel (common practice: one or two)
WIDEST_RIPPLE = 2.6  # highest over lowest speed within one compression event (published for a V8 at 150 rpm: 225 to 85)


def _noise(rng: np.random.Generator, made: Draft) -> None:
    sensor = made.tables["sensor"]
    scale = sensor["high_v"] if made.hall else sensor["peak_v"]
    sensor["noise_v"] = scale * float(rng.uniform(0.02, 0.06))


def _few_bits(rng: np.random.Generator, made: Draft) -> None:
    made.tables["sampling"]["bits"] = 8


def _low_rate(rng: np.random.Generator, made: Draft) -> None:
    made.tables["sampling"]["rate_hz"] = 20e3


def _ripple(rng: np.random.Generator, made: Draft) -> None:
    """Light flywheel: up to WIDEST_RIPPLE within a compression event."""
    made.tables["engine"]["inertia_kg_m2"] = float(rng.uniform(0.085, 0.13))


def _modulation(rng: np.random.Generator, made: Draft) -> None:
    if not made.hall:
        made.tables["sensor"]["modulation"] = float(rng.uniform(0.12, 0.25))


def _start_up(rng: np.random.Generator, made: Draft) -> None:
    if made.hall:
        made.tables["sensor"]["startup_error_deg"] = float(rng.uniform(1.0, 3.0))


def _jitter(rng: np.random.Generator, made: Draft) -> None:
    if made.hall:
        made.tables["sensor"]["jitter_deg"] = float(rng.uniform(0.08, 0.2))


def _short(rng: np.random.Generator, made: Draft) -> None:
    """Two to three turns."""
    turns = float(rng.uniform(2.1, 3.2))
    t = made.tables
    if made.record == "running":
        t["running"]["targets"] = t["running"]["targets"][:1]
        t["duration_s"] = turns / (t["running"]["targets"][0][1] / 60.0)
    else:
        t["cranking"]["attempts"] = t["cranking"]["attempts"][:1]
        t["duration_s"] = t["cranking"]["attempts"][0]["start_s"] + 0.15 + turns / 4.0


def _duty(rng: np.random.Generator, made: Draft) -> None:
    made.tables["wheel"]["duty"] = float(rng.choice([rng.uniform(0.22, 0.35), rng.uniform(0.65, 0.78)]))


def _offset(rng: np.random.Generator, made: Draft) -> None:
    if not made.hall:
        made.tables["sensor"]["offset_v"] = float(rng.uniform(-0.3, 0.3)) * made.tables["sensor"]["peak_v"] + float(
            rng.choice([0.0, 1.65, 2.5])
        )


def _hum(rng: np.random.Generator, made: Draft) -> None:
    scale = made.tables["sensor"]["high_v"] if made.hall else made.tables["sensor"]["peak_v"]
    made.tables["sensor"]["hum_v"] = scale * float(rng.uniform(0.01, 0.06))
    made.tables["sensor"]["hum_hz"] = float(rng.choice([50.0, 60.0]))


def _pickup(rng: np.random.Generator, made: Draft) -> None:
    scale = made.tables["sensor"]["high_v"] if made.hall else made.tables["sensor"]["peak_v"]
    made.tables["sensor"]["ignition_pickup_v"] = scale * float(rng.uniform(0.05, 0.2))


def _runout(rng: np.random.Generator, made: Draft) -> None:
    """Within tolerance: 0.1 mm on an 80 mm radius is 0.07 degrees."""
    made.tables["wheel"]["runout_deg"] = float(rng.uniform(0.04, 0.07))


def _cold(rng: np.random.Generator, made: Draft) -> None:
    """Slow, but within limits."""
    if made.record != "running":
        made.tables["cranking"]["no_load_rpm"] = float(rng.uniform(290.0, 330.0))


def _keep_healthy(made: Draft) -> None:
    """Whatever was drawn, a sound engine keeps to the two limits above."""
    if made.record == "running":
        return
    cranking, engine = made.tables["cranking"], made.tables["engine"]
    for _ in range(30):
        mean, lowest, highest = cranking_rpm(parse_scenario(made.tables))
        if mean >= SLOWEST_HEALTHY_RPM and highest <= WIDEST_RIPPLE * lowest:
            return
        if mean < SLOWEST_HEALTHY_RPM:
            cranking["no_load_rpm"] = cranking.get("no_load_rpm", 370.0) + 10.0
        if highest > WIDEST_RIPPLE * lowest:
            engine["inertia_kg_m2"] *= 1.08


def keep_starting(made: Draft, seed: int) -> None:
    """On the coarsest wheels a flywheel heavy enough for the simulated control unit to find the gap in the ripple.

    One that gives neither spark nor fuel over turn after turn belongs to no sound engine.
    """
    wheel = named(made.wheel)
    if made.record == "running" or not wheel.missing or wheel.pitch_deg < COARSE_DEG:
        return
    made.tables["seed"] = seed
    for _ in range(10):
        attempts = simulate(parse_scenario(made.tables)).truth["attempts"]
        if not any(a["turns"] > LATEST_TURNS and a["first_fuel_s"] is None for a in attempts):
            return
        made.tables["engine"]["inertia_kg_m2"] *= 1.1


def _hard_start(rng: np.random.Generator, made: Draft) -> None:
    """First fire at once, with a strong charge."""
    made.tables["engine"]["combustion"] = float(rng.uniform(2.4, 3.4))
    made.tables["engine"]["inertia_kg_m2"] = float(rng.uniform(0.1, 0.16))


def _uneven(rng: np.random.Generator, made: Draft) -> None:
    """Compression that differs within the accepted spread."""
    n = made.tables["engine"]["cylinders"]
    made.tables["engine"]["trapped"] = [float(rng.uniform(0.95, 1.03)) for _ in range(n)]


def _ramp(rng: np.random.Generator, made: Draft) -> None:
    if made.record == "running":
        made.tables["running"]["targets"] = [[0.0, 750.0], [0.3, float(rng.uniform(2500.0, 4000.0))]]


def _crank_only(rng: np.random.Generator, made: Draft) -> None:
    made.tables["channel"] = made.tables["channel"][:1]


DIFFICULTIES: dict[str, Callable[[np.random.Generator, Draft], None]] = {
    "noise": _noise, "8 bit": _few_bits, "20 kHz": _low_rate, "ripple": _ripple, "amplitude modulation": _modulation,
    "start-up edges": _start_up, "jitter": _jitter, "two or three turns": _short, "odd duty": _duty, "offset": _offset,
    "hum": _hum, "ignition pick-up": _pickup, "runout in tolerance": _runout, "cold": _cold,
    "hard first fire": _hard_start, "compression spread": _uneven, "acceleration": _ramp,
    "crank line only": _crank_only,
}  # fmt: skip


def draft(rng: np.random.Generator) -> tuple[Draft, bool]:
    """A sound engine with one to three difficulties; half of them with a setup."""
    made = draw.draft(rng, draw.GAP_WHEELS | draw.OTHER_WHEELS)
    names = rng.choice(list(DIFFICULTIES), size=int(rng.integers(1, 4)), replace=False)
    for name in names:
        DIFFICULTIES[str(name)](rng, made)
    _keep_healthy(made)
    made.tables["title"] = ", ".join(str(n) for n in names)
    if made.wheel in draw.OTHER_WHEELS and not any(row["role"] == "cam" for row in made.tables["channel"]):
        made.tables["channel"].append({"role": "cam"})
    return made, bool(rng.random() < 0.5)


# --- the whole engine, in order --------------------------------------------------------------------------------------


def _two_cams(rng: np.random.Generator, made: Draft) -> None:
    hooks.cams(rng, made, both=True)


def _phasers(rng: np.random.Generator, made: Draft) -> None:
    """Phasers that move as they should once the engine runs."""
    hooks.cams(rng, made, both=True)
    moves = float(rng.uniform(5.0, 30.0))
    for cam in made.tables["cam"]:
        sign = -1.0 if cam["camshaft"] == "intake" else 1.0
        cam["phaser"] = [[0.0, 0.0], [1.5, 0.0], [2.2, sign * moves]]


def _phasers_alike(rng: np.random.Generator, made: Draft) -> None:
    """A running engine with one cam a bank, moved alike by their phasers up and down with speed."""
    if made.record != "running":
        return
    hooks.cams(rng, made, both=False)
    hooks.sweep(rng, made)
    moves = float(rng.uniform(5.0, 30.0))
    for cam in made.tables["cam"]:
        cam["phaser"] = [[0.0, 0.0], [0.3, 0.0], [1.0, -moves], [2.4, -moves], [3.0, 0.0]]


def _pick_up_cam(rng: np.random.Generator, made: Draft) -> None:
    hooks.cams(rng, made, both=False, vr=True)


def _cam_start_up(rng: np.random.Generator, made: Draft) -> None:
    """First edges after power-up up to twelve crank degrees off, as data sheets allow."""
    hooks.cams(rng, made, both=bool(rng.random() < 0.5))
    for cam in made.tables["cam"]:
        cam["startup_error_deg"] = float(rng.uniform(3.0, 12.0))


def _all_outputs(rng: np.random.Generator, made: Draft) -> None:
    style = str(rng.choice(["command", "current"]))
    if made.record != "cranking":  # with fuel and ignition shut off for the test nobody hooks these up
        hooks.outputs(made, style)


def _starting_lines(rng: np.random.Generator, made: Draft) -> None:
    hooks.hook(made, {"role": "battery"}, {"role": "starter-current"})


def _both_ends(rng: np.random.Generator, made: Draft) -> None:
    hooks.ends(made)


def _pressure(rng: np.random.Generator, made: Draft) -> None:
    if made.record in ("cranking", "running"):  # with a transducer for a plug the engine is not asked to start
        hooks.hook(made, {"role": "cylinder-pressure", "cylinder": 1})


def _pulses(rng: np.random.Generator, made: Draft) -> None:
    hooks.hook(made, {"role": str(rng.choice(["intake-pressure", "exhaust-pressure"]))})


def _wasted_spark(rng: np.random.Generator, made: Draft) -> None:
    if made.tables["engine"]["cylinders"] % 2 == 0 and "banks" not in made.tables["engine"]:
        made.tables["engine"]["ignition"] = "wasted-spark"


def _distributor(rng: np.random.Generator, made: Draft) -> None:
    if "banks" not in made.tables["engine"]:
        made.tables["engine"]["ignition"] = "distributor"


def _compression_ignition(rng: np.random.Generator, made: Draft) -> None:
    hooks.drop(made, "coil")
    made.tables["engine"] |= {"ignition": "compression", "compression_ratio": float(rng.uniform(15.0, 17.0))}
    made.tables["engine"]["inertia_kg_m2"] = float(rng.uniform(0.35, 0.5))


def _motor(rng: np.random.Generator, made: Draft) -> None:
    hooks.drop(made, "starter-current")
    made.tables["engine"]["cranked_by"] = "motor"


def _odd_fire(rng: np.random.Generator, made: Draft) -> None:
    made.tables["engine"] |= {
        "cylinders": 6, "banks": {"1": [1, 2, 3], "2": [4, 5, 6]}, "firing_order": [1, 4, 2, 5, 3, 6],
        "firing_angles_deg": [0.0, 90.0, 240.0, 330.0, 480.0, 570.0],
        "trapped": [float(rng.normal(1.0, 0.015)) for _ in range(6)], "inertia_kg_m2": float(rng.uniform(0.25, 0.35)),
    }  # fmt: skip
    if made.record != "running":
        made.tables["cranking"] |= {
            "stall_torque_nm": 340.0, "stall_current_a": 1275.0, "battery_resistance_ohm": 0.0033,
        }  # fmt: skip


def _over_run(rng: np.random.Generator, made: Draft) -> None:
    """Up to speed and back: torque changes sign."""
    if made.record == "running":
        made.tables["running"]["targets"] = [[0.0, 800.0], [0.5, float(rng.uniform(2000.0, 3000.0))], [1.4, 850.0]]
        made.tables["duration_s"] = max(made.tables["duration_s"], 3.0)


WHOLE: dict[str, Callable[[np.random.Generator, Draft], None]] = {
    "two cams a bank": _two_cams, "phasers move": _phasers, "phasers move alike": _phasers_alike,
    "pick-up cam": _pick_up_cam,
    "cam start-up edges": _cam_start_up, "all outputs": _all_outputs, "starting lines": _starting_lines,
    "both ends of the line": _both_ends, "cylinder pressure": _pressure, "pressure pulses": _pulses,
    "wasted spark": _wasted_spark, "distributor": _distributor, "compression ignition": _compression_ignition,
    "cranked by a motor": _motor, "odd-fire": _odd_fire, "over-run": _over_run, "compression spread": _uneven,
    "noise": _noise, "20 kHz": _low_rate, "8 bit": _few_bits,
}  # fmt: skip


def whole_draft(rng: np.random.Generator) -> tuple[Draft, bool]:
    """A sound engine of any kind with many lines, one to four difficulties; half of them with a setup."""
    made = draw.draft(rng, draw.GAP_WHEELS)
    hooks.engine(rng, made)
    names = rng.choice(list(WHOLE), size=int(rng.integers(1, 5)), replace=False)
    order = sorted((str(n) for n in names), key=list(WHOLE).index)
    for name in sorted(order, key=lambda n: n not in ("odd-fire", "compression ignition", "cranked by a motor")):
        WHOLE[name](rng, made)
    if made.tables["engine"].get("ignition") == "compression":
        hooks.drop(made, "coil")
    if made.tables["engine"].get("cranked_by") == "motor":
        hooks.drop(made, "starter-current")
    else:
        _keep_healthy(made)
    made.tables["title"] = ", ".join(order)
    return made, bool(rng.random() < 0.5)
