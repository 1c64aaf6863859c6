"""witnessmark case from outside: a whole job, the same on both databases; one line for whatever is wrong."""

from __future__ import annotations

import json
import os
import re
import shlex
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import jsonschema
import pytest

from witnessmark.cases.store import Cases
from witnessmark.cli import main

from .story import VIN, opened, picture, refused, run, said, state, worked

ROOT = Path(__file__).parents[2]
SCHEMA = json.loads((ROOT / "docs" / "case.schema.json").read_text(encoding="utf-8"))
CHANGES = re.compile(r'"(?:at_utc|opened_utc|hash|head|case|file|vin_file)": "[^"]*"')


def alike(found: dict) -> str:
    """A state without what differs from one run to the next: times, random ids, and hashes of those."""
    return CHANGES.sub('""', json.dumps(found, indent=1))


# ---- a whole job


def test_a_whole_job_is_the_same_on_every_database(place, job, done):
    case = worked(place, job)
    found = state(place, "show", case)
    jsonschema.validate(found, SCHEMA)
    assert alike(found) == alike(state(done[0], "show", done[1]))


def test_what_the_job_left(done):
    place, case = done
    found = state(place, "show", case)
    kinds = [e["kind"] for e in found["entries"]]
    assert " ".join(kinds) == (
        "opened work snapshot recording analysis test disabled outcome photo observation correction decision work "
        "recording analysis verification restored closed"
    )
    by_kind = {e["kind"]: e["body"] for e in found["entries"]}
    assert found["vehicle"]["codes"] == ["P0336"]
    assert found["closed"] == {"text": "Starts at once", "cause": "trigger-wheel-tooth", "target": "slot 23"}
    assert found["verification"]["overall"] == "repaired"
    assert by_kind["verification"]["before"] == 4
    first = found["entries"][4]["body"]
    assert (first["causes"][0]["id"], first["causes"][0]["target"]) == ("trigger-wheel-tooth", 23)
    assert by_kind["snapshot"]["codes"] == ["P0336"]
    assert found["entries"][9]["body"]["text"] == "Tooth 23 is gone"
    assert found["entries"][9]["written"]["text"] == "Tooth 32 is gone"
    assert [o["test"] for o in found["observed"]][1] == "look-at-the-tooth"
    assert by_kind["outcome"]["then"]
    assert {e["by"] for e in found["entries"]} == {"R. Test"}


def test_the_vehicle_number_stands_nowhere_but_in_its_seal(done):
    place, case = done
    store = Cases.open(str(place))
    log = store.read(case)
    for entry in log.log:
        assert VIN not in entry.entry.text
        for sha256 in entry.entry.body.files():
            file = store.file(case, sha256)
            assert (VIN.encode() in file.data) == file.private
    assert VIN not in said(place, "show", case)
    assert VIN in said(place, "show", case, "--vin")
    assert state(place, "show", case)["vehicle"]["vin"] == "1M8**************"
    assert json.loads(said(place, "show", case, "--vin", "--json"))["vehicle"]["vin"] == VIN


def test_the_summary_says_how_it_stands(place):
    case = opened(place, "--vehicle", "a van", "--vin", VIN.lower(), "--code", "P0336")
    text = said(place, "show", case)
    assert f"{case}, open, 1 entry" in text
    assert "no recording is analysed yet" in text
    said(place, "disable", case, "relay", "--why", "no start")
    assert re.search(r"To restore +2  relay \(no start\)", said(place, "show", case))
    assert "1 item to restore" in said(place, "list")
    said(place, "restore", case[:5], 2)
    said(place, "close", case, "nothing found")
    assert "closed" in said(place, "list")
    assert "No case" in said(place, "list", "--open")
    assert [c["case"] for c in state(place, "list")["cases"]] == [case]
    assert all(len(line) <= 100 for line in said(place, "show", case).splitlines())


def test_a_case_goes_to_another_house_and_back(done, tmp_path):
    place, case = done
    goal, other = tmp_path / "case.zip", tmp_path / "other.db"
    assert state(place, "export", case, goal)["entries"] == 18
    assert "18 new of 18" in said(other, "import", goal)
    assert state(other, "show", case) == state(place, "show", case)
    assert "0 new of 18" in said(other, "import", goal)
    assert VIN.encode() not in goal.read_bytes()
    assert "left out" in said(other, "show", case, "--vin")


