"""The routes of cases: thin over :mod:`witnessmark.cases`, which decides what a case takes.

An entry names the last entry its page has seen (``expected``). Where the log has grown since, nothing is written: the
answer is 409 with what came in between, for the page to show above the form, in which every word stays.
"""

from __future__ import annotations

import json
import os
from collections.abc import Awaitable, Callable
from functools import wraps
from pathlib import Path
from typing import Any

from markupsafe import escape
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, JSONResponse, Response
from starlette.routing import BaseRoute, Route

from witnessmark.cases.bodies import Body, Opened, Photo, RecordingAdded, Snapshot
from witnessmark.cases.model import Attachment, Case
from witnessmark.cases.store import LARGEST_FILE, Cases
from witnessmark.errors import BadCase, CaseChanged, WitnessmarkError
from witnessmark.workbench.case_entries import bodies_for
from witnessmark.workbench.case_pages import card_of, entry_of, list_of, page_of
from witnessmark.workbench.jobs import compare_key
from witnessmark.workbench.recording_routes import brought, check_open, on_bench, recording_in

LONGEST_JSON = 1_000_000  # bytes of a form
PROOF_POLICY = "sandbox; default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'"


def _bench(request: Request) -> Any:
    return request.app.state.bench


def writer_of(request: Request, given: Any) -> str:
    """Who writes: as the page says, else the name of the paired device, else the user of this machine."""
    from witnessmark.cases.options import writer

    device = getattr(getattr(request.state, "device", None), "name", "")
    return writer(given if isinstance(given, str) and given.strip() else device or None)


Handler = Callable[[Request], Awaitable[Response]]


def told(handler: Handler) -> Handler:
    """Errors of the input as one line of JSON, the field named where it is known; a log that has grown as 409."""

    @wraps(handler)
    async def answer(request: Request) -> Response:
        try:
            return await handler(request)
        except CaseChanged as error:
            return await _changed(request, error)
        except WitnessmarkError as error:
            text = _placeless(request, str(error))
            return JSONResponse({"error": text.removeprefix("new entry: "), "field": _field(text)}, status_code=400)

    return answer


async def _changed(request: Request, error: CaseChanged) -> Response:
    case = await run_in_threadpool(_bench(request).cases.read, request.path_params["id"])
    since = getattr(request.state, "expected", None) or 0
    between = [entry_of(e) for e in case.log if e.number > since]
    return JSONResponse({"error": str(error), "last": case.last, "between": between}, status_code=409)


def _field(text: str) -> str:
    """The field that an error of an entry is about; empty where it names none."""
    parts = text.split(": ")
    if text.startswith("--vin"):
        return "vin"
    return parts[1].split(".")[0] if len(parts) > 2 and parts[0] == "new entry" else ""


def _placeless(request: Request, text: str) -> str:
    """A line without any place on this machine."""
    return str(_bench(request).folder.without_places(text))


async def read_bytes(request: Request) -> bytes:
    """The body of a form; BadCase where it is too large for one."""
    raw = bytearray()
    async for part in request.stream():
        raw += part
        if len(raw) > LONGEST_JSON:
            raise BadCase(f"the form: larger than {LONGEST_JSON} bytes; add large things as files")
    return bytes(raw)


async def read_json(request: Request) -> dict[str, Any]:
    """What a form sent; BadCase where it is no JSON object, or too large."""
    raw = await read_bytes(request)
    try:
        data = json.loads(raw)
    except (ValueError, RecursionError):
        raise BadCase("the form: no JSON; reload the page") from None
    if not isinstance(data, dict):
        raise BadCase("the form: expected a JSON object; reload the page")
    return data


async def page(request: Request) -> Response:
    """The page of a case."""
    from witnessmark.workbench.bench import templates
    from witnessmark.workbench.case_forms import catalogue, causes

    case = await run_in_threadpool(_read, request)
    context = {"case": case, "tests": catalogue(), "causes": causes()}
    return templates.TemplateResponse(request, "case.html", context)


def _read(request: Request) -> Case:
    cases: Cases = _bench(request).cases
    return cases.read(request.path_params["id"])


@told
async def listed(request: Request) -> Response:
    """What the first page shows: recordings on the bench, cases in short, a line for each case that cannot be read."""
    bench = _bench(request)
    found, damaged = await run_in_threadpool(bench.cases.read_each)
    cards = await run_in_threadpool(lambda: [card_of(bench.folder, c) for c in bench.folder.cards()])
    return JSONResponse(
        {"cards": cards, "cases": list_of(found), "damaged": [_placeless(request, d) for d in damaged]}
    )  # fmt: skip


@told
async def state(request: Request) -> Response:
    """A case as its page shows it."""
    case = await run_in_threadpool(_read, request)
    return JSONResponse(await run_in_threadpool(page_of, _bench(request).cases, case, _bench(request).folder.cards()))


