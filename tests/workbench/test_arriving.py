"""Recordings arrive: whole or not at all, one after the other, and each stage can be stopped."""

import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from witnessmark.workbench.folder import Folder
from witnessmark.workbench.work import Task, do

from .conftest import PATIENCE_S, free_port, served


@pytest.fixture
def server(shop):
    return shop


def half(server, name, length, sent):
    """A connection that has sent only the beginning of a recording."""
    link = socket.create_connection(("127.0.0.1", server.port))
    link.sendall(
        f"PUT /api/recordings?name={name} HTTP/1.1\r\nHost: 127.0.0.1:{server.port}\r\nX-Witnessmark: 1\r\n"
        f"X-Token: {server.token}\r\nContent-Length: {length}\r\n\r\n".encode()
        + sent
    )
    return link


def until(what):
    end = time.monotonic() + PATIENCE_S
    while not what():
        assert time.monotonic() < end
        time.sleep(0.02)


def named(server, name):
    return [c for c in server.json("GET", "/api/recordings")[1]["cards"] if c["name"] == name]


def worker_of(server):
    """Process ids of the work processes that the server started."""
    asked = subprocess.run(
        ["ps", "-o", "pid=,args=", "--ppid", str(server.process.pid)], capture_output=True, text=True
    )
    return [int(line.split()[0]) for line in asked.stdout.splitlines() if "workbench.work" in line]


def test_from_drop_to_report(server, cranking):
    recording = server.drop(cranking)
    card = server.until(recording, "ready", "failed")
    assert card["stage"] == "ready", card
    assert card["verdict"]
    assert card["share"] == 1.0
    assert server.json("GET", f"/api/recordings/{recording}/analysis")[1]["recording"]["path"] == "cranking.npz"
    status, page = server.ask("GET", f"/api/recordings/{recording}/report")
    assert status == 200
    assert b"cranking.npz" in page
    (server.folder / "recordings" / recording / "report.html").unlink()
    until(lambda: server.ask("GET", f"/api/recordings/{recording}/report")[0] == 200)
    assert server.card(recording)["stage"] == "ready"


def test_cut_connection_leaves_nothing(server):
    link = half(server, "cut.csv", 10_000_000, b"time,crank\n" * 20_000)
    until(lambda: named(server, "cut.csv"))
    link.close()
    until(lambda: not named(server, "cut.csv"))
    assert not list(server.folder.glob("recordings/*/upload/cut.csv"))


def test_stopped_while_it_arrives(server):
    link = half(server, "stalled.csv", 10_000_000, b"time,crank\n")
    until(lambda: named(server, "stalled.csv"))
    assert server.json("POST", f"/api/recordings/{named(server, 'stalled.csv')[0]['id']}/stop")[0] == 200
    answer = b""
    while b"}" not in answer:
        answer += link.recv(4000)
    assert b" 409 " in answer
    assert b"stopped; nothing was kept" in answer
    assert not named(server, "stalled.csv")
    link.close()


def test_only_some_arrive_at_the_same_time(server):
    links = [half(server, f"slow-{k}.csv", 1000, b"x") for k in range(4)]
    until(lambda: sum(len(named(server, f"slow-{k}.csv")) for k in range(4)) == 4)
    status, answer = server.json("PUT", "/api/recordings?name=fifth.csv", b"x")
    assert (status, answer["error"]) == (503, "fifth.csv: 4 recordings arrive already; wait for one of them")
    for link in links:
        link.close()
    until(lambda: not any(named(server, f"slow-{k}.csv") for k in range(4)))


@pytest.mark.parametrize(
    ("name", "content", "status", "said"),
    [
        ("empty.csv", b"", 400, "empty.csv: is empty"),
        ("notes.docx", b"x", 415, "notes.docx: is not known by its suffix, expected one of .csv "),
        ("", b"x", 415, "recording: is not known"),
    ],
)
def test_what_is_no_recording_is_refused_at_once(server, name, content, status, said):
    got, answer = server.json("PUT", f"/api/recordings?name={name}", content)
    assert got == status
    assert re.match(said, answer["error"])
    assert not named(server, name)


def test_bad_file_says_what_is_wrong_with_it(server, tmp_path):
    (tmp_path / "van.npz").write_bytes(b"no zip")
    recording = server.drop(tmp_path / "van.npz")
    card = server.until(recording, "ready", "failed")
    assert card["stage"] == "failed"
    assert card["said"].startswith("van.npz: ")
    assert str(server.folder) not in card["said"]
    assert "\n" not in card["said"]
    status, answer = server.json("GET", f"/api/recordings/{recording}/analysis")
    assert (status, answer["error"]) == (404, card["said"])


@pytest.mark.slow
def test_one_at_a_time_stopped_killed_begun_again_and_removed(server, cranking, bakery):
    first, second = server.drop(bakery.recording), server.drop(cranking)
    until(lambda: server.card(second)["said"] == "waits for bakery-van.npz")
    assert server.card(second)["stage"] == "waiting"
    assert server.json("POST", f"/api/recordings/{first}/remove")[1]["error"].endswith("stop it first")
    server.until(first, "analysing")
    assert server.json("POST", f"/api/recordings/{first}/stop")[0] == 200
    card = server.until(first, "stopped")
    assert "the recording is kept" in card["said"]
    assert server.until(second, "ready", "failed")["stage"] == "ready"
    assert server.json("POST", f"/api/recordings/{first}/again")[0] == 200
    server.until(first, "analysing")
    assert "wait, or stop it first" in server.json("POST", f"/api/recordings/{first}/again")[1]["error"]
    for pid in worker_of(server):
        os.kill(pid, signal.SIGKILL)
    card = server.until(first, "failed")
    assert "ended from outside" in card["said"]
    assert server.json("POST", f"/api/recordings/{first}/remove")[0] == 200
    assert server.card(first) is None
    assert not (server.folder / "recordings" / first).exists()


