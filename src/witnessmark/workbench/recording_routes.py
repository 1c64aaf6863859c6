"""The routes of recordings: they arrive, are worked on, are looked at, and go."""

from __future__ import annotations

from collections.abc import Awaitable, Callable

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import BaseRoute, Route

from witnessmark.cases.bodies import RecordingAdded
from witnessmark.cases.model import Case
from witnessmark.cases.work import content_of, size_of
from witnessmark.errors import BadCase, BadWorkbench
from witnessmark.workbench.bench import Bench, bench_of
from witnessmark.workbench.folder import Card, Folder, safe_name, shown_card
from witnessmark.workbench.security_guard import REPORT_POLICY, device_of

Handler = Callable[[Request], Awaitable[Response]]


def by_of(request: Request) -> str:
    """Who asks: the name of the paired device, else the user of this machine."""
    from witnessmark.cases.options import writer

    device = device_of(request)
    return device.name if device is not None and device.name else writer(None)


async def listed(request: Request) -> Response:
    """What lies on the bench."""
    return JSONResponse({"cards": [shown_card(c) for c in bench_of(request).folder.cards()]})


async def drop(request: Request) -> Response:
    """Take in a dropped file (the body) and put it in the queue: ?name=&case=&note=."""
    bench, asked = bench_of(request), request.query_params
    name, case_id = safe_name(asked.get("name", "recording")), asked.get("case", "")
    if case_id:
        check_open(await run_in_threadpool(bench.cases.read, case_id))
    by = by_of(request) if case_id else ""
    card = await bench.arrivals.take(request, name, case_id, by, asked.get("note", "")[:1000])
    bench.jobs.begin(card.id)
    return JSONResponse({"id": card.id, "url": f"/recordings/{card.id}"}, status_code=201)


def check_open(case: Case) -> None:
    """BadCase where a case takes no recording."""
    if not case.is_open:
        raise BadCase(f"case {case.id}: is closed and takes no recording; open it again first")


def _file(name: str, kind: str) -> Handler:
    """Gives a file that is made of a recording."""

    async def give(request: Request) -> Response:
        folder = bench_of(request).folder
        card = folder.card(request.path_params["id"])
        place = folder.of(card.id) / name
        if not place.exists():
            raise BadWorkbench(_not_yet(card), 404)
        return FileResponse(place, media_type=kind)

    return give


def _not_yet(card: Card) -> str:
    said = card.said or "is not analysed yet; wait"
    return said if said.startswith(card.name) else f"{card.name}: {said}"


async def report(request: Request) -> Response:
    """The report, made now where it is not there."""
    bench = bench_of(request)
    card = bench.folder.card(request.path_params["id"])
    place = bench.folder.of(card.id) / "report.html"
    if not (place.parent / "analysis.json").exists():
        raise BadWorkbench(_not_yet(card), 404)
    for _ in range(2):  # it may be under way, or have to be begun
        if not place.exists():
            if not bench.jobs.busy(card.id):
                bench.jobs.begin(card.id, "report")
            await bench.jobs.ended(card.id)
    if not place.exists():
        raise BadWorkbench(f"{card.name}: its report could not be made; analyse it again", 404)
    return FileResponse(place, media_type="text/html", headers={"Content-Security-Policy": REPORT_POLICY})


async def stop(request: Request) -> Response:
    """Stop the arrival of a recording, or the work on it."""
    bench, recording_id = bench_of(request), request.path_params["id"]
    if not bench.arrivals.stop(recording_id):
        bench.jobs.stop(bench.folder.card(recording_id).id)
    return JSONResponse({})


async def again(request: Request) -> Response:
    """Analyse anew, as after the form of the hookup; of a case's recording that is entered in the log."""
    bench = bench_of(request)
    card = bench.folder.card(request.path_params["id"])
    if card.stage == "arriving":
        raise BadWorkbench(f"{card.name}: is still arriving; wait")
    await bench.jobs.let_go(card.id)
    card = bench.folder.card(card.id)  # as it is now: somebody else may have asked meanwhile
    if not bench.jobs.busy(card.id) and card.case:
        bench.folder.keep(card, by=by_of(request))
    bench.jobs.begin(card.id)
    return JSONResponse({})


