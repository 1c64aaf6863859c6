"""Run the workbench."""

from __future__ import annotations

import errno
import os
import socket
import sys
import webbrowser
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from witnessmark.errors import BadWorkbench

LOOPBACK, EVERYWHERE = "127.0.0.1", "0.0.0.0"
LARGEST_MESSAGE = 256 * 1024  # bytes of what a page sends at once over its WebSocket: a draft of a form, and room
MOST_CONNECTIONS = 256  # requests in hand; more are answered 503
PATIENCE_S = 3  # for pages to go when the server ends
LOCK = "lock"


@dataclass(frozen=True)
class Wanted:
    """How to serve. recording: what to put on the bench and show. open_browser: None for where there is a display."""

    root: Path
    cases: str | None = None
    port: int = 8720
    lan: bool = False
    recording: str | None = None
    open_browser: bool | None = None


def default_folder() -> Path:
    """The workbench's folder in the user's data folder."""
    from platformdirs import user_data_dir

    return Path(user_data_dir("witnessmark", appauthor=False)) / "bench"


def serve(wanted: Wanted) -> None:
    """Serve until interrupted. BadWorkbench where it cannot be served, with one line."""
    import uvicorn

    from witnessmark.workbench.app import make_app

    make_folder(wanted.root)
    with only_server(wanted.root), _listening(wanted) as listener:
        app = make_app(wanted.root, wanted.cases, wanted.lan)
        page = "" if wanted.recording is None else f"recordings/{put_on_bench(wanted.root, wanted.recording)}"
        say(f"Workbench: http://{LOOPBACK}:{wanted.port}/{page} (stop with Ctrl-C)")
        if wanted.lan:
            say(f"On the network: http://{own_address()}:{wanted.port}/ (not encrypted: only on a network you trust)")
        if wanted.open_browser or (wanted.open_browser is None and has_display()):
            webbrowser.open(f"http://{LOOPBACK}:{wanted.port}/{page}")
        config = uvicorn.Config(
            app, log_level="error", lifespan="on", proxy_headers=False, server_header=False,
            ws_max_size=LARGEST_MESSAGE, limit_concurrency=MOST_CONNECTIONS, timeout_graceful_shutdown=PATIENCE_S,
        )  # fmt: skip
        with suppress(KeyboardInterrupt):  # not raised where it comes while the server still starts
            uvicorn.Server(config).run(sockets=[listener])
        say("Workbench stopped; what was under way goes on at the next start")


def say(line: str) -> None:
    """A line for the user of this machine."""
    print(line, file=sys.stderr, flush=True)


def make_folder(root: Path) -> None:
    """Make the data folder, for its owner only."""
    try:
        root.mkdir(mode=0o700, parents=True, exist_ok=True)
        (root / "recordings").mkdir(exist_ok=True)
    except OSError as error:
        raise BadWorkbench(f"{root}: {(error.strerror or str(error)).lower()}; choose another --folder") from None


@contextmanager
def only_server(root: Path) -> Iterator[None]:
    """Hold the folder for this server. BadWorkbench where another one has it; the system frees it however one ends."""
    from witnessmark.recording.store_place import try_lock

    try:
        lock = open(root / LOCK, "a+", encoding="ascii")  # noqa: SIM115
    except OSError as error:
        raise BadWorkbench(f"{root}: {(error.strerror or str(error)).lower()}; choose another --folder") from None
    with lock:
        if not try_lock(lock):
            raise BadWorkbench(f"{root}: another workbench serves this folder already; use its page, or stop it first")
        yield


@contextmanager
def _listening(wanted: Wanted) -> Iterator[socket.socket]:
    """A socket that listens on the port. BadWorkbench where it is taken."""
    try:
        listener = socket.create_server((EVERYWHERE if wanted.lan else LOOPBACK, wanted.port), backlog=64)
    except (OSError, OverflowError) as error:
        taken = getattr(error, "errno", None) == errno.EADDRINUSE
        why = "is in use" if taken else str(getattr(error, "strerror", None) or error).lower()
        raise BadWorkbench(f"port {wanted.port}: {why}; choose another with --port") from None
    with listener:
        yield listener


def own_address() -> str:
    """This machine's address on its network; its name where it has none. Nothing is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # TEST-NET-1 (RFC 5737): a datagram socket only chooses its own end
            return str(probe.getsockname()[0])
        except OSError:
            return socket.gethostname()


def has_display() -> bool:
    """Whether a browser could show itself."""
    return sys.platform in ("win32", "darwin") or any(os.environ.get(v) for v in ("DISPLAY", "WAYLAND_DISPLAY"))


def put_on_bench(root: Path, recording: str) -> str:
    """The id of a recording that stays where it lies; the same as before where it has not changed since."""
    from witnessmark.workbench.folder import Folder, safe_name

    place, folder = os.path.abspath(recording), Folder(root)
    try:
        changed_s = os.stat(place).st_mtime
    except OSError as error:
        raise BadWorkbench(f"{recording}: {(error.strerror or str(error)).lower()}; check the name") from None
    for card in folder.cards():
        if (
            card.source == place
            and not card.case
            and card.began_s > changed_s
            and card.stage not in ("failed", "stopped")
        ):
            return card.id
    card = folder.begin(safe_name(place), source=place)
    return folder.keep(card, stage="waiting").id
