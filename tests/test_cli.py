"""The command line from outside: exit status, one line of complaint, nothing written that was not asked for."""

from __future__ import annotations

import json
import os
import shutil
import stat
import subprocess
import sys
import warnings
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from click.testing import CliRunner

from witnessmark import __version__, console
from witnessmark.cli import BAD_INPUT, BUG, main
from witnessmark.errors import WitnessmarkError
from witnessmark.recording.write import write_recording

SCHEMA = json.loads((Path(__file__).parents[1] / "docs" / "analysis.schema.json").read_text(encoding="utf-8"))


def run(*args):
    return CliRunner().invoke(main, [str(a) for a in args])


def refused(result, *names) -> str:
    """The one line of a refusal, with these words in it."""
    assert result.exit_code == BAD_INPUT, result.output
    assert result.stdout == ""
    lines = result.stderr.splitlines()
    assert len(lines) == 1
    assert "Traceback" not in lines[0]
    assert lines[0].startswith("witnessmark: ")
    for name in names:
        assert str(name) in lines[0]
    return lines[0]


def csv(rows, header="time_s,crank,cam"):
    return header + "\n" + "\n".join(rows) + "\n"


def numbers(n=200):
    return [f"{i / 1000:.4f},{i % 7},{i % 11}" for i in range(n)]


BAD = {
    "empty.csv": b"",
    "truncated.npz": b"PK\x03\x04\x14\x00\x00\x00\x00\x00",
    "text-in-numbers.csv": csv([f"{i / 1000},open,short" for i in range(60)]),
    "backwards.csv": csv([*numbers(100), *numbers(100)]),
    "one-sample.csv": csv(numbers(1)),
    "all-gaps.csv": csv([f"{i / 1000:.4f},,nan" for i in range(60)]),
    "garbage.parquet": bytes(np.random.default_rng(1).integers(0, 256, 4000, dtype=np.uint8)),
    "garbage.wav": bytes(np.random.default_rng(2).integers(0, 256, 4000, dtype=np.uint8)),
    "garbage.csv": bytes(np.random.default_rng(3).integers(0, 256, 4000, dtype=np.uint8)),
    "huge-header.csv": csv(numbers(), header="time_s," + "c" * 2_000_000 + ",cam"),
    "no-numbers.csv": csv(["monday,dough,bread", "tuesday,dough,rolls"], header="day,in,out"),
    "unknown.suffix": csv(numbers()),
    "none": csv(numbers()),
}


@pytest.mark.parametrize("name", list(BAD))
def test_bad_recordings_are_refused_in_one_line(tmp_path, name):
    data = BAD[name]
    path = tmp_path / name
    path.write_bytes(data if isinstance(data, bytes) else data.encode())
    before = sorted(tmp_path.iterdir())
    result = run("analyze", path, "--json", tmp_path / "out.json", "--report", tmp_path / "out.html")
    assert ";" in refused(result, path)  # what is wrong; what to do
    assert sorted(tmp_path.iterdir()) == before


def test_a_folder_and_a_missing_file(tmp_path):
    (tmp_path / "folder.csv").mkdir()
    refused(run("analyze", tmp_path / "folder.csv"), tmp_path / "folder.csv", "folder")
    refused(run("analyze", tmp_path / "gone.csv"), tmp_path / "gone.csv", "no such file")
    refused(run("analyze", tmp_path / "two\nlines.csv"), "no such file")


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="root may read everything")
def test_no_permission(tmp_path):
    path = tmp_path / "locked.csv"
    path.write_text(csv(numbers()))
    path.chmod(0)
    refused(run("analyze", path), path, "permission")


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("[engine]\ncylindres = 4\n", "cylindres"),
        ("[engine]\ncylinders = 'four'\n", "cylinders"),
        ("[crank_wheel]\nslots = 60\nmissing = [61]\n", "missing"),
        ("[engine\n", "TOML"),
    ],
)
def test_bad_setups_name_the_key(bakery, tmp_path, text, key):
    setup = tmp_path / "setup.toml"
    setup.write_text(text)
    refused(run("analyze", bakery.recording, "--setup", setup, "--json", tmp_path / "o.json"), setup, key)
    assert sorted(tmp_path.iterdir()) == [setup]


def test_a_setup_for_another_recording(bakery, tmp_path):
    setup = tmp_path / "setup.toml"
    setup.write_text('[[channel]]\nname = "column 9"\nrole = "crank"\n')
    refused(run("analyze", bakery.recording, "--setup", setup), "column 9")


def test_a_missing_setup(bakery, tmp_path):
    refused(run("analyze", bakery.recording, "--setup", tmp_path / "gone.toml"), "gone.toml")


# ---- places to write


