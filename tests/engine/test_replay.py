"""A generic synchronising counter, checked against turns counted by hand."""

import numpy as np
import pytest

from witnessmark.engine.replay import Train, counts_of, gap_intervals, load_rules, run, run_all
from witnessmark.errors import BadKnowledge
from witnessmark.wheel import layouts
from witnessmark.wheel.model import Layout

RULES = {r.id: r for r in load_rules()}
WHEEL = layouts.single_gap(60, 2)


def train(layout: Layout, turns: int = 12, without: tuple[int, ...] = (), rpm: float = 200.0) -> Train:
    n = len(layout.teeth_deg)
    tooth = np.tile(np.arange(n), turns)
    deg = np.repeat(np.arange(turns), n) * 360.0 + np.asarray(layout.teeth_deg)[tooth]
    keep = ~np.isin(tooth, without)
    return Train(deg[keep] / (6.0 * rpm), deg[keep], tooth[keep])


def test_counts_between_gaps_by_hand() -> None:
    assert counts_of(WHEEL) == ((0, 58),)
    assert counts_of(layouts.single_gap(36, 1)) == ((0, 35),)
    assert counts_of(layouts.single_gap(24, 0)) == ()


@pytest.mark.parametrize("rule", ["before", "both", "centred"])
def test_only_the_gap_is_taken_for_the_gap(rule: str) -> None:
    edges = train(WHEEL)
    flagged = np.flatnonzero(gap_intervals(edges.time_s, RULES[rule]))
    assert set(edges.tooth[flagged]) == {0}
    assert len(flagged) == 11


@pytest.mark.parametrize(
    ("start", "turns"), [(0, 2.0), (10, 2.0 - 60 / 360), (55, 2.0 - 330 / 360), (57, 3.0 - 342 / 360)]
)
def test_turns_from_a_known_start(start: int, turns: float) -> None:
    # worked: the count is proven at the second gap after the start; from tooth 58 of 58 the first gap comes too soon,
    # for the interval before it is not known yet
    found = run(train(WHEEL), WHEEL, RULES["before"], 3.0)
    assert found is not None
    assert found.turns[start] == pytest.approx(turns, abs=1e-6)


def test_a_tooth_gone_keeps_the_exact_counter_out_for_ever_and_the_lenient_one_not() -> None:
    # gap test: two pitches among three intervals 1, 2, 1 are 0.500 of their sum: above 0.447, below 0.55
    broken = train(WHEEL, without=(20,))
    assert run(broken, WHEEL, RULES["centred"], 3.0).synced == 0.0  # type: ignore[union-attr]
    lenient = run(broken, WHEEL, RULES["centred-strict"], 3.0)
    assert lenient is not None
    assert lenient.synced == 1.0
    assert lenient.median == pytest.approx(1.5, abs=0.1)


def test_the_first_gap_believed_at_once_may_be_the_wrong_one() -> None:
    found = run(train(WHEEL, without=(20,)), WHEEL, RULES["first-gap"], 3.0)
    assert found is not None
    # starts between the gap and the hole meet the hole first: about 20 of 58
    assert found.wrong == pytest.approx(20 / 58, abs=0.04)


def test_a_sound_wheel_is_found_whatever_the_speed_and_a_stop_begins_anew() -> None:
    slow, fast = train(WHEEL, rpm=90.0), train(WHEEL, rpm=300.0)
    for a, b in zip(run_all(slow, WHEEL, 3.0), run_all(fast, WHEEL, 3.0), strict=True):
        assert a.turns == pytest.approx(b.turns)
        assert a.synced == 1.0
    stop = np.where(slow.deg > 400.0, slow.time_s + 1.0, slow.time_s)
    found = run(Train(stop, slow.deg, slow.tooth), WHEEL, RULES["before"], 3.0)
    assert found is not None
    assert found.turns[30] > 2.0


def test_a_wheel_of_three_gaps_is_placed_by_its_counts() -> None:
    wheel = next(x for x in layouts.catalogue() if x.name == "36-2-2-2")
    found = run(train(wheel), wheel, RULES["before"], 3.0)
    assert found is not None
    assert found.synced == 1.0
    assert found.median is not None
    assert found.median < 1.6


def test_the_cam_is_awaited_where_the_rules_say_so() -> None:
    edges = train(WHEEL)
    cam = edges.time_s[0] + np.arange(0.1, 4.0, 0.6)
    without, with_cam = (run(edges, WHEEL, RULES[r], 3.0, cam) for r in ("centred", "with-cam"))
    assert without is not None
    assert with_cam is not None
    late = with_cam.turns - without.turns
    assert np.nanmin(late) >= 0.0
    assert np.nanmax(late) <= 2.01
    assert run(edges, WHEEL, RULES["with-cam"], 3.0) is None


def test_a_rules_file_that_breaks_its_schema_is_one_line(tmp_path) -> None:
    path = tmp_path / "rules.toml"
    path.write_text("[[rule]]\nid = 'x'\n")
    with pytest.raises(BadKnowledge) as error:
        load_rules(path)
    assert "\n" not in str(error.value)
