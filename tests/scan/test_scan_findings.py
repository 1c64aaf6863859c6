"""Findings from scan data: what is stated, what is only hinted at, and above all what a sound vehicle must not show."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.scan.helpers import served
from tests.scan.made import WELL, found, of_kind, snapshot, unit
from witnessmark.causes.weigh import weigh
from witnessmark.findings.kinds import FINDING_KINDS, LOCKS, SCAN_KINDS
from witnessmark.findings.model import Finding, Findings
from witnessmark.scan.against import Recorded, against, cylinder_of
from witnessmark.scan.ask import read_vehicle
from witnessmark.scan.control_unit import bakery_van
from witnessmark.scan.judge import FAMILIES, beside, default_limits, judge
from witnessmark.scan.measured import FILE
from witnessmark.scan.model import FreezeFrame
from witnessmark.scan.parameters import quantities
from witnessmark.scan.readiness import readiness

READY = readiness(bytes.fromhex("00 07 65 00"))  # all complete


def test_a_sound_vehicle_shows_nothing() -> None:
    result = found(unit(stored=(), pending=(), permanent=(), readiness=READY, **WELL), engine="running")
    assert result.found == ()
    assert [n.question for n in result.not_assessed] == ["Does the control unit see the crank turn?"]


@given(
    short=st.floats(-3, 3), long=st.floats(-4, 4), apart=st.floats(-2, 2), supply=st.floats(13.1, 14.9),
    coolant=st.floats(70, 105), air=st.floats(-25, 45), rpm=st.floats(600, 6000),
)  # fmt: skip
def test_sound_vehicles_of_many_kinds_show_nothing(short, long, apart, supply, coolant, air, rpm) -> None:
    values = WELL | {
        "short_trim_1": short, "long_trim_1": long, "short_trim_2": short + apart, "long_trim_2": long,
        "supply": supply, "coolant_temperature": coolant, "intake_temperature": air, "ambient_temperature": air,
        "engine_speed": rpm,
    }  # fmt: skip
    assert found(unit(stored=(), readiness=READY, **values), engine="running").found == ()


def test_a_snapshot_with_nothing_in_it_judges_nothing() -> None:
    assert found().found == ()
    result = found(unit())
    assert result.found == ()
    assert len(result.not_assessed) >= 4
    assert all(n.reason and n.needs for n in result.not_assessed)


# --- codes ------------------------------------------------------------------------------------------------------------


def test_codes_with_meaning_and_freeze_frame() -> None:
    frozen = unit(engine_speed=235, coolant_temperature=12).series
    u = unit(
        stored=("P0336",), pending=("P0336", "P0562"), permanent=(), freeze_frames=(FreezeFrame(0, "P0336", frozen),)
    )
    first, second = of_kind(found(u), "code-stored")
    assert first.stated
    assert first.statement == (
        "control unit 7E8 holds P0336 (crank sensor A: signal out of range or not plausible), stored and pending; "
        "it froze engine speed 235 rpm, coolant temperature 12 degC, so while cranking."
    )
    assert first.evidence["group"] == "crank-pattern"
    assert first.evidence["freeze_frame"] == {"engine_speed": 235.0, "coolant_temperature": 12.0}
    assert (second.evidence["code"], second.evidence["lists"]) == ("P0562", ["pending"])
    assert second.confidence < first.confidence


def test_a_makers_code_and_one_not_in_the_table() -> None:
    a, b = of_kind(found(unit(stored=("P1234", "P0799"))), "code-stored")
    assert "the maker's own code" in a.statement
    assert "look it up" in b.statement


def test_an_announced_code_that_is_not_listed_is_not_passed_over() -> None:
    state = readiness(bytes.fromhex("82 07 65 00"))
    result = found(unit(stored=("P0336",), readiness=state))
    assert any("announces 2 and lists 1" in n.reason for n in result.not_assessed)


# --- erased -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("warm_ups", "km", "low", "high"),
    [(2, 7, 0.85, 1.0), (0, 0, 0.85, 1.0), (2, None, 0.5, 0.8), (None, 7, 0.5, 0.8), (200, 7, 0.0, 0.5)],
)
def test_erased_lately(warm_ups, km, low: float, high: float) -> None:
    values = {"warm_ups_since_erased": warm_ups, "distance_since_erased": km}
    (f,) = of_kind(found(unit(**{k: v for k, v in values.items() if v is not None})), "codes-erased")
    assert low <= f.confidence <= high
    assert "no code now says little" in f.statement


def test_erased_long_ago_is_not_told() -> None:
    assert not of_kind(found(unit(warm_ups_since_erased=60, distance_since_erased=900)), "codes-erased")


def test_erased_within_the_log_is_certain() -> None:
    (f,) = of_kind(found(unit(stored=(), earlier=("P0336",), erased_s=(12.3,))), "codes-erased")
    assert f.confidence > 0.95
    assert "12.3 s" in f.statement
    assert "P0336" in f.statement


def test_a_permanent_code_alone_says_that_the_stored_one_was_erased() -> None:
    (f,) = of_kind(found(unit(stored=(), permanent=("P0336",), warm_ups_since_erased=60)), "codes-erased")
    assert f.stated
    assert "as permanent and not as stored any more" in f.statement
    assert not of_kind(found(unit(stored=("P0336",), permanent=("P0336",))), "codes-erased")
    assert not of_kind(found(unit(permanent=("P0336",))), "codes-erased")  # stored was not read


def test_two_units_erased_at_once_are_one_finding() -> None:
    units = [unit(a, warm_ups_since_erased=1, distance_since_erased=3) for a in ("7E8", "7E9")]
    assert len(of_kind(found(*units), "codes-erased")) == 1


# --- readiness --------------------------------------------------------------------------------------------------------


def test_one_self_test_alone_is_a_hint_and_more_are_stated() -> None:
    # published: 41 01 82 07 65 04 lacks the fuel vapour test alone
    (one,) = of_kind(found(unit(readiness=readiness(bytes.fromhex("82 07 65 04")))), "readiness-incomplete")
    assert not one.stated
    (more,) = of_kind(found(unit(readiness=readiness(bytes.fromhex("00 07 65 65")))), "readiness-incomplete")
    assert more.stated
    assert more.value == 4
    assert "4 of 7 self-tests" in more.statement


# --- speed ------------------------------------------------------------------------------------------------------------


def test_no_speed_while_cranking() -> None:
    u = unit(engine_speed=(0, 0, 0, 0), supply=(10.1, 10.3, 10.2, 10.4))
    (f,) = of_kind(found(u, engine="cranking"), "speed-not-seen")
    assert f.stated
    assert "in all of 4 answers" in f.statement
    assert "fell to 10.1 V" in f.statement


@pytest.mark.parametrize(
    ("rpm", "supply", "engine", "stated"),
    [
        ((0, 0, 0), 12.5, "cranking", False),  # the starter did not pull: a standing engine shows 0 rpm
        (0, 10.1, "cranking", False),  # one answer may be from before the crank moved
        ((0, 0, 204), 10.1, "cranking", None),
        ((0, 0, 0), 12.5, "off", None),
        ((0, 0, 0), 10.1, None, None),
    ],
)
def test_no_speed_is_told_only_where_the_crank_turned(rpm, supply, engine, stated) -> None:
    result = found(unit(engine_speed=rpm, supply=supply), engine=engine)
    seen = of_kind(result, "speed-not-seen")
    assert [f.stated for f in seen] == ([] if stated is None else [stated])
    if engine != "cranking":
        assert any("see the crank turn" in n.question for n in result.not_assessed)


def test_one_unit_that_sees_the_speed_is_enough() -> None:
    units = unit(engine_speed=(204, 0, 0)), unit("7E9", engine_speed=(0, 0, 0))
    assert not of_kind(found(*units, engine="cranking"), "speed-not-seen")


# --- trims ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sums", "stated", "words"),
    [
        (((5, 7), (4, 7)), False, "measured lean"),
        (((10, 12), (9, 12)), True, "on both banks alike"),
        (((-8, -12), (-9, -10)), True, "measured rich"),
    ],
)
def test_trims_in_sum(sums, stated: bool, words: str) -> None:
    (s1, l1), (s2, l2) = sums
    u = unit(**(WELL | {"short_trim_1": s1, "long_trim_1": l1, "short_trim_2": s2, "long_trim_2": l2}))
    (f,) = of_kind(found(u), "trims-off")
    assert f.stated is stated
    assert words in f.statement


def test_banks_apart_name_the_leaner_bank() -> None:
    u = unit(**(WELL | {"short_trim_1": 1, "long_trim_1": -8, "short_trim_2": 1, "long_trim_2": 7}))
    (f,) = of_kind(found(u), "trims-off")
    assert f.stated
    assert f.value == pytest.approx(-15)
    assert "bank 2 the leaner one (-7.0 and +8.0 %)" in f.statement


@pytest.mark.parametrize(
    "change",
    [{"engine_speed": 0}, {"engine_speed": 250}, {"fuel_loop_1": 1}, {"fuel_loop_1": 4}, {"coolant_temperature": 30}],
)
def test_trims_of_a_cold_standing_or_open_loop_engine_are_not_judged(change) -> None:
    u = unit(**(WELL | {"short_trim_1": 20, "long_trim_1": 20} | change))
    result = found(u)
    assert not of_kind(result, "trims-off")
    assert any("not seen warm, running and in closed loop" in n.reason for n in result.not_assessed)


def test_trims_are_judged_at_the_moments_that_count() -> None:
    # overrun and start show odd trims on a sound engine; the closed-loop samples are fine
    u = unit(
        engine_speed=(250, 800, 800, 800, 2500), fuel_loop_1=(1, 2, 2, 2, 4), coolant_temperature=(80,) * 5,
        short_trim_1=(99, 1, 2, 1, -100), long_trim_1=(3,) * 5,
    )  # fmt: skip
    assert not of_kind(found(u), "trims-off")


# --- charging ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("volts", "told"),
    [
        ((11.9,) * 6, True),
        ((12.6,) * 6, False),  # consumption-led charging goes there
        (12.1, False),  # a moment
        (11.2, True),  # no strategy goes there
        ((14.1,) * 6, None),
        (14.1, None),
    ],
)
def test_charging(volts, told: bool | None) -> None:
    seen = of_kind(found(unit(engine_speed=800, run_time=300, supply=volts)), "charging-low")
    assert [f.stated for f in seen] == ([] if told is None else [told])


def test_charging_is_not_judged_standing_just_started_or_at_24_v() -> None:
    for values in ({"engine_speed": 0, "supply": 12.0}, {"engine_speed": 800, "run_time": 5, "supply": 11.5},
                   {"engine_speed": 800, "supply": 27.8}):  # fmt: skip
        result = found(unit(**values))
        assert not of_kind(result, "charging-low")
        assert any(n.question == "Does the generator charge?" for n in result.not_assessed)


# --- temperatures -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("values", "stated", "words"),
    [
        # SAE J1979: an open circuit reads A = 0, -40 degC
        ({"coolant_temperature": -40, "intake_temperature": 18}, True, "open circuit"),
        ({"coolant_temperature": 215, "intake_temperature": 18}, True, "shorted circuit"),
        ({"coolant_temperature": 80, "intake_temperature": -40}, True, "intake air temperature reads -40"),
        ({"coolant_temperature": -40, "intake_temperature": -34}, None, ""),  # real frost
        ({"coolant_temperature": -5, "intake_temperature": 24, "ambient_temperature": 20}, True, "below the air"),
        ({"coolant_temperature": -5, "intake_temperature": 24}, False, "below the air"),  # one against one
        ({"coolant_temperature": -5, "ambient_temperature": 40}, False, "below the air"),
        ({"coolant_temperature": -5, "intake_temperature": 60, "ambient_temperature": 20}, False, "below the air"),
        (
            {"coolant_temperature": 40, "intake_temperature": 55, "ambient_temperature": 20},
            None,
            "",
        ),  # heated under the hood
        ({"coolant_temperature": 45, "run_time": 1500}, False, "thermostat"),
        ({"coolant_temperature": 45, "run_time": 300}, None, ""),
        ({"coolant_temperature": 125}, True, "more than thermostat and fan allow"),
        ({"coolant_temperature": 95, "intake_temperature": 60}, None, ""),
    ],
)
def test_temperatures(values, stated: bool | None, words: str) -> None:
    seen = of_kind(found(unit(**values)), "temperature-odd")
    assert [f.stated for f in seen] == ([] if stated is None else [stated])
    assert all(words in f.statement for f in seen)


# --- form -------------------------------------------------------------------------------------------------------------


def test_every_limit_is_used_by_one_family_and_has_its_reason() -> None:
    rows = default_limits().rows
    used = [name for family in FAMILIES for name in family.limits]
    assert sorted(used) == sorted(set(used))
    assert set(used) == set(rows)
    sources = "".join(p.read_text() for p in Path(FILE).parent.parent.glob("*.py"))
    for name, row in rows.items():
        stem = name.split(".")[0]
        assert f'"{name}"' in sources
        assert stem
        assert len(row.source) > 10
        assert len(row.reason) > 20
    assert {k for f in FAMILIES for k in f.kinds} == set(SCAN_KINDS)
    assert all(f.source and f.inputs for f in FAMILIES)


@given(
    st.dictionaries(
        st.sampled_from(sorted(quantities())),
        st.lists(st.floats(-1e4, 1e5), min_size=1, max_size=4).map(tuple),
        max_size=12,
    ),
    st.sampled_from([None, "off", "cranking", "running"]),
)
def test_no_values_crash_the_judge_and_every_finding_keeps_its_form(values, engine) -> None:
    result = judge(snapshot(unit(stored=("P0336", "U3FFF"), **{k.replace("-", "_"): v for k, v in values.items()}),
                            engine=engine))  # fmt: skip
    for n, f in enumerate(result.found, start=1):
        assert f.id == f"F{n}"
        assert f.kind in FINDING_KINDS
        assert f.lock in LOCKS
        assert 0.0 < f.confidence < 1.0
        assert f.statement.endswith(".")
        assert f.evidence["control_unit"] == "7E8"


def test_the_van_tells_its_story() -> None:
    with served(bakery_van("cranking")) as link:
        result = judge(read_vehicle(link, "cranking", watch_s=0.2))
    assert {f.kind for f in result.found if f.stated} == {"code-stored", "codes-erased", "readiness-incomplete"}
    blind = bakery_van("cranking")
    blind[0].values["engine-speed"] = 0
    with served(blind) as link:
        result = judge(read_vehicle(link, "cranking", watch_s=0.2))
    assert "speed-not-seen" in {f.kind for f in result.found if f.stated}


# --- against a recording ----------------------------------------------------------------------------------------------


def signal(kind: str, confidence: float = 0.9, cylinder: int | None = None, id_: str = "F1") -> Finding:
    return Finding(id_, kind, "crank", "wheel", "Seen.", confidence, (), cylinder=cylinder)


def told(codes, signals=(), roles=("crank",), turns: float | None = 60.0, **more):
    shot = snapshot(unit(stored=codes, **more))
    return against(shot, Findings(tuple(signals), ()), judge(shot), Recorded(frozenset(roles), turns))


def test_a_code_that_the_recording_bears_out() -> None:
    (a,) = told(("P0336",), [signal("tooth-weak")])
    assert (a.code, a.verdict, a.because) == ("P0336", "agrees", ("F1",))
    (b,) = told(("P0336",), [signal("tooth-weak", 0.3)])
    assert b.verdict == "hinted"


def test_a_code_that_is_not_borne_out_says_how_much_that_means() -> None:
    (a,) = told(("P0335",))
    assert a.verdict == "not-borne-out"
    # the usual bound of absence: none in 60 turns leaves 1 - 0.05^(1/60) = 4.87 %
    assert "4.9 % of turns" in a.statement
    assert "between the tap and the control unit" in a.statement


def test_a_code_whose_line_was_not_recorded_is_no_pass() -> None:
    (a,) = told(("P0340",))
    assert (a.verdict, "no cam line" in a.statement) == ("not-recorded", True)
    (b,) = told(("P0335",), turns=None)
    assert b.verdict == "not-recorded"
    assert [x.verdict for x in told(("P1234", "U0100", "P0171"))] == ["no-test", "no-test", "no-test"]


def test_a_misfire_of_another_cylinder_does_not_agree() -> None:
    uneven = signal("contribution-uneven", cylinder=2)
    assert [a.verdict for a in told(("P0302",), [uneven])] == ["agrees"]
    assert [a.verdict for a in told(("P0303",), [uneven])] == ["not-borne-out"]
    assert [a.verdict for a in told(("P0300",), [uneven])] == ["agrees"]
    # SAE J2012 as cited: P0201-12 and P0301-12 a cylinder each, P0261-96 three to a cylinder
    assert [cylinder_of(c) for c in ("P0312", "P0204", "P0261", "P0263", "P0264", "P0296", "P0313", "P030A")] == [
        12, 4, 1, 1, 2, 12, None, None,
    ]  # fmt: skip


def test_what_no_code_speaks_of() -> None:
    (a,) = told((), [signal("tooth-absent")], warm_ups_since_erased=1, distance_since_erased=2)
    assert (a.code, a.verdict, a.because) == ("", "without-code", ("F1",))
    assert "erased not long ago" in a.statement
    assert told((), [signal("tooth-absent", 0.3)]) == ()


def test_scan_findings_weigh_beside_those_of_a_recording() -> None:
    recorded = Findings((signal("tooth-weak"),), ())
    lean = judge(snapshot(unit(stored=("P0171",))))
    both = beside(recorded, lean)
    assert [f.id for f in both.found] == ["F1", "F2"]
    alone, with_code = weigh(recorded), weigh(both)
    assert with_code.causes[0].id == alone.causes[0].id
    for cause in ("trigger-wheel-tooth", "crank-sensor"):  # a code of another circuit does not move them
        before, after = (sum(c.probability for c in v.causes if cause in (c.id, c.with_)) for v in (alone, with_code))
        assert after == pytest.approx(before, abs=0.02)
    blind = judge(snapshot(unit(engine_speed=(0, 0, 0), supply=10.0), engine="cranking"))
    assert weigh(blind).causes[0].id in ("crank-sensor", "crank-circuit")


def test_no_speed_against_recorded_turns() -> None:
    shot = replace(snapshot(unit(stored=(), engine_speed=(0, 0, 0), supply=10.0), engine="cranking"))
    (a,) = against(shot, Findings((), ()), judge(shot), Recorded(frozenset({"crank"}), 12.0))
    assert a.verdict == "contradicts"
    assert against(shot, Findings((), ()), judge(shot), Recorded(frozenset({"crank"}), None)) == ()
