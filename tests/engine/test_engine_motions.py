"""Rotation trimmed to edges that a wheel made, and speed by counting where nothing is decoded."""

from dataclasses import replace

import numpy as np
import pytest
from engine_bench import LAYOUT, TDC_DEG, TEETH, Bench

from witnessmark.engine.examine import examine
from witnessmark.engine.motions import set_in_motion, solid_edges, trimmed
from witnessmark.engine.rotation import counted_rpm
from witnessmark.recording.setup import Setup
from witnessmark.signals.model import GLITCH, Line
from witnessmark.wheel.model import Motion

START = [(0, 0), (1.0, 0), (1.1, 200), (3.0, 200), (3.4, 0), (5.0, 0)]


def crank_line(bench: Bench, more_s: list[float] | None = None) -> Line:
    """A Hall crank line: falling edge at each tooth's angle, rising two degrees later, and edges of no tooth."""
    wheel = bench.theta_deg + TDC_DEG
    turns = np.arange(np.floor(wheel[0] / 360), np.ceil(wheel[-1] / 360) + 1)
    marks = (360.0 * turns[:, None] + np.asarray(TEETH)[None, :]).ravel()
    marks = marks[(marks > wheel[0]) & (marks + 2 < wheel[-1])]
    t = np.concatenate([bench.when(marks - TDC_DEG), bench.when(marks + 2 - TDC_DEG), more_s or []])
    up = np.concatenate([marks * 0 == 1, marks * 0 == 0, np.ones(len(more_s or []), dtype=bool)])
    bench.two_level("crank", "crank", t, up)
    return bench.lines[-1]


def test_a_line_that_rises_at_key_on_is_no_motion() -> None:
    bench = Bench.at_speed(START)
    line = crank_line(bench, [0.75, 3.9])
    (m,) = trimmed([Motion(0.75, 3.9)], line, LAYOUT, False, 0.0)
    assert m.start_s == pytest.approx(1.0, abs=0.01)
    assert m.end_s == pytest.approx(3.4, abs=0.05)


def test_a_line_that_rises_at_key_on_just_before_the_starter_is_no_motion() -> None:
    """Too near to the first teeth to be told by time alone (a wheel of few teeth); the starter's current tells it."""
    bench = Bench.at_speed(START)
    line = crank_line(bench, [0.86])
    few = np.isin(np.arange(len(line.edges)), [0, *range(1, len(line.edges), 12)])  # a tooth in six
    line = replace(line, edges=type(line.edges)(*(
        getattr(line.edges, f)[few] if isinstance(getattr(line.edges, f), np.ndarray) else getattr(line.edges, f)
        for f in line.edges.__dataclass_fields__
    )))  # fmt: skip
    assert trimmed([Motion(0.86, 3.4)], line, None, None, 0.0)[0].start_s < 0.9
    (m,) = trimmed([Motion(0.86, 3.4)], line, None, None, 0.0, ((0.98, 3.0),))
    assert m.start_s == pytest.approx(1.0, abs=0.08)
    # edges that lie close before the current's onset, or belong to a crank that turns already, are kept
    (m,) = trimmed([Motion(0.86, 3.4)], line, None, None, 0.0, ((2.0, 3.0),))
    assert m.start_s < 0.9


def test_noise_below_the_arming_threshold_is_no_motion() -> None:
    bench = Bench.at_speed(START)
    noise = list(np.random.default_rng(1).uniform(0.1, 0.95, 60))
    line = crank_line(bench, noise)
    margin = np.where(np.isin(line.edges.time_s, noise), 0.4, 2.5).astype(np.float32)
    line = replace(line, sensor="vr", edges=replace(line.edges, arm_margin=margin))
    (m,) = trimmed([Motion(0.1, 3.4)], line, LAYOUT, False, 0.0)
    assert m.start_s == pytest.approx(1.0, abs=0.01)


def test_glitches_are_not_solid() -> None:
    bench = Bench.at_speed(START)
    line = crank_line(bench)
    label = line.edges.label.copy()
    label[3:5] = GLITCH
    line = replace(line, edges=replace(line.edges, label=label))
    assert len(solid_edges(line)) == len(line.edges) - 2


def test_a_stop_within_one_motion_parts_it() -> None:
    bench = Bench.at_speed(
        [(0, 0), (1, 0), (1.1, 200), (2, 200), (2.2, 0), (2.7, 0), (2.8, 200), (4, 200), (4.3, 0), (5, 0)]
    )
    parts = trimmed([Motion(1.0, 4.3)], crank_line(bench), LAYOUT, False, 0.0)
    assert [(round(p.start_s, 1), round(p.end_s, 1)) for p in parts] == [(1.0, 2.2), (2.7, 4.3)]


@pytest.mark.parametrize("dps2", [500.0, 4000.0, 12000.0])
@pytest.mark.parametrize("first_deg", [0.5, 3.0, 5.9])
def test_the_moment_of_leaving_rest_is_found_before_the_first_edge(dps2: float, first_deg: float) -> None:
    # constant acceleration from rest at 1.0 s: t = sqrt(2 theta / a)
    edges = 1.0 + np.sqrt(2 * (first_deg + 6.0 * np.arange(10)) / dps2)
    first_interval = edges[1] - edges[0]
    assert set_in_motion(edges, 0.0) == pytest.approx(1.0, abs=0.35 * first_interval)


def test_a_crank_that_turns_already_is_not_traced_back() -> None:
    assert set_in_motion(np.array([0.005, 0.010, 0.015, 0.020]), 0.0) == 0.005
    assert set_in_motion(np.array([0.005, 0.015, 0.021, 0.026]), 0.0) == 0.0  # not before the record


def test_speed_by_counting_edges() -> None:
    edges = np.arange(0, 2, 0.005)  # 6 degrees a tooth at 200 rpm
    assert counted_rpm(np.array([1.0]), edges, 60.0) == pytest.approx(200)
    assert np.isnan(counted_rpm(np.array([5.0]), edges, 60.0))


def test_cranking_that_was_not_decoded_is_counted() -> None:
    bench = Bench.at_speed(START)
    crank_line(bench)
    wheel = bench.wheel([(1.0, 3.4)], lost=[(0.0, 2.6)])
    (a,) = examine(bench.signals(), wheel, Setup(), bench.recording()).attempts
    true_turns = (bench.theta_deg[-1] - bench.theta_deg[0]) / 360
    assert a.turns == pytest.approx(true_turns, rel=0.03)
    assert a.cranking_rpm == pytest.approx(195, rel=0.03)
    assert not a.started
