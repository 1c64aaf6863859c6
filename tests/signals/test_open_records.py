"""Open recordings of real engines (measured by others): sensor kinds, roles and edges without a setup."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from witnessmark.recording.open import open_recording
from witnessmark.recording.setup import Setup
from witnessmark.signals.extract import extract
from witnessmark.signals.model import Signals

FOLDER = Path(os.environ.get("WITNESSMARK_OPEN_DATA", Path(__file__).resolve().parents[3] / "shared" / "open-data"))
pytestmark = pytest.mark.skipif(
    not FOLDER.is_dir(), reason="open recordings not found: set WITNESSMARK_OPEN_DATA to their folder"
)


def lines(name: str, chunk: int = 1 << 20) -> Signals:
    """Signals of a recording whose channel names are hidden."""
    recording = open_recording(str(FOLDER / name))
    hidden = tuple(replace(c, name=f"column {c.position}") for c in recording.channels)
    return extract(replace(recording, channels=hidden), Setup(), chunk)


def test_slow_pick_up_has_58_steep_crossings_a_turn_at_161_rpm() -> None:
    """Known: 58 teeth between gaps in every turn, about 161 turns a minute. Here the steep crossings fall."""
    line = lines("vr-60-2-slow.csv").lines[0]
    assert (line.role, line.sensor) == ("crank", "vr")
    edges = line.edges
    steep = edges.time_s[~edges.rising]
    interval = np.diff(steep)
    gaps = np.flatnonzero(interval > 2.2 * np.median(interval))
    assert len(gaps) >= 15
    np.testing.assert_array_equal(np.diff(gaps), 58)
    assert 60.0 / np.median(np.diff(steep[gaps])) == pytest.approx(161.0, abs=2.0)
    assert line.levels.zero == pytest.approx(3.6, abs=0.1)
    assert line.levels.clipped == 0.0
    # lazy crossings of the gap rise between two large half waves
    lazy = [int(np.searchsorted(edges.time_s, steep[g])) + 1 for g in gaps[1:-1]]
    assert edges.rising[lazy].all()
    assert (edges.peak_before_v[lazy] > 1.0).all()
    assert (edges.arm_margin[5:-5] > 1.0).all()


def test_accelerating_pick_up_is_clipped_and_falls_silent() -> None:
    line = lines("vr-60-2-accelerating-clipped.csv").lines[0]
    assert (line.role, line.sensor) == ("crank", "vr")
    assert line.levels.clipped > 0.05
    assert not (line.edges.time_s > 5.5).any()
    edges = line.edges
    # the overloaded input folds over beside each gap: two steep edges more, kept and labelled
    folds = edges.slope_v_per_s > 90_000
    assert (edges.label[folds & (edges.time_s < 1.5)] == 1).all()
    early = edges.time_s[~edges.rising & (edges.time_s < 1.5) & (edges.label != 1)]
    interval = np.diff(early)
    ratio = interval[1:-1] / np.sqrt(interval[:-2] * interval[2:])
    gaps = np.flatnonzero(ratio > 2.2)
    np.testing.assert_array_equal(np.diff(gaps), 58)


@pytest.mark.parametrize(
    ("name", "roles"),
    [
        ("logic-36-2-noisy.csv", ["crank"]),
        ("logic-36-2-2-2-two-cams-cranking.csv", ["crank", "cam", "cam"]),
        ("logic-24-width-coded-cranking.csv", ["crank"]),
        ("logic-four-tooth-crank-cam-cranking.csv", ["crank", "cam"]),
    ],
)
def test_roles_without_names(name: str, roles: list[str]) -> None:
    signals = lines(name)
    assert [line.role for line in signals.lines] == roles
    assert all(line.sensor == "hall" for line in signals.lines)


def test_real_narrow_vanes_are_not_glitches() -> None:
    for name in ("logic-four-tooth-crank-cam-cranking.csv", "logic-24-width-coded-cranking.csv"):
        for line in lines(name).lines:
            assert (line.edges.label == 1).mean() < 0.01


def test_chunk_size_changes_nothing() -> None:
    whole, cut = lines("vr-60-2-slow.csv"), lines("vr-60-2-slow.csv", 777)
    a, b = whole.lines[0].edges, cut.lines[0].edges
    assert a.time_s.tobytes() == b.time_s.tobytes()
    assert a.arm_margin.tobytes() == b.arm_margin.tobytes()
