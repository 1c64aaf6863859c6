"""The work in hand: one recording after the other, each in a process of its own, told to the pages as it goes."""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import sys
from dataclasses import asdict

from witnessmark.workbench.folder import Card, Folder
from witnessmark.workbench.live import Live


class Jobs:
    """Runs :mod:`witnessmark.workbench.work` for recordings, ``most`` at once."""

    def __init__(self, folder: Folder, live: Live, most: int = 1):
        """``most``: processes at once; an analysis fills two cores by itself."""
        self._folder, self._live = folder, live
        self._room = asyncio.Semaphore(most)
        self._tasks: dict[str, asyncio.Task[None]] = {}

    def begin(self, card: Card) -> None:
        """Put a recording in the queue."""
        self._tasks[card.id] = asyncio.create_task(self._run(card))

    def take_up(self) -> None:
        """Go on with what was not finished when the server stopped."""
        for card in self._folder.cards():
            if card.stage == "arriving":
                self._keep(card, stage="failed", said="the server stopped while it arrived; drop it again")
            elif not card.done:
                self.begin(card)

    def stop(self, recording_id: str) -> None:
        """Stop the work on a recording."""
        task = self._tasks.get(recording_id)
        if task is not None:
            task.cancel("stopped by the user")

    async def close(self) -> None:
        """End all processes; cards stay as they are, so that the next server takes them up."""
        for task in self._tasks.values():
            task.cancel("server ends")
        await asyncio.gather(*self._tasks.values(), return_exceptions=True)

    def _keep(self, card: Card, **changes: object) -> Card:
        card = self._folder.keep(card, **changes)
        self._live.tell({"kind": "card", "card": asdict(card)})
        return card

    async def _run(self, card: Card) -> None:
        process = None
        try:
            async with self._room:
                process = await asyncio.create_subprocess_exec(
                    sys.executable, "-m", "witnessmark.workbench.work", str(self._folder.root), card.id,
                    stdout=asyncio.subprocess.PIPE, env=dict(os.environ),
                )  # fmt: skip
                assert process.stdout is not None
                async for line in process.stdout:
                    card = self._keep(card, **json.loads(line))
                if await process.wait() != 0 and card.stage != "failed":
                    self._keep(card, stage="failed", said=f"the analysis ended with status {process.returncode}")
        except asyncio.CancelledError as reason:
            if process is not None and process.returncode is None:
                process.kill()
                await process.wait()
            if "user" in str(reason):
                shutil.rmtree(self._folder.of(card.id) / "store", ignore_errors=True)
                self._keep(card, stage="stopped", said="stopped; nothing was kept of the import")
        finally:
            self._tasks.pop(card.id, None)
