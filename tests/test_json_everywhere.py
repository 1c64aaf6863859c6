"""Every command of a case and of a scan says what it did as JSON. The command tree is walked: none is left out."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from tests.cases import story
from witnessmark import cli_scan
from witnessmark.cli import main
from witnessmark.scan import control_unit
from witnessmark.scan.ask import read_vehicle
from witnessmark.scan.control_unit import bakery_van
from witnessmark.scan.link import open_link
from witnessmark.scan.serving import Serving


def leaves(command: click.Command, path: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    """(its words, command) of every command below a group."""
    if isinstance(command, click.Group):
        for name, below in command.commands.items():
            yield from leaves(below, (*path, name))
    else:
        yield path, command


CASE = dict(leaves(main.commands["case"], ()))
SCAN = dict(leaves(main.commands["scan"], ()))

# What each command of a case is given, in this order: all work one case to its end.
JOB: tuple[tuple[tuple[str, ...], tuple[str, ...]], ...] = (
    (("new",), ("--complaint", "cranks long", "--vin", story.VIN)),
    (("list",), ()),
    (("part",), ("{case}", "Starter", "--earlier")),
    (("add", "snapshot"), ("{case}", "{job}/scan.json")),
    (("add", "recording"), ("{case}", "{job}/before.npz")),
    (("analyze",), ("{case}",)),
    (("test",), ("{case}", "look-at-the-tooth")),
    (("outcome",), ("{case}", "7", "1")),
    (("note",), ("{case}", "tooth 32 is gone")),
    (("correct",), ("{case}", "9", "--set", "text=tooth 23 is gone", "--why", "misread")),
    (("retract",), ("{case}", "9", "--why", "twice")),
    (("add", "photo"), ("{case}", "{job}/tooth.jpg", "--note", "tooth 23")),
    (("decide",), ("{case}", "fit a wheel", "--because", "8")),
    (("disable",), ("{case}", "fuse 12")),
    (("pool",), ("{case}",)),
    (("part",), ("{case}", "Wheel")),
    (("verify",), ("{case}", "{job}/after.npz")),
    (("restore",), ("{case}", "14")),
    (("close",), ("{case}", "starts at once", "--cause", "trigger-wheel-tooth")),
    (("reopen",), ("{case}", "--why", "back again")),
    (("show",), ("{case}",)),
    (("report",), ("{case}", "--shop", "{out}/shop.html")),
    (("export",), ("{case}", "{out}/case.zip")),
    (("import",), ("{out}/case.zip",)),
    (("priors",), ("--reset", "--why", "x", "--yes")),
)


@pytest.fixture(scope="module")
def job(tmp_path_factory) -> Path:
    return story.made(tmp_path_factory.mktemp("job"))


def option(command: click.Command) -> click.Option | None:
    return next((p for p in command.params if isinstance(p, click.Option) and "--json" in p.opts), None)


def test_every_command_has_the_option():
    assert len(CASE) >= 24
    assert set(SCAN) == {("read",), ("show",), ("clear",), ("simulate",)}
    assert [" ".join(path) for path, c in (CASE | SCAN).items() if option(c) is None] == []


def test_what_every_command_of_a_case_prints_is_json_and_nothing_else(job, tmp_path):
    place, case = tmp_path / "cases.db", ""
    for path, args in JOB:
        words = (a.format(case=case, job=job, out=tmp_path) for a in args)
        found = story.state(place, *path, *words)
        assert found["schema"].startswith("witnessmark.case-"), path
        case = case or found["case"]
    assert {path for path, _ in JOB} == set(CASE)


def test_what_every_command_of_a_scan_prints_is_json_and_nothing_else(tmp_path, monkeypatch):
    monkeypatch.setattr(cli_scan, "on_terminal", lambda: True)
    log, saved = tmp_path / "van.log", tmp_path / "before.json"
    schemas = {}
    for name, args, typed in (
        ("simulate", (log,), None),
        ("read", (log,), None),
        ("show", (log,), None),
        ("clear", ("--simulated", "--save", saved), "erase\n"),
    ):
        result = CliRunner().invoke(main, ["scan", name, *map(str, args), "--json", "-"], input=typed)
        assert result.exit_code == 0, result.output
        schemas[name,] = json.loads(result.stdout)["schema"]
    assert set(schemas) == set(SCAN)
    assert set(schemas.values()) == {
        "witnessmark.scan/1", "witnessmark.scan-findings/1", "witnessmark.scan-erased/1",
        "witnessmark.scan-simulated/1",
    }  # fmt: skip


# ---- what is new of them


def clear(*args, typed: str):
    return CliRunner().invoke(main, ["scan", "clear", "--simulated", *map(str, args)], input=typed)


@pytest.fixture
def van(monkeypatch):
    units = bakery_van("off")
    monkeypatch.setattr(control_unit, "bakery_van", lambda engine, wide=False: units)
    monkeypatch.setattr(cli_scan, "on_terminal", lambda: True)
    return units


def test_losses_are_listed_before_erasing_with_json_too(van, tmp_path):
    result = clear("--save", tmp_path / "b.json", "--json", "-", typed="erase\n")
    assert "Will go" in result.stderr
    assert result.stderr.index("Permanent codes") < result.stderr.index('Type "erase"')
    assert json.loads(result.stdout)["units"] == [
        {"address": "7E8", "erased": True, "why": None}, {"address": "7E9", "erased": True, "why": None},
    ]  # fmt: skip
    assert van[0].stored == []


def test_json_erases_nothing_without_the_word(van, tmp_path):
    result = clear("--save", tmp_path / "b.json", "--json", "-", typed="yes\n")
    assert (result.exit_code, result.stdout) == (2, "")
    assert van[0].stored == ["P0336"]


def test_a_unit_that_refuses_is_in_the_json_and_in_the_status(van, tmp_path, monkeypatch):
    answer = van[1].answer
    monkeypatch.setattr(van[1], "answer", lambda r: b"\x7f\x04\x22" if r[0] == 4 else answer(r))
    out = tmp_path / "erased.json"
    result = clear("--save", tmp_path / "b.json", "--json", out, typed="erase\n")
    assert result.exit_code == 2
    assert "7E9: NOT erased" in result.stdout
    assert [u["erased"] for u in json.loads(out.read_text())["units"]] == [True, False]


def test_json_that_cannot_be_written_is_refused_before_anything(van, tmp_path):
    saved = tmp_path / "b.json"
    for out in (saved, tmp_path / "no" / "x.json"):
        result = clear("--save", saved, "--json", out, typed="erase\n")
        assert result.exit_code == 2
        assert len(result.stderr.splitlines()) == 1
    assert not saved.exists()
    assert van[0].stored == ["P0336"]
    log = tmp_path / "van.log"
    result = CliRunner().invoke(main, ["scan", "simulate", str(log), "--json", str(log)])
    assert "named for two outputs" in result.stderr
    assert not log.exists()


def test_a_van_on_a_bus_says_how_much_it_answered(monkeypatch):
    running: list[Serving] = []
    run_on = Serving.run_until_stopped
    monkeypatch.setattr(Serving, "run_until_stopped", lambda self: (running.append(self), run_on(self))[1])
    bus = ["--interface", "virtual", "--channel", "counted"]
    done: list = []
    simulate = ["scan", "simulate", *bus, "--engine", "off", "--json", "-"]
    thread = threading.Thread(target=lambda: done.append(CliRunner().invoke(main, simulate)))
    thread.start()
    while not running:
        time.sleep(0.01)
    with open_link("virtual", "counted", 500_000, False) as link:
        read_vehicle(link, "off")
    running[0]._stop.set()
    thread.join(5.0)
    found = json.loads(done[0].stdout)
    assert (found["channel"], found["path"], found["simulated"]) == ("counted", None, True)
    assert found["answers"] == running[0].answers > 5
