"""What pages show, kept by the server by topic: keys with values and revisions, persisted."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from witnessmark import output


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


class Shelf:
    """The topics of a data folder, each a file that is written whole."""

    def __init__(self, folder: Path):
        """Topics in this folder."""
        self._folder, self._open = folder, dict[str, Topic]()

    def topic(self, name: str) -> Topic:
        """A topic as it stands."""
        if name not in self._open:
            self._open[name] = self._read(name)
        return self._open[name]

    def set(self, name: str, key: str, value: Any, base: int | None = None) -> Refused | int:
        """Set a key and give the new revision; refused where it has changed since revision ``base``."""
        topic = self.topic(name)
        at = topic.revisions.get(key, 0)
        if base is not None and at > base:
            return Refused(key, topic.values.get(key), at)
        topic.revision += 1
        topic.values[key], topic.revisions[key] = value, topic.revision
        self._write(name, topic)
        return topic.revision

    def _place(self, name: str) -> Path:
        return self._folder / (name.replace(":", "-") + ".json")

    def _read(self, name: str) -> Topic:
        try:
            kept = json.loads(self._place(name).read_text(encoding="utf-8"))
            return Topic(kept["values"], kept["revisions"], kept["revision"])
        except (OSError, ValueError, KeyError, TypeError):
            return Topic()

    def _write(self, name: str, topic: Topic) -> None:
        self._folder.mkdir(parents=True, exist_ok=True)
        output.write_all({str(self._place(name)): json.dumps(vars(topic))})
