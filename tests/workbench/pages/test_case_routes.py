"""The routes of cases: what they write another program reads; what they refuse is one line and changes nothing."""

from __future__ import annotations

import io
import json
import zipfile
from pathlib import Path

import pytest
from PIL import Image

from witnessmark.cases.bodies import Analysed, Photo, Verified, Work
from witnessmark.cases.state_json import state_json
from witnessmark.simulate.run import write_simulation
from witnessmark.workbench.folder import Folder

from .conftest import in_words, recording_of

VIN = "WZZZZZ1K9AW000001"
JSON = {"Content-Type": "application/json"}


def post(shop, path, **data):
    return shop.server.json("POST", path, json.dumps(data), JSON)


@pytest.fixture(scope="module")
def case(shop):
    return shop.case()


def test_new_case_keeps_the_vehicle_number_sealed(shop):
    status, answer = post(
        shop, "/api/cases", complaint="Stalls hot", vehicle="a van", vin=VIN.lower(), codes=["p0336"], by="Ann"
    )
    assert status == 201
    opened = shop.store.read(answer["case"]).opened
    assert (opened.complaint, opened.codes, opened.vin[:3], opened.vin[3:]) == (
        "Stalls hot",
        ("P0336",),
        VIN[:3],
        "*" * 14,
    )
    for path in ("", "/proof/shop", "/proof/customer"):
        _, data = shop.server.ask("GET", f"/api/cases/{answer['case']}{path}")
        assert VIN.encode() not in data, path
    _, data = shop.server.ask("GET", f"/api/cases/{answer['case']}/export")
    with zipfile.ZipFile(io.BytesIO(data)) as kept:
        assert all(VIN.encode() not in kept.read(name) for name in kept.namelist())


@pytest.mark.parametrize(
    ("data", "field", "says"),
    [
        ({"complaint": " "}, "complaint", "is empty"),
        ({"complaint": "Stalls", "codes": ["0336"]}, "codes", "P0336"),
        ({"complaint": "Stalls", "vin": "123"}, "vin", "17"),
    ],
)
def test_new_case_names_the_field_that_is_wrong(shop, data, field, says):
    before = len(shop.store.ids())
    status, answer = post(shop, "/api/cases", **data)
    assert (status, answer["field"]) == (400, field)
    assert says in answer["error"]
    assert "\n" not in answer["error"]
    assert len(shop.store.ids()) == before


def test_every_form_writes_the_entry_it_says(shop):
    case = shop.case()
    written = [
        ("observation", {"text": "The plug is green inside"}),
        ("work", {"what": "part", "text": "Crank sensor", "part_number": "A 1", "when": "today", "who": "us"}),
        ("test", {"test": "measure-the-gap"}),
        ("decision", {"text": "Look at the wheel first", "because": [4]}),
        ("disabled", {"item": "injector fuse 12", "why": "no fuel while barring"}),
    ]
    for kind, fields in written:
        status, answer = shop.enter(case, kind, **fields)
        assert status == 201, answer
    log = dict(in_words(shop, case)[4:])
    assert log["observation"].text == "The plug is green inside"
    assert log["work"] == Work("part", "Crank sensor", "A 1", "today", "us", False)
    assert log["test"].cautions, "a test of the catalogue keeps its cautions"
    assert log["decision"].because == (4,)
    assert log["disabled"].why == "no fuel while barring"


def test_what_is_refused_changes_nothing(shop, case):
    before = shop.store.read(case).last
    for kind, fields in (
        ("observation", {"text": ""}), ("decision", {"text": "x", "because": [999]}), ("restored", {"disabled": 1}),
        ("outcome", {"chosen": True, "result": "x"}), ("correction", {"entry": 1, "changes": {}, "why": "x"}),
        ("closed", {"text": "x", "cause": "witchcraft"}), ("opened", {"complaint": "x"}), ("analysis", {}),
    ):  # fmt: skip
        status, answer = shop.enter(case, kind, **fields)
        assert status == 400, (kind, answer)
        assert answer["error"]
        assert "\n" not in answer["error"]
    assert shop.store.read(case).last == before


def test_a_log_that_has_grown_is_shown_and_nothing_is_written(shop):
    case = shop.case()
    seen = shop.state(case)["last"]
    shop.store.add(case, Work("work", "Ground strap cleaned"), "B. Other")
    status, answer = shop.enter(case, "decision", expected=seen, text="Fit a sensor", because=[])
    assert (status, answer["last"]) == (409, seen + 1)
    assert [(e["number"], e["by"], e["says"]) for e in answer["between"]] == [
        (seen + 1, "B. Other", "Ground strap cleaned")
    ]
    assert shop.store.read(case).last == seen + 1
    assert shop.enter(case, "decision", expected=answer["last"], text="Fit a sensor", because=[])[0] == 201


