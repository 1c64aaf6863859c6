"""A folder that is whole or not there: built beside its goal under a name of its own, moved there in one step.

While it is built its owner holds a lock on a file in it, which the system takes back when the owner ends, however it
ends. What a killed owner left behind is found by its name and its free lock, and removed by whoever builds there next;
what another one is still building is never touched.
"""

from __future__ import annotations

import os
import re
import shutil
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, Any

from witnessmark.errors import BadOutput
from witnessmark.recording.trouble import one_line

OWNER = "owner"  # the file whose lock says that somebody is at work; it holds the process and when it began


class Building:
    """A folder in the making. Leave it without :meth:`publish` and nothing remains.

    goal: where it will stand, which must not exist. what: what is being made, for messages ("import", "export").
    """

    def __init__(self, goal: str | os.PathLike[str], what: str = "import"):
        """Raises BadOutput: the goal exists, cannot be written, or is being built by another process."""
        self.goal = Path(os.path.abspath(goal))
        self._shown = os.fspath(goal)
        self._check_goal()
        short = self.goal.name.encode("utf-8", "surrogateescape")[:100].decode("utf-8", "ignore")
        hidden = f".{short}.unfinished-"
        with writing(self._shown), _locked_folder(self.goal.parent):
            for entry in sorted(os.listdir(self.goal.parent)):
                if re.fullmatch(re.escape(hidden) + r"\d+-\d+", entry):
                    self._clear(self.goal.parent / entry, what)
            self.folder = self.goal.parent / f"{hidden}{time.time_ns()}-{os.getpid()}"
            self._owner = self._begin(self.folder)
        self._open = True

    def __enter__(self) -> Building:
        return self

    def __exit__(self, *_: object) -> None:
        self.discard()

    def _check_goal(self) -> None:
        try:
            os.lstat(self.goal)
            wrong = "exists already; choose another name or remove it first"
        except FileNotFoundError:
            wrong = ""
        except (OSError, ValueError) as error:  # a name that is too long, or one that no file system can hold
            reason = getattr(error, "strerror", None) or str(error)
            wrong = f"is no place to write ({reason.lower()}); choose another"
        if not wrong and not self.goal.parent.is_dir():
            wrong = f"there is no folder {self.goal.parent}; make it first or choose another place"
        if not wrong and not os.access(self.goal.parent, os.W_OK | os.X_OK):
            wrong = f"no permission to write in {self.goal.parent}; choose another folder"
        if wrong:
            raise BadOutput(one_line(f"{self._shown}: {wrong}"))

    def _begin(self, folder: Path) -> IO[str]:
        """Make the folder; its owner's file, locked and open until the end."""
        folder.mkdir()
        owner = open(folder / OWNER, "w", encoding="ascii")  # noqa: SIM115
        try:
            try_lock(owner)
            owner.write(f"{os.getpid()} {time.strftime('%Y-%m-%dT%H:%M:%SZ', time.gmtime())}\n")
            owner.flush()
        except BaseException:
            owner.close()
            shutil.rmtree(folder, ignore_errors=True)
            raise
        return owner

    def _clear(self, leftover: Path, what: str) -> None:
        """Remove what a killed owner left; refuse where the owner is at work."""
        try:
            with open(leftover / OWNER, "r+", encoding="ascii", errors="replace") as owner:
                said = owner.read(80).split()
                if not try_lock(owner):
                    who = f"process {said[0]} since {said[1]}, " if len(said) == 2 else ""
                    at_work = f"another {what} into it is at work ({who}in {leftover.name})"
                    raise BadOutput(one_line(f"{self._shown}: {at_work}; wait for it or stop it"))
                shutil.rmtree(leftover, ignore_errors=True)  # while its lock is held
        except FileNotFoundError:  # killed before it could say whose it is
            shutil.rmtree(leftover, ignore_errors=True)
        shutil.rmtree(leftover, ignore_errors=True)

    def publish(self) -> None:
        """Move it to its goal: from then on it is there, and whole. Raises BadOutput."""
        with writing(self._shown):
            sync(self.folder)
            if os.path.lexists(self.goal):
                self._check_goal()
            os.rename(self.folder, self.goal)
            self._open = False
            sync(self.goal.parent)
        self._owner.close()
        with suppress(OSError):
            (self.goal / OWNER).unlink()

    def discard(self) -> None:
        """Remove it, unless it was published."""
        if self._open:
            self._open = False
            self._owner.close()
            shutil.rmtree(self.folder, ignore_errors=True)


@contextmanager
def writing(place: str) -> Iterator[None]:
    """What the system says while something is written becomes one line: BadOutput."""
    try:
        yield
    except OSError as error:
        said = (error.strerror or str(error)).lower()
        raise BadOutput(one_line(f"{place}: {said}; make room or choose another place, nothing was kept")) from None


def sync(path: Path) -> None:
    """Have the system bring a file or folder to the disk. Some file systems cannot do so with folders."""
    if path.is_dir() and os.name == "nt":
        return
    handle = os.open(path, os.O_RDONLY if path.is_dir() else os.O_RDWR)
    try:
        os.fsync(handle)
    except OSError:
        if not path.is_dir():
            raise
    finally:
        os.close(handle)


@contextmanager
def _locked_folder(folder: Path) -> Iterator[None]:
    """Others that look for leftovers here wait; where a folder cannot be locked the lock of each building must do."""
    if sys.platform == "win32":
        yield
        return
    import fcntl

    handle = os.open(folder, os.O_RDONLY)
    try:
        with suppress(OSError):
            fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


def try_lock(file: IO[Any]) -> bool:
    """Take the lock of an open file; False where another process has it."""
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
