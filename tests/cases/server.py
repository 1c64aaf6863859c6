"""A PostgreSQL server of the tests' own on loopback: made in a temporary folder, gone afterwards."""

from __future__ import annotations

import contextlib
import os
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

START_S = 60


class NoServer(Exception):
    """Why no server can be started here, in words for the skip."""


def programs() -> Path:
    """The folder of initdb and pg_ctl."""
    found = shutil.which("initdb")
    places = [Path(found).parent] if found else []
    places += sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    for place in places:
        if (place / "initdb").exists() and (place / "pg_ctl").exists():
            return place
    raise NoServer("PostgreSQL's initdb and pg_ctl are not on this machine")


def as_another_user() -> list[str]:
    """What to put before a command: PostgreSQL refuses to run as root."""
    if os.geteuid() != 0:
        return []
    if shutil.which("runuser") is None:
        raise NoServer("PostgreSQL does not run as root, and there is no runuser here to run it as another")
    for user in ("postgres", "nobody"):
        if subprocess.run(["id", user], capture_output=True, check=False).returncode == 0:
            return ["runuser", "-u", user, "--"]
    raise NoServer("PostgreSQL does not run as root, and there is no user postgres or nobody here")


def free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


@contextlib.contextmanager
def running() -> Iterator[str]:
    """The URL of a running server, up to the name of a database."""
    bin_, prefix = programs(), as_another_user()
    folder = Path(tempfile.mkdtemp(prefix="witnessmark-pg-", dir="/tmp" if os.path.isdir("/tmp") else None))
    data = folder / "data"
    try:
        if prefix:
            shutil.chown(folder, prefix[2])
        _run([*prefix, bin_ / "initdb", "-D", data, "-U", "tester", "-A", "trust", "-E", "UTF8", "--no-sync",
              "--locale=C"], folder)  # fmt: skip
        port = free_port()
        options = f"-c listen_addresses=127.0.0.1 -p {port} -k {folder} -c fsync=off -c full_page_writes=off"
        _run([*prefix, bin_ / "pg_ctl", "-D", data, "-w", "-t", str(START_S), "-l", folder / "log", "-o", options,
              "start"], folder)  # fmt: skip
        try:
            yield f"postgresql://tester@127.0.0.1:{port}"
        finally:
            subprocess.run([*prefix, bin_ / "pg_ctl", "-D", data, "-m", "immediate", "stop"], cwd=folder,
                           capture_output=True, check=False)  # fmt: skip
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _run(command: list, folder: Path) -> None:
    # a server that stays must not hold the pipe that is waited for: output goes to a file
    with (folder / "said").open("wb") as said:
        done = subprocess.run([str(c) for c in command], cwd=folder, stdout=said, stderr=said, check=False)
    if done.returncode:
        lines = (folder / "said").read_text(errors="replace").strip().splitlines()
        raise NoServer(f"{command[-1]}: {lines[-1] if lines else done.returncode}")
