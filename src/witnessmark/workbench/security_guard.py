"""What stands before every route: who asks, from where, under which name, and how much."""

from __future__ import annotations

import asyncio
import ipaddress
import re
import socket
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from witnessmark.workbench.security import COOKIE, HERE, Device, Keys

SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
PAIR, OUR_FILES = "/pair", "/static/"  # what a device that is not paired sees: the page that pairs, and our own files
LARGEST_PAIRING = 4096  # bytes: a code and a name, from somebody nobody knows yet
LARGEST_JSON = 1024 * 1024  # bytes; the longest form is some 20 kB
LARGEST_BODY = 64 * 1024 * 1024  # bytes of a photo or snapshot: what a case keeps at most of one file
ARRIVALS = "/api/recordings"  # recordings have limits of their own
PATIENCE_S = 60.0  # between two parts of a body: a tablet that went out of reach holds no place for longer
HOST = re.compile(r"(\[[0-9a-f:.]+\]|[a-z0-9._-]+)(?::[0-9]{1,5})?", re.IGNORECASE)

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; "
    "connect-src 'self' ws://{host}; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
"""``ws://``: browsers before 2022 do not count a WebSocket as ``'self'``."""
REPORT_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'; sandbox"
)
"""A report brings its style in itself, and needs nothing else: no script, no form, no request."""
HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "X-Frame-Options": "DENY",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}


def own_names() -> frozenset[str]:
    """What this machine is called on its network."""
    name = socket.gethostname().lower()
    return frozenset({name, name.partition(".")[0], f"{name.partition('.')[0]}.local"} - {""})


def is_loopback(address: str) -> bool:
    """Whether this is the machine itself; an IPv4 address may come in IPv6 form."""
    try:
        ip = ipaddress.ip_address(address)
    except ValueError:
        return False
    mapped = getattr(ip, "ipv4_mapped", None)
    return (mapped or ip).is_loopback


def host_name(host: str) -> str:
    """The name in a Host header, without port and brackets; empty where it is not of the form of one."""
    form = HOST.fullmatch(host)
    return "" if form is None else form[1].strip("[]").lower()


class TooLarge(Exception):
    """A body that is longer than its kind may be."""


