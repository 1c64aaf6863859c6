"""``witnessmark workbench``: what it prints, and what it refuses."""

import os
import re
import signal
import socket
import subprocess
import sys

import pytest

from witnessmark.errors import BadWorkbench
from witnessmark.workbench.serve import make_folder, own_address, put_on_bench

from .conftest import free_port, served


def run(*words):
    command = [sys.executable, "-c", "from witnessmark.cli import main; main()", "workbench", *words, "--no-open"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    return done.returncode, done.stderr


@pytest.mark.slow
def test_one_server_a_folder_and_one_a_port(tmp_path):
    with served(tmp_path / "bench", tmp_path / "cases.db") as server:
        status, said = run("--folder", str(tmp_path / "bench"), "--port", str(free_port()))
        assert status == 2
        assert "another workbench serves this folder already" in said
        status, said = run("--folder", str(tmp_path / "other"), "--port", str(server.port))
        assert (status, said.strip()) == (2, f"witnessmark: port {server.port}: is in use; choose another with --port")
        status, said = run("--folder", str(tmp_path / "bench"), "--forget-devices")
        assert status == 2
        server.process.send_signal(signal.SIGINT)
        server.process.wait(60)
        said = server.process.stderr.read().decode().splitlines()
        assert said == [f"Workbench: {server.url}/ (stop with Ctrl-C)",
                        "Workbench stopped; what was under way goes on at the next start"]  # fmt: skip
        assert server.process.returncode == 0
    assert run("--folder", str(tmp_path / "bench"), "--forget-devices") == (0, "No device is paired any more\n")


@pytest.mark.slow
def test_folder_that_cannot_be_one(tmp_path):
    (tmp_path / "file").write_text("x")
    status, said = run("--folder", str(tmp_path / "file"), "--port", str(free_port()))
    assert status == 2
    assert len(said.splitlines()) == 1


def test_recording_that_is_named_lies_where_it_lay(tmp_path, cranking):
    make_folder(tmp_path)
    recording = put_on_bench(tmp_path, str(cranking))
    assert put_on_bench(tmp_path, str(cranking)) == recording
    assert not list((tmp_path / "recordings" / recording / "upload").iterdir())
    with pytest.raises(BadWorkbench, match="no such file"):
        put_on_bench(tmp_path, str(tmp_path / "none.csv"))


@pytest.mark.slow
def test_recording_that_is_named_is_shown(tmp_path, cranking):
    folder = tmp_path / "bench"
    make_folder(folder)
    recording = put_on_bench(folder, str(cranking))
    with served(folder, tmp_path / "cases.db", str(cranking)) as server:
        card = server.until(recording, "ready", "failed")
        assert card["stage"] == "ready"
        server.process.send_signal(signal.SIGINT)
        server.process.wait(60)
        assert f"{server.url}/recordings/{recording} (stop" in server.process.stderr.readline().decode()


@pytest.mark.skipif(own_address().startswith("127."), reason="this machine has no address on a network")
def test_only_this_machine_unless_asked(tmp_path):
    address = own_address()
    with served(tmp_path / "bench", tmp_path / "cases.db") as server, pytest.raises(OSError, match="refused"):
        socket.create_connection((address, server.port), timeout=5)
    with served(tmp_path / "bench", tmp_path / "cases.db", "--lan") as server:
        said = [server.process.stderr.readline().decode() for _ in range(3)]
        assert f"http://{address}:{server.port}/ (not encrypted" in said[1]
        assert re.search(r"\d{3} \d{3}", said[2])
        asked = f"GET /api/recordings HTTP/1.1\r\nHost: {address}:{server.port}\r\nX-Forwarded-For: 127.0.0.1\r\n\r\n"
        with socket.create_connection((address, server.port), timeout=60) as link:
            link.sendall(asked.encode())
            assert b" 401 " in link.recv(100), "nobody says of himself that he is this machine"


@pytest.mark.skipif(os.name != "posix", reason="rights of folders are POSIX's")
def test_folder_is_for_its_owner_only(tmp_path):
    make_folder(tmp_path / "a" / "bench")
    assert (tmp_path / "a" / "bench").stat().st_mode & 0o777 == 0o700
