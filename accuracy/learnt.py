"""What a learnt setup is worth: python -m accuracy.learnt [--kinds N] [--seed S].

Kinds of engines are drawn (wheel, sensor, cam pattern, cylinders: the design). Of each kind one good engine is recorded
and learnt from. Other engines of the kind (their own tooth errors, compression, noise, sensor's gap) are then recorded
in order and with one fault each, and analysed with nothing told, with the learnt setup, and with one written by hand
from the drawing. Last, the same engine again: what its own learnt teeth are worth for what changes on it.

All of it is simulated. Kinds and faults are drawn from the ranges below by a seed; none is adjusted to what comes out.
"""

from __future__ import annotations

import argparse
import copy
import os
import tempfile
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from accuracy import draw
from accuracy.cases import RANGES, SWAPS
from accuracy.memory import recording_of
from accuracy.score import TOOTH_KINDS, setup_of
from witnessmark.learn.lesson import learn
from witnessmark.learn.write import setup_text
from witnessmark.pipeline import analyze_recording
from witnessmark.recording.setup import Setup, load_setup
from witnessmark.report.model import Analysis
from witnessmark.simulate.layouts import named
from witnessmark.simulate.run import Simulated, simulate
from witnessmark.simulate.scenario import parse_scenario
from witnessmark.simulate.truth import cause_of

SEED = 411
KINDS = 10
WHEELS = {"60-2": 4, "36-1": 2, "36-2": 1, "24-1": 1, "40-1": 1, "48-2": 1}
# a wheel fitted by mistake: pairs that one lost or filled tooth would make are left out, as in the main table
OTHER = {w: next(b for a, b in SWAPS if a == w) for w in WHEELS if any(a == w for a, _ in SWAPS)}
FAULTS = (
    "tooth-absent", "tooth beside the gap absent", "tooth-weak", "tooth-displaced", "wheel-unexpected",
    "cam out of time", "in order", "in order",
)  # fmt: skip
FAR = 3
AGAIN = 2  # engines of each kind that are recorded twice
TOLD = ("nothing told", "learnt", "by hand")


@dataclass
class Tally:
    """Errors counted over all engines, for one way of being told."""

    causes_wrong: int = 0
    wheels_wrong: int = 0
    slots_wrong: int = 0
    alarms: int = 0
    cams_unmeasured: int = 0
    cam_error_deg: list[float] = field(default_factory=list)
    tooth_error_deg: list[float] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)


def kind_of(rng: np.random.Generator) -> dict[str, Any]:
    """The design of a kind as a scenario: everything that all engines of the kind share."""
    hall = bool(rng.random() < 0.5)
    made = draw.draft(rng, WHEELS, records=("start",), sensor="hall" if hall else "vr")
    t = made.tables
    t["sampling"]["rate_hz"] = float(rng.choice([50e3, 100e3]))
    t["wheel"]["tdc_slot"] = t["wheel"].get("tdc_slot", 10.0)
    t["cam"] = {"edges_deg": _cam_edges(rng), "jitter_deg": 0.3}
    t["channel"] = [{"role": "crank"}, {"role": "cam"}, {"role": "coil", "cylinder": 1}, {"role": "battery"}]
    return t


def _cam_edges(rng: np.random.Generator) -> list[list[Any]]:
    """Four to six edges of alternating kind, 40 degrees apart or more, no half of the cycle like the other."""
    n = int(rng.choice([4, 6]))
    cuts = 40.0 + (720.0 - 40.0 * n) * np.sort(rng.random(n))
    angles = (np.concatenate(([0.0], np.cumsum(np.full(n - 1, 40.0)))) + cuts - 40.0) % 720.0
    order = np.sort(angles)
    return [[round(float(a), 2), "rising" if i % 2 == 0 else "falling"] for i, a in enumerate(order)]


def specimen(rng: np.random.Generator, kind: dict[str, Any]) -> dict[str, Any]:
    """Another engine of the kind: its own tooth errors (by its seed), compression, noise, speed and signal."""
    t = copy.deepcopy(kind)
    t["seed"] = int(rng.integers(1, 2**31))
    t["engine"]["trapped"] = [float(rng.normal(1.0, 0.02)) for _ in range(t["engine"]["cylinders"])]
    t["wheel"]["pitch_error_deg"] = float(rng.uniform(0.01, 0.05))
    t["wheel"]["runout_deg"] = float(rng.uniform(0.0, 0.04))
    t["sensor"]["noise_v"] *= float(rng.uniform(0.5, 1.5))
    if t["sensor"]["kind"] == "vr":
        t["sensor"]["peak_v"] *= float(rng.uniform(0.8, 1.25))
    t["cranking"]["no_load_rpm"] = float(rng.uniform(340.0, 390.0))
    return t


