"""``witnessmark scan`` from outside: what it prints and writes, one line of complaint, no erasing without the word."""

from __future__ import annotations

import json
import stat
import threading
import time
from pathlib import Path

import can
import jsonschema
import pytest
from click.testing import CliRunner

from tests.test_cli import refused
from witnessmark import cli_scan
from witnessmark.cli import main
from witnessmark.scan import control_unit
from witnessmark.scan.ask import read_vehicle
from witnessmark.scan.control_unit import bakery_van
from witnessmark.scan.docs import tables_page
from witnessmark.scan.link import open_link
from witnessmark.scan.serving import Serving
from witnessmark.scan.snapshot_json import schema

DOCS = Path(__file__).parents[2] / "docs"


def run(*args, typed: str | None = None):
    return CliRunner().invoke(main, ["scan", *map(str, args)], input=typed)


@pytest.fixture(scope="module")
def log(tmp_path_factory) -> Path:
    """A log of the simulated van, as the command writes it."""
    path = tmp_path_factory.mktemp("scan") / "van.log"
    result = run("simulate", path, "--engine", "cranking")
    assert result.exit_code == 0, result.output
    assert "simulated" in result.stdout
    assert [p.name for p in path.parent.iterdir()] == ["van.log"]
    return path


def test_a_log_is_read_shown_and_kept(log: Path, tmp_path: Path) -> None:
    out = tmp_path / "van.json"
    result = run("read", log, "--engine", "cranking", "--json", out, "--full")
    assert result.exit_code == 0, result.output
    for words in ("P0336 stored, pending and permanent", "froze engine speed 235 rpm", "2 warm-ups, 7 km",
                  "4 of 8 self-tests", "000****", "engine speed 204 rpm", "Never defeat an immobiliser"):  # fmt: skip
        assert words in " ".join(result.stdout.split()), words
    assert all(len(line) <= 100 for line in result.stdout.splitlines())
    result.stdout.encode("latin-1")
    data = json.loads(out.read_text())
    jsonschema.validate(data, schema())
    assert data["units"][0]["vin"].endswith("**************")
    shown = run("show", out, "--full")
    assert shown.exit_code == 0
    assert shown.stdout.splitlines()[2:] == result.stdout.splitlines()[2:]
    brief = run("show", out).stdout
    assert 2 * len(brief.splitlines()) < len(shown.stdout.splitlines()) + 10
    assert "P0336 stored, pending and permanent" in brief
    assert "22 live values" in brief
    assert "2 questions left open: --full" in " ".join(brief.split())


def test_json_alone_on_standard_output(log: Path) -> None:
    result = run("read", log, "--json", "-", "--vin")
    assert json.loads(result.stdout)["units"][0]["vin"] == control_unit._van_vin()
    findings = json.loads(run("show", log, "--json", "-").stdout)
    assert findings["schema"] == "witnessmark.scan-findings/1"
    assert {f["kind"] for f in findings["findings"] if f["stated"]} == {
        "code-stored", "codes-erased", "readiness-incomplete",
    }  # fmt: skip
    assert findings["codes"][0]["code"] == "P0336"
    assert findings["snapshot"]["schema"] == "witnessmark.scan/1"


def test_the_simulated_van_is_called_simulated() -> None:
    result = run("read", "--simulated", "--wide-ids")
    assert result.exit_code == 0, result.output
    assert "Simulated control units" in result.stdout
    assert "18DAF110" in result.stdout
    assert result.stderr == ""


def test_codes_against_a_recording(log: Path, cranking: Path, tmp_path: Path) -> None:
    out = tmp_path / "findings.json"
    result = run("show", log, "--recording", cranking, "--json", out)
    assert result.exit_code == 0, result.output
    assert "Recorded" in result.stdout
    assert "P0336" in result.stdout.split("Recorded")[1]
    data = json.loads(out.read_text())
    (about,) = [a for a in data["against_recording"] if a["code"] == "P0336"]
    assert about["verdict"] in ("agrees", "hinted", "not-borne-out")


