"""The page where a device is paired."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import BaseRoute, Route

from witnessmark.errors import BadWorkbench
from witnessmark.workbench.bench import bench_of, templates
from witnessmark.workbench.folder import new_id
from witnessmark.workbench.security import COOKIE, COOKIE_DAYS, DAY_S, Device
from witnessmark.workbench.security_guard import device_of

LONGEST_NAME = 40


async def page(request: Request) -> Response:
    """The page that asks for the code."""
    if device_of(request) is not None:
        return RedirectResponse("/", 303)
    bench_of(request).pairing.ask()
    return templates.TemplateResponse(request, "pair.html", {"waits_s": bench_of(request).pairing.waits_s})


async def pair(request: Request) -> Response:
    """Take the code and give the device its cookie."""
    try:
        told = await request.json()
        code, name = str(told["code"]), " ".join(str(told["name"]).split())[:LONGEST_NAME]
    except (ValueError, KeyError, TypeError, RecursionError):
        raise BadWorkbench("the form: expected a code and a name; load the page again") from None
    if not name or not name.isprintable():
        raise BadWorkbench("give this device or yourself a name: it stands at what is entered here")
    bench_of(request).pairing.take(code)
    answer = JSONResponse({"url": "/"})
    cookie = bench_of(request).keys.cookie(Device(new_id(), name))
    answer.set_cookie(COOKIE, cookie, max_age=int(COOKIE_DAYS * DAY_S), httponly=True, samesite="strict", path="/")
    return answer


def pairing_routes() -> list[BaseRoute]:
    """The routes of pairing."""
    return [Route("/pair", page), Route("/pair", pair, methods=["POST"])]