@told
async def new(request: Request) -> Response:
    """Open a case."""
    from witnessmark.cases.vin import sealed

    data = await read_json(request)
    masked, seal = sealed(str(data["vin"])) if data.get("vin") else ("", None)
    given = data.get("codes")
    codes = tuple(str(c).upper() for c in given) if isinstance(given, list) else ()
    opened = Opened(str(data.get("complaint") or ""), str(data.get("vehicle") or ""), str(data.get("customer") or ""),
                    codes, masked, None if seal is None else seal.sha256)  # fmt: skip
    files = () if seal is None else (seal,)
    case = await run_in_threadpool(_bench(request).cases.new, opened, writer_of(request, data.get("by")), files)
    return _grown(request, case, 201)


def _grown(request: Request, case: Case, status: int = 200, note: str = "") -> Response:
    """Tell every page that a case has grown, and answer with its last entry."""
    _bench(request).live.tell({"kind": "case", "case": case.id, "last": case.last})
    return JSONResponse({"case": case.id, "last": case.last, "url": f"/cases/{case.id}", "note": note},
                        status_code=status)  # fmt: skip


def _expected(request: Request, given: Any) -> int | None:
    request.state.expected = given if isinstance(given, int) and not isinstance(given, bool) else None
    expected: int | None = request.state.expected
    return expected


@told
async def enter(request: Request) -> Response:
    """Append an entry: {"kind", "fields", "expected", "by"}."""
    data = await read_json(request)
    fields = data.get("fields")
    make, files = bodies_for(str(data.get("kind")), fields if isinstance(fields, dict) else {})
    expected = _expected(request, data.get("expected"))
    store: Cases = _bench(request).cases
    case = await run_in_threadpool(
        store.add, request.path_params["id"], make, writer_of(request, data.get("by")), files, expected
    )
    return _grown(request, case, 201)


ENGINE = ("off", "cranking", "running")


@told
async def add_file(request: Request) -> Response:
    """Append a photo or a snapshot of codes (the body): ?kind=photo|snapshot&name=&note=&engine=&expected=&by=.

    engine: what it did while the snapshot was read, one of ENGINE, or empty. A snapshot that tells something is weighed
    with the last recording since the last work, which is analysed anew.
    """
    from witnessmark.workbench.folder import safe_name

    asked = request.query_params
    make = _maker(asked.get("kind", ""), asked.get("note", ""), asked.get("engine", ""))
    seen = asked.get("expected", "")
    expected = _expected(request, int(seen) if seen.isdecimal() and len(seen) < 10 else None)
    by = writer_of(request, asked.get("by"))
    with _bench(request).folder.passing() as folder:
        path = Path(folder) / safe_name(asked.get("name", "file"))
        await _received(request, path)
        try:
            body, file = await run_in_threadpool(make, str(path))
        except WitnessmarkError as error:
            raise BadCase(str(error).replace(f"{folder}{os.sep}", "")) from None
        store: Cases = _bench(request).cases
        case = await run_in_threadpool(store.add, request.path_params["id"], body, by, (file,), expected)
    not_weighed = await _weigh_anew(_bench(request), case, by) if isinstance(body, Snapshot) and body.findings else ""
    return _grown(request, case, 201, not_weighed)


def _maker(kind: str, note: str, engine: str) -> Callable[[str], tuple[Body, Attachment]]:
    """What makes an entry of a file."""
    from witnessmark.cases import work

    if kind == "photo":
        return lambda path: work.photo(path, note)
    if kind != "snapshot" or engine not in ("", *ENGINE):
        raise BadCase("a file of a case is a photo or a snapshot; reload the page")
    did: Any = engine or None
    return lambda path: work.snapshot(path, note, did)


async def _weigh_anew(bench: Any, case: Case, by: str) -> str:
    """Have the recording that a snapshot moves analysed anew with it; why it cannot be, where it cannot."""
    from witnessmark.cases.evidence import to_weigh_anew

    number = to_weigh_anew(case)
    if number is None:
        return ""
    try:
        added = recording_in(case, number)
        card = on_bench(bench.folder, case.id, number, added)
        if card is None:
            await brought(bench, case, number, added, by)
            return ""
        await bench.jobs.let_go(card.id)
        bench.jobs.begin(card.id)
        bench.folder.keep(bench.folder.card(card.id), by=by, case=case.id, entry=number)
        return ""
    except WitnessmarkError as error:
        return f"Not weighed with recording {number}: {bench.folder.without_places(str(error))}"


async def _received(request: Request, path: Path) -> None:
    size = 0
    with open(path, "wb") as out:
        async for part in request.stream():
            size += len(part)
            if size > LARGEST_FILE:
                raise BadCase(f"{path.name}: larger than {LARGEST_FILE} bytes; make it smaller")
            out.write(part)