def documented(first: str) -> list[list[str]]:
    """The commands of the block in docs/case.md that begins so, as words."""
    text = (ROOT / "docs" / "case.md").read_text(encoding="utf-8")
    block = text[text.index(first) :].split("\n\n")[0]
    return [shlex.split(line)[2:] for line in block.splitlines()]


def test_the_job_of_the_page_can_be_worked_as_it_is_written(fresh, job, tmp_path, monkeypatch):
    shutil.copy(job / "tooth.jpg", tmp_path / "tooth.jpg")
    monkeypatch.chdir(tmp_path)
    place, names = fresh(), {"VIN": VIN, "RECORDING": job / "before.npz", "RECORDING_AFTER": job / "after.npz",
                             "SETUP.toml": job / "van.setup"}  # fmt: skip
    for words in documented("witnessmark case new --complaint"):
        printed = said(place, *(names.get(w, w) for w in words))
        names.setdefault("CASE", printed.strip())
    found = state(place, "show", names["CASE"])
    assert not found["open"]
    assert found["verification"]["overall"] == "repaired"
    assert (tmp_path / "shop.html").exists()
    assert (tmp_path / "customer.html").exists()


def test_the_page_names_every_command():
    text = (ROOT / "docs" / "case.md").read_text(encoding="utf-8")
    for name in main.commands["case"].commands:
        assert re.search(rf"`(case )?{name}\b|case {name}\b", text), name


def test_a_case_closed_without_a_check_says_so_once(place):
    case = opened(place)
    printed = said(place, "close", case, "done", "--cause", "crank-sensor")
    assert printed.splitlines()[-1].startswith("Remark: a check of the repair was not made")
    assert "Remark" not in said(place, "show", case)
    said(place, "reopen", case, "--why", "back again")
    assert state(place, "show", case)["entries"][-1]["body"]["why"] == "back again"
    assert state(place, "close", case, "done again")["open"] is False


def test_a_case_closed_on_a_check_says_nothing_more(job, fresh):
    place = fresh()
    case = opened(place)
    said(place, "add", "recording", case, job / "before.npz", "--setup", job / "van.setup")
    said(place, "part", case, "wheel")
    said(place, "verify", case, job / "after.npz")
    assert "Remark" not in said(place, "close", case, "done")
    said(place, "reopen", case, "back")
    assert "is out of date" in said(place, "close", case, "done")


def test_a_test_that_was_done_is_not_proposed_again(job, fresh):
    place = fresh()
    case = opened(place)
    said(place, "add", "recording", case, job / "before.npz", "--setup", job / "van.setup")
    assert "proposed: Bar the engine" in " ".join(said(place, "show", case, "--brief").split())
    said(place, "note", case, "gone", "--test", "look-at-the-tooth", "--outcome", "1")
    assert "look-at-the-tooth)" not in said(place, "show", case, "--brief")
    assert "every test that its last analysis proposes is done" in refused(place, "test", case)
    said(place, "test", case, "look-at-the-tooth")  # by its id, once more


# ---- what is refused


def test_a_case_is_not_closed_while_something_is_disabled(place):
    case = opened(place)
    said(place, "disable", case, "fuel pump relay")
    said(place, "disable", case, "coil 1 connector")
    line = refused(place, "close", case, "done")
    assert "2 fuel pump relay, 3 coil 1 connector" in line
    assert "case restore" in line
    assert "confirm each by its number" in refused(place, "restore", case)  # nobody at a terminal to ask
    said(place, "restore", case, 2, 3)
    assert "already" in refused(place, "restore", case, 2)
    assert "nothing is left" in refused(place, "restore", case)
    said(place, "close", case, "done")
    assert "reopen" in refused(place, "note", case, "late")
    said(place, "reopen", case, "back again")
    said(place, "note", case, "again")


