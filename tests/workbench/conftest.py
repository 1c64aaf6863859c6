"""A workbench that is served, with the bakery's van on it, and a browser's page."""

from __future__ import annotations

import http.client
import json
import os
import re
import shutil
import socket
import subprocess
import sys
import time
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlencode

import pytest

EXAMPLES = Path(__file__).parents[2] / "examples"
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
PATIENCE_S = 120.0  # a loaded machine is no failure


@dataclass(frozen=True)
class Served:
    """A running workbench."""

    port: int
    folder: Path
    cases: Path
    process: subprocess.Popen

    @property
    def url(self):
        return f"http://127.0.0.1:{self.port}"

    @property
    def token(self):
        """What a page of this server sends back with what changes something."""
        return re.search('name="token" content="([0-9a-f]+)"', self.ask("GET", "/")[1].decode())[1]

    def ask(self, method, path, body=None, headers=None):
        """(status, bytes) of a request, as the page itself would make it."""
        link = http.client.HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE_S)
        proof = {} if method == "GET" else {"X-Witnessmark": "1", "X-Token": self.token}
        link.request(method, path, body, {**proof, **(headers or {})})
        answer = link.getresponse()
        return answer.status, answer.read()

    def json(self, method, path, body=None, headers=None):
        status, data = self.ask(method, path, body, headers)
        return status, json.loads(data)

    def drop(self, path, **query):
        """The id of a recording that is dropped."""
        query = urlencode({"name": Path(path).name, **query})
        status, answer = self.json("PUT", f"/api/recordings?{query}", Path(path).read_bytes())
        assert status == 201, answer
        return answer["id"]

    def card(self, recording):
        """A card as pages get it; None where there is none."""
        return next((c for c in self.json("GET", "/api/recordings")[1]["cards"] if c["id"] == recording), None)

    def until(self, recording, *stages):
        """The card, once it is at one of these stages."""
        end = time.monotonic() + PATIENCE_S
        while time.monotonic() < end:
            card = self.card(recording)
            if card is not None and card["stage"] in stages:
                return card
            time.sleep(0.02)
        raise AssertionError(f"{card}: not {stages} in time")


def free_port():
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


@contextmanager
def served(folder, cases, *more, port=None, environment=None):
    """Serve until the block ends."""
    port = port or free_port()
    command = "from witnessmark.cli import main; main()"
    process = subprocess.Popen(
        [sys.executable, "-c", command, "workbench", "--folder", str(folder), "--cases", str(cases),
         "--port", str(port), "--no-open", *more], env={**os.environ, **(environment or {})}, stderr=subprocess.PIPE,
    )  # fmt: skip
    try:
        until = time.monotonic() + PATIENCE_S
        while time.monotonic() < until and process.poll() is None:
            with socket.socket() as s:
                if s.connect_ex(("127.0.0.1", port)) == 0:
                    break
            time.sleep(0.05)
        else:
            raise AssertionError(process.stderr.read())
        yield Served(port, Path(folder), Path(cases), process)
    finally:
        process.terminate()
        process.wait(20)
        process.stderr.close()


@pytest.fixture(scope="session")
def van_folder(bakery, tmp_path_factory):
    """(data folder, recording id) with the bakery's van imported and analysed. Copy it to write into it."""
    from witnessmark.workbench.folder import Folder
    from witnessmark.workbench.work import make, write_report

    folder = Folder(tmp_path_factory.mktemp("bench"))
    card = folder.begin("bakery-van.npz")
    shutil.copy(bakery.recording, folder.original(card))
    write_report(folder, card.id, make(folder, card.id))
    folder.keep(folder.card(card.id), stage="ready", share=1.0)
    return folder.root, card.id


@pytest.fixture(scope="session")
def truck_made(tmp_path_factory):
    """(recording, analysis with its setup) of the V6 truck."""
    from witnessmark.pipeline import analyze
    from witnessmark.simulate.run import write_simulation

    place = tmp_path_factory.mktemp("truck") / "bakery-truck-v6.npz"
    recording, _, setup = write_simulation(EXAMPLES / "bakery-truck-v6.toml", place)
    return recording, analyze(recording, setup)


@pytest.fixture(scope="session")
def truck(truck_made):
    """The V6 truck's analysis with its setup."""
    return truck_made[1]


@pytest.fixture(scope="session")
def bench(van_folder, tmp_path_factory):
    """(Served, id of the van's recording), for tests that leave the recording as it is."""
    with served(van_folder[0], tmp_path_factory.mktemp("cases") / "cases.db") as server:
        yield server, van_folder[1]


@pytest.fixture(scope="session")
def shop(tmp_path_factory):
    """A server for tests that bring what they need."""
    place = tmp_path_factory.mktemp("shop")
    with served(place / "bench", place / "cases.db") as server:
        yield server


@pytest.fixture(scope="session")
def browser():
    if CHROMIUM is None:
        pytest.skip("no chromium on this machine")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        yield play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-quic"])


@pytest.fixture
def page(browser):
    """A page of its own; whatever it throws fails the test.

    The content policy is set aside, as playwright's waiting needs eval; test_security looks at the pages under it.
    """
    context = browser.new_context(viewport={"width": 1280, "height": 900}, bypass_csp=True)
    page = context.new_page()
    wrong = []
    page.on("pageerror", lambda e: wrong.append(str(e)))
    page.set_default_timeout(PATIENCE_S * 1000)
    yield page
    context.close()
    assert wrong == []


def pytest_collection_modifyitems(items):
    for item in items:
        if "page" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.browser)