async def remove(request: Request) -> Response:
    """Take a recording from the bench. One that is evidence of a case stays."""
    bench = bench_of(request)
    card = bench.folder.card(request.path_params["id"])
    await bench.jobs.let_go(card.id)
    cases, damaged = await run_in_threadpool(bench.cases.read_each)
    held = await run_in_threadpool(_held, bench.folder, card, cases)
    if held or damaged:
        why = f"is evidence of case {held}" if held else "may be evidence of a case that cannot be read"
        raise BadWorkbench(f"{card.name}: {why} and stays", 409)
    if bench.jobs.busy(card.id) or card.stage == "arriving":  # asked last: work may have begun while cases were read
        raise BadWorkbench(f"{card.name}: is being worked on; stop it first")
    bench.folder.remove(card.id)
    bench.shelf.forget(f"recording:{card.id}")
    bench.live.tell({"kind": "card", "card": {**shown_card(card), "stage": "removed"}})
    return JSONResponse({})


def _held(folder: Folder, card: Card, cases: tuple[Case, ...]) -> str:
    """The case that a recording in the data folder is evidence of; empty where there is none."""
    from witnessmark.workbench.work_case import evidence_in

    return next((c.id for c in cases if evidence_in(c, folder.of(card.id))), "")


async def open_entry(request: Request) -> Response:
    """Bring a recording that a case knows by its place to the bench. Only what stands in its log, unchanged."""
    bench, number = bench_of(request), request.path_params["entry"]
    case = await run_in_threadpool(bench.cases.read, request.path_params["id"])
    added = recording_in(case, number)
    card = on_bench(bench.folder, case.id, number, added)
    if card is None:
        card = await brought(bench, case, number, added)
    return JSONResponse({"id": card.id, "url": f"/recordings/{card.id}"}, status_code=201)


def recording_in(case: Case, number: int) -> RecordingAdded:
    """The recording of an entry; BadCase where it is none."""
    added = dict(case.of(RecordingAdded)).get(number)
    if added is None:
        raise BadCase(f"case {case.id}: entry {number} is no recording that counts; choose another")
    return added


async def brought(bench: Bench, case: Case, number: int, added: RecordingAdded, by: str = "") -> Card:
    """The card of a case's recording that is brought to the bench and analysed; entered where ``by`` wants it."""
    await run_in_threadpool(_check_same, case.id, number, added)
    card = bench.folder.begin(safe_name(added.path), case.id, source=added.path, by=by)
    card = bench.folder.keep(card, entry=number)
    kept = None if added.setup_file is None else bench.cases.file(case.id, added.setup_file)
    if kept is not None:
        bench.folder.write(card.id, "setup.toml", kept.data.decode("utf-8", errors="replace"))
    bench.jobs.begin(card.id)
    return card


def on_bench(folder: Folder, case_id: str, number: int, added: RecordingAdded) -> Card | None:
    """The card of a case's recording; None where it is not on the bench."""
    for card in folder.cards():
        if (card.case, card.entry) == (case_id, number) or str(folder.original(card).absolute()) == added.path:
            return card
    return None


def _check_same(case_id: str, number: int, added: RecordingAdded) -> None:
    """BadCase where the recording is gone or not what it was."""
    if size_of(added.path) != added.size_bytes or content_of(added.path)[0] != added.sha256:
        raise BadCase(f"{added.path}: not what it was when it became recording {number} of case {case_id}; put the "
                      "original back")  # fmt: skip


def recording_routes() -> list[BaseRoute]:
    """The routes of recordings."""
    one = "/api/recordings/{id}"
    return [
        Route("/api/recordings", listed),
        Route("/api/recordings", drop, methods=["PUT"]),
        Route(f"{one}/analysis", _file("analysis.json", "application/json")),
        Route(f"{one}/views", _file("views.json", "application/json")),
        Route(f"{one}/report", report),
        Route(f"{one}/stop", stop, methods=["POST"]),
        Route(f"{one}/again", again, methods=["POST"]),
        Route(f"{one}/remove", remove, methods=["POST"]),
        Route("/api/cases/{id}/recordings/{entry:int}/open", open_entry, methods=["POST"]),
    ]