def test_restoring_is_asked_item_by_item(place, monkeypatch):
    case = opened(place)
    said(place, "disable", case, "relay")
    said(place, "disable", case, "connector")
    monkeypatch.setattr("witnessmark.cases.cli_log.on_terminal", lambda: True)
    assert "nothing confirmed" in run(place, "restore", case, input="n\nn\n").stderr
    result = run(place, "restore", case, input="n\ny\n")
    assert result.exit_code == 0, result.output
    assert [i["item"] for i in state(place, "show", case)["to_restore"]] == ["relay"]


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (("new",), "--complaint"),
        (("new", "--complaint", " "), "complaint"),
        (("new", "--complaint", "x", "--vin", "WRONG"), "expected 17"),
        (("new", "--complaint", "x", "--vin", "OOOOOOOOOOOOOOOOO"), "without I, O and Q"),
        (("new", "--complaint", "x", "--setup", "gone.toml"), "gone.toml"),
        (("new", "--complaint", "x", "--code", "336"), "P0336"),
        (("export", "{case}", "{tmp}/../cases.db"), "overwrite"),
        (("report", "{case}", "--shop", "{tmp}/../cases.db"), "overwrite"),
        (("show", "zzzz"), "no case begins so"),
        (("note", "{case}", " "), "empty"),
        (("note", "{case}", "red \x1b[31m"), "control characters"),
        (("note", "{case}", "x", "--by", ""), "--by"),
        (("test", "{case}"), "no recording is analysed yet, so none is proposed; add one with case add recording"),
        (("note", "{case}", "x", "--test", "look-at-the-tooth", "--outcome", "7"), "2: The tooth is whole"),
        (("note", "{case}", "x", "--test", "look-at-the-tooth", "--outcome", "gone"), "2: The tooth is whole"),
        (("reopen", "{case}"), "--why"),
        (("reopen", "{case}", "x", "--why", "y"), "--why"),
        (("reopen", "{case}", "--why", "x"), "open already"),
        (("test", "{case}", "no-such-test"), "no-such-test"),
        (("outcome", "{case}", "1", "x"), "not a chosen test"),
        (("restore", "{case}", "9"), "no entry 9"),
        (("decide", "{case}", "x", "--because", "9"), "no entry 9"),
        (("correct", "{case}", "1", "--why", "x"), "--set"),
        (("correct", "{case}", "1", "--why", "x", "--set", "colour"), "FIELD=VALUE"),
        (("correct", "{case}", "1", "--why", "x", "--set", "colour=red"), "expected one of"),
        (("correct", "{case}", "9", "--why", "x", "--set", "text=red"), "no entry 9"),
        (("retract", "{case}", "1", "--why", "x"), "cannot be withdrawn"),
        (("close", "{case}", "x", "--cause", "gremlins"), "trigger-wheel-tooth"),
        (("reopen", "{case}", "x"), "open already"),
        (("report", "{case}"), "--shop"),
        (("report", "{case}", "--shop", "-"), "report.html"),
        (("report", "{case}", "--shop", "{tmp}/no/x.html"), "folder"),
        (("export", "{case}", "{tmp}"), "folder"),
        (("import", "{tmp}/gone.zip"), "no such file"),
        (("add", "photo", "{case}", "{tmp}/gone.jpg", "--note", "x"), "gone.jpg"),
        (("add", "photo", "{case}", "{tmp}", "--note", "x"), "folder"),
        (("add", "photo", "{case}", "{tmp}/drawing.svg", "--note", "x"), "expected JPEG, PNG or WebP"),
        (("add", "photo", "{case}", "{tmp}/empty", "--note", "x"), "empty"),
        (("add", "snapshot", "{case}", "{tmp}/drawing.svg"), "no JSON"),
        (("add", "snapshot", "{case}", "{tmp}/list.json"), "expected a JSON object"),
        (("add", "snapshot", "{case}", "{tmp}/nan.json"), "NaN"),
        (("add", "recording", "{case}", "{tmp}/gone.npz"), "no such file"),
        (("add", "recording", "{case}", "{tmp}/drawing.svg"), "drawing.svg"),
        (("verify", "{case}", "{tmp}/gone.npz"), "no recording to compare"),
        (("verify", "{case}", "{tmp}/gone.npz", "--before", "1"), "no recording that counts"),
        (("list", "--cases", "{tmp}"), "folder"),
        (("list", "--cases", "mysql://x:y@z/w"), "postgresql://"),
    ],
)
def test_whatever_is_wrong_is_one_line_and_changes_nothing(fresh, tmp_path, args, words):
    place = fresh()
    case = opened(place)
    files = tmp_path / "files"
    files.mkdir()
    for name, text in (("drawing.svg", "<svg/>"), ("empty", ""), ("list.json", "[1]"), ("nan.json", '{"a": NaN}')):
        (files / name).write_text(text)
    before = sorted(p.name for p in files.iterdir())
    line = refused(place, *(a.format(case=case, tmp=files) for a in args))
    assert words in line
    assert state(place, "show", case)["last"] == 1
    assert sorted(p.name for p in files.iterdir()) == before