@told
async def photo(request: Request) -> Response:
    """The pixels of a photo of the case; its original stays in the database."""
    from witnessmark.cases.pictures import small_jpeg

    case = await run_in_threadpool(_read, request)
    sha256 = request.path_params["sha256"]
    known = any(p.file == sha256 for e in case.log for p in (e.entry.body,) if isinstance(p, Photo))
    file: Attachment | None = await run_in_threadpool(_bench(request).cases.file, case.id, sha256) if known else None
    small = None if file is None else await run_in_threadpool(small_jpeg, file.data)
    if small is None:
        return JSONResponse({"error": "the picture cannot be shown here"}, status_code=404)
    return Response(small, media_type="image/jpeg", headers={"Cache-Control": "private, max-age=86400"})


@told
async def proof(request: Request) -> Response:
    """The shop's report or the customer's page."""
    from functools import partial

    from witnessmark.cases.customer import customer_html
    from witnessmark.cases.document import shop_html

    case = await run_in_threadpool(_read, request)
    make = shop_html if request.path_params["reader"] == "shop" else customer_html
    files = partial(_bench(request).cases.file, case.id)
    text = await run_in_threadpool(make, case, case.opened.vin, files)
    for entry in case.log:
        for body in (entry.body, entry.entry.body):
            if isinstance(body, RecordingAdded):
                for path in filter(None, (body.path, body.setup_path)):
                    text = text.replace(str(escape(path)), str(escape(os.path.basename(path))))
    return HTMLResponse(text, headers={"Content-Security-Policy": PROOF_POLICY})


@told
async def export(request: Request) -> Response:
    """The case as one zip, without its recordings and without the whole vehicle number."""
    from starlette.background import BackgroundTask

    from witnessmark.cases.archive import default_name, write_zip

    case = await run_in_threadpool(_read, request)
    folder = _bench(request).folder.passing()
    place = os.path.join(folder.name, default_name(case))
    try:
        await run_in_threadpool(write_zip, _bench(request).cases, case, place)
    except WitnessmarkError:
        folder.cleanup()
        raise
    return FileResponse(place, media_type="application/zip", filename=default_name(case),
                        background=BackgroundTask(folder.cleanup))  # fmt: skip


@told
async def add_recording(request: Request) -> Response:
    """Make a recording of the bench evidence of the case: {"recording", "note", "by"}.

    It is analysed for the case when it is its turn, and entered then, as one that is dropped into a case is.
    """
    bench, case_id = _bench(request), request.path_params["id"]
    data = await read_json(request)
    card = bench.folder.card(str(data.get("recording")))
    if card.case and card.entry is not None:
        raise BadCase(f"{card.name}: belongs to case {card.case} already, as entry {card.entry}")
    check_open(await run_in_threadpool(_read, request))
    await bench.jobs.let_go(card.id)
    if card.stage == "arriving" or bench.jobs.busy(card.id):
        raise BadCase(f"{card.name}: is being worked on; wait until it is analysed")
    note, by = str(data.get("note") or "")[:1000], writer_of(request, data.get("by"))
    bench.folder.keep(bench.folder.card(card.id), case=case_id, note=note, by=by)
    bench.jobs.begin(card.id)
    return JSONResponse({"id": card.id}, status_code=202)


@told
async def compare(request: Request) -> Response:
    """The check of the repair: {"before": entry or null, "after": entry or id of a recording on the bench, "by"}.

    It waits for its turn as every other work; how far it is is told to the pages. Answered when it is entered.
    """
    bench, case_id = _bench(request), request.path_params["id"]
    data = await read_json(request)
    case = await run_in_threadpool(_read, request)
    after, before = data.get("after"), data.get("before")
    card = None if isinstance(after, int) else bench.folder.card(str(after))
    path = recording_in(case, after).path if isinstance(after, int) else str(bench.folder.original(card))
    asked = {"path": path, "before": before if isinstance(before, int) else None,
             "by": writer_of(request, data.get("by"))}  # fmt: skip
    if wrong := await bench.jobs.compare(case_id, asked):
        raise BadCase(wrong)
    case = await run_in_threadpool(_read, request)
    if card is not None:
        entry = next((n for n, r in reversed(case.of(RecordingAdded)) if r.path == os.path.abspath(path)), None)
        bench.jobs.keep(card.id, case=case_id, entry=entry)
    return _grown(request, case, 201)


@told
async def stop_compare(request: Request) -> Response:
    """Stop holding two recordings of a case against each other."""
    _bench(request).jobs.stop(compare_key(request.path_params["id"]))
    return JSONResponse({})


def case_routes() -> list[BaseRoute]:
    """The routes of cases."""
    one = "/api/cases/{id}"
    return [
        Route("/cases/{id}", page),
        Route("/api/bench", listed),
        Route("/api/cases", new, methods=["POST"]),
        Route(one, state),
        Route(f"{one}/entries", enter, methods=["POST"]),
        Route(f"{one}/files", add_file, methods=["PUT"]),
        Route(f"{one}/photos/{{sha256}}", photo),
        Route(f"{one}/proof/{{reader:str}}", proof),
        Route(f"{one}/export", export),
        Route(f"{one}/recordings", add_recording, methods=["POST"]),
        Route(f"{one}/compare", compare, methods=["POST"]),
        Route(f"{one}/compare/stop", stop_compare, methods=["POST"]),
    ]
