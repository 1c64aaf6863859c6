"""A file that somebody else writes: it may grow, and nothing else."""

from __future__ import annotations

import os

from witnessmark.recording.trouble import refuse

TAIL = 256  # bytes before the end that must still be there at the next look
HEAD = 4096  # bytes at the beginning that a recorder may write anew: sizes, number of samples
_DO = "expected a file that only grows; follow the new one, or watch its folder"


class Growth:
    """Size of the file; refuses a file that is cut back, rewritten, replaced or taken away meanwhile."""

    def __init__(self, path: str):
        """``path``: an existing file."""
        self._path = path
        self._identity: tuple[int, int] | None = None
        self._tail = b""
        self.size = 0

    def poll(self) -> bool:
        """Whether it has grown; raises BadRecording (one line) where it did anything else."""
        try:
            with open(self._path, "rb") as file:
                stat = os.fstat(file.fileno())
                file.seek(max(0, self.size - len(self._tail)))
                tail = file.read(len(self._tail))
                self._check((stat.st_dev, stat.st_ino), stat.st_size, tail)
                if stat.st_size == self.size:
                    return False
                file.seek(max(HEAD, stat.st_size - TAIL))
                self._tail = file.read(max(0, stat.st_size - file.tell()))
        except OSError as error:
            raise refuse(self._path, f"is gone ({(error.strerror or str(error)).lower()})", _DO) from None
        self._identity, self.size = (stat.st_dev, stat.st_ino), stat.st_size
        return True

    def _check(self, identity: tuple[int, int], size: int, tail: bytes) -> None:
        if self._identity is not None and identity != self._identity:
            raise refuse(self._path, "was replaced by another file while it was followed", _DO)
        if size < self.size:
            raise refuse(self._path, f"was cut back from {self.size} to {size} bytes while it was followed", _DO)
        if tail != self._tail:
            raise refuse(self._path, "was rewritten while it was followed", _DO)