def test_a_recording_must_be_the_one_that_was_added(job, tmp_path):
    place, moved = tmp_path / "cases.db", tmp_path / "before.npz"
    shutil.copy(job / "before.npz", moved)
    case = opened(place)
    said(place, "add", "recording", case, moved, "--setup", job / "van.setup")
    assert "same recording" in refused(place, "verify", case, job / "before.npz")
    moved.rename(tmp_path / "moved.npz")
    assert "--set path=" in refused(place, "verify", case, job / "after.npz", "--before", 2)
    shutil.copy(job / "after.npz", moved)
    assert "not what it was" in refused(place, "verify", case, job / "after.npz", "--before", 2)
    assert state(place, "show", case)["last"] == 3
    said(place, "correct", case, 2, "--set", f"path={tmp_path / 'moved.npz'}", "--why", "moved")
    assert "repaired" in said(place, "verify", case, job / "after.npz")
    assert "repaired" in said(place, "verify", case, job / "after.npz", "--before", "2")  # the same again: one entry
    assert [e["kind"] for e in state(place, "show", case)["entries"]][-4:] == [
        "recording", "analysis", "verification", "verification",
    ]  # fmt: skip


def test_a_proof_ends_with_the_next_work_and_says_so(job, tmp_path):
    place = tmp_path / "cases.db"
    case = opened(place)
    said(place, "add", "recording", case, job / "before.npz")
    said(place, "part", case, "wheel")
    said(place, "verify", case, job / "after.npz")
    said(place, "part", case, "sensor")
    found = state(place, "show", case)
    jsonschema.validate(found, SCHEMA)
    assert found["verification"] is None
    assert found["out_of_date"] == {"number": 7, "overall": "repaired", "since": 8}
    assert "out of date: work was done after it (entry 8)" in " ".join(said(place, "show", case).split())
    assert "recording 5 of case" in refused(place, "verify", case, job / "after.npz", "--before", 2)
    said(place, "close", case, "done", "--cause", "crank-sensor")
    said(place, "report", case, "--shop", tmp_path / "s.html", "--customer", tmp_path / "c.html")
    shop, customer = ((tmp_path / name).read_text(encoding="utf-8") for name in ("s.html", "c.html"))
    assert "is out of date: work was done after it" in shop
    assert 'class="verdict clear"' not in shop + customer
    assert "as the workshop found it" in customer
    assert "An earlier check of the repair counts no more: work was done after it." in customer
    assert "shows the fault gone" not in customer


@pytest.mark.parametrize(
    ("setup", "kept"),
    [
        (f'[vehicle]\nvin = "{VIN}"  # {VIN}\n', True),
        (f"[vehicle]\n\"vin\"='{VIN}'\n", True),
        (f'[vehicle]\nvin = "1\\u004D{VIN[2:]}"\n', True),  # the same number by an escape
        (f'[vehicle]\nvin = """{VIN[:5]}\\\n  {VIN[5:]}"""\n', False),
        (f'[vehicle]\nvin = "{VIN}"\ndescription = "van 1\\u004d{VIN[2:]}"\n', False),
    ],
)
def test_the_vehicle_number_of_a_setup_is_masked_or_the_setup_refused(job, tmp_path, setup, kept):
    place, path = tmp_path / "cases.db", tmp_path / "van.toml"
    path.write_text(setup, encoding="utf-8")
    case = opened(place)
    if not kept:
        assert "cannot be masked" in refused(place, "add", "recording", case, job / "before.npz", "--setup", path)
        assert state(place, "show", case)["last"] == 1
        return
    body = state(place, "add", "recording", case, job / "before.npz", "--setup", path)["entries"][0]["body"]
    held = Cases.open(str(place)).file(case, body["setup_file"]).data.decode()
    assert VIN not in held
    assert tomllib.loads(held)["vehicle"]["vin"] == "1M8**************"