def test_an_outcome_moves_the_balance_as_the_command_line_tells_it(shop):
    case = shop.case()
    shop.enter(case, "test", test="look-at-the-tooth")
    chosen = shop.state(case)["next"]["chosen"][0]
    assert chosen["cautions"]
    assert (
        shop.enter(case, "outcome", chosen=chosen["number"], result=chosen["outcomes"][1]["result"], note="")[0] == 201
    )
    told = shop.state(case)["balance"]
    other = state_json(shop.store.read(case), "")["balance"]
    assert [a["number"] for a in told["after"]] == [b["number"] for b in other]
    assert [c["probability"] for c in told["causes"]] == [c["probability"] for c in other[-1]["causes"]][
        : len(told["causes"])
    ]
    assert other[-1]["causes"] != other[0]["causes"]


def test_a_case_closes_only_when_everything_is_back(shop):
    case = shop.case()
    shop.enter(case, "disabled", item="injector fuse 12", why="")
    number = shop.state(case)["to_restore"][0]["number"]
    status, answer = shop.enter(case, "closed", text="Starts at once", cause="trigger-wheel-tooth", target="slot 23")
    assert status == 400
    assert "injector fuse 12" in answer["error"]
    assert shop.enter(case, "restored", disabled=number, how="")[0] == 201
    assert shop.enter(case, "closed", text="Starts at once", cause="trigger-wheel-tooth", target="slot 23")[0] == 201
    assert shop.store.read(case).closed.cause == "trigger-wheel-tooth"
    assert shop.enter(case, "reopened", why="It is back")[0] == 201
    assert shop.state(case)["open"]


def test_corrected_and_withdrawn_entries_stay_to_be_read(shop):
    case = shop.case()
    shop.enter(case, "correction", entry=1, changes={"complaint": "Cranks very long", "vin": VIN}, why="misheard")
    shop.enter(case, "retraction", entry=2, why="It was another van")
    state = shop.state(case)
    first, second = (next(e for e in state["log"] if e["number"] == n) for n in (1, 2))
    assert (first["says"], first["written"]) == ("Cranks very long.", "Cranks long, starts at the third try.")
    assert first["corrected_by"] == [5]
    assert second["withdrawn_by"] == 6
    assert state["vehicle"]["vin"] == VIN[:3] + "*" * 14
    assert VIN not in json.dumps(state)


def picture(form="JPEG"):
    out = io.BytesIO()
    image = Image.new("RGB", (64, 48), "white")
    exif = Image.Exif()
    exif[0x010F] = "a camera that tells"  # Make (published: Exif 2.3)
    image.save(out, form, exif=exif)
    return out.getvalue()


def test_photo_is_kept_whole_and_shown_without_what_the_camera_wrote(shop):
    case, data = shop.case(), picture()
    assert b"a camera that tells" in data
    status, _ = shop.server.json("PUT", f"/api/cases/{case}/files?kind=photo&name=tooth.jpg&note=Tooth%2023", data)
    assert status == 201
    _, photo = shop.store.read(case).of(Photo)[0]
    assert shop.store.file(case, photo.file).data == data
    status, shown = shop.server.ask("GET", f"/api/cases/{case}/photos/{photo.file}")
    assert status == 200
    assert shown[:3] == b"\xff\xd8\xff"
    assert b"a camera that tells" not in shown
    assert shop.server.ask("GET", f"/api/cases/{case}/photos/{'0' * 64}")[0] == 404


@pytest.mark.parametrize(
    ("kind", "name"), [("photo", "notes.txt"), ("snapshot", "../../etc/codes.json"), ("will", "x")]
)
def test_a_file_that_is_none_is_refused_without_a_place_on_the_machine(shop, case, kind, name):
    status, answer = shop.server.json(
        "PUT", f"/api/cases/{case}/files?kind={kind}&name={name}&note=x", b"no such thing"
    )
    assert status == 400
    assert "/tmp" not in answer["error"]
    assert "witnessmark-" not in answer["error"]


def test_snapshot_shows_its_codes_with_their_meaning(shop):
    case = shop.case()
    data = json.dumps({"schema": "own", "stored": ["P0336", "P0301"], "vin": VIN}).encode()
    assert shop.server.json("PUT", f"/api/cases/{case}/files?kind=snapshot&name=scan.json", data)[0] == 201
    codes = shop.state(case)["snapshots"][0]["codes"]
    assert [c["code"] for c in codes] == ["P0336", "P0301"]
    # SAE J2012: P0336 is crankshaft position sensor A range/performance, P0301 a misfire of cylinder 1 (from memory)
    assert "crank" in codes[0]["words"].lower()
    assert "misfire" in codes[1]["words"].lower()


