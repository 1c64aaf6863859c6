"""The work in hand: one recording after the other, each in a process of its own, told to the pages as it goes.

A process that has loaded what an analysis needs waits for the next recording: a dropped file is at work at once.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import sys
from asyncio.subprocess import Process
from collections.abc import Mapping
from dataclasses import fields, replace
from typing import Any

from witnessmark.errors import BadOutput, BadWorkbench
from witnessmark.workbench.folder import Card, Folder, shown_card
from witnessmark.workbench.live import Live

STOPPED, ENDS = "stopped by a user", "the server ends"
LONGEST_LINE = 1024 * 1024  # bytes of what a work process tells
# OpenBLAS: its threads wait by spinning. On the demo's recording and two busy cores one thread took 1.7 s of processor
# time, its own choice of two 5.4 s.
ENVIRONMENT = {"OPENBLAS_NUM_THREADS": "1"}

TOLD = frozenset(f.name for f in fields(Card)) | {"case_last", "wrong"}
KILLED = frozenset(-getattr(signal, name) for name in ("SIGKILL", "SIGABRT") if hasattr(signal, name))


COMPARES = "compare:"  # begins the key of a comparison, which is followed by its case


def compare_key(case_id: str) -> str:
    """The key in the queue of the comparison of a case."""
    return f"{COMPARES}{case_id}"


def is_comparison(key: str) -> bool:
    """Whether a key in the queue is not that of a recording."""
    return key.startswith(COMPARES)


class Workers:
    """Work processes, one of them always loaded and waiting."""

    def __init__(self) -> None:
        """None yet."""
        self._spare: Process | None = None

    async def prepare(self) -> None:
        """Have one load what an analysis needs."""
        if self._spare is None or self._spare.returncode is not None:
            self._spare = None
            self._spare = await asyncio.create_subprocess_exec(
                sys.executable, "-m", "witnessmark.workbench.work", stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.PIPE, limit=LONGEST_LINE, env={**ENVIRONMENT, **os.environ},
            )  # fmt: skip

    async def take(self) -> Process:
        """The one that waits."""
        await self.prepare()
        taken, self._spare = self._spare, None
        assert taken is not None
        return taken

    async def close(self) -> None:
        """End the one that waits."""
        if self._spare is not None:
            await end(self._spare)


async def end(process: Process) -> None:
    """Kill a process that may have ended already."""
    with contextlib.suppress(ProcessLookupError):
        process.kill()
    await process.wait()


class Jobs:
    """Runs :mod:`witnessmark.workbench.work` for recordings, ``most`` at once."""

    def __init__(self, folder: Folder, live: Live, cases: str | None = None, most: int = 1):
        """``cases``: place of their database. ``most``: processes at once; an analysis fills two cores by itself."""
        self._folder, self._live, self._cases = folder, live, cases
        self._room, self._workers = asyncio.Semaphore(most), Workers()
        self._tasks: dict[str, asyncio.Task[None]] = {}
        self._waiting: list[str] = []  # ids, the next one first
        self._running: list[str] = []
        self._wrong: dict[str, str] = {}  # why a comparison failed, by its key

    async def open(self) -> None:
        """Go on with what was not finished when the server stopped."""
        self._folder.sweep()
        for card in reversed(self._folder.cards()):
            if card.stage == "arriving":
                self._folder.remove(card.id)
            elif not card.done:
                self.begin(card.id)
        await self._workers.prepare()

    def busy(self, recording_id: str) -> bool:
        """Whether a recording waits or is being worked on."""
        return recording_id in self._tasks

    def begin(self, recording_id: str, what: str = "all") -> None:
        """Put a recording in the queue. BadWorkbench where it is there already."""
        if self.busy(recording_id):
            raise BadWorkbench(f"{self._folder.card(recording_id).name}: is being worked on; wait, or stop it first")
        self._waiting.append(recording_id)
        self._tasks[recording_id] = asyncio.create_task(self._run(recording_id, what))
        if what == "all":
            self.keep(recording_id, stage="waiting", share=0.0, said="")
        self._say_what_waits()

    async def compare(self, case_id: str, asked: Mapping[str, Any]) -> str:
        """Hold two recordings of a case against each other, when it is their turn; what was wrong, empty for nothing.

        asked: see :func:`witnessmark.workbench.work_case.compared`. BadWorkbench where that is under way already.
        """
        key = compare_key(case_id)
        if self.busy(key):
            raise BadWorkbench(f"case {case_id}: two recordings are being held against each other; wait", 409)
        self._waiting.append(key)
        self._wrong[key] = "it was stopped; nothing is entered"
        self._tasks[key] = asyncio.create_task(self._run(key, "compare", asked))
        self._say_what_waits()
        await self.ended(key)
        return self._wrong.pop(key)

    async def ended(self, recording_id: str) -> None:
        """Wait until a recording is not worked on any more."""
        if (task := self._tasks.get(recording_id)) is not None:
            await asyncio.wait([task])

    def stop(self, recording_id: str) -> None:
        """Stop the work on a recording."""
        if (task := self._tasks.get(recording_id)) is not None:
            task.cancel(STOPPED)

    async def let_go(self, recording_id: str) -> None:
        """Have nobody at work on a recording that is ready: what is still drawn for its report is given up."""
        if self.busy(recording_id) and self._folder.card(recording_id).stage == "ready":
            self.stop(recording_id)
            await self.ended(recording_id)

    async def close(self) -> None:
        """End all processes; cards stay as they are, so that the next server takes them up."""
        for task in self._tasks.values():
            task.cancel(ENDS)
        await asyncio.gather(*self._tasks.values(), return_exceptions=True)
        await self._workers.close()

    def keep(self, recording_id: str, **changes: Any) -> None:
        """Change a card and tell every page."""
        card = self._folder.card(recording_id)
        if any(getattr(card, key) != value for key, value in changes.items()):
            try:
                card = self._folder.keep(card, **changes)
            except BadOutput:  # a full disk: pages hear of it all the same; after a restart the work is done again
                card = replace(card, **{**changes, "said": "the disk of this machine is full; make room"})
        self.tell(card)

    def tell(self, card: Card) -> None:
        """Tell every page how a card stands."""
        self._live.tell({"kind": "card", "card": shown_card(card)})

    def _say_what_waits(self) -> None:
        """Each that waits says what for."""
        queue = [*self._running, *self._waiting]
        for place, waits in enumerate(queue):
            if place == 0 or waits not in self._waiting or is_comparison(waits):
                continue
            with contextlib.suppress(BadWorkbench):  # a card was taken away from outside
                if self._folder.card(waits).stage == "waiting":
                    more = "" if place < 2 else f" and {place - 1} more"
                    self.keep(waits, said=f"waits for {self._name(queue[0])}{more}")

    def _name(self, key: str) -> str:
        return "a comparison" if is_comparison(key) else self._folder.card(key).name

    async def _run(self, recording_id: str, what: str, asked: Mapping[str, Any] | None = None) -> None:
        process = None
        try:
            async with self._room:
                self._waiting.remove(recording_id)
                self._running.append(recording_id)
                process = await self._workers.take()
                self._say_what_waits()
                await self._work(recording_id, what, process, asked or {})
        except asyncio.CancelledError as reason:
            if process is not None:
                await end(process)
            if STOPPED in reason.args and what == "all" and self._folder.card(recording_id).stage != "ready":
                self._stopped(recording_id)
        except (OSError, ValueError, BadWorkbench) as error:  # no process can begin, or its words or card are damaged
            if process is not None:
                await end(process)
            self._broken(recording_id, what, error)
        finally:
            for those in (self._waiting, self._running):
                if recording_id in those:
                    those.remove(recording_id)
            del self._tasks[recording_id]
            self._say_what_waits()

    async def _work(self, recording_id: str, what: str, process: Process, asked: Mapping[str, Any]) -> None:
        """Give a process its task and keep what it tells."""
        assert process.stdin is not None
        assert process.stdout is not None
        task = {"root": str(self._folder.root.absolute()), "id": recording_id.removeprefix(COMPARES), "what": what,
                "cases": self._cases, "asked": dict(asked)}  # fmt: skip
        with contextlib.suppress(ConnectionError):
            process.stdin.write(json.dumps(task).encode() + b"\n")
            await process.stdin.drain()
        async for line in process.stdout:
            if (changes := _changes(line)) is not None:
                self._hear(recording_id, changes)
        status = await process.wait()
        await self._workers.prepare()
        if what == "compare" and status not in (0, 2):
            self._wrong[recording_id] = _ended(status)
        if what == "all" and not self._folder.card(recording_id).done:
            self.keep(recording_id, stage="failed", share=1.0, said=_ended(status))

    def _hear(self, recording_id: str, changes: dict[str, Any]) -> None:
        last = changes.pop("case_last", None)
        if is_comparison(recording_id):
            self._hear_comparison(recording_id, changes, last)
            return
        if changes.get("stage") == "ready" and self._folder.card(recording_id).said.startswith("not entered"):
            changes.pop("said", None)
        elif changes.get("stage") == "ready":
            changes["said"] = ""
        self.keep(recording_id, **changes)
        if last is not None:
            self._live.tell({"kind": "case", "case": self._folder.card(recording_id).case, "last": last})

    def _hear_comparison(self, key: str, changes: dict[str, Any], last: int | None) -> None:
        case = key.removeprefix(COMPARES)
        if "wrong" in changes:
            self._wrong[key] = changes["wrong"]
        elif last is None:
            self._live.tell({"kind": "compare", "case": case, **changes})
        else:
            self._live.tell({"kind": "case", "case": case, "last": last})

    def _broken(self, recording_id: str, what: str, error: Exception) -> None:
        """The work came to nothing, and the queue goes on."""
        if what == "compare":
            self._wrong[recording_id] = f"it could not be worked on ({type(error).__name__}); begin it again"
            return
        with contextlib.suppress(BadWorkbench):  # the card itself is gone
            if what == "all" and not self._folder.card(recording_id).done:
                said = f"it could not be worked on ({type(error).__name__}); close other programs and begin it again"
                self.keep(recording_id, stage="failed", share=1.0, said=said)

    def _stopped(self, recording_id: str) -> None:
        has_store = (self._folder.of(recording_id) / "store" / "recording.json").exists()
        kept = "the recording is kept" if has_store else "nothing was kept of the import"
        self._folder.clear_unfinished(recording_id)
        self.keep(recording_id, stage="stopped", said=f"stopped; {kept}, it can be begun again")


def _changes(line: bytes) -> dict[str, Any] | None:
    """What a process tells; None for what a library says of itself."""
    with contextlib.suppress(ValueError, RecursionError):
        changes = json.loads(line)
        return changes if isinstance(changes, dict) and changes.keys() <= TOLD else None
    return None


def _ended(status: int) -> str:
    """What to say of a process that ended without a word of its own."""
    if status in KILLED:
        return ("the analysis was ended from outside, most often because the machine's memory ran out; close other "
                "programs and begin it again, or cut out the stretch that matters")  # fmt: skip
    return f"the analysis ended by itself (status {status}); begin it again, and report it where it happens twice"
