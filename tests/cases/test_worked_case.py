"""The worked case of docs/worked-case.md, run command by command as it stands there: the demo's van, simulated."""

from __future__ import annotations

import importlib.util
import json
import re
import sys
import zipfile
from pathlib import Path

import jsonschema
import pytest

from witnessmark.cases.store import Cases

from .story import state

ROOT = Path(__file__).parents[2]
NUMBER = re.compile(r"\d+(?:\.\d+)?")
POINTS = 2.0  # of a probability in percent: another processor's rounding moves it by less
SHARE = 0.05  # of a number that is measured or a size


def _script():
    spec = importlib.util.spec_from_file_location("worked_case", ROOT / "scripts" / "worked_case.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules["worked_case"] = module
    spec.loader.exec_module(module)
    return module


worked = _script()


@pytest.fixture(scope="module")
def played(tmp_path_factory):
    """(session, what every command printed beside what the page says), run once in a folder of its own."""
    session = worked.Session(tmp_path_factory.mktemp("van"))
    pairs = []
    for block, _ in worked.pieces(worked.PAGE.read_text(encoding="utf-8")):
        steps = session.play(block)
        pairs += zip(worked.steps_of(block), steps, strict=True) if steps else []
    return session, pairs


@pytest.fixture(scope="module")
def final(played):
    session, _ = played
    return state(session.folder / "cases.db", "show", session.case)


def alike(page: str, printed: str) -> str:
    """Where the two differ, empty where not: same words, whole numbers the same, measured ones about the same."""
    one, other = (" ".join(t.split()) for t in (page, printed))
    if NUMBER.sub("#", one) != NUMBER.sub("#", other):
        return f"page: {one}\nprinted: {other}"
    for a, b in zip(NUMBER.finditer(one), NUMBER.finditer(other), strict=True):
        x, y = float(a[0]), float(b[0])
        percent = one[a.end() : a.end() + 2] == " %"
        room = POINTS if percent else SHARE * max(x, y) if "." in a[0] or x > 1000.0 else 0.0
        if abs(x - y) > room + 0.011:
            return f"page: {a[0]}, printed: {b[0]}, after: {one[max(0, a.start() - 80) : a.start()]}"
    return ""


def test_every_command_prints_what_the_page_says(played):
    """After a change of words or numbers: make docs."""
    _, pairs = played
    assert len(pairs) >= 25
    for page, printed in pairs:
        assert page.command == printed.command
        assert alike(page.printed, printed.printed) == "", page.command


def test_a_difference_is_seen():
    text = "slot 23 gives 45 % at 173.5 rpm (entry 9)"
    assert alike(text, text.replace("45", "46").replace("173.5", "174.0")) == ""
    for old, new in (("23", "24"), ("45", "49"), ("173.5", "190.0"), ("entry 9", "entry 10"), ("gives", "gave")):
        assert alike(text, text.replace(old, new))


def test_each_step_stands_in_the_log(final):
    kinds = " ".join(e["kind"] for e in final["entries"])
    assert kinds == (
        "opened work work snapshot recording analysis test recording analysis outcome test disabled outcome decision "
        "work restored recording analysis verification closed"
    )
    assert not final["open"]
    assert final["to_restore"] == []
    assert final["closed"] == {"text": "Starts at once", "cause": "trigger-wheel-tooth", "target": "slot 23"}
    assert final["verification"]["overall"] == "repaired"
    schema = json.loads((ROOT / "docs" / "case.schema.json").read_text(encoding="utf-8"))
    jsonschema.validate(final, schema)


def test_the_evidence_of_each_step_leads_to_its_source(played, final):
    session, _ = played
    body = {e["number"]: e["body"] for e in final["entries"]}
    assert [f["kind"] for f in body[4]["findings"]] == ["code-stored", "codes-erased", "readiness-incomplete"]
    first, second = body[6], body[9]
    assert (first["scanned"], second["scanned"]) == ([4], [4])
    assert {f["snapshot"] for f in first["findings"]} == {4}  # nothing is stated against battery and starter
    (tooth,) = (f for f in second["findings"] if f["kind"] == "tooth-weak")
    assert (tooth["slot"], tooth["snapshot"]) == (23, None)
    assert tooth["id"] in second["causes"][0]["because"]
    store = Cases.open(str(session.folder / "cases.db"))
    kept = json.loads(store.file(session.case, body[4]["file"]).data)
    assert kept["units"][0]["stored"] == ["P0336"]
    whole = json.loads(store.file(session.case, second["file"]).data)
    assert {f["kind"] for f in whole["findings"]} >= {"tooth-weak", "code-stored"}


def test_the_balance_after_each_step_and_the_tests_chosen(final):
    body = {e["number"]: e["body"] for e in final["entries"]}
    before = {c["id"]: c["probability"] for c in body[6]["causes"]}
    assert body[6]["causes"][0]["id"] == "none-found"  # battery and starter current clear little
    assert before["trigger-wheel-tooth"] > before["cranking-system"]
    assert [body[n]["test"] for n in (7, 11)] == ["record-that-can-be-judged", "look-at-the-tooth"]
    assert [body[n]["analysis"] for n in (7, 11)] == [6, 9]
    assert all(body[n]["cautions"] for n in (7, 11))
    # 10 says that recording 8 can be judged, which is no news to the analysis of that recording
    assert [b["number"] for b in final["balance"]] == [9, 13]
    for balance in final["balance"]:
        assert (balance["causes"][0]["id"], balance["causes"][0]["target"]) == ("trigger-wheel-tooth", 23)
    chances = [b["causes"][0]["probability"] for b in final["balance"]]
    assert min(chances) > 0.9
    assert chances[-1] == max(chances)  # seen at the part


def test_the_proof_and_the_zip(played):
    session, _ = played
    shop, customer = ((session.folder / n).read_text(encoding="utf-8") for n in ("shop.html", "customer.html"))
    for n in range(1, 21):
        assert f'<tr id="E{n}"' in shop
    assert "P0336" in shop
    assert "F1 in snapshot 4" in shop
    balance = shop.split('id="table-balance"')[1].split("</table>")[0]
    assert re.findall(r">(E\d+)<", balance) == ["E6", "E9", "E13"]
    assert 'class="verdict clear"' in shop
    assert 'class="verdict clear"' in customer
    assert "A tooth is damaged" in customer or "a tooth is damaged" in customer
    assert "Repair checked" in customer
    with zipfile.ZipFile(session.folder / "case.zip") as zipped:
        assert zipped.testzip() is None
    other = state(session.folder / "another-house.db", "show", session.case)
    assert other["head"] == state(session.folder / "cases.db", "show", session.case)["head"]