def test_what_was_typed_in_by_hand_weighs_with_the_last_recording(shop):
    """The example of the page on scan data, put in as it stands there."""
    case = shop.case()
    number = recording_of(shop, case)
    page = (Path(__file__).parents[3] / "docs" / "scan.md").read_text(encoding="utf-8")
    typed = page.split("```toml\n")[1].split("```")[0].encode()
    put = f"/api/cases/{case}/files?kind=snapshot&name=typed.toml&note=cold"
    assert shop.server.json("PUT", f"{put}&engine=flying", typed)[0] == 400
    status, answer = shop.server.json("PUT", f"{put}&engine=off", typed)
    assert (status, answer["note"]) == (201, "")
    shown = shop.state(case)["snapshots"][0]
    assert shown["read"]
    assert shown["findings"]
    card = shop.state(case)["recordings"][0]["bench"]
    assert shop.server.until(card, "ready", "failed")["stage"] == "ready"
    made = shop.store.read(case).of(Analysed)[-1][1]
    assert (made.recording, made.scanned) == (number, (answer["last"],))
    assert any(f.snapshot == answer["last"] for f in made.findings)
    balance = shop.state(case)["balance"]
    assert balance["scanned"] == [answer["last"]]
    assert len(balance["after"]) == 2, "before and after the snapshot"


def test_nothing_served_says_where_it_lies(shop, case, cranking):
    for path in ("", "/proof/shop", "/proof/customer"):
        _, data = shop.server.ask("GET", f"/api/cases/{case}{path}")
        assert str(cranking.parent).encode() not in data, path
        assert str(shop.server.folder).encode() not in data, path
    _, bench = shop.server.ask("GET", "/api/bench")
    assert str(shop.server.folder).encode() not in bench


def test_an_unknown_case_is_one_line(shop):
    status, answer = shop.server.json("GET", "/api/cases/zzzzzzzz")
    assert status == 400
    assert "no such case" in answer["error"]


def test_comparing_a_recording_with_itself_is_refused_in_one_line(shop, case):
    number = recording_of(shop, case)
    status, answer = post(shop, f"/api/cases/{case}/compare", before=number, after=number)
    assert status == 400
    assert "the same recording" in answer["error"]


@pytest.mark.slow
def test_recording_of_the_bench_becomes_evidence_and_is_compared(shop):
    _, made = post(shop, "/api/cases", complaint="Cranks long")
    case = made["case"]
    status, answer = post(shop, f"/api/cases/{case}/recordings", recording=shop.van, note="as it came", by="Ann")
    assert (status, answer["id"]) == (202, shop.van)
    assert post(shop, f"/api/cases/{case}/recordings", recording=shop.van)[0] == 400, "it is being worked on"
    shop.server.until(shop.van, "ready", "failed")
    folder = Folder(shop.server.folder)
    card = folder.card(shop.van)
    assert (card.case, card.entry, card.by, card.note) == (case, 2, "", "as it came")
    assert shop.store.read(case).log[1].entry.by == "Ann"
    assert shop.state(case)["recordings"][0]["bench"] == shop.van
    shop.enter(case, "work", what="part", text="Crank trigger wheel")
    scenario = Path(__file__).parents[3] / "examples" / "bakery-van-repaired.toml"
    after = folder.begin("repaired.npz")
    write_simulation(scenario, folder.original(after))
    folder.keep(after, stage="ready")
    status, answer = post(shop, f"/api/cases/{case}/compare", before=None, after=after.id)
    assert status == 201, answer
    assert shop.store.read(case).of(Verified)[-1][1].overall == "repaired"
    assert folder.card(after.id).entry == shop.store.read(case).of(Verified)[-1][1].after
    assert shop.state(case)["tone"] == "clear"


def test_what_a_test_showed_is_told_with_what_follows_until_work_is_done(shop):
    case = shop.case()
    shop.enter(case, "test", test="look-at-the-tooth")
    chosen = shop.state(case)["next"]["chosen"][0]
    result = chosen["outcomes"][0]
    assert shop.enter(case, "outcome", chosen=chosen["number"], result=result["result"], note="")[0] == 201
    after = shop.state(case)["next"]
    assert (after["showed"]["result"], after["showed"]["then"]) == (result["result"], result["then"])
    assert after["stop"] == "", "an older analysis does not know what was seen since"
    assert any("Crank 10 to 15 s" in c for c in after["again"]), "a start recorded again has its cautions"
    shop.enter(case, "work", what="work", text="Trigger wheel replaced")
    assert shop.state(case)["next"]["showed"] is None


def test_a_recording_made_after_the_work_waits_to_be_checked(shop):
    case = shop.case()
    assert shop.state(case)["next"]["unchecked"] is None
    shop.enter(case, "work", what="part", text="Trigger wheel")
    made = shop.make()
    shop.store.add(case, lambda c: made.after(c.last), "R. Muster", made.files)
    state = shop.state(case)
    assert state["next"]["unchecked"] == state["recordings"][-1]["number"]
    assert "The repair is not checked yet." in state["standing"]