def test_places_that_cannot_be_written_are_refused_before_any_work(tmp_path):
    gone = tmp_path / "gone.csv"  # the place is looked at before the recording is
    for option in ("--json", "--report"):
        refused(run("analyze", gone, option, tmp_path / "no" / "out"), tmp_path / "no", "folder")
        refused(run("analyze", gone, option, tmp_path), tmp_path, "folder")
        refused(run("analyze", gone, option, gone), "overwrite")
    same = tmp_path / "out"
    refused(run("analyze", gone, "--json", same, "--report", tmp_path / "." / "out"), "two outputs")
    refused(run("analyze", gone, "--report", "-"), "report")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_a_full_disk_leaves_nothing_behind(cranking, tmp_path):
    report = tmp_path / "report.html"
    refused(run("analyze", cranking, "--json", "/dev/full", "--report", report), "/dev/full")
    assert list(tmp_path.iterdir()) == []


def test_a_device_is_written_to_and_not_replaced(cranking):
    before = os.stat(os.devnull).st_mode
    assert run("analyze", cranking, "--json", os.devnull).exit_code == 0
    assert os.stat(os.devnull).st_mode == before


def test_a_link_keeps_pointing_to_its_file(cranking, tmp_path):
    goal, link = tmp_path / "goal.json", tmp_path / "link.json"
    goal.write_text("old")
    link.symlink_to(goal)
    assert run("analyze", cranking, "--json", link).exit_code == 0
    assert link.is_symlink()
    assert json.loads(goal.read_text())["schema"] == "witnessmark.analysis/1"


# ---- what is written


