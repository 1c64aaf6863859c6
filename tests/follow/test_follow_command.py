"""``witnessmark follow`` from outside: its end is what ``analyze`` gives, and what happens on the way is kept."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import time
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from witnessmark.cli import BAD_INPUT, main
from witnessmark.recording.open import open_recording
from witnessmark.recording.write import write_recording


def run(*args, **more):
    return CliRunner().invoke(main, [str(a) for a in args], **more)


SETUP = """
[engine]
cylinders = 4

[crank_wheel]
slots = 60
missing = [59, 60]
""" + "".join(
    f'[[channel]]\nname = "{place}"\nrole = "{role}"\n'
    for place, role in enumerate(("crank", "cam", "battery", "temperature", "marker"), start=1)
)


@pytest.fixture(scope="module")
def start(cranking, tmp_path_factory):
    """Crank and cam of 1.4 s of cranking, with a battery that sags, a coolant that warms and a button pressed at 2 s.

    The crank and cam lines are simulated, the others drawn by hand.
    """
    recording = open_recording(cranking)
    rate = recording.channels[0].rate_hz
    first, stop = int(0.8 * rate), int(2.4 * rate)
    t = np.arange(first, stop) / rate - 0.8
    channels = {c.name: recording.values(c.name, first, stop).astype(np.float32) for c in recording.channels}
    channels["battery"] = (12.4 - 2.0 * (t > 0.2) - 2.5 * (t > 1.1)).astype(np.float32)
    channels["coolant"] = (60.0 + 10.0 * t).astype(np.float32)
    channels["button"] = (5.0 * (np.abs(t - 1.25) < 0.05)).astype(np.float32)
    folder = tmp_path_factory.mktemp("start")
    units = {"battery": "V", "coolant": "degC", "button": "V"}
    for suffix in ("csv", "raw"):
        write_recording(folder / f"van.{suffix}", channels, rate, units=units)
    write_recording(folder / "van.wav", {n: v / 100 for n, v in channels.items()}, rate)
    (folder / "setup.toml").write_text(SETUP)
    return folder


@pytest.mark.parametrize("suffix", ["csv", *(pytest.param(s, marks=pytest.mark.slow) for s in ("wav", "raw"))])
def test_the_end_is_what_analyze_gives(start, tmp_path, suffix):
    source, setup = start / f"van.{suffix}", ("--setup", start / "setup.toml")
    offline = run("analyze", source, "--json", tmp_path / "a.json", *setup)
    assert offline.exit_code == 0, offline.output
    followed = run("follow", source, "--idle", "0.5", "--json", tmp_path / "b.json", *setup)
    assert followed.exit_code == 0, followed.output
    assert (tmp_path / "b.json").read_bytes() == (tmp_path / "a.json").read_bytes()
    assert f"Written   {tmp_path / 'a.json'}\n" in offline.stdout
    assert followed.stdout.endswith(offline.stdout.replace("a.json", "b.json"))


def test_a_pipe_ends_as_the_same_samples_in_a_file_and_events_are_kept(start, tmp_path):
    data = (start / "van.raw").read_bytes()
    setup = ("--setup", start / "setup.toml")
    spool, keep = tmp_path / "spool.raw", tmp_path / "kept"
    piped = run("follow", "-", "--spool", spool, "--json", "-", *setup, input=data)
    assert piped.exit_code == 0, piped.output
    assert spool.read_bytes() == data
    assert piped.stdout == run("analyze", spool, "--json", "-", *setup).stdout
    ring = run("follow", "-", "--keep-last", "1", "--keep-in", keep, "--keep-on", "no-start", *setup, input=data)
    assert ring.exit_code == 0, ring.output
    (kept,) = keep.glob("*.raw")
    assert kept.name == "event-000001.200s-marker.raw"
    assert kept.read_bytes().split(b"\n", 1)[1] == data.split(b"\n", 1)[1]
    (event,) = json.loads(kept.with_suffix(".event.json").read_text())["events"]
    assert event["at_s"] == pytest.approx(1.2, abs=0.001)
    told = {c["what"]: c for c in event["circumstances"]}
    assert told["coolant"]["at_event"] == pytest.approx(71.5, abs=1.0)
    assert told["coolant"]["before"]["low"] == pytest.approx(60.35, abs=0.5)
    assert told["battery"]["at_event"] == pytest.approx(7.9, abs=0.01)
    assert told["battery"]["before"]["high"] == pytest.approx(12.4, abs=0.01)
    assert told["battery"]["moved"]
    assert not told["coolant"]["moved"]
    assert 150 < told["engine speed"]["at_event"] < 350
    words = " ".join(ring.stdout.split())
    assert "moved: battery" in words
    assert "coolant 71" in words
    assert "event at 1.20 s, noticed at " in words
    assert max(map(len, ring.stdout.replace(str(keep), "kept").splitlines())) <= 100


def test_a_folder_gives_each_its_own_results(start, tmp_path):
    folder, out = tmp_path / "in", tmp_path / "out"
    folder.mkdir()
    out.mkdir()
    (folder / "van.csv").write_bytes((start / "van.csv").read_bytes())
    options = ("--setup", start / "setup.toml", "--there-too", "--idle", "1", "--json", out)
    result = run("follow", folder, *options)
    assert result.exit_code == 0, result.output
    assert [p.name for p in out.iterdir()] == ["van.csv.analysis.json"]
    assert json.loads((out / "van.csv.analysis.json").read_text())["schema"] == "witnessmark.analysis/1"
    assert str(folder / "van.csv") in result.stdout


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (["none.csv"], ("none.csv", "no such file")),
        (["van.npz"], ("van.npz", "watch its folder")),
        (["van.csv", "--spool", "a.raw"], ("a.raw", "goes with -")),
        (["-", "--spool", "a.wav"], ("a.wav", "ends in .raw")),
        (["-", "--spool", "a.raw", "--keep-last", "1"], ("a.raw", "without --keep-last")),
        (["-", "--spool", "old.raw"], ("old.raw", "is there already")),
        (["-", "--report", "-"], ("-", "report.html")),
        (["van.csv", "--json", "van.csv"], ("van.csv", "overwrite")),
        (["van.csv", "--keep-last", "1", "--keep-in", "van.npz"], ("van.npz: is a file", "takes a folder")),
        (["van.csv", "--keep-last", "1", "--keep-on", "noise"], ("noise", "signal-lost")),
        ([".", "--json", "a.json"], ("a.json", "is no folder")),
        ([".", "--keep-last", "1"], ("whole files",)),
        (["van.csv", "--setup", "none.toml"], ("none.toml",)),
        (["-"], ("-: ", "gave nothing")),
        (["empty.csv", "--idle", "0.5"], ("empty.csv", "empty")),
    ],
)
def test_what_cannot_be_followed_is_one_line(tmp_path, monkeypatch, args, words):
    monkeypatch.chdir(tmp_path)
    Path("van.csv").write_text("time,crank\n0,1\n")
    Path("van.npz").write_bytes(b"PK")
    Path("empty.csv").write_bytes(b"")
    Path("old.raw").write_bytes(b"of yesterday")
    before = sorted(tmp_path.iterdir())
    result = run("follow", *args, input=b"")
    assert result.exit_code == BAD_INPUT, result.output
    assert result.stdout == ""
    *cautions, line = result.stderr.splitlines()
    assert all(said.startswith("Caution: ") for said in cautions)
    for word in words:
        assert word in line
    assert sorted(tmp_path.iterdir()) == before
    assert Path("old.raw").read_bytes() == b"of yesterday"


def waited(true, seconds=40.0):
    until = time.monotonic() + seconds
    while not true() and time.monotonic() < until:
        time.sleep(0.02)
    assert true()


def test_killed_or_ended_what_was_kept_is_whole(start, tmp_path, program):
    """kill -9 leaves a spool that is a recording as far as it came and nothing half-written; SIGTERM ends in order."""
    data = (start / "van.raw").read_bytes()
    part = data[: len(data) // 2 + 1]
    environment = {**os.environ, "TMPDIR": str(tmp_path / "tmp")}
    (tmp_path / "tmp").mkdir()
    options = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "env": environment}
    more = ("--json", tmp_path / "a.json", "--setup", start / "setup.toml")
    for number in (signal.SIGKILL, signal.SIGTERM):
        spool = tmp_path / f"spool-{number.name}.raw"
        with subprocess.Popen([program, "follow", "-", "--spool", spool, *more], **options) as sub:
            sub.stdin.write(part)
            sub.stdin.flush()
            waited(lambda spool=spool: spool.exists() and spool.stat().st_size == len(part))
            sub.send_signal(number)
            sub.stdin.close()
            out = sub.stdout.read()
        assert spool.read_bytes() == part
        assert open_recording(spool).info("battery").samples == (len(part) - part.index(b"\n") - 1) // 20
        assert (tmp_path / "a.json").exists() == (number == signal.SIGTERM)
        assert sub.returncode == (0 if number == signal.SIGTERM else -9)
        assert (b"Verdict" in out) == (number == signal.SIGTERM)
    left = {p.name for p in tmp_path.rglob("*") if p.is_file()}
    assert left == {"spool-SIGKILL.raw", "spool-SIGTERM.raw", "a.json"}
