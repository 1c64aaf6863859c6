"""An HDF5 file opened for reading, also where its end is missing, and what in it may be samples.

Format: HDF5 File Format Specification 3.0 (superblock: signature, where the file ends, the root group and the driver's
block lie; object headers: their size; local heap: its free blocks); from memory, checked in the tests against the
reference library itself.
"""

from __future__ import annotations

import io
import mmap
import os
import struct
from collections.abc import Iterator
from typing import Any

import h5py

from witnessmark.recording.trouble import refuse

_SIGNATURE = b"\x89HDF\r\n\x1a\n"
_HEAP = b"HEAP\0\0\0\0"  # local heap, version 0: the names of a group's members
_NO_MORE = 1  # ends a heap's list of free blocks
_LARGEST_HEADER = 1 << 24  # bytes; those of thousands of attributes have a few hundred thousand
_DEEPEST, _MOST = 16, 4096
_CACHE = 8 << 20
_READ_AHEAD = 1 << 16  # bytes: the library reads a little more than it needs, but what is so large was cut off


def user_block(path: str) -> int | None:
    """Bytes before the HDF5 signature (0, 512, 1024, ...); None where there is none."""
    size, at = os.path.getsize(path), 0
    with open(path, "rb") as file:
        while at + 8 <= size and at <= 1 << 20:
            file.seek(at)
            if file.read(8) == _SIGNATURE:
                return at
            at = max(512, 2 * at)
    return None


def open_file(path: str, format_name: str) -> tuple[h5py.File, bool]:
    """The open file, and whether its end is missing."""
    base = user_block(path)
    if base is None:
        raise refuse(path, f"is not a {format_name} file", "expected HDF5; check that the suffix is right")
    size, said = os.path.getsize(path), _stated_end(path, base)
    if _has_endless_heap(path, base) or _claims_too_much(path, base):
        raise refuse(path, "is damaged", f"expected a whole {format_name} file; copy or export it again")
    try:
        if said is not None and said > size:
            return h5py.File(_Padded(path, said), "r", rdcc_nbytes=_CACHE), True
        return h5py.File(path, "r", locking=False, rdcc_nbytes=_CACHE), False
    except (OSError, RuntimeError, ValueError, KeyError):
        what = "is cut short, nothing whole is left" if said is not None and said > size else "is damaged"
        raise refuse(path, what, f"expected a whole {format_name} file; copy or export it again") from None


def _stated_end(path: str, base: int) -> int | None:
    """Where the superblock says that the file ends; None where it cannot be told."""
    with open(path, "rb") as file:
        file.seek(base)
        head = file.read(56)
    if len(head) < 56:
        return base + 96  # not even the superblock is whole
    version, wide = head[8], head[13] if head[8] < 2 else head[9]
    at = {0: 40, 1: 44, 2: 28, 3: 28}.get(version)
    if at is None or wide != 8:
        return None
    end = int(struct.unpack_from("<Q", head, at)[0])
    return end if end < 1 << 62 else None


def _claims_too_much(path: str, base: int) -> bool:
    """Whether the root group's header, or the driver's block, claims to be larger than such a thing is and than what
    follows it: the library would make room for it, up to 4 GB, before it looks.
    """
    with open(path, "rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as content:
        if len(content) < base + 96:
            return False
        driver, root = {0: (48, 64), 1: (52, 68), 2: (None, 36), 3: (None, 36)}.get(content[base + 8], (None, None))
        return any(
            place is not None and _too_large(content, base + struct.unpack_from("<Q", content, base + place)[0])
            for place in (driver, root)
        )


def _too_large(content: mmap.mmap, address: int) -> bool:
    head = content[address : address + 48].ljust(48, b"\0")
    if head[:4] == b"OHDR":
        flags = head[5]
        at = 6 + (16 if flags & 0x20 else 0) + (4 if flags & 0x10 else 0)
        claims = int.from_bytes(head[at : at + (1 << (flags & 3))], "little")
    else:  # a header of version 1, or a driver's block of version 0
        claims = int.from_bytes(head[8:12] if head[0] == 1 else head[4:8], "little")
    return claims > _LARGEST_HEADER and address + claims > len(content)


def _has_endless_heap(path: str, base: int) -> bool:
    """Whether a heap's list of free blocks leads back into itself: the library would follow it until memory ends."""
    with open(path, "rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as content:
        at = content.find(_HEAP)
        while 0 <= at <= len(content) - 32:
            size, free, data = struct.unpack_from("<QQQ", content, at + 8)
            if _is_endless(content, base + data, size, free):
                return True
            at = content.find(_HEAP, at + 1)
    return False


def _is_endless(content: mmap.mmap, data: int, size: int, free: int) -> bool:
    seen: set[int] = set()
    while free != _NO_MORE and free + 16 <= size:
        if free in seen:
            return True
        seen.add(free)
        place = data + free
        free = struct.unpack_from("<Q", content, place)[0] if place + 8 <= len(content) else 0  # cut off: read as zeros
    return False


class _Padded(io.RawIOBase):
    """The file with zeros from where it was cut to where it should end: what is whole before can then be read."""

    def __init__(self, path: str, size: int):
        self._file, self._size, self._at = open(path, "rb"), size, 0  # noqa: SIM115

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = 0) -> int:
        self._at = offset + (0 if whence == 0 else self._at if whence == 1 else self._size)
        return self._at

    def tell(self) -> int:
        return self._at

    def readinto(self, buffer: Any) -> int:
        view = memoryview(buffer).cast("B")
        if len(view) > _READ_AHEAD and self._at + len(view) > self._file.seek(0, 2):
            raise OSError("beyond the end of the file")
        self._file.seek(self._at)
        got = self._file.readinto(view)
        view[got:] = bytes(len(view) - got)
        self._at += len(view)
        return len(view)

    def close(self) -> None:
        self._file.close()
        super().close()


def datasets(group: h5py.Group, prefix: str = "", seen: set[int] | None = None) -> Iterator[tuple[str, h5py.Dataset]]:
    """(path within the file, data set) in the order kept by the file, or else in that in which they lie in it.

    Soft and external links are not followed: they lead to what stands elsewhere, in the worst case in other files.
    A damaged part ends the walk of its group.
    """
    seen = set() if seen is None else seen
    if prefix.count("/") > _DEEPEST or len(seen) > _MOST:
        return
    for name, child in _children(group):
        at = h5py.h5o.get_info(child.id).addr
        if at in seen or name.startswith("#"):  # MATLAB's own housekeeping begins with a number sign
            continue
        seen.add(at)
        if isinstance(child, h5py.Dataset):
            yield prefix + name, child
        elif isinstance(child, h5py.Group):
            yield from datasets(child, f"{prefix}{name}/", seen)


def _children(group: h5py.Group) -> list[tuple[str, Any]]:
    found: list[tuple[str, Any]] = []
    try:
        for name in group:
            if len(found) > _MOST:
                break
            if isinstance(group.get(name, getlink=True), h5py.HardLink):
                found.append((name, group[name]))
        if not group.id.get_create_plist().get_link_creation_order():
            found.sort(key=lambda pair: h5py.h5o.get_info(pair[1].id).addr)
    except (OSError, RuntimeError, ValueError, KeyError, TypeError):
        pass
    return found
