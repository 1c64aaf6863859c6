"""Snapshots of control units in a case: their findings stand in the log and weigh, each led back to its snapshot."""

from __future__ import annotations

import json
import shutil

import jsonschema
import pytest

from witnessmark.cases.bodies import KINDS, Analysed, RecordingAdded, Retraction, Snapshot, Work
from witnessmark.cases.document import compose
from witnessmark.cases.store import Cases
from witnessmark.cases.weighing import balances
from witnessmark.errors import BadCase
from witnessmark.scan.judge import judge, together
from witnessmark.scan.model import ControlUnit, ScanSnapshot, Source

from .story import VIN, opened, refused, said, state
from .test_commands import SCHEMA
from .test_fold import HASH, begin, then

TYPED = f"""engine = "cranking"
[[unit]]
address = "7E8"
stored = ["P0336"]
pending = []
vin = "{VIN}"
"""


@pytest.fixture
def typed(tmp_path):
    path = tmp_path / "typed.toml"
    path.write_text(TYPED, encoding="utf-8")
    return path


def share(entry, cause):
    return sum(c["probability"] for c in entry["body"]["causes"] if c["id"] == cause)


def test_a_snapshot_before_the_recording_weighs_with_it(job, typed, fresh):
    place = fresh()
    case = opened(place)
    plain = state(place, "add", "recording", case, job / "after.npz")["entries"][1]
    other = opened(place)
    snapshot = state(place, "add", "snapshot", other, typed, "--note", "typed in")["entries"][0]["body"]
    assert [f["kind"] for f in snapshot["findings"]] == ["code-stored"]
    assert snapshot["schema"] == "witnessmark.scan/1"
    found = state(place, "add", "recording", other, job / "after.npz")
    jsonschema.validate(found, SCHEMA)
    entry = found["entries"][1]
    assert entry["body"]["scanned"] == [2]
    assert [(f["kind"], f["snapshot"]) for f in entry["body"]["findings"] if f["snapshot"]] == [("code-stored", 2)]
    assert entry["says"].startswith("Recording 3, with snapshot 2: ")
    assert share(entry, "none-found") < share(plain, "none-found")
    assert VIN not in json.dumps(found)
    store = Cases.open(str(place))
    assert VIN.encode() not in store.file(other, snapshot["file"]).data


def test_a_snapshot_after_the_recording_has_it_analysed_anew(job, typed, fresh):
    place = fresh()
    case = opened(place)
    said(place, "add", "recording", case, job / "after.npz")
    before = state(place, "show", case)
    printed = " ".join(said(place, "add", "snapshot", case, typed).split())
    assert "F1 control unit 7E8 holds P0336" in printed
    assert "Causes now: " in printed
    found = state(place, "show", case)
    assert [e["kind"] for e in found["entries"]] == ["opened", "recording", "analysis", "snapshot", "analysis"]
    assert found["entries"][4]["body"]["scanned"] == [4]
    assert {f["snapshot"] for f in found["entries"][4]["body"]["findings"]} >= {4}
    assert [b["number"] for b in found["balance"]] == [3, 5]
    shown = " ".join(said(place, "show", case, "--brief").split())
    assert "after entry 5: " in shown
    assert "Scan 4 F1 control unit 7E8 holds P0336" in shown
    said(place, "retract", case, 4, "--why", "another vehicle")  # what rests on it goes with it
    again = state(place, "show", case)
    assert again["entries"][4]["withdrawn_by"] == 6
    assert again["balance"] == before["balance"]
    text = said(place, "analyze", case)
    assert "Recording 2: " in " ".join(text.split())
    last = state(place, "show", case)["entries"][-1]["body"]
    assert (last["recording"], last["scanned"]) == (2, [])
    assert "no recording that counts" in refused(place, "analyze", case, 1)


def test_without_the_recording_the_snapshot_is_kept_and_says_so(job, typed, tmp_path, fresh):
    place, moved = fresh(), tmp_path / "moved.npz"
    shutil.copy(job / "after.npz", moved)
    case = opened(place)
    said(place, "add", "recording", case, moved)
    moved.unlink()
    printed = " ".join(said(place, "add", "snapshot", case, typed).split())
    assert "Not weighed with recording 2: " in printed
    assert "is there no more" in printed
    assert [e["kind"] for e in state(place, "show", case)["entries"]] == ["opened", "recording", "analysis", "snapshot"]


def test_what_scan_does_not_read_is_kept_and_does_not_weigh(job, fresh, tmp_path):
    place, path = fresh(), tmp_path / "other.json"
    path.write_text('{"schema": "somebody.scan/1", "codes": ["P0336"]}', encoding="utf-8")
    case = opened(place)
    said(place, "add", "recording", case, job / "after.npz")
    body = state(place, "add", "snapshot", case, path)["entries"][0]["body"]
    assert (body["codes"], body["findings"]) == (["P0336"], [])
    assert state(place, "show", case)["last"] == 4
    path.write_text('{"schema": "witnessmark.scan/1", "units": 3}', encoding="utf-8")
    assert "read the snapshot again" in refused(place, "add", "snapshot", case, path)
    path.with_suffix(".toml").write_text("[[unit]]\nstored = ['P9']\n", encoding="utf-8")
    assert "unit[1].stored" in refused(place, "add", "snapshot", case, path.with_suffix(".toml"))


def test_what_scan_show_writes_is_taken_too(fresh, typed, tmp_path):
    from click.testing import CliRunner

    from witnessmark.cli import main

    out = tmp_path / "found.json"
    assert CliRunner().invoke(main, ["scan", "show", str(typed), "--json", str(out)]).exit_code == 0
    place = fresh()
    body = state(place, "add", "snapshot", opened(place), out)["entries"][0]["body"]
    assert body["schema"] == "witnessmark.scan/1"
    assert [f["kind"] for f in body["findings"]] == ["code-stored"]


