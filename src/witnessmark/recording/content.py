"""What a recording holds, told by a hash: of a file's bytes, or of a folder's names and bytes."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from pathlib import Path

_PART = 1 << 20  # bytes hashed at once


def files_in(root: Path) -> list[Path]:
    """The regular files of a folder, sorted by their path; the path itself where it is no folder."""
    return sorted(p for p in root.rglob("*") if p.is_file()) if root.is_dir() else [root]


def content_size(path: str | os.PathLike[str]) -> int:
    """Bytes of a file, or of all files of a folder. OSError for what is neither or cannot be reached."""
    return sum(_regular(p).stat().st_size for p in files_in(Path(path)))


def content_hash(path: str | os.PathLike[str], go_on: Callable[[], bool] = lambda: True) -> tuple[str, int]:
    """(SHA-256, bytes) of the content of a file or folder. OSError for what is neither or cannot be read.

    Of a file it is what ``sha256sum`` gives; of a folder it goes over the name within it, the size and the bytes of
    each file in turn. ``go_on`` is asked between pieces; once it says no, what is returned is of no use.
    """
    root, digest, size = Path(path), hashlib.sha256(), 0
    for file in files_in(root):
        length = _regular(file).stat().st_size
        if file != root:
            digest.update(f"{file.relative_to(root).as_posix()}\0{length}\0".encode(errors="surrogateescape"))
        with file.open("rb") as raw:
            while go_on() and (part := raw.read(_PART)):
                digest.update(part)
                size += len(part)
    return digest.hexdigest(), size


def _regular(path: Path) -> Path:
    """The path, if reading it comes to an end: a pipe or a device need not."""
    if path.exists() and not path.is_file():
        raise OSError(0, "is no regular file")
    return path
