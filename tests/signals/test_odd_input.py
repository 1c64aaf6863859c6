"""Odd channels: empty, tiny, all gaps, constant, unusual types, strided and foreign byte order."""

from __future__ import annotations

import numpy as np
import pytest

from witnessmark.recording.setup import ChannelSetup, Setup
from witnessmark.signals.extract import extract

from .memory import record
from .waves import hall_wheel, tooth_angle


@pytest.mark.parametrize("sensor", [None, "hall", "vr", "analog"])
@pytest.mark.parametrize(
    "x",
    [
        np.empty(0, np.int16),
        np.array([3], np.int16),
        np.array([1.5, 1.5]),
        np.arange(5, dtype=np.int8),
        np.full(1000, np.nan),
        np.full(64, np.nan, np.float32),
        np.zeros(1000, np.int32),
        np.full(1000, 7.25),
        np.r_[np.full(70, np.nan), np.ones(10), np.full(70, np.nan)],
        np.arange(3000.0),
        np.r_[np.zeros(500), np.ones(500)],
        np.array([np.inf, 0, -np.inf] * 100),
    ],
    ids=lambda x: f"{x.dtype}{len(x)}",
)
def test_nothing_to_see_raises_nothing(x: np.ndarray, sensor: str | None) -> None:
    setup = Setup(channel=(ChannelSetup(name="x", sensor=sensor),)) if sensor else Setup()  # type: ignore[arg-type]
    with np.errstate(all="ignore"):
        line = extract(record({"x": x}), setup).lines[0]
    assert len(line.edges) <= 1 or np.isinf(x).any()
    assert np.isfinite(line.edges.time_s).all()
    assert sensor is None or line.sensor == sensor


@pytest.mark.parametrize("dtype", [np.bool_, np.uint8, np.uint16, np.int32, np.int64, np.float16, ">i2", ">f4"])
def test_every_sample_type_gives_the_same_edges(dtype: object) -> None:
    turns = tooth_angle(20_000, 20_000.0, 300.0)
    logic = hall_wheel(turns, 36, 1, 0.0, 1.0)
    wanted = extract(record({"x": logic}, 20_000.0), Setup()).lines[0].edges
    got = extract(record({"x": logic.astype(dtype)}, 20_000.0), Setup()).lines[0].edges  # type: ignore[call-overload]
    assert len(wanted) > 300
    np.testing.assert_array_equal(got.time_s, wanted.time_s)


def test_interleaved_channels() -> None:
    turns = tooth_angle(20_000, 20_000.0, 300.0)
    both = np.stack([hall_wheel(turns, 36, 1), hall_wheel(turns, 12, 1)], axis=1)
    lines = extract(record({"a": both[:, 0], "b": both[:, 1]}, 20_000.0), Setup()).lines
    alone = extract(record({"a": both[:, 0].copy(), "b": both[:, 1].copy()}, 20_000.0), Setup()).lines
    for one, other in zip(lines, alone, strict=True):
        np.testing.assert_array_equal(one.edges.time_s, other.edges.time_s)
