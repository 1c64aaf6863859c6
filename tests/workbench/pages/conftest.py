"""What the tests of the pages share: a shop with the bakery's van on the bench and in a case."""

from __future__ import annotations

import json
import shutil

import pytest

from witnessmark.cases.bodies import Opened, RecordingAdded, Work
from witnessmark.cases.store import Cases
from witnessmark.cases.work import recorded
from witnessmark.workbench.folder import Folder
from witnessmark.workbench.work import imported, write

from ..conftest import served

COMPLAINT = "Cranks long, starts at the third try"


class Shop:
    """A served bench, its database of cases read and written beside it as another program would."""

    def __init__(self, server, van, place, make):
        self.server, self.van, self.place, self.make = server, van, place, make
        self.store = Cases.open(place)
        self.url = server.url

    def case(self, **opened):
        """A new case: complaint, starter fitted before, its first start analysed. Its id."""
        case = self.store.new(Opened(COMPLAINT, **{"vehicle": "a bakery's delivery van", **opened}), "R. Muster")
        self.store.add(case.id, Work("part", "Starter", earlier=True), "R. Muster")
        made = self.make()
        self.store.add(case.id, lambda c: made.after(c.last), "R. Muster", made.files)
        return case.id

    def enter(self, case_id, kind, expected=None, **fields):
        """(status, answer) of what a form sends."""
        body = json.dumps({"kind": kind, "fields": fields, "expected": expected})
        headers = {"Content-Type": "application/json"}
        return self.server.json("POST", f"/api/cases/{case_id}/entries", body, headers)

    def state(self, case_id):
        status, state = self.server.json("GET", f"/api/cases/{case_id}")
        assert status == 200
        return state


@pytest.fixture(scope="session")
def truck_card(shop, truck_made):
    """Id of the V6 truck's recording on the bench, analysed."""
    recording, analysis = truck_made
    folder = Folder(shop.server.folder)
    card = folder.begin("bakery-truck-v6.npz")
    shutil.copy(recording, folder.original(card))
    imported(folder, card.id, lambda _: None)
    write(folder, card.id, analysis, lambda _: None)
    return folder.keep(card, stage="ready", share=1.0).id


@pytest.fixture(scope="session")
def shop(van_folder, analyse_once, cranking, tmp_path_factory):
    """A bench that the tests of the pages may write to."""
    root = tmp_path_factory.mktemp("shop") / "bench"
    shutil.copytree(van_folder[0], root)
    kept = []

    def make():
        if not kept:
            kept.append(recorded(str(cranking), None, "", analyse_once))
        return kept[0]

    place = str(root.parent / "cases.db")
    Cases.open(place)
    with served(root, place) as server:
        yield Shop(server, van_folder[1], place, make)


def in_words(shop, case_id):
    """(kind, body) of every entry, as another program reads them."""
    return [(e.entry.kind, e.body) for e in shop.store.read(case_id).log]


def recording_of(shop, case_id):
    """Number of the case's recording."""
    return shop.store.read(case_id).of(RecordingAdded)[0][0]


def card_with(shop, **changes):
    """A further recording on the bench, of which only the card is there."""
    folder = Folder(shop.server.folder)
    return folder.keep(folder.begin("a second van.csv"), **changes)
