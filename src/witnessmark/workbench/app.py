"""The web app: its routes, put together."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Mount, Route, WebSocketRoute
from starlette.staticfiles import StaticFiles
from starlette.templating import Jinja2Templates

from witnessmark import __version__
from witnessmark.cases.store import Cases
from witnessmark.errors import WitnessmarkError
from witnessmark.workbench.case_routes import case_routes
from witnessmark.workbench.folder import Folder
from witnessmark.workbench.hookup import hookup_routes
from witnessmark.workbench.hub import Shelf
from witnessmark.workbench.jobs import Jobs
from witnessmark.workbench.live import Live
from witnessmark.workbench.strip import strip_routes

HERE = Path(__file__).parent


@dataclass(frozen=True)
class Bench:
    """What the routes share: the data folder, the cases, what pages show, the work in hand and the pages looking on."""

    folder: Folder
    cases: Cases
    shelf: Shelf
    live: Live
    jobs: Jobs


def bench_of(request: Request) -> Bench:
    """The bench a request is for."""
    bench: Bench = request.app.state.bench
    return bench


templates = Jinja2Templates(directory=HERE / "templates")
templates.env.globals["version"] = __version__


async def start(request: Request) -> Response:
    """The first page: drop a recording; what lies on the bench; the cases."""
    bench = bench_of(request)
    return templates.TemplateResponse(request, "start.html", {"cards": bench.folder.cards()})


async def recording(request: Request) -> Response:
    """The page of a recording."""
    bench = bench_of(request)
    card = bench.folder.card(request.path_params["id"])
    return templates.TemplateResponse(request, "recording.html", {"card": card})


async def drop(request: Request) -> Response:
    """Take in a dropped file (the body) and begin to import it."""
    bench = bench_of(request)
    card = bench.folder.begin(request.query_params.get("name", "recording"), request.query_params.get("case", ""))
    with open(bench.folder.original(card), "wb") as file:
        async for part in request.stream():
            file.write(part)
    card = bench.folder.keep(card, stage="waiting")
    bench.jobs.begin(card)
    return JSONResponse({"id": card.id, "url": f"/recordings/{card.id}"}, status_code=201)


def _file(name: str, kind: str):  # type: ignore[no-untyped-def]
    async def give(request: Request) -> Response:
        bench = bench_of(request)
        place = bench.folder.of(request.path_params["id"]) / name
        if not place.exists():
            return JSONResponse({"error": f"{request.path_params['id']}: is not analysed yet"}, status_code=404)
        return FileResponse(place, media_type=kind)

    return give


async def stop(request: Request) -> Response:
    """Stop the work on a recording; what was made so far is removed."""
    bench_of(request).jobs.stop(request.path_params["id"])
    return JSONResponse({})


async def refused(request: Request, error: Exception) -> Response:
    """A mistake of the input in one line."""
    return JSONResponse({"error": str(error)}, status_code=400)


def make_app(root: Path, cases: str | None = None) -> Starlette:
    """The app on a data folder and a database of cases."""
    live = Live()
    folder = Folder(root)
    bench = Bench(folder, Cases.open(cases), Shelf(root / "state"), live, Jobs(folder, live))

    @asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        bench.jobs.take_up()
        yield
        await bench.jobs.close()

    app = Starlette(
        routes=[
            Route("/", start),
            Route("/recordings/{id}", recording),
            Route("/api/recordings", drop, methods=["PUT"]),
            Route("/api/recordings/{id}/analysis", _file("analysis.json", "application/json")),
            Route("/api/recordings/{id}/views", _file("views.json", "application/json")),
            Route("/api/recordings/{id}/report", _file("report.html", "text/html")),
            Route("/api/recordings/{id}/stop", stop, methods=["POST"]),
            *strip_routes(),
            *case_routes(),
            *hookup_routes(),
            WebSocketRoute("/live", live.serve),
            Mount("/static", StaticFiles(directory=HERE / "static")),
        ],
        exception_handlers={WitnessmarkError: refused},
        lifespan=lifespan,
    )
    app.state.bench = bench
    return app
