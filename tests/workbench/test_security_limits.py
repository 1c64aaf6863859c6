"""How much anybody may send, keep or hold: one test for each limit of docs/workbench-security.md."""

import json
import os

import pytest
from starlette.websockets import WebSocketDisconnect

from witnessmark.workbench.app import make_app
from witnessmark.workbench.arrive import Limits
from witnessmark.workbench.security_guard import LARGEST_BODY, LARGEST_JSON, LARGEST_PAIRING

from .asking import ADDRESS, HERE, OWN, TABLET, client, proof


@pytest.fixture
def root(tmp_path):
    (tmp_path / "bench" / "recordings").mkdir(parents=True)
    return tmp_path / "bench"


def test_recordings_are_limited(root, monkeypatch):
    of = client(root, limits=Limits(largest=1000, spare=0, most=1))
    headers = proof(of)

    def put(content):
        answer = of.put("/api/recordings?name=a.csv", content=content, headers=headers)
        return answer.status_code, answer.json().get("error", "")

    assert put(b"x" * 1001)[0] == 413
    assert put(iter([b"x" * 600] * 3))[0] == 413, "one that does not say how long it is"
    assert put(b"") == (400, "a.csv: is empty; export it again")
    assert not list((root / "recordings").iterdir())
    (root / "recordings" / "aaaaaaaa").mkdir()
    (root / "recordings" / "aaaaaaaa" / "card.json").write_text(
        '{"id": "aaaaaaaa", "name": "b.csv", "at_utc": "2026-01-01T00:00:00+00:00", "stage": "stopped"}'
    )
    assert put(b"x")[0] == 507


def test_disk_keeps_room(root, monkeypatch):
    of = client(root, limits=Limits(spare=10**20))
    status = of.put("/api/recordings?name=a.csv", content=b"x", headers=proof(of)).status_code
    assert status == 507
    assert not list((root / "recordings").iterdir())


def test_full_disk_keeps_nothing(root, monkeypatch):
    import errno

    from witnessmark.workbench import arrive

    def full(handle):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    of = client(root)
    monkeypatch.setattr(arrive.os, "fsync", full)
    answer = of.put("/api/recordings?name=a.csv", content=b"x", headers=proof(of))
    assert (answer.status_code, answer.json()["error"]) == (
        507, "a.csv: the disk is full; nothing was kept, make room and drop it again")  # fmt: skip
    assert not list((root / "recordings").iterdir())


def test_forms_are_limited(root):
    of = client(root)
    new = of.post("/api/cases", json={"complaint": "Cranks long", "by": "R. Muster"}, headers=proof(of)).json()
    for kind, most in (("application/json", LARGEST_JSON), ("image/png", LARGEST_BODY)):
        headers = {**proof(of), "Content-Type": kind}
        url = f"/api/cases/{new['case']}/files?kind=photo&name=a.png"
        long = of.put(url, content=b" " * (most + 1), headers=headers)
        assert long.status_code == 413
        assert "nothing was changed" in long.json()["error"]


def test_device_that_is_not_paired_may_send_a_code_and_no_more(root):
    of = client(root, True, ADDRESS, TABLET)
    for kind in ("application/json", "text/plain"):
        headers = {**proof(of, "/pair"), "Content-Type": kind}
        assert of.post("/pair", content=b" " * (LARGEST_PAIRING + 1), headers=headers).status_code == 413
    assert of.get("/pairs").status_code == 303, "only the page itself"


