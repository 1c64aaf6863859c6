"""HDF5: a data set a channel in one piece, which can be mapped; each with its own clock."""

from __future__ import annotations

import numpy as np

from witnessmark.recording.model import Recording
from witnessmark.recording.writers import tree
from witnessmark.recording.writers.fit import Told

_MOST_SAID = 60_000  # bytes of an attribute, of which the format has room for 64 KB


def write(path: str, recording: Recording, told: Told) -> list[str]:
    """Everything is kept, also the reasons of gaps and the cautions."""
    import h5py

    said = tree.told_text(recording)
    room = len(said.encode()) <= _MOST_SAID
    with h5py.File(path, "w", track_order=True) as file:
        if room:
            file.attrs[tree.ATTRIBUTE] = said
        for k, (name, info) in enumerate(zip(tree.paths(recording), recording.channels, strict=True)):
            if info.kind == "changes":
                changes = recording.source.changes(k)
                group = file.create_group(name, track_order=True)
                group["time"] = changes.time_s
                group["level"] = changes.level
                group["level"].attrs.update(tree.changes_attributes(info, changes.end_s))
                continue
            dtype = recording.source.read(k, 0, 0).dtype
            data = file.create_dataset(name, (info.samples,), np.uint8 if dtype == np.bool_ else dtype)
            data.attrs.update(tree.attributes(info))
            for start, part in tree.pieces(recording, k, told):
                data[start : start + len(part)] = part
    return [] if room else ["So many gaps have no room in HDF5: their reasons and the cautions are not kept."]
