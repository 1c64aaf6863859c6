"""Outputs that stay away, come at the wrong angle or are cut; what an engine in order does must not accuse."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from made import Scene, kinds, results, the

from witnessmark.engine.model import Attempt, Output, OutputEvent, Phase, Supply
from witnessmark.findings.measured import Measured
from witnessmark.findings.skipped import chance_of
from witnessmark.recording.setup import Setup

RPM, TURNS, START_S = 800.0, 41, 0.2
SETUP = Setup.model_validate(
    {"engine": {"cylinders": 4, "firing_order": (1, 3, 4, 2), "ignition": "coil-per-cylinder"}}
)
FIRING = {1: 0.0, 3: 180.0, 4: 360.0, 2: 540.0}
TDC_DEG = 90.0


def when(deg: float, rpm: float = RPM) -> float:
    return START_S + deg / (6.0 * rpm)


def output(role: str, cylinder: int, drop: Any = (), shift: float = 0.0, rpm: float = RPM, **more: Any) -> Output:
    """One command a cycle; a spark 8 degrees before TDC, an injection 370 before. drop: cycles left out."""
    first = TDC_DEG + FIRING[cylinder] + (-8.0 + shift if role == "coil" else 350.0)
    rows = []
    for n in range(-1, TURNS // 2 + 1):
        deg = first + 720.0 * n
        if 0.0 < deg < 360.0 * (TURNS - 1) and n not in drop:
            t = when(deg, rpm)
            a, b = (t - 0.003, t) if role == "coil" else (t, t + 0.003)
            rows.append(OutputEvent(a, b, None, (deg - TDC_DEG) % 720.0 if role == "coil" else None))
    peaks = (more.pop("peak"),) * len(rows) if "peak" in more else ()
    return Output(f"{role} {cylinder}", role, cylinder, True, tuple(rows), peaks)  # type: ignore[arg-type]


def engine(outputs: list[Output], rpm: float = RPM, known: str = "setup", **more: Any) -> Measured:
    from made import line_of, steady

    lines = tuple(line_of(o.channel, o.role, [1.0], unit="A" if o.peaks else "V") for o in outputs)
    scene = Scene(turns=TURNS, when=steady(rpm), sensor="hall", lines=lines, setup=SETUP, start_s=START_S)
    made = scene.made()
    phase = Phase(True, True, TDC_DEG, known, 1.0, "", (0,), known, "cam", 1.0)
    return replace(made, engine=replace(made.engine, outputs=tuple(outputs), phase=phase, **more))


def four(role: str, **by: Any) -> list[Output]:
    return [output(role, c, **by.get(f"c{c}", {})) for c in (1, 2, 3, 4)]


def test_a_sound_engine_is_not_accused() -> None:
    assert kinds(results(engine(four("coil") + four("injector"))), stated=False) == []


@pytest.mark.parametrize(("role", "kind"), [("coil", "spark-absent"), ("injector", "fuel-absent")])
@pytest.mark.parametrize("drop", [range(-1, 99), range(2, 99, 2), (3, 4, 5, 9, 12, 13)])
def test_one_output_that_stays_away_is_named_with_its_cylinder(role: str, kind: str, drop: Any) -> None:
    other = "injector" if role == "coil" else "coil"
    finding = the(results(engine(four(role, c3={"drop": drop}) + four(other))), kind)
    assert finding.stated
    assert finding.cylinder == 3
    assert finding.lock == "cycle"
    assert finding.evidence["cylinders_affected"] == 1
    assert finding.evidence["of_recorded"] == 4
    assert finding.evidence["inputs_good"] == 1.0


def test_an_over_run_cut_accuses_nothing() -> None:
    cut = {f"c{c}": {"drop": range(6, 12)} for c in (1, 2, 3, 4)}
    assert kinds(results(engine(four("coil") + four("injector", **cut))), stated=False) == []


def test_outputs_of_one_cylinder_only_accuse_nothing() -> None:
    lonely = [output("coil", 1, drop=(4, 5, 6, 7)), output("injector", 1, drop=(4, 5, 6, 7))]
    assert kinds(results(engine(lonely))) == []


def test_a_few_commands_lost_on_several_lines_accuse_none() -> None:
    lost = {"c1": {"drop": (3, 9)}, "c2": {"drop": (5, 11, 14)}, "c3": {"drop": (7,)}}
    assert kinds(results(engine(four("coil", **lost) + four("injector")))) == []


def test_the_binomial_tail_is_the_worked_one() -> None:
    # 3 of 3 at 2 %: 0.02^3; 1 or more of 10 at 10 %: 1 - 0.9^10
    assert chance_of(3, 3, 0.02) == pytest.approx(8e-6)
    assert chance_of(1, 10, 0.1) == pytest.approx(1.0 - 0.9**10)


def test_a_weak_coil_current_is_told_from_a_dead_command() -> None:
    # 3 ms at 14 V into 0.6 ohm, 3 mH: 10.528 A (worked); with 1.5 ohm more in the path 14/2.1 (1 - exp(-2.1)) = 5.85 A
    coils = [output("coil", c, peak=10.528 if c != 2 else 5.85) for c in (1, 2, 3, 4)]
    finding = the(results(engine(coils + four("injector"))), "spark-absent")
    assert finding.stated
    assert finding.cylinder == 2
    assert finding.evidence["current_rel"] == pytest.approx(0.5557, abs=1e-3)
    alike = [output("coil", c, peak=10.5 * (0.92 + 0.04 * c)) for c in (1, 2, 3, 4)]
    assert kinds(results(engine(alike + four("injector"))), stated=False) == []


@pytest.mark.parametrize("shift", [45.0, -60.0])
def test_sparks_of_all_cylinders_at_the_wrong_angle(shift: float) -> None:
    moved = {f"c{c}": {"shift": shift} for c in (1, 2, 3, 4)}
    finding = the(results(engine(four("coil", **moved) + four("injector"))), "spark-misplaced")
    assert finding.stated
    assert finding.cylinder is None
    assert finding.evidence["late_deg"] == pytest.approx(shift - 8.0, abs=0.5)


@pytest.mark.parametrize("shift", [15.0, -25.0])
def test_advance_within_its_window_is_right(shift: float) -> None:
    moved = {f"c{c}": {"shift": shift} for c in (1, 2, 3, 4)}
    assert kinds(results(engine(four("coil", **moved) + four("injector"))), stated=False) == []


def test_one_cylinders_sparks_apart_from_the_others() -> None:
    finding = the(results(engine(four("coil", c4={"shift": 30.0}) + four("injector"))), "spark-misplaced")
    assert finding.stated
    assert finding.cylinder == 4
    assert finding.evidence["apart_deg"] == pytest.approx(30.0, abs=0.5)


def test_a_tdc_told_by_the_sparks_does_not_judge_them() -> None:
    moved = {f"c{c}": {"shift": 60.0} for c in (1, 2, 3, 4)}
    found = results(engine(four("coil", **moved) + four("injector"), known="coil"))
    assert "spark-misplaced" not in kinds(found, stated=False)
    assert any("right angle" in n.question for n in found.not_assessed)


@pytest.mark.parametrize(("volts", "good"), [(13.8, 1.0), (7.0, 0.0)])
def test_all_outputs_that_stop_and_come_back(volts: float, good: float) -> None:
    gone = {f"c{c}": {"drop": (5, 6, 11, 12)} for c in (1, 2, 3, 4)}
    t = np.arange(0.0, 5.0, 0.005)
    made = engine(four("coil", **gone) + four("injector", **gone), supply=Supply("battery", t, np.full(t.size, volts)))
    finding = the(results(made), "spark-absent")
    assert finding.stated
    assert finding.lock == "time"
    assert finding.cylinder is None
    assert finding.evidence["silences"] == 2
    assert finding.evidence["supply_good"] == good


def attempt(**more: Any) -> Attempt:
    base = Attempt(START_S, when(360.0 * (TURNS - 1)), 40.0, True, 200.0, 1.0)
    return replace(base, sync_s=when(300.0), first_spark_s=when(300.0), running_s=when(700.0), **more)


def test_fuel_cut_soon_after_a_start_while_sparks_go_on() -> None:
    cut = {f"c{c}": {"drop": range(8, 99)} for c in (1, 2, 3, 4)}
    finding = the(results(engine(four("coil") + four("injector", **cut), attempts=(attempt(),))), "fuel-absent")
    assert finding.stated
    assert finding.lock == "time"
    assert 0.5 < finding.evidence["cut_after_s"] < 2.0  # type: ignore[operator]


def test_a_key_turned_off_is_no_cut() -> None:
    off = {f"c{c}": {"drop": range(8, 99)} for c in (1, 2, 3, 4)}
    found = results(engine(four("coil", **off) + four("injector", **off), attempts=(attempt(),)))
    assert [k for k in kinds(found, stated=False) if k in ("fuel-absent", "spark-absent")] == []
