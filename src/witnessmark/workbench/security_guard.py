"""What stands before every route: who asks, from where, under which name, and how much."""

from __future__ import annotations

import ipaddress
import socket
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from witnessmark.workbench.security import COOKIE, HERE, Device, Keys

SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
OPEN_TO_ALL = ("/pair", "/static/")  # what a device that is not paired sees: the page that pairs, and our own files
LARGEST_JSON = 1024 * 1024  # bytes; the longest form is some 20 kB
LARGEST_BODY = 64 * 1024 * 1024  # bytes of a photo or snapshot: what a case keeps at most of one file
ARRIVALS = "/api/recordings"  # recordings have limits of their own

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
    """The name in a Host header, without port and brackets."""
    if host.startswith("["):
        return host[1:].partition("]")[0].lower()
    return host.rpartition(":")[0].lower() if ":" in host else host.lower()


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
        sending = _with_headers(scope, headers.get("host", ""), send)
        if refusal is not None:
            return await refusal(scope, receive, sending)
        try:
            await self.app(scope, _limited(scope, headers, receive), sending)
        except TooLarge as error:
            await _answer(413, str(error))(scope, receive, sending)
        except OSError as error:  # the disk or the database; a page gets a line, and not where they lie
            said = (error.strerror or type(error).__name__).lower()
            await _answer(507, f"this machine cannot keep or find it: {said}")(scope, receive, sending)

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
        if device is None and not scope["path"].startswith(OPEN_TO_ALL):
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


def _with_headers(scope: Scope, host: str, send: Send) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers.setdefault(name, value)
            headers.setdefault("Content-Security-Policy", POLICY.format(host=host))
            headers.setdefault("Cache-Control", "no-cache" if scope["path"].startswith("/static/") else "no-store")
        await send(message)

    return sending


def _limited(scope: Scope, headers: Headers, receive: Receive) -> Receive:
    """The body, as long as its kind may be."""
    if scope["path"] == ARRIVALS and scope["method"] == "PUT":
        return receive
    json_body = headers.get("content-type", "application/json").startswith("application/json")
    most, taken = (LARGEST_JSON if json_body else LARGEST_BODY), 0

    async def receiving() -> Message:
        nonlocal taken
        message = await receive()
        taken += len(message.get("body", b""))
        if taken > most:
            raise TooLarge(f"more than {most} bytes; nothing was changed: send less")
        return message

    return receiving