@pytest.mark.parametrize(
    ("args", "names"),
    [
        (["read"], ["--channel"]),
        (["read", "nope.log"], ["nope.log", "no such file"]),
        (["read", "nope.xyz"], ["nope.xyz", "expected a log"]),
        (["read", "--interface", "virtual", "--channel", "nobody"], ["no control unit answers"]),
        (["read", "--interface", "none-such", "--channel", "x"], ["cannot be opened"]),
        (["read", "van.log", "--watch", "3"], ["--watch"]),
        (["show", "van.json", "--setup", "s.toml"], ["--recording"]),
        (["simulate"], ["--channel"]),
        (["simulate", "out.mf4"], [".log, .asc"]),
        (["simulate", "no/such/folder/out.log"], ["no folder"]),
        (["clear", "--simulated"], ["--save"]),
        (["clear", "--save", "b.json"], ["--channel"]),
        (["clear", "--simulated", "--save", "-"], ["give it a name"]),
    ],
)
def test_refusals_are_one_line(args, names, tmp_path: Path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    refused(run(*args), *names)
    assert list(tmp_path.iterdir()) == []


def test_a_log_is_not_overwritten_by_its_snapshot(log: Path) -> None:
    before = log.read_bytes()
    refused(run("read", log, "--json", log), "would overwrite")
    assert log.read_bytes() == before


@pytest.mark.parametrize("wide", [False, True])
def test_the_simulated_van_answers_on_a_bus(wide: bool, monkeypatch) -> None:
    running: list[Serving] = []
    run_on = Serving.run_until_stopped

    def noted(self: Serving) -> None:
        running.append(self)
        run_on(self)

    monkeypatch.setattr(Serving, "run_until_stopped", noted)
    bus = ["--interface", "virtual", "--channel", f"shared {wide}", *(["--wide-ids"] if wide else [])]
    answered: list = []
    thread = threading.Thread(target=lambda: answered.append(run("simulate", *bus, "--engine", "off")))
    thread.start()
    while not running:
        time.sleep(0.01)
    link = open_link("virtual", f"shared {wide}", 500_000, wide)
    link.bus.send(can.Message(arbitration_id=0x123, data=b"\x02\x41", is_extended_id=False))  # others talk, too
    with link:
        snapshot = read_vehicle(link, "off")
    running[0]._stop.set()
    thread.join(5.0)
    assert answered[0].exit_code == 0
    assert snapshot.units[0].stored == ("P0336",)
    assert snapshot.units[0].address == ("18DAF110" if wide else "7E8")


# --- erasing ----------------------------------------------------------------------------------------------------------


@pytest.fixture
def van(monkeypatch):
    """The van's units, so that what was erased in them can be seen; and somebody at the terminal."""
    units = bakery_van("off")
    monkeypatch.setattr(control_unit, "bakery_van", lambda engine, wide=False: units)
    monkeypatch.setattr(cli_scan, "on_terminal", lambda: True)
    return units


def test_erasing_lists_saves_and_asks(van, tmp_path: Path) -> None:
    saved = tmp_path / "before.json"
    result = run("clear", "--simulated", "--save", saved, typed="erase\n")
    assert result.exit_code == 0, result.output
    said = " ".join(result.stdout.split())
    for words in (
        "P0336 (crank sensor A: signal out of range or not plausible), stored",
        "freeze frame 0 of P0336, 5 values",
        "readiness of 4 self-tests",
        "learnt trims (long-term fuel trim, bank 1 +3.1 %)",
        "Permanent codes",
        "7E8: erased",
        "7E9: erased",
    ):
        assert words in said, words
    assert said.index("Will go") < said.index("Type") < said.index("7E8: erased")
    assert van[0].stored == []
    assert van[0].permanent == ["P0336"]
    kept = json.loads(saved.read_text())
    assert kept["units"][0]["stored"] == ["P0336"]
    assert kept["units"][0]["freeze_frames"][0]["code"] == "P0336"


def test_what_is_saved_before_erasing_is_new_private_and_masked(van, tmp_path: Path, monkeypatch) -> None:
    before, whole = tmp_path / "before.json", tmp_path / "whole.json"
    synced: list[int] = []
    asked: list[bool] = []

    def typed(word: str, quiet: bool) -> str:
        asked.append(bool(synced) and before.exists())
        return ""

    monkeypatch.setattr("os.fsync", synced.append)
    monkeypatch.setattr(cli_scan, "_typed", typed)
    assert run("clear", "--simulated", "--save", before, typed="\n").exit_code == 2
    assert stat.S_IMODE(before.stat().st_mode) == 0o600
    assert json.loads(before.read_text())["units"][0]["vin"].endswith("**************")
    kept = before.read_bytes()
    refused(run("clear", "--simulated", "--save", before, typed="erase\n"), "is there already")
    assert before.read_bytes() == kept
    assert van[0].stored == ["P0336"]
    assert asked == [True]  # on the disk before anything is asked, and not asked where it cannot be saved
    run("clear", "--simulated", "--save", whole, "--vin", typed="\n")
    assert json.loads(whole.read_text())["units"][0]["vin"] == control_unit._van_vin()


@pytest.mark.parametrize("typed", ["\n", "y\n", "yes\n", "ERASE\n", "erase P0336\n"])
def test_anything_but_the_word_erases_nothing(van, typed: str, tmp_path: Path) -> None:
    result = run("clear", "--simulated", "--save", tmp_path / "before.json", typed=typed)
    assert result.exit_code == 2
    assert "not confirmed; nothing was erased" in result.stderr
    assert van[0].stored == ["P0336"]


def test_without_a_terminal_nothing_is_erased(van, tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr(cli_scan, "on_terminal", lambda: False)
    result = run("clear", "--simulated", "--save", tmp_path / "before.json", typed="erase\n")
    assert result.exit_code == 2
    assert "typed confirmation" in result.stderr
    assert van[0].stored == ["P0336"]


def test_a_turning_engine_is_left_alone(monkeypatch, tmp_path: Path) -> None:
    units = bakery_van("running")
    monkeypatch.setattr(control_unit, "bakery_van", lambda engine, wide=False: units)
    monkeypatch.setattr(cli_scan, "on_terminal", lambda: True)
    refused(run("clear", "--simulated", "--save", tmp_path / "b.json", typed="erase\n"), "the engine turns; stop it")
    assert units[0].stored == ["P0336"]
    assert not (tmp_path / "b.json").exists()


def test_what_cannot_be_saved_is_not_erased(van, tmp_path: Path) -> None:
    refused(run("clear", "--simulated", "--save", tmp_path / "no" / "b.json", typed="erase\n"), "no folder")
    assert van[0].stored == ["P0336"]


def test_a_unit_that_refuses_is_told(van, tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr(van[1], "answer", _refusing(van[1].answer))
    result = run("clear", "--simulated", "--save", tmp_path / "b.json", typed="erase\n")
    assert result.exit_code == 2
    assert "7E9: NOT erased, conditions not correct" in result.stdout
    assert "1 of 2 control units did not erase" in result.stderr


def _refusing(answer):
    return lambda request: b"\x7f\x04\x22" if request[0] == 4 else answer(request)


# --- pages ------------------------------------------------------------------------------------------------------------


def test_the_made_pages_are_current() -> None:
    """After a change of models or knowledge: make docs."""
    assert (DOCS / "scan-tables.md").read_text(encoding="utf-8") == tables_page()
    assert json.loads((DOCS / "scan.schema.json").read_text(encoding="utf-8")) == schema()


def test_the_page_of_the_typed_in_snapshot_holds_one_that_is_read(tmp_path: Path) -> None:
    page = (DOCS / "scan.md").read_text(encoding="utf-8")
    example = page.split("```toml\n")[1].split("```")[0]
    path = tmp_path / "typed.toml"
    path.write_text(example)
    result = run("read", path)
    assert result.exit_code == 0, result.output
    assert "P0336" in result.stdout


def test_help_is_quick_to_load_and_names_every_command() -> None:
    text = run("--help").stdout
    for name in ("read", "show", "clear", "simulate"):
        assert name in text
        assert run(name, "--help").exit_code == 0


@pytest.mark.parametrize(
    ("engine", "words"), [("running", ("Turning engine", "Exhaust")), ("cranking", ("Turning engine", "Batteries"))]
)
def test_a_turning_engine_is_read_with_its_cautions(engine: str, words: tuple[str, ...]) -> None:
    args = ("read", "--interface", "virtual", "--channel", "nobody", "--engine", engine)
    result = run(*args)
    assert all(result.stderr.count(f"Caution: {w}") == 1 for w in words), result.stderr
    assert "Caution" not in run(*args, "--json", "-").stderr
