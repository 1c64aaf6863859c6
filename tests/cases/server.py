"""A PostgreSQL server of the tests' own on loopback: made in a temporary folder, gone afterwards."""

from __future__ import annotations

import contextlib
import os
import pwd
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

START_S = 60
CLEAN = {"PATH": "/usr/bin:/bin", "LC_ALL": "C"}


class NoPrograms(Exception):
    """Why PostgreSQL is not to be had here, in words for the skip."""


class NoServer(Exception):
    """Why a server that is here does not start."""


def programs() -> Path:
    """The folder of initdb and pg_ctl."""
    found = shutil.which("initdb")
    places = [Path(found).parent] if found else []
    places += sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    for place in places:
        if (place / "initdb").exists() and (place / "pg_ctl").exists():
            return place
    raise NoPrograms("PostgreSQL's initdb and pg_ctl are not on this machine")


def another_user() -> dict[str, Any]:
    """As whom to run it: PostgreSQL refuses to run as root."""
    if os.geteuid() != 0:
        return {}
    for name in ("postgres", "nobody"):
        with contextlib.suppress(KeyError):
            user = pwd.getpwnam(name)
            return {"user": user.pw_uid, "group": user.pw_gid, "extra_groups": []}
    raise NoPrograms("PostgreSQL does not run as root, and there is no user postgres or nobody here")


def free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


@contextlib.contextmanager
def running() -> Iterator[str]:
    """The URL of a running server, up to the name of a database."""
    bin_, user = programs(), another_user()
    folder = Path(tempfile.mkdtemp(prefix="witnessmark-pg-", dir="/tmp" if os.path.isdir("/tmp") else None))
    try:
        if user:
            os.chown(folder, user["user"], user["group"])
        made = subprocess.run(
            [bin_ / "initdb", "-D", folder / "data", "-U", "tester", "-A", "trust", "-E", "UTF8", "--no-sync",
             "--locale=C"], cwd=folder, capture_output=True, text=True, check=False, env=CLEAN, **user,
        )  # fmt: skip
        if made.returncode:
            raise NoServer(f"initdb: {(made.stderr.strip().splitlines() or ['failed'])[-1]}")
        yield from _served(bin_, folder, user)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _served(bin_: Path, folder: Path, user: dict[str, Any]) -> Iterator[str]:
    port = free_port()
    options = {"listen_addresses": "127.0.0.1", "port": port, "unix_socket_directories": folder, "fsync": "off",
               "full_page_writes": "off", "shared_buffers": "16MB", "autovacuum": "off"}  # fmt: skip
    command = [bin_ / "postgres", "-D", folder / "data", *(f"--{k}={v}" for k, v in options.items())]
    with (folder / "log").open("wb") as log:
        process = subprocess.Popen(command, cwd=folder, stdout=log, stderr=log, env=CLEAN, **user)
    try:
        url = f"postgresql://tester@127.0.0.1:{port}"
        _wait(process, f"{url}/postgres", folder / "log")
        yield url
    finally:
        process.send_signal(signal.SIGQUIT)  # at once: nothing of it is kept
        process.wait()


def _wait(process: subprocess.Popen[bytes], url: str, log: Path) -> None:
    import psycopg

    until = time.monotonic() + START_S
    while True:
        try:
            psycopg.connect(url, connect_timeout=5).close()
            return
        except psycopg.OperationalError:
            if process.poll() is not None or time.monotonic() > until:
                said = log.read_text(errors="replace").strip().splitlines()
                raise NoServer(f"postgres: {said[-1] if said else 'does not answer'}") from None
            time.sleep(0.05)
