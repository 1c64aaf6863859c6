"""Recordings of a case: entered when analysed, brought to the bench from its log, kept while they are evidence."""

import getpass
import shutil
from types import SimpleNamespace

import pytest

from witnessmark.cases.bodies import Analysed, Closed, Observation, Opened, RecordingAdded
from witnessmark.cases.store import Cases
from witnessmark.cases.work import content_of
from witnessmark.workbench.folder import Folder
from witnessmark.workbench.work import analysed


@pytest.fixture(scope="module")
def bench_with_case(shop, cranking):
    """A server, its database and a case, the recording in it by a drop."""
    cases = Cases.open(str(shop.cases))
    case = cases.new(Opened("cranks long, then starts", "bakery's van (simulated)"), "Ines")
    recording = shop.drop(cranking, case=case.id, note="cold, first try")
    card = shop.until(recording, "ready", "failed")
    return SimpleNamespace(server=shop, cases=cases, id=case.id, recording=recording, card=card)


def test_dropped_into_a_case_it_is_entered(bench_with_case):
    b = bench_with_case
    assert (b.card["stage"], b.card["case"], b.card["entry"]) == ("ready", b.id, 2)
    case = b.cases.read(b.id)
    (number, added), (_, analysed) = *case.of(RecordingAdded), *case.of(Analysed)
    assert (number, added.note, analysed.recording) == (2, "cold, first try", 2)
    assert added.path == str(b.server.folder / "recordings" / b.recording / "upload" / "cranking.npz")
    assert added.sha256 == content_of(added.path)[0]
    assert case.log[1].entry.by == getpass.getuser()
    assert b"/upload/" not in b.cases.file(b.id, analysed.file).data


def test_what_was_killed_in_between_is_not_entered_twice(bench_with_case):
    """The entry was made, and the server died before the card said so."""
    b = bench_with_case
    folder = Folder(b.server.folder)
    card = folder.card(b.recording)
    folder.keep(card, entry=None, by="Ines", stage="analysing")
    told = {}
    analysed(folder, b.recording, told.update, str(b.server.cases))
    folder.keep(card)
    assert told["entry"] == 2
    assert b.cases.read(b.id).last == 3


def test_evidence_is_not_removed(bench_with_case):
    b = bench_with_case
    status, answer = b.server.json("POST", f"/api/recordings/{b.recording}/remove")
    assert (status, answer["error"]) == (409, f"cranking.npz: is evidence of case {b.id} and stays")
    assert b.server.card(b.recording) is not None


@pytest.mark.slow
def test_analysed_again_it_takes_in_what_was_seen(bench_with_case):
    from witnessmark.causes.catalogue import load_knowledge

    b = bench_with_case
    test = next(t for t in load_knowledge().test if t.outcomes)
    seen = Observation("looked at it", test=test.id, outcome=test.outcomes[0].result)
    number = b.cases.add(b.id, seen, "Ines").last
    assert b.server.json("POST", f"/api/recordings/{b.recording}/again")[0] == 200
    b.server.until(b.recording, "waiting", "importing", "analysing")
    assert b.server.until(b.recording, "ready", "failed")["stage"] == "ready"
    case = b.cases.read(b.id)
    assert len(case.of(RecordingAdded)) == 1
    _, analysed = case.of(Analysed)[-1]
    assert (analysed.recording, analysed.weighed) == (2, (number,))


@pytest.mark.slow
def test_recording_of_the_log_is_brought_to_the_bench(bench_with_case, cranking, tmp_path):
    b = bench_with_case
    place = tmp_path / "elsewhere.npz"
    shutil.copy(cranking, place)
    sha256, size = content_of(str(place))
    number = b.cases.add(b.id, RecordingAdded(str(place), sha256, size), "Ines").last
    before = b.cases.read(b.id).last
    status, answer = b.server.json("POST", f"/api/cases/{b.id}/recordings/{number}/open")
    assert status == 201
    card = b.server.until(answer["id"], "ready", "failed")
    assert (card["stage"], card["case"], card["entry"], card["name"]) == ("ready", b.id, number, "elsewhere.npz")
    assert "source" not in card
    assert b.cases.read(b.id).last == before, "looking at it enters nothing"
    assert b.server.json("POST", f"/api/cases/{b.id}/recordings/{number}/open")[1]["id"] == card["id"]
    assert b.server.json("POST", f"/api/cases/{b.id}/recordings/2/open")[1]["id"] == b.recording
    assert b.server.json("POST", f"/api/recordings/{card['id']}/remove")[0] == 200
    assert place.exists(), "what lies elsewhere stays there"


@pytest.mark.parametrize("change", ["changed", "gone"])
def test_only_what_is_unchanged_is_brought(bench_with_case, cranking, tmp_path, change):
    b = bench_with_case
    place = tmp_path / "elsewhere.npz"
    shutil.copy(cranking, place)
    sha256, size = content_of(str(place))
    number = b.cases.add(b.id, RecordingAdded(str(place), sha256, size), "Ines").last
    if change == "gone":
        place.unlink()
    else:
        place.write_bytes(place.read_bytes()[:-1] + b"x")
    status, answer = b.server.json("POST", f"/api/cases/{b.id}/recordings/{number}/open")
    assert status == 400
    assert answer["error"].startswith("elsewhere.npz: "), "and not where it lies"


def test_only_what_stands_in_the_log_is_brought(bench_with_case):
    b = bench_with_case
    for entry in (1, 3, 999):
        assert b.server.json("POST", f"/api/cases/{b.id}/recordings/{entry}/open")[0] == 400
    assert b.server.ask("POST", f"/api/cases/{b.id}/recordings/..%2f2/open")[0] == 404
    assert b.server.json("POST", "/api/cases/aaaaaaaa/recordings/2/open")[0] == 400


def test_closed_and_unknown_cases_take_nothing(bench_with_case):
    b = bench_with_case
    other = b.cases.new(Opened("stalls", ""), "Ines")
    b.cases.add(other.id, Closed("none-found", "came back without a fault"), "Ines")
    for case, said in ((other.id, "is closed and takes no recording"), ("aaaaaaaa", "no such case")):
        status, answer = b.server.json("PUT", f"/api/recordings?name=a.csv&case={case}", b"x")
        assert status == 400
        assert said in answer["error"]
