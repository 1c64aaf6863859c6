"""Open a recording of any known format and lay the setup's scales over it."""

from __future__ import annotations

import errno
import os
import threading
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from witnessmark.errors import BadRecording, BadSetup, WitnessmarkError
from witnessmark.recording.model import Changes, ChannelInfo, Recording, Source
from witnessmark.recording.naming import split_unit
from witnessmark.recording.pyramid import Pyramid
from witnessmark.recording.registry import STORE, STORE_FILE, Reader, plugin_troubles, reader_of, suffixes
from witnessmark.recording.setup import ChannelSetup, Setup
from witnessmark.recording.spool import Spool
from witnessmark.recording.trouble import count, one_line, refuse, shorten


def open_recording(path: str | os.PathLike[str], setup: Setup | None = None, spool: Spool | None = None) -> Recording:
    """Open a recording: header and clock now, samples on demand.

    spool: where a reader that must parse the whole file (text tables) puts the samples; without it, into memory.

    The setup's scale, offset and unit go into each channel's gain, offset and unit (value = raw * scale + offset, where
    raw is the file's own value, -1..+1 in WAV).

    Raises :class:`~witnessmark.errors.BadRecording` (one line) for anything that cannot be read or judged, and
    :class:`~witnessmark.errors.BadSetup` where the setup names a channel the recording does not have.
    """
    name = os.fspath(path)
    if os.path.isdir(name):
        name = name.rstrip(os.sep + (os.altsep or "")) or name  # as shells complete the names of folders
    reader = reader_of(name)
    _check_file(name, reader is not None and reader.folder)
    if reader is None:
        suffix = Path(name).suffix
        raise refuse(
            name,
            f'unknown suffix "{suffix}"' if suffix else "no suffix to tell the format by",
            f"expected one of {' '.join(suffixes())}; export it in one of these formats or correct the suffix"
            + "".join(f" ({trouble.rstrip('.')})" for trouble in plugin_troubles()),
        )
    try:
        with np.errstate(all="ignore"):  # wild numbers in a damaged file are judged below, not warned about
            read = reader.load()
            recording = read(name, spool) if spool is not None and reader.spools else read(name)
    except WitnessmarkError:
        raise
    except OSError as exc:
        if exc.errno is None:  # a reading library's, not the system's
            raise _damaged(name, reader.name, exc) from exc
        raise _os_refusal(name, exc) from None
    # whatever a reading library raises on a damaged file is the file's fault, and the user gets one line, no traceback
    except Exception as exc:
        raise _damaged(name, reader.name, exc) from exc
    return usable(_checked_kind(recording, name, reader), setup)


def usable(recording: Recording, setup: Setup | None = None) -> Recording:
    """A recording with something to judge, with the setup's scales laid over it; raises as ``open_recording``."""
    _check_usable(recording)
    return _apply(recording, setup) if setup is not None else recording


def kept_setup(path: str | os.PathLike[str]) -> str | None:
    """The setup file that a working store keeps; None where it has none, or where the recording is no store."""
    if reader_of(os.fspath(path)) is not STORE:
        return None
    from witnessmark.recording.readers.store import read_contents

    name = read_contents(os.fspath(path)).setup
    return None if name is None else os.path.join(path, name)


def _checked_kind(recording: Any, name: str, reader: Reader) -> Recording:
    """What a reader handed over, guarded; one of another package may hand over anything, or bring trouble along."""
    if not isinstance(recording, Recording):
        raise refuse(name, f"its reader {reader.name} gave no recording", "expected a Recording; mend the reader")
    cautions = recording.cautions if reader.is_own else (*recording.cautions, *plugin_troubles())
    return replace(recording, source=_Guarded(recording.source, name, reader.name), cautions=cautions)


class _Guarded:
    """Turns what a library raises while reading samples into one line; lets one thread read at a time.

    Of a mapped file that costs nothing: its pages are fetched when the samples are looked at.
    """

    def __init__(self, source: Source, path: str, format_name: str):
        self._source, self._path, self._format = source, path, format_name
        self._one_at_a_time = threading.Lock()

    def read(self, index: int, start: int, stop: int) -> NDArray[Any]:
        try:
            with self._one_at_a_time, np.errstate(all="ignore"):
                return self._source.read(index, start, stop)
        except WitnessmarkError:
            raise
        except Exception as exc:
            raise _damaged(self._path, self._format, exc) from exc

    def changes(self, index: int) -> Changes:
        return self._source.changes(index)

    def pyramid(self, index: int) -> Pyramid | None:
        """Of a working store's channel; None elsewhere."""
        made = getattr(self._source, "pyramid", None)
        return None if made is None else cast("Pyramid | None", made(index))


def _damaged(path: str, format_name: str, exc: Exception) -> BadRecording:
    said = shorten(str(exc) or type(exc).__name__, 160)
    return refuse(
        path,
        f"cannot be read as {format_name} ({said})",
        f"expected a whole {format_name} file; check the suffix or export it again",
    )


def _os_refusal(path: str, exc: OSError) -> BadRecording:
    what = {
        errno.EACCES: "no permission to read it",
        errno.EPERM: "no permission to read it",
        errno.ENOENT: "no such file",
    }.get(exc.errno or 0, (exc.strerror or str(exc) or "cannot be read").lower())
    return refuse(path, what, "expected a readable recording; check path and permissions")