def test_summary_json_and_report(bakery, tmp_path):
    result = run(
        "analyze", bakery.recording, "--setup", bakery.setup,
        "--json", tmp_path / "a.json", "--report", tmp_path / "a.html",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    assert result.stderr == ""
    assert result.stdout.startswith("Verdict")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.html", "a.json"]
    analysis = json.loads((tmp_path / "a.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(SCHEMA).validate(analysis)
    assert analysis["recording"]["path"].endswith("bakery-van.npz")
    assert analysis["setup"]["path"] == str(bakery.setup)
    assert (tmp_path / "a.html").read_text(encoding="utf-8").startswith("<!")


def test_json_to_standard_output_is_json_and_nothing_else(program, cranking, tmp_path):
    command = [program, "analyze", str(cranking), "--json", "-"]
    done = subprocess.run(command, capture_output=True, cwd=tmp_path, check=False)
    assert done.returncode == 0
    assert done.stderr == b""
    assert done.stdout.endswith(b"}\n")
    printed = json.loads(done.stdout)
    jsonschema.Draft202012Validator(SCHEMA).validate(printed)
    assert list(tmp_path.iterdir()) == []
    assert run("analyze", cranking, "--json", tmp_path / "a.json").exit_code == 0
    assert json.loads((tmp_path / "a.json").read_text(encoding="utf-8")) == printed


def test_garbage_from_a_shell(program, tmp_path):
    path = tmp_path / "garbage.npz"
    path.write_bytes(b"\x00\xff" * 300)
    done = subprocess.run([program, "analyze", str(path)], capture_output=True, text=True, cwd=tmp_path, check=False)
    assert done.returncode == BAD_INPUT
    assert done.stdout == ""
    assert done.stderr.count("\n") == 1
    assert str(path) in done.stderr


def test_a_reader_that_goes_away_is_no_error(program, cranking):
    command = [program, "analyze", str(cranking), "--json", "-"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdout is not None
        process.stdout.read(1)
        process.stdout.close()
        assert process.stderr is not None
        assert process.stderr.read() == b""
        assert process.wait() == 0


def test_a_terminal_without_these_letters_still_gets_the_summary(program, cranking):
    env = {**os.environ, "PYTHONIOENCODING": "ascii"}
    done = subprocess.run([program, "analyze", str(cranking)], capture_output=True, env=env, check=False)
    assert done.returncode == 0
    assert done.stdout.decode("ascii").startswith("Verdict")


# ---- records in which nothing can be told


@pytest.mark.parametrize("level", [0.0, 2.5])
def test_where_nothing_moves_nothing_can_be_told(tmp_path, level):
    path = tmp_path / "still.csv"
    path.write_text(csv([f"{i / 1000:.4f},{level},{level}" for i in range(2000)]))
    result = run("analyze", path, "--json", tmp_path / "a.json")
    assert result.exit_code == 0, result.output
    assert "so nothing can be told from it." in " ".join(result.stdout.split("Evidence")[0].split())
    assert "nothing wrong" not in result.stdout.split("Next test")[0]
    analysis = json.loads((tmp_path / "a.json").read_text())
    jsonschema.Draft202012Validator(SCHEMA).validate(analysis)
    assert analysis["findings"] == []
    assert analysis["attempts"] == []
    assert analysis["not_assessed"]
    assert "nothing can be told" in analysis["causes"][0]["statement"]


# ---- simulate


def test_simulate(tmp_path):
    scenario = tmp_path / "van.toml"
    scenario.write_text('title = "Bakery van"\nduration_s = 1.5\n[[channel]]\nrole = "crank"\n')
    result = run("simulate", scenario, tmp_path / "van.csv")
    assert result.exit_code == 0, result.output
    assert sorted(p.name for p in tmp_path.iterdir()) == ["van.csv", "van.setup.toml", "van.toml", "van.truth.json"]
    assert json.loads((tmp_path / "van.truth.json").read_text())["origin"] == "simulated"
    assert run("analyze", tmp_path / "van.csv", "--setup", tmp_path / "van.setup.toml").exit_code == 0


@pytest.mark.parametrize(
    ("text", "out", "word"),
    [
        ("duration = 1\n", "van.csv", "duration"),
        ("[[fault]\n", "van.csv", "TOML"),
        ("duration_s = 1.0\n", "van.suffix", "suffix"),
        ("duration_s = 1.0\n", "no/van.csv", "folder"),
    ],
)
def test_simulate_refuses_in_one_line(tmp_path, text, out, word):
    scenario = tmp_path / "van.scenario"
    scenario.write_text(text)
    refused(run("simulate", scenario, tmp_path / out), word)
    assert list(tmp_path.iterdir()) == [scenario]


def test_simulate_never_overwrites_its_scenario(tmp_path):
    scenario = tmp_path / "van.setup.toml"
    scenario.write_text("duration_s = 1.0\n")
    refused(run("simulate", scenario, tmp_path / "van.csv"), "overwrite")
    assert scenario.read_text() == "duration_s = 1.0\n"


# ---- the command itself


def test_version_help_and_wrong_options():
    assert __version__ in run("--version").stdout
    assert "analyze" in run("--help").stdout
    assert "--report" in run("analyze", "--help").stdout
    assert "--report" in run("analyze", "-h").stdout
    refused(run("analyze"), "RECORDING", "--help")
    refused(run("analyze", "a.csv", "--jason", "x"), "--jason")
    refused(run("analyse", "a.csv"), "analyse")


def test_help_imports_nothing_heavy():
    code = (
        "import sys; from click.testing import CliRunner; from witnessmark.cli import main;"
        "CliRunner().invoke(main, ['--help']);"
        "print([m for m in ('numpy', 'numba', 'scipy', 'pyarrow', 'matplotlib', 'pydantic') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_an_analysis_without_a_report_does_not_load_its_drawing(cranking):
    code = (
        "import sys; from click.testing import CliRunner; from witnessmark.cli import main;"
        f"r = CliRunner().invoke(main, ['analyze', {str(cranking)!r}]); assert r.exit_code == 0, r.output;"
        "print([m for m in ('matplotlib', 'jinja2', 'pyarrow', 'scipy.stats', 'soundfile') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_fault_of_the_program_is_one_line_too(cranking, monkeypatch, tmp_path):
    def broken(*_, **__):
        raise ZeroDivisionError("first\nsecond")

    monkeypatch.setattr("witnessmark.pipeline.analyze", broken)
    result = run("analyze", cranking, "--json", tmp_path / "a.json")
    assert result.exit_code == BUG
    assert result.stdout == ""
    assert result.stderr.count("\n") == 1
    assert "internal error" in result.stderr
    assert "report" in result.stderr
    assert list(tmp_path.iterdir()) == []
    monkeypatch.setenv("WITNESSMARK_DEBUG", "1")
    assert isinstance(run("analyze", cranking).exception, ZeroDivisionError)


def test_compiled_code_has_a_place_where_nothing_can_be_written(monkeypatch):
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    monkeypatch.setattr("witnessmark.console.writable", lambda folder: False)
    removed = []
    monkeypatch.setattr("atexit.register", lambda *args, **_: removed.append(args[1]))
    console.place_for_compiled_code()
    try:
        assert removed == [os.environ["NUMBA_CACHE_DIR"]]
        assert stat.S_IMODE(os.stat(removed[0]).st_mode) == 0o700  # nobody else can plant code in it
    finally:
        shutil.rmtree(removed[0])
        monkeypatch.undo()
        os.environ.pop("NUMBA_CACHE_DIR", None)


def test_compiled_code_stays_where_numba_puts_it_by_itself(monkeypatch, tmp_path):
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "not" / "made" / "yet"))
    console.place_for_compiled_code()
    assert "NUMBA_CACHE_DIR" not in os.environ


def test_warnings_of_libraries_are_not_shown(cranking, monkeypatch):
    def noisy(*_, **__):
        np.log(np.zeros(1))
        raise WitnessmarkError("van.csv: wrong; mend it")

    monkeypatch.setattr("witnessmark.pipeline.analyze", noisy)
    with warnings.catch_warnings(record=True) as shown:
        warnings.simplefilter("always")
        refused(run("analyze", cranking))
    assert shown == []


def test_a_wav_is_analysed_with_and_without_a_setup(bakery_analysis, tmp_path):
    """A format that keeps neither names nor scales."""
    recording = bakery_analysis.recording
    lines = {c.name: recording.read(c.name, 0, c.samples // 3) for c in recording.channels[:2]}
    path = tmp_path / "van.wav"
    write_recording(path, lines, recording.channels[0].rate_hz)
    assert run("analyze", path).exit_code == 0
    setup = tmp_path / "setup.toml"
    setup.write_text('[[channel]]\nname = "1"\nrole = "crank"\nsensor = "vr"\nlabel = "crank"\n')
    assert "60-2" in run("analyze", path, "--setup", setup).stdout
