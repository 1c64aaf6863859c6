"""What moved and what was warm, on lines drawn by hand."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from witnessmark.follow.circumstances import readings, stretch_of, summary
from witnessmark.recording.assemble import Draft, from_rate
from witnessmark.recording.columns import array_column

RATE_HZ = 1000.0


def made(levels, edges, rpm=None, seconds=80):
    """levels: role -> function of time; edges: role -> times. rpm: function of time, None where no wheel is decoded."""
    t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    columns = [array_column(r, i + 1, f(t), "V") for i, (r, f) in enumerate(levels.items())]
    columns += [array_column(r, i + 9, np.zeros(len(t))) for i, r in enumerate(edges)]
    recording = from_rate(Draft("van.raw", "raw samples", tuple(columns)), RATE_HZ)
    lines = tuple(
        SimpleNamespace(
            role=c.name, label=c.name, info=c, name=c.name, levels=SimpleNamespace(noise=0.01),
            edges=Times(edges.get(c.name, [])),
        )
        for c in recording.channels
    )  # fmt: skip
    wheel = SimpleNamespace(layout=None if rpm is None else "60-2", angle=SimpleNamespace(rpm=rpm))
    return SimpleNamespace(recording=recording, signals=SimpleNamespace(lines=lines), wheel=wheel)


class Times:
    def __init__(self, time_s):
        self.time_s = np.asarray(time_s, dtype=float)

    def __len__(self):
        return len(self.time_s)


def dip(t):
    return np.where((t > 69.95) & (t < 70.45), 7.5, 12.5)


def told(analysis, at_s=70.0, end_s=70.4):
    return {r.what: r for r in readings(analysis, stretch_of(at_s, end_s))}


def test_levels_at_the_event_and_in_the_minute_before():
    found = told(made({"battery": dip, "temperature": lambda t: 20.0 + t}, {}))
    assert found["battery"].at_event == pytest.approx(7.5)
    assert found["battery"].moved
    warm = found["temperature"]
    assert warm.at_event == pytest.approx(90.2, abs=0.1)
    assert (warm.low_before, warm.high_before) == (pytest.approx(33, abs=0.1), pytest.approx(87, abs=0.1))
    assert not warm.moved
    assert found["engine speed"].at_event is None
    assert summary(tuple(found.values())).startswith("battery 7.5 V (before: 12.5 to 12.5); temperature 90.2 V")


def test_edges_are_held_against_the_turns_and_against_times_of_turning():
    turning = np.arange(40.0, 80.0, 0.01)  # stands still until 40 s
    silent = turning[(turning < 70.0) | (turning > 70.4)]

    def rpm(t):
        return np.where(t >= 40.0, 600.0, np.nan)

    found = told(made({}, {"crank": silent, "cam": turning}, rpm))
    assert (found["crank"].unit, found["crank"].at_event) == ("edges/turn", pytest.approx(0.0))
    assert found["crank"].low_before == pytest.approx(10.0, rel=0.2)
    assert found["crank"].moved
    assert found["cam"].at_event == pytest.approx(10.0, rel=0.05)
    assert not found["cam"].moved
    unknown = told(made({}, {"crank": silent, "cam": turning}))
    assert unknown["crank"].unit == "edges/s"
    assert unknown["crank"].moved
    assert not unknown["cam"].moved


def test_a_faster_engine_moves_no_line():
    edges = np.concatenate([np.arange(10.0, 69.0, 0.01), np.arange(69.0, 80.0, 0.002)])

    def rpm(t):
        return np.where(t >= 69.0, 3000.0, 600.0)

    found = told(made({}, {"crank": edges}, rpm))
    assert not found["crank"].moved
    assert found["engine speed"].moved


def test_an_event_at_the_very_beginning_has_no_before():
    found = told(made({"battery": dip}, {"crank": np.arange(0, 80, 0.01)}, lambda t: t * 0 + 600.0), 0.0, None)
    assert found["battery"].at_event == pytest.approx(12.5)
    assert found["battery"].low_before is None
    assert "before: not known" in found["battery"].text
