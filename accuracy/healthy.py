"""Sound engines made hard to read: each draws one to three of the difficulties below."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from accuracy import draw
from accuracy.draw import Draft
from witnessmark.simulate.mechanics import cranking_rpm
from witnessmark.simulate.scenario import parse_scenario

SLOWEST_HEALTHY_RPM = 150.0
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