@dataclass(frozen=True)
class Guard:
    """Lets through what may pass. ``lan``: the bench is served on the network, paired devices may come in."""

    app: ASGIApp
    keys: Keys
    lan: bool = False
    names: frozenset[str] = field(default_factory=own_names)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Check, then pass on; every answer gets the headers that keep a browser strict."""
        if scope["type"] == "lifespan":
            return await self.app(scope, receive, send)
        headers = Headers(scope=scope)
        device = self._device(scope, headers)
        scope.setdefault("state", {})["device"] = device
        refusal = self._refusal(scope, headers, device)
        if scope["type"] == "websocket":
            if refusal is not None:
                return await send({"type": "websocket.close", "code": 1008})
            return await self.app(scope, receive, send)
        sending = Sending(scope, headers.get("host", ""), send)
        if refusal is not None:
            return await refusal(scope, receive, sending)
        try:
            await self.app(scope, _limited(scope, headers, receive), sending)
        except Exception as error:
            status, said = _trouble(error)
            if not sending.begun:
                await _answer(status, said)(scope, receive, sending)
            if status == 500:
                raise  # the terminal gets the whole of it

    def _device(self, scope: Scope, headers: Headers) -> Device | None:
        if is_loopback((scope.get("client") or ("",))[0]):
            return HERE
        try:
            cookie = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
        except CookieError:
            return None
        return None if cookie is None else self.keys.device(cookie.value)

    def _knows(self, host: str) -> bool:
        """Whether this is a name of this machine. An address is: no other site can make a browser name it."""
        name = host_name(host)
        if name == "localhost" or is_loopback(name):
            return True
        if not self.lan:
            return False
        try:
            ipaddress.ip_address(name)
            return True
        except ValueError:
            return name in self.names

    def _refusal(self, scope: Scope, headers: Headers, device: Device | None) -> Response | None:
        """What to answer instead; None where the request may pass."""
        host, changes = headers.get("host", ""), scope["type"] == "websocket" or scope["method"] not in SAFE
        if not self._knows(host):
            return _answer(421, "this bench is not served under that name; use the address that its terminal shows")
        origin = headers.get("origin")
        if changes and (origin is not None or scope["type"] == "websocket") and origin != f"http://{host}":
            return _answer(403, "this comes from another site's page; nothing was changed")
        if changes and headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
            return _answer(403, "this comes from another site's page; nothing was changed")
        if device is None and scope["path"] != PAIR and not scope["path"].startswith(OUR_FILES):
            page = scope["type"] == "http" and scope["method"] == "GET" and not scope["path"].startswith("/api/")
            return RedirectResponse("/pair", 303) if page else _answer(401, "this device is not paired; open /pair")
        if scope["type"] == "http" and changes:
            told = headers.get("x-witnessmark") == "1" and self.keys.is_token(device, headers.get("x-token", ""))
            if not told:
                return _answer(403, "this page is from before the last pairing; load it again")
        return None


def device_of(request: Request) -> Device | None:
    """The device a request comes from; None where it is not paired."""
    device: Device | None = request.state.device
    return device


def _answer(status: int, said: str) -> Response:
    return JSONResponse({"error": said}, status_code=status)


def _trouble(error: Exception) -> tuple[int, str]:
    """(status, line) for what no route took care of; a page gets a line, and not where things lie."""
    if isinstance(error, TooLarge):
        return 413, str(error)
    if isinstance(error, ClientDisconnect):
        return 408, "it did not arrive whole; nothing was changed: send it again"
    if isinstance(error, OSError):  # the disk or the database
        return 507, f"this machine cannot keep or find it: {(error.strerror or type(error).__name__).lower()}"
    return 500, f"a fault of the program ({type(error).__name__}), told in full in the bench's terminal; report it"


class Sending:
    """Sends an answer, with the headers that keep a browser strict. ``begun``: whether it is on its way."""

    def __init__(self, scope: Scope, host: str, send: Send):
        """``host``: the name asked for; one that is none gets into no header."""
        self._scope, self._send, self.begun = scope, send, False
        self._host = host if host_name(host) else "127.0.0.1"

    async def __call__(self, message: Message) -> None:
        """Send a part of it."""
        if message["type"] == "http.response.start":
            self.begun = True
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers.setdefault(name, value)
            headers.setdefault("Content-Security-Policy", POLICY.format(host=self._host))
            ours = self._scope["path"].startswith(OUR_FILES)
            headers.setdefault("Cache-Control", "no-cache" if ours else "no-store")
        await self._send(message)


def _limited(scope: Scope, headers: Headers, receive: Receive) -> Receive:
    """The body, as long as its kind may be, and only while it keeps coming."""
    most, taken, whole = _most(scope, headers), 0, scope["method"] in SAFE

    async def receiving() -> Message:
        nonlocal taken, whole
        try:
            async with asyncio.timeout(None if whole else PATIENCE_S):
                message = await receive()
        except TimeoutError:
            return {"type": "http.disconnect"}
        whole = whole or not message.get("more_body", False)
        taken += len(message.get("body", b""))
        if most is not None and taken > most:
            raise TooLarge(f"more than {most} bytes; nothing was changed: send less")
        return message

    return receiving


def _most(scope: Scope, headers: Headers) -> int | None:
    """Bytes that a body may have; None where its route has limits of its own."""
    if scope["path"] == ARRIVALS and scope["method"] == "PUT":
        return None
    if scope["path"] == PAIR:
        return LARGEST_PAIRING
    json_body = headers.get("content-type", "application/json").startswith("application/json")
    return LARGEST_JSON if json_body else LARGEST_BODY
