"""One WebSocket a page: progress and state go out, what the user picks comes in.

Page to server: {"kind": "join", "topics": [..]} and {"kind": "set", "topic", "key", "value", "base", "n"} (``base``:
the revision the page has seen of this key, or null where the last one to move wins; ``n``: comes back with the answer).
Server to page: {"kind": "state", "topic", "revision", "values", "revisions"} (with ``n``: the page's own change is
kept), {"kind": "refused", "topic", "key", "value", "revision", "yours", "n"}, {"kind": "wrong", "error", "n"},
{"kind": "card", "card"} (with ``joined``: as it stands when a page joins) and {"kind": "case", "case", "last"}.

Each page has an outbox of its own. A page that reads slowly gets the newest of what moved and not all between; one that
reads nothing is let go, and joins again when it can.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
from itertools import count
from typing import Any

from starlette.websockets import WebSocket, WebSocketDisconnect

from witnessmark.errors import WitnessmarkError
from witnessmark.workbench.folder import Folder, shown_card
from witnessmark.workbench.hub import Refused, Shelf, kind_of

MOST_PAGES = 64  # open at once
MOST_TOPICS = 16  # joined by one page
MOST_WAITING = 400  # messages in the outbox of a page; a bench with 200 recordings sends them all when joined
MOST_WRONG = 50  # messages of one page that make no sense
TRY_AGAIN_LATER = 1013  # RFC 6455 registry of close codes

Message = dict[str, Any]


class Outbox:
    """What is still to be sent to a page, the newer in the place of the older."""

    def __init__(self) -> None:
        """Nothing yet."""
        self._waiting: dict[object, Message] = {}
        self._some, self._number = asyncio.Event(), count()

    def put(self, message: Message) -> None:
        """Add a message."""
        self._waiting[self._same(message)] = message
        self._some.set()

    @property
    def too_full(self) -> bool:
        """Whether more waits than a page that reads would leave."""
        return len(self._waiting) > MOST_WAITING

    def _same(self, message: Message) -> object:
        """What a message is about, where only the newest of its kind counts."""
        if message["kind"] == "card":
            return "card", message["card"]["id"]
        if message["kind"] == "state" and len(message["values"]) == 1:
            return "state", message["topic"], *message["values"]
        return next(self._number)

    async def take(self) -> Message:
        """The oldest that waits."""
        while not self._waiting:
            self._some.clear()
            await self._some.wait()
        return self._waiting.pop(next(iter(self._waiting)))


class Live:
    """The pages that look on."""

    def __init__(self) -> None:
        """Nobody yet."""
        self._pages: dict[WebSocket, tuple[set[str], Outbox]] = {}

    def tell(self, message: Message, topic: str | None = None, but: WebSocket | None = None) -> None:
        """Send a message to every page (that has joined the topic)."""
        for page, (topics, outbox) in list(self._pages.items()):
            if page is but or (topic is not None and topic not in topics):
                continue
            outbox.put(message)
            if outbox.too_full:
                self._pages.pop(page)
                asyncio.get_running_loop().create_task(_close(page))

    async def serve(self, page: WebSocket) -> None:
        """Serve one page until it goes."""
        bench = page.app.state.bench
        await page.accept()
        if len(self._pages) >= MOST_PAGES:
            return await page.close(TRY_AGAIN_LATER)
        outbox = Outbox()
        self._pages[page] = set(), outbox
        sending = asyncio.create_task(_send_all(page, outbox))
        wrong = 0
        try:
            while page in self._pages and wrong < MOST_WRONG and not outbox.too_full:
                text = await page.receive_text()
                try:
                    self._hear(page, bench.shelf, bench.folder, read(text))
                except (WitnessmarkError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
                    wrong += not isinstance(error, WitnessmarkError)
                    said = str(error) if isinstance(error, WitnessmarkError) else "this message makes no sense"
                    outbox.put({"kind": "wrong", "error": said, "n": _number(text)})
            await _close(page)
        except (WebSocketDisconnect, RuntimeError, KeyError):  # KeyError: starlette's, of a frame that is no text
            pass
        finally:
            self._pages.pop(page, None)
            sending.cancel()

    def _hear(self, page: WebSocket, shelf: Shelf, folder: Folder, message: Message) -> None:
        topics, outbox = self._pages[page]
        if message["kind"] == "join":
            for topic in list(dict.fromkeys(message["topics"]))[:MOST_TOPICS]:
                state = _state(shelf, topic)
                if topic not in topics and len(topics) >= MOST_TOPICS:
                    return
                topics.add(topic)
                outbox.put(state)
                for card in _cards(folder, topic):
                    outbox.put({"kind": "card", "card": card, "joined": True})
        elif message["kind"] == "set":
            self._set(page, shelf, message)

    def _set(self, page: WebSocket, shelf: Shelf, message: Message) -> None:
        topic, key, value, outbox = message["topic"], message["key"], message["value"], self._pages[page][1]
        done = shelf.set(topic, key, value, message.get("base"))
        if isinstance(done, Refused):
            outbox.put({"kind": "refused", "topic": topic, "key": key, "value": done.value, "n": message.get("n"),
                        "revision": done.revision, "yours": value})  # fmt: skip
            return
        one = {"kind": "state", "topic": topic, "revision": done, "values": {key: value}, "revisions": {key: done}}
        self.tell(one, topic, but=page)
        outbox.put({**one, "values": {}, "n": message.get("n")})


def read(text: str) -> Message:
    """A message of a page; ValueError or TypeError where it is none."""
    message = json.loads(text, parse_constant=_no_number)
    if not isinstance(message, dict) or not isinstance(message.get("base"), int | None):
        raise TypeError
    return message


def _no_number(text: str) -> float:
    raise ValueError(f"{text} is no number")


def _number(text: str) -> int | None:
    """The number of a message that makes no sense otherwise."""
    with contextlib.suppress(ValueError, AttributeError, RecursionError):
        n = json.loads(text).get("n")
        return n if isinstance(n, int) else None
    return None


def _state(shelf: Shelf, topic: str) -> Message:
    kept = shelf.topic(topic)
    return {"kind": "state", "topic": topic, "revision": kept.revision, "values": dict(kept.values),
            "revisions": dict(kept.revisions)}  # fmt: skip


def _cards(folder: Folder, topic: str) -> list[Message]:
    """The cards that a page which joins may have missed."""
    kind, its_id = kind_of(topic)
    if kind == "recording":
        return [shown_card(folder.card(its_id))]
    return [shown_card(c) for c in folder.cards()[: MOST_WAITING // 2]] if kind == "start" else []


async def _send_all(page: WebSocket, outbox: Outbox) -> None:
    with contextlib.suppress(RuntimeError, WebSocketDisconnect):
        while True:
            await page.send_text(json.dumps(await outbox.take()))


async def _close(page: WebSocket) -> None:
    with contextlib.suppress(RuntimeError, WebSocketDisconnect):
        await page.close(TRY_AGAIN_LATER)
