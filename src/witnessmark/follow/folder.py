"""A watched folder: every recording that a recorder's software puts there, once it is whole."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from witnessmark.errors import BadOutput, WitnessmarkError
from witnessmark.follow.marks import Marks
from witnessmark.follow.model import DEBUG, Say
from witnessmark.follow.run import POLL_S, Clock
from witnessmark.recording.registry import reader_for
from witnessmark.recording.trouble import one_line, refuse

SETTLE_S = 3.0
# Names that programs give to what they have not finished.
UNFINISHED = (".tmp", ".temp", ".part", ".partial", ".crdownload", ".lock", "~")


@dataclass
class _State:
    """What a recording looked like, since when, and whether that look of it has been dealt with."""

    look: tuple[int, int]
    since_s: float
    done: bool = False


class Folder:
    """Looks at the folder now and then; a recording is whole when it has not changed for ``settle_s``."""

    def __init__(self, path: str, settle_s: float = SETTLE_S, there_too: bool = False):
        """``there_too``: also what lies there already."""
        self._path, self._settle_s, self._there_too = path, settle_s, there_too
        self._seen: dict[str, _State] = {}
        self._started = False

    def whole(self, now_s: float) -> list[str]:
        """Paths that are whole by now and were not handed out before (or have changed since), oldest first.

        Raises BadRecording (one line) where the folder is gone.
        """
        try:
            names = sorted(os.listdir(self._path))
        except OSError as error:
            raise refuse(
                self._path, f"cannot be watched ({(error.strerror or str(error)).lower()})", "expected a folder"
            ) from None
        found = []
        for name in names:
            path = str(Path(self._path) / name)
            look = _look(path, name)
            if look is None:
                continue
            state = self._seen.get(path)
            if state is None or state.look != look:
                old = not self._started and not self._there_too
                self._seen[path] = _State(look, now_s, old)
            elif not state.done and now_s - state.since_s >= self._settle_s and look[0] > 0:
                state.done = True
                found.append((look[1], path))
        self._started = True
        return [path for _, path in sorted(found)]

    @property
    def waiting(self) -> int:
        """Recordings that are still being written, as far as can be told."""
        return sum(not s.done for s in self._seen.values())


def _look(path: str, name: str) -> tuple[int, int] | None:
    """(bytes, time of the last change in ns) of what may be a recording; None for anything else."""
    if name.startswith(".") or name.lower().endswith(UNFINISHED):
        return None
    reader = reader_for(Path(name).suffix)
    if reader is None or os.path.isdir(path) != reader.folder:
        return None
    files = [os.path.join(at, f) for at, _, names in os.walk(path) for f in names] if reader.folder else [path]
    size = newest = 0
    for file in files:
        try:
            stat = os.stat(file)
        except OSError:  # taken away meanwhile
            continue
        size, newest = size + stat.st_size, max(newest, stat.st_mtime_ns)
    return size, newest


def watch(
    folder: Folder,
    analyse: Callable[[str], None],
    say: Say,
    marks: Marks,
    idle_s: float | None = None,
    clock: Clock | None = None,
) -> int:
    """Analyse each recording that comes until the user stops it, or nothing came for ``idle_s``; returns how many.

    A recording that cannot be read, or goes wrong in whatever way, is one line; it is tried again when it changes.
    """
    clock = clock or Clock()
    count, busy_at = 0, clock.now()
    while not marks.stop:
        for path in folder.whole(clock.now()):
            count += _went_well(path, analyse, say)
            busy_at = clock.now()
            if marks.stop:
                break
        if folder.waiting:
            busy_at = clock.now()
        if idle_s is not None and clock.now() - busy_at > idle_s:
            break
        clock.sleep(POLL_S)
    return count


def _went_well(path: str, analyse: Callable[[str], None], say: Say) -> bool:
    """Whether a recording was analysed; one line where not: the others still to come are not its fault."""
    try:
        analyse(path)
    except BadOutput as error:
        say(f"not kept   {error}")
    except WitnessmarkError as error:
        say(f"not read   {error}")
    except Exception as error:
        if os.environ.get(DEBUG):
            raise
        said = getattr(error, "strerror", None) or f"{type(error).__name__}: {error}"
        say(f"no look    {path}: {one_line(said, 200)}; following goes on")
    else:
        return True
    return False
