"""Write a recording, or a part of it, in the format that the suffix names: whole or not at all, a chunk at a time."""

from __future__ import annotations

import importlib
import os
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from witnessmark.errors import BadOutput
from witnessmark.output import check_places, umask
from witnessmark.recording.model import Recording
from witnessmark.recording.store_place import Building, sync, writing
from witnessmark.recording.trouble import one_line
from witnessmark.recording.window import part_of
from witnessmark.recording.writers.fit import Unfit

WRITERS = {
    ".csv": "text",
    ".tsv": "text",
    ".wav": "wav",
    ".parquet": "arrow",
    ".arrow": "arrow",
    ".feather": "arrow",
    ".npz": "npz",
    ".raw": "raw",
    ".h5": "hdf5",
    ".hdf5": "hdf5",
    ".zarr": "zarr",
}
FOLDERS = (".zarr",)


@dataclass(frozen=True, slots=True)
class Exported:
    """What was written. notes: sentences on what the format does not keep."""

    channels: int
    samples: int
    notes: tuple[str, ...]


def export_recording(
    recording: Recording,
    out: str | os.PathLike[str],
    *,
    channels: Sequence[str] | None = None,
    from_s: float | None = None,
    to_s: float | None = None,
    progress: Callable[[float], None] | None = None,
) -> Exported:
    """Write these channels of a recording from ``from_s`` up to ``to_s`` (s); all where not said.

    ``progress`` gets the share done. Raises BadOutput (no room, a place or a format that will not do) or BadRecording.
    """
    place = os.fspath(out)
    if Path(place).suffix.lower() not in WRITERS:
        known = " ".join(WRITERS)
        raise BadOutput(one_line(f"{place}: unknown suffix; give the name one of {known}"))
    part = part_of(recording, channels, from_s, to_s)
    # what is to become a folder need not be free of one by now: its builder says so in words of its own
    check_places([place] if Path(place).suffix.lower() not in FOLDERS else [], [recording.path])
    try:
        notes = write_whole(place, part, progress or (lambda _: None))
    except Unfit as exc:
        raise BadOutput(one_line(f"{place}: {exc}")) from None
    return Exported(len(part.channels), sum(c.samples for c in part.channels), tuple(notes))


def write_whole(place: str, recording: Recording, told: Callable[[float], None]) -> list[str]:
    """Write it beside the place, then move it there. Raises Unfit and BadOutput."""
    suffix = Path(place).suffix.lower()
    write = importlib.import_module(f"witnessmark.recording.writers.{WRITERS[suffix]}").write
    if suffix in FOLDERS:
        with Building(place, "export") as building:
            notes: list[str] = _guarded(place, lambda: write(os.fspath(building.folder), recording, told))
            building.publish()
        return notes
    goal = os.path.realpath(place)
    with writing(place):
        handle, name = tempfile.mkstemp(dir=os.path.dirname(goal), prefix=f".{Path(goal).stem[:40]}-", suffix=suffix)
        os.close(handle)
    try:
        notes = _guarded(place, lambda: write(name, recording, told))
        with writing(place):
            sync(Path(name))
            os.chmod(name, 0o666 & ~umask())
            os.replace(name, goal)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
    return notes


def _guarded(place: str, work: Callable[[], list[str]]) -> list[str]:
    """What libraries raise where there is no room is of many kinds."""
    try:
        with writing(place):
            return work()
    except (RuntimeError, AssertionError) as exc:
        said = (str(exc) or type(exc).__name__).lower()
        raise BadOutput(one_line(f"{place}: cannot be written ({said}); make room or choose another format")) from exc