def with_fault(rng: np.random.Generator, t: dict[str, Any], kind: str) -> float:
    """Put the fault into the scenario; returns its size in degrees where it has one."""
    wheel = named(t["wheel"]["layout"])
    severity = float(rng.uniform(0.2, 1.0))
    slot, beside = int(rng.choice(wheel.tooth_slots)), int(rng.choice([wheel.tooth_slots[0], wheel.tooth_slots[-1]]))
    if kind == "tooth-absent":
        t["fault"] = [{"kind": kind, "slots": [slot]}]
    elif kind == "tooth beside the gap absent":
        t["fault"] = [{"kind": "tooth-absent", "slots": [beside]}]
    elif kind == "tooth-weak":
        value = RANGES[kind].at(severity)
        how = {"share": min(1.0 - value, 0.9)} if t["sensor"]["kind"] == "hall" else {"amplitude": value}
        t["fault"] = [{"kind": kind, "slots": [slot], **how}]
    elif kind == "tooth-displaced":
        deg = RANGES[kind].at(severity) * wheel.pitch_deg * float(rng.choice([-1.0, 1.0]))
        t["wheel"]["duty"] = min(t["wheel"]["duty"], 0.5)
        t["fault"] = [{"kind": kind, "slots": [slot], "deg": deg}]
        return deg
    elif kind == "wheel-unexpected":
        t["fault"] = [{"kind": kind, "layout": OTHER.get(t["wheel"]["layout"], "60-2")}]
    elif kind == "cam out of time":
        deg = float(rng.choice([-1.0, 1.0])) * float(rng.choice([5.0, 15.0, 18.0, 20.0]))
        t["cam"]["edges_deg"] = sorted([[(a + deg) % 720.0, k] for a, k in t["cam"]["edges_deg"]])
        return deg
    return 0.0


def learnt_setup(made: Simulated, *, same_engine: bool = False) -> Setup:
    """What a good engine's recording teaches, through the file that a user would get."""
    lesson = learn(analyze_recording(recording_of(made)), same_engine=same_engine)
    with tempfile.NamedTemporaryFile("w", suffix=".toml", delete=False, encoding="utf-8") as file:
        file.write(setup_text(lesson))
    try:
        return load_setup(file.name)
    finally:
        os.unlink(file.name)


def judge(tally: Tally, kind: str, truth: dict[str, Any], deg: float, analysis: Analysis, label: str) -> None:
    """Count what this analysis got wrong."""
    stated = [f for f in analysis.findings.found if f.stated]
    if kind == "cam out of time":
        cam = analysis.engine.cams[0] if analysis.engine.cams else None
        offset = None if cam is None else cam.offset_deg
        tally.cams_unmeasured += offset is None
        tally.cam_error_deg.append(abs(deg) if offset is None else abs(offset - deg))
        return
    if kind == "in order":
        tally.alarms += bool(stated)
        if stated:
            tally.wrong.append(f"{label}: alarm {', '.join(f.kind for f in stated)}")
    first = analysis.verdict.causes[0].id
    if first != truth["cause"]:
        tally.causes_wrong += 1
        tally.wheels_wrong += kind == "wheel-unexpected"
        tally.wrong.append(f"{label}: {first} for {truth['cause']}")
    true = truth["faults"][0]["slots"] if truth["faults"] else []
    if true:
        slots = {f.slot for f in stated if f.kind in TOOTH_KINDS and f.slot is not None}
        if slots != set(true):
            tally.slots_wrong += 1
            tally.wrong.append(f"{label}: slots {sorted(slots)} for {true}")
    if kind == "tooth-displaced":
        tooth = next((x for x in analysis.wheel.teeth if x.slot == true[0]), None)
        said = None if tooth is None else tooth.error_deg
        tally.tooth_error_deg.append(abs(deg) if said is None else abs(said - deg))


@dataclass(frozen=True)
class Again:
    """The same engine recorded again with one tooth displaced: errors left, untold, by kind, by its own setup.

    others_deg: root mean square lateness said of the teeth that did not change (more than FAR from the one that did,
    whose field bends its neighbours' edges on a variable-reluctance line). moved_deg: of the one that did, said less
    true. ran: the engine started in both records (while cranking only, torque ripple hides errors of this size).
    """

    sensor: str
    ran: bool
    others_deg: tuple[float, ...]
    moved_deg: tuple[float, ...]


