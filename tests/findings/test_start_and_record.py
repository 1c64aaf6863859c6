"""Cranking, supply, outputs, the record itself, and the limits file."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.findings.made import Scene, gap, kinds, line_of, results, steady, the
from witnessmark.engine.model import Attempt
from witnessmark.errors import BadKnowledge
from witnessmark.findings.find import FAMILIES
from witnessmark.findings.kinds import FINDING_KINDS, LOCKS
from witnessmark.findings.limits import FILE, default_limits, load_limits
from witnessmark.signals.model import Levels
from witnessmark.spans import Span
from witnessmark.wheel import layouts

COIL = line_of("coil 1", "coil")
INJECTOR = line_of("injector 1", "injector")
BATTERY = line_of("battery", "battery", sensor="analog")


def _attempt(start: float = 0.2, end: float = 6.0, **more: Any) -> Attempt:
    given = {
        "turns": 19.0,
        "started": False,
        "cranking_rpm": 200.0,
        "turns_to_sync": None,
        "cranking_end_s": end,
    } | more
    return Attempt(start, end, **given)


def _cranked(rpm: float, **more: Any) -> Scene:
    lines = more.pop("lines", (BATTERY,))
    return Scene(when=steady(rpm), turns=20, lines=lines, attempts=(_attempt(0.2, 0.2 + 20 * 60 / rpm, **more),))


# --- cranking ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("rpm", "stated"), [(60.0, True), (110.0, True), (160.0, False), (240.0, False)])
def test_slow_cranking(rpm: float, stated: bool) -> None:
    # common practice: 150 to 250 rpm
    found = _cranked(rpm, battery_cranking_v=10.4).found()
    assert ("cranking-slow" in kinds(found)) is stated
    if stated:
        f = the(found, "cranking-slow")
        assert f.value == pytest.approx(rpm, rel=0.01)
        assert "the battery gives 10.4 V meanwhile, enough" in f.statement


@pytest.mark.parametrize(("cranked_s", "stated"), [(0.65, False), (1.2, True)])
def test_less_than_a_turn_at_speed_states_no_slow_cranking(cranked_s: float, stated: bool) -> None:
    """At 95 rpm 0.35 s after the spin-up are half a turn, perhaps the slow half of a compression."""
    found = _cranked(95.0, battery_cranking_v=10.4, started=True, cranking_end_s=0.2 + cranked_s).found()
    assert ("cranking-slow" in kinds(found)) is stated


def test_slow_cranking_without_battery_or_current_is_a_hint() -> None:
    found = _cranked(80.0, lines=()).found()
    assert not the(found, "cranking-slow").stated
    assert any("supply" in n.question for n in found.not_assessed)


@pytest.mark.parametrize(
    ("cranking", "rest", "stated"), [(8.5, 12.5, True), (10.2, 12.6, False), (10.2, 11.2, True), (20.5, 25.0, False)]
)
def test_battery_limits(cranking: float, rest: float, stated: bool) -> None:
    # published: 9.6 V under load for 15 s at 21 C; a 24 V system is left alone
    found = _cranked(200.0, battery_cranking_v=cranking, battery_rest_v=rest).found()
    assert ("battery-low" in kinds(found)) is stated


@pytest.mark.parametrize(
    ("turns", "coils", "stated"), [(1.8, 1, False), (3.4, 1, False), (4.5, 4, True), (8.0, 1, True)]
)
def test_late_synchronisation_allows_for_the_coils_not_watched(turns: float, coils: int, stated: bool) -> None:
    lines = tuple(line_of(f"coil {n}", "coil") for n in range(1, coils + 1))
    scene = _cranked(200.0, lines=lines, turns_to_sync=turns, sync_s=0.2 + turns * 0.3, sparks=9, started=True)
    assert ("late-sync" in kinds(scene.found())) is stated


@pytest.mark.parametrize(("turns", "stated"), [(4.5, False), (8.0, True)])
def test_a_wheel_without_a_gap_may_take_a_turn_of_the_cam_more(turns: float, stated: bool) -> None:
    lines = tuple(line_of(f"coil {n}", "coil") for n in range(1, 5))
    scene = _cranked(200.0, lines=lines, turns_to_sync=turns, sync_s=0.2 + turns * 0.3, sparks=9, started=True)
    assert ("late-sync" in kinds(replace(scene, layout=layouts.even(36)).found())) is stated


def test_spark_and_fuel_that_stay_away() -> None:
    found = _cranked(200.0, lines=(COIL, INJECTOR), sparks=0, injections=0).found()
    assert {"spark-absent", "fuel-absent", "no-start"} <= set(kinds(found))
    assert "fuel-without-spark" not in kinds(found, stated=False)


def test_fuel_without_spark() -> None:
    found = _cranked(200.0, lines=(COIL, INJECTOR), sparks=0, injections=9).found()
    assert {"spark-absent", "fuel-without-spark", "no-start"} <= set(kinds(found))
    assert "9 injections on injector 1 and no spark" in the(found, "fuel-without-spark").statement


def test_too_few_turns_say_nothing_about_spark() -> None:
    short = Scene(turns=3, lines=(COIL,), attempts=(_attempt(0.2, 1.1, turns=3.0, sparks=0),))
    assert kinds(short.found(), stated=False) == []


def test_a_cranking_test_without_output_lines_is_no_failed_start() -> None:
    found = _cranked(200.0, lines=()).found()
    assert kinds(found, stated=False) == []
    assert any("not start" in n.question for n in found.not_assessed)


# --- the record -------------------------------------------------------------------------------------------------------


def test_a_clipped_reluctance_line_is_said_and_what_rests_on_it_is_lowered() -> None:
    levels = Levels(-0.5, 0.5, 0.0, 0.005, -0.5, 0.5, 0.2, True)
    rng = np.random.default_rng(1)
    stray = [(float(a), 1.0) for a in rng.uniform(800.0, 10_000.0, 25)]
    found = Scene(levels=levels, stray=stray).found()
    assert the(found, "record-clipped").stated
    assert kinds(found) == ["record-clipped"]
    assert "where the record is clipped" in the(found, "edges-spurious").statement
    assert "edges-spurious" in kinds(Scene(stray=stray).found())


def test_gaps_of_the_record_are_said() -> None:
    f = the(Scene(info_more={"gaps": (gap(1.0, 1.2), gap(2.0, 2.05))}).found(), "record-blocks-lost")
    assert f.value == pytest.approx(0.25)
    assert len(f.ranges) == 2


def test_a_rate_too_low_for_the_speed_is_said() -> None:
    made = Scene().made()
    late = Span(3.0, 4.0, "too few samples a tooth: the recording is too slow for this speed")
    found = results(replace(made, wheel=replace(made.wheel, angle=replace(made.wheel.angle, undecoded=(late,)))))
    assert "1.00 s of rotation" in the(found, "record-rate-low").statement


def test_angle_per_sample_bounds_what_can_be_seen() -> None:
    # derived: 6 rpm / rate: 3000 rpm at 20 kHz is 0.9 degrees a sample
    made = Scene(
        sensor="hall", when=steady(3000.0), turns=60, info_more={"rate_hz": 20_000.0, "samples": 30_000}
    ).found()
    assert any("0.90 degrees" in n.reason for n in made.not_assessed)


# --- the rules themselves ---------------------------------------------------------------------------------------------


def test_every_finding_names_known_words_and_lies_in_the_record() -> None:
    scenes = [
        Scene(missing=[(22, t) for t in range(31)], stray=[(1000.0 + 360.0 * t, 0.8) for t in range(25)]),
        _cranked(80.0, battery_cranking_v=8.0, sparks=0, injections=5, lines=(BATTERY, COIL, INJECTOR)),
    ]
    for scene in scenes:
        made = scene.made()
        found = results(made).found
        assert [f.id for f in found] == [f"F{n}" for n in range(1, len(found) + 1)]
        assert [f.stated for f in found] == sorted((f.stated for f in found), reverse=True)
        for f in found:
            assert f.kind in FINDING_KINDS
            assert f.lock in LOCKS
            assert 0.0 < f.confidence < 1.0
            assert 1 <= len(f.ranges) <= 40
            assert f.statement.endswith(".")
            for r in f.ranges:
                info = made.recording.info(r.channel)
                assert made.recording.start_s <= r.start_s < r.end_s <= made.recording.end_s + 1e-9
                assert 0 <= r.start_sample < r.stop_sample <= info.samples


def test_every_limit_is_used_by_one_family_and_every_name_exists() -> None:
    rows = default_limits().rows
    used = [name for family in FAMILIES for name in family.limits]
    assert sorted(used) == sorted(set(used))
    assert set(used) == set(rows)
    assert all(family.source and family.inputs and set(family.kinds) <= set(FINDING_KINDS) for family in FAMILIES)
    sources = "".join(p.read_text() for p in Path(FILE).parent.parent.glob("*.py"))
    for name in rows:
        assert f'"{name}"' in sources


def test_every_limit_says_where_it_comes_from() -> None:
    for row in default_limits().rows.values():
        assert len(row.source) > 10
        assert len(row.reason) > 20


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda t: t.replace('mark = "derived"', 'mark = "guess"', 1), "mark"),
        (lambda t: t.replace("value = 0.5", 'value = "half"', 1), "value"),
        (lambda t: t + "\n[[limit]]\n", "Field required"),
        (lambda t: t + "[[limit]]" + t.split("[[limit]]")[1], "stands twice"),
        (lambda t: t + "\n[broken", "not valid TOML"),
    ],
)
def test_a_limits_file_that_breaks_its_schema_is_refused_in_one_line(change: Any, message: str, tmp_path: Path) -> None:
    path = tmp_path / "limits.toml"
    path.write_text(change(FILE.read_text()))
    with pytest.raises(BadKnowledge, match=message) as error:
        load_limits(path)
    assert "\n" not in str(error.value)
    assert str(path) in str(error.value)
