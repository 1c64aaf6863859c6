"""Cam patterns learnt from the record, with spread, presence and offset."""

import numpy as np
import pytest
from engine_bench import CAM, Bench

from witnessmark.engine import circular
from witnessmark.engine.examine import examine
from witnessmark.recording.setup import Setup

CRANKING = [(0.0, 200.0), (12.0, 200.0)]
SETUP = Setup.model_validate(
    {
        "engine": {"cylinders": 4},
        "crank_wheel": {"slots": 60, "missing": (59, 60), "tdc_slot": 9.0},
        "cam_wheel": ({"channel": "cam", "bank": 1, "camshaft": "intake", "edges_deg": CAM},),
    }
)


def test_learnt_edges_have_the_made_angles_kinds_and_spread() -> None:
    bench = Bench.at_speed([(0.0, 200.0), (40.0, 200.0)], 300.0).cam(sd=1.0)
    (cam,) = examine(bench.signals(), bench.wheel([(0, 40)]), SETUP, bench.recording()).cams
    assert [e.kind for e in cam.edges] == [k for _, k in CAM]
    assert [e.angle_deg for e in cam.edges] == pytest.approx([a for a, _ in CAM], abs=0.8)
    assert [e.sd_deg for e in cam.edges] == pytest.approx([1.0] * 4, abs=0.35)
    assert [e.present for e in cam.edges] == [1.0] * 4
    assert (cam.bank, cam.camshaft) == (1, "intake")
    assert cam.offset_deg == pytest.approx(0.0, abs=0.5)


def test_an_edge_seen_in_half_the_cycles_says_so() -> None:
    bench = Bench.at_speed([(0.0, 200.0), (24.0, 200.0)]).cam()
    line = bench.lines[0]
    true = np.interp(line.edges.time_s, bench.time_s, bench.theta_deg) % 720
    second = np.flatnonzero((np.abs(true - 310) < 2) | (np.abs(true - 400) < 2))  # a vane: both its edges go
    drop = second[(np.arange(len(second)) // 2) % 2 == 1]
    keep = np.setdiff1d(np.arange(len(true)), drop)
    bench.lines.clear()
    bench.infos.clear()
    bench.two_level("cam", "cam", line.edges.time_s[keep], line.edges.rising[keep])
    (cam,) = examine(bench.signals(), bench.wheel([(0, 24)]), SETUP, bench.recording()).cams
    assert [round(e.angle_deg) for e in cam.edges] == [40, 220, 310, 400]
    assert [e.present for e in cam.edges] == pytest.approx([1, 1, 0.5, 0.5], abs=0.1)


def test_start_up_edges_are_not_counted() -> None:
    profile = [(0, 0), (1.0, 0), (1.05, 200), (9, 200)]
    bench = Bench.at_speed(profile, 700.0).cam()
    line = bench.lines[0]
    late = line.edges.time_s.copy()
    late[:3] += 12.0 / 1200.0  # the first three edges 12 crank degrees off (6 degrees of the target)
    bench.lines.clear()
    bench.infos.clear()
    bench.two_level("cam", "cam", late, line.edges.rising)
    (cam,) = examine(bench.signals(), bench.wheel([(1.0, 9)]), SETUP, bench.recording()).cams
    assert max(e.sd_deg for e in cam.edges) < 0.2
    assert [e.present for e in cam.edges] == [1.0] * 4
    assert cam.offset_deg == pytest.approx(0.0, abs=0.1)


def test_a_phaser_that_moves_once_running_leaves_the_parked_angles() -> None:
    bench = Bench.at_speed([(0, 200), (6, 200), (6.3, 800), (12, 800)])
    parts, ups = [], []
    for angle, kind in CAM:
        theta = bench.angles(angle)
        moved = theta - np.interp(bench.when(theta), [7.0, 9.0], [0.0, 30.0])
        parts.append(bench.when(moved))
        ups.append(np.full(len(theta), kind == "rising"))
    bench.two_level("cam", "cam", np.concatenate(parts), np.concatenate(ups))
    (cam,) = examine(bench.signals(), bench.wheel([(0, 12)]), SETUP, bench.recording()).cams
    assert [e.angle_deg for e in cam.edges] == pytest.approx([a for a, _ in CAM], abs=0.3)
    assert cam.offset_deg == pytest.approx(0.0, abs=0.3)


def test_an_inverted_probe_does_not_hide_the_offset() -> None:
    inverted = [(a, "falling" if k == "rising" else "rising") for a, k in CAM]
    bench = Bench.at_speed(CRANKING).cam(edges=inverted, late_deg=9.0)
    (cam,) = examine(bench.signals(), bench.wheel([(0, 12)]), SETUP, bench.recording()).cams
    assert cam.offset_deg == pytest.approx(9.0, abs=0.3)


def test_random_edges_make_no_pattern() -> None:
    bench = Bench.at_speed(CRANKING)
    t = np.sort(np.random.default_rng(5).uniform(0, 12, 40))
    bench.two_level("cam", "cam", t, np.arange(40) % 2 == 0)
    (cam,) = examine(bench.signals(), bench.wheel([(0, 12)]), SETUP, bench.recording()).cams
    assert all(e.present < 0.7 for e in cam.edges)
    assert cam.offset_deg is None


def test_a_cam_line_without_edges_is_not_listed_and_two_cams_are_kept_apart() -> None:
    bench = Bench.at_speed(CRANKING).cam().cam("cam b", [(100.0, "rising"), (300.0, "falling")])
    bench.two_level("cam c", "cam", np.empty(0), np.empty(0, np.bool_))
    cams = examine(bench.signals(), bench.wheel([(0, 12)]), SETUP, bench.recording()).cams
    assert [c.channel for c in cams] == ["cam", "cam b"]
    assert cams[1].offset_deg is None  # nothing said about it


# Directional statistics: worked by hand, and against scipy.stats.circmean/circstd (reference library)
def test_circular_mean_and_median_across_the_cut() -> None:
    from scipy import stats

    a = np.array([715.0, 718.0, 2.0, 9.0])
    assert circular.mean(a, 720)[0] == pytest.approx(stats.circmean(a, high=720, low=0))
    assert circular.median(a, 720) == pytest.approx(0.0, abs=1e-9)
    assert circular.spread(a, 1.0, 720) == pytest.approx(np.sqrt((6**2 + 3**2 + 1 + 8**2) / 3))
    assert np.isnan(circular.mean([], 720)[0])


def test_resultant_length_of_a_worked_example() -> None:
    # worked: 10, 20, 30, 40 degrees have a mean resultant length of 0.98106
    assert circular.mean([10, 20, 30, 40], 360)[1] == pytest.approx(0.98106, abs=5e-6)
