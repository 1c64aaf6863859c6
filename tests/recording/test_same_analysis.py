"""The same recording in every format gives the same analysis, to the last digit of the JSON."""

from __future__ import annotations

import json

import h5py
import numpy as np
import pyarrow as pa
import pyarrow.parquet
import pytest
import scipy.io

from witnessmark.pipeline import analyze
from witnessmark.recording.open import open_recording
from witnessmark.report.analysis_json import analysis_json

from . import helpers
from .helpers import CHANGES, FORMATS

SETUP = """
[[channel]]
name = "1"
label = "crank sensor"
role = "crank"
sensor = "hall"
scale = {scale}

[[channel]]
name = "2"
label = "cam sensor"
role = "cam"
sensor = "hall"
"""


@pytest.fixture(scope="module")
def lines(cranking):
    """Crank and cam of 1.8 s of a simulated start as int16 counts at the rate of the helpers' formats."""
    recording = open_recording(cranking)
    crank, cam = recording.channels
    places = np.arange(0, 1.8 * crank.rate_hz, crank.rate_hz / helpers.RATE_HZ).astype(int)
    out = {}
    for name, channel in (("crank", crank), ("cam", cam)):
        values = recording.values(channel.name, 0, channel.samples)[places]
        out[name] = np.round(values / np.abs(values).max() * 16384).astype(np.int16)
    return out


def _analysis(path, folder, scale=1.0):
    setup = folder / "setup.toml"
    setup.write_text(SETUP.format(scale=scale) + (f"scale = {scale}\n"))
    made = json.loads(json.dumps(analysis_json(analyze(path, setup))))
    for told in ("path", "format"):  # what it says of the file itself
        made["recording"].pop(told, None)
    made.pop("setup")
    made["provenance"][0]["parameters"].pop("format")
    return made


@pytest.fixture(scope="module")
def reference(lines, tmp_path_factory):
    folder = tmp_path_factory.mktemp("reference")
    path = folder / "van.npz"
    FORMATS["npz"].write(path, lines)
    made = _analysis(path, folder)
    assert made["crank_wheel"]["turns_decoded"] > 2  # there is something to compare
    return made


@pytest.mark.parametrize("name", [n for n in FORMATS if n != "npz"])
def test_same_samples_same_analysis(name, lines, reference, tmp_path):
    fmt = FORMATS[name]
    path = tmp_path / f"van{fmt.suffix}"
    fmt.write(path, lines)
    made = _analysis(path, tmp_path, scale=1.0 / fmt.gain)
    if fmt.names:
        assert made == reference
        return
    for key in ("attempts", "timeline", "cylinders"):
        assert made[key] == reference[key]
    for key in ("teeth", "runout_deg", "name", "slots", "missing", "turns_decoded"):
        assert made["crank_wheel"][key] == reference["crank_wheel"][key]
    kinds = [(f["kind"], f["slot"], f["value"], f["confidence"]) for f in made["findings"]]
    assert kinds == [(f["kind"], f["slot"], f["value"], f["confidence"]) for f in reference["findings"]]
    assert [(c["id"], c["probability"]) for c in made["causes"]] == [
        (c["id"], c["probability"]) for c in reference["causes"]
    ]


def _change_list(path, lines):
    """The same changes as a table: a row wherever any line changes its sign."""
    levels = np.array([v > 0 for v in lines.values()]).astype(int)
    rows = np.flatnonzero(np.concatenate(([True], (np.diff(levels) != 0).any(axis=0))))
    cells = [f"{i / helpers.RATE_HZ:.6f}," + ",".join(map(str, levels[:, i])) for i in rows]
    path.write_text("\n".join([f"Time [s],{','.join(lines)}", *cells]) + "\n")


def test_same_changes_same_analysis(lines, tmp_path):
    _change_list(tmp_path / "van.csv", lines)
    table = _analysis(tmp_path / "van.csv", tmp_path)
    assert table["crank_wheel"]["turns_decoded"] > 2
    rows = np.genfromtxt(tmp_path / "van.csv", delimiter=",", skip_header=1)
    for name in ("h5 timed", "mat", "parquet"):
        path = tmp_path / f"van{FORMATS[name].suffix}"
        _timed(path, rows, list(lines))
        assert _analysis(path, tmp_path) == table, name
    CHANGES["vcd"].write(tmp_path / "van.vcd", lines)
    assert _analysis(tmp_path / "van.vcd", tmp_path) == table


def _timed(path, rows, names):
    columns = {"time": rows[:, 0]} | {n: rows[:, i].astype(np.uint8) for i, n in enumerate(names, start=1)}
    if path.suffix == ".mat":
        scipy.io.savemat(path, columns)
    elif path.suffix == ".h5":
        with h5py.File(path, "w", track_order=True) as file:
            for name, values in columns.items():
                file[name] = values
    else:
        pa.parquet.write_table(pa.table(columns), path)
