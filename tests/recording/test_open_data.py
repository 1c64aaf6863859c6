"""Open recordings of real engines, checked against what their source says of them."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from witnessmark.recording.open import open_recording

FOLDER = Path(os.environ.get("WITNESSMARK_OPEN_DATA", Path(__file__).parents[3] / "shared" / "open-data"))
pytestmark = pytest.mark.skipif(
    not FOLDER.is_dir(), reason="open recordings absent: set WITNESSMARK_OPEN_DATA to their folder"
)


@pytest.mark.parametrize("name", ["vr-60-2-slow.csv", "vr-60-2-accelerating-clipped.csv"])
def test_sampled_at_10_khz(name):
    recording = open_recording(FOLDER / name)
    (info,) = recording.channels
    assert (info.name, info.kind, info.samples, info.rate_hz) == ("crank", "sampled", 60_000, 10_000)
    assert (info.start_s, info.gaps, recording.cautions) == (9.85e-5, (), ())
    np.testing.assert_array_equal(recording.values("crank", 0, 60_000), np.loadtxt(
        FOLDER / name, delimiter=",", skiprows=1, usecols=1))  # fmt: skip


@pytest.mark.parametrize(
    ("name", "changes", "start_s", "end_s"),
    [
        ("logic-24-width-coded-cranking.csv", {"crank": 134}, 47.597971, 49.042665),
        ("logic-36-2-2-2-two-cams-cranking.csv", {"crank": 582, "cam": 59, "Channel 2": 59}, 0.0, 3.263892083),
        ("logic-36-2-noisy.csv", {"1": 1507}, 0.0, 6.62648),
        ("logic-four-tooth-crank-cam-cranking.csv", {"crank": 712, "cam": 266}, 0.0, 9.829947667),
    ],
)
def test_change_lists(name, changes, start_s, end_s):
    recording = open_recording(FOLDER / name)
    assert {c.name: c.samples for c in recording.channels} == changes
    assert (recording.start_s, recording.end_s, recording.cautions) == (start_s, end_s, ())
    rows = [line.replace(" ", "").split(",") for line in (FOLDER / name).read_text().splitlines()]
    rows = rows if rows[0][0][0].isdigit() else rows[1:]
    for k, c in enumerate(recording.channels):
        assert (c.kind, c.gaps) == ("changes", ())
        # an independent walk over the file: a row counts where the level differs from the row before
        kept = [r for i, r in enumerate(rows) if i == 0 or r[k + 1] != rows[i - 1][k + 1]]
        got = recording.changes(c.name)
        assert got.time_s.tolist() == [float(r[0]) for r in kept]
        assert got.level.tolist() == [int(r[k + 1]) for r in kept]