def test_a_closed_case_takes_no_recording_before_anything_is_analysed(fresh, job, typed, monkeypatch):
    place = fresh()
    case = opened(place)
    said(place, "close", case, "nothing found")

    def never(*_, **__):
        raise AssertionError("analysed")

    monkeypatch.setattr("witnessmark.pipeline.analyze", never)
    for command in (("add", "recording", case, job / "after.npz"), ("add", "snapshot", case, typed),
                    ("verify", case, job / "after.npz"), ("analyze", case)):  # fmt: skip
        assert "reopen it first" in refused(place, *command)


# ---- what counts


def test_of_several_snapshots_the_latest_word_on_a_unit_and_code_counts_once():
    def snap(*codes, unit="7E8"):
        return judge(ScanSnapshot(Source("hand"), (ControlUnit(unit, stored=codes, pending=()),)))

    merged, origin = together([snap("P0336", "P0340"), snap("P0336"), snap("P0336", unit="7E9")])
    told = {(f.evidence["control_unit"], f.evidence["code"]): n for f, n in zip(merged.found, origin, strict=True)}
    assert told == {("7E8", "P0340"): 0, ("7E8", "P0336"): 1, ("7E9", "P0336"): 2}
    assert [f.id for f in merged.found] == ["F1", "F2", "F3"]
    one = snap("P0336", "P0340")
    assert together([one]) == (one, (0, 0))


def test_an_analysis_rests_on_the_snapshots_it_took_in():
    case = then(begin(), Snapshot("s.json", HASH), RecordingAdded("/a.npz", HASH, 1), Analysed(3, HASH, "p"))
    case = then(case, Analysed(3, HASH, "p", scanned=(2,)))
    assert case.verdict[0] == 5
    assert [b.number for b in balances(case)] == [4, 5]
    gone = then(case, Retraction(2, "another vehicle"))
    assert not gone.log[4].counts
    assert gone.verdict[0] == 4
    with pytest.raises(BadCase, match="not a snapshot"):
        then(case, Analysed(3, HASH, "p", scanned=(3,)))
    with pytest.raises(BadCase, match="withdrawn"):
        then(gone, Analysed(3, HASH, "p", scanned=(2,)))


def test_an_entry_written_before_snapshots_told_anything_is_still_read():
    from witnessmark.cases.codec import body_data, body_from, canonical

    for body, new in ((Snapshot("s.json", HASH), "findings"), (Analysed(2, HASH, "p"), "scanned")):
        kind = next(k for k, cls in KINDS.items() if cls is type(body))
        old = {k: v for k, v in body_data(body).items() if k != new}
        assert body_from(kind, canonical(old), "x") == body


def test_a_snapshot_weighs_on_its_own_side_of_work_only(job, typed, fresh):
    place = fresh()
    case = opened(place)
    said(place, "add", "snapshot", case, typed)
    said(place, "part", case, "Crank sensor")
    entry = state(place, "add", "recording", case, job / "after.npz")["entries"][1]
    assert entry["body"]["scanned"] == []
    said(place, "part", case, "Control unit")
    assert [e["kind"] for e in state(place, "add", "snapshot", case, typed)["entries"]] == ["snapshot"]


def test_the_shop_s_report_tells_each_finding_once_with_its_snapshot():
    from witnessmark.cases.bodies import CauseLine, FindingLine

    code = FindingLine("F1", "code-stored", "The unit holds P0336", 0.95)
    mine = FindingLine("F1", "tooth-weak", "Slot 23 is low", 0.9, slot=23)
    taken = FindingLine("F2", "code-stored", "The unit holds P0336", 0.95, snapshot=2)
    made = Analysed(3, HASH, "p", (CauseLine("trigger-wheel-tooth", 0.97, "s"),), (mine, taken), scanned=(2,))
    case = then(begin(), Snapshot("s.json", HASH, findings=(code,)), RecordingAdded("/a.npz", HASH, 1), made,
                Work("part", "wheel"))  # fmt: skip
    sections = {s.id: s for s in compose(case, "", lambda _: None).sections}
    assert [(s.text, s.findings) for s in sections["scans"].sentences][1] == ("F1 The unit holds P0336.", ("E2",))
    evidence = [(s.text, s.findings) for s in sections["evidence"].sentences]
    assert evidence[1:] == [
        ("F1 Slot 23 is low.", ("E4",)),
        ("Weighed with what the control units said: F2 in snapshot 2.", ("E4", "E2")),
    ]


def test_the_recordings_of_a_case_are_pooled_each_with_its_entry(job, fresh, tmp_path):
    place = fresh()
    case = opened(place)
    assert "no recording is analysed yet" in refused(place, "pool", case)
    said(place, "add", "recording", case, job / "before.npz", "--setup", job / "van.setup")
    shutil.copy(job / "before.npz", tmp_path / "again.npz")  # the same content is no second witness
    said(place, "add", "recording", case, tmp_path / "again.npz", "--setup", job / "van.setup")
    said(place, "add", "recording", case, job / "after.npz", "--setup", job / "van.setup")
    found = state(place, "pool", case)
    assert found["recordings"] == [{"mark": "R1", "number": 2}, {"mark": "R2", "number": 6}]
    assert found["pooled"]["schema"] == "witnessmark.pooled/1"
    text = said(place, "pool", case)
    assert text.splitlines()[0].endswith("R1 is recording 2, R2 is recording 6")
    assert VIN not in text + json.dumps(found)
    assert state(place, "show", case)["last"] == 7
    said(place, "part", case, "wheel")
    assert [r["number"] for r in state(place, "pool", case)["recordings"]] == [2, 6]
