"""The web app: its routes, put together."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Mount, Route, WebSocketRoute
from starlette.staticfiles import StaticFiles

from witnessmark.cases.store import Cases
from witnessmark.errors import WitnessmarkError
from witnessmark.workbench.arrive import Arrivals, Limits
from witnessmark.workbench.bench import HERE, Bench, bench_of, templates
from witnessmark.workbench.case_routes import case_routes
from witnessmark.workbench.folder import Folder
from witnessmark.workbench.hookup import hookup_routes
from witnessmark.workbench.hub import Shelf
from witnessmark.workbench.jobs import Jobs
from witnessmark.workbench.live import Live
from witnessmark.workbench.recording_routes import recording_routes
from witnessmark.workbench.refusals import refused
from witnessmark.workbench.security import Keys
from witnessmark.workbench.security_guard import Guard
from witnessmark.workbench.security_pairing import Pairing
from witnessmark.workbench.security_routes import pairing_routes
from witnessmark.workbench.strip import strip_routes

__all__ = ["Bench", "bench_of", "make_app", "templates"]


async def start(request: Request) -> Response:
    """The first page: drop a recording; what lies on the bench; the cases."""
    bench = bench_of(request)
    return templates.TemplateResponse(request, "start.html", {"cards": bench.folder.cards()})


async def icon(request: Request) -> Response:
    """Browsers ask for it of themselves; there is none."""
    return Response(status_code=204)


async def recording(request: Request) -> Response:
    """The page of a recording."""
    bench = bench_of(request)
    card = bench.folder.card(request.path_params["id"])
    return templates.TemplateResponse(request, "recording.html", {"card": card})


def _show(line: str) -> None:
    print(line, file=sys.stderr, flush=True)


def make_bench(root: Path, cases: str | None, limits: Limits, show: Callable[[str], None]) -> Bench:
    """Everything that the routes share. ``show``: puts a line where the user of this machine sees it."""
    live, folder, database = Live(), Folder(root), Cases.open(cases)

    def there(kind: str, its_id: str) -> bool:
        return (folder.of(its_id) / "card.json").exists() if kind == "recording" else its_id in database.ids()

    jobs = Jobs(folder, live, cases)
    return Bench(
        folder=folder,
        cases=database,
        shelf=Shelf(root / "state", there),
        live=live,
        jobs=jobs,
        arrivals=Arrivals(folder, jobs.tell, limits),
        keys=Keys(root),
        pairing=Pairing(show),
    )


def make_app(
    root: Path,
    cases: str | None = None,
    lan: bool = False,
    limits: Limits | None = None,
    show: Callable[[str], None] = _show,
) -> Starlette:
    """The app on a data folder and a database of cases. ``lan``: for the network, where devices have to be paired."""
    bench = make_bench(root, cases, limits or Limits(), show)

    @asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        opening = asyncio.create_task(bench.jobs.open())  # the first page does not wait for it
        if lan:
            bench.pairing.ask()
        yield
        await opening
        await bench.jobs.close()
        bench.shelf.write()

    app = Starlette(
        routes=[
            Route("/", start),
            Route("/favicon.ico", icon),
            Route("/recordings/{id}", recording),
            *recording_routes(),
            *strip_routes(),
            *pairing_routes(),
            WebSocketRoute("/live", bench.live.serve),
            *case_routes(),
            *hookup_routes(),
            Mount("/static", StaticFiles(directory=HERE / "static")),
        ],
        middleware=[Middleware(Guard, keys=bench.keys, lan=lan)],
        exception_handlers={WitnessmarkError: refused},
        lifespan=lifespan,
    )
    app.state.bench = bench
    return app
