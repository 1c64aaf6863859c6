"""What pages show, kept by the server by topic: keys with values and revisions, persisted.

A topic is ``start``, ``recording:ID`` or ``case:ID``, and each kind knows its keys, so that no page can fill the disk.
What moves many times a second is written a moment later; an exact edit (a form's draft) is on the disk when it is
answered.
"""

from __future__ import annotations

import asyncio
import json
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from witnessmark import output
from witnessmark.errors import BadOutput, BadWorkbench

KEYS: dict[str, frozenset[str]] = {
    "start": frozenset({"ground"}),
    "recording": frozenset({"picked", "window", "marks", "shown", "heights", "beside", "beside_by"}),
    "case": frozenset({"picked"}),
}
"""Keys of each kind of topic; any topic holds drafts of forms besides."""
DRAFT = re.compile(r"draft:[a-z0-9][a-z0-9:-]{0,39}")
TOPIC = re.compile(r"(start)|(recording|case):([a-z0-9]{8})")
LARGEST = 8 * 1024  # characters of a value as JSON: the names of 16 lines, or a tooth and a window
LARGEST_DRAFT = 64 * 1024  # of a form: a complaint of 20 pages
MOST_KEYS = 64  # of one topic: its own and its forms
WAIT_S = 0.5  # until what moves is written


@dataclass
class Topic:
    """State of one topic: the value of each key, the revision it was set at, and the revision of the whole."""

    values: dict[str, Any] = field(default_factory=dict)
    revisions: dict[str, int] = field(default_factory=dict)
    revision: int = 0


@dataclass(frozen=True)
class Refused:
    """An edit that another page was quicker with: nothing was changed."""

    key: str
    value: Any
    revision: int


def kind_of(topic: str) -> tuple[str, str]:
    """(kind, id) of a topic; BadWorkbench where it has not the form of one."""
    found = TOPIC.fullmatch(topic)
    if found is None:
        raise BadWorkbench(f"{topic[:40]}: no such topic on this bench; load the page again")
    return (found[1], "") if found[1] else (found[2], found[3])


class Shelf:
    """The topics of a data folder, each a file that is written whole."""

    def __init__(self, folder: Path, there: Callable[[str, str], bool] = lambda kind, its_id: True):
        """Topics in this folder. ``there``: whether the recording or case of a topic exists."""
        self._folder, self._there, self._open = folder, there, dict[str, Topic]()
        self._unwritten: set[str] = set()
        self._timer: asyncio.TimerHandle | None = None

    def topic(self, name: str) -> Topic:
        """A topic as it stands. BadWorkbench where there is no such recording or case."""
        kind, its_id = kind_of(name)
        if kind != "start" and not self._there(kind, its_id):
            self._open.pop(name, None)
            raise BadWorkbench(f"{name}: is not on this bench (any more)")
        if name not in self._open:
            self._open[name] = self._read(name)
        return self._open[name]

    def set(self, name: str, key: str, value: Any, base: int | None = None) -> Refused | int:
        """Set a key and give the new revision; refused where it has changed since revision ``base``.

        The same value again is no change: a page that heard no answer may ask twice. BadWorkbench where the topic has
        no such key, or the value is too large.
        """
        topic = self.topic(name)
        _check(name, key, value)
        at = topic.revisions.get(key, 0)
        if base is not None and at > base:
            return at if topic.values.get(key) == value else Refused(key, topic.values.get(key), at)
        _make_room(topic, key)
        topic.revision += 1
        topic.values[key], topic.revisions[key] = value, topic.revision
        self._unwritten.add(name)
        if base is not None:
            self.write()
        else:
            self._write_soon()
        return topic.revision

    def forget(self, name: str) -> None:
        """Drop a topic whose recording is removed."""
        self._open.pop(name, None)
        self._unwritten.discard(name)
        self._place(name).unlink(missing_ok=True)

    def write(self) -> None:
        """Bring everything to the disk. BadOutput where it cannot be; it is tried again with the next change."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        if not self._unwritten:
            return
        self._folder.mkdir(parents=True, exist_ok=True)
        output.write_all({str(self._place(n)): json.dumps(vars(self._open[n])) for n in self._unwritten})
        self._unwritten.clear()

    def _write_soon(self) -> None:
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:
            return self.write()
        if self._timer is None:
            self._timer = loop.call_later(WAIT_S, self._try_to_write)

    def _try_to_write(self) -> None:
        try:
            self.write()
        except BadOutput:
            self._write_soon()  # the disk is full; nothing of it is lost while the server runs

    def _place(self, name: str) -> Path:
        return self._folder / (name.replace(":", "-") + ".json")

    def _read(self, name: str) -> Topic:
        try:
            kept = json.loads(self._place(name).read_text(encoding="utf-8"))
            return Topic(kept["values"], kept["revisions"], kept["revision"])
        except (OSError, ValueError, KeyError, TypeError):
            return Topic()


def _check(name: str, key: str, value: Any) -> None:
    """BadWorkbench where the topic has no such key or the value is too large."""
    draft = DRAFT.fullmatch(key) is not None
    if not draft and key not in KEYS[kind_of(name)[0]]:
        raise BadWorkbench(f"{name}: keeps nothing called {key[:40]}")
    size, most = len(json.dumps(value)), LARGEST_DRAFT if draft else LARGEST
    if size > most:
        raise BadWorkbench(f"{name}: {key} has {size} characters, at most {most} are kept; shorten it")


def _make_room(topic: Topic, key: str) -> None:
    """Let the oldest sent draft go where all places are taken; BadWorkbench where there is none."""
    if key in topic.revisions or len(topic.revisions) < MOST_KEYS:
        return
    empty = [k for k in topic.revisions if topic.values.get(k) is None]
    if not empty:
        raise BadWorkbench(f"{len(topic.revisions)} forms are begun here; send or empty one of them first")
    oldest = min(empty, key=lambda k: topic.revisions[k])
    topic.values.pop(oldest, None)
    del topic.revisions[oldest]
