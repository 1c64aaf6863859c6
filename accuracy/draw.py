"""Draw the common part of a case: engine, wheel, sensor, recorder, kind of record. Ranges only."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from witnessmark.simulate.layouts import named
from witnessmark.simulate.mechanics import periods

# how often each wheel is drawn; "48-2", "32-2" and "50-2" stand for wheels no list names
GAP_WHEELS = {
    "60-2": 8, "36-1": 4, "36-2": 3, "24-1": 3, "12-1": 2, "40-1": 2, "30-2": 2, "36-2-2-2": 2, "60-2-2": 2,
    "48-2": 1, "32-2": 1, "50-2": 1,
}  # fmt: skip
OTHER_WHEELS = {"12+1": 2, "24+1": 1, "6 even": 1, "36 even": 1, "4 vane": 2, "24 coded": 1}
FINE_WHEELS = {name: n for name, n in GAP_WHEELS.items() if name != "12-1"}
RATES_HZ = (20e3, 50e3, 100e3, 200e3, 500e3)
BITS = (8, 10, 12, 14, 16)
RECORDS = ("cranking", "start", "running", "attempts")


@dataclass
class Draft:
    """A scenario in the making (the tables of the scenario file), with what was drawn for it."""

    tables: dict[str, Any]
    wheel: str
    record: str
    hall: bool

    def table(self, name: str) -> dict[str, Any]:
        """One table, made when first asked for."""
        return self.tables.setdefault(name, {})


def pick(rng: np.random.Generator, weights: dict[str, int]) -> str:
    """One key by weight."""
    names = list(weights)
    share = np.array([weights[n] for n in names], float)
    return names[int(rng.choice(len(names), p=share / share.sum()))]


def _record(rng: np.random.Generator, draft: Draft, rate_hz: float) -> None:
    """Length of the record and what the engine does in it."""
    t = draft.tables
    long = 1.0 if rate_hz <= 100e3 else 0.6
    if draft.record == "running":
        idle = float(rng.uniform(650.0, 950.0))
        targets = [[0.0, idle]]
        if rng.random() < 0.4:
            targets.append([0.5, float(rng.uniform(1200.0, 2800.0))])
        t["running"] = {"initial": "running", "targets": targets}
        t["duration_s"] = float(rng.uniform(1.5, 3.0)) * long
        return
    t["running"] = {"targets": [[0.0, float(rng.uniform(700.0, 900.0))]]}
    start = float(rng.uniform(0.3, 0.6))
    t["cranking"] = {"key_on_s": float(rng.uniform(0.05, 0.25))}
    if draft.record == "cranking":
        t["running"]["may_start"] = False
        t["control"] = {"withhold_spark": True, "withhold_fuel": True}
        t["duration_s"] = start + float(rng.uniform(1.8, 3.5)) * (1.0 if long == 1.0 else 0.7)
        tries = [{"start_s": start, "end_s": 1e6}]
    elif draft.record == "start":
        t["duration_s"] = start + float(rng.uniform(2.5, 4.5)) * long
        tries = [{"start_s": start, "end_s": 1e6}]
    else:
        tries, at = [], start
        for _ in range(int(rng.integers(2, 4))):
            length = float(rng.uniform(0.9, 1.6))
            tries.append({"start_s": at, "end_s": at + length})
            at += length + float(rng.uniform(0.8, 1.4))
            t["duration_s"] = at
    t["cranking"]["attempts"] = tries


def _channels(rng: np.random.Generator, draft: Draft) -> None:
    """Which lines were hooked up, and whether their names say what they are."""
    rows: list[dict[str, Any]] = [{"role": "crank"}]
    if rng.random() < 0.75 or draft.wheel in OTHER_WHEELS:
        rows.append({"role": "cam"})
    if draft.record != "cranking":  # with fuel and ignition shut off for the test nobody hooks these up
        if rng.random() < 0.6:
            rows.append({"role": "coil", "cylinder": 1, "style": "current" if rng.random() < 0.3 else "command"})
        if rng.random() < 0.4:
            rows.append({"role": "injector", "cylinder": 1})
    if rng.random() < 0.5:
        rows.append({"role": "battery"})
    if rng.random() < 0.4:
        rows.append({"role": "starter-current"})
    if rng.random() < 0.5:
        for n, row in enumerate(rows, start=1):
            row["name"] = f"input {n}"
    draft.tables["channel"] = rows


def _engine(rng: np.random.Generator, draft: Draft) -> None:
    cylinders = int(rng.choice([3, 4, 4, 4, 5, 6]))
    draft.tables["engine"] = {
        "cylinders": cylinders, "inertia_kg_m2": float(rng.uniform(0.14, 0.26)),
        "compression_ratio": float(rng.uniform(9.0, 11.5)),
        "trapped": [float(rng.normal(1.0, 0.015)) for _ in range(cylinders)],
    }  # fmt: skip


def _sensor(rng: np.random.Generator, draft: Draft, noise: float) -> None:
    if draft.hall:
        draft.tables["sensor"] = {
            "kind": "hall", "high_v": float(rng.choice([5.0, 5.0, 5.0, 12.0])),
            "jitter_deg": float(rng.uniform(0.01, 0.08)),
            "edge": "falling" if rng.random() < 0.8 else "rising", "tooth_high": bool(rng.random() < 0.6),
            "startup_error_deg": float(rng.choice([0.0, 1.0])), "rise_s": float(rng.uniform(1e-6, 1.2e-5)),
            "noise_v": noise * 5.0,
        }  # fmt: skip
        return
    draft.tables["sensor"] = {
        "kind": "vr", "peak_v": float(np.exp(rng.uniform(np.log(0.35), np.log(1.5)))),
        "modulation": float(rng.uniform(0.0, 0.12)), "offset_v": float(rng.choice([0.0, 0.0, 2.5])),
    }  # fmt: skip
    draft.tables["sensor"]["noise_v"] = noise * draft.tables["sensor"]["peak_v"]
    draft.tables.setdefault("control", {})["min_v"] = min(0.12, 0.3 * draft.tables["sensor"]["peak_v"])


def draft(
    rng: np.random.Generator, wheels: dict[str, int], records: tuple[str, ...] = RECORDS, sensor: str = ""
) -> Draft:
    """A sound engine with an ordinary record: noise 0.2 to 2 % of the signal, 20 to 500 kHz, 8 to 16 bit."""
    made = Draft(
        {}, pick(rng, wheels), str(rng.choice(records)), sensor == "hall" or (sensor == "" and rng.random() < 0.5)
    )
    if made.wheel in ("24 coded", "4 vane"):
        made.hall = True
    rate = float(rng.choice(RATES_HZ))
    if made.record == "attempts":
        rate = min(rate, 100e3)
    made.tables["sampling"] = {
        "rate_hz": rate,
        "bits": int(rng.choice(BITS)),
        "noise_share": float(rng.uniform(1e-4, 8e-4)),
    }
    _engine(rng, made)
    _record(rng, made, rate)
    _sensor(rng, made, float(np.exp(rng.uniform(np.log(0.002), np.log(0.02)))))
    wheel = named(made.wheel)
    made.tables["wheel"] = {
        "layout": made.wheel, "duty": float(rng.uniform(0.4, 0.6)), "pitch_error_deg": float(rng.uniform(0.01, 0.05)),
        "runout_deg": float(rng.uniform(0.0, 0.04)),
    }  # fmt: skip
    if periods(wheel) == 1 and wheel.regular:
        made.tables["wheel"]["tdc_slot"] = 1.0 + round(float(rng.uniform(20.0, 340.0)) / wheel.pitch_deg, 1)
    made.tables["cam"] = {"jitter_deg": float(rng.uniform(0.1, 0.5))}
    made.table("control")["confirm_turns"] = float(rng.choice([0.0, 0.25, 0.5, 1.0]))
    _channels(rng, made)
    return made