def test_body_that_stops_coming_holds_no_place(root, monkeypatch):
    """A tablet that went out of reach in the middle: the place is free again, and nothing is kept."""
    import asyncio
    from concurrent.futures import ThreadPoolExecutor

    from witnessmark.workbench import security_guard
    from witnessmark.workbench.security import HERE as OWN_DEVICE

    monkeypatch.setattr(security_guard, "PATIENCE_S", 0.05)
    app = make_app(root, str(root.parent / "cases.db"))
    token = app.state.bench.keys.token(OWN_DEVICE)

    async def half(path, method):
        parts, sent = [{"type": "http.request", "body": b"time,a\n", "more_body": True}], []

        async def receive():
            return parts.pop() if parts else await asyncio.Future()

        async def send(message):
            sent.append(message)

        path, _, query = path.partition("?")
        headers = {"host": "127.0.0.1", "x-witnessmark": "1", "x-token": token}
        scope = {"type": "http", "http_version": "1.1", "method": method, "path": path, "root_path": "",
                 "query_string": query.encode(), "client": HERE, "server": HERE, "scheme": "http",
                 "headers": [(k.encode(), v.encode()) for k, v in headers.items()]}  # fmt: skip
        await asyncio.wait_for(app(scope, receive, send), 20)
        return sent[0]["status"]

    with ThreadPoolExecutor(1) as apart:  # playwright has a loop of its own here
        arrival, form = half("/api/recordings?name=a.csv", "PUT"), half("/api/cases", "POST")
        assert apart.submit(asyncio.run, arrival).result(30) == 400
        assert apart.submit(asyncio.run, form).result(30) == 408
    assert not list((root / "recordings").iterdir())


@pytest.mark.parametrize(
    ("method", "path", "body"),
    [("POST", "/api/cases", {"complaint": "x", "by": "y", "codes": 5}),
     ("PUT", f"/api/cases/aaaaaaaa/files?kind=photo&name=a.png&expected={'9' * 5000}", None),
     ("POST", f"/api/cases/aaaaaaaa/recordings/{'9' * 5000}/open", None),
     ("POST", "/api/cases/aaaaaaaa/entries", ["x"])],
)  # fmt: skip
def test_nonsense_is_answered_in_one_line(root, method, path, body):
    of = client(root)
    answer = of.request(method, path, json=body, headers=proof(of))
    assert len(answer.json().get("error", "").splitlines()) == (0 if answer.status_code == 201 else 1)
    assert answer.headers["x-content-type-options"] == "nosniff"


def test_fault_of_the_program_is_one_line_without_a_place(root, monkeypatch):
    of = client(root)
    monkeypatch.setattr(type(of.app.state.bench.folder), "cards", lambda self: 1 / 0)
    answer = of.get("/api/recordings")
    assert answer.status_code == 500
    assert answer.json() == {
        "error": "a fault of the program (ZeroDivisionError), told in full in the bench's terminal; report it"
    }


def test_page_that_asks_and_does_not_read_is_let_go(root):
    from witnessmark.workbench import live

    of = client(root)
    with of.websocket_connect("/live", headers=OWN) as link:
        link.send_json({"kind": "join", "topics": ["start"] * 20_000})
        assert link.receive_json()["kind"] == "state"
        link.send_json({"kind": "set", "topic": "start", "key": "nothing", "value": 1, "base": 0, "n": 1})
        assert link.receive_json()["kind"] == "wrong", "asked for once, it is told once"
    outbox = live.Outbox()
    for n in range(live.MOST_WAITING + 1):
        assert not outbox.too_full
        outbox.put({"kind": "wrong", "error": "", "n": n})
    assert outbox.too_full


def test_pages_open_at_once_are_limited(root, monkeypatch):
    from witnessmark.workbench import live

    monkeypatch.setattr(live, "MOST_PAGES", 1)
    of = client(root)
    with of.websocket_connect("/live", headers=OWN) as first:
        first.send_json({"kind": "join", "topics": ["start"]})
        first.receive_json()
        with of.websocket_connect("/live", headers=OWN) as second, pytest.raises(WebSocketDisconnect):
            second.receive_json()


def test_long_messages_end_the_link(bench):
    from websockets.exceptions import ConnectionClosed
    from websockets.sync.client import connect

    server, _ = bench
    message = {"kind": "set", "topic": "start", "key": "draft:x", "value": "x" * 300_000, "base": 0}
    with connect(f"ws://127.0.0.1:{server.port}/live", origin=server.url) as link:
        link.send(json.dumps(message))
        with pytest.raises(ConnectionClosed):
            link.recv(timeout=60)
