"""Named cases with truth: every crank-signal cause over severities from plain to barely visible, and healthy ones.

Everything is drawn from the ranges written here by a seed; a case is never adjusted to what the program says about it.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from accuracy import draw, healthy, pairs, whole
from accuracy.draw import Draft
from witnessmark.simulate.layouts import named
from witnessmark.simulate.mechanics import periods
from witnessmark.simulate.scenario import Scenario, parse_scenario
from witnessmark.simulate.truth import cause_of

SEED = 2026
PER_KIND = 12
HEALTHY = 300  # of them every one from SOUND_WHEELS on with the whole engine hooked up
SOUND_WHEELS = 150
QUICK_PER_KIND = 2
QUICK_HEALTHY = 20
# Kinds of one cause share its number, so that no cause weighs many times another.
FEWER = {
    "cam-jumped": 8, "valves-jumped": 6, "valve-leaks": 4, "chain-stretched": 6, "phaser-stuck": 8, "phaser-hunting": 6,
    "coil-command-absent": 8, "coil-current-poor": 6, "unit-silent": 4, "unit-resets": 6, "spark-shifted": 6,
    "brown-out": 6, "supply-drop": 6, "ground-lift": 6, "sensor-dies": 6, "line-breaks": 6, "probe-ac": 4,
    "probe-thinned": 4, "probe-blocks-lost": 4, "probe-ratio": 4,
}  # fmt: skip


@dataclass(frozen=True)
class Case:
    """One case. truth: cause, slots, layout as ``simulate`` will say, known before it runs.

    severity: place between plain (1.0) and barely visible (0.0); value: the same in the kind's own unit.
    undecidable: the record alone cannot tell design from damage (no setup, and the damage makes another sound wheel):
    the right answer names both. slot_modulo: without phase a slot is known only modulo this (repeating patterns).
    """

    id: str
    kind: str
    severity: float
    value: float
    scenario: Scenario
    with_setup: bool
    truth: dict[str, Any]
    undecidable: bool = False
    slot_modulo: int | None = None


@dataclass(frozen=True)
class Range:
    """Severity of a kind: value at plain and at barely visible, drawn evenly (on a log scale where ``log``)."""

    plain: float
    barely: float
    unit: str
    log: bool = False

    def at(self, severity: float) -> float:
        """Value at a severity 0..1."""
        if self.log:
            return float(np.exp(np.log(self.barely) + severity * (np.log(self.plain) - np.log(self.barely))))
        return self.barely + severity * (self.plain - self.barely)


RANGES: dict[str, Range] = {
    "tooth-absent": Range(30.0, 4.0, "turns in the record", log=True),
    "tooth-weak": Range(
        0.08, 0.6, "of a sound pulse left (variable reluctance); one minus it: passes missed (two-level)"
    ),
    "tooth-displaced": Range(0.40, 0.08, "pitch", log=True),
    "tooth-extra": Range(1.0, 0.5, "of a sound tooth's height"),
    "wheel-runout": Range(1.0, 0.2, "degrees (amplitude)", log=True),
    "wheel-unexpected": Range(1.0, 0.0, "rank of likeness to the expected wheel"),
    "edges-dropped": Range(0.08, 0.006, "of all edges", log=True),
    "signal-lost": Range(400.0, 20.0, "ms in one stretch", log=True),
    "edges-spurious": Range(80.0, 4.0, "per second (in time); over 80: of the events followed", log=True),
    "polarity-reversed": Range(3.0, 1.0, "teeth's worth of signal over noise, powers of ten"),
    "signal-low": Range(0.03, 0.12, "V half wave at 200 rpm (variable reluctance); swing / 12 V (two-level)", log=True),
    "cranking-slow": Range(60.0, 110.0, "rpm"),
} | {kind: Range(*span) for kind, span in whole.SPANS.items()}


def _tooth(rng: np.random.Generator, draft: Draft) -> int:
    return int(rng.choice(named(draft.wheel).tooth_slots))


def _last(made: Draft, turns: float) -> None:
    """Lengthen a record that would not hold ``turns`` turns: a chance event must have the chance to happen."""
    t = made.tables
    if made.record == "running":
        t["duration_s"] = max(t["duration_s"], min(turns / (t["running"]["targets"][0][1] / 60.0), 10.0))
    else:
        tries = t["cranking"]["attempts"]
        need = tries[-1]["start_s"] + 0.3 + min(turns / 4.0 / len(tries), 10.0)
        t["duration_s"] = max(t["duration_s"], need)
        tries[-1]["end_s"] = max(tries[-1]["end_s"], need)


def _absent(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    made = draw.draft(rng, draw.GAP_WHEELS | {"36 even": 1})
    turns = RANGES["tooth-absent"].at(severity)
    t = made.tables
    if made.record == "running":
        t["duration_s"] = max(0.15, turns / (t["running"]["targets"][0][1] / 60.0))
        t["running"]["targets"] = t["running"]["targets"][:1]
    elif made.record != "attempts":
        t["duration_s"] = t["cranking"]["attempts"][0]["start_s"] + 0.25 + turns / 4.0
    slot = _tooth(rng, made)
    wheel = named(made.wheel)
    if wheel.missing and rng.random() < 0.25:  # the hard place, more often than chance would have it
        slot = int(rng.choice([1, wheel.missing[-1] % wheel.slots + 1, wheel.tooth_slots[-1]]))
    t["fault"] = [{"kind": "tooth-absent", "slots": [slot]}]
    return made, turns


def _weak(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    made = draw.draft(rng, draw.GAP_WHEELS, records=("cranking", "start", "attempts", "running"))
    value = RANGES["tooth-weak"].at(severity)
    fault: dict[str, Any] = {"kind": "tooth-weak", "slots": [_tooth(rng, made)]}
    if made.hall:
        fault |= {
            "share": 1.0 - value,
            "below_rpm": float(rng.choice([450.0, 1e6])) if made.record != "running" else 1e6,
        }
        fault["share"] = min(fault["share"], 0.9)
        _last(made, turns=6.0 / fault["share"])
    else:
        fault["amplitude"] = value
    made.tables["fault"] = [fault]
    return made, value


def _displaced(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    made = draw.draft(rng, draw.GAP_WHEELS)
    value = RANGES["tooth-displaced"].at(severity)
    deg = value * named(made.wheel).pitch_deg * float(rng.choice([-1.0, 1.0]))
    if made.hall:  # the other edge of the tooth moves with it: keep it clear of its neighbour
        made.tables["wheel"]["duty"] = min(made.tables["wheel"]["duty"], 0.5)
    made.tables["fault"] = [{"kind": "tooth-displaced", "slots": [_tooth(rng, made)], "deg": deg}]
    return made, value


def _extra(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    made = draw.draft(rng, draw.FINE_WHEELS)
    value = RANGES["tooth-extra"].at(severity)
    wheel = named(made.wheel)
    if rng.random() < 0.4:
        deg = (float(rng.choice(wheel.missing)) - 1.0) * wheel.pitch_deg
    else:
        deg = (_tooth(rng, made) - 1.0 + _in_valley(made, float(rng.uniform(0.4, 0.6)))) * wheel.pitch_deg
    made.tables["fault"] = [{"kind": "tooth-extra", "deg": deg % 360.0, "amplitude": value}]
    return made, value


def _in_valley(made: Draft, part: float) -> float:
    """Pitches from a tooth's marking edge to that of an extra tooth ``part`` of the way to the next tooth.

    On a two-level line a tooth is as wide as it looks, and metal that touches a neighbour makes no edge of its own: the
    extra tooth stands free in the valley, clear of both by a fifth of it or more.
    """
    if not made.hall:
        return part
    duty, sensor = made.tables["wheel"]["duty"], made.tables["sensor"]
    at_end = sensor["tooth_high"] == (sensor["edge"] == "falling")
    room = (1.0 - duty) * (part + 0.2)  # from the neighbour's metal to the mark, half of it metal
    return float(room if at_end else 1.0 - room)


def _runout(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    made = draw.draft(rng, draw.FINE_WHEELS)
    value = RANGES["wheel-runout"].at(severity)
    phase = float(rng.uniform(0.0, 360.0))
    # eccentricity changes the air gap with it: 0.36 degrees is 0.5 mm on an 80 mm radius
    made.tables["fault"] = [
        {"kind": "wheel-runout", "deg": value, "phase_deg": phase, "amplitude_runout": min(0.25 + 0.4 * value, 0.6)}
    ]
    return made, value


# expected wheel and the one fitted, from unlike to like; pairs that one lost or filled tooth would make are left out
SWAPS = (
    ("60-2", "12-1"), ("36-1", "60-2"), ("60-2", "36-1"), ("24-1", "60-2"), ("60-2", "36-2-2-2"), ("60-2", "30-2"),
    ("36-2", "24-1"), ("36-1", "30-2"), ("60-2", "48-2"), ("40-1", "36-1"), ("36-1", "40-1"), ("36-2", "36-2-2-2"),
)  # fmt: skip


def _unexpected(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    design, fitted = SWAPS[round((1.0 - severity) * (len(SWAPS) - 1))]
    made = draw.draft(rng, {design: 1}, records=("cranking", "start", "attempts"))  # it could not be running
    made.tables["fault"] = [{"kind": "wheel-unexpected", "layout": fitted}]
    return made, severity


def _dropped(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    made = draw.draft(rng, draw.GAP_WHEELS)
    value = RANGES["edges-dropped"].at(severity)
    _last(made, turns=8.0 / (value * len(named(made.wheel).teeth_deg)))
    made.tables["fault"] = [{"kind": "edges-dropped", "share": value}]
    return made, value


def _lost(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    made = draw.draft(rng, draw.GAP_WHEELS)
    value = RANGES["signal-lost"].at(severity)
    t = made.tables
    first = 0.1 if made.record == "running" else t["cranking"]["attempts"][0]["start_s"] + 0.5
    last = t["duration_s"] if made.record in ("running", "start", "cranking") else t["cranking"]["attempts"][0]["end_s"]
    room = max(last - first - value / 1e3 - 0.3, 0.05)
    starts = first + np.sort(rng.uniform(0.0, room, int(rng.integers(1, 4))))
    level = None if made.hall and rng.random() < 0.5 else (t["sensor"].get("low_v", 0.15) if made.hall else 0.0)
    t["fault"] = [{"kind": "signal-lost", "stretches": [[float(s), value / 1e3] for s in starts]}]
    if level is not None:
        t["fault"][0]["level_v"] = level
    return made, value


def _spurious(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    made = draw.draft(rng, draw.GAP_WHEELS)
    value = RANGES["edges-spurious"].at(severity)
    fault: dict[str, Any] = {"kind": "edges-spurious", "width_us": float(rng.uniform(60.0, 250.0))}
    roles = {row["role"] for row in made.tables["channel"]}
    fault["width_us"] = max(fault["width_us"], 3e6 / made.tables["sampling"]["rate_hz"])
    if made.record == "running" and rng.random() < 0.7:
        made.tables["channel"] += [{"role": "coil", "cylinder": 1}] if "coil" not in roles else []
        fault |= {"follows": "coil", "share": min(1.0, value / 80.0 + 0.2), "lag_ms": float(rng.uniform(0.1, 1.0))}
    else:
        fault["rate_hz"] = value
        _last(made, turns=(1.5 + 8.0 / value) * (13.0 if made.record == "running" else 4.0))
    made.tables["fault"] = [fault]
    return made, value


def _reversed(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    made = draw.draft(rng, draw.GAP_WHEELS, sensor="vr")
    value = RANGES["polarity-reversed"].at(severity)
    made.tables["sensor"]["noise_v"] = made.tables["sensor"]["peak_v"] * 10.0**-value
    made.tables["fault"] = [{"kind": "polarity-reversed", "where": str(rng.choice(["sensor", "sensor", "probe"]))}]
    return made, value


def _low(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    made = draw.draft(
        rng, draw.GAP_WHEELS, records=("cranking", "start", "attempts"), sensor="hall" if rng.random() < 0.25 else "vr"
    )
    value = RANGES["signal-low"].at(severity)
    sensor = made.tables["sensor"]
    share = min(value * 12.0 / sensor["high_v"], 0.4) if made.hall else value / sensor["peak_v"]
    sensor["noise_v"] = min(sensor["noise_v"], 0.1 * value)
    made.tables["sampling"]["bits"] = max(made.tables["sampling"]["bits"], 10)
    made.table("control")["min_v"] = 0.12
    made.tables["fault"] = [{"kind": "signal-low", "amplitude": share}]
    return made, value


def _slow(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    made = draw.draft(rng, draw.GAP_WHEELS, records=("cranking", "start"))
    value = RANGES["cranking-slow"].at(severity)
    made.tables["duration_s"] = max(made.tables["duration_s"], 0.8 + 5.0 * 60.0 / value)
    made.tables["sampling"]["rate_hz"] = min(made.tables["sampling"]["rate_hz"], 200e3)
    made.tables["fault"] = [
        {"kind": "cranking-slow", "cause": str(rng.choice(["battery", "starter", "friction"])), "rpm": value}
    ]
    roles = {row["role"] for row in made.tables["channel"]}
    made.tables["channel"] += [{"role": r} for r in ("battery", "starter-current") if r not in roles]
    return made, value


MAKERS: dict[str, Callable[[np.random.Generator, float], tuple[Draft, float]]] = {
    "tooth-absent": _absent, "tooth-weak": _weak, "tooth-displaced": _displaced, "tooth-extra": _extra,
    "wheel-runout": _runout, "wheel-unexpected": _unexpected, "edges-dropped": _dropped, "signal-lost": _lost,
    "edges-spurious": _spurious, "polarity-reversed": _reversed, "signal-low": _low, "cranking-slow": _slow,
}  # fmt: skip


def _beside_gap(wheel: str, slot: int) -> bool:
    w = named(wheel)
    return w.regular and any((slot + step - 1) % w.slots + 1 in w.missing for step in (-1, 1))


def _case(kind: str, number: int, severity: float, made: Draft, value: float, with_setup: bool, seed: int) -> Case:
    made.tables["seed"] = seed
    scenario = parse_scenario(made.tables, f"{kind}-{number:02d}")
    fault = scenario.fault[0] if scenario.fault else None
    wheel = scenario.wheel.wheel()
    slots = list(fault.slots) if fault else []
    truth = {
        "cause": cause_of(fault.kind, scenario.sensor.kind) if fault else "none-found",
        "kind": fault.kind if fault else None,
        "slot": slots[0] if slots else None, "slots": slots,
        "layout": fault.layout if fault and fault.kind == "wheel-unexpected" else made.wheel, "design": made.wheel,
        "record": made.record, "sensor": "hall" if made.hall else "vr",
    }  # fmt: skip
    unclear = not with_setup and kind == "tooth-absent" and (wheel.missing == () or _beside_gap(made.wheel, slots[0]))
    filled = not with_setup and kind == "tooth-extra" and fault is not None and _fills_slot(wheel.pitch_deg, fault.deg)
    repeats = periods(wheel)
    return Case(
        f"{kind}-{number:02d}", kind, severity, value, scenario, with_setup, truth, unclear or filled,
        len(wheel.tooth_slots) // repeats if not wheel.regular else (wheel.slots // repeats if repeats > 1 else None),
    )  # fmt: skip


def _fills_slot(pitch_deg: float, deg: float) -> bool:
    """An extra tooth exactly in a missing slot makes another regular wheel."""
    return abs(deg / pitch_deg - round(deg / pitch_deg)) < 0.2


def of_kind(kind: str, n: int, seed: int = SEED, numbers: Sequence[int] | None = None) -> list[Case]:
    """n cases of one kind (``healthy`` or a key of RANGES), severities even from barely visible to plain.

    numbers: make only these of the n (each is drawn by itself, so a sample holds the same cases as the whole).
    """
    out = []
    for number in range(n) if numbers is None else numbers:
        rng = np.random.default_rng([seed, zlib.crc32(kind.encode()), number])
        case_seed = int(rng.integers(1, 2**31))
        if kind == "healthy":
            made, with_setup = healthy.draft(rng) if number < SOUND_WHEELS else healthy.whole_draft(rng)
            healthy.keep_starting(made, case_seed)
            out.append(_case(kind, number, 0.0, made, 0.0, with_setup, case_seed))
            continue
        severity = number / (n - 1) if n > 1 else 1.0
        made, value = MAKERS[kind](rng, severity)
        with_setup = kind == "wheel-unexpected" or bool(rng.random() < 0.5) or made.wheel in draw.OTHER_WHEELS
        out.append(_case(kind, number, severity, made, value, with_setup, case_seed))
    return out


def _whole(kind: str, number: int, severity: float, made: Draft, value: float, with_setup: bool, seed: int) -> Case:
    """A case of the whole engine: its truth (one cause or two) is what the simulator says."""
    made.tables["seed"] = seed
    scenario = parse_scenario(made.tables, f"{kind}-{number:02d}")
    truth = {
        "layout": made.wheel, "design": made.wheel, "record": made.record, "sensor": "hall" if made.hall else "vr",
    }  # fmt: skip
    return Case(f"{kind}-{number:02d}", kind, severity, value, scenario, with_setup, truth)


def of_whole(kind: str, n: int, seed: int = SEED, numbers: Sequence[int] | None = None) -> list[Case]:
    """n cases of one kind of ``whole.MAKERS`` or of the pairs, severities even from barely visible to plain."""
    makers = pairs.MAKERS if kind == pairs.KIND else whole.MAKERS
    out = []
    for number in range(n) if numbers is None else numbers:
        rng = np.random.default_rng([seed, zlib.crc32(kind.encode()), number])
        case_seed = int(rng.integers(1, 2**31))
        severity = number / (n - 1) if n > 1 else 1.0
        maker = makers[list(makers)[number % len(makers)]] if kind == pairs.KIND else makers[kind]
        made, value = maker(rng, severity)
        with_setup = kind in whole.NEEDS_SETUP or bool(rng.random() < 0.5)
        out.append(_whole(kind, number, severity, made, value, with_setup, case_seed))
    return out


def cases(which: Literal["all", "quick"] = "all", seed: int = SEED) -> list[Case]:
    """Every case: PER_KIND of each kind and HEALTHY healthy ones; ``quick`` is a fixed sample of the same."""
    quick = which == "quick"
    out = []
    for kind in MAKERS:
        out += of_kind(kind, PER_KIND, seed, (PER_KIND - 1, PER_KIND // 3)[:QUICK_PER_KIND] if quick else None)
    for kind in (*whole.MAKERS, pairs.KIND):
        n = FEWER.get(kind, PER_KIND)
        out += of_whole(kind, n, seed, (n - 1,) if quick else None)
    some = range(0, HEALTHY, HEALTHY // QUICK_HEALTHY)[:QUICK_HEALTHY]
    return out + of_kind("healthy", HEALTHY, seed, some if quick else None)
