"""The stages together on records that hold little or nothing: no exception, no accusation, the answer says why."""

from __future__ import annotations

import jsonschema
import numpy as np
import pytest

from witnessmark.pipeline import analyze, analyze_recording, in_motion
from witnessmark.recording.open import open_recording
from witnessmark.recording.write import write_recording
from witnessmark.report.analysis_json import analysis_json
from witnessmark.report.html import report_html
from witnessmark.report.schema import analysis_schema
from witnessmark.report.terminal import summary

RATE_HZ = 10_000.0
N = 20_000
T = np.arange(N) / RATE_HZ
RNG = np.random.default_rng(3)


def square(hz, duty=0.5):
    return 5.0 * ((T * hz) % 1 < duty)


POOR = {
    "noise without a name": {"a": RNG.normal(size=N)},
    "noise on the crank line": {"crank": RNG.normal(0, 0.01, N)},
    "key-on": {"crank": 5.0 * (T > 0.3)},
    "key-on and key-off": {"crank": 5.0 * ((T > 0.3) & (T < 1.6)), "cam": 5.0 * ((T > 0.3) & (T < 1.6))},
    "two samples": {"a": np.array([0.0, 1.0])},
    "ten samples": {"a": np.arange(10.0)},
    "a marker alone": {"crank": np.zeros(N), "marker": square(0.7)},
    "a coil alone": {"coil 1": square(3, 0.02)},
    "a battery alone": {"battery": 12.0 + np.sin(2 * np.pi * 5 * T)},
}


@pytest.mark.parametrize("name", list(POOR))
def test_nothing_is_accused_where_nothing_can_be_judged(tmp_path, name):
    path = tmp_path / "poor.npz"
    write_recording(path, POOR[name], RATE_HZ)
    analysis = analyze(path)
    assert analysis.wheel.layout is None
    assert [f for f in analysis.findings.found if f.stated] == []
    assert analysis.verdict.causes[0].id == "none-found"
    assert analysis.verdict.causes[0].probability < 0.5  # nothing was judged: no claim of health
    assert "most probable" not in summary(analysis)
    assert analysis.whereabouts == ()
    assert not analysis.in_motion or name == "a battery alone"  # a ripple at 5 Hz may be cranking
    jsonschema.Draft202012Validator(analysis_schema()).validate(analysis_json(analysis))
    assert summary(analysis).startswith("Verdict")
    assert report_html(analysis).startswith("<!")


def test_a_dead_crank_line_beside_a_turning_cam_is_a_finding(tmp_path):
    path = tmp_path / "dead.npz"
    write_recording(path, {"crank": np.zeros(N), "cam": square(4)}, RATE_HZ)
    analysis = analyze(path)
    assert analysis.in_motion
    assert [f.kind for f in analysis.findings.found if f.stated] == ["signal-lost"]
    assert analysis.verdict.causes[0].id in ("crank-sensor", "crank-circuit")


def test_an_open_recording_gives_what_its_file_gives(cranking):
    by_file = analysis_json(analyze(cranking))
    in_memory = analyze_recording(open_recording(cranking))
    assert analysis_json(in_memory) == by_file
    assert in_motion(in_memory.signals, in_memory.wheel, in_memory.engine) is True


def test_every_number_is_the_same_in_a_second_run(cranking):
    assert analysis_json(analyze(cranking)) == analysis_json(analyze(cranking))
