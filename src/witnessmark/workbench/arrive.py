"""A recording arrives: streamed to the disk within limits, whole or not at all."""

from __future__ import annotations

import asyncio
import errno
import os
import shutil
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request

from witnessmark.errors import BadWorkbench
from witnessmark.workbench.folder import Card, Folder

GB = 1024**3
AT_ONCE = 1024 * 1024  # bytes written in one go
STOPPED = "stopped by a user"
TELL_S = 0.25  # between two words of progress
ANSWERS = {"large": 413, "full": 507, "busy": 503, "gone": 400, "stopped": 409, "empty": 400, "name": 415}


class Unwelcome(BadWorkbench):
    """A recording that is not taken in: nothing of it is kept. ``why``: a key of ANSWERS."""

    def __init__(self, why: str, text: str):
        """``text``: one line for the page."""
        super().__init__(text, ANSWERS[why])


@dataclass(frozen=True)
class Limits:
    """What the bench takes in. Working stores of text tables are smaller than the text, of packed files larger."""

    largest: int = 16 * GB  # bytes of one recording: 16 lines at 1 MS/s for 8 minutes
    spare: int = GB  # bytes that stay free on the disk
    most: int = 2000  # recordings on the bench
    at_once: int = 4  # that arrive at the same time


@dataclass
class Arrivals:
    """What arrives just now, and who wants to stop it."""

    folder: Folder
    told: Callable[[Card], None]
    limits: Limits = field(default_factory=Limits)
    _under_way: dict[str, asyncio.Task[object] | None] = field(default_factory=dict)

    def stop(self, recording_id: str) -> bool:
        """Stop an arrival; False where it is none."""
        task = self._under_way.get(recording_id)
        return task is not None and task.cancel(STOPPED)

    async def take(self, request: Request, name: str, case: str, by: str, note: str) -> Card:
        """Take in the body of a request. Unwelcome where it is not, with nothing kept."""
        claimed = int(length) if (length := request.headers.get("content-length", "")).isdecimal() else None
        self._check(name, claimed)
        card = self.folder.begin(name, case, by=by, note=note)
        self._under_way[card.id] = asyncio.current_task()
        try:
            await self._write(request, card, claimed)
            return card
        except ClientDisconnect:
            self._remove(card)
            raise Unwelcome("gone", f"{card.name}: the connection was cut; nothing was kept, drop it again") from None
        except OSError as error:
            self._remove(card)
            raise self._trouble(card.name, error) from None
        except asyncio.CancelledError as reason:
            self._remove(card)
            if (task := asyncio.current_task()) is None or STOPPED not in reason.args:
                raise
            task.uncancel()
            raise Unwelcome("stopped", f"{card.name}: stopped; nothing was kept") from None
        except BaseException:
            self._remove(card)
            raise
        finally:
            del self._under_way[card.id]

    def _check(self, name: str, claimed: int | None) -> None:
        """Refuse before anything is written."""
        from witnessmark.recording.registry import reader_for, suffixes

        reader = reader_for(Path(name).suffix.lower())
        if reader is None or reader.folder:
            known = " ".join(s for s in suffixes() if (r := reader_for(s)) is not None and not r.folder)
            raise Unwelcome("name", f"{name}: is not known by its suffix, expected one of {known}; export it so")
        if claimed is not None and claimed > self.limits.largest:
            raise self._too_large(name)
        if len(self._under_way) >= self.limits.at_once:
            raise Unwelcome("busy", f"{name}: {len(self._under_way)} recordings arrive already; wait for one of them")
        if len(self.folder.cards()) >= self.limits.most:
            raise Unwelcome("full", f"{name}: {self.limits.most} recordings lie on the bench; remove some first")
        self._check_room(name, claimed or 0)

    def _check_room(self, name: str, more: int) -> None:
        free = shutil.disk_usage(self.folder.root).free
        if free < more + self.limits.spare:
            raise Unwelcome("full", f"{name}: the disk has only {free / GB:.1f} GB left; make room and drop it again")

    def _too_large(self, name: str) -> Unwelcome:
        return Unwelcome("large", f"{name}: larger than {self.limits.largest / GB:g} GB; cut out the stretch that "
                         "matters, or open it where it lies: witnessmark workbench RECORDING")  # fmt: skip

    def _trouble(self, name: str, error: OSError) -> Unwelcome:
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            return Unwelcome("full", f"{name}: the disk is full; nothing was kept, make room and drop it again")
        said = (error.strerror or "cannot be written").lower()
        return Unwelcome("full", f"{name}: {said}; nothing was kept, look at the disk of this machine")

    async def _write(self, request: Request, card: Card, claimed: int | None) -> None:
        size, told_s, buffer = 0, 0.0, bytearray()
        with open(self.folder.original(card), "xb") as file:
            async for part in request.stream():
                buffer += part
                size += len(part)
                if size > self.limits.largest:
                    raise self._too_large(card.name)
                if len(buffer) >= AT_ONCE:
                    self._check_room(card.name, 0)
                    await run_in_threadpool(file.write, bytes(buffer))
                    buffer.clear()
                if time.monotonic() - told_s > TELL_S:
                    told_s = time.monotonic()
                    self.told(self._at(card, size, claimed))
            file.write(buffer)
            file.flush()
            await run_in_threadpool(os.fsync, file.fileno())
        if size == 0:
            raise Unwelcome("empty", f"{card.name}: is empty; export it again")
        if claimed is not None and size != claimed:
            raise ClientDisconnect

    def _at(self, card: Card, size: int, claimed: int | None) -> Card:
        return replace(card, share=min(1.0, size / claimed) if claimed else 0.0)

    def _remove(self, card: Card) -> None:
        self.folder.remove(card.id)
        self.told(replace(card, stage="removed"))
