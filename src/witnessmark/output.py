"""What a command writes: all of its files or none, each whole or not at all."""

from __future__ import annotations

import os
import stat
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from witnessmark.errors import BadOutput


def check_places(places: Iterable[str], read: Iterable[str] = ()) -> None:
    """Refuse, before any work, a place that cannot be written or that would overwrite what is read.

    Raises :class:`~witnessmark.errors.BadOutput` with one line.
    """
    sources = list(read)
    seen: list[str] = []
    for place in places:
        try:
            wrong = _wrong_with(place, sources, seen)
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            wrong = f"is no place to write: {reason.lower()}; choose another"
        if wrong:
            raise BadOutput(f"{place}: {wrong}")
        seen.append(place)


def _wrong_with(place: str, sources: list[str], seen: list[str]) -> str:
    """What is wrong with writing here; empty if nothing is."""
    path = Path(place)
    folder = path.parent
    if any(_same(place, s) for s in sources):
        return "would overwrite the file it is made from; choose another name"
    if any(_within(place, s) for s in sources):
        return "lies in the folder it is made from; choose another place"
    if any(_same(place, s) for s in seen):
        return "is named for two outputs; choose another name for one of them"
    if path.is_dir() or not path.name:
        return "is a folder; give the name of a file in it"
    if not folder.is_dir():
        return f"there is no folder {folder}; make it first or choose another place"
    if path.exists() and not os.access(path, os.W_OK):
        return "no permission to overwrite it; choose another name"
    if not _special(path) and not os.access(folder, os.W_OK | os.X_OK):
        return f"no permission to write in {folder}; choose another folder"
    return ""


def _same(a: str, b: str) -> bool:
    try:
        return os.path.realpath(a) == os.path.realpath(b) or os.path.samefile(a, b)
    except OSError:
        return False


def _within(place: str, source: str) -> bool:
    """Whether the source is a folder with this place in it."""
    return os.path.isdir(source) and Path(os.path.realpath(place)).is_relative_to(os.path.realpath(source))


def _special(path: Path) -> bool:
    """A device or pipe: written to, never replaced."""
    return path.exists() and not stat.S_ISREG(path.stat().st_mode)


def write_all(texts: Mapping[str, str]) -> None:
    """Write UTF-8 texts by path. All are written beside their goals first, then moved into place.

    Raises :class:`~witnessmark.errors.BadOutput` with one line; no half-written file is left behind.
    """
    made: dict[str, str] = {}
    place = ""
    try:
        for place, text in texts.items():
            if _special(Path(place)):
                Path(place).write_text(text, encoding="utf-8", errors="replace")
            else:
                made[place] = _beside(os.path.realpath(place), text)
        for place in list(made):
            os.replace(made[place], os.path.realpath(place))
            del made[place]
    except OSError as error:
        raise BadOutput(f"{place}: {(error.strerror or str(error)).lower()}; choose another place") from None
    finally:
        for name in made.values():
            Path(name).unlink(missing_ok=True)


@contextmanager
def writing(place: str) -> Iterator[BinaryIO]:
    """A file to write bytes to, which appears whole under its name at the end or not at all.

    Raises :class:`~witnessmark.errors.BadOutput` with one line.
    """
    made = ""
    try:
        if _special(Path(place)):
            with open(place, "wb") as out:
                yield out
            return
        made = _beside(os.path.realpath(place), "")
        with open(made, "wb") as out:
            yield out
            out.flush()
            os.fsync(out.fileno())
        os.replace(made, os.path.realpath(place))
        made = ""
    except OSError as error:
        raise BadOutput(f"{place}: {(error.strerror or str(error)).lower()}; choose another place") from None
    finally:
        if made:
            Path(made).unlink(missing_ok=True)


def write_private(place: str, text: str) -> None:
    """Write UTF-8 text that only its owner may read into a new file, which lies on the disk when this returns.

    Raises :class:`~witnessmark.errors.BadOutput` with one line, also where the file is there already.
    """
    made = ""
    try:
        handle = os.open(place, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        made = place
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as out:
            out.write(text)
            out.flush()
            os.fsync(out.fileno())
        _sync_folder(Path(place).parent)
        made = ""
    except FileExistsError:
        raise BadOutput(f"{place}: is there already and is not overwritten; choose another name") from None
    except OSError as error:
        raise BadOutput(f"{place}: {(error.strerror or str(error)).lower()}; choose another place") from None
    finally:
        if made:
            Path(made).unlink(missing_ok=True)


def _sync_folder(folder: Path) -> None:
    """Bring a folder's list of names to the disk, where the system lets folders be opened."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _beside(place: str, text: str) -> str:
    """The text in a file of another name in the same folder, with the rights a new file gets."""
    goal = Path(place)
    handle, name = tempfile.mkstemp(prefix=f".{goal.name[:40]}.", dir=goal.parent)
    try:
        with os.fdopen(handle, "w", encoding="utf-8", errors="replace", newline="\n") as out:
            out.write(text)
        os.chmod(name, 0o666 & ~umask())
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
    return name


def umask() -> int:
    """The rights that new files do not get."""
    taken = os.umask(0)
    os.umask(taken)
    return taken