def test_a_test_of_the_catalogue_brings_its_cautions_in_any_words(fresh):
    place = fresh()
    case = opened(place)
    plain = state(place, "test", case, "look-at-the-tooth")["entries"][0]["body"]
    own = state(place, "test", case, "look-at-the-tooth", "--statement", "Look from below")["entries"][0]["body"]
    assert plain["cautions"]
    assert "{" not in plain["statement"]
    assert own["statement"] == "Look from below"
    assert (own["cautions"], own["outcomes"]) == (plain["cautions"], plain["outcomes"])
    printed = " ".join(said(place, "test", case, "look-at-the-tooth", "--statement", "Look from below").split())
    assert all(" ".join(c.split()) in printed for c in plain["cautions"])


@pytest.mark.skipif(os.name == "nt", reason="POSIX files")
def test_a_recording_replaced_by_a_pipe_is_not_waited_for(job, tmp_path):
    place, moved = tmp_path / "cases.db", tmp_path / "before.npz"
    shutil.copy(job / "before.npz", moved)
    case = opened(place)
    said(place, "add", "recording", case, moved)
    moved.unlink()
    os.mkfifo(moved)
    assert "no regular file" in refused(place, "verify", case, job / "after.npz")
    assert "no regular file" in refused(place, "verify", case, moved)


def test_a_number_can_be_corrected_and_is_sealed_again(place):
    case = opened(place, "--vin", "11111111111111111")
    said(place, "correct", case, 1, "--vin", VIN, "--set", "codes=P0335, P0336", "--why", "misread")
    assert VIN in said(place, "show", case, "--vin")
    assert state(place, "show", case)["vehicle"] == {
        "description": "", "vin": "1M8**************", "complaint": "Cranks long, starts at the third try",
        "customer": "", "codes": ["P0335", "P0336"],
    }  # fmt: skip
    said(place, "correct", case, 1, "--set", "codes=-", "--why", "none after all")
    assert state(place, "show", case)["vehicle"]["codes"] == []


def test_every_alphabet_is_kept(place):
    said_ = "Крутит долго, 起動しにくい, η μηχανή δεν παίρνει, ½ turn …"
    case = said(place, "new", "--complaint", said_, "--by", "Łukasz Ñandú").strip()
    assert state(place, "show", case)["vehicle"]["complaint"] == said_
    assert "起動しにくい" in said(place, "show", case)
    assert "Łukasz Ñandú" in said(place, "show", case)


def test_photos_of_every_form_are_kept_whole(place, tmp_path):
    case = opened(place)
    for kind in ("jpeg", "png", "webp"):
        path = tmp_path / f"p.{kind}"
        path.write_bytes(picture(kind=kind.upper()))
        body = state(place, "add", "photo", case, path, "--note", "x")["entries"][0]["body"]
        assert body["media_type"] == f"image/{kind}"
        assert Cases.open(str(place)).file(case, body["file"]).data == path.read_bytes()


# ---- the command itself


def test_help_of_the_main_program_loads_nothing_of_it():
    code = (
        "import sys; from click.testing import CliRunner; from witnessmark.cli import main;"
        "r = [CliRunner().invoke(main, a) for a in (['--help'], ['case', '--help'], ['case', 'new', '--help'])];"
        "assert all(x.exit_code == 0 for x in r);"
        "print([m for m in ('sqlalchemy', 'alembic', 'pydantic', 'numpy', 'PIL', 'psycopg') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_an_up_to_date_database_is_opened_without_the_migrations(tmp_path):
    place = tmp_path / "cases.db"
    opened(place)
    code = (
        "import sys; from click.testing import CliRunner; from witnessmark.cli import main;"
        f"r = CliRunner().invoke(main, ['case', 'list', '--cases', {str(place)!r}]); assert r.exit_code == 0, r.output;"
        "print([m for m in ('alembic', 'mako', 'numba', 'matplotlib', 'PIL', 'psycopg') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