def same_again(rng: np.random.Generator, kind: dict[str, Any]) -> Again:
    """Learn from an engine, displace one of its teeth, record it again from another rest position.

    Its teeth are off by anything that is usual (memory: limits of 0.03 to 0.2 degrees, taken as two deviations).
    """
    good = specimen(rng, kind)
    good["wheel"]["pitch_error_deg"] = float(rng.uniform(0.015, 0.1))
    first = simulate(parse_scenario(good))
    later = copy.deepcopy(good)
    later["start_deg"] = float(rng.uniform(0.0, 720.0))
    deg = with_fault(rng, later, "tooth-displaced")
    slot = later["fault"][0]["slots"][0]
    later["wheel"]["duty"] = good["wheel"]["duty"]
    made = simulate(parse_scenario(later))
    ran = all(any(a["started"] for a in m.truth["attempts"]) for m in (first, made))
    others, moved = [], []
    for setup in (Setup(), learnt_setup(first), learnt_setup(first, same_engine=True)):
        wheel = analyze_recording(recording_of(made), setup).wheel
        n = wheel.layout.slots if wheel.layout is not None else 1
        said = {t.slot: t.error_deg for t in wheel.teeth if t.expected and t.error_deg is not None}
        far = [e for s, e in said.items() if FAR < (s - slot) % n < n - FAR]
        others.append(float(np.sqrt(np.mean(np.square(far)))) if far else float("nan"))
        moved.append(abs(said.get(slot, 0.0) - deg))
    return Again(later["sensor"]["kind"], ran, tuple(others), tuple(moved))


def measure(kinds: int, seed: int) -> tuple[dict[str, Tally], list[Again], int, int]:
    """(errors by what was told, tooth errors left on the same engines, engines with a fault, engines in order)."""
    tallies = {name: Tally() for name in TOLD}
    again, faulty, sound = [], 0, 0
    for number in range(kinds):
        rng = np.random.default_rng([seed, number])
        kind = kind_of(rng)
        good = simulate(parse_scenario(specimen(rng, kind)))
        taught, hand = learnt_setup(good), setup_of(good)
        for what in FAULTS:
            t = specimen(rng, kind)
            deg = with_fault(rng, t, what)
            made = simulate(parse_scenario(t))
            truth = made.truth
            if what == "wheel-unexpected":
                truth = truth | {"cause": cause_of(what, t["sensor"]["kind"])}
            sound, faulty = sound + (what == "in order"), faulty + (what != "in order")
            label = f"kind {number + 1} ({t['wheel']['layout']}, {t['sensor']['kind']}), {what}"
            for name, setup in zip(TOLD, (Setup(), taught, hand), strict=True):
                judge(tallies[name], what, truth, deg, analyze_recording(recording_of(made), setup), label)
        again += [same_again(rng, kind) for _ in range(AGAIN)]
    return tallies, again, faulty, sound


def text(tallies: dict[str, Tally], again: list[Again], faulty: int, sound: int) -> str:
    """The table."""
    rows = [
        ("first cause wrong", lambda t: f"{t.causes_wrong}"),
        ("  of these, a wrong wheel fitted", lambda t: f"{t.wheels_wrong}"),
        ("slot wrong", lambda t: f"{t.slots_wrong}"),
        ("stated on engines in order", lambda t: f"{t.alarms}"),
        ("cam out of time, not measured", lambda t: f"{t.cams_unmeasured}"),
        ("cam offset, mean error left (deg)", lambda t: f"{np.mean(t.cam_error_deg):.2f}"),
        ("displaced tooth, median error left (deg)", lambda t: f"{np.median(t.tooth_error_deg):.3f}"),
    ]
    lines = [f"{faulty} engines with a fault and {sound} in order, each another one than the engine learnt from", ""]
    lines.append(f"{'':40}" + "".join(f"{name:>14}" for name in TOLD))
    lines += [f"{name:40}" + "".join(f"{cell(tallies[told]):>14}" for told in TOLD) for name, cell in rows]
    ran = [a for a in again if a.ran]
    lines += [
        "",
        f"the same engine again with one tooth displaced since: {len(ran)} of {len(again)} ran in both records",
    ]
    lines.append("medians of what is left (deg)")
    names = ("nothing told", "kind", "same engine")
    lines.append(f"{'':40}" + "".join(f"{name:>14}" for name in names))
    for sensor in ("vr", "hall"):
        mine = [a for a in ran if a.sensor == sensor]
        for label, pick in ((f"teeth unchanged, {sensor}", "others_deg"), (f"tooth displaced, {sensor}", "moved_deg")):
            if mine:
                left = np.nanmedian([getattr(a, pick) for a in mine], axis=0)
                lines.append(f"{label:40}" + "".join(f"{v:>14.3f}" for v in left))
    for name in TOLD:
        lines += ["", f"wrong with {name}:", *(f"  {w}" for w in tallies[name].wrong)]
    return "\n".join(lines)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description="What a setup learnt from one good engine is worth on others.")
    parser.add_argument("--kinds", type=int, default=KINDS)
    parser.add_argument("--seed", type=int, default=SEED)
    chosen = parser.parse_args()
    print(text(*measure(chosen.kinds, chosen.seed)))


if __name__ == "__main__":
    main()
