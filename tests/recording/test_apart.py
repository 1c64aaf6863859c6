"""Channels at several rates that do not begin together: no line is accused of what was not recorded."""

from __future__ import annotations

import h5py
import numpy as np
import pytest

from witnessmark.pipeline import analyze
from witnessmark.recording.assemble import Draft, from_rate, from_time
from witnessmark.recording.columns import array_column
from witnessmark.recording.join import joined
from witnessmark.recording.open import open_recording


@pytest.fixture(scope="module")
def late(bakery, tmp_path_factory):
    """Writes the bakery's van with some channels begun late, and all at rates of their own."""
    whole = open_recording(bakery.recording)
    written = {}

    def write(starts: dict[str, float]):
        if str(starts) not in written:
            written[str(starts)] = new(starts)
        return written[str(starts)]

    def new(starts: dict[str, float]):
        path = tmp_path_factory.mktemp("late") / "van.h5"
        with h5py.File(path, "w", track_order=True) as file:
            for k, c in enumerate(whole.channels):
                first = int(starts.get(c.name, 0.0) * c.rate_hz)
                step = (1, 2, 5, 5)[k % 4]
                file[c.name] = whole.values(c.name, 0, c.samples)[first::step]
                file[c.name].attrs.update({"rate_hz": c.rate_hz / step, "start_s": first / c.rate_hz, "unit": c.unit})
        return path

    return write


def _told(analysis):
    return {f.kind for f in analysis.findings.found if f.stated}


def test_several_rates_change_no_verdict(late, bakery_without_setup):
    made = analyze(late({}))
    assert len({c.rate_hz for c in made.recording.channels}) == 3
    assert made.recording.cautions == ()
    assert _told(made) == _told(bakery_without_setup)
    assert made.verdict.causes[0].id == bakery_without_setup.verdict.causes[0].id


@pytest.mark.parametrize(
    ("starts", "kind", "about"),
    [
        ({"crank sensor": 9.0}, "signal-lost", "crank sensor"),
        ({"cam sensor": 9.0}, "cam-signal-lost", "cam sensor"),
        ({"coil 1": 9.0}, "spark-absent", "coil 1"),
        ({"injector 1": 9.0}, "fuel-absent", "injector 1"),
    ],
)
def test_a_line_that_was_not_recorded_is_not_silent(late, bakery_without_setup, analyse_once, starts, kind, about):
    made = analyse_once(late(starts))
    assert not [f for f in made.findings.found if f.kind == kind and f.channel == about]
    assert any("do not begin together" in c and about in c for c in made.recording.cautions)
    assert made.verdict.causes[0].id == bakery_without_setup.verdict.causes[0].id


def test_an_output_that_was_not_recorded_is_not_assessed(late, analyse_once):
    made = analyse_once(late({"coil 1": 9.0}))
    assert any("coil 1 was not recorded throughout 2 of 3" in n.reason for n in made.findings.not_assessed)
    assert [a.sparks for a in made.engine.attempts[:2]] == [None, None]


def test_a_line_that_is_silent_all_along_still_is(late, bakery_without_setup):
    """The two first attempts of the van are without spark, and the coil's line was there all the time."""
    assert "spark-absent" in _told(bakery_without_setup)


def test_seconds_not_recorded():
    values = np.arange(1000.0)
    values[200:300] = np.nan
    crank = from_rate(Draft("van", "test", (array_column("crank", 1, values),)), 1000.0, 0.5)
    cam = from_time(
        Draft("van", "test", (array_column("cam", 1, np.array([0, 1, 0, 1], np.uint8)),)),
        np.array([0.0, 0.7, 1.1, 2.0]),
    )
    both = joined([crank, cam])
    assert [c.name for c in both.channels] == ["crank", "cam"]
    assert (both.recorded("crank"), both.recorded("cam")) == ((0.5, 1.5), (0.0, 2.0))
    assert both.unrecorded_s("crank", 0.0, 2.0) == pytest.approx(1.1)
    assert both.unrecorded_s("crank", 0.6, 0.65) == 0.0
    assert both.unrecorded_s("crank", 0.0, 0.4) == pytest.approx(0.4)
    assert both.unrecorded_s("crank", 1.6, 1.8) == pytest.approx(0.2)
    assert both.unrecorded_s("crank", 0.75, 0.85) == pytest.approx(0.05)
    assert both.unrecorded_s("cam", 0.0, 2.0) == 0.0
