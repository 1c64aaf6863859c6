"""One WebSocket a page: progress and state go out, what the user picks comes in.

Page to server: {"kind": "join", "topics": [..]} and {"kind": "set", "topic", "key", "value", "base"} (``base``: the
revision the page has seen of this key, or null where the last one to move wins). Server to page: {"kind": "state",
"topic", "revision", "values", "revisions"}, {"kind": "refused", "topic", "key", "value", "revision", "yours"},
{"kind": "card", "card"} and {"kind": "case", "case", "last"}.
"""

from __future__ import annotations

import contextlib
import json
from typing import Any

from starlette.websockets import WebSocket, WebSocketDisconnect

from witnessmark.workbench.hub import Refused, Shelf


class Live:
    """The pages that look on."""

    def __init__(self) -> None:
        """Nobody yet."""
        self._pages: dict[WebSocket, set[str]] = {}

    def tell(self, message: dict[str, Any], topic: str | None = None, but: WebSocket | None = None) -> None:
        """Send a message to every page (that has joined the topic)."""
        import asyncio

        for page, topics in list(self._pages.items()):
            if page is not but and (topic is None or topic in topics):
                asyncio.get_running_loop().create_task(_send(page, message))

    async def serve(self, page: WebSocket) -> None:
        """Serve one page until it goes."""
        shelf: Shelf = page.app.state.bench.shelf
        await page.accept()
        self._pages[page] = set()
        try:
            while True:
                await self._hear(page, shelf, json.loads(await page.receive_text()))
        except (WebSocketDisconnect, ValueError, KeyError, TypeError):
            pass
        finally:
            self._pages.pop(page, None)

    async def _hear(self, page: WebSocket, shelf: Shelf, message: dict[str, Any]) -> None:
        if message["kind"] == "join":
            self._pages[page] |= set(message["topics"])
            for topic in message["topics"]:
                await _send(page, _state(shelf, topic))
        elif message["kind"] == "set":
            topic, key = message["topic"], message["key"]
            done = shelf.set(topic, key, message["value"], message.get("base"))
            if isinstance(done, Refused):
                await _send(page, {"kind": "refused", "topic": topic, "key": key, "value": done.value,
                                   "revision": done.revision, "yours": message["value"]})  # fmt: skip
            else:
                one = {"kind": "state", "topic": topic, "revision": done, "values": {key: message["value"]},
                       "revisions": {key: done}}  # fmt: skip
                self.tell(one, topic, but=page)
                await _send(page, {**one, "values": {}})


def _state(shelf: Shelf, topic: str) -> dict[str, Any]:
    kept = shelf.topic(topic)
    return {"kind": "state", "topic": topic, "revision": kept.revision, "values": kept.values,
            "revisions": kept.revisions}  # fmt: skip


async def _send(page: WebSocket, message: dict[str, Any]) -> None:
    with contextlib.suppress(RuntimeError, WebSocketDisconnect):
        await page.send_text(json.dumps(message))
