"""Which kind of stream a source is."""

from __future__ import annotations

import os
from pathlib import Path

from witnessmark.follow.frames import RawFile, WavFile
from witnessmark.follow.table import TableFile
from witnessmark.recording.registry import reader_for
from witnessmark.recording.trouble import refuse

GROWING: dict[str, type[TableFile | WavFile | RawFile]] = {
    ".csv": TableFile,
    ".tsv": TableFile,
    ".txt": TableFile,
    ".wav": WavFile,
    ".raw": RawFile,
}

STORE = "recording.json"  # a folder with it is a working store: a recording


def is_folder(source: str) -> bool:
    """Whether a folder is to be watched: not a recording that is a folder itself."""
    reader = reader_for(Path(source).suffix)
    is_recording = (reader is not None and reader.folder) or os.path.isfile(os.path.join(source, STORE))
    return os.path.isdir(source) and not is_recording


def growing_file(source: str) -> TableFile | WavFile | RawFile:
    """The stream of a growing file; BadRecording (one line) where there is none or it does not grow at its end."""
    suffix = Path(source).suffix.lower()
    if not os.path.exists(source):
        raise refuse(source, "no such file", "expected a file that is being written, a folder, or - for a pipe")
    kind = GROWING.get(suffix)
    if kind is None or not os.path.isfile(source):
        raise refuse(
            source,
            f'"{suffix or "no suffix"}" does not grow row by row',
            f"expected one of {' '.join(GROWING)}; watch its folder instead, or analyze it when it is done",
        )
    if not os.access(source, os.R_OK):
        raise refuse(source, "no permission to read it", "check its permissions")
    return kind(source)
