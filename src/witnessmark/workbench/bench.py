"""What the routes share."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from starlette.requests import Request
from starlette.templating import Jinja2Templates

from witnessmark import __version__
from witnessmark.cases.store import Cases
from witnessmark.workbench.arrive import Arrivals
from witnessmark.workbench.folder import Folder
from witnessmark.workbench.hub import Shelf
from witnessmark.workbench.jobs import Jobs
from witnessmark.workbench.live import Live
from witnessmark.workbench.security import Keys
from witnessmark.workbench.security_guard import device_of
from witnessmark.workbench.security_pairing import Pairing

HERE = Path(__file__).parent


@dataclass(frozen=True)
class Bench:
    """What the routes share: the data folder, the cases, what pages show, the work in hand and the pages looking on."""

    folder: Folder
    cases: Cases
    shelf: Shelf
    live: Live
    jobs: Jobs
    arrivals: Arrivals
    keys: Keys
    pairing: Pairing


def bench_of(request: Request) -> Bench:
    """The bench a request is for."""
    bench: Bench = request.app.state.bench
    return bench


def _token(request: Request) -> dict[str, str]:
    return {"token": bench_of(request).keys.token(device_of(request))}


templates = Jinja2Templates(directory=HERE / "templates", context_processors=[_token])
templates.env.globals["version"] = __version__