def _check_file(path: str, folder: bool) -> None:
    try:
        if folder and os.path.isdir(path):
            return
        if folder and os.path.isfile(path):
            raise refuse(path, "is a file", "expected a folder; unpack it, or check the suffix")
        if os.path.isdir(path):
            expected = f"expected a recording file, or a working store with its {STORE_FILE}; give the file inside it"
            raise refuse(path, "is a folder", expected)
        if not os.path.isfile(path):
            os.stat(path)
            raise refuse(path, "is not a regular file", "expected a recording file; save it to disk first")
        with open(path, "rb") as file:
            first = file.read(1)
    except OSError as exc:
        raise _os_refusal(path, exc) from None
    except ValueError:  # a name no file system can hold
        raise refuse(path, "is no file name", "expected a recording file; check the path") from None
    if not first:
        raise refuse(path, "the file is empty", "expected a recording; export it again")


def _check_usable(recording: Recording) -> None:
    """Something to judge: at least one channel with two samples that are not gaps."""
    if not recording.channels:
        raise refuse(recording.path, "holds no channels", "expected at least one line of samples; export it again")
    most = max(c.samples for c in recording.channels)
    if most < 2:
        raise refuse(
            recording.path,
            f"holds {count(most, 'sample')}",
            "expected at least two to judge; record for longer",
        )
    if not any(_has_two(recording, c) for c in recording.channels):
        raise refuse(
            recording.path,
            f"{_gaps_only(len(recording.channels), recording.channels[0].name)}",
            "expected samples to judge; check the leads and export it again",
        )


def _gaps_only(channels: int, first: str) -> str:
    """Channels without two samples, in words."""
    if channels == 1:
        return f"its only channel {shorten(first)} has fewer than two samples, the rest are gaps"
    return f"none of its {channels} channels ({shorten(first)}, ...) has two samples, the rest are gaps"


def _has_two(recording: Recording, channel: ChannelInfo) -> bool:
    if channel.kind == "changes" or not channel.gaps:
        return channel.samples >= 2
    found = 0
    for _, values in recording.chunks(channel.name):
        found += int(np.count_nonzero(~np.isnan(values))) if values.dtype.kind == "f" else len(values)
        if found >= 2:
            return True
    return False


def _apply(recording: Recording, setup: Setup) -> Recording:
    cautions = [*recording.cautions, *check_names(recording, setup)]
    if setup.learnt is not None and setup.learnt.despite:
        faults = ", ".join(one_line(f) for f in setup.learnt.despite)
        cautions.append(f"The setup was learnt from a recording in which a fault was seen ({faults}): it may carry it.")
    nameless = [i for i, c in enumerate(setup.channel, start=1) if c.name is None]
    if nameless:
        cautions.append(f"The setup's [[channel]] entry {nameless[0]} has no name: it is not used.")
    channels = tuple(_scaled(c, setup.channel_for(c.name, c.position)) for c in recording.channels)
    return replace(recording, channels=channels, cautions=tuple(cautions))


def _scaled(info: ChannelInfo, said: ChannelSetup | None) -> ChannelInfo:
    if said is None:
        return info
    scale = 1.0 if said.scale is None else said.scale
    offset = 0.0 if said.offset is None else said.offset
    unit = info.unit if said.unit is None else said.unit
    return replace(info, gain=info.gain * scale, offset=info.offset * scale + offset, unit=unit)


def check_names(recording: Recording, setup: Setup) -> list[str]:
    """Every channel the setup names must be there, and be described once; a learnt setup may know more of them.

    Its recording held what was hooked up then. Returns cautions.
    """
    for c in recording.channels:
        said = [s.name for s in setup.channel if s.name in (c.name, split_unit(c.name)[0], str(c.position))]
        if len(said) > 1:
            both = " and ".join(f'"{shorten(str(n))}"' for n in said)
            raise BadSetup(
                one_line(f"{recording.path}: the setup's channels {both} are the same one; keep one [[channel]] for it")
            )
    known = set(recording.left_out)
    for c in recording.channels:
        known |= {c.name, split_unit(c.name)[0], str(c.position)}
    wanted = [(f"channel[{i}].name", c.name) for i, c in enumerate(setup.channel, start=1)]
    wanted += [(f"channel[{i}].of", c.of) for i, c in enumerate(setup.channel, start=1)]
    wanted += [(f"cam_wheel[{i}].channel", c.channel) for i, c in enumerate(setup.cam_wheel, start=1)]
    absent = [name for _, name in wanted if name and name not in known]
    if setup.learnt is not None and absent:
        names = ", ".join(f'"{shorten(name)}"' for name in dict.fromkeys(absent))
        return [f"The learnt setup describes channels that this recording does not have: {names}; they are left out."]
    for key, name in wanted:
        if name and name not in known:
            there = ", ".join(shorten(c.name) for c in recording.channels)
            raise BadSetup(
                one_line(
                    f'{recording.path}: the setup\'s {key} is "{shorten(name)}", which the recording does not have; '
                    f"its channels are: {there}; {_name_it(recording)}"
                )
            )
    return []


def _name_it(recording: Recording) -> str:
    """What to do about a channel that the setup names otherwise than the recording."""
    if all(c.name == str(c.position) for c in recording.channels):
        return 'this recording keeps no names: name = "1", "2", ... in the setup, by the channels\' places'
    return "correct the name in the setup"