@pytest.mark.slow
def test_too_little_memory_is_said(cranking, tmp_path):
    """In a process of its own, as the limit stays."""
    folder = Folder(tmp_path)
    card = folder.begin("cranking.npz")
    folder.original(card).write_bytes(cranking.read_bytes())
    task = json.dumps({"root": str(tmp_path), "id": card.id})
    # 1 GB asked for within the analysis, 600 MB allowed
    hungry = (
        "import numpy as np, witnessmark.workbench.work as w\n"
        "w.imported = lambda *a: np.zeros(10**9, np.uint8).fill(1)\n"
        "w.main()"
    )
    work = subprocess.Popen([sys.executable, "-c", hungry], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
                            env={**os.environ, "WITNESSMARK_WORK_MB": "600"})  # fmt: skip
    with work:
        work.stdin.write(f"{task}\n")
        work.stdin.flush()
        said = json.loads(work.stdout.readlines()[-1])
        assert work.wait() == 2
    assert said["stage"] == "failed"
    assert said["said"].startswith("the memory of 0.6 GB is not enough")


def test_fault_of_the_program_is_one_line(tmp_path, monkeypatch, capsys):
    from witnessmark.workbench import work

    def broken(*_):
        raise ZeroDivisionError

    folder = Folder(tmp_path)
    card = folder.begin("van.npz")
    monkeypatch.setattr(work, "imported", broken)
    assert do(Task(str(tmp_path), card.id)) == 1
    said = json.loads(capsys.readouterr().out)
    assert "a fault of the program (ZeroDivisionError)" in said["said"]
    assert "ZeroDivisionError" in (folder.of(card.id) / "trouble.txt").read_text()


@pytest.mark.slow
def test_work_ends_with_its_server_and_is_taken_up_again(bakery, tmp_path):
    port = free_port()
    with served(tmp_path / "bench", tmp_path / "cases.db", port=port) as server:
        recording = server.drop(bakery.recording)
        link = half(server, "half.csv", 10_000_000, b"time,crank\n")
        until(lambda: named(server, "half.csv"))
        server.until(recording, "analysing", "importing")
        workers = worker_of(server)
        assert workers
        server.process.kill()
        until(lambda: not any(Path(f"/proc/{pid}").exists() for pid in workers))
        link.close()
    (tmp_path / "bench" / "recordings" / recording / ".card.json.abc").write_text("left")
    (tmp_path / "bench" / "recordings" / "aaaaaaaa" / "upload").mkdir(parents=True)
    (tmp_path / "bench" / ".passing-x").mkdir()
    (tmp_path / "bench" / ".passing-x" / "case.zip").write_text("left")
    with served(tmp_path / "bench", tmp_path / "cases.db", port=port) as server:
        assert server.until(recording, "ready", "failed")["stage"] == "ready"
        assert not named(server, "half.csv")
        assert [p.name for p in (tmp_path / "bench" / "recordings").iterdir()] == [recording]
        assert not list((tmp_path / "bench" / "recordings" / recording).glob(".*"))
        assert not list((tmp_path / "bench").glob(".*"))


def test_work_that_cannot_begin_or_raves_holds_nobody_up(tmp_path, monkeypatch):
    """No process can be made for the first; the second's process says what makes no sense; the third is worked on."""
    import asyncio
    from concurrent.futures import ThreadPoolExecutor

    from witnessmark.workbench.folder import Folder
    from witnessmark.workbench.jobs import Jobs
    from witnessmark.workbench.live import Live

    folder = Folder(tmp_path)
    cards = [folder.begin(f"{name}.csv") for name in "abcd"]
    told = [None, b"x" * 2**21 + b"\n",
            b'[1]\n2.5\n{"a library": 1}\n{"stage": "ready", "share": 1.0}\n', b'{"stage": "ready"}\n']  # fmt: skip

    class Said:
        returncode = 0

        def __init__(self, text):
            self.stdin, self.stdout = self, asyncio.StreamReader(limit=2**20)
            self.stdout.feed_data(text)
            self.stdout.feed_eof()

        def write(self, data):
            pass

        def kill(self):
            pass

        async def drain(self):
            pass

        async def wait(self):
            return 0

    async def run():
        jobs = Jobs(folder, Live())

        async def take():
            text = told.pop(0)
            if text is None:
                raise OSError("no memory for a process")
            return Said(text)

        async def prepare():
            pass

        monkeypatch.setattr(jobs._workers, "take", take)
        monkeypatch.setattr(jobs._workers, "prepare", prepare)
        for card in cards:
            jobs.begin(card.id)
        folder.remove(cards[3].id)  # taken away from outside while it waits
        for card in cards:
            await jobs.ended(card.id)
        assert not any(jobs.busy(card.id) for card in cards)

    with ThreadPoolExecutor(1) as apart:
        apart.submit(asyncio.run, run()).result(30)
    assert [folder.card(c.id).stage for c in cards[:3]] == ["failed", "failed", "ready"]
    assert "begin it again" in folder.card(cards[0].id).said
